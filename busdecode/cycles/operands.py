"""Beats to operands: what the master asked for, where one operand takes several beats."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from busdecode.access import word_shift
from busdecode.cycles.table import ENDINGS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busdecode.cycles.table import CycleTable

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

__all__ = ["has_operands", "operand_of", "operands", "operands_note"]


def has_operands(table: CycleTable) -> bool:
    """Tell whether the bus says how beats make up operands."""
    return bool(table.bus.operand.lines) or table.bus.operand.beats > 1


def operand_of(table: CycleTable) -> Ints:
    """Give the number of each beat's operand, from 0; -1 for a beat that belongs to none.

    Beats of a bus that tells how many bytes are still to move go together where the address
    goes on by the bytes moved and the number falls by them. Parts of a byte go together in
    the order in which they come, from where it fits: a beat of another kind begins anew.

    Parameters
    ----------
    table : CycleTable

    Returns
    -------
    ndarray of int64, shape (B,)
    """
    moves = (table.direction > 0) & (table.ended != ENDINGS.index("cut-off"))
    number = np.full(len(table), -1, dtype=np.int64)
    rows = np.flatnonzero(moves)
    if not len(rows):
        return number
    starts = _parts(table, rows) if table.bus.operand.beats > 1 else _goes_on(table, rows)
    number[rows] = np.cumsum(starts) - 1
    return number


def _goes_on(table: CycleTable, rows: Ints) -> Bools:
    """Tell which beats begin an operand, by address and bytes still to move."""
    bus = table.bus
    moved = np.bitwise_count(table.lanes[rows]).astype(np.int64) * bus.lane_bytes
    asked, address = table.asked[rows], table.address[rows].astype(np.int64)
    follows = np.zeros(len(rows), dtype=np.bool_)
    top = 1 << bus.address_width
    follows[1:] = (
        (table.kind[rows][1:] == table.kind[rows][:-1])
        & (address[1:] == (address[:-1] + moved[:-1]) % top)
        & (asked[1:] == asked[:-1] - moved[:-1])
        & (asked[1:] > 0)
        & (table.ended[rows][:-1] == ENDINGS.index("acknowledged"))
    )
    return ~follows


def _parts(table: CycleTable, rows: Ints) -> Bools:
    """Tell which beats begin a byte: the first of each run of a kind, and every so many after."""
    kind = table.kind[rows]
    run = np.append(True, kind[1:] != kind[:-1])
    first = np.flatnonzero(run)
    since = np.arange(len(rows)) - np.repeat(first, np.diff(np.append(first, len(rows))))
    begins: Bools = since % table.bus.operand.beats == 0
    return begins


def operands_note(table: CycleTable) -> str | None:
    """Say what is not sure of how parts of bytes were put together; None where nothing is."""
    parts = table.bus.operand.beats
    if parts == 1:
        return None
    number = operand_of(table)
    if not (number >= 0).any():
        return None
    short = int((np.bincount(number[number >= 0]) < parts).sum())
    if short:
        return (
            f"{short} bytes are not whole: an odd number of beats of one kind came in a row; "
            "where bytes begin is not known there, and the first beat was taken as the high part"
        )
    return (
        "where bytes begin is not told by the lines: the first beat of the capture was taken as "
        "the high part"
    )


def operands(table: CycleTable) -> pd.DataFrame:
    """Put beats together to operands, one row each, every column of type str.

    ``operand`` counts from 0; ``first_cycle``, ``kind`` and ``address`` are of its first beat;
    ``beats`` is how many it took; ``size`` is in bytes, as asked for where the bus tells that;
    ``data`` is hexadecimal in the bus's byte order, ``?`` for a digit with a bit not known;
    ``whole`` tells whether all of it was seen.

    Examples
    --------
    >>> from busdecode.cycles.table import empty
    >>> from busdecode.protocol import load_bus
    >>> list(operands(empty(load_bus("mc68020"))).columns)[:4]
    ['operand', 'first_cycle', 'beats', 'kind']
    """
    bus, number = table.bus, operand_of(table)
    names = table.kind_names()
    digits = -(-bus.address_width // 4)
    found: list[tuple[str, ...]] = []
    order = np.flatnonzero(number >= 0)
    bounds = np.flatnonzero(np.diff(number[order])) + 1
    for at, rows in enumerate(np.split(order, bounds) if len(order) else []):
        size, data, known, is_whole = _joined(table, rows)
        first = rows[0]
        address = f"0x{int(table.address[first]):0{digits}X}" if table.has_address[first] else ""
        text = "".join(
            f"{data >> 4 * digit & 0xF:X}" if known >> 4 * digit & 0xF == 0xF else "?"
            for digit in range(2 * size - 1, -1, -1)
        )
        found.append(
            (
                str(at),
                str(int(table.cycle[first])),
                str(len(rows)),
                str(names[first]),
                address,
                str(size),
                f"0x{text}",
                str(is_whole).lower(),
            )
        )
    columns = ["operand", "first_cycle", "beats", "kind", "address", "size", "data", "whole"]
    return pd.DataFrame(found, columns=columns, dtype=str)


def _joined(table: CycleTable, rows: Ints) -> tuple[int, int, int, bool]:
    """Give size, data, known bits and whether it is whole, of one operand's beats."""
    bus = table.bus
    failed = [ENDINGS.index("error"), ENDINGS.index("timeout")]
    is_good = not np.isin(table.ended[rows], failed).any()
    if bus.operand.beats > 1:
        data = known = 0
        for part in range(bus.operand.beats):
            data, known = data << bus.lane_bits, known << bus.lane_bits
            if part < len(rows):
                data |= int(table.data[rows[part]])
                known |= int(table.data_known[rows[part]])
        size = -(-bus.operand.beats * bus.lane_bits // 8)
        return size, data, known, is_good and len(rows) == bus.operand.beats
    size = int(table.asked[rows[0]])
    moved = 0
    data = known = 0
    for row in rows.tolist():
        address, lanes = int(table.address[row]), int(table.lanes[row])
        shift = word_shift(bus, address, lanes)
        for offset in range(lanes.bit_count() * bus.lane_bytes):
            place = (address + offset) % bus.word_bytes
            at = 8 * (bus.word_bytes - 1 - place if bus.big_endian else place) - shift
            byte = int(table.data[row]) >> at & 0xFF
            sure = int(table.data_known[row]) >> at & 0xFF
            here = moved + offset
            if here < size:
                to = 8 * (size - 1 - here) if bus.big_endian else 8 * here
                data |= byte << to
                known |= sure << to
        moved += lanes.bit_count() * bus.lane_bytes
    return size, data, known, is_good and moved == size
