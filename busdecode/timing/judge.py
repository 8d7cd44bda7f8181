"""Measured times against limits: met, broken, or too near to tell."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import TYPE_CHECKING, Self

import numpy as np

from busdecode.cycles import MISSING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from busdecode.cycles import CycleTable
    from busdecode.protocol import Limit

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Outcomes = NDArray[np.int8]

__all__ = ["Measured", "Outcome", "Result", "Tally", "judge", "margins"]

_SHOWN_AT_MOST = 20
_VALUES_AT_MOST = 1 << 16


class Outcome(IntEnum):
    """What one limit says of one beat."""

    UNMEASURED = 0
    MET = 1
    UNSURE = 2
    BROKEN = 3


def judge(values: Ints, least: int | None, most: int | None, uncertainty: int) -> Outcomes:
    """Hold measured times against a limit.

    A measured time is uncertain by less than `uncertainty` either way. What lies nearer to the
    limit than that is neither met nor broken.

    Parameters
    ----------
    values : ndarray of int64, shape (B,), ps
        `MISSING` where nothing was measured.
    least, most : int or None, ps
    uncertainty : int, ps

    Returns
    -------
    ndarray of int8, shape (B,)
        `Outcome`.

    Examples
    --------
    >>> [Outcome(each).name for each in judge(np.array([10, 25, 30, 40]), 30, None, 10)]
    ['BROKEN', 'UNSURE', 'UNSURE', 'MET']
    """
    is_met = np.ones(len(values), dtype=np.bool_)
    is_broken = np.zeros(len(values), dtype=np.bool_)
    known = values != MISSING
    safe = np.where(known, values, 0)
    if least is not None:
        is_met &= safe - uncertainty >= least
        is_broken |= (safe < least) & (safe + uncertainty <= least)
    if most is not None:
        is_met &= safe + uncertainty <= most
        is_broken |= (safe > most) & (safe - uncertainty >= most)
    found = np.where(is_broken, Outcome.BROKEN, np.where(is_met, Outcome.MET, Outcome.UNSURE))
    return np.where(known, found, Outcome.UNMEASURED).astype(np.int8)


@dataclass(frozen=True)
class Measured:
    """One limit in one beat; `value` in ps is None where its last point never came.

    `start` and `stop` are the two points, ps; `margin` is how far inside the limit the time
    lies, negative outside.
    """

    number: str
    cycle: int
    beat: int
    start: int
    stop: int | None
    value: int | None
    margin: int | None
    outcome: Outcome

    @classmethod
    def of(
        cls,
        limit: Limit,
        bounds: tuple[int | None, int | None],
        table: CycleTable,
        starts: Ints,
        stops: Ints,
        outcomes: Outcomes,
        at: int,
    ) -> Self:
        """Take one of the beats in which a limit was measured; `bounds` are least and most, ps."""
        start, stop = int(starts[at]), int(stops[at])
        is_there = stop != MISSING
        value = stop - start if is_there else None
        inside = None if value is None else margins(np.array([value]), *bounds)
        return cls(
            limit.number,
            int(table.cycle[at]),
            int(table.beat[at]),
            start,
            stop if is_there else None,
            value,
            None if inside is None else int(inside[0]),
            Outcome(int(outcomes[at])),
        )


def margins(values: Ints, least: int | None, most: int | None) -> Ints | None:
    """Give how far inside a limit times lie, negative outside; None where it has no figure.

    Examples
    --------
    >>> margins(np.array([10, 35]), 30, 40).tolist()
    [-20, 5]
    """
    sides = []
    if least is not None:
        sides.append(values - least)
    if most is not None:
        sides.append(most - values)
    return np.minimum.reduce(sides) if sides else None


@dataclass(frozen=True)
class Result:
    """What all beats gave for one limit.

    Parameters
    ----------
    limit : Limit
    least, most : int or None, ps
    uncertainty : int, ps
    met, unsure, broken : int
        Beats.
    missed : int
        Of the broken, those in which the last point never came.
    doubtful : int
        Of the broken, those in which it could not be seen whether the limit binds.
    is_unverified : bool
        Its figures are from memory: it can only warn.
    lowest, median, highest : int or None, ps
    worst : Measured or None
        The beat with the smallest margin.
    first : tuple of Measured
        The first beats in which it is broken.
    values, counts : ndarray of int64
        The times that were measured, rising, ps, and in how many beats.
    width : int, ps
        Times that differ by less are counted as one; 1 where none were put together.
    unmeasured : str or None
        Why no beat could be measured.
    lines : dict of str to int
        Where it is broken by lines of a bundle that change too late or too early: each of
        these, and in how many of the broken beats.
    absent : tuple of str
        Lines that have a part in the limit and were not captured: of these it says nothing.
    """

    limit: Limit
    least: int | None
    most: int | None
    uncertainty: int
    met: int
    unsure: int
    broken: int
    missed: int
    doubtful: int
    is_unverified: bool
    lowest: int | None
    median: int | None
    highest: int | None
    worst: Measured | None
    first: tuple[Measured, ...]
    values: Ints
    counts: Ints
    width: int
    unmeasured: str | None
    lines: dict[str, int]
    absent: tuple[str, ...]

    @property
    def checked(self) -> int:
        """Beats in which it was held against something."""
        return self.met + self.unsure + self.broken

    @property
    def only_warns(self) -> bool:
        """Whether what it found can be a warning only."""
        return self.is_unverified or (self.broken > 0 and self.doubtful == self.broken)

    @property
    def is_finding(self) -> bool:
        """Whether it is broken, and more than a warning."""
        return self.broken > 0 and not self.only_warns and not self.limit.is_condition

    @property
    def is_warning(self) -> bool:
        """Whether it is broken, but can only warn."""
        return self.broken > 0 and self.only_warns and not self.limit.is_condition


@dataclass
class Tally:
    """Count what beats give for one limit, batch by batch.

    Parameters
    ----------
    limit : Limit
    least, most : int or None, ps
    uncertainty : int, ps
    is_unverified : bool
    """

    limit: Limit
    least: int | None
    most: int | None
    uncertainty: int
    is_unverified: bool
    _counts: Ints = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    _missed: int = 0
    _doubtful: int = 0
    _values: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    _times_seen: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    _width: int = 1
    _range: tuple[int, int] | None = None
    _worst: Measured | None = None
    _first: list[Measured] = field(default_factory=list)
    _lines: dict[str, int] = field(default_factory=dict)

    def add(
        self, table: CycleTable, starts: Ints, stops: Ints, outcomes: Outcomes, doubt: Bools
    ) -> None:
        """Count some beats.

        Parameters
        ----------
        table : CycleTable
            The beats, B.
        starts, stops : ndarray of int64, shape (B,), ps
        outcomes : ndarray of int8, shape (B,)
        doubt : ndarray of bool, shape (B,)
            Where it could not be seen whether the limit binds.
        """
        self._counts += np.bincount(outcomes, minlength=4)
        broken = np.flatnonzero(outcomes == Outcome.BROKEN)
        self._missed += int((stops[broken] == MISSING).sum())
        self._doubtful += int(doubt[broken].sum())
        for at in broken[: _SHOWN_AT_MOST - len(self._first)]:
            self._first.append(self._measured(table, starts, stops, outcomes, int(at)))
        seen = np.flatnonzero((outcomes != Outcome.UNMEASURED) & (stops != MISSING))
        if not len(seen):
            return
        values = stops[seen] - starts[seen]
        low, high = int(values.min()), int(values.max())
        self._range = (
            (low, high)
            if self._range is None
            else (min(low, self._range[0]), max(high, self._range[1]))
        )
        inside = margins(values, self.least, self.most)
        if inside is not None:
            at = int(seen[int(inside.argmin())])
            fresh = self._measured(table, starts, stops, outcomes, at)
            assert fresh.margin is not None
            if self._worst is None or fresh.margin < (self._worst.margin or 0):
                self._worst = fresh
        self._merge(*np.unique(values, return_counts=True))

    def add_lines(self, changed: Mapping[str, int]) -> None:
        """Count lines that change where the limit is broken."""
        for line, count in changed.items():
            self._lines[line] = self._lines.get(line, 0) + count

    def _measured(
        self, table: CycleTable, starts: Ints, stops: Ints, outcomes: Outcomes, at: int
    ) -> Measured:
        bounds = self.least, self.most
        return Measured.of(self.limit, bounds, table, starts, stops, outcomes, at)

    def _merge(self, values: Ints, counts: Ints) -> None:
        """Take in measured times; where there are too many, near ones are put together."""
        values = np.concatenate([self._values, values])
        counts = np.concatenate([self._times_seen, counts])
        while True:
            values -= values % self._width
            self._values, at = np.unique(values, return_inverse=True)
            self._times_seen = np.bincount(at, weights=counts).astype(np.int64)
            if len(self._values) <= _VALUES_AT_MOST:
                return
            self._width *= 2

    def result(self, unmeasured: str, absent: tuple[str, ...]) -> Result:
        """Give what was counted; `unmeasured` is the reason where nothing was measured."""
        lowest, highest = self._range or (None, None)
        median = None
        if self._range is not None:
            at = np.searchsorted(np.cumsum(self._times_seen), (self._times_seen.sum() + 1) // 2)
            median = int(self._values[at])
        counts = self._counts
        return Result(
            limit=self.limit,
            least=self.least,
            most=self.most,
            uncertainty=self.uncertainty,
            met=int(counts[Outcome.MET]),
            unsure=int(counts[Outcome.UNSURE]),
            broken=int(counts[Outcome.BROKEN]),
            missed=self._missed,
            doubtful=self._doubtful,
            is_unverified=self.is_unverified,
            lowest=lowest,
            median=median,
            highest=highest,
            worst=self._worst,
            first=tuple(self._first),
            values=self._values,
            counts=self._times_seen,
            width=self._width,
            unmeasured=unmeasured if not counts[1:].any() else None,
            lines=dict(sorted(self._lines.items(), key=lambda each: -each[1])),
            absent=absent,
        )
