"""What the next writes and reads tell: the order of steps, gains by hand, windows of a log."""

from __future__ import annotations

import numpy as np
import pytest

from busdecode.access import Access
from busdecode.diagnosis import (
    Outcomes,
    Step,
    judge,
    next_steps,
    reached_window,
    read_back,
    score,
    steps_of,
)
from busdecode.plan import open_window
from busdecode.predict import FaultRows, candidates
from busdecode.protocol import bundled_buses, load_bus
from tests.diagnosis.readbacks import BASE, bus_of, fault_of, log_of, model_of, names

MEMORIES = [
    name
    for name in bundled_buses()
    if load_bus(name).address and load_bus(name).kind("write").space != "none"
]


def by_hand(*rows: str) -> Outcomes:
    """Make outcomes of steps a, b ...: a character a candidate, ``?`` where it is not told."""
    steps = tuple(
        Step((Access("read", 0, 1, None),) * (at + 1), "abcdef"[at]) for at in range(len(rows))
    )
    number = np.array([[ord(each) for each in row] for row in rows], dtype=np.int32)
    unknown = np.array([[8 * (each == "?") for each in row] for row in rows])
    return Outcomes(steps, number, unknown)


# What each step returns with each of four candidates, their shares, and the gains in bits.
GAINS = [
    (["0011", "0001", "0123", "0000"], [1, 1, 1, 1], [1.0, 0.8113, 2.0, 0.0]),
    # The likely ones count for more: 0.9 and 0.1.
    (["0011", "0110"], [9, 9, 1, 1], [0.469, 1.0]),
    # A candidate of which nothing is left tells nothing.
    (["0011", "0001"], [1, 1, 1, 0], [0.9183, 0.0]),
    # Two that leave eight bits open return what others do once in 256 times, and are else told
    # from those: h(255 / 512) - h(1 / 256) / 2, h being the entropy of one of two. Where all are
    # open nothing is told.
    (["00??", "01??", "????"], [1, 1, 1, 1], [0.9816, 1.4816, 0.0]),
]


@pytest.mark.parametrize(("rows", "weights", "expected"), GAINS)
def test_gain_is_the_entropy_of_what_may_be_returned(
    rows: list[str], weights: list[float], expected: list[float]
) -> None:
    """Worked out by hand from the shares of each outcome."""
    share = np.array(weights, dtype=np.float64)

    assert expected == by_hand(*rows).gains(share / share.sum()).round(4).tolist()


def test_best_step_comes_first_and_none_that_tells_nothing() -> None:
    """Of equals the one of fewer accesses; so many at most."""
    outcomes = by_hand("0000", "0011", "0101", "0123")
    share = np.full(4, 0.25)

    assert [(step.purpose, gain) for step, gain in next_steps(outcomes, share)] == [
        ("d", 2.0),
        ("b", 1.0),
        ("c", 1.0),
    ]
    assert [step.purpose for step, _ in next_steps(outcomes, share, 1)] == ["d"]
    assert next_steps(by_hand("0000", "????"), share) == []


def test_candidates_that_no_step_tells_apart_have_one_number() -> None:
    """The second and the third are alike in both steps, the first and the fourth in one."""
    alike = by_hand("0110", "0112").alike().tolist()

    assert alike[1] == alike[2]
    assert len(set(alike)) == 3


@pytest.mark.parametrize("name", MEMORIES)
def test_each_step_reads_what_it_wrote_itself(name: str) -> None:
    """Whatever was there before: on a healthy bus all that a step returns is foretold."""
    bus = load_bus(name)
    model = model_of(name)
    steps = steps_of(open_window(bus, 0x1000, 4 * bus.word_bytes))
    wrong = []
    for step in steps:
        evidence = read_back(model, step.accesses)
        moved = evidence.foreteller.moved
        if not len(moved) or (evidence.known & moved != moved).any():
            wrong.append(step.purpose)

    assert wrong == []
    assert len(steps) > 20


def test_steps_are_in_the_addresses_of_software() -> None:
    """An offset moves the accesses and nothing else."""
    window = open_window(bus_of("z80"), BASE, 4)
    plain, moved = steps_of(window), steps_of(window, 0x7000)

    assert [step.purpose for step in plain] == [step.purpose for step in moved]
    assert [access.address - 0x7000 for step in plain for access in step.accesses] == [
        access.address for step in moved for access in step.accesses
    ]


def test_every_step_is_worked_out_in_turn() -> None:
    """What is at hand is told, one step after the other."""
    model = model_of("z80")
    steps = steps_of(open_window(bus_of("z80"), BASE, 2))[:5]
    begun: list[int] = []
    rows = FaultRows(model, [None, fault_of("stuck D0 low"), fault_of("absent any")])
    outcomes = Outcomes.of(model, steps, rows, begin=begun.append)

    assert begun == [0, 1, 2, 3, 4]
    assert outcomes.steps == tuple(steps)
    assert outcomes.is_told.all(axis=0).tolist() == [True, True, False]
    # The words AA, CC, F0 have D0 low, 55 and 33 high.
    assert (outcomes.number[:, 0] == outcomes.number[:, 1]).tolist() == [1, 1, 1, 0, 0]


# Log, what must be told apart next: one of each of the first two groups.
LEADING = ["w0=04 r0=00 w0=20 r0=00", "w0=01 w4=02 r0=02", "w0=08 r0=18"]


@pytest.mark.parametrize("log", LEADING)
def test_best_step_splits_what_is_left(log: str) -> None:
    """With it the candidates of the first groups do not all return the same."""
    model = model_of("z80")
    evidence = read_back(model, log_of(log))
    groups = judge(evidence, candidates(bus_of("z80"))).groups
    left = [fault for group in groups for fault in group.faults if not group.contradicted]
    rows = FaultRows(model, left)
    weight = score(evidence, rows).weight
    share = np.exp(weight - weight.max())
    outcomes = Outcomes.of(model, steps_of(open_window(bus_of("z80"), BASE, 8)), rows)
    proposed = next_steps(outcomes, share / share.sum(), len(outcomes.steps))
    gains = [gain for _, gain in proposed]
    best = outcomes.steps.index(proposed[0][0])
    told = outcomes.number[best][outcomes.is_told[best]]

    assert gains == sorted(gains, reverse=True)
    assert min(gains) > 0
    assert len(set(told.tolist())) > 1


def test_best_step_separates_the_two_leading_groups() -> None:
    """A line of data that is low, or only where an address line is: read it elsewhere."""
    model = model_of("z80")
    faults = [fault_of(text) for text in ("stuck D3 low", "bridge D3 A2 low-wins")]
    evidence = read_back(model, log_of("w0=08 r0=00 w0=FF r0=F7 w4=00 r4=00"))
    groups = judge(evidence, faults).groups
    outcomes = Outcomes.of(
        model, steps_of(open_window(bus_of("z80"), BASE, 8)), FaultRows(model, faults)
    )
    step, gain = next_steps(outcomes, np.array([0.5, 0.5]), 1)[0]
    best = outcomes.steps.index(step)

    # So far they are one group; the step reads at an address where A2 is high.
    assert [names(group.faults) for group in groups] == [{"stuck D3 low", "bridge D3 A2 low-wins"}]
    assert gain == 1.0
    assert outcomes.number[best, 0] != outcomes.number[best, 1]
    assert {access.address >> 2 & 1 for access in step.accesses if access.op == "read"} == {1}


# Bus, log, base and span of the window; None where there is none.
WINDOWS = [
    ("z80", "w0=11 w5=22 r9", (BASE, 6)),
    ("z80", "r0 r1", None),
    ("z80", "", None),
    # Whole words, from the first to the last.
    ("mc68000", "w1=11 w4=22", (BASE, 6)),
    ("mc68000", "w2=3344", (BASE + 2, 2)),
]


@pytest.mark.parametrize(("bus", "log", "expected"), WINDOWS)
def test_window_of_the_addresses_that_were_written(
    bus: str, log: str, expected: tuple[int, int] | None
) -> None:
    """Reads do not widen it: what is there is not known to be a memory."""
    window = reached_window(bus_of(bus), log_of(log))

    assert expected == (None if window is None else (window.base, window.span))


def test_window_with_an_offset_is_in_the_addresses_of_the_bus() -> None:
    """What software calls 0 is 8000 on the bus."""
    window = reached_window(bus_of("z80"), [Access("write", 0, 1, 0x11)], BASE)

    assert window is not None
    assert (window.base, window.span) == (BASE, 1)
    assert reached_window(bus_of("z80"), [Access("write", 0xFFFF, 1, 0)], BASE) is None
