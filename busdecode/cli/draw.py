"""``busdecode draw``: cycles as a timing diagram."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Self, Unpack

import click

from busdecode.cli.options import (
    FILE,
    bus_option,
    capture_options,
    json_option,
    offset_of,
    opened,
    overwrite_option,
)
from busdecode.cli.output import check_outputs, writing
from busdecode.cli.progress import Pace, showing_progress
from busdecode.cli.taught import Taught
from busdecode.errors import RequestError, nearest, quoted
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from busdecode.access import AccessLog
    from busdecode.capture import Binding, Capture, CaptureFile, Options
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus
    from busdecode.report.figures import Figure, LaneChoice, MeantValue, Measure, Wrong
    from busdecode.timing import Figures

__all__ = ["command"]

_MOST_CYCLES = 50
_RANGE = re.compile(r"([0-9]+)\s*\.\.\s*([0-9]+)")


def _cycles(text: str) -> tuple[int, int]:
    match = _RANGE.fullmatch(text.strip())
    if match is None:
        raise click.BadParameter(f"cycles must be such as 10..12, not {text!r}")
    first, last = int(match[1]), int(match[2])
    if last < first:
        raise click.BadParameter(f"cycles must begin with the lower number, not {text!r}")
    if last - first >= _MOST_CYCLES:
        raise click.BadParameter(
            f"a picture has room for {_MOST_CYCLES} cycles, not {last - first + 1}"
        )
    return first, last


def _names(text: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in text.split(",") if name.strip())


@click.command(
    "draw",
    cls=Taught,
    help="""Draw cycles as a timing diagram, in the manner of data sheets: one lane a line, bundles
    as one lane with their values, phases as bands above. The ending of the output's name tells
    the form: SVG, PNG or PDF.

    With a capture its cycles are drawn; with --log what was meant is drawn beside what was seen,
    and each wrong line is marked by a ringed cross and a letter. Without a capture the cycles
    are made from the description, every delay at the middle of its range: what a healthy cycle
    looks like.""",
    example="""
    busdecode draw board.vcd --bus mc68000 --cycle 12 --lines AS,UDS,DTACK,D -o 12.svg
    Draws cycle 12 of board.vcd, counted as decode counts them, with three lines and the data.
    """,
    statuses={
        0: "the picture was written; whatever it shows, draw passes no verdict",
        2: "a file or an option could not be used",
    },
)
@click.argument("capture_path", metavar="[CAPTURE]", type=FILE, required=False)
@bus_option
@click.option(
    "-o",
    "--output",
    type=FILE,
    metavar="FILE.svg|png|pdf",
    required=True,
    help="The picture to write.",
)
@click.option("--cycle", type=click.IntRange(min=0), metavar="N", help="Draw this cycle.")
@click.option(
    "--cycles", type=_cycles, metavar="A..B", help="Draw these cycles, both ends among them."
)
@click.option(
    "--kind",
    metavar="KIND",
    help="Draw the first cycle of this kind; without a capture, the ideal one.",
)
@click.option(
    "--lines",
    type=_names,
    metavar="NAMES",
    help="Draw these lines, bundles (D) or parts of bundles (D[7:0]), in this order; names with "
    "commas between.",
)
@click.option(
    "--log",
    "log_path",
    type=FILE,
    metavar="LOG",
    help="Access log, as compare takes it: draws what was meant, and marks what is wrong. "
    "Without a cycle named, the first that fails is drawn.",
)
@click.option("--log-pattern", metavar="PATTERN", help="As compare takes it.")
@click.option("--address-offset", type=offset_of, metavar="N", help="As compare takes it.")
@click.option(
    "--measure",
    type=_names,
    metavar="NUMBERS",
    help="Draw these limits as dimensions; or all, or broken (the default with a capture), or "
    "none.",
)
@click.option("--grade", metavar="NAME", help="Speed grade of the limits, as replay takes it.")
@click.option("--place", metavar="PLACE", help="Where probed: host, card or a slot's name.")
@capture_options
@json_option
@overwrite_option
def command(
    capture_path: Path | None,
    bus_name: str,
    output: Path,
    cycle: int | None,
    cycles: tuple[int, int] | None,
    kind: str | None,
    lines: tuple[str, ...] | None,
    log_path: Path | None,
    log_pattern: str | None,
    address_offset: int | None,
    measure: tuple[str, ...] | None,
    grade: str | None,
    place: str | None,
    probes_path: Path | None,
    only: tuple[str, ...] | None,
    as_json: bool,
    overwrite: bool,
    **told: Unpack[Options],
) -> int:
    """Draw, and tell what was drawn."""
    given = [
        name
        for name, value in (("--cycle", cycle), ("--cycles", cycles), ("--kind", kind))
        if value is not None
    ]
    if len(given) > 1:
        raise RequestError(f"{given[0]} and {given[1]} contradict each other", action="give one")
    if capture_path is None:
        _check_no_capture(
            **{
                "--cycle": cycle, "--cycles": cycles, "--log": log_path, "--place": place,
                "--probes": probes_path, "--only": only,
            }
        )  # fmt: skip
    if log_path is None and (log_pattern is not None or address_offset is not None):
        raise RequestError("--log-pattern and --address-offset are for a log", action="give --log")
    inputs = [capture_path, probes_path, log_path, told.get("layout")]
    check_outputs([output], overwrite=overwrite, inputs=inputs)

    # Imported here, so that help need not wait for them.
    from busdecode.access import read_log, read_pattern
    from busdecode.capture import read_probes
    from busdecode.cycles import bind
    from busdecode.protocol import load_bus
    from busdecode.report import check_matplotlib, picture_form
    from busdecode.report.figures import draw, lanes_of

    form = picture_form(output)
    check_matplotlib()
    bus = load_bus(bus_name)
    lanes = None if lines is None else lanes_of(bus, lines)
    wanted = _Wanted.of(bus, measure, grade, is_capture=capture_path is not None)
    if kind is not None:
        _check_kind(bus, kind)
    if capture_path is None:
        figure = _ideal(bus, kind, lanes, wanted)
    else:
        probes = None if probes_path is None else read_probes(probes_path)
        pattern = None if log_pattern is None else read_pattern(log_pattern)
        log = None if log_path is None else read_log(log_path, pattern)
        span = (cycle, cycle) if cycle is not None else cycles
        with showing_progress(str(capture_path)) as show:
            capture = opened(capture_path, only, told)
            binding = bind(capture.lines, bus, probes, place)
            run = _Run(capture, bus, binding, place or binding.places[0], show, wanted)
            offset = address_offset or 0
            if log is None:
                figure = run.plain(span, kind, lanes)
            else:
                figure = run.compared(span, kind, lanes, log, offset)
    with writing(output, overwrite=overwrite) as stream:
        notes = (*figure.notes, *draw(figure, stream.buffer, form))
    drawn = f"{figure.title}, {counted(len(figure.lanes), 'lane')}"
    if as_json:
        marks = [mark.text for mark in figure.marks]
        about: dict[str, object] = {"output": str(output), "title": figure.title}
        measures = [
            {
                "from_ps": each.start,
                "to_ps": each.end,
                "limit": each.limit,
                "outcome": each.outcome,
                "lanes": list(each.lanes),
            }
            for each in figure.measures
        ]
        about |= {"lanes": [lane.name for lane in figure.lanes], "marks": marks}
        about |= {"measures": measures, "notes": notes}
        print(json.dumps(about, indent=2))
    else:
        print("\n".join([f"{output}: {drawn}", "notes:", *(f"  {note}" for note in notes)]))
    return 0


def _check_no_capture(**given: object) -> None:
    for option, value in given.items():
        if value is not None:
            raise RequestError(
                f"{option} is for a capture, and none was named",
                action="name the capture, or leave the option out",
            )


def _check_kind(bus: Bus, kind: str) -> None:
    names = [each.name for each in bus.kinds]
    if kind not in names:
        near = nearest(kind, names)
        raise RequestError(
            f"{bus.name} has no kind {quoted(kind)}",
            expected=f"one of {', '.join(names)}",
            action=f"did you mean {near}?" if near else None,
        )


@dataclass(frozen=True)
class _Wanted:
    """Which limits are drawn as dimensions, and their figures; None where there are none."""

    figures: Figures | None
    numbers: tuple[str, ...] | Literal["broken", "all"]

    @classmethod
    def of(
        cls, bus: Bus, measure: tuple[str, ...] | None, grade: str | None, *, is_capture: bool
    ) -> Self:
        from busdecode.timing import Figures

        if measure is None:
            measure = ("broken",) if is_capture and bus.limits else ("none",)
        if measure == ("none",):
            return cls(None, ())
        figures = Figures.of(bus, grade)
        if measure == ("broken",):
            return cls(figures, "broken")
        if measure == ("all",):
            return cls(figures, "all")
        known = [limit.number for limit in bus.limits]
        for number in measure:
            if number not in known:
                near = nearest(number, known)
                raise RequestError(
                    f"{bus.name} has no limit {quoted(number)}",
                    expected=f"all, broken, none, or some of {', '.join(known)}",
                    action=f"did you mean {near}?" if near else None,
                )
        return cls(figures, measure)

    def measures(
        self,
        capture: Capture,
        table: CycleTable,
        lanes: tuple[LaneChoice, ...] | None,
        skew: int = 0,
    ) -> tuple[list[Measure], list[str]]:
        """Measure the limits in the beats that are drawn."""
        from busdecode.report.figures import lanes_of, measures_of
        from busdecode.timing import measured_beats

        if self.figures is None:
            return [], []
        drawn = lanes_of(table.bus, None, capture.lines) if lanes is None else lanes
        found = measured_beats(capture, self.figures, set(table.start.tolist()), skew=skew)
        return measures_of(self.figures, found, drawn, self.numbers)


def _ideal(
    bus: Bus, kind: str | None, lanes: tuple[LaneChoice, ...] | None, wanted: _Wanted
) -> Figure:
    from busdecode.cycles import ideal_cycles
    from busdecode.report.figures import figure_of

    capture, table = ideal_cycles(bus, None if kind is None else [kind])
    still = {
        line.name
        for line in bus.lines
        if line.optional and len(set(capture.levels(line.name).tolist())) == 1
    }
    capture = capture.select([line for line in capture.lines if line not in still])
    cycles = "one cycle of each kind" if kind is None else f"a {kind} cycle"
    left_out = [f"left out, since they stand still: {', '.join(sorted(still))}"] if still else []
    drawn = table.take(table.kind >= 0)
    measures, told = wanted.measures(capture, drawn, lanes)
    return figure_of(
        capture,
        drawn,
        title=f"{bus.title}: {cycles}",
        about="made from the description, every delay at the middle of its range; not measured",
        lanes=lanes,
        measures=measures,
        notes=[*left_out, *told],
        is_measured=False,
    )


@dataclass
class _Run:
    """One capture at one place, read as often as needed."""

    capture: CaptureFile
    bus: Bus
    binding: Binding
    place: str
    show: Callable[[str], None]
    wanted: _Wanted

    def plain(
        self,
        span: tuple[int, int] | None,
        kind: str | None,
        lanes: tuple[LaneChoice, ...] | None,
    ) -> Figure:
        """Draw cycles by themselves; the file is read no further than needed."""
        self.capture.only(self.binding.channels_at(self.place, self.bus.row_order))
        table = self._found(span, kind)
        return self._figure(table, lanes, (), (), ())

    def _found(self, span: tuple[int, int] | None, kind: str | None) -> CycleTable:
        """Give the rows of the cycles asked for."""
        from busdecode.cycles import concatenate

        kept: list[CycleTable] = []
        seen = -1
        for table in self._tables():
            if not len(table):
                continue
            seen = max(seen, int(table.cycle.max()))
            if span is None:
                span = self._first(table, kind)
                if span is None:
                    continue
            kept.append(table.take((table.cycle >= span[0]) & (table.cycle <= span[1])))
            if int(table.cycle.min()) > span[1]:
                break
        found = concatenate(self.bus, kept)
        self._check_found(span, kind, found, seen)
        return found

    def _first(self, table: CycleTable, kind: str | None) -> tuple[int, int] | None:
        """Give the first whole cycle of a table, of a kind if one is asked for."""
        names = table.kind_names()
        whole = table.kind >= 0 if kind is None else names == kind
        if not whole.any():
            return None
        cycle = int(table.cycle[whole.argmax()])
        return cycle, cycle

    def _check_found(
        self, span: tuple[int, int] | None, kind: str | None, found: CycleTable, seen: int
    ) -> None:
        if len(found) and span is not None and (span[0] == span[1] or seen >= span[1]):
            return
        path = self.capture.source.name
        if span is None:
            what = "whole cycle" if kind is None else f"{kind} cycle"
            raise RequestError(f"there is no {what} in the capture", path=path)
        if self.capture.cut is not None:
            raise self.capture.cut
        raise RequestError(
            f"there is no cycle {max(span[0], seen + 1)} in the capture",
            path=path,
            expected=f"a cycle from 0 to {seen}" if seen >= 0 else "a capture with cycles",
            action="list the cycles with busdecode decode",
        )

    def _tables(self) -> Iterator[CycleTable]:
        from busdecode.cycles import stream_tables

        pace = Pace(self.capture.source)
        chunks = self.capture.chunks()
        for table, _ in stream_tables(chunks, self.bus, self.binding, self.place):
            self.show(f"{pace}")
            yield table

    def _rows(self, since: int, until: int) -> Capture:
        """Read the rows around the cycles once more, and no further."""
        from busdecode.capture import bind_capture, join

        kept: list[Capture] = []
        for chunk in self.capture.chunks():
            bound = bind_capture(chunk, self.binding, self.place, self.bus.line_names)
            first = max(0, int(bound.times.searchsorted(since, "right")) - 1)
            beyond = int(bound.times.searchsorted(until, "right"))
            if bound.end > since and beyond > first:
                kept.append(bound.rows(first, beyond))
            if bound.end > until:
                break
        return join(kept)

    def _figure(
        self,
        table: CycleTable,
        lanes: tuple[LaneChoice, ...] | None,
        wrong: tuple[Wrong, ...],
        meant: tuple[MeantValue, ...],
        notes: tuple[str, ...],
    ) -> Figure:
        from busdecode.capture import largest_skew
        from busdecode.cycles import binding_notes
        from busdecode.report.figures import figure_of, reach_of
        from busdecode.units import format_time

        since, until = reach_of(table)
        capture = self._rows(since - (until - since), 2 * until - since)
        skew = largest_skew(self.binding, self.place, capture.lines)
        measures, told = self.wanted.measures(capture, table, lanes, skew)
        first, last = int(table.cycle.min()), int(table.cycle.max())
        which = f"cycle {first}" if first == last else f"cycles {first} to {last}"
        how = "inferred from its times" if capture.resolution_inferred else "as told"
        uncertain = f"times are uncertain by {format_time(capture.resolution)}, {how}"
        return figure_of(
            capture,
            table,
            title=f"{self.capture.source.name}: {which} at {self.place}",
            about=self.bus.title,
            lanes=lanes,
            measures=measures,
            wrong=wrong,
            meant=meant,
            notes=(uncertain, *notes, *told, *binding_notes(self.binding)),
        )

    def compared(
        self,
        span: tuple[int, int] | None,
        kind: str | None,
        lanes: tuple[LaneChoice, ...] | None,
        log: AccessLog,
        offset: int,
    ) -> Figure:
        """Draw cycles with what was meant by a log; of none asked for, the first that fails."""
        from busdecode.compare import compare_file
        from busdecode.cycles import concatenate
        from busdecode.report.figures import Judged

        self.capture.only(tuple(bound.channel for bound in self.binding.channels))
        result = compare_file(self.capture, self.bus, self.binding, log, offset=offset)
        whole = concatenate(self.bus, list(self._tables()))
        # The findings speak of the cycles of the place that was bound first.
        is_first = self.place == self.binding.places[0]
        findings = result.findings if is_first else ()
        if span is None and kind is None:
            if not findings or not findings[0].beats:
                raise RequestError(
                    "nothing was found to fail"
                    if is_first
                    else f"findings are those of another place, {self.binding.places[0]}",
                    path=self.capture.source.name,
                    action="name a cycle with --cycle",
                )
            cycle = int(whole.cycle[findings[0].beats[0]])
            span = cycle, cycle
        elif span is None:
            span = self._first(whole, kind)
        seen = int(whole.cycle.max(initial=-1))
        low, high = span or (0, -1)
        rows = ((whole.cycle >= low) & (whole.cycle <= high)).nonzero()[0]
        self._check_found(span, kind, whole.take(rows), seen)
        captured = tuple(self.binding.at(self.place))
        judged = Judged.of(whole, log, findings, captured, offset=offset)
        wrong, meant, notes = judged.wrong_in(rows.tolist())
        notes += () if result.cannot_tell is None else (result.cannot_tell,)
        notes += () if result.doubt is None else (result.doubt,)
        return self._figure(whole.take(rows), lanes, wrong, meant, notes)
