"""Takes planes of packed levels, counts the rows that two have in common: the compiled loop.

It gives what `Pairs` finds by whole arrays. Importing this module imports numba, and compiles
where no earlier run has left the result.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import boolean, int64, uint64

from busdecode.capture import compiled_loop

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["together"]

_ONE, _TWO, _FOUR, _TOP = (np.uint64(shift) for shift in (1, 2, 4, 56))
_PAIRS, _FOURS = np.uint64(0x5555_5555_5555_5555), np.uint64(0x3333_3333_3333_3333)
_OCTETS, _SUM = np.uint64(0x0F0F_0F0F_0F0F_0F0F), np.uint64(0x0101_0101_0101_0101)


@compiled_loop(int64[:, ::1](uint64[:, ::1], uint64[:, ::1], boolean))
def together(some: Words, others: Words, is_within: bool) -> Ints:
    """Count for each two planes the bits that are set in both.

    Parameters
    ----------
    some, others : ndarray of uint64, shapes (P, M) and (Q, M)
    is_within : bool
        The two are the same: only others from its own place on are counted for each.

    Returns
    -------
    ndarray of int64, shape (P, Q)
        0 where not counted.
    """
    counted = np.zeros((len(some), len(others)), dtype=np.int64)
    for at in range(len(some)):
        one = some[at]
        for to in range(at if is_within else 0, len(others)):
            two = others[to]
            bits = np.uint64(0)
            for word in range(len(one)):
                # The compiler knows this sum over ever wider fields as a count of bits.
                both = one[word] & two[word]
                both = both - ((both >> _ONE) & _PAIRS)
                both = (both & _FOURS) + ((both >> _TWO) & _FOURS)
                both = (both + (both >> _FOUR)) & _OCTETS
                bits += (both * _SUM) >> _TOP
            counted[at, to] = bits
    return counted
