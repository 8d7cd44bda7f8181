"""Rows of levels as packed words: making them, moving their bits, and telling them apart."""

from __future__ import annotations

from math import gcd
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from numpy.typing import NDArray

__all__ = ["differing", "pack_levels", "rearranged", "words_for"]

_ROWS_AT_ONCE = 1 << 15


def words_for(lines: int) -> int:
    """Count the 64-bit words that hold one bit for each of `lines` lines; at least one."""
    return max(1, -(-lines // 64))


def pack_levels(bits: NDArray[np.uint8]) -> NDArray[np.uint64]:
    """Pack one column a line into words.

    Parameters
    ----------
    bits : ndarray of uint8, shape (N, L)
        0 or 1.

    Returns
    -------
    ndarray of uint64, shape (N, W)
        Line k at bit ``k % 64`` of word ``k // 64``.
    """
    rows, lines = bits.shape
    octets = np.zeros((rows, 8 * words_for(lines)), dtype=np.uint8)
    packed = np.packbits(bits, axis=1, bitorder="little")
    octets[:, : packed.shape[1]] = packed
    return octets.view(np.dtype("<u8")).astype(np.uint64, copy=False)


def rearranged(words: NDArray[np.uint64], places: Sequence[int]) -> NDArray[np.uint64]:
    """Give rows of other lines, or of the same ones in another order.

    Parameters
    ----------
    words : ndarray of uint64, shape (N, W)
    places : sequence of int
        The bit in `words` of each line wanted, in the order wanted.

    Returns
    -------
    ndarray of uint64, shape (N, V)
    """
    # One shift for all bits that move equally far.
    masks: dict[tuple[int, int, int], int] = {}
    for to, at in enumerate(places):
        key = (at // 64, to // 64, to % 64 - at % 64)
        masks[key] = masks.get(key, 0) | 1 << at % 64
    target = np.zeros((len(words), words_for(len(places))), dtype=np.uint64)
    for first in range(0, len(words), _ROWS_AT_ONCE):
        rows = slice(first, first + _ROWS_AT_ONCE)
        columns: dict[int, NDArray[np.uint64]] = {}
        sums: dict[int, NDArray[np.uint64]] = {}
        for (at, to, shift), mask in masks.items():
            if at not in columns:
                columns[at] = np.ascontiguousarray(words[rows, at])
            bits = columns[at] & np.uint64(mask)
            if shift > 0:
                bits <<= np.uint64(shift)
            elif shift < 0:
                bits >>= np.uint64(-shift)
            if to in sums:
                sums[to] |= bits
            else:
                sums[to] = bits
        for to, column in sums.items():
            target[rows, to] = column
    return target


def differing(
    rows: NDArray[np.uint8] | NDArray[np.uint64], before: NDArray[Any] | None
) -> NDArray[np.bool_]:
    """Mark the rows that differ from the one above; the first one from `before`.

    Parameters
    ----------
    rows : ndarray of uint8 or uint64, shape (N, K)
    before : ndarray of the same dtype, shape (K,), or None
        None marks the first row.

    Returns
    -------
    ndarray of bool, shape (N,)
    """
    marks = np.zeros(len(rows), dtype=np.bool_)
    if len(rows):
        marks[0] = before is None or bool((rows[0] != before).any())
    octets = rows.shape[1] * rows.itemsize
    wide = np.ascontiguousarray(rows).view(f"u{gcd(octets, 8)}")
    for column in range(wide.shape[1]):
        marks[1:] |= wide[1:, column] != wide[:-1, column]
    return marks
