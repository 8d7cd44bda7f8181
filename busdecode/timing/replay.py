"""A capture replayed against the limits of its bus, chunk by chunk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture import bind_capture, largest_skew, split, stretches
from busdecode.cycles import (
    ENDINGS,
    MISSING,
    ROWS_AT_ONCE,
    Decoder,
    Moments,
    concatenate,
    why_too_coarse,
)
from busdecode.protocol import Changes, listed_lines
from busdecode.timing.codes import Code, CodeCounter
from busdecode.timing.judge import Measured, Outcome, Result, Tally, judge
from busdecode.timing.points import (
    Beats,
    PointFinder,
    asked_conditions,
    asked_events,
    narrowed,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from numpy.typing import NDArray

    from busdecode.capture import Binding, Capture, CaptureFile
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Limit
    from busdecode.timing.figures import Figures

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Outcomes = NDArray[np.int8]
    Each = Callable[[CycleTable, Limit, Ints, Ints, Outcomes], None]
    """Takes a table of beats, the limit, both points and the outcomes (B,), as one is measured."""

__all__ = ["Replay", "Replayed", "measured_beats", "replay_capture", "replay_file"]

_SAMPLES_A_CLOCK = 4
"""Samples in a period of a clock with which both its edges are seen, and each for itself."""

_CLOCK_EDGES = 16
"""Rises by which a clock's period is known."""


@dataclass(frozen=True)
class Replayed:
    """A capture held against limits.

    Parameters
    ----------
    figures : Figures
    place : str
    beats : int
        Whole beats that were looked at; `cut_off` were not.
    cut_off : int
    uncertainty : int, ps
        By less than that, either way, each interval is uncertain.
    results : tuple of Result
        In the description's order; those that say nothing at this grade are left out.
    codes : tuple of Code
    cannot_tell : str or None
        Why nothing can be found in the capture at all: then what is broken counts as unsure.
    notes : tuple of str
    """

    figures: Figures
    place: str
    beats: int
    cut_off: int
    uncertainty: int
    results: tuple[Result, ...]
    codes: tuple[Code, ...]
    cannot_tell: str | None
    notes: tuple[str, ...]

    @property
    def findings(self) -> int:
        """How many limits are broken, and codes seen that should not be; warnings left out."""
        return sum(result.is_finding for result in self.results) + len(self.codes)


class Replay:
    """Measure every limit in every beat of one place, chunk by chunk.

    Parameters
    ----------
    figures : Figures
    lines : tuple of str
        The captured lines of the place, by the bus's names.
    resolution, skew : int, ps
        An interval is uncertain by their sum.
    each : Each, optional
        Called for each limit as it is measured.

    Raises
    ------
    DescriptionError
        If the captured lines do not show where cycles or beats begin and end.
    """

    def __init__(
        self,
        figures: Figures,
        lines: tuple[str, ...],
        resolution: int,
        skew: int = 0,
        each: Each | None = None,
    ) -> None:
        self._figures = figures
        self._lines = lines
        bus = figures.bus
        self._decoder = Decoder(bus, lines, resolution, skew)
        self.uncertainty = resolution + skew
        self._cannot_tell = why_too_coarse(bus, resolution, skew)
        captured = frozenset(lines)
        narrow = [
            narrowed(limit, captured) for limit in figures.limits if figures.has_figures(limit)
        ]
        self._limits = tuple(limit for limit, _ in narrow)
        self._absent = {limit.number: absent for limit, absent in narrow}
        self._moments = Moments(
            bus, lines, asked_events(self._limits), asked_conditions(self._limits)
        )
        self._unseen = {limit.number: self._why_unseen(limit) for limit in self._limits}
        names = [*(kind.name for kind in bus.kinds), "address-only", ""]  # as tables number them
        self._of_kinds = {
            limit.number: np.array([limit.kinds is None or name in limit.kinds for name in names])
            for limit in self._limits
        }
        self._tallies = {
            limit.number: Tally(
                limit, *figures.at(limit), self.uncertainty, figures.is_unverified(limit)
            )
            for limit in self._limits
        }
        self._each = each
        self._clocks = frozenset(line.name for line in bus.lines if line.role == "clock")
        self._clock_periods: dict[str, int] = {}
        self._codes = CodeCounter()
        self._pending = concatenate(bus, [])
        self._ended_before = int(MISSING)
        self._beats = self._cut_off = 0
        self._captured_to = 0

    @property
    def notes(self) -> list[str]:
        """What the decoder has to say."""
        return self._decoder.notes

    def feed(self, chunk: Capture) -> None:
        """Take one more chunk of the place's capture."""
        for rows in split(chunk, ROWS_AT_ONCE):
            for is_gap, part in stretches(rows):
                if is_gap:
                    self.finish(int(part.times[0]))
                else:
                    self._feed_stretch(part)

    def _feed_stretch(self, chunk: Capture) -> None:
        self._moments.feed(chunk)
        for line in self._clocks.intersection(chunk.lines).difference(self._clock_periods):
            period = _clock_period(chunk, line)
            if period is not None:
                self._clock_periods[line] = period
        self._take(self._decoder.feed(chunk), is_last=False)
        self._captured_to = chunk.end

    def finish(self, end: int) -> None:
        """End the capture, or the part before a gap.

        Parameters
        ----------
        end : int, ps
        """
        self._captured_to = end
        self._take(self._decoder.finish(end), is_last=True)
        self._moments.restart()
        self._ended_before = int(MISSING)

    def _take(self, table: CycleTable, *, is_last: bool) -> None:
        pending = concatenate(self._figures.bus, [self._pending, table])
        # A beat waits for the one after it: what it leaves behind is looked for up to there.
        count = len(pending) if is_last else len(pending) - 1
        if count <= 0:
            self._pending = pending
            return
        self._measure(Beats.of(pending, count, self._ended_before, self._captured_to))
        self._ended_before = int(pending.end[count - 1])
        self._pending = pending.take(slice(count, None))
        if not is_last:
            row = self._pending
            self._moments.forget(min(self._ended_before, int(row.start[0]), _first(row)))

    def _measure(self, beats: Beats) -> None:
        bus, table = self._figures.bus, beats.table
        is_cut = table.ended == ENDINGS.index("cut-off")
        self._cut_off += int(is_cut.sum())
        self._beats += int((~is_cut).sum())
        if self._cannot_tell is None:
            self._codes.add(table.take(~is_cut))
        finder = PointFinder(bus, self._moments, beats, self.uncertainty)
        outcomes_of: dict[str, Outcomes] = {}
        for limit in self._limits:
            tally = self._tallies[limit.number]
            if self._unseen[limit.number] is not None:
                outcomes_of[limit.number] = np.zeros(len(table), dtype=np.int8)
                continue
            assert limit.start is not None
            assert limit.stop is not None
            starts, stops = finder.both(limit.start, limit.stop)
            binds = ~is_cut & (starts != MISSING) & self._of_kinds[limit.number][table.kind]
            if limit.levels:
                binds &= finder.shows(limit.levels)
            outcomes = self._judged(tally, binds, starts, stops)
            for other_starts, other_stops, is_joint in finder.others(limit.start, limit.stop):
                self._doubt(tally, binds, outcomes, other_starts, other_stops, is_joint=is_joint)
            if limit.is_required:
                outcomes[binds & beats.is_followed & (stops == MISSING)] = Outcome.BROKEN
            doubt = np.zeros(len(table), dtype=np.bool_)
            if limit.only_if_unmet is not None:
                other = outcomes_of[limit.only_if_unmet]
                outcomes[other == Outcome.MET] = Outcome.UNMEASURED
                doubt = other == Outcome.UNMEASURED
                outcomes[_untold(outcomes, other)] = Outcome.UNSURE
            if limit.only_if_met is not None:
                other = outcomes_of[limit.only_if_met]
                outcomes[other == Outcome.BROKEN] = Outcome.UNMEASURED
                doubt = other == Outcome.UNMEASURED
                outcomes[_untold(outcomes, other)] = Outcome.UNSURE
            if self._cannot_tell is not None:
                outcomes[outcomes == Outcome.BROKEN] = Outcome.UNSURE
            if self._is_clock_coarse(limit):
                outcomes[outcomes != Outcome.UNMEASURED] = Outcome.UNSURE
            outcomes_of[limit.number] = outcomes
            tally.add(table, starts, stops, outcomes, doubt)
            broken = (outcomes == Outcome.BROKEN) & (stops != MISSING)
            if broken.any():
                for point, times in ((limit.start, starts), (limit.stop, stops)):
                    if isinstance(point.event, Changes):
                        tally.add_lines(self._moments.changed(point.event, times[broken]))
            if self._each is not None:
                self._each(table, limit, starts, stops, outcomes)

    def _is_clock_coarse(self, limit: Limit) -> bool:
        """Tell whether a limit looks at a clock of which edges may not have been seen.

        Its period is what was seen of it, or, where that is less, the longest named time of the
        grade: sampled too slowly, a clock seems slow.
        """
        lines = limit.lines & self._clocks
        known = [self._clock_periods[line] for line in lines if line in self._clock_periods]
        if not known:
            return False
        named = max(self._figures.times.values(), default=min(known))
        return _SAMPLES_A_CLOCK * self.uncertainty > min(*known, named)

    def _judged(self, tally: Tally, binds: Bools, starts: Ints, stops: Ints) -> Outcomes:
        has_both = binds & (starts != MISSING) & (stops != MISSING)
        values = np.where(has_both, stops - np.where(has_both, starts, 0), MISSING)
        return judge(values, tally.least, tally.most, self.uncertainty)

    def _doubt(
        self,
        tally: Tally,
        binds: Bools,
        outcomes: Outcomes,
        starts: Ints,
        stops: Ints,
        *,
        is_joint: bool,
    ) -> None:
        """Take back what would be otherwise with the points as they may be too.

        Values that change in the very sample of a strobe break a set-up time whichever came
        first: with `is_joint` only what was met is taken back.
        """
        others = self._judged(tally, binds, starts, stops)
        differ = (others != outcomes) & (outcomes != Outcome.UNMEASURED)
        if is_joint:
            differ &= outcomes == Outcome.MET
        outcomes[differ] = Outcome.UNSURE

    def _why_unseen(self, limit: Limit) -> str | None:
        if limit.unseen is not None:
            return limit.unseen
        absent = limit.lines - set(self._lines)
        events = [point.event for point in (limit.start, limit.stop) if point and point.event]
        if any(event not in self._moments for event in events):
            return f"not captured: {listed_lines(self._figures.bus, absent)}"
        return None

    def replayed(self, place: str, notes: tuple[str, ...] = ()) -> Replayed:
        """Give what was found so far."""
        results = []
        for limit in self._limits:
            reason = self._unseen[limit.number] or "no beat in which both its points come"
            absent = self._absent[limit.number]
            results.append(self._tallies[limit.number].result(reason, absent))
        return Replayed(
            self._figures,
            place,
            self._beats,
            self._cut_off,
            self.uncertainty,
            tuple(results),
            tuple(self._codes.found()),
            self._cannot_tell,
            (*notes, *self.notes),
        )


def _clock_period(chunk: Capture, line: str) -> int | None:
    """Give the mean time between the rises of a line, ps; None where there are few."""
    levels = chunk.levels(line)
    rises = chunk.times[1:][(levels[1:] == 1) & (levels[:-1] == 0)]
    if len(rises) < _CLOCK_EDGES:
        return None
    return int(rises[-1] - rises[0]) // (len(rises) - 1)


def _untold(outcomes: Outcomes, other: Outcomes) -> Bools:
    """Tell where a limit is broken that binds by another of which it cannot be told."""
    untold: Bools = (outcomes == Outcome.BROKEN) & (other == Outcome.UNSURE)
    return untold


def _first(table: CycleTable) -> int:
    """Give the earliest moment of the first row's phases."""
    known = table.phases[0][table.phases[0] != MISSING]
    return int(known.min()) if len(known) else int(table.start[0])


def replay_file(
    capture: CaptureFile,
    binding: Binding,
    place: str,
    figures: Figures,
    *,
    after_each: Callable[[], None] = lambda: None,
) -> Replayed:
    """Replay a capture file at one place; memory is bounded by the chunk.

    Raises
    ------
    CaptureError, DescriptionError
        As reading and decoding raise them.
    """
    replay: Replay | None = None
    end = 0
    notes: tuple[str, ...] = ()
    for chunk in capture.chunks():
        bound = bind_capture(chunk, binding, place, figures.bus.row_order)
        if replay is None:
            skew = largest_skew(binding, place, bound.lines)
            replay = Replay(figures, bound.lines, bound.resolution, skew)
            notes = tuple(bound.notes)
        replay.feed(bound)
        end = bound.end
        after_each()
    assert replay is not None
    replay.finish(end)
    return replay.replayed(place, (*capture.notes, *notes))


def replay_capture(
    capture: Capture,
    figures: Figures,
    place: str = "host",
    *,
    skew: int = 0,
    each: Each | None = None,
) -> Replayed:
    """Replay a loaded capture of one place, lines by the bus's names; else as `Replay`."""
    replay = Replay(figures, capture.lines, capture.resolution, skew, each)
    replay.feed(capture)
    replay.finish(capture.end)
    return replay.replayed(place)


def measured_beats(
    capture: Capture, figures: Figures, beats: Collection[int], *, skew: int = 0
) -> list[Measured]:
    """Measure every limit in some beats of a loaded capture, for a drawing.

    Parameters
    ----------
    capture : Capture
        One place, lines by the bus's names.
    figures : Figures
    beats : collection of int, ps
        Where the beats start, as their cycle table has it.
    skew : int, ps

    Returns
    -------
    list of Measured
        By beat, then in the description's order; what was not measured is left out.
    """
    found: list[Measured] = []

    def keep(
        table: CycleTable, limit: Limit, starts: Ints, stops: Ints, outcomes: Outcomes
    ) -> None:
        for at in np.flatnonzero(outcomes != Outcome.UNMEASURED).tolist():
            if int(table.start[at]) in beats:
                found.append(
                    Measured.of(limit, figures.at(limit), table, starts, stops, outcomes, at)
                )

    replay_capture(capture, figures, skew=skew, each=keep)
    order = {limit.number: at for at, limit in enumerate(figures.limits)}
    found.sort(key=lambda each: (each.cycle, each.beat, order[each.number]))
    return found
