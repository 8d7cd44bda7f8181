"""The moments at which events come, chunk by chunk, kept for as long as they are asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

import numpy as np

from busdecode.cycles.condense import hold_last, pulled
from busdecode.cycles.occurrences import MISSING, Rows, is_usable, mask_of
from busdecode.protocol import Becomes, Changes, Not

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from busdecode.capture import Capture
    from busdecode.protocol import Bus, Condition, Event

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

Number = TypeVar("Number", np.int64, np.uint64)

__all__ = ["Moments", "first_from", "last_until"]


def last_until(moments: Ints, times: Ints) -> Ints:
    """Give for each time the last of the rising moments at or before it, else `MISSING`.

    Examples
    --------
    >>> last_until(np.array([10, 20]), np.array([15, 20])).tolist()
    [10, 20]
    """
    padded = np.append(MISSING, moments)
    found: Ints = padded[np.searchsorted(moments, times, "right")]
    return found


def first_from(moments: Ints, times: Ints) -> Ints:
    """Give for each time the first of the rising moments at or after it, else `MISSING`.

    Examples
    --------
    >>> first_from(np.array([10, 20]), np.array([15, 20])).tolist()
    [20, 20]
    """
    padded = np.append(moments, MISSING)
    found: Ints = padded[np.searchsorted(moments, times, "left")]
    return found


class Moments:
    """Find when events come and conditions stand, over captures of one place in chunks.

    A line that is not known keeps its last level for conditions; that it becomes known, or no
    longer is, counts as a change of it. Released lines show their pull.

    Parameters
    ----------
    bus : Bus
    lines : tuple of str
        The captured lines, by the bus's names.
    events : iterable of Event
        Edges and changes that will be asked for; those whose lines were not captured are not
        kept.
    conditions : iterable of Condition
        Conditions of which it will be asked whether they stand.
    """

    def __init__(
        self,
        bus: Bus,
        lines: tuple[str, ...],
        events: Iterable[Event],
        conditions: Iterable[Condition],
    ) -> None:
        self._bus = bus
        self._lines = lines
        self._index: Mapping[str, int] = {line: at for at, line in enumerate(lines)}
        captured = frozenset(lines)
        seen = tuple(each for each in dict.fromkeys(conditions) if is_usable(each, captured))
        self._conditions = seen
        wanted: list[Event] = [each for each in events if is_usable(each, captured)]
        for condition in seen:
            wanted += [Becomes(condition), Becomes(Not(condition))]
        self._found: dict[Event, list[Ints]] = {event: [] for event in dict.fromkeys(wanted)}
        self._moved: dict[Event, list[Words]] = {
            event: [] for event in self._found if isinstance(event, Changes)
        }
        self._started: dict[Condition, Ints] = {}
        self._last: tuple[int, Words, Words] | None = None

    def __contains__(self, event: Event) -> bool:
        return event in self._found

    def feed(self, chunk: Capture) -> None:
        """Take one more chunk, without gaps, that follows those before."""
        if not len(chunk):
            return
        times, states, unknown = self._following(chunk)
        rows = Rows(times, states, None, self._index)
        if self._last is None:
            for condition in self._conditions:
                level = rows.level(condition)
                stands = level is not None and bool(level[0])
                self._started[condition] = times[:1] if stands else times[:0]
        moved = states[1:] ^ states[:-1]
        if unknown is not None:
            moved |= unknown[1:] ^ unknown[:-1]
        for event, found in self._found.items():
            if isinstance(event, Changes):
                own = moved & mask_of(event.lines, self._index, moved.shape[1])
                at_rows = np.flatnonzero(own.any(axis=1)) + 1
                if len(at_rows):
                    self._moved[event].append(own[at_rows - 1])
            else:
                at_rows = rows.edges(event)
            if len(at_rows):
                found.append(times[at_rows])
        lost = np.zeros_like(states[-1]) if unknown is None else unknown[-1].copy()
        self._last = int(times[-1]), states[-1].copy(), lost

    def _following(self, chunk: Capture) -> tuple[Ints, Words, Words | None]:
        """Give a chunk's rows after the last one fed, levels held; unknown None where none is."""
        times, states, unknown = chunk.times, chunk.states, chunk.unknown
        if unknown is not None:
            states, unknown = pulled(self._bus, self._lines, states, unknown)
        if self._last is not None:
            at, state, lost = self._last
            if lost.any() and unknown is None:
                unknown = np.zeros_like(states)
            times = np.append(at, times)
            states = np.concatenate([state[None], states])
            unknown = None if unknown is None else np.concatenate([lost[None], unknown])
        if unknown is None or not unknown.any():
            return times, states, None
        states = states.copy()
        for line in range(len(self._lines)):
            hold_last(states, unknown, line, states[0])  # at the start, what stands there
        return times, states, unknown

    def restart(self) -> None:
        """Forget all: what follows does not hang together with what was fed."""
        for found in self._found.values():
            found.clear()
        for moved in self._moved.values():
            moved.clear()
        self._last = None

    def of(self, event: Event) -> Ints:
        """Give the moments of an event, rising, ps."""
        found = self._found[event]
        return _joined(found) if found else np.empty(0, dtype=np.int64)

    def changed(self, event: Changes, times: Ints) -> dict[str, int]:
        """Count for each line at how many of these moments of the event it changed.

        Parameters
        ----------
        event : Changes
        times : ndarray of int64, shape (B,), ps
            Moments of the event.
        """
        if not len(times):
            return {}
        moments = self.of(event)
        words = _joined(self._moved[event])[np.searchsorted(moments, times)]
        counts = {}
        for line in event.lines:
            at = self._index[line]
            count = int(((words[:, at // 64] >> np.uint64(at % 64)) & np.uint64(1)).sum())
            if count:
                counts[line] = count
        return counts

    def stands(self, condition: Condition, times: Ints) -> Bools:
        """Tell at which times a condition stands: in the row that holds then, shape (B,)."""
        risen = np.append(self._started.get(condition, times[:0]), self.of(Becomes(condition)))
        fallen = self.of(Becomes(Not(condition)))
        return last_until(risen, times) > last_until(fallen, times)

    def forget(self, before: int) -> None:
        """Drop the moments before a time, but for the last of each event."""
        for event in self._found:
            moments = self.of(event)
            first = max(0, int(np.searchsorted(moments, before, "left")) - 1)
            if first:
                self._found[event][:] = [moments[first:].copy()]
                if event in self._moved:
                    self._moved[event][:] = [_joined(self._moved[event])[first:].copy()]


def _joined(parts: list[NDArray[Number]]) -> NDArray[Number]:
    """Give parts, of which there is at least one, as one array, and keep them so."""
    if len(parts) > 1:
        parts[:] = [np.concatenate(parts)]
    return parts[0]
