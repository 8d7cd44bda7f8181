"""Hypothesis strategies: random legal transfers of any bus, samplings, ways to cut captures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hypothesis import strategies as st

from busdecode.access import Transfer, lane_mask
from busdecode.cycles import Sampling

if TYPE_CHECKING:
    from busdecode.protocol import Bus, Kind, LaneRow

__all__ = ["cuts", "samplings", "transfer_lists"]

Levels = tuple[tuple[tuple[str, ...], int], ...]


def forced_address(bus: Bus, levels: Levels, address: int) -> int:
    """Set the bits of an address that these levels name on address lines."""
    bits = dict(zip(bus.address, bus.address_bits, strict=True))
    for lines, value in levels:
        for at, line in enumerate(reversed(lines)):
            if line in bits:
                address = address & ~(1 << bits[line]) | (value >> at & 1) << bits[line]
    return address


def first_offset(bus: Bus, lanes: int) -> int:
    """Give the offset in the word of the lowest byte of some lanes; 0 for no lane."""
    count = bus.lane_count
    offsets = [bus.lane_offset(count - 1 - bit) for bit in range(count) if lanes >> bit & 1]
    return min(offsets, default=0)


def number_of(row: LaneRow) -> int:
    """Give a lane table's row as a number, the most significant lane at the highest bit."""
    return int("".join("1" if flag else "0" for flag in row.lanes), 2)


@st.composite
def single_transfers(draw: st.DrawFn, bus: Bus, kind: Kind) -> Transfer:
    """One transfer of a kind: lanes and an address that the bus can show."""
    address = draw(st.integers(0, (1 << bus.address_width) - 1))
    address = forced_address(bus, kind.levels, address)
    if not kind.beats:
        lanes = 0
    elif bus.lane_rows:
        row = draw(st.sampled_from(bus.lane_rows))
        address, lanes = forced_address(bus, row.levels, address), number_of(row)
    elif bus.lane_strobes:
        lanes = draw(st.integers(1, (1 << bus.lane_count) - 1))
    else:
        lanes = (1 << bus.lane_count) - 1
    address = address // bus.word_bytes * bus.word_bytes + first_offset(bus, lanes)
    return Transfer(kind.name, address, lanes, draw(_written(bus, kind, lanes)))


def _written(bus: Bus, kind: Kind, lanes: int) -> st.SearchStrategy[int | None]:
    if kind.direction != "write":
        return st.none()
    words = st.integers(0, (1 << len(bus.data)) - 1)
    return words.map(lambda word: word & lane_mask(bus, lanes))


@st.composite
def one_cycle(draw: st.DrawFn, bus: Bus) -> list[Transfer]:
    """The transfers of one cycle: a single one, a read-modify-write, or a block."""
    kind = draw(st.sampled_from(bus.kinds))
    first = draw(single_transfers(bus, kind))
    repeats = any(("another", "beat") in step.actions for step in bus.steps)
    if not (repeats and kind.beats and draw(st.booleans())):
        return [first]
    every = (1 << bus.lane_count) - 1
    if not bus.address_steps:
        if kind.name != "read":
            return [first]
        data = draw(_written(bus, bus.kind("write"), first.lanes))
        return [first, Transfer("write", first.address, first.lanes, data, joined=True)]
    word = first.address // bus.word_bytes * bus.word_bytes
    room = ((1 << bus.address_width) - 1 - word) // bus.word_bytes
    # A block fills its words: the first beat may begin inside one, all others are whole.
    whole = Transfer(kind.name, word, every, draw(_written(bus, kind, every)))
    cycle = [whole]
    for beat in range(1, 1 + draw(st.integers(0, min(room, 5)))):
        data = draw(_written(bus, kind, every))
        cycle.append(Transfer(kind.name, word + beat * bus.word_bytes, every, data, joined=True))
    return cycle


def transfer_lists(bus: Bus, most: int = 6) -> st.SearchStrategy[list[Transfer]]:
    """Transfers of some cycles, in order."""
    cycles = st.lists(one_cycle(bus), min_size=1, max_size=most)
    return cycles.map(lambda each: [transfer for cycle in each for transfer in cycle])


@st.composite
def samplings(draw: st.DrawFn, bus: Bus, displaced: int = 5_000) -> Sampling:
    """An analyzer fast enough for the bus; jitter and skew together move no edge further.

    Four samples in the shortest pulse are what the description's own figure asks for.
    """
    period = draw(st.just(0) | st.integers(1_000, bus.shortest_pulse // 4))
    jitter = draw(st.integers(0, min(displaced, period)))
    return Sampling(period, jitter, draw(st.integers(0, displaced - jitter)))


@st.composite
def cuts(draw: st.DrawFn, rows: int) -> list[int]:
    """Where to cut a capture of so many rows: rising, at most ten."""
    inside = st.integers(1, max(1, rows - 1))
    return sorted(draw(st.sets(inside, max_size=10))) if rows > 1 else []
