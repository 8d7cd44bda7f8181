"""The two points of a limit, in every beat at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles import MISSING, first_from, last_until
from busdecode.protocol import All, Any_, Becomes, Changes, FirstOf, Is

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from busdecode.cycles import CycleTable, Moments
    from busdecode.protocol import Bus, Condition, Event, Levels, Limit, Point

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

__all__ = ["Beats", "PointFinder", "asked_conditions", "asked_events", "narrowed"]


@dataclass(frozen=True, eq=False)
class Beats:
    """Beats to be measured, and what stands before and after each, B of them.

    Parameters
    ----------
    table : CycleTable
    ends_before : ndarray of int64, shape (B,), ps
        End of the beat before, whichever its cycle; `MISSING` for the first.
    own_since : ndarray of int64, shape (B,), ps
        Since when the beat has the bus for itself: its address phase, or, of later beats of a
        cycle, the end of the beat before.
    next_begins, next_ends : ndarray of int64, shape (B,), ps
        The next beat's own begin and end; where there is none, the end of what was captured.
    is_followed : ndarray of bool, shape (B,)
    """

    table: CycleTable
    ends_before: Ints
    own_since: Ints
    next_begins: Ints
    next_ends: Ints
    is_followed: Bools

    @classmethod
    def of(cls, table: CycleTable, count: int, ended_before: int, captured_to: int) -> Beats:
        """Take the first `count` rows of a table; the one after them, if any, bounds the last.

        Parameters
        ----------
        table : CycleTable
        count : int
        ended_before : int, ps
            End of the beat before the first row, or `MISSING`.
        captured_to : int, ps
        """
        address = table.phase("address")
        is_later = table.beat > 0
        begins = np.where(is_later | (address == MISSING), table.start, address)
        ends_before = np.append(ended_before, table.end[:-1])[:count]
        following = np.append(begins[1:], captured_to)[:count]
        ends = np.append(table.end[1:], captured_to)[:count]
        own = np.where(is_later[:count], ends_before, begins[:count])
        return cls(
            table.take(slice(count)), ends_before, own, following, ends,
            np.arange(count) < len(table) - 1,
        )  # fmt: skip

    def __len__(self) -> int:
        return len(self.table)


def narrowed(limit: Limit, captured: frozenset[str]) -> tuple[Limit, tuple[str, ...]]:
    """Have a limit look at those lines of a bundle's changes that were captured.

    Returns
    -------
    Limit
        The same where all were captured, or none.
    tuple of str
        The lines that it looks at no longer.
    """
    absent: list[str] = []

    def narrow(point: Point | None) -> Point | None:
        if point is None or not isinstance(point.event, Changes):
            return point
        seen = tuple(line for line in point.event.lines if line in captured)
        if not seen or len(seen) == len(point.event.lines):
            return point
        absent.extend(line for line in point.event.lines if line not in captured)
        return replace(point, event=Changes(seen))

    found = replace(limit, start=narrow(limit.start), stop=narrow(limit.stop))
    return found, tuple(dict.fromkeys(absent))


def levels_condition(levels: Levels) -> Condition:
    """Make one condition of levels of which each must show one of its values."""
    return All(tuple(Any_(tuple(Is(lines, value) for value in values)) for lines, values in levels))


def asked_events(limits: tuple[Limit, ...]) -> Iterator[Event]:
    """Give every event that the limits' points need."""
    for limit in limits:
        for point in (limit.start, limit.stop):
            if point is not None and point.event is not None:
                yield point.event


def asked_conditions(limits: tuple[Limit, ...]) -> Iterator[Condition]:
    """Give every condition of which the limits need to know where it stands."""
    for limit in limits:
        for point in (limit.start, limit.stop):
            if point is not None and point.how == "nearest" and isinstance(point.event, Becomes):
                yield point.event.condition
        if limit.levels:
            yield levels_condition(limit.levels)


class PointFinder:
    """Find points in beats; each is looked up once, however many limits have it.

    Parameters
    ----------
    bus : Bus
    moments : Moments
    beats : Beats
    uncertainty : int, ps
        Changes that come no later than that after a moment belong to it.
    """

    def __init__(self, bus: Bus, moments: Moments, beats: Beats, uncertainty: int) -> None:
        self._moments = moments
        self._beats = beats
        self._uncertainty = uncertainty
        self._begins = {*bus.cycle_begins, *bus.beat_begins}
        self._found: dict[tuple[Point, bool, int], Ints] = {}

    def both(self, start: Point, stop: Point) -> tuple[Ints, Ints]:
        """Give both points of every beat, shape (B,), ps; `MISSING` where they did not come."""
        return self._both(start, stop, 0, 0)

    def others(self, start: Point, stop: Point) -> Iterator[tuple[Ints, Ints, bool]]:
        """Give both points as they may be too, with an edge on the other side of its phase.

        Where an edge lies near to the phase from which it is sought, it may have come on either
        side. Besides, whether it is values that change near the limit's other point: these are
        near it on either side.
        """
        shifts = (-self._uncertainty, self._uncertainty)
        for point, other in ((start, stop), (stop, start)):
            if point.event is None or (point.how == "first" and isinstance(point.event, Changes)):
                continue
            is_joint = isinstance(point.event, Changes) and _is_joint(point, other)
            for shift in shifts:
                if point is start:
                    yield *self._both(start, stop, shift, 0), is_joint
                else:
                    yield *self._both(start, stop, 0, shift), is_joint

    def _both(self, start: Point, stop: Point, first: int, second: int) -> tuple[Ints, Ints]:
        if start.phase == "it":
            there = self._find(stop, start, second)
            return self._from(start, there, first, is_joint=True), there
        here = self._find(start, stop, first)
        if stop.phase == "it":
            return here, self._from(stop, here, second, is_joint=True)
        return here, self._find(stop, start, second)

    def shows(self, levels: Levels) -> Bools:
        """Tell in which beats the levels show at the begin of the data phase, shape (B,)."""
        data = self._beats.table.phase("data")
        stands: Bools = (data != MISSING) & self._moments.stands(levels_condition(levels), data)
        return stands

    def _find(self, point: Point, other: Point, shift: int) -> Ints:
        is_joint = _is_joint(point, other)
        key = point, is_joint, shift
        found = self._found.get(key)
        if found is None:
            anchors = self._beats.table.phase(point.phase)
            anchors = np.where(anchors == MISSING, MISSING, anchors + point.offset)
            self._found[key] = found = self._from(point, anchors, shift, is_joint=is_joint)
        return found

    def _from(self, point: Point, anchors: Ints, shift: int, *, is_joint: bool) -> Ints:
        """Seek from the anchors; with a shift, as if they were that much earlier or later."""
        if point.event is None:
            return anchors
        is_there = anchors != MISSING
        times = np.where(is_there, anchors, 0) + shift
        if point.how == "last":
            found = last_until(self._moments.of(point.event), times - int(shift > 0))
        elif point.how == "first":
            found = self._first(point.event, times, shift, is_joint=is_joint)
        else:
            found = self._nearest(point, times)
        return np.where(is_there, found, MISSING)

    def _first(self, event: Event, times: Ints, shift: int, *, is_joint: bool) -> Ints:
        if isinstance(event, Changes):
            # That values stand still may last longer than the beat.
            times = times if is_joint else times + self._uncertainty + 1
            found = first_from(self._moments.of(event), times)
            return np.where(found <= self._beats.next_ends, found, MISSING)
        found = first_from(self._moments.of(event), times + int(shift < 0))
        bounds = self._beats.next_begins
        if shift and not self._may_begin(event):
            # An edge near the next beat's begin may be the next beat's.
            bounds = bounds - self._uncertainty
        return np.where(found <= bounds, found, MISSING)

    def _may_begin(self, event: Event) -> bool:
        """Tell whether the event is one that begins a cycle or a beat, or has one among its own."""
        own = event.events if isinstance(event, FirstOf) else (event,)
        return not self._begins.isdisjoint(own)

    def _nearest(self, point: Point, times: Ints) -> Ints:
        assert isinstance(point.event, Becomes)
        beats = self._beats
        since = beats.ends_before if point.phase == "address" else beats.own_since
        moments = self._moments.of(point.event)
        before = last_until(moments, times)
        before = np.where(before >= since, before, MISSING)
        after = first_from(moments, times)
        after = np.where(after <= beats.next_ends, after, MISSING)
        stands = self._moments.stands(point.event.condition, times)
        return np.where(stands, before, after)


def _is_joint(point: Point, other: Point) -> bool:
    """Tell whether a point is sought from the limit's other point on: it may come with it."""
    return (other.how, other.phase, other.offset) == ("at", point.phase, point.offset)
