"""The faults that are held against evidence: every single one of a bus's lines, every pair."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Literal

from busdecode.faults import (
    Absent,
    Bridge,
    EarlyAcknowledge,
    Lane,
    LateData,
    NoAcknowledge,
    Open,
    ReadDriver,
    Stuck,
    Swapped,
    WriteReceiver,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from busdecode.faults import Fault
    from busdecode.faults.kinds import BridgeRule
    from busdecode.protocol import Bus

__all__ = ["candidates", "lines_of"]

_CONTROL = ("strobe", "lane", "direction", "acknowledge")
"""Roles of the lines whose bridges to all others are candidates."""

_LEVELS: tuple[Literal[0, 1], ...] = (0, 1)
_FLOATS: tuple[Literal["high", "low", "keep"], ...] = ("high", "low", "keep")
_RULES: tuple[BridgeRule, ...] = ("low-wins", "high-wins", "a-wins", "b-wins", "undetermined")


def candidates(bus: Bus) -> list[Fault]:
    """Give every candidate fault of a bus, those of single lines first.

    Lines that a capture may leave out are left out, and so are lines that carry neither address
    nor data and control nothing, for bridges.

    Examples
    --------
    >>> from busdecode.protocol import load_bus
    >>> len(candidates(load_bus("z80")))
    2129
    """
    return [*_single(bus), *_pairs(bus)]


def lines_of(fault: Fault) -> tuple[str, ...]:
    """Give the lines that a candidate is about, in its own order.

    Examples
    --------
    >>> lines_of(Bridge("D3", "D5", "low-wins"))
    ('D3', 'D5')
    """
    if isinstance(fault, Bridge | Swapped):
        return fault.a, fault.b
    line = getattr(fault, "line", None)
    return () if line is None else (line,)


def _single(bus: Bus) -> Iterator[Fault]:
    numbers = {*bus.address, *bus.data}
    for line in bus.lines:
        if line.optional:
            continue
        yield from (Stuck(line.name, level) for level in _LEVELS)
        yield from (Open(line.name, floats) for floats in _FLOATS)
    for name in bus.data[::-1]:
        yield from (ReadDriver(name, level) for level in _LEVELS)
        yield from (WriteReceiver(name, level) for level in _LEVELS)
    for name in bus.lane_strobes:
        yield from (Lane(name, is_on) for is_on in (False, True))
    yield from (Absent(floats) for floats in _FLOATS)
    yield Absent("any")
    yield from (LateData(way, bus.shortest_pulse) for way in ("read", "write"))
    for line in bus.lines:
        if line.role == "acknowledge" and line.name not in numbers and not line.optional:
            yield NoAcknowledge(line.name, "ends")
            yield EarlyAcknowledge(line.name)


def _pairs(bus: Bus) -> Iterator[Fault]:
    address = [line for _, line in sorted(zip(bus.address_bits, bus.address, strict=True))]
    numbers = list(dict.fromkeys([*bus.data[::-1], *address]))
    control = [
        line.name
        for line in bus.lines
        if line.role in _CONTROL and not line.optional and line.name not in numbers
    ]
    for a, b in combinations(numbers, 2):
        yield from (Bridge(a, b, rule) for rule in _RULES)
    for b in control:
        yield from (Bridge(a, b, rule) for a in numbers for rule in _RULES[:-1])
    for a, b in combinations(control, 2):
        yield from (Bridge(a, b, rule) for rule in _RULES[:-1])
    for group in (bus.data[::-1], address):
        yield from (
            Swapped(a, b)
            for a, b in combinations(group, 2)
            if group is not address or not {a, b} <= set(bus.data)
        )
