"""Sets of words for N lines driven side by side: one code a line, one word a vector.

Line k is bit k of a word. The code of a line is what it shows from the first vector to the
last.
"""

from __future__ import annotations

from itertools import combinations, count, islice
from math import comb
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

__all__ = ["VECTOR_SETS", "backgrounds", "stripes"]


def stripes(lines: int, first: int = 0, digits: int | None = None) -> list[int]:
    """Give the words in which each line shows the binary digits of its number, low digit first.

    Parameters
    ----------
    lines : int
    first : int
        The number of line 0.
    digits : int, optional
        How many; without it, as many as the highest number has.

    Examples
    --------
    >>> [f"{word:02X}" for word in stripes(8)]
    ['AA', 'CC', 'F0']
    """
    if digits is None:
        digits = max(1, (first + lines - 1).bit_length())
    return [
        sum((first + line >> digit & 1) << line for line in range(lines)) for digit in range(digits)
    ]


def backgrounds(lines: int) -> list[int]:
    """Give the words on which marches over words are run: 0, and the stripes, widest first.

    Their complements come from the writes of 1.

    Examples
    --------
    >>> [f"{word:04X}" for word in backgrounds(16)]
    ['0000', 'FF00', 'F0F0', 'CCCC', 'AAAA']
    """
    return [0, *reversed(stripes(lines))]


def _and_complements(words: list[int], lines: int) -> list[int]:
    return words + [word ^ (1 << lines) - 1 for word in words]


def _walking_ones(lines: int) -> list[int]:
    return [1 << line for line in range(lines)]


def _walking_zeros(lines: int) -> list[int]:
    return [word ^ (1 << lines) - 1 for word in _walking_ones(lines)]


def _modified_counting(lines: int) -> list[int]:
    return stripes(lines, 1, (lines + 1).bit_length())


def _equal_weight(lines: int) -> list[int]:
    digits = next(digits for digits in count(1) if comb(digits, digits // 2) >= lines)
    codes = sorted(
        sum(1 << digit for digit in chosen) for chosen in combinations(range(digits), digits // 2)
    )
    return [
        sum((code >> digit & 1) << line for line, code in enumerate(islice(codes, lines)))
        for digit in range(digits)
    ]


VECTOR_SETS: Mapping[str, Callable[[int], list[int]]] = {
    "walking-ones": _walking_ones,
    "walking-zeros": _walking_zeros,
    "walking-both": lambda lines: _walking_ones(lines) + _walking_zeros(lines),
    "counting": stripes,
    "modified-counting": _modified_counting,
    "true-complement": lambda lines: _and_complements(stripes(lines), lines),
    "modified-complement": lambda lines: _and_complements(_modified_counting(lines), lines),
    "equal-weight": _equal_weight,
}
"""The sets by name; each gives its words for a number of lines of 2 or more."""
