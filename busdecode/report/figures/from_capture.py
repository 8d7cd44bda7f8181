"""Rows of a capture and their cycles to the values of a diagram."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles import MISSING
from busdecode.errors import RequestError
from busdecode.report.figures.choice import LaneChoice, lanes_of
from busdecode.report.figures.figure import Band, Break, Figure, Lane, Mark, Span
from busdecode.units import counted, format_time

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.capture import Capture
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus
    from busdecode.report.figures.figure import Measure, Shows

    Ints = NDArray[np.int64]

__all__ = ["MeantValue", "Wrong", "figure_of", "reach_of"]

_MOST_SPANS = 4000
"""Changes of one lane at most; more cannot be told apart on a page."""

_MOST_MARKS = 8
"""Wrong bits of one bundle that get lanes of their own; of more, the bundle is marked."""

_MOST_CYCLES_IDLE = 2
_MOST_IDLE = 4
"""A stretch without a change is left out where it lasts longer than so many cycles, or so many
times as long as all else that is drawn."""

_SHOWS: tuple[Shows, ...] = ("low", "high", "not known", "released")


@dataclass(frozen=True)
class MeantValue:
    """What a bundle should have shown in [start, end), ps; lines most significant first."""

    lines: tuple[str, ...]
    start: int
    end: int
    text: str


@dataclass(frozen=True)
class Wrong:
    """One line that failed.

    Parameters
    ----------
    line : str
    moment : int, ps
    text : str
        For the legend.
    meant : tuple of (int, int, int)
        Levels meant of the line: from a moment, to another, the level.
    """

    line: str
    moment: int
    text: str
    meant: tuple[tuple[int, int, int], ...] = ()


def reach_of(table: CycleTable) -> tuple[int, int]:
    """Give the time, ps, that shows the cycles of a table with a little of what is around them."""
    starts, ends = _begins(table), table.end
    start, end = int(starts.min()), int(max(ends.max(), table.phases.max()))
    margin = max(1, int(np.median(np.maximum(1, ends - starts))) // 4)
    return start - margin, end + margin


def _begins(table: CycleTable) -> Ints:
    """Give where each row begins: its first phase, or its data phase where that is earlier."""
    phases = np.where(table.phases == MISSING, table.start[:, None], table.phases)
    begins: Ints = np.minimum(table.start, phases.min(axis=1))
    return begins


def _with_measures(start: int, end: int, measures: Sequence[Measure]) -> tuple[int, int]:
    """Widen what is drawn so that the measured times are in it, with room for their arrows."""
    moments = [moment for each in measures for moment in (each.start, each.end)]
    room = (end - start) // 40
    return min([start, *(at - room for at in moments)]), max([end, *(at + room for at in moments)])


def figure_of(
    capture: Capture,
    table: CycleTable,
    *,
    title: str,
    about: str = "",
    lanes: Sequence[LaneChoice] | None = None,
    measures: Sequence[Measure] = (),
    wrong: Sequence[Wrong] = (),
    meant: Sequence[MeantValue] = (),
    notes: Sequence[str] = (),
    is_measured: bool = True,
) -> Figure:
    """Make the figure of some cycles.

    Parameters
    ----------
    capture : Capture
        Rows around the cycles at least, of one place, lines by the bus's names.
    table : CycleTable
        The rows of the cycles to be drawn, and no others.
    title, about : str
    lanes : sequence of LaneChoice, optional
        From `lanes_of`; all without it.
    measures : sequence of Measure
    wrong : sequence of Wrong
        Each is marked; a wrong line of a bundle gets a lane of its own below it.
    meant : sequence of MeantValue
        Drawn beside the lanes that show just these lines.
    notes : sequence of str
    is_measured : bool
        Whether it is told where in the capture the cycles stand.

    Raises
    ------
    RequestError
        If a lane changes more often than can be drawn.
    """
    bus = table.bus
    start, end = _with_measures(*reach_of(table), measures)
    start = max(start, int(capture.times[0])) if len(capture) else start
    end = max(min(end, capture.end), start + 1)
    chosen = list(lanes_of(bus, None, capture.lines) if lanes is None else lanes)
    lane_of, chosen, unmarked = _with_wrong(chosen, wrong)
    window = _Window(capture, start, end)
    drawn = [window.lane(bus, lane) for lane in chosen]
    drawn = [
        replace(lane, meant=_meant(choice, lane_of, wrong, meant, start, end))
        for lane, choice in zip(drawn, chosen, strict=True)
    ]
    zero = int(_begins(table).min())
    since = [f"0 ns is {format_time(zero)} of {capture.source}"] if is_measured else []
    partly = [
        f"{lane.name}: not captured: {', '.join(absent)}"
        for lane in chosen
        if 0 < len(absent := [x for x in lane.lines if x not in capture.lines]) < len(lane.lines)
    ]
    padded = [lane.name for lane in chosen if _low_zeros(bus, lane)]
    of_bytes = [f"{', '.join(padded)}: values are byte addresses"] if padded else []
    return Figure(
        title=title,
        about=about,
        start=start,
        end=end,
        zero=zero,
        lanes=tuple(drawn),
        bands=_bands(table, start, end),
        measures=tuple(measures),
        marks=_marks(wrong, lane_of, [lane.name for lane in chosen]),
        breaks=_breaks(drawn, table, start, end),
        notes=(*since, *of_bytes, *notes, *partly, *unmarked),
    )


def _with_wrong(
    chosen: list[LaneChoice], wrong: Sequence[Wrong]
) -> tuple[dict[str, str], list[LaneChoice], list[str]]:
    """Give each wrong line a lane that shows it, and add lanes for lines inside bundles."""
    lines = list(dict.fromkeys(each.line for each in wrong))
    lane_of: dict[str, str] = {}
    found: list[LaneChoice] = []
    for lane in chosen:
        found.append(lane)
        mine = [line for line in lane.lines if line in lines]
        alone = len(lane.lines) == 1 or len(mine) > _MOST_MARKS
        for line in mine:
            if alone:
                lane_of.setdefault(line, lane.name)
            elif lane_of.get(line) != line:
                lane_of[line] = line
                if all(line != each.name for each in chosen):
                    found.append(LaneChoice(line, (line,)))
    hidden = [line for line in lines if line not in lane_of]
    notes = [f"wrong, but not among the lines drawn: {', '.join(hidden)}"] if hidden else []
    return lane_of, found, notes


def _meant(
    choice: LaneChoice,
    lane_of: Mapping[str, str],
    wrong: Sequence[Wrong],
    values: Sequence[MeantValue],
    start: int,
    end: int,
) -> tuple[Span, ...]:
    """Give what was meant of a lane, in order; of two at once the one that begins first."""
    found: list[Span] = [
        Span(each.start, each.end, "value", each.text)
        for each in values
        if each.lines == choice.lines
    ]
    if len(choice.lines) == 1:
        found += [
            Span(since, until, _SHOWS[level])
            for each in wrong
            if each.line == choice.lines[0] and lane_of.get(each.line) == choice.name
            for since, until, level in each.meant
        ]
    spans: list[Span] = []
    for span in sorted(found, key=lambda span: span.start):
        since = max(span.start, start, spans[-1].end if spans else start)
        if since < min(span.end, end):
            spans.append(replace(span, start=since, end=min(span.end, end)))
    return tuple(spans)


def _marks(
    wrong: Sequence[Wrong], lane_of: Mapping[str, str], order: Sequence[str]
) -> tuple[Mark, ...]:
    """Make a mark of each wrong line; those of one bundle at one moment are one.

    They go by time, and from top to bottom.
    """
    together: dict[tuple[str, int], list[str]] = {}
    for each in wrong:
        if each.line in lane_of:
            together.setdefault((lane_of[each.line], each.moment), []).append(each.text)
    marks = [
        Mark(lane, moment, "; ".join(dict.fromkeys(texts)))
        for (lane, moment), texts in together.items()
    ]
    return tuple(sorted(marks, key=lambda mark: (mark.moment, order.index(mark.lane))))


class _Window:
    """The rows of a capture between two moments."""

    def __init__(self, capture: Capture, start: int, end: int) -> None:
        first = max(0, int(np.searchsorted(capture.times, start, "right")) - 1)
        beyond = int(np.searchsorted(capture.times, end, "left"))
        self.rows = capture.rows(first, max(first, beyond))
        self.start, self.end = start, end
        self.until = min(end, capture.end)
        count = len(self.rows)
        self.gaps = np.zeros(count, np.bool_) if self.rows.gaps is None else self.rows.gaps

    def lane(self, bus: Bus, choice: LaneChoice) -> Lane:
        """Make a lane of its lines."""
        there = [line for line in choice.lines if line in self.rows.lines]
        lows = [bus.line(line).active_low for line in choice.lines]
        active_low = all(lows) and not _tells_low(choice.name)
        if not there:
            return Lane(choice.name, (Span(self.start, self.end, "not captured"),), active_low)
        if len(choice.lines) == 1:
            codes = self.rows.levels(choice.lines[0]).astype(np.int64)
            spans = [
                Span(since, until, "not captured" if code < 0 else _SHOWS[code])
                for since, until, code in self._runs(choice.name, np.where(self.gaps, -1, codes))
            ]
        else:
            spans = self._values(choice, all(lows), _low_zeros(bus, choice))
        return Lane(choice.name, tuple(spans), active_low)

    def _values(self, choice: LaneChoice, inverted: bool, zeros: int) -> list[Span]:
        """Read a bundle: its value is what is meant, inverted where its lines are active low."""
        count = len(self.rows)
        codes = np.full((count, len(choice.lines)), 2, dtype=np.uint8)
        for at, line in enumerate(choice.lines):
            if line in self.rows.lines:
                codes[:, at] = self.rows.levels(line)
        if inverted:
            codes ^= (codes < 2).astype(np.uint8)
        codes[self.gaps] = 4
        differs = (codes[1:] != codes[:-1]).any(axis=1)
        which = np.cumsum(np.append(np.zeros(min(1, count), np.int64), differs))
        firsts = np.flatnonzero(np.append(np.ones(min(1, count), np.bool_), differs))
        spans: list[Span] = []
        for since, until, at in self._runs(choice.name, which):
            row = codes[firsts[at]] if at >= 0 else np.full(len(choice.lines), 4, np.uint8)
            shows: Shows = "value"
            if (row == 4).all():
                shows = "not captured"
            elif (row == 3).all():
                shows = "released"
            elif (row >= 2).all():
                shows = "not known"
            text = _hexadecimal([*row.tolist(), *[0] * zeros]) if shows == "value" else ""
            if spans and (spans[-1].shows, spans[-1].text) == (shows, text):
                since = spans.pop().start  # only bits of a digit that is not known differ
            spans.append(Span(since, until, shows, text))
        return spans

    def _runs(self, name: str, codes: Ints) -> list[tuple[int, int, int]]:
        """Give the stretches of one code; what lies outside the rows has the code -1."""
        edges = np.flatnonzero(np.diff(codes)) + 1
        if len(edges) > _MOST_SPANS:
            raise RequestError(
                f"{name} changes {len(edges):,} times in the time to be drawn",
                expected=f"at most {_MOST_SPANS:,} changes",
                action="draw fewer cycles, or choose other lines with --lines",
            )
        firsts = np.append(0, edges)[: len(codes)]
        times = np.maximum(self.rows.times[firsts], self.start).tolist()
        found = [(since, int(codes[at])) for since, at in zip(times, firsts.tolist(), strict=True)]
        if not found or found[0][0] > self.start:
            found.insert(0, (self.start, -1))
        if self.until < self.end:
            found.append((self.until, -1))
        ends = [*(since for since, _ in found[1:]), self.end]
        return [
            (since, until, code)
            for (since, code), until in zip(found, ends, strict=True)
            if since < until
        ]


def _low_zeros(bus: Bus, choice: LaneChoice) -> int:
    """Give how many low bits of a byte address stand below a lane that shows addresses."""
    if len(choice.lines) == 1 or choice.lines != bus.address[-len(choice.lines) :]:
        return 0
    bits = bus.address_bits[-len(choice.lines) :]
    falls = all(high == low + 1 for high, low in pairwise(bits))
    return bits[-1] if falls else 0


def _tells_low(name: str) -> bool:
    """Tell whether a name says by itself that it is active low: ``nWait``, ``AS*``, ``CS#``."""
    return name[-1:] in ("*", "#") or (name[:1] == "n" and name[1:2].isupper())


def _hexadecimal(bits: Sequence[int]) -> str:
    """Write levels, most significant first, as digits; one with a bit not known is ``?``.

    Examples
    --------
    >>> _hexadecimal([1, 0, 1, 0, 0, 2, 1, 1, 1])
    '14?'
    """
    digits = []
    for end in range(len(bits), 0, -4):
        digit = bits[max(0, end - 4) : end]
        known = all(bit < 2 for bit in digit)
        digits.append(f"{int(''.join(map(str, digit)), 2):X}" if known else "?")
    return "".join(reversed(digits))


def _bands(table: CycleTable, start: int, end: int) -> tuple[Band, ...]:
    bus = table.bus
    text = table.text_columns()
    begins = _begins(table)
    found: list[Band] = []
    for cycle in np.unique(table.cycle).tolist():
        rows = np.flatnonzero(table.cycle == cycle)
        first = int(rows[0])
        since, until = int(begins[rows].min()), int(table.end[rows].max())
        kind = text["kind"][first] or "kind not known"
        beats = "" if len(rows) == 1 else f", {counted(len(rows), 'beat')}"
        where = f" {text['address'][first]}" if text["address"][first] else ""
        what = f" = {text['data'][first]}" if text["data"][first] and len(rows) == 1 else ""
        ended = ", ".join(dict.fromkeys(text["ended"][row] for row in rows if text["ended"][row]))
        ending = f", {ended}" if ended else ""
        found.append(
            Band(
                "cycle",
                max(since, start),
                max(min(until, end), max(since, start) + 1),
                (
                    f"{cycle}: {kind}{where}{what}{beats}{ending}",
                    f"{cycle}: {kind}{where}{what}",
                    f"{cycle}: {kind}",
                    f"{cycle}",
                ),
            )
        )
    for row in range(len(table)):
        following = [moment for moment in begins.tolist() if moment > begins[row]]
        moments = sorted(
            (int(moment), at)
            for at, moment in enumerate(table.phases[row].tolist())
            if moment != MISSING
        )
        for place, (moment, at) in enumerate(moments):
            if place + 1 < len(moments):
                until = moments[place + 1][0]
            else:  # the last phase lasts until another beat begins
                until = min((m for m in following if m >= moment), default=end)
            since, until = max(moment, start), min(until, end)
            if since < until:
                found.append(Band("phase", since, until, (bus.phase_names[at],)))
    return tuple(found)


def _breaks(lanes: Sequence[Lane], table: CycleTable, start: int, end: int) -> tuple[Break, ...]:
    """Find the stretches without any change that would take most of the page."""
    moments = {start, end}
    for lane in lanes:
        moments.update(span.start for span in lane.spans)
    moments.update(int(m) for m in table.phases.ravel() if m != MISSING and start <= m <= end)
    times = np.array(sorted(moments), dtype=np.int64)
    lengths = np.diff(times)
    usual = int(np.median(np.maximum(1, table.end - _begins(table))))
    found = []
    for at, length in enumerate(lengths.tolist()):
        others = end - start - length
        if length > _MOST_CYCLES_IDLE * usual or length > _MOST_IDLE * others > 0:
            keep = min(usual, others) // 4
            found.append(Break(int(times[at]) + keep, int(times[at + 1]) - keep))
    return tuple(found)
