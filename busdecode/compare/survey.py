"""What all rows of each place show together, gathered chunk by chunk.

Few findings rest on more than the beats that are compared: that a line stays at one level, that
it is never seen to differ from another, that a pulse is too short. These facts are small, and the
same however the rows come in chunks.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture import words_for
from busdecode.compare.pairs import Changes, Ever, Pairs, blocks
from busdecode.compare.view import view_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from busdecode.capture import Capture
    from busdecode.compare.recording import Place
    from busdecode.compare.view import PlaceView
    from busdecode.protocol import Bus

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["LEAST_CHANGES", "LEAST_TIED", "PlaceSurvey", "Surveyor"]

LEAST_CHANGES = 3
"""A line that changed less often than this tells nothing by being equal to another."""
LEAST_TIED = 8
"""How often a strobe must change before it may be said to be tied to what it never differs from."""

_PULSED = ("strobe", "lane", "acknowledge")


class PlaceSurvey:
    """What all rows of one place show; `Surveyor` gathers it.

    Parameters
    ----------
    bus : Bus
    place : str
    lines : tuple of str
    uncertainty : int, ps
        How far an edge may be from where the capture shows it.

    Attributes
    ----------
    rows : int
        Rows of the capture.
    settled_rows : int
        Those that hold longer than edges are uncertain.
    settled_since : int or None, ps
        Where the first of these begins.
    pairs : Pairs
        At which levels lines stand beside others, in settled rows.
    """

    def __init__(self, bus: Bus, place: str, lines: tuple[str, ...], uncertainty: int) -> None:
        self.bus, self.place, self.lines, self.uncertainty = bus, place, lines, uncertainty
        self.index: Mapping[str, int] = {line: at for at, line in enumerate(lines)}
        self.rows = self.settled_rows = 0
        self.settled_since: int | None = None
        words = words_for(len(lines))
        self._captured, self._shown, self._settled = Ever(words), Ever(words), Ever(words)
        least = bus.shortest_pulse - 2 * uncertainty
        self._pulses = {
            line: _Pulses(least)
            for line in lines
            if bus.line(line).role in _PULSED or line in bus.ending.acknowledged
        }
        self._changes = Changes(words, LEAST_TIED)
        self.pairs = Pairs(len(lines))
        self._across: dict[str, _Across] = {}

    def steady(self, line: str) -> int | None:
        """Give the one level that a line was captured at, known in every row; else None."""
        at = self.index[line]
        return self._captured.fixed(at) if self.rows and self._captured.is_known(at) else None

    def fixed(self, line: str) -> int | None:
        """Give the level that a line never leaves in any row, pulls counted; else None."""
        if line not in self.index or not self.rows:
            return None
        return self._shown.fixed(self.index[line])

    def settles(self, line: str) -> int | None:
        """Give the level that a line never leaves in rows that hold long enough; else None."""
        return self._settled.fixed(self.index[line])

    def short_pulses(self) -> dict[str, int]:
        """Count for each strobe, lane and acknowledge the pulses that are shorter than any may be.

        That is, shorter than any of the bus even if both edges are as uncertain as they may be.
        """
        return {
            line: pulses.short
            for line, pulses in self._pulses.items()
            if self.bus.line(line).role in _PULSED
        }

    def asserts_after(self, line: str, moment: int) -> bool:
        """Tell whether a line that acknowledges is asserted at a moment or later."""
        pulses = self._pulses[line]
        level = self.bus.asserted_level(line)
        return pulses.last == level or pulses.until.get(level, moment) > moment

    def changes(self, line: str) -> int:
        """Count how often a line changed from settled row to settled row, up to `LEAST_TIED`."""
        return int(self._changes.counts[self.index[line]])

    def equal_to(self, line: str, least: int = LEAST_CHANGES) -> list[str]:
        """Give the other lines never seen to differ from a line, and that change so often."""
        mine = self.index[line]
        is_equal = self.pairs.equal()[mine]
        return [
            other
            for other, at in self.index.items()
            if at != mine
            and is_equal[at]
            and self._settled.is_known(at)
            and self._changes.counts[at] >= least
        ]

    def crossed_with(self, line: str) -> tuple[str, ...]:
        """Give the lines of another place that a line follows instead of its own there."""
        crossed: tuple[str, ...] = ()
        mine = self.index[line]
        for across in self._across.values():
            if not across.there.settled_rows:
                continue
            is_equal = across.pairs.equal()[mine]
            own = across.index.get(line)
            if own is not None and is_equal[own]:
                continue
            crossed = tuple(
                other
                for other, at in across.index.items()
                if other != line
                and is_equal[at]
                and across.shown.is_known(at)
                and across.changes.counts[at] >= LEAST_CHANGES
            )
        return crossed

    def pairs_with(self, place: str) -> Pairs:
        """Give at which levels lines stand here beside those of another place.

        Lines in order of `lines`, those of the other place in order of its own; of settled rows
        here, at their middle.

        Raises
        ------
        KeyError
            If there is no other place so called.
        """
        return self._across[place].pairs

    def take(self, capture: Capture, view: PlaceView) -> None:
        """Take rows as they were captured, and with pulls."""
        self.rows += len(capture)
        self._captured.feed(capture.states, capture.unknown)
        self._shown.feed(view.rows.states, view.rows.unknown)
        for line, pulses in self._pulses.items():
            pulses.feed(capture.levels(line), capture.times, capture.end)

    def take_settled(self, rows: _Settled, views: Mapping[str, PlaceView]) -> None:
        """Take the rows that hold long enough, beside those of every place at the same moments."""
        self.settled_rows += len(rows.starts)
        for part in blocks(len(rows.starts)):
            states = rows.states[part]
            unknown = None if rows.unknown is None else rows.unknown[part]
            self._settled.feed(states, unknown)
            self._changes.feed(states)
            self.pairs.feed(states, unknown)
            for name, across in self._across.items():
                if name in views:
                    across.feed(states, unknown, rows.middles[part], views[name])

    def beside(self, there: PlaceSurvey) -> None:
        """Have this place's lines held against those of another."""
        self._across[there.place] = _Across(self, there)


class _Pulses:
    """The edges of one line: pulses shorter than `least`, in ps, and until when levels stood."""

    def __init__(self, least: int) -> None:
        self.short = 0
        self.last: int | None = None
        self.until: dict[int, int] = {}
        self._least = least
        self._edge: Ints = np.zeros(0, dtype=np.int64)

    def feed(self, levels: NDArray[np.uint8], times: Ints, end: int) -> None:
        """Take more rows, at least one; the last one holds until `end`."""
        before = levels[0] if self.last is None else self.last
        moved = np.flatnonzero(levels != np.append(before, levels[:-1]).astype(np.uint8))
        edges = np.concatenate([self._edge, times[moved]])
        self.short += int((np.diff(edges) < self._least).sum())
        self._edge = edges[-1:]
        self.last = int(levels[-1])
        was = levels.take(np.maximum(moved - 1, 0))
        was[moved == 0] = before
        for level in (0, 1):
            # A level before an edge stood until then.
            for at in moved[was == level][-1:].tolist():
                self.until[level] = int(times[at])
        self.until[self.last] = end


class _Across:
    """Lines of one place beside those of another, at moments at which both are settled."""

    def __init__(self, here: PlaceSurvey, there: PlaceSurvey) -> None:
        self.there = there
        self.index = there.index
        words = words_for(len(there.lines))
        self.pairs = Pairs(len(here.lines), len(there.lines))
        self.shown, self.changes = Ever(words), Changes(words, LEAST_CHANGES)

    def feed(self, states: Words, unknown: Words | None, moments: Ints, view: PlaceView) -> None:
        """Take rows of this place that are settled at some moments, beside the other's view."""
        if self.there.settled_since is None:
            return
        both = moments >= self.there.settled_since
        at = np.maximum(view.rows.row_at(moments[both]), 0)
        others = view.rows.states.take(at, axis=0)
        lost = None if view.rows.unknown is None else view.rows.unknown.take(at, axis=0)
        self.pairs.feed(states[both], None if unknown is None else unknown[both], others, lost)
        self.shown.feed(others, lost)
        self.changes.feed(others)


class _Settled:
    """Rows of a chunk that hold longer than edges are uncertain."""

    def __init__(self, view: PlaceView, end: int) -> None:
        times = view.rows.times
        lasts = np.append(times[1:], end) - times
        kept = np.flatnonzero(lasts > view.uncertainty)
        self.states: Words = view.rows.states.take(kept, axis=0)
        unknown = view.rows.unknown
        self.unknown = None if unknown is None else unknown.take(kept, axis=0)
        self.starts: Ints = times[kept]
        self.middles: Ints = self.starts + lasts[kept] // 2


class Surveyor:
    """Gather what all rows of all places show.

    Parameters
    ----------
    bus : Bus
    places : mapping of str to Place
    """

    def __init__(self, bus: Bus, places: Mapping[str, Place]) -> None:
        self._bus = bus
        self.places = {
            name: PlaceSurvey(bus, name, each.lines, each.resolution + each.skew)
            for name, each in places.items()
        }
        for here in self.places.values():
            for there in self.places.values():
                if there is not here:
                    here.beside(there)

    def feed(self, captures: Mapping[str, Capture]) -> None:
        """Take one more chunk of each place, of lines by the bus's names, but not the last.

        All places must come with rows of the same moments.
        """
        self._take(captures)

    def finish(self, captures: Mapping[str, Capture]) -> dict[str, PlaceSurvey]:
        """Take the last chunk, and give what was gathered.

        Of places that come whole, in this one chunk, the moments may differ.
        """
        # Nothing tells how long the last row would have held: it counts as settled.
        self._take(
            {
                name: replace(each, end=int(each.times[-1]) + self.places[name].uncertainty + 1)
                for name, each in captures.items()
                if len(each)
            }
        )
        return self.places

    def _take(self, captures: Mapping[str, Capture]) -> None:
        views: dict[str, PlaceView] = {}
        settled: dict[str, _Settled] = {}
        for name, capture in captures.items():
            place = self.places[name]
            views[name] = view_of(self._bus, name, capture, place.uncertainty)
            place.take(capture, views[name])
            settled[name] = rows = _Settled(views[name], capture.end)
            if place.settled_since is None and len(rows.starts):
                place.settled_since = int(rows.starts[0])
        for name, rows in settled.items():
            self.places[name].take_settled(rows, views)
