"""Which lines are ever seen to differ from which, and how often each changed, block by block."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture import words_for

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Apart", "Changes", "Ever", "blocks"]

_FEW_ROWS, _MANY_ROWS = 1 << 8, 1 << 16
"""Few rows part most lines; then as many at once as the processor's cache holds."""


def blocks(count: int) -> Iterator[slice]:
    """Cut so many rows into blocks, the first of few rows."""
    first = 0
    while first < count:
        beyond = min(count, first + (_MANY_ROWS if first else _FEW_ROWS))
        yield slice(first, beyond)
        first = beyond


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


class Apart:
    """Which lines were ever seen to differ from which others, row beside row.

    Lines that stand still in a block are dealt with all at once, and one that was seen to differ
    from all others is not looked at any more: so long captures cost little.

    Parameters
    ----------
    lines, others : int
        How many lines a row has, and the row beside it.
    """

    def __init__(self, lines: int, others: int) -> None:
        self._lines = lines
        words = words_for(others)
        self._asked: Words = np.zeros((lines, words), dtype=np.uint64)
        for other in range(others):
            self._asked[:, other // 64] |= np.uint64(1 << other % 64)
        self._differ: Words = np.zeros((lines, words), dtype=np.uint64)
        self._lost: Words = np.zeros(words, dtype=np.uint64)

    @classmethod
    def within(cls, lines: int) -> Apart:
        """Ask which lines of a row differ from which others of the same row."""
        apart = cls(lines, lines)
        for line in range(lines):
            apart._asked[line, line // 64] &= ~np.uint64(1 << line % 64)
        return apart

    def feed(self, states: Words, others: Words, unknown: Words | None) -> None:
        """Take more rows.

        Parameters
        ----------
        states : ndarray of uint64, shape (N, W)
        others : ndarray of uint64, shape (N, V)
        unknown : ndarray of uint64, shape (N, V), or None
            Of the others.
        """
        if not len(states):
            return
        if unknown is not None:
            self._lost |= np.bitwise_or.reduce(unknown, axis=0)
        high = np.bitwise_or.reduce(states, axis=0)
        low = ~np.bitwise_and.reduce(states, axis=0)
        others_high = np.bitwise_or.reduce(others, axis=0)
        others_low = ~np.bitwise_and.reduce(others, axis=0)
        is_high, is_low = self._flags(high), self._flags(low)
        self._differ[~is_low] |= others_low
        self._differ[~is_high] |= others_high
        open_ = (self._asked & ~self._differ).any(axis=1)
        columns = np.ascontiguousarray(others.T)
        for at in np.flatnonzero(is_high & is_low & open_).tolist():
            every = np.uint64(0) - ((states[:, at // 64] >> np.uint64(at % 64)) & np.uint64(1))
            for word, column in enumerate(columns):
                self._differ[at, word] |= np.bitwise_or.reduce(column ^ every)

    def _flags(self, words: Words) -> Bools:
        octets = words.astype("<u8").view(np.uint8)
        return np.unpackbits(octets, bitorder="little", count=self._lines).astype(np.bool_)

    def is_equal(self, line: int, other: int) -> bool:
        """Tell whether the two were never seen to differ, where the other was known or not."""
        return not int(self._differ[line, other // 64]) >> other % 64 & 1

    def is_known(self, other: int) -> bool:
        """Tell whether the other was known in every row."""
        return not int(self._lost[other // 64]) >> other % 64 & 1
