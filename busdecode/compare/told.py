"""What is told of an address and of lanes, where not all lines were captured."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.protocol import kinds_showing

if TYPE_CHECKING:
    from collections.abc import Container

    from numpy.typing import NDArray

    from busdecode.protocol import Bus

    Words = NDArray[np.uint64]

__all__ = ["address_told", "lanes_told"]


def address_told(bus: Bus, lines: Container[str], kinds: NDArray[np.int16], asked: Words) -> Words:
    """Give the bits of an address that cycles use, whatever lines show that were not captured.

    It may be as little as the address that was asked for needs. Where all lines were captured
    that mark how much counts, it is every bit: they tell.

    Parameters
    ----------
    bus : Bus
    lines : container of str
        Those that were captured.
    kinds : ndarray of int16, shape (M,)
        Index into ``bus.kinds``; -1 or more than these where it is not known.
    asked : ndarray of uint64, shape (M,)
        Byte addresses that were asked for; 0 where that is not known.

    Returns
    -------
    ndarray of uint64, shape (M,)
    """
    every = np.uint64((1 << bus.address_width) - 1)
    told = np.full(len(kinds), every, dtype=np.uint64)
    for levels, used in bus.address_used:
        if all(line in lines for group, _ in levels for line in group):
            continue
        least = np.uint64(used | bus.word_bytes - 1)
        may_be = np.array([*kinds_showing(bus, levels), True])
        here = may_be[np.clip(kinds, -1, len(may_be) - 1)] & (asked & every & ~least == 0)
        told[here] &= least
    return told


def lanes_told(bus: Bus, lines: Container[str]) -> int:
    """Give the lanes whose strobe is among the captured lines, one bit a lane."""
    strobes = enumerate(reversed(bus.lane_strobes))
    return sum(1 << lane for lane, line in strobes if line in lines)
