"""A search at the bench, made with a target that has the fault: it ends where the fault is.

The target is the simulation, which keeps what was written from one step to the next.
"""

from __future__ import annotations

from functools import cache
from random import Random
from typing import TYPE_CHECKING

import pytest

from busdecode.access import Access, split_access, taken_out
from busdecode.cycles import Simulation
from busdecode.diagnosis import Bench, Outcomes, filled, steps_of
from busdecode.faults import Bridge, Swapped
from busdecode.plan import open_window
from busdecode.predict import FaultRows, candidates, lines_of
from tests.diagnosis.readbacks import BASE, bus_of, fault_of, log_of, model_of

if TYPE_CHECKING:
    from busdecode.diagnosis import Standing, Step
    from busdecode.faults import Fault

WIDE = {"D0", "D1", "D8", "D9", "A1", "A2", "AS", "UDS", "LDS", "R/W"}
"""Of 16 data lines, the pairs of these alone are candidates, for time."""


@cache
def bench_of(name: str) -> Bench:
    """Give a search over sixteen bytes."""
    model = model_of(name)
    faults = [
        fault
        for fault in candidates(model.bus)
        if name == "z80"
        or not isinstance(fault, Bridge | Swapped)
        or WIDE.issuperset(lines_of(fault))
    ]
    rows = FaultRows(model, [None, *faults])
    steps = steps_of(open_window(model.bus, BASE, 16))
    return Bench(model, rows, Outcomes.of(model, steps, rows))


class Target:
    """A card on a bus with a fault; steps are made with it one after the other."""

    def __init__(self, name: str, fault: Fault | None) -> None:
        self._bus = bus_of(name)
        self._run = Simulation(self._bus, Random(1), [] if fault is None else [fault])

    def asked(self, step: Step) -> list[Access]:
        """Make the accesses of a step, and give them with what was read."""
        split = [split_access(self._bus, access) for access in step.accesses]
        first = len(self._run.returned)
        self._run.run([transfer for parts in split for transfer, _, _ in parts])
        words = iter(self._run.returned[first:])
        read = []
        for access, parts in zip(step.accesses, split, strict=True):
            data = 0
            for transfer, _, _ in parts:
                data |= taken_out(self._bus, access, transfer, next(words) or 0)
            if access.op == "read":
                read.append(data)
        return filled(step, read)


def searched(name: str, fault: Fault | None) -> tuple[Standing, int]:
    """Make the first of the proposed steps until the search is over; count them."""
    bench, target = bench_of(name), Target(name, fault)
    log: list[Access] = []
    for count in range(20):
        standing = bench.standing(log)
        if standing.is_over:
            return standing, count
        log += target.asked(standing.next[0][0])
    return standing, 20


# Bus, fault, whether it is alone in its group.
FAULTS = [
    ("z80", "stuck D3 low", False),
    ("z80", "stuck D0 high", False),
    ("z80", "open D4 keep", True),
    ("z80", "bridge D2 D5 low-wins", True),
    ("z80", "bridge D2 D5 high-wins", True),
    ("z80", "bridge D1 D6 a-wins", True),
    ("z80", "bridge D1 D6 undetermined", True),
    ("z80", "stuck A1 high", False),
    ("z80", "bridge A0 A2 low-wins", True),
    ("z80", "bridge D3 A2 low-wins", True),
    ("z80", "absent keep", False),
    ("z80", "absent high", True),
    ("mc68000", "stuck D9 low", False),
    ("mc68000", "bridge D1 D8 low-wins", True),
    ("mc68000", "stuck A2 low", False),
    ("mc68000", "lane-lost LDS", False),
    ("mc68000", "lane-lost UDS", False),
    ("mc68000", "bridge D9 AS a-wins", False),
]


@pytest.mark.parametrize(("name", "text", "is_alone"), FAULTS)
def test_search_ends_in_the_group_of_the_fault(name: str, text: str, is_alone: bool) -> None:
    """A dozen steps at most, and few candidates are left, which no read-back tells apart."""
    fault = fault_of(text, name)
    standing, count = searched(name, fault)

    assert standing.is_over
    assert count <= 12
    assert fault in standing.leading
    assert standing.share > 0.9
    assert (len(standing.leading) == 1) == is_alone
    assert len(standing.leading) < 50


@pytest.mark.parametrize("name", ["z80", "mc68000"])
def test_search_on_a_healthy_bus_ends_with_no_fault(name: str) -> None:
    """It leads, together with the faults that no step shows; no line of data is among them."""
    standing, count = searched(name, None)
    lines = {line for fault in standing.leading if fault for line in lines_of(fault)}
    stuck = {"D0", "D7"} & {getattr(fault, "line", "") for fault in standing.leading}

    assert standing.is_over
    assert count <= 12
    assert None in standing.leading
    assert "A15" in lines
    assert not stuck


def test_search_on_a_bus_with_a_fault_that_no_step_shows_ends_with_no_fault() -> None:
    """Swapped lines read right; the fault is in the group all the same."""
    standing, _ = searched("z80", fault_of("swapped D0 D1"))

    assert {None, fault_of("swapped D0 D1")} <= set(standing.leading)


def test_search_tries_what_only_some_candidates_foretell() -> None:
    """A lane that is always on writes what nobody knows: a healthy bus does not."""
    fault = fault_of("lane-on LDS", "mc68000")
    standing, _ = searched("mc68000", fault)

    assert fault in standing.leading


def test_before_the_first_step_all_is_open() -> None:
    """Every candidate is as likely, and the best step comes first."""
    bench = bench_of("z80")
    standing = bench.standing([])
    gains = [gain for _, gain in standing.next]

    assert not standing.is_over
    assert standing.groups > 100
    assert standing.share < 0.5
    assert gains == sorted(gains, reverse=True)
    assert min(gains) > 0


def test_step_that_was_made_tells_less() -> None:
    """What remains to be told by it is whether the read was right by chance."""
    bench = bench_of("z80")
    first, gain = bench.standing([]).next[0]
    again = dict(bench.standing(Target("z80", None).asked(first)).next).get(first, 0.0)

    assert again < gain / 4


def test_filled_gives_reads_what_they_returned() -> None:
    """Writes stay as they are, reads get their words in order."""
    step = steps_of(open_window(bus_of("mc68000"), BASE, 4))[-1]
    reads = [access for access in step.accesses if access.op == "read"]
    log = filled(step, [0x1234, 0x56])

    assert [access.data for access in log if access.op == "read"] == [0x1234, 0x56]
    assert [access for access in log if access.op == "write"] == [
        access for access in step.accesses if access.op == "write"
    ]
    assert [access.data for access in reads] == [None, None]


def test_search_with_an_offset_asks_for_the_addresses_of_software() -> None:
    """Steps and log are as software has them, and the verdict is the same."""
    model = model_of("z80")
    faults: list[Fault | None] = [
        None,
        *(fault_of(text) for text in ("stuck A1 low", "stuck D0 low", "bridge D0 A1 low-wins")),
    ]
    rows = FaultRows(model, faults)
    steps = steps_of(open_window(bus_of("z80"), BASE, 4), offset=BASE)
    bench = Bench(model, rows, Outcomes.of(model, steps, rows, BASE), BASE)
    log = [
        Access(each.op, each.address - BASE, each.size, each.data)
        for each in log_of("w0=11 w2=22 r0=22")
    ]
    standing = bench.standing(log)

    assert {each.address for step in steps for each in step.accesses} == {0, 1, 2}
    assert standing.leading == (fault_of("stuck A1 low"),)
    assert standing.is_over


def test_each_read_that_fits_makes_the_cause_likelier() -> None:
    """Three words with D3 low, one after the other."""
    bench = bench_of("z80")
    log = log_of("w0=08 r0=00 w0=FF r0=F7 w0=4C r0=44")
    found = [bench.standing(log[:count]).share for count in (2, 4, 6)]

    assert found == sorted(set(found))
    assert fault_of("stuck D3 low") in bench.standing(log).leading
