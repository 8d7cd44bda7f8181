"""All evidence together; truth is what the synthesised target had."""

from __future__ import annotations

from random import Random

import numpy as np
import pytest

from benchmarks.diagnosis_matrix import channels
from benchmarks.readback_matrix import plan_for
from benchmarks.stimulus import random_accesses
from busdecode.access import Access
from busdecode.diagnosis import diagnose, fares
from busdecode.faults import Open
from busdecode.predict import FaultRows, lines_of
from tests.diagnosis.readbacks import bus_of, fault_of
from tests.diagnosis.runs import candidates_of, joint_of, run, without

SOME = tuple(fault for fault in candidates_of("z80") if {"D3", "A9"} & set(lines_of(fault)))
"""The candidates about two lines, for time."""


@pytest.mark.parametrize("name", ["z80", "6502", "sram"])
@pytest.mark.parametrize("is_logged", [True, False])
def test_nothing_is_invented_on_a_healthy_target(name: str, *, is_logged: bool) -> None:
    """With 8 channels, 16, and all; with a log and without."""
    for wires, seed in ((8, 1), (16, 2), (99, 3)):
        made = run(name, seed=seed)
        lines = channels(bus_of(name), wires, Random(seed)) if wires < 99 else None
        gathered = made.gathered(made.capture(lines, is_logged=is_logged))
        _, judgement = diagnose(gathered.logs, gathered.recorded, candidates_of(name))

        assert judgement.healthy is True
        assert judgement.groups == ()


@pytest.mark.parametrize("name", ["z80", "sram", "vmebus"])
def test_words_that_are_their_own_address_are_no_tie(name: str) -> None:
    """Without a log: each address is written with its own number, and upper data lines never move.

    A common pattern in tests of memory, from memory.
    """
    size = bus_of(name).word_bytes
    writes = [Access("write", 64 * size + at * size, size, 64 + at) for at in range(64)]
    made = run(name, seed=1, accesses=writes)
    gathered = made.gathered(made.capture(is_logged=False))
    _, judgement = diagnose(gathered.logs, gathered.recorded, candidates_of(name))

    assert judgement.healthy is True


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("z80", "bridge D1 A3 a-wins"),
        ("z80", "bridge D1 A3 low-wins"),
        ("6502", "bridge D2 A5 a-wins"),
        ("mc68000", "bridge D1 A3 low-wins"),
    ],
)
def test_a_data_line_tied_to_an_address_line_is_seen_without_a_log(name: str, text: str) -> None:
    """What was written follows the tie, so only that the two never differ tells of it."""
    made = run(name, text, seed=3)
    gathered = made.gathered(made.capture(is_logged=False))
    _, judgement = diagnose(gathered.logs, gathered.recorded, candidates_of(name))

    named = {frozenset(lines_of(fault)) for fault in judgement.groups[0].faults}
    assert named == {frozenset(text.split()[1:3])}


def test_the_order_of_candidates_and_of_evidence_does_not_matter() -> None:
    """The same groups, with the same shares, back to front."""
    made = run("z80", "stuck D3 low", seed=4)
    gathered = made.gathered(made.capture(name="one"), made.capture(name="two"))
    faults = SOME
    _, one = diagnose(gathered.logs, gathered.recorded, faults)
    _, other = diagnose(gathered.logs[::-1], gathered.recorded[::-1], faults[::-1])

    assert [set(each.faults) for each in one.groups[:1]] == [
        set(each.faults) for each in other.groups[:1]
    ]
    assert one.groups[0].share == pytest.approx(other.groups[0].share)
    assert one.is_settled
    assert other.is_settled
    assert fault_of("stuck D3 low") in one.groups[0].faults


@pytest.mark.parametrize(
    ("name", "text", "wires", "seed", "is_logged"),
    [
        # Tied to a line that never moves, or held: the run must be made again with both.
        ("i8086", "stuck RD high", 8, 1, True),
        # A card that sees no strobe does as one that is not there.
        ("6502", "open PHI2 high", 16, 0, True),
        ("6502", "open PHI2 high", 8, 56, True),
        # Without a log, what was on a line that was not captured is not known.
        ("mc68000", "bridge D2 R/W low-wins", 8, 82, False),
    ],
)
def test_what_follows_from_a_strobe_is_not_taken_for_another_cause(
    name: str, text: str, wires: int, seed: int, *, is_logged: bool
) -> None:
    """The truth is in the first group, or it is not settled."""
    made = run(name, text, seed=seed)
    lines = channels(bus_of(name), wires, Random(seed))
    gathered = made.gathered(made.capture(lines, is_logged=is_logged))
    _, judgement = diagnose(gathered.logs, gathered.recorded, candidates_of(name))

    assert judgement.groups
    assert fault_of(text, name) in judgement.groups[0].faults or not judgement.is_settled


@pytest.mark.parametrize("text", ["stuck D3 low", "bridge D3 MREQ low-wins"])
def test_what_each_piece_tells_adds_up(text: str) -> None:
    """Counts of all pieces are the counts of all evidence, also where a candidate was tried."""
    made = run("z80", "bridge D3 MREQ low-wins", seed=4)
    gathered = made.gathered(made.capture())
    evidence, _ = diagnose(gathered.logs, gathered.recorded, SOME)
    fault = fault_of(text)
    _, foretold = next(evidence.over(FaultRows(evidence.model, [fault])))
    known = foretold.known[0] & evidence.looked
    off = (foretold.words[0] ^ evidence.seen) & known
    bits, of_lines = np.bitwise_count, evidence.of_lines
    lines = [each for each in fares(evidence, fault) if each.piece.is_by_bit]
    reads = [each for each in fares(evidence, fault) if not each.piece.is_by_bit]

    assert sum(each.wrong for each in lines) == bits(evidence.wrong[of_lines]).sum() > 0
    assert sum(each.wrong for each in reads) == (evidence.wrong[~of_lines] != 0).sum() > 0
    assert sum(each.against for each in lines) == bits(off[of_lines]).sum()
    assert sum(each.against for each in reads) == (off[~of_lines] != 0).sum()
    matched = evidence.wrong & known & ~off
    assert sum(each.explained for each in lines) == bits(matched[of_lines]).sum()


def test_two_causes_at_once_are_not_taken_for_one() -> None:
    """A line stuck in one half of a run and another in the other: no single cause is settled."""
    one = run("z80", "stuck D3 low", seed=4)
    other = run("z80", "stuck A9 high", seed=5)
    captures = [one.capture(name="one", is_logged=True)]
    first = one.gathered(*captures)
    second = other.gathered(other.capture(name="other"))
    _, judgement = diagnose(
        [*first.logs, *second.logs],
        [*first.recorded, *second.recorded],
        SOME,
    )

    assert judgement.more_than_one_cause
    assert not judgement.is_settled


def test_what_is_made_again_in_part_is_held_against_others_by_that_part() -> None:
    """Reads pass for writes: all ones come back, as from no card, and a run made again tells so."""
    faults = [fault_of(text, "vmebus") for text in ("absent high", "stuck WRITE low")]
    made = run("vmebus", faults[1], seed=26)
    lines = ["AM5", "AM4", "AM3", "D20", "D1", "AS", "DS1", "DS0"]
    gathered = made.gathered(made.capture(lines))
    _, verdict = diagnose(gathered.logs, gathered.recorded, faults)

    assert not verdict.is_settled
    assert {fault for group in verdict.groups[:2] for fault in group.faults} == set(faults)
    assert min(group.share for group in verdict.groups[:2]) > 0.1


def test_ties_of_the_same_two_lines_are_one_answer() -> None:
    """D5 is tied to OE; that OE wins, or that high does, foretells nearly the same."""
    faults = [fault_of(f"bridge D5 OE {rule}", "sram") for rule in ("b-wins", "high-wins")]
    made = run("sram", faults[0], seed=5)
    gathered = made.gathered(made.capture(["CS", "OE", "WE", "D5", "D1", "D2"]))
    some = [each for each in candidates_of("sram") if {"D5", "OE"} & set(lines_of(each))]
    _, verdict = diagnose(gathered.logs, gathered.recorded, some)

    assert [group.faults for group in verdict.groups[:2]] == [(each,) for each in faults]
    assert verdict.groups[0].share < 0.9
    assert verdict.is_settled
    assert verdict.akin[0] == faults[1]


def test_what_the_rest_of_a_run_made_again_contradicts_gets_no_credit_for_what_was_not_made() -> (
    None
):
    """A long run, of which the first part alone is made again with RD and MREQ tied to others."""
    truth = fault_of("bridge A8 RD low-wins")
    accesses = [*plan_for(bus_of("z80"))] * 4
    made = run("z80", truth, seed=5, accesses=accesses)
    gathered = made.gathered(made.capture(channels(bus_of("z80"), 16, Random(5))))
    some = [each for each in candidates_of("z80") if {"A8", "MREQ"} & set(lines_of(each))]
    _, verdict = diagnose(gathered.logs, gathered.recorded, some)

    assert {"A8", "RD"} == set(lines_of(verdict.groups[0].faults[0]))


@pytest.mark.parametrize(
    ("name", "left_out"), [("i8086", ("AD15", "AD14")), ("vmebus", ("A31", "A30"))]
)
def test_bytes_of_which_the_address_is_known_in_part(name: str, left_out: tuple[str, ...]) -> None:
    """Without a log: their lanes tell where in a word they are."""
    accesses = random_accesses(bus_of(name), 60, Random(name))
    made = run(name, accesses=accesses, seed=2)
    joint = joint_of(made.gathered(made.capture(without(name, *left_out), is_logged=False)))

    assert joint.judged > 50
    assert not joint.wrong.any()


def test_moments_that_other_strobes_tell_accuse_no_line() -> None:
    """Without BS0 a beat is seen to end with AS alone: the other lane strobes are gone by then."""
    accesses = random_accesses(bus_of("orlop32"), 30, Random(0))
    made = run("orlop32", accesses=accesses, seed=3)
    joint = joint_of(made.gathered(made.capture(["AD29", "AS", "BS3", "BS2", "BS1", "ERR"])))

    assert joint.judged > 30
    assert not joint.wrong.any()


def test_a_strobe_that_never_moves_is_tried_before_what_foretells_nothing() -> None:
    """A tie to a line that is high whenever it matters does the same; both stay."""
    faults = [
        fault
        for fault in candidates_of("vmebus")
        if isinstance(fault, Open) or set(lines_of(fault)) <= {"DS0", "A12"}
    ]
    made = run("vmebus", "stuck DS0 high", seed=39)
    gathered = made.gathered(made.capture())
    _, verdict = diagnose(gathered.logs, gathered.recorded, faults)

    assert not verdict.is_settled
    assert fault_of("stuck DS0 high", "vmebus") in verdict.groups[0].faults


def test_what_explains_all_is_tried_though_it_leaves_open_what_was_right() -> None:
    """A chip select that is always asserted: that it never moves is all that is wrong."""
    made = run("sram", "stuck CS low", seed=5)
    gathered = made.gathered(made.capture(channels(bus_of("sram"), 8, Random(5))))
    _, verdict = diagnose(gathered.logs, gathered.recorded, candidates_of("sram"))

    assert verdict.wrong == 1
    assert verdict.groups[0].faults == (fault_of("stuck CS low", "sram"),)


def test_what_leaves_open_what_was_wrong_is_tried_beside_what_leaves_open_what_was_right() -> None:
    """D7 held low explains all; tied to OE it does nearly the same, which only a run tells."""
    made = run("sram", "bridge D7 OE high-wins", seed=14)
    gathered = made.gathered(made.capture(channels(bus_of("sram"), 8, Random(14))))
    _, verdict = diagnose(gathered.logs, gathered.recorded, candidates_of("sram"))

    assert fault_of("bridge D7 OE high-wins", "sram") in verdict.groups[0].faults
