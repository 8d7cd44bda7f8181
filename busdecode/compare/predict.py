"""What each read should bring back, by the writes as the lines showed them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import lane_mask, moved, word_shifts
from busdecode.cycles import DIRECTIONS, lane_bits_of
from busdecode.responder import Memory

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busdecode.compare.meant import Meant
    from busdecode.compare.view import PlaceView
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["memory_as_seen"]

_WRITE = DIRECTIONS.index("write")


def memory_as_seen(
    view: PlaceView, table: CycleTable, meant: Meant, pairs: Ints
) -> tuple[Words, Words]:
    """Predict each read from the writes as the card's lines showed them.

    Returns
    -------
    ndarray of uint64, shape (T,)
        Data, on the lanes that the read moved.
    ndarray of uint64, shape (T,)
        The bits of it that are known.
    """
    bus = view.bus
    predicted = np.zeros(len(meant), dtype=np.uint64)
    known = np.zeros(len(meant), dtype=np.uint64)
    rows = np.flatnonzero(table.direction > 0)
    at_rows = np.full(len(table), -1, dtype=np.int64)
    at_rows[pairs[pairs >= 0]] = np.flatnonzero(pairs >= 0)
    spaces = _spaces(bus)
    rows = rows[spaces[table.kind[rows]] >= 0]
    if not len(rows):
        return predicted, known
    words = _words_seen(view, table, meant, rows, at_rows[rows])
    keys = _keys(bus, words, spaces[table.kind[rows]], _part(meant, at_rows[rows]))
    meant_keys = _keys(bus, meant.word, spaces[meant.kind], meant.part)
    asked = (pairs >= 0) & (meant.direction != _WRITE) & (spaces[meant.kind] >= 0)
    # Only what touches a word that some compared read asks for can matter.
    wanted = np.union1d(keys[asked[np.maximum(at_rows[rows], 0)] & (at_rows[rows] >= 0)], [])
    matters = np.isin(keys, wanted) | (at_rows[rows] >= 0)
    rows, keys = rows[matters], keys[matters]
    data, masks, lost = _data_seen(view, table, rows)
    shifts = word_shifts(bus, table.address[rows], table.lanes[rows])
    memory = Memory()
    written: set[int] = set()
    columns = zip(
        at_rows[rows].tolist(),
        (table.direction[rows] == _WRITE).tolist(),
        keys.tolist(),
        shifts.tolist(),
        data.tolist(),
        (masks & ~lost).tolist(),
        masks.tolist(),
        strict=True,
    )
    for transfer, is_write, key, shift, value, sure, mask in columns:
        meant_write = transfer >= 0 and meant.direction[transfer] == _WRITE
        if meant_write:
            written.add(int(meant_keys[transfer]))
        if is_write:
            memory.forget(key, moved(mask & ~sure, shift))
            memory.write(key, moved(mask & sure, shift), moved(value, shift))
        elif transfer >= 0 and not meant_write:
            stored, stored_known = memory.read(key)
            mine = lane_mask(bus, int(meant.lanes[transfer]))
            if int(meant_keys[transfer]) in written:
                predicted[transfer] = moved(stored, -shift) & mine
                known[transfer] = moved(stored_known, -shift) & mine
            else:
                predicted[transfer] = meant.data[transfer]
                known[transfer] = meant.data_known[transfer]
    return predicted, known


def _spaces(bus: Bus) -> Ints:
    """Give a number for the memory behind each kind; -1 where nothing is kept or known."""
    names = list(dict.fromkeys(kind.space for kind in bus.kinds if kind.space != "none"))
    numbers = [names.index(each.space) if each.space in names else -1 for each in bus.kinds]
    return np.array([*numbers, -1, -1], dtype=np.int64)


def _keys(bus: Bus, words: Words, spaces: Ints, parts: Ints) -> Ints:
    """Give one number for each place of memory: its space, word, and part of a byte."""
    places = words.astype(np.int64) * bus.operand.beats + parts
    return places * (len(bus.kinds) + 1) + np.maximum(spaces, 0)


def _part(meant: Meant, transfers: Ints) -> Ints:
    return np.where(transfers >= 0, meant.part[np.maximum(transfers, 0)], 0)


def _words_seen(
    view: PlaceView, table: CycleTable, meant: Meant, rows: Ints, transfers: Ints
) -> Words:
    """Give each beat's word address as the card's lines showed it, and else as the log tells."""
    bus = view.bus
    told = np.where(transfers >= 0, meant.address[np.maximum(transfers, 0)], table.address[rows])
    size = np.uint64(bus.word_bytes)
    if not bus.address:
        return told // size * size
    moment = bus.take["address"]
    shot = view.sample(moment, table.phase(moment.phase)[rows])
    seen = view.address(shot.states) & table.used[rows]
    trusted = view.number(shot.sure, bus.address, bus.address_bits)
    trusted[table.beat[rows] > 0] = 0
    words: Words = ((seen & trusted) | (told & ~trusted)) // size * size
    return words


def _data_seen(view: PlaceView, table: CycleTable, rows: Ints) -> tuple[Words, Words, Words]:
    """Give each beat's data where it is written, the bits that move, and those not known."""
    bus = view.bus
    moment = bus.take["write"]
    shot = view.sample(moment, table.phase(moment.phase)[rows])
    bits = range(len(bus.data) - 1, -1, -1)
    data = view.data(shot.states)
    # Around the taking moment a change belongs to the release: only what is not known is lost.
    lost = np.zeros_like(data)
    if view.rows.unknown is not None:
        at = np.maximum(view.rows.row_at(table.phase(moment.phase)[rows] - 1), 0)
        lost = view.number(view.rows.unknown[at], bus.data, bits)
    every = np.full((1, view.words), 0xFFFF_FFFF_FFFF_FFFF, dtype=np.uint64)
    lost |= ~view.number(every, bus.data, bits)
    lanes = table.lanes[rows]
    if bus.lane_strobes:
        lanes = view.lanes_seen(table.phase("data")[rows], table.phase("release")[rows])
    return data, lane_bits_of(bus, lanes), lost
