"""The law: what is foretold of a read is what a made target with the same fault returns.

The simulation moves every line at its moment and lets both parties react; the prediction never
runs it with a fault. They share the description, the node model and what a card is.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdecode.access import Access, split_access
from busdecode.cycles import Simulation
from busdecode.faults import Absent, Bridge, Stuck, Swapped, written_fault
from busdecode.plan import make_plan, open_window
from busdecode.predict import FaultRows, Foreteller, Model, candidates, lines_of
from tests.diagnosis.readbacks import BASE, bus_of, fault_of, log_of, model_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.faults import Fault
    from busdecode.protocol import Bus

METHODS = ("true-complement", "walking-ones", "address-powers", "lanes", "strobe-bridges")


def kind_of(bus: Bus, fault: Fault) -> tuple[str, ...]:
    """Say of what kind a fault is, and what its lines do."""
    lines = lines_of(fault)
    roles = sorted({"address" if line in bus.address else bus.line(line).role for line in lines})
    how = (str(getattr(fault, name, "")) for name in ("rule", "floats", "level", "is_on"))
    return (type(fault).__name__, *how, *roles)


def drawn_of_each_kind(bus: Bus, rng: Random, count: int) -> list[Fault]:
    """Draw kinds of candidates, and one candidate of each."""
    kinds: dict[tuple[str, ...], list[Fault]] = {}
    for fault in candidates(bus):
        kinds.setdefault(kind_of(bus, fault), []).append(fault)
    return [rng.choice(kinds[kind]) for kind in rng.sample(sorted(kinds), min(count, len(kinds)))]


def planned(bus: Bus, base: int, rng: Random) -> list[Access]:
    """Give some 30 accesses of two plans, in a span of 16 words."""
    plan = make_plan(open_window(bus, base, 16 * bus.word_bytes), rng.sample(METHODS, 2))
    return list(plan.accesses[:16] + plan.accesses[-16:])


def at_random(bus: Bus, base: int, rng: Random) -> list[Access]:
    """Give 30 accesses of all sizes to words that differ in one address line."""
    sizes = [size for size in (1, 2, 4) if size <= bus.word_bytes]
    places = [base + (1 << rng.randrange(9)) for _ in range(4)]
    made = []
    for _ in range(30):
        size = rng.choice(sizes)
        address = rng.choice(places) // size * size
        data = rng.getrandbits(8 * size) if rng.random() < 0.5 else None
        made.append(Access("read" if data is None else "write", address, size, data))
    return made


def disagreements(
    model: Model,
    log: Sequence[Access],
    faults: Sequence[Fault | None],
    seed: int,
    *,
    is_observed: bool = False,
) -> tuple[list[str], int]:
    """Give what was foretold otherwise than it was returned, and how many bits were foretold.

    With `is_observed` it is told what the reads returned, as where a log is judged.
    """
    bus = model.bus
    transfers = [transfer for access in log for transfer, _, _ in split_access(bus, access)]
    foreteller = Foreteller(model, transfers)
    reads = foreteller.reads.tolist()
    wrong = []
    told = 0
    for fault in faults:
        run = Simulation(bus, Random(seed), [] if fault is None else [fault])
        run.run(transfers)
        returned = np.array([run.returned[at] or 0 for at in reads], dtype=np.uint64)
        if is_observed:
            foreteller = Foreteller(model, transfers)
            foreteller.observe(returned & foreteller.moved, foreteller.moved)
        found = foreteller.all(FaultRows(model, [fault]))
        words, known = found.words[0], found.known[0]
        wrong += [
            f"{'none' if fault is None else written_fault(fault)}: transfer {reads[at]} "
            f"returned {returned[at]:X}, foretold {words[at]:X} of {known[at]:X}"
            for at in np.flatnonzero((returned ^ words) & known).tolist()
        ]
        told += int(np.bitwise_count(known).sum())
    return wrong, told


BUSES = {
    "z80": 0x8000,
    "mc68000": 0x1000,
    "orlop32": 0x1000,
    "sram": 0x1000,
    "i8086": 0x1000,
    "vmebus": 0x1000,
}


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("name", BUSES)
def test_what_is_foretold_is_what_a_made_target_returns(name: str, seed: int) -> None:
    """Every bit that is known, of every read, with no fault and with many kinds of it."""
    rng = Random(f"{name} {seed}")
    bus = bus_of(name)
    faults = [None, *drawn_of_each_kind(bus, rng, 20)]
    log = (planned if seed == 1 else at_random)(bus, BUSES[name], rng)
    wrong, known = disagreements(model_of(name), log, faults, seed)

    assert wrong == []
    # The rest of the bits is not known, or this would show nothing.
    assert known > 1000


LINES = [*(f"D{at}" for at in range(8)), *(f"A{at}" for at in range(4))]


@st.composite
def line_faults(draw: st.DrawFn) -> Fault:
    """One fault of lines of data, of lines of address, or of one of each."""
    line = st.sampled_from(LINES)
    a, b = sorted(draw(st.lists(line, min_size=2, max_size=2, unique=True)), key=LINES.index)
    kind = draw(st.sampled_from(["stuck", "swapped", "low-wins", "high-wins", "a-wins", "b-wins"]))
    if kind == "stuck" or (kind == "swapped" and a[0] != b[0]):
        return Stuck(a, draw(st.sampled_from([0, 1])))
    return Swapped(a, b) if kind == "swapped" else Bridge(a, b, kind)


@given(
    line_faults(),
    st.lists(
        st.tuples(st.integers(0, 15), st.none() | st.sampled_from([0, 255]) | st.integers(0, 255)),
        min_size=2,
        max_size=12,
    ),
    st.integers(0, 3),
)
@settings(max_examples=60)
def test_any_log_with_a_fault_of_data_and_address_lines(
    fault: Fault, moves: list[tuple[int, int | None]], seed: int
) -> None:
    """Reads that are foretold come back so; with these faults all that was written is foretold."""
    log = [Access("write" if d is not None else "read", BASE + at, 1, d) for at, d in moves]
    everywhere = [Access("write", BASE + at, 1, 17 * at) for at in range(16)]

    assert disagreements(model_of("z80"), log, [fault], seed)[0] == []
    wrong, known = disagreements(model_of("z80"), [*everywhere, *log], [fault], seed)
    assert wrong == []
    assert known == 8 * sum(access.op == "read" for access in log)


OWN_CYCLE = [
    ("z80", "bridge D3 RD high-wins", "w40=64 r40"),
    ("sram", "bridge D2 CS high-wins", "w0=55 r0"),
    ("sram", "bridge D6 CS a-wins", "w8=CC r8"),
    ("sram", "bridge D0 WE high-wins", "w8=A5 r8"),
]


def moved_to(name: str, text: str) -> list[Access]:
    """Read a log, at addresses that the bus has."""
    return [
        replace(access, address=access.address - BASE + BUSES[name])
        for access in log_of(text, bus_of(name).word_bytes)
    ]


@pytest.mark.parametrize(("name", "fault", "log"), OWN_CYCLE)
def test_data_line_that_ends_its_own_cycle(name: str, fault: str, log: str) -> None:
    """Where a high bit lifts the strobe, the card lets go before it is taken, or does not take."""
    assert disagreements(model_of(name), moved_to(name, log), [fault_of(fault, name)], 1)[0] == []


# Bus, faults: what is driven at random, latched just before, or held over from the cycle before.
BY_THE_WAY = [
    # A cycle of 24 address bits leaves the upper eight lines as they are.
    ("vmebus", ["bridge A27 DTACK low-wins", "bridge D21 A27 b-wins", "bridge A23 A27 b-wins"]),
    ("vmebus", ["bridge A25 WRITE high-wins", "bridge A25 D3 high-wins"]),
    # ALE goes away with the address line that tells the lane.
    ("i8086", ["bridge AD0 ALE b-wins", "bridge BHE ALE b-wins", "bridge AD0 BHE low-wins"]),
]


@pytest.mark.parametrize(("name", "faults"), BY_THE_WAY)
def test_lines_tied_to_what_is_not_the_transfer_s_own(name: str, faults: list[str]) -> None:
    """All that is foretold comes back so."""
    rng = Random(f"{name} by the way")
    log = at_random(bus_of(name), BUSES[name], rng)
    wrong, known = disagreements(model_of(name), log, [fault_of(f, name) for f in faults], 3)

    assert wrong == []
    assert known > 0


@pytest.mark.parametrize("name", BUSES)
def test_what_nobody_wrote_is_read_again_as_it_was(name: str) -> None:
    """Where addresses or lines of control are at fault, what was read once is foretold."""
    rng = Random(f"{name} again")
    bus = bus_of(name)
    faults = [
        fault
        for fault in drawn_of_each_kind(bus, rng, 1000)
        if not set(lines_of(fault)) & set(bus.data)
        and [bus.line(line).role for line in lines_of(fault)] != ["strobe", "strobe"]
    ]
    log = at_random(bus, BUSES[name], rng)
    some = [None, Absent("keep"), *rng.sample(faults, 10)]

    assert disagreements(model_of(name), log, some, 1, is_observed=True)[0] == []


CHANGED = [
    # Either may win, each time anew.
    ("z80", "bridge D7 A14 undetermined", "r2 r2"),
    ("mc68000", "bridge D4 D12 undetermined", "r0 r0 r0"),
    # A write and a read at once.
    ("z80", "bridge RD WR low-wins", "w0=55 r0 r0"),
    # The host takes the data before the card is ready.
    ("mc68000", "bridge D0 DTACK low-wins", "w0=CF w20=AE r8:1 r8:1"),
    ("mc68000", "bridge D10 UDS high-wins", "r40 r40:1"),
    # A bit of one lane shows on the other, which is written.
    ("mc68000", "swapped D7 D8", "r0 w0=19 r0"),
    ("mc68000", "bridge D7 D8 low-wins", "r0 w1=00 r0 w1=FF r0"),
]


@pytest.mark.parametrize(("name", "fault", "log"), CHANGED)
def test_what_nobody_wrote_need_not_be_read_again(name: str, fault: str, log: str) -> None:
    """Where the fault has its part in a bit, that is not foretold; six targets are asked."""
    model, accesses = Model(bus_of(name)), moved_to(name, log)
    wrong = [
        disagreements(model, accesses, [fault_of(fault, name)], seed, is_observed=True)[0]
        for seed in range(6)
    ]

    assert wrong == [[]] * 6
