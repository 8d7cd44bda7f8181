"""A figure's values to places on a page: nothing overlaps, nothing vanishes unsaid."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.report.figures.axis import axis_of
from busdecode.report.figures.dimensions import draw_marks, draw_measures, letter_of
from busdecode.report.figures.legend import draw_legend
from busdecode.report.figures.lettering import Lettering
from busdecode.report.figures.page import BODY, SMALL, Page, packed
from busdecode.report.figures.shapes import ROW, Layout
from busdecode.report.figures.waves import draw_spans
from busdecode.units import format_time

if TYPE_CHECKING:
    from busdecode.report.figures.figure import Band, Figure, Lane, Mark
    from busdecode.report.figures.lettering import Face

__all__ = ["lay_out"]

_MARGIN = 14.0
_TITLE = 11.0
_NAMES = 110.0
_ONE_CYCLE = 560.0
_FURTHER_CYCLE = 170.0
_WIDEST = 2100.0
_BAND_ROW = 13.0
_WAVE = 11.0
_MEANT_WAVE = 10.0
_LANE_GAP = 7.0
_MANY_LANES = 24
_TICK = 3.5


def lay_out(figure: Figure, face: Face) -> Layout:
    """Place everything that a figure shows.

    Parameters
    ----------
    figure : Figure
    face : Face
        Tells how wide text is.

    Returns
    -------
    Layout
        No two of its labels overlap.
    """
    return _Laying(figure, face).layout


class _Laying:
    """One laying out, from top to bottom; `y` is how far it has come."""

    def __init__(self, figure: Figure, face: Face) -> None:
        self.figure = figure
        self.lettering = Lettering(face)
        self.names = {lane.name: self._name(lane) for lane in figure.lanes}
        self.ranks = list(dict.fromkeys(band.rank for band in figure.bands))
        cycles = sum(band.rank == self.ranks[0] for band in figure.bands) if self.ranks else 1
        column = max(
            self.lettering.width(text, BODY)
            for text in (*self.names.values(), *self.ranks, "meant", "")
        )
        left = _MARGIN + column + 8
        wide = min(_WIDEST, _ONE_CYCLE + _FURTHER_CYCLE * max(0, cycles - 1))
        self.left, self.right = left, left + wide
        self.layout = Layout(self.right + _MARGIN)
        self.page = Page(self.layout, self.lettering, axis_of(figure, left, self.right))
        self.layout.told += [
            f"shortened: {shown} is {whole}"
            for lane in figure.lanes
            if (shown := self.names[lane.name]) != (whole := self.lettering.plain(lane.name))
        ]
        self.y = _MARGIN
        self._heading()
        self._bands()
        self.waves_top = self.y
        self._lanes()
        self._boundaries()
        self._axis()
        self._breaks()
        self.y = draw_legend(
            self.page,
            _MARGIN,
            self.right,
            self.y + 6,
            [
                (letter_of(at), self.lettering.plain(mark.text))
                for at, mark in enumerate(figure.marks)
            ],
            [self.lettering.plain(note) for note in figure.notes],
        )
        self.layout.height = self.y + _MARGIN

    def _name(self, lane: Lane) -> str:
        return self.lettering.cut(self.lettering.plain(lane.name), BODY, _NAMES)

    def _heading(self) -> None:
        room = self.right - _MARGIN
        for text, size, style in (
            (self.figure.title, _TITLE, "bold"),
            (self.figure.about, BODY, "plain"),
        ):
            whole = self.lettering.plain(text)
            shown = self.lettering.cut(whole, size, room, bold=style == "bold")
            if shown != whole:
                self.layout.told.append(f"shortened: {shown} is {whole}")
            if shown:
                self.page.label(shown, size, _MARGIN, self.y, style=style)
                self.y += size * ROW + 1
        self.y += 5

    def _bands(self) -> None:
        x = self.page.axis.x
        for rank in self.ranks:
            bands = [band for band in self.figure.bands if band.rank == rank]
            rows = packed([(x(band.start), x(band.end)) for band in bands])
            middle = self.y + _BAND_ROW * (max(rows) + 1) / 2
            self.page.label(
                rank, SMALL, self.left - 8, middle - SMALL * ROW / 2, at="right", style="slanted"
            )
            for band, row in zip(bands, rows, strict=True):
                self._band(band, self.y + row * _BAND_ROW)
            self.y += _BAND_ROW * (max(rows) + 1) + 2
        self.y += 5 * bool(self.ranks)

    def _band(self, band: Band, top: float) -> None:
        left, right = self.page.axis.x(band.start), self.page.axis.x(band.end)
        style = "first band" if band.rank == self.ranks[0] else "band"
        self.layout.box(style, left, top, right, top + _BAND_ROW)
        clear = self.page.clear(left, right)
        names = [self.lettering.plain(name) for name in band.names]
        text = self.page.fitting(names, SMALL, clear[1] - clear[0], f"{band.rank}s")
        if text is not None:
            middle = top + (_BAND_ROW - SMALL * ROW) / 2
            self.page.label(text, SMALL, (clear[0] + clear[1]) / 2, middle, at="middle")

    def _lanes(self) -> None:
        order = {lane.name: at for at, lane in enumerate(self.figure.lanes)}
        marks: dict[str, list[tuple[str, Mark]]] = {}
        for at, mark in enumerate(self.figure.marks):
            marks.setdefault(mark.lane, []).append((letter_of(at), mark))
        gap = _LANE_GAP if len(order) <= _MANY_LANES else _LANE_GAP - 2
        tops: dict[str, float] = {}
        for lane in self.figure.lanes:
            self.y = draw_marks(self.page, marks.get(lane.name, []), self.y, _WAVE / 4)
            tops[lane.name] = self.y
            self._wave(lane)
            below = [
                measure
                for measure in self.figure.measures
                if max(measure.lanes, key=order.__getitem__) == lane.name
            ]
            begins = [
                tops[min(measure.lanes, key=order.__getitem__)] + _WAVE / 2 for measure in below
            ]
            self.y = draw_measures(self.page, below, begins, self.y + 2 * bool(below)) + gap

    def _wave(self, lane: Lane) -> None:
        page, shown = self.page, self.names[lane.name]
        top = self.y + _WAVE / 2 - BODY * ROW / 2
        label = page.label(shown, BODY, self.left - 8, top, at="right")
        if lane.active_low:
            # Of a name for two meanings, such as R/W, the low level means the last one.
            before = shown.rpartition("/")[0]
            skipped = self.lettering.width(f"{before}/", BODY) if before else 0.0
            self.layout.stroke("overbar", (label.left + skipped, top + 1), (label.right, top + 1))
            page.used.add("overbar")
        if any(span.shows == "value" for span in lane.spans):
            page.used.add("hexadecimal")
        draw_spans(page, lane.spans, self.y, _WAVE, f"values of {shown}", is_meant=False)
        levels = [span for span in lane.meant if span.shows in ("low", "high")]
        draw_spans(page, levels, self.y, _WAVE, "", is_meant=True)
        if lane.meant:
            page.used.add("meant")
        self.y += _WAVE
        values = [span for span in lane.meant if span not in levels]
        if values:
            self.y += 3
            top = self.y + _MEANT_WAVE / 2 - SMALL * ROW / 2
            page.label("meant", SMALL, self.left - 8, top, at="right", style="slanted")
            what = f"meant values of {shown}"
            draw_spans(page, values, self.y, _MEANT_WAVE, what, is_meant=True)
            self.y += _MEANT_WAVE

    def _boundaries(self) -> None:
        last = self.ranks[-1] if self.ranks else None
        for moment in sorted({band.start for band in self.figure.bands if band.rank == last}):
            x = self.page.axis.x(moment)
            self.layout.stroke("boundary", (x, self.waves_top - 6), (x, self.y))

    def _axis(self) -> None:
        page, figure = self.page, self.figure
        for _, _, left, right in page.axis.pieces:
            self.layout.stroke("axis", (left, self.y), (right, self.y))
        widest = max(
            self.lettering.width(format_time(moment - figure.zero), SMALL)
            for moment in (figure.start, figure.end, (figure.start + figure.end) // 2)
        )
        top = self.y + _TICK + 1
        beyond = 0.0
        for moment, x in page.axis.ticks(figure.zero, widest + 14):
            text = format_time(moment - figure.zero)
            half = self.lettering.width(text, SMALL) / 2
            if x - half < beyond or x + half > self.layout.width:
                continue
            self.layout.stroke("axis", (x, self.y), (x, self.y + _TICK))
            beyond = page.label(text, SMALL, x, top, at="middle").right + 4
        self.axis_y = self.y
        self.y = top + SMALL * ROW

    def _breaks(self) -> None:
        page = self.page
        beyond, row = self.left, False
        for each, left, right in page.axis.breaks:
            top, bottom, middle = self.waves_top - 3, self.axis_y + 2, (left + right) / 2
            edges = [_zigzag(x, top, bottom) for x in (middle - 4, middle + 4)]
            self.layout.area("break", *edges[0], *reversed(edges[1]))
            for edge in edges:
                self.layout.stroke("break edge", *edge)
            text = f"{format_time(each.end - each.start)} left out"
            half = self.lettering.width(text, SMALL) / 2
            if middle - half < beyond or middle + half > self.layout.width:
                text = page.key(text) or ""
                half = self.lettering.width(text, SMALL) / 2
            if text and middle - half >= beyond:
                beyond = page.label(text, SMALL, middle, self.y + 1, at="middle").right + 4
                row = True
            else:
                page.narrow["times left out"] = page.narrow.get("times left out", 0) + 1
        self.y += (SMALL * ROW + 1) * row


def _zigzag(x: float, top: float, bottom: float) -> list[tuple[float, float]]:
    count = max(2, round((bottom - top) / 6))
    step = (bottom - top) / count
    return [(x + (1.5 if at % 2 else -1.5), top + at * step) for at in range(count + 1)]
