"""Which write each read returns, for many ways in which addresses may reach words at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Self

import numpy as np

from busdecode.access import lane_mask, moved, word_shift

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.access import Transfer
    from busdecode.protocol import Bus

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

__all__ = ["Pieces", "last_writes", "shifted"]


@dataclass(frozen=True, eq=False)
class Pieces:
    """The pieces of words that transfers move to and from a memory, in order; E of them.

    A piece is what always moves together: a lane, or several.

    Parameters
    ----------
    transfer : ndarray of int64, shape (E,)
        Rising.
    place : ndarray of int64, shape (E,)
        Which piece of the word, and which memory; below `places`.
    mask : ndarray of uint64, shape (E,)
        Its bits, at their place in the word of memory.
    shift : ndarray of int64, shape (E,)
        By how many bits data goes up from the lines to that place.
    lane : ndarray of int64, shape (E,)
        The lowest lane of the data lines that it is on.
    reads : ndarray of int64
        Which of the pieces are read.
    places : int
    """

    transfer: Ints
    place: Ints
    mask: NDArray[np.uint64]
    shift: Ints
    lane: Ints
    reads: Ints
    places: int

    def __len__(self) -> int:
        return len(self.transfer)

    @cached_property
    def is_moved(self) -> bool:
        """Whether any data has its place elsewhere than on its lanes."""
        return bool(self.shift.any())

    @classmethod
    def of(
        cls,
        bus: Bus,
        transfers: Sequence[Transfer],
        parts: Sequence[int] | None,
        *,
        by_lane: bool = False,
    ) -> Self:
        """Find the pieces that transfers move; with `by_lane` each lane is one.

        Parameters
        ----------
        bus : Bus
        transfers : sequence of Transfer
        parts : sequence of int or None
            Which part of a byte each moves, where the data lines are narrower.
        by_lane : bool
        """
        spaces = {kind.name: kind.space for kind in bus.kinds}
        names = list(dict.fromkeys(spaces.values()))
        full = (1 << len(bus.data)) - 1
        ways = [(each.lanes, word_shift(bus, each.address, each.lanes)) for each in transfers]
        covered = {way: moved(lane_mask(bus, way[0]), way[1]) & full for way in set(ways)}
        atoms = _atoms(bus, [] if by_lane else sorted(covered.values()))
        pieces = {
            way: [(n, atom) for n, atom in enumerate(atoms) if atom & mask]
            for way, mask in covered.items()
        }
        rows = []
        for index, (each, way) in enumerate(zip(transfers, ways, strict=True)):
            if spaces[each.kind] == "none":
                continue
            memory = names.index(spaces[each.kind]) * bus.operand.beats
            memory += 0 if parts is None else parts[index]
            for number, atom in pieces[way]:
                low = moved(atom, -way[1])
                lane_of = ((low & -low).bit_length() - 1) // bus.lane_bits
                is_read = each.data is None
                rows.append((index, memory * len(atoms) + number, atom, way[1], lane_of, is_read))
        columns = list(zip(*rows, strict=True)) if rows else [()] * 6
        transfer, place, shift, lane = (
            np.array(columns[at], dtype=np.int64) for at in (0, 1, 3, 4)
        )
        return cls(
            transfer=transfer,
            place=place,
            mask=np.array(columns[2], dtype=np.uint64),
            shift=shift,
            lane=lane,
            reads=np.flatnonzero(np.array(columns[5], dtype=bool)),
            places=int(place.max(initial=0)) + 1,
        )


def _atoms(bus: Bus, covered: Sequence[int]) -> list[int]:
    """Give the lanes, joined where all of some masks have them together."""
    groups: dict[tuple[int, ...], int] = {}
    for lane in range(bus.lane_count):
        mask = lane_mask(bus, 1 << lane)
        key = tuple(int(bool(mask & each)) for each in covered) if covered else (lane,)
        groups[key] = groups.get(key, 0) | mask
    return list(groups.values())


def shifted(words: NDArray[np.uint64], shifts: Ints) -> NDArray[np.uint64]:
    """Move each word's bits up, or down where its shift is negative."""
    up, down = np.maximum(shifts, 0).astype(np.uint64), np.maximum(-shifts, 0).astype(np.uint64)
    out: NDArray[np.uint64] = words << up >> down
    return out


def last_writes(keys: Ints, is_written: Bools) -> Ints:
    """Give for each piece the last one written before it where it lies, or -1.

    Parameters
    ----------
    keys : ndarray of int64, shape (G, E)
        Where each piece lies, in each of G ways.
    is_written : ndarray of bool, shape (G, E)
        A piece that is written counts for those after it.

    Returns
    -------
    ndarray of int64, shape (G, E)

    Examples
    --------
    Address 7 written, 7 and 8 read, 8 written, 7 read; then the same where 7 and 8 are one word:

    >>> written = np.array([[True, False, False, True, False]] * 2)
    >>> last_writes(np.array([[7, 7, 8, 8, 7], [7, 7, 7, 7, 7]]), written).tolist()
    [[-1, 0, -1, -1, 0], [-1, 0, 0, 0, 3]]
    """
    count = keys.shape[1]
    order = np.argsort(keys, axis=1, kind="stable")
    in_order = np.take_along_axis(keys, order, axis=1)
    place = np.arange(count)
    is_first = np.ones(keys.shape, dtype=bool)
    is_first[:, 1:] = in_order[:, 1:] != in_order[:, :-1]
    begins = np.maximum.accumulate(np.where(is_first, place, 0), axis=1)
    is_there = np.take_along_axis(is_written, order, axis=1)
    last = np.full(keys.shape, -1, dtype=np.int64)
    last[:, 1:] = np.maximum.accumulate(np.where(is_there, place, -1), axis=1)[:, :-1]
    found = np.where(last >= begins, np.take_along_axis(order, np.maximum(last, 0), axis=1), -1)
    back = np.empty_like(found)
    np.put_along_axis(back, order, found, axis=1)
    return back
