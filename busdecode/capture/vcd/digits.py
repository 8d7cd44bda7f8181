"""Numbers out of bytes, eight at a time, and divisions made cheap: parts of compiled loops."""

from __future__ import annotations

import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic

from busdecode.capture.compilation import compiled_loop

__all__ = [
    "ALL",
    "NONE",
    "TENS",
    "ZEROS",
    "digits_of",
    "divides",
    "divisor",
    "eight_digits",
    "is_whole",
    "zeros_below",
]

_WIDE = 1 << 32

ZEROS = np.uint64(0x3030303030303030)
"""Eight digits 0."""

_SIX_ABOVE = np.uint64(0x7676767676767676)
_TOPS = np.uint64(0x8080808080808080)
TENS = np.array([10**power for power in range(9)], dtype=np.int64)
NONE = np.uint64(0)
ALL = np.uint64(2**64 - 1)


@intrinsic
def zeros_below(typing_context, number):  # type: ignore[no-untyped-def]
    """Count the zero bits below the lowest one of a 64-bit number; 64 where there is none."""

    def code(context, builder, signature, arguments):  # type: ignore[no-untyped-def]
        return builder.cttz(arguments[0], ir.Constant(ir.IntType(1), 0))

    return types.uint64(types.uint64), code


@compiled_loop(inline="always")
def eight_digits(word: np.uint64, count: np.uint64) -> np.int64:
    """Give the number that the first `count` (1 to 8) digits of 8 bytes make.

    The usual way of adding neighbours in one word: digits, then pairs, then fours.
    """
    word = word << (np.uint64(64) - np.uint64(8) * count)
    word = word * np.uint64(10) + (word >> np.uint64(8))
    low = (word & np.uint64(0x000000FF000000FF)) * np.uint64(0x000F424000000064)
    high = ((word >> np.uint64(16)) & np.uint64(0x000000FF000000FF)) * np.uint64(0x0000271000000001)
    return np.int64((low + high) >> np.uint64(32))


@compiled_loop(inline="always", error_model="numpy")
def divides(step: np.int64, span: np.int64) -> bool:
    """Tell whether a span is whole steps; numbers of 32 bits divide several times faster."""
    if step < _WIDE and span < _WIDE:
        return np.uint32(span) % np.uint32(step) == 0
    return span % step == 0


@compiled_loop(error_model="numpy")
def divisor(step: int) -> tuple[np.uint64, np.uint64, np.uint64]:
    """Give by what `is_whole` tells multiples of a step, which is above 0.

    A number is a multiple of an odd one where, multiplied by that one's inverse modulo 2**64,
    it gives no more than the largest quotient; of an even one, also where the bits turned
    round at the bottom are 0. A division takes several times as long.
    """
    down = zeros_below(np.uint64(step))
    odd = np.uint64(step) >> down
    inverse = odd  # right in 3 bits, and in twice as many each time
    for _ in range(5):
        inverse *= np.uint64(2) - odd * inverse
    return inverse, down, ALL // np.uint64(step)


@compiled_loop(inline="always")
def is_whole(span: int, inverse: np.uint64, down: np.uint64, most: np.uint64) -> bool:
    """Tell whether a span is whole steps of that of which `divisor` gave the three numbers."""
    product = np.uint64(span) * inverse
    up = (np.uint64(64) - down) & np.uint64(63)
    return (product >> down) | (product << up) <= most


@compiled_loop(inline="always")
def digits_of(word: np.uint64) -> np.uint64:
    """Count the digits at the front of 8 bytes, given with the zeros' bits turned round."""
    # What is no digit shows in the top bit of its byte.
    return zeros_below(((word + _SIX_ABOVE) | word) & _TOPS) >> np.uint64(3)
