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
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from types import ModuleType

    from numpy.typing import NDArray

    from busdecode.protocol import Condition, Event, Moment

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]
    Level = Callable[[str, str], tuple[Bools, Bools, Words]]
    """From what is taken at a moment, and a line: where it is high, where known, where moving."""

__all__ = [
    "MISSING",
    "Found",
    "Inputs",
    "Level",
    "Number",
    "Rows",
    "Snapshot",
    "gather",
    "is_usable",
    "mask_of",
    "merged",
    "usable",
    "words_of",
]

MISSING = np.iinfo(np.int64).min
"""Stands in int64 arrays for a moment that the capture does not show."""


_MOST_INPUTS = 12


def mask_of(lines: Iterable[str], index: Mapping[str, int], words: int) -> Words:
    """Give the bits of those lines that were captured, as one uint64 a word."""
    mask = [0] * words
    for line in lines:
        at = index.get(line)
        if at is not None:
            mask[at // 64] |= 1 << (at % 64)
    return np.array(mask, dtype=np.uint64)


def words_of(index: Mapping[str, int]) -> int:
    """Give how many words of 64 bits hold all lines of an index."""
    return max(index.values(), default=0) // 64 + 1


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
    return Number(lines, index, bits).of(words)


class Number:
    """Some lines of packed rows as a number; the arguments are those of `gather`."""

    def __init__(self, lines: Sequence[str], index: Mapping[str, int], bits: Iterable[int]) -> None:
        runs: dict[tuple[int, int], int] = {}
        for line, bit in zip(lines, bits, strict=True):
            at = index.get(line)
            if at is not None:
                key = (at // 64, at % 64 - bit)
                runs[key] = runs.get(key, 0) | 1 << (at % 64)
        self._runs = [
            (word, np.uint64(abs(shift)), shift >= 0, np.uint64(mask))
            for (word, shift), mask in runs.items()
        ]

    def of(self, words: Words) -> Words:
        """Give the number that each row shows, shape (B,)."""
        number: Words | None = None
        for word, shift, is_down, mask in self._runs:
            part = words[:, word] & mask
            if shift and is_down:
                part >>= shift
            elif shift:
                part <<= shift
            if number is None:
                number = part
            else:
                number |= part
        return np.zeros(len(words), dtype=np.uint64) if number is None else number


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


def take(words: Words, rows: Ints) -> Words:
    """Give some rows of packed words, each word's column in one piece."""
    taken = np.empty((words.shape[1], len(rows)), dtype=np.uint64)
    for word, column in enumerate(taken):
        np.take(words[:, word], rows, out=column, mode="clip")
    return taken.T


def shows_any(words: Words, mask: Words) -> Bools:
    """Tell in which rows of packed words any of the bits is set, shape (B,)."""
    shows: Bools | None = None
    for word, bits in enumerate(mask):
        if bits:
            part = (words[:, word] & bits) != 0
            shows = part if shows is None else shows | part
    return np.zeros(len(words), dtype=np.bool_) if shows is None else shows


@dataclass
class Snapshot:
    """Rows as they stood at one moment of each cycle or beat: states, unknown, still moving.

    Each is a ndarray of uint64, shape (B, W); `unknown` is None where all is known. `moving`
    has the lines that change within one resolution of the moment. Where the moment did not
    come, all is unknown.
    """

    states: Words
    unknown: Words | None
    moving: Words

    def lacks(self, mask: Words) -> Bools:
        """Tell in which rows any of the lines is not known."""
        if self.unknown is None:
            return np.zeros(len(self.states), dtype=np.bool_)
        return shows_any(self.unknown, mask)

    def one(self, at: int) -> Snapshot:
        """Copy one row."""
        return self.take(np.array([at]))

    def put(self, at: int, other: Snapshot) -> None:
        """Set one row."""
        self.states[at], self.moving[at] = other.states[0], other.moving[0]
        if self.unknown is None and other.unknown is not None:
            self.unknown = np.zeros_like(self.states)
        if self.unknown is not None:
            self.unknown[at] = 0 if other.unknown is None else other.unknown[0]

    def take(self, rows: Ints) -> Snapshot:
        """Give some rows."""
        unknown = None if self.unknown is None else take(self.unknown, rows)
        return Snapshot(take(self.states, rows), unknown, take(self.moving, rows))


class Inputs:
    """Lines that decide something together, each at its own moment, as one number.

    Parameters
    ----------
    pairs : iterable of (str, str)
        What is taken at the moment at which the line counts, and the line.
    index : mapping of str to int
    """

    def __init__(self, pairs: Iterable[tuple[str, str]], index: Mapping[str, int]) -> None:
        # Lines that stand together in a row stand together in the number, for one shift.
        ordered = sorted(set(pairs), key=lambda pair: (pair[0], index.get(pair[1], -1)))
        self._bits = {pair: bit for bit, pair in enumerate(ordered)}
        self._words = words_of(index)
        names = dict.fromkeys(name for name, _ in self._bits)
        self._numbers = {
            name: Number(
                self.lines(name), index, [bit for (at, _), bit in self._bits.items() if at == name]
            )
            for name in names
        }
        self._masks = {name: mask_of(self.lines(name), index, self._words) for name in names}

    @property
    def count(self) -> int:
        """How many lines there are."""
        return len(self._bits)

    @property
    def is_few(self) -> bool:
        """Whether a table of all numbers that they can show is small."""
        return self.count <= _MOST_INPUTS

    def lines(self, name: str) -> list[str]:
        """Give the lines that count at one moment."""
        return [line for at, line in self._bits if at == name]

    def bit(self, name: str, line: str) -> np.uint64:
        """Give a line's bit of the number."""
        return np.uint64(self._bits[name, line])

    def number(self, words: Mapping[str, Words]) -> Words:
        """Give the number that the lines show in rows taken at the moments, shape (B,)."""
        total: Words = np.zeros(len(next(iter(words.values()))), dtype=np.uint64)
        for name, number in self._numbers.items():
            if name in words:
                total |= number.of(words[name])
        return total

    def lost(self, shots: Mapping[str, Snapshot]) -> Bools:
        """Tell in which rows any of the lines is not known."""
        lost: Bools = np.zeros(len(next(iter(shots.values())).states), dtype=np.bool_)
        for name, shot in shots.items():
            if name in self._masks and shot.unknown is not None:
                lost |= shot.lacks(self._masks[name])
        return lost

    def every(self) -> tuple[int, Level]:
        """Give how many numbers there are, and the lines' levels for each, all known, all moving.

        A line that moves is told by its own bit.
        """
        numbers = np.arange(1 << self.count, dtype=np.uint64)
        known = np.ones(len(numbers), dtype=np.bool_)

        def level(name: str, line: str) -> tuple[Bools, Bools, Words]:
            bit = np.uint64(1 << self._bits[name, line])
            return (numbers & bit) != 0, known, np.full(len(numbers), bit)

        return len(numbers), level


@dataclass
class Rows:
    """Rows of one place in which every control line is known, and what happens in them.

    `times` (N,), `states` (N, W) and `unknown` (N, W) are as in a capture; each word's column
    is kept in one piece. `kernels` are the compiled loops, None where whole-array code is used.
    """

    times: Ints
    states: Words
    unknown: Words | None
    index: Mapping[str, int]
    kernels: ModuleType | None = None
    _edges: dict[Event, Ints] = field(default_factory=dict)
    _levels: dict[Condition, Bools] = field(default_factory=dict)
    _spacing: int | None = None

    def __post_init__(self) -> None:
        if self.states.strides[0] != self.states.itemsize:
            self.states = np.asfortranarray(self.states)

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
            if self.kernels is not None:
                level = np.ones(len(self), dtype=np.bool_)
                for column, mask, value in zip(self.states.T, masks, wanted, strict=True):
                    if mask:
                        self.kernels.at_level(column, np.uint64(mask), np.uint64(value), level)
                return level
            result: Bools | None = None
            for word, mask in enumerate(masks):
                if mask:
                    seen = (self.states[:, word] & np.uint64(mask)) == np.uint64(wanted[word])
                    result = seen if result is None else result & seen
            return np.ones(len(self), dtype=np.bool_) if result is None else result
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
            return np.flatnonzero(level[1:] > level[:-1]) + 1
        if isinstance(event, Changes):
            mask = mask_of(event.lines, self.index, self.states.shape[1])
            moved = shows_any(self.states[1:] ^ self.states[:-1], mask)
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
        edges, already = self.edges(event), self.holds(event)
        if self.kernels is not None:
            return Found(*self.kernels.find(self.times, edges, already, begins, limits))
        padded = np.append(edges, np.iinfo(np.int64).max)
        rows = padded[np.searchsorted(edges, begins, "left")]
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

    def merged(self, some: Ints, others: Ints) -> Ints:
        """Merge sorted row numbers, each once."""
        if self.kernels is not None:
            rows: Ints = self.kernels.merge(some, others)
            return rows
        return merged(some, others)

    def below(self, found: Ints, wanted: Ints, *, or_same: bool = False) -> Ints:
        """Count for each row number wanted the found ones below it, or also at it; both rise."""
        if self.kernels is not None:
            counts: Ints = self.kernels.below(found, wanted, or_same)
            return counts
        return np.searchsorted(found, wanted, "right" if or_same else "left")

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
        here = take(self.states, rows)
        if self.spacing >= within:
            is_early = times - self.times.take(rows) < within
            is_late = self.times.take(rows + 1, mode="clip") - times < within
            moved = take(self.states, rows - 1)
            moved ^= here
            moved *= is_early[:, None]
            later = take(self.states, rows + 1)
            later ^= here
            later *= is_late[:, None]
            moved |= later
            return moved
        before = np.maximum(self.row_at(times - within), 0)
        previous = take(self.states, np.maximum(rows - 1, before))
        moved = take(self.states, before) ^ previous
        moved |= previous ^ here
        moved |= here ^ take(self.states, self.row_at(times + within - 1))
        return moved

    def snapshot(self, moment: Moment, at_rows: Ints, at_times: Ints, within: int) -> Snapshot:
        """Take the rows at a moment.

        Parameters
        ----------
        moment : Moment
        at_rows, at_times : ndarray of int64, shape (B,)
            The row and the moment, in ps, at which its phase begins; row -1 where it does not.
        within : int, ps
            Lines that change less than that time from the moment are moving.
        """
        if self.kernels is not None:
            columns = self.states.T
            states, moving = np.empty((2, len(columns), len(at_rows)), dtype=np.uint64)
            taken = np.empty(len(at_rows), dtype=np.int64)
            is_whole = self.kernels.take_rows(
                self.times, columns, at_rows, at_times, moment.offset, moment.how == "before",
                within, states, moving, taken,
            )  # fmt: skip
            return self._snapshot(states.T, moving.T, taken, None if is_whole else taken >= 0)
        is_there = at_rows >= 0
        event_rows = np.maximum(at_rows, 0)
        times = np.where(is_there, at_times, self.times[0])
        if moment.offset:
            times = times + moment.offset
            event_rows = np.maximum(self.row_at(times), 0)
        taken = event_rows
        if moment.how == "before":
            taken = event_rows - (self.times.take(event_rows) >= times)
            is_there &= taken >= 0
        moving = self.changed_near(event_rows, times, within)
        whole = None if is_there.all() else is_there
        return self._snapshot(take(self.states, taken), moving, taken, whole)

    def _snapshot(
        self, states: Words, moving: Words, taken: Ints, is_there: Bools | None
    ) -> Snapshot:
        unknown = None if self.unknown is None else take(self.unknown, taken)
        if is_there is not None:
            unknown = np.zeros_like(states) if unknown is None else unknown
            unknown[~is_there] = np.uint64(0xFFFF_FFFF_FFFF_FFFF)
        return Snapshot(states, unknown, moving)


def _held(event: Event) -> Condition:
    assert isinstance(event, Holds)
    return event.condition
