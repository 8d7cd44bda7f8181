"""Points that were beeped, as evidence: by the definitions of a tie, a short and a break."""

from __future__ import annotations

import pytest

from busdecode.diagnosis import beeped, diagnose
from tests.diagnosis.readbacks import fault_of, model_of
from tests.diagnosis.runs import candidates_of, off_by, run

READINGS = [("D3", "D5", True), ("D1", "D2", False)]


@pytest.mark.parametrize(
    ("text", "off"),
    [
        ("bridge D3 D5 low-wins", []),
        ("bridge D3 D5 b-wins", []),
        ("bridge D1 D2 low-wins", [0, 1]),
        ("stuck D3 low", [0]),
        ("swapped D3 D5", [0]),
    ],
)
def test_a_pair_beeps_where_a_bridge_ties_it_and_else_not(text: str, off: list[int]) -> None:
    """One pair that was found tied, and one that was not."""
    assert off_by(beeped(model_of("z80"), READINGS), fault_of(text)) == off


def test_lines_are_found_tied_whichever_is_named_first() -> None:
    """D5 and D3 are D3 and D5."""
    evidence = beeped(model_of("z80"), [("D5", "D3", True)])

    assert off_by(evidence, fault_of("bridge D3 D5 low-wins")) == []


@pytest.mark.parametrize(
    ("text", "off"),
    [
        ("stuck D3 low", [1, 2]),
        ("stuck D3 high", [0, 1, 2]),
        ("stuck D4 high", [0, 2]),
        ("open D5 high", [0, 1]),
        ("swapped D5 D6", [0, 1]),
        ("bridge D3 D5 low-wins", [0, 1, 2]),
    ],
)
def test_a_rail_and_the_ends_of_a_line_are_read_too(text: str, off: list[int]) -> None:
    """D3 was found tied to ground, D4 to the supply, D5 open from end to end.

    A line may be held by a part that does so with the power on alone, so a candidate that holds it
    says nothing of its own rail; of the other one it does.
    """
    readings = [("D3", "ground", True), ("supply", "D4", True), ("D5", "D5", False)]

    assert off_by(beeped(model_of("z80"), readings), fault_of(text)) == off


def test_a_healthy_line_reads_from_end_to_end_and_not_to_a_rail() -> None:
    """No reading of a healthy bus is wrong."""
    readings = [("D3", "D3", True), ("D3", "ground", False), ("D3", "D4", False)]

    assert not beeped(model_of("z80"), readings).wrong.any()


def test_a_beep_decides_between_a_stuck_line_and_a_bridge() -> None:
    """With D3 and D5 found not tied no bridge of them is left; with the tie found only those."""
    made = run("z80", "bridge D3 D5 low-wins", seed=3)
    gathered = made.gathered(made.capture())
    model = model_of("z80")
    tied = [*gathered.logs, beeped(model, [("D3", "D5", True)])]
    _, judgement = diagnose(tied, gathered.recorded, candidates_of("z80"))

    assert judgement.is_settled
    assert fault_of("bridge D3 D5 low-wins") in judgement.groups[0].faults
    apart = [*gathered.logs, beeped(model, [("D3", "D5", False)])]
    _, judgement = diagnose(apart, gathered.recorded, candidates_of("z80"))
    assert not judgement.is_settled
