"""Rows of levels as packed words: making them, moving their bits, and telling them apart."""

from __future__ import annotations

from math import gcd
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any

    from numpy.typing import NDArray

__all__ = ["differing", "pack_levels", "planes", "rearranged", "words_for"]

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


def planes(words: NDArray[np.uint64], lines: int) -> NDArray[np.uint64]:
    """Give each line's levels in all rows, packed: rows and bits change places.

    Parameters
    ----------
    words : ndarray of uint64, shape (N, W)
    lines : int

    Returns
    -------
    ndarray of uint64, shape (`lines`, M)
        Row i at bit ``i % 64`` of word ``i // 64`` of each line; bits beyond the rows are 0.

    Examples
    --------
    >>> planes(np.array([[0b01], [0b11], [0b11]], dtype=np.uint64), 2)
    array([[7],
           [6]], dtype=uint64)
    """
    rows, columns = words.shape
    count = -(-rows // 64)
    target = np.zeros((64 * columns, count), dtype=np.uint64)
    whole = rows // 64
    for column in range(columns):
        square = target[64 * column : 64 * column + 64]
        square[:, :whole] = words[: 64 * whole, column].reshape(whole, 64).T
        square[: rows - 64 * whole, whole:] = words[64 * whole :, column, None]
        # Squares of 64 rows and 64 bits, turned all at once: halves change places, then quarters
        # within them, and so on.
        mask, step = np.uint64(0xFFFF_FFFF_FFFF_FFFF), 32
        while step:
            shift = np.uint64(step)
            mask ^= mask << shift
            pairs = square.reshape(32 // step, 2, step, count)
            one, two = pairs[:, 0], pairs[:, 1]
            moved = ((one >> shift) ^ two) & mask
            two ^= moved
            moved <<= shift
            one ^= moved
            step //= 2
    return target[:lines]
