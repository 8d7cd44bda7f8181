"""What each read should bring back, by the writes as the lines showed them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import lane_mask
from busdecode.cycles import DIRECTIONS, lane_bits_of
from busdecode.responder import Memory

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busdecode.compare.meant import Meant
    from busdecode.compare.view import PlaceView
    from busdecode.cycles import CycleTable

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
    rows = np.flatnonzero(table.direction > 0)
    if not len(rows):
        none = np.zeros(len(meant), dtype=np.uint64)
        return none, none.copy()
    transfer_of = {int(beat): at for at, beat in enumerate(pairs.tolist()) if beat >= 0}
    at_rows = np.array([transfer_of.get(row, -1) for row in rows.tolist()], dtype=np.int64)
    address_at = bus.take["address"]
    address = view.sample(address_at, table.phase(address_at.phase)[rows])
    seen = view.number(address.states, bus.address, bus.address_bits)
    trusted = view.number(address.sure, bus.address, bus.address_bits)
    trusted[table.beat[rows] > 0] = 0
    # Where the lines do not tell, the log does.
    told = np.where(at_rows >= 0, meant.address[np.maximum(at_rows, 0)], table.address[rows])
    size = np.uint64(bus.word_bytes)
    words = ((seen & trusted) | (told & ~trusted)) // size * size
    write_at = bus.take["write"]
    shot = view.sample(write_at, table.phase(write_at.phase)[rows])
    bits = range(len(bus.data) - 1, -1, -1)
    data = view.number(shot.states, bus.data, bits)
    # Around the taking moment a change belongs to the release: only what is not known is lost.
    lost = np.zeros_like(data)
    if view.rows.unknown is not None:
        at = np.maximum(view.rows.row_at(table.phase(write_at.phase)[rows] - 1), 0)
        lost = view.number(view.rows.unknown[at], bus.data, bits)
    captured = view.number(
        np.full((1, view.words), 0xFFFF_FFFF_FFFF_FFFF, dtype=np.uint64), bus.data, bits
    )
    if bus.lane_strobes:
        lanes = view.lanes_seen(table.phase("data")[rows], table.phase("release")[rows])
    else:
        lanes = table.lanes[rows]
    masks = lane_bits_of(bus, lanes)
    predicted = np.zeros(len(meant), dtype=np.uint64)
    known = np.zeros(len(meant), dtype=np.uint64)
    memory = Memory()
    written: set[int] = set()
    columns = zip(
        at_rows.tolist(),
        table.direction[rows].tolist(),
        words.tolist(),
        data.tolist(),
        (masks & ~lost & captured).tolist(),
        masks.tolist(),
        strict=True,
    )
    for transfer, direction, word, value, sure, mask in columns:
        meant_write = transfer >= 0 and meant.direction[transfer] == _WRITE
        if meant_write:
            written.add(int(meant.word[transfer]))
        if direction == _WRITE:
            memory.forget(word, mask & ~sure)
            memory.write(word, mask & sure, value)
        elif transfer >= 0 and not meant_write:
            stored, stored_known = memory.read(word)
            asked = lane_mask(bus, int(meant.lanes[transfer]))
            if int(meant.word[transfer]) in written:
                predicted[transfer], known[transfer] = stored & asked, stored_known & asked
            else:
                predicted[transfer] = meant.data[transfer]
                known[transfer] = meant.data_known[transfer]
    return predicted, known
