"""Hypothesis strategies: random legal transfers of any bus, samplings, ways to cut captures."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from hypothesis import strategies as st

from busdecode.access import Transfer, byte_count, lane_mask, port_of, rows_for
from busdecode.cycles import Sampling
from busdecode.protocol import fixed_levels

if TYPE_CHECKING:
    from busdecode.protocol import Bus, Kind, Levels

__all__ = ["cuts", "samplings", "transfer_lists"]


def forced_address(bus: Bus, levels: Levels, address: int) -> int:
    """Set the bits of an address that these levels name on address lines."""
    bits = dict(zip(bus.address, bus.address_bits, strict=True))
    for line, level in fixed_levels(levels).items():
        if line in bits:
            address = address & ~(1 << bits[line]) | level << bits[line]
    return address


def modifiers(bus: Bus, kind: Kind) -> list[int | None]:
    """Give the modifier codes with which a kind can be asked for."""
    if not bus.modifier:
        return [None]
    for lines, values in kind.levels:
        if lines == bus.modifier:
            return list(values)
    fixed = fixed_levels(bus.making_levels[kind.name]) | fixed_levels(kind.levels)
    return [sum(fixed.get(each, 0) << at for at, each in enumerate(reversed(bus.modifier)))]


def used_bits(bus: Bus, kind: Kind, modifier: int | None) -> int:
    """Give the address bits that a cycle of this kind and modifier uses."""
    shown = fixed_levels(bus.making_levels[kind.name]) | fixed_levels(kind.levels)
    for at, line in enumerate(reversed(bus.modifier)):
        shown[line] = (modifier or 0) >> at & 1
    for levels, mask in bus.address_used:
        if all(
            sum(shown.get(line, 1) << at for at, line in enumerate(reversed(lines))) in values
            for lines, values in levels
        ):
            return mask
    return (1 << bus.address_width) - 1


def port_at(bus: Bus, word: int) -> dict[str, int]:
    """Give the port of the card at a word: by its address, every size in turn."""
    ports: list[dict[str, int]] = []
    for row in bus.lane_rows:
        port = port_of(bus, row)
        if port not in ports:
            ports.append(port)
    return ports[word // bus.word_bytes % len(ports)] if ports else {}


@st.composite
def single_transfers(draw: st.DrawFn, bus: Bus, kind: Kind) -> Transfer:
    """One transfer of a kind: lanes and an address that the bus can show."""
    modifier = draw(st.sampled_from(modifiers(bus, kind)))
    address = draw(st.integers(0, (1 << bus.address_width) - 1)) if bus.address else 0
    address = forced_address(bus, kind.levels, address & used_bits(bus, kind, modifier))
    word = address // bus.word_bytes * bus.word_bytes
    asked = draw(st.sampled_from(bus.operand.sizes)) if bus.operand.lines else None
    if not kind.beats:
        return Transfer(kind.name, word, 0, None, modifier=modifier)
    if bus.address_from_lines:
        lanes = next(
            rows_for(bus, address, asked=asked, port=port_at(bus, word), kind=kind.name)
        ).number
    elif bus.lane_rows:
        own = [row for row in bus.lane_rows if row.kinds and kind.name in row.kinds]
        rows = own or [row for row in bus.lane_rows if row.kinds is None]
        row = draw(st.sampled_from([row for row in rows if row.number]))
        address, lanes = word + (row.first or 0), row.number
    else:
        every = (1 << bus.lane_count) - 1
        lanes = draw(st.integers(1, every)) if bus.lane_strobes else every
        address = word + bus.lane_span(lanes)[0]
    data = draw(_written(bus, kind, lanes))
    return Transfer(kind.name, address, lanes, data, asked=asked, modifier=modifier)


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
    if not kind.steps:
        if kind.name != "read":
            return [first]
        data = draw(_written(bus, bus.kind("write"), first.lanes))
        return [first, replace(first, kind="write", data=data, joined=True)]
    # A block fills its words, or one half of each: all beats have the same lanes.
    halves = [
        row.number
        for row in bus.lane_rows
        if row.lanes.count(True) in (2, 4) and (row.first or 0) % row.lanes.count(True) == 0
    ]
    lanes = draw(st.sampled_from(halves)) if halves else (1 << bus.lane_count) - 1
    rows = [row.first or 0 for row in bus.lane_rows if row.number == lanes] or [0]
    start = first.address // bus.word_bytes * bus.word_bytes + draw(st.sampled_from(rows))
    size = byte_count(bus, lanes)
    used = used_bits(bus, kind, first.modifier) | bus.word_bytes - 1
    room = min((used - start) // size, 5)
    return [
        replace(
            first,
            address=start + beat * size,
            lanes=lanes,
            data=draw(_written(bus, kind, lanes)),
            joined=beat > 0,
        )
        for beat in range(1 + draw(st.integers(0, room)))
    ]


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
