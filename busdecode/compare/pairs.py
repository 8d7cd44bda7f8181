"""In how many rows lines stand at which levels beside others, and how often each changed."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture import WORTH_BYTES, compiled, planes, saying_if_slow

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import ModuleType

    from numpy.typing import NDArray

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Changes", "Ever", "Pairs", "blocks"]

_ROWS_AT_ONCE = 1 << 16
"""So many rows of all lines stay in the processor's cache."""


def blocks(count: int) -> Iterator[slice]:
    """Cut so many rows into blocks that the processor's cache holds."""
    for first in range(0, count, _ROWS_AT_ONCE):
        yield slice(first, min(count, first + _ROWS_AT_ONCE))


def _bits(words: Words) -> Ints:
    """Give the numbers of the bits that are set, rising."""
    octets = words.astype("<u8").view(np.uint8)
    return np.flatnonzero(np.unpackbits(octets, bitorder="little"))


class Ever:
    """Which lines were ever high, ever low, and ever not known; packed, shape (W,)."""

    def __init__(self, words: int) -> None:
        self.high: Words = np.zeros(words, dtype=np.uint64)
        self.low: Words = np.zeros(words, dtype=np.uint64)
        self.lost: Words = np.zeros(words, dtype=np.uint64)

    def feed(self, states: Words, unknown: Words | None) -> None:
        """Take more rows, shape (N, W); a level counts also where it is not known."""
        if not len(states):
            return
        self.high |= np.bitwise_or.reduce(states, axis=0)
        self.low |= ~np.bitwise_and.reduce(states, axis=0)
        if unknown is not None:
            self.lost |= np.bitwise_or.reduce(unknown, axis=0)

    def fixed(self, at: int) -> int | None:
        """Give the level that the line with this bit never leaves; None where it does."""
        word, bit = at // 64, at % 64
        high, low = int(self.high[word]) >> bit & 1, int(self.low[word]) >> bit & 1
        return None if high == low else high

    def is_known(self, at: int) -> bool:
        """Tell whether the line with this bit is known in every row."""
        return not int(self.lost[at // 64]) >> at % 64 & 1


class Changes:
    """How often each line changed; beyond `enough` it is only known that it was so often.

    Parameters
    ----------
    words, enough : int
    """

    def __init__(self, words: int, enough: int) -> None:
        self.counts: Ints = np.zeros(64 * words, dtype=np.int64)
        self._enough = enough
        self._last: Words | None = None

    def feed(self, states: Words) -> None:
        """Take more rows, shape (N, W)."""
        if not len(states):
            return
        last = states[:1] if self._last is None else self._last
        moved = states ^ np.concatenate([last, states[:-1]])
        self._last = states[-1:].copy()
        for at in _bits(np.bitwise_or.reduce(moved, axis=0)).tolist():
            if self.counts[at] < self._enough:
                one = (moved[:, at // 64] >> np.uint64(at % 64)) & np.uint64(1)
                self.counts[at] += int(one.sum())


class Pairs:
    """In how many rows each line stands at each level, and each other one beside it.

    What is not known counts for neither level. Memory is 32 bytes a pair, whatever the rows.

    Parameters
    ----------
    lines : int
        How many a row has.
    others : int, optional
        How many the row beside it has; without it, lines are held against each other.

    Attributes
    ----------
    rows : int

    Examples
    --------
    Three rows, in which line 0 is low, low, high and line 1 low, high, high:

    >>> pairs = Pairs(2)
    >>> pairs.feed(np.array([[0b00], [0b10], [0b11]], dtype=np.uint64), None)
    >>> pairs.counts(0, 1)[0, 1], pairs.counts(1, 0)[0, 1]
    (np.int64(1), np.int64(0))
    >>> pairs.follows(1, 1)[0, 1]  # where line 0 is high, line 1 is
    np.True_
    """

    def __init__(self, lines: int, others: int | None = None) -> None:
        self.rows = 0
        self._lines, self._others = lines, lines if others is None else others
        self._is_within = others is None
        shape = (lines, self._others)
        # Rows in which a line is high, or else known, and the other one is high, or else known.
        self._sums: Ints = np.zeros((2, 2, *shape), dtype=np.int64)
        self._kernels: ModuleType | None = None

    def feed(
        self,
        states: Words,
        unknown: Words | None,
        others: Words | None = None,
        others_unknown: Words | None = None,
    ) -> None:
        """Take more rows.

        Parameters
        ----------
        states : ndarray of uint64, shape (N, W)
        unknown : ndarray of uint64, shape (N, W), or None
            Lines that are not known.
        others, others_unknown : ndarray of uint64, shape (N, V), or None
            The rows beside them, where lines are not held against each other.
        """
        self.rows += len(states)
        self._choose_kernels(len(states))
        for part in blocks(len(states)):
            here, known_at = _high_and_known(states, unknown, part, self._lines)
            there, others_known_at = here, known_at
            if others is not None:
                there, others_known_at = _high_and_known(others, others_unknown, part, self._others)
            sums = self._together(here, there)
            left, right = np.arange(self._lines), np.arange(self._others)
            for mine, rows in enumerate((left, known_at)):
                for theirs, columns in enumerate((right, others_known_at)):
                    self._sums[mine, theirs] += sums[np.ix_(rows, columns)]

    def _choose_kernels(self, rows: int) -> None:
        """Count by compiled loops from the first rows on that are worth it."""
        is_large = rows >= _ROWS_AT_ONCE
        if self._kernels is None and compiled(WORTH_BYTES if is_large else 0):
            with saying_if_slow("the comparison of lines"):
                self._kernels = import_module("busdecode.compare.compiled_pairs")

    def _together(self, some: Words, others: Words) -> Ints:
        """Count for each two planes the bits that are set in both."""
        if self._kernels is not None:
            counted: Ints = self._kernels.together(some, others, self._is_within)
        else:
            counted = np.zeros((len(some), len(others)), dtype=np.int64)
            for at, plane in enumerate(some):
                first = at if self._is_within else 0
                both = np.bitwise_count(others[first:] & plane)
                counted[at, first:] = both.sum(axis=1, dtype=np.uint32)
        if self._is_within:
            counted = np.maximum(counted, counted.T)
        return counted

    def counts(self, level: int, other: int) -> Ints:
        """Count the rows in which a line is at `level` and another at `other`, both known.

        Returns
        -------
        ndarray of int64, shape (L, M)
            By line, then by the other one.
        """
        high, known = self._sums
        mine = high if level else known - high
        count: Ints = mine[0] if other else mine[1] - mine[0]
        return count

    def differing(self) -> Ints:
        """Count the rows in which a line and another are known to differ, shape (L, M)."""
        return self.counts(0, 1) + self.counts(1, 0)

    def both_known(self) -> Ints:
        """Count the rows in which a line and another are both known, shape (L, M)."""
        count: Ints = self._sums[1, 1].copy()
        return count

    def follows(self, level: int, other: int) -> Bools:
        """Tell where, whenever a line is at `level`, another was seen at `other`, shape (L, M).

        Where that was never seen, or was only while one of them was not known, nothing follows.
        """
        seen, against = self.counts(level, other), self.counts(level, 1 - other)
        follows: Bools = (seen > 0) & (against == 0)
        return follows

    def equal(self) -> Bools:
        """Tell where lines were seen together, and never to differ, shape (L, M)."""
        equal: Bools = (self._sums[1, 1] > 0) & (self.differing() == 0)
        return equal


def _high_and_known(
    states: Words, unknown: Words | None, part: slice, lines: int
) -> tuple[Words, Ints]:
    """Give planes of some rows, and which of them tells where each line is known.

    First the lines, high and known; then where every row is; then of each line that is not
    always known where it is.
    """
    rows = states[part]
    every = np.full((len(rows), 1), 1, dtype=np.uint64)
    known_at = np.full(lines, lines, dtype=np.int64)
    if unknown is None or not unknown[part].any():
        return np.concatenate([planes(rows, lines), planes(every, 1)]), known_at
    known = planes(~unknown[part], lines)
    whole = planes(every, 1)
    lossy = np.flatnonzero((known != whole).any(axis=1))
    known_at[lossy] = lines + 1 + np.arange(len(lossy))
    return np.concatenate([planes(rows, lines) & known, whole, known[lossy]]), known_at
