"""Events of a description to rows of a capture, whole arrays at a time."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from busdecode.protocol import (
    After,
    All,
    Any_,
    Becomes,
    Changes,
    FirstOf,
    Holds,
    Is,
    LastOf,
    Not,
    Settled,
    While,
    event_lines,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.protocol import Condition, Event

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = [
    "MISSING",
    "Found",
    "Rows",
    "gather",
    "is_usable",
    "mask_of",
    "merged",
    "usable",
]

MISSING = np.iinfo(np.int64).min
"""Stands in int64 arrays for a moment that the capture does not show."""


def mask_of(lines: Iterable[str], index: Mapping[str, int], words: int) -> Words:
    """Give the bits of those lines that were captured, as one uint64 a word."""
    mask = [0] * words
    for line in lines:
        at = index.get(line)
        if at is not None:
            mask[at // 64] |= 1 << (at % 64)
    return np.array(mask, dtype=np.uint64)


def gather(
    words: Words, lines: Sequence[str], index: Mapping[str, int], bits: Sequence[int]
) -> Words:
    """Collect lines of packed rows into numbers.

    Parameters
    ----------
    words : ndarray of uint64, shape (B, W)
    lines : sequence of str
        Lines to take; those not in `index` give 0.
    index : mapping of str to int
        Line to its bit in the row.
    bits : sequence of int
        The bit of the number that each line becomes.

    Returns
    -------
    ndarray of uint64, shape (B,)
    """
    runs: dict[tuple[int, int], int] = {}
    for line, bit in zip(lines, bits, strict=True):
        at = index.get(line)
        if at is not None:
            key = (at // 64, at % 64 - bit)
            runs[key] = runs.get(key, 0) | 1 << (at % 64)
    number = np.zeros(len(words), dtype=np.uint64)
    for (word, shift), mask in runs.items():
        part = words[:, word] & np.uint64(mask)
        number |= part >> np.uint64(shift) if shift >= 0 else part << np.uint64(-shift)
    return number


def merged(*parts: Ints) -> Ints:
    """Merge sorted row numbers, each once."""
    # A stable sort takes sorted runs as they are, far faster than np.unique.
    rows = np.sort(np.concatenate(parts), kind="stable")
    return rows[np.append(True, rows[1:] != rows[:-1])] if len(rows) else rows


def is_usable(event: Event | Condition, captured: frozenset[str]) -> bool:
    """Tell whether the captured lines suffice to see the event."""
    if isinstance(event, Is | Changes | Settled):
        return captured.issuperset(event.lines)
    if isinstance(event, Not | Becomes | Holds):
        return is_usable(event.condition, captured)
    if isinstance(event, All):
        return all(is_usable(each, captured) for each in event.conditions)
    if isinstance(event, Any_):
        return any(is_usable(each, captured) for each in event.conditions)
    if isinstance(event, FirstOf):
        return any(is_usable(each, captured) for each in event.events)
    if isinstance(event, LastOf):
        return all(is_usable(each, captured) for each in event.events)
    if isinstance(event, While):
        return is_usable(event.event, captured) and is_usable(event.condition, captured)
    return is_usable(event.event, captured)


def usable(events: Sequence[Event], captured: frozenset[str]) -> tuple[Event | None, list[str]]:
    """Choose the first alternative whose lines were captured.

    Returns
    -------
    event, or None where no alternative can be seen
    list of str
        Lines that the chosen event names and that were left out of it.
    """
    for event in events:
        if is_usable(event, captured):
            return event, sorted(event_lines(event) - captured)
    return None, []


@dataclass(frozen=True)
class Found:
    """Where a look-up ended: row and moment of each, row -1 and `MISSING` where it found none."""

    rows: Ints
    times: Ints

    @property
    def is_found(self) -> Bools:
        """Where the event came."""
        return self.rows >= 0


@dataclass
class Rows:
    """Rows of one place in which every control line is known, and what happens in them.

    `times` (N,), `states` (N, W) and `unknown` (N, W) are as in a capture.
    """

    times: Ints
    states: Words
    unknown: Words | None
    index: Mapping[str, int]
    _edges: dict[Event, Ints] = field(default_factory=dict)
    _levels: dict[Condition, Bools] = field(default_factory=dict)
    _spacing: int | None = None

    def __len__(self) -> int:
        return len(self.times)

    def level(self, condition: Condition) -> Bools | None:
        """Evaluate a condition in every row, shape (N,); None where it cannot be seen."""
        known = self._levels.get(condition)
        if known is None:
            fresh = self._evaluate(condition)
            if fresh is None:
                return None
            self._levels[condition] = known = fresh
        return known

    def _evaluate(self, condition: Condition) -> Bools | None:
        if isinstance(condition, Is):
            if any(line not in self.index for line in condition.lines):
                return None
            wanted = [0] * self.states.shape[1]
            masks = [0] * self.states.shape[1]
            for bit, line in enumerate(reversed(condition.lines)):
                at = self.index[line]
                masks[at // 64] |= 1 << (at % 64)
                wanted[at // 64] |= ((condition.value >> bit) & 1) << (at % 64)
            result: Bools = np.ones(len(self), dtype=np.bool_)
            for word, mask in enumerate(masks):
                if mask:
                    seen = self.states[:, word] & np.uint64(mask)
                    result &= seen == np.uint64(wanted[word])
            return result
        if isinstance(condition, Not):
            inner = self.level(condition.condition)
            return None if inner is None else ~inner
        parts = [self.level(each) for each in condition.conditions]
        known = [part for part in parts if part is not None]
        if isinstance(condition, All):
            if len(known) < len(parts):
                return None
            every: Bools = np.logical_and.reduce(known)
            return every
        some: Bools | None = np.logical_or.reduce(known) if known else None
        return some

    def edges(self, event: Event) -> Ints:
        """Give the rows, from 1, in which the event happens as an edge, rising."""
        rows = self._edges.get(event)
        if rows is None:
            self._edges[event] = rows = self._find_edges(event)
        return rows

    def _find_edges(self, event: Event) -> Ints:
        if isinstance(event, Becomes | Holds):
            level = self.level(event.condition)
            if level is None:
                return np.empty(0, dtype=np.int64)
            return np.flatnonzero(level[1:] & ~level[:-1]) + 1
        if isinstance(event, Changes):
            mask = mask_of(event.lines, self.index, self.states.shape[1])
            moved = ((self.states[1:] ^ self.states[:-1]) & mask).any(axis=1)
            return np.flatnonzero(moved) + 1
        if isinstance(event, FirstOf):
            if all(isinstance(each, Holds) for each in event.events):
                return self._find_edges(Holds(Any_(tuple(_held(each) for each in event.events))))
            return merged(*(self.edges(each) for each in event.events))
        if isinstance(event, While):
            rows = self.edges(event.event)
            level = self.level(event.condition)
            return rows[:0] if level is None else rows[level[rows]]
        raise TypeError(f"{type(event).__name__} has no edges of its own")

    def holds(self, event: Event) -> Bools:
        """Tell in which rows the event is 'already so', shape (N,)."""
        none = np.zeros(len(self), dtype=np.bool_)
        if isinstance(event, Holds):
            level = self.level(event.condition)
            return none if level is None else level
        if isinstance(event, FirstOf):
            for each in event.events:
                none = none | self.holds(each)
            return none
        if isinstance(event, While):
            level = self.level(event.condition)
            return none if level is None else self.holds(event.event) & level
        return none

    def find(self, event: Event, begins: Ints, limits: Ints) -> Found:
        """Look the event up at or after each begin row, and not after each limit row.

        Parameters
        ----------
        event : Event
        begins, limits : ndarray of int64, shape (B,)

        Returns
        -------
        Found, shape (B,)
        """
        if isinstance(event, FirstOf | LastOf):
            return self._find_among(event, begins, limits)
        if isinstance(event, After):
            inner = self.find(event.event, begins, limits)
            times = np.where(inner.is_found, inner.times + event.delay, MISSING)
            return self._at_times(times, inner.is_found, limits)
        if isinstance(event, Settled):
            return self._find_settled(event, begins, limits)
        edges = self.edges(event)
        padded = np.append(edges, np.iinfo(np.int64).max)
        rows = padded[np.searchsorted(edges, begins, "left")]
        already = self.holds(event)
        if already.any():
            rows = np.where(already[begins], begins, rows)
        rows = np.where(rows <= limits, rows, -1)
        return Found(rows, np.where(rows >= 0, self.times[rows], MISSING))

    def _find_among(self, event: FirstOf | LastOf, begins: Ints, limits: Ints) -> Found:
        captured = frozenset(self.index)
        rows: Ints | None = None
        times: Ints | None = None
        for each in event.events:
            if isinstance(event, FirstOf) and not is_usable(each, captured):
                continue
            found = self.find(each, begins, limits)
            if rows is None or times is None:
                rows, times = found.rows, found.times
            elif isinstance(event, FirstOf):
                better = found.is_found & ((rows < 0) | (found.times < times))
                rows, times = (
                    np.where(better, found.rows, rows),
                    np.where(better, found.times, times),
                )
            else:
                both = found.is_found & (rows >= 0)
                later = found.times > times
                rows = np.where(both, np.where(later, found.rows, rows), -1)
                times = np.where(both, np.where(later, found.times, times), MISSING)
        if rows is None or times is None:
            rows = np.full(len(begins), -1, dtype=np.int64)
            times = np.full(len(begins), MISSING, dtype=np.int64)
        return Found(rows, times)

    def _at_times(self, times: Ints, is_there: Bools, limits: Ints) -> Found:
        is_there = is_there & (times <= self.times[limits])
        rows = np.searchsorted(self.times, times, "right") - 1
        return Found(np.where(is_there, rows, -1), np.where(is_there, times, MISSING))

    def _find_settled(self, event: Settled, begins: Ints, limits: Ints) -> Found:
        moved = np.append(0, self.edges(Changes(event.lines)))
        times = self.times[moved]
        pauses = np.append(times[1:] - times[:-1], np.iinfo(np.int64).max)
        quiet = np.flatnonzero(pauses >= event.time)
        last = np.searchsorted(moved, begins, "right") - 1
        here = quiet[np.searchsorted(quiet, last, "left")]
        settled = np.maximum(times[here] + event.time, self.times[begins])
        return self._at_times(settled, np.ones(len(begins), dtype=np.bool_), limits)

    def row_at(self, times: Ints) -> Ints:
        """Give the row that holds at each moment; -1 before the first row."""
        return np.searchsorted(self.times, times, "right") - 1

    @property
    def spacing(self) -> int:
        """The least time between two rows, ps."""
        if self._spacing is None:
            gaps = self.times[1:] - self.times[:-1]
            self._spacing = int(gaps.min()) if len(gaps) else np.iinfo(np.int64).max
        return self._spacing

    def changed_near(self, rows: Ints, times: Ints, within: int) -> Words:
        """Give the lines that change less than that time from each moment, as packed masks.

        Parameters
        ----------
        rows : ndarray of int64, shape (B,)
            The row that holds at each moment.
        times : ndarray of int64, shape (B,), ps
        within : int, ps

        Returns
        -------
        ndarray of uint64, shape (B, W)
        """
        here = self.states[rows]
        if self.spacing >= within:
            earlier = np.maximum(rows - 1, 0)
            later = np.minimum(rows + 1, len(self) - 1)
            is_early = (times - self.times[rows] < within)[:, None]
            is_late = (self.times[later] - times < within)[:, None]
            moved: Words = (self.states[earlier] ^ here) * is_early.astype(np.uint64)
            moved |= (here ^ self.states[later]) * is_late.astype(np.uint64)
            return moved
        before = np.maximum(self.row_at(times - within), 0)
        after = self.row_at(times + within - 1)
        previous = self.states[np.maximum(np.maximum(rows - 1, 0), before)]
        moved = (self.states[before] ^ previous) | (previous ^ here)
        moved |= here ^ self.states[after]
        return moved


def _held(event: Event) -> Condition:
    assert isinstance(event, Holds)
    return event.condition
