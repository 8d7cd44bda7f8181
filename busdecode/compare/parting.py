"""What some beats have in common that others have not: levels of one line, or of two."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log
from typing import TYPE_CHECKING, Literal

import numpy as np

from busdecode.compare.chances import bits_told, log_chance
from busdecode.compare.pairs import Pairs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Bools = NDArray[np.bool_]
    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Clue", "Parting", "parting_of"]

_CELLS = ((0, 0), (0, 1), (1, 0), (1, 1))
_WORD = {0: "low", 1: "high"}
How = Literal["level", "both", "either", "equal", "opposed"]


@dataclass(frozen=True)
class Clue:
    """One mark by which flagged beats may be told from others.

    Parameters
    ----------
    how : str
        ``level``: a line is at a level. ``both``, ``either``: two lines are, each at its level.
        ``equal``, ``opposed``: two lines are at the same level, or at different ones.
    lines : tuple of str
    levels : tuple of int
        One a line; empty for ``equal`` and ``opposed``.
    counts : tuple of 4 int
        Beats flagged with the mark, flagged without, unflagged with, unflagged without.
    bits : float
        As `chances.bits_told`.
    chance : float
        That as many flagged beats have it by luck, times the marks of its sort that were looked
        at, as any of them may have it by luck; at most 1 (Bonferroni's bound).
    """

    how: How
    lines: tuple[str, ...]
    levels: tuple[int, ...]
    counts: tuple[int, int, int, int]
    bits: float
    chance: float

    @property
    def against(self) -> int:
        """How many beats it does not part: flagged without, and unflagged with the mark."""
        return self.counts[1] + self.counts[2]

    def __str__(self) -> str:
        if self.how in ("equal", "opposed"):
            return f"{' and '.join(self.lines)} {'are equal' if self.how == 'equal' else 'differ'}"
        parts = [
            f"{line} is {_WORD[level]}" for line, level in zip(self.lines, self.levels, strict=True)
        ]
        return (" or " if self.how == "either" else " and ").join(parts)


class Parting:
    """Flagged and unflagged beats, by the levels of all lines and of all pairs of lines.

    `parting_of` makes it. Beats in which a line is not known are left out of its counts.

    Attributes
    ----------
    lines : tuple of str
    flagged, beats : int
    """

    def __init__(self, lines: Sequence[str], unflagged: Pairs, flagged: Pairs) -> None:
        self.lines = tuple(lines)
        self.flagged, self.beats = flagged.rows, flagged.rows + unflagged.rows
        self._cells: Ints = np.array(
            [[side.counts(*cell) for cell in _CELLS] for side in (flagged, unflagged)]
        )

    def tables(self) -> Ints:
        """Count flagged beats with and without, and unflagged with and without, each level.

        Returns
        -------
        ndarray of int64, shape (L, 2, 4)
            By line, then by level.
        """
        low, high = (np.diagonal(self._cells[:, at], axis1=1, axis2=2) for at in (0, 3))
        ways = [_table(one, other) for one, other in ((low, high), (high, low))]
        return np.stack(ways, axis=1)

    def pair_tables(self) -> Ints:
        """Count beats as `tables` does, by levels of two lines.

        Returns
        -------
        ndarray of int64, shape (5, L, L, 4)
            The mark is: both low; low and high; high and low; both high; both equal.
        """
        every = self._cells.sum(axis=1)
        marks = [*np.moveaxis(self._cells, 1, 0), self._cells[:, 0] + self._cells[:, 3]]
        return np.stack([_table(mark, every - mark) for mark in marks])

    def bits(self) -> Floats:
        """Tell how much each line tells of the flags, shape (L,); see `chances.bits_told`."""
        return bits_told(self.tables()[:, 1])

    def clues(self, most: int = 8) -> list[Clue]:
        """Give the marks that part best: those least likely by luck first, at most so many.

        A mark of two lines is only among them if it tells more than either line alone in the
        same beats, and is then less likely by luck, though there are more of its sort.
        """
        if not 0 < self.flagged < self.beats:
            return []
        found = self._single()
        found.sort(key=_order)
        best = found[0][0] if found else 0.0
        pairs = [each for each in self._double(4 * most) if each[0] < best - 1e-9]
        return [clue for _, clue in sorted([*found, *pairs], key=_order)[:most]]

    def _single(self) -> list[tuple[float, Clue]]:
        tables = self.tables()
        seen = np.flatnonzero((tables.sum(axis=1) > 0).all(axis=1) & (self.bits() > 0))
        return self._clues(
            [
                ("level", (int(line),), (level,), tables[line, level])
                for line in seen
                for level in (0, 1)
            ],
            tried=2 * len(self.lines),
        )

    def _double(self, most: int) -> list[tuple[float, Clue]]:
        tables = self.pair_tables()
        bits = bits_told(tables)
        alone = self._alone()
        bits[:, ~np.triu(np.ones(alone.shape, dtype=np.bool_), 1)] = 0.0
        bits[bits < alone + 1e-9] = 0.0
        order = np.argsort(-bits, axis=None, kind="stable")[:most]
        marks: list[tuple[How, tuple[int, ...], tuple[int, ...], Ints]] = []
        for sort, one, two in zip(*np.unravel_index(order, bits.shape), strict=True):
            if not bits[sort, one, two]:
                continue
            table = tables[sort, one, two]
            a, b, c, d = table.tolist()
            other = table[[1, 0, 3, 2]]
            is_more = a * d > b * c
            lines = (int(one), int(two))
            if sort == len(_CELLS):
                how: How = "equal" if is_more else "opposed"
                marks.append((how, lines, (), table if is_more else other))
            elif is_more:
                marks.append(("both", lines, _CELLS[sort], table))
            else:
                levels = tuple(1 - level for level in _CELLS[sort])
                marks.append(("either", lines, levels, other))
        count = len(self.lines)
        return self._clues(marks, tried=5 * count * (count - 1))

    def _alone(self) -> Floats:
        """Tell what the better of two lines tells alone in the beats in which both are known."""
        of_cells = self._cells
        first = _table(of_cells[:, 2] + of_cells[:, 3], of_cells[:, 0] + of_cells[:, 1])
        second = _table(of_cells[:, 1] + of_cells[:, 3], of_cells[:, 0] + of_cells[:, 2])
        return np.maximum(bits_told(first), bits_told(second))

    def _clues(
        self, marks: Sequence[tuple[How, tuple[int, ...], tuple[int, ...], Ints]], tried: int
    ) -> list[tuple[float, Clue]]:
        """Make clues that more flagged than unflagged beats have, with their logarithms of luck."""
        if not marks:
            return []
        tables = np.stack([table for *_, table in marks])
        bits, luck = bits_told(tables), log_chance(tables) + log(tried)
        found = []
        for at, (how, lines, levels, table) in enumerate(marks):
            a, b, c, d = table.tolist()
            if a * d > b * c:
                names = tuple(self.lines[line] for line in lines)
                chance = min(1.0, exp(min(0.0, luck[at])))
                clue = Clue(how, names, levels, (a, b, c, d), float(bits[at]), chance)
                found.append((float(luck[at]), clue))
        return found


def _order(found: tuple[float, Clue]) -> tuple[float, int, float]:
    luck, clue = found
    return round(luck, 9), len(clue.lines), -clue.bits


def _table(marked: Ints, others: Ints) -> Ints:
    """Lay counts of (flagged, unflagged) beats with a mark and without beside each other."""
    return np.stack([marked[0], others[0], marked[1], others[1]], axis=-1)


def parting_of(flagged: Bools, levels: Words, known: Words | None, lines: Sequence[str]) -> Parting:
    """Hold flagged beats against unflagged ones.

    Parameters
    ----------
    flagged : ndarray of bool, shape (B,)
    levels : ndarray of uint64, shape (B, W)
        Levels of all lines at one moment of each beat, line k at bit ``k % 64`` of word
        ``k // 64``.
    known : ndarray of uint64, shape (B, W), or None
        Lines that are known; all, where None.
    lines : sequence of str

    Examples
    --------
    Beats are flagged where line P is high and Q is low:

    >>> levels = np.array([[0b00], [0b01], [0b10], [0b11]] * 5, dtype=np.uint64)
    >>> parting = parting_of(levels[:, 0] == 1, levels, None, ("P", "Q"))
    >>> clue = parting.clues()[0]
    >>> str(clue), clue.against
    ('P is high and Q is low', 0)
    """
    sides = []
    for side in (~flagged, flagged):
        pairs = Pairs(len(lines))
        pairs.feed(levels[side], None if known is None else ~known[side])
        sides.append(pairs)
    return Parting(lines, *sides)
