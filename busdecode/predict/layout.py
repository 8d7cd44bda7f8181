"""Which write each read returns, for many ways in which addresses may reach words at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

__all__ = ["Bytes", "last_writes"]


@dataclass(frozen=True)
class Bytes:
    """The bytes that transfers move, in order; E of them.

    Parameters
    ----------
    transfer : ndarray of int64, shape (E,)
        Rising.
    lane : ndarray of int64, shape (E,)
        On which lane of the data lines, from the least significant one.
    place : ndarray of int64, shape (E,)
        Which byte of the word, from the least significant one, and which memory.
    """

    transfer: Ints
    lane: Ints
    place: Ints

    def __len__(self) -> int:
        return len(self.transfer)


def last_writes(keys: Ints, is_written: Bools) -> Ints:
    """Give for each byte the last one written before it where it lies, or -1.

    Parameters
    ----------
    keys : ndarray of int64, shape (G, E)
        Where each byte lies, in each of G ways.
    is_written : ndarray of bool, shape (G, E)
        A byte that is written counts for those after it.

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
