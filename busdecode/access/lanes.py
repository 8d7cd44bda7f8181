"""Byte lanes: which bytes of memory they carry, and which row of a lane table says so."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from busdecode.protocol import Bus, LaneRow

__all__ = [
    "byte_count",
    "lane_mask",
    "lanes_of_span",
    "moved",
    "port_of",
    "row_lines",
    "rows_for",
    "size_lines",
    "word_shift",
    "word_shifts",
]


def lane_mask(bus: Bus, lanes: int) -> int:
    """Give the data bits of lanes."""
    one = (1 << bus.lane_bits) - 1
    return sum(one << lane * bus.lane_bits for lane in range(bus.lane_count) if lanes >> lane & 1)


def byte_count(bus: Bus, lanes: int) -> int:
    """Give how many byte addresses lanes span together."""
    return lanes.bit_count() * bus.lane_bytes


def word_shift(bus: Bus, address: int, lanes: int) -> int:
    """Give by how many bits data goes up from its lanes to its place in the word of memory.

    0 where each lane holds the bytes of its own addresses; negative where data goes down.

    Examples
    --------
    A port of 16 bits on a bus of 32 has all its bytes on the two upper lanes:

    >>> from busdecode.protocol import load_bus
    >>> word_shift(load_bus("mc68020"), 0x1002, 0b1100)
    -16
    """
    if not lanes:
        return 0
    place = address % bus.word_bytes // bus.lane_bytes
    if bus.big_endian:
        return ((lanes.bit_length() - 1) - (bus.lane_count - 1 - place)) * -bus.lane_bits
    return (place - ((lanes & -lanes).bit_length() - 1)) * bus.lane_bits


def word_shifts(
    bus: Bus, addresses: NDArray[np.uint64], lanes: NDArray[np.uint64]
) -> NDArray[np.int64]:
    """Give `word_shift` of many beats, shape (B,)."""
    shifts = np.zeros(len(lanes), dtype=np.int64)
    if not bus.lane_rows:
        return shifts
    size = np.uint64(bus.word_bytes)
    for number in np.unique(lanes).tolist():
        for offset in range(0, bus.word_bytes, bus.lane_bytes):
            here = (lanes == number) & (addresses % size == offset)
            shifts[here] = word_shift(bus, offset, number)
    return shifts


def moved(word: int, shift: int) -> int:
    """Move a word's bits up, or down where the shift is negative.

    Examples
    --------
    >>> moved(0xA5, 8), moved(0xA500, -8)
    (42240, 165)
    """
    return word << shift if shift >= 0 else word >> -shift


def lanes_of_span(bus: Bus, first: int, stop: int) -> int:
    """Give the lanes whose own addresses lie in [first, stop) of the word."""
    lanes = 0
    for lane in range(bus.lane_count):
        offset = bus.lane_offset(lane)
        if first < offset + bus.lane_bytes and offset < stop:
            lanes |= 1 << bus.lane_count - 1 - lane
    return lanes


def size_lines(bus: Bus, asked: int | None) -> dict[str, int]:
    """Give the level of each line that tells so many bytes; none where none can tell it."""
    operand = bus.operand
    if asked not in operand.sizes:
        return {}
    code = operand.sizes.index(asked)
    return {line: code >> bit & 1 for bit, line in enumerate(reversed(operand.lines))}


def rows_for(
    bus: Bus,
    address: int,
    *,
    lanes: int | None = None,
    asked: int | None = None,
    port: Mapping[str, int] | None = None,
    kind: str | None = None,
) -> Iterator[LaneRow]:
    """Give the rows of the lane table that fit an address and what else is known.

    Parameters
    ----------
    bus : Bus
    address : int
        Byte address of the lowest byte.
    lanes : int, optional
    asked : int, optional
        Bytes still to move, where the bus tells that.
    port : mapping of str to int, optional
        Levels of the lines by which the card tells its port's size.
    kind : str, optional
    """
    known: dict[str, int] | None = None
    for row in bus.lane_rows:
        if kind is not None and row.kinds is not None and kind not in row.kinds:
            continue
        if lanes is not None and row.number != lanes:
            continue
        if row.first is not None and row.first != address % bus.word_bytes:
            continue
        if known is None:
            known = {
                line: (address ^ bus.address_low) >> bit & 1
                for line, bit in zip(bus.address, bus.address_bits, strict=True)
                if bus.address_from_lines
            }
            known |= size_lines(bus, asked)
            known |= port or {}
        if all(any(_fits(lines, value, known) for value in values) for lines, values in row.levels):
            yield row


def _fits(lines: tuple[str, ...], value: int, known: Mapping[str, int]) -> bool:
    return all(
        known.get(line, value >> bit & 1) == value >> bit & 1
        for bit, line in enumerate(reversed(lines))
    )


def row_lines(row: LaneRow) -> dict[str, int]:
    """Give the level of each line that a row names, by its first value."""
    return {
        line: values[0] >> bit & 1
        for lines, values in row.levels
        for bit, line in enumerate(reversed(lines))
    }


def port_of(bus: Bus, row: LaneRow) -> dict[str, int]:
    """Give the levels by which the card tells the port that a row of the table is of."""
    return {line: level for line, level in row_lines(row).items() if line in bus.port_lines}
