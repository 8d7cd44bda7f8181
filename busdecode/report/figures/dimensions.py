"""Measured times as dimensions, and failures as ringed crosses."""

from __future__ import annotations

from math import cos, pi, sin
from typing import TYPE_CHECKING

from busdecode.report.figures.page import BODY, SMALL, packed
from busdecode.report.figures.shapes import ROW
from busdecode.units import format_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.report.figures.figure import Mark, Measure
    from busdecode.report.figures.page import Page

__all__ = ["MARK_ROW", "draw_marks", "draw_measures", "letter_of", "ring"]

MARK_ROW = 14.0
_MEASURE_ROW = 14.0
_RADIUS = 4.2
_HEAD = 5.0
_TAIL = 11.0
_GAP = 4.0
_WORDS = {"met": "met", "broken": "BROKEN", "cannot tell": "cannot tell", None: ""}
_STYLES = {
    "met": "dimension",
    "broken": "dimension broken",
    "cannot tell": "dimension cannot tell",
    None: "dimension",
}


def draw_measures(
    page: Page, measures: Sequence[Measure], from_y: Sequence[float], top: float
) -> float:
    """Draw dimensions below a lane; give where they end below.

    Parameters
    ----------
    page : Page
    measures : sequence of Measure
    from_y : sequence of float
        For each, the y at which its extension lines begin.
    top : float
    """
    placed = [_placed(page, each) for each in measures]
    rows = packed([(left - _GAP, right + _GAP) for left, right, _, _ in placed])
    for measure, (_, _, text, text_x), row, begin in zip(
        measures, placed, rows, from_y, strict=True
    ):
        y = top + _MEASURE_ROW * (row + 0.5)
        _dimension(page, measure, y, begin)
        style = "bold" if measure.outcome == "broken" else "plain"
        label = page.label(text, SMALL, text_x, y - SMALL * ROW / 2, style=style, over=True)
        if measure.outcome == "broken":
            page.layout.box("frame", label.left - 2, label.top, label.right + 2, label.bottom)
        page.used.add(_STYLES[measure.outcome])
    return top + _MEASURE_ROW * (max(rows, default=-1) + 1)


def _placed(page: Page, measure: Measure) -> tuple[float, float, str, float]:
    """Give the stretch that a dimension takes with its text, the text, and where it begins."""
    axis = page.axis
    start, end = sorted((axis.x(measure.start), axis.x(measure.end)))
    time = format_time(measure.end - measure.start)
    limit = page.lettering.plain(measure.limit)
    long = ", ".join(part for part in (time, limit, _WORDS[measure.outcome]) if part)
    key = page.lettering.width
    style = measure.outcome == "broken"
    tail = _TAIL if end - start < 2 * _HEAD + 4 else 0.0
    rooms = (
        (end - start - 2 * (_HEAD + _GAP), "inside"),
        (axis.right - end - tail - _GAP, "right"),
        (start - tail - _GAP - axis.left, "left"),
    )
    text = long
    if all(key(text, SMALL, bold=style) > room for room, _ in rooms):
        short = page.key(long)
        text = time if short is None else f"{time} {short}"
    width = key(text, SMALL, bold=style)
    where = next((where for room, where in rooms if width <= room), max(rooms[1:])[1])
    if where == "inside":
        middle = (start + end) / 2
        return start, end, text, middle - width / 2
    if where == "right":
        begin = end + tail + _GAP
        return start - tail, begin + width, text, begin
    begin = start - tail - _GAP - width
    return begin, end + tail, text, begin


def _dimension(page: Page, measure: Measure, y: float, from_y: float) -> None:
    layout = page.layout
    start, end = sorted((page.axis.x(measure.start), page.axis.x(measure.end)))
    for x in (start, end):
        layout.stroke("extension", (x, from_y), (x, y + 4))
    line = _STYLES[measure.outcome]
    head = "open head" if measure.outcome == "cannot tell" else "head"
    if end - start < 2 * _HEAD + 4:
        layout.stroke(line, (start - _TAIL, y), (start, y))
        layout.stroke(line, (end, y), (end + _TAIL, y))
        tips = ((start, -1.0), (end, 1.0))
    else:
        layout.stroke(line, (start, y), (end, y))
        tips = ((start, 1.0), (end, -1.0))
    for x, way in tips:
        layout.area(head, (x, y), (x + way * _HEAD, y - 1.8), (x + way * _HEAD, y + 1.8))


def letter_of(number: int) -> str:
    """Give the letters of a mark, counted from 0.

    Examples
    --------
    >>> letter_of(0), letter_of(25), letter_of(26)
    ('A', 'Z', 'AA')
    """
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def draw_marks(page: Page, marks: Sequence[tuple[str, Mark]], top: float, tip: float) -> float:
    """Draw marks above a lane whose waveform they point at; give where the waveform may begin.

    Parameters
    ----------
    page : Page
    marks : sequence of (str, Mark)
        With their letters.
    top : float
    tip : float
        How far below the beginning of the waveform they point.
    """
    stretches = []
    for letter, mark in marks:
        x = page.axis.x(mark.moment)
        width = page.lettering.width(letter, BODY, bold=True)
        left = min(x - _RADIUS, page.axis.right - 2 * _RADIUS - width - 3)
        stretches.append((left, left + 2 * _RADIUS + 3 + width + 3))
    rows = packed(stretches)
    bottom = top + MARK_ROW * (max(rows, default=-1) + 1)
    for (letter, mark), (left, _), row in zip(marks, stretches, rows, strict=True):
        y = bottom - MARK_ROW * (row + 0.5)
        x = left + _RADIUS
        page.layout.stroke("stem", (x, y + _RADIUS), (page.axis.x(mark.moment), bottom + tip))
        ring(page, x, y)
        page.label(letter, BODY, x + _RADIUS + 2, y - BODY * ROW / 2, style="bold", over=True)
    return bottom


def ring(page: Page, x: float, y: float) -> None:
    """Draw a ringed cross."""
    turn = [pi * at / 12 for at in range(24)]
    page.layout.area("ring", *((x + _RADIUS * cos(a), y + _RADIUS * sin(a)) for a in turn))
    arm = _RADIUS * 0.6
    page.layout.stroke("cross", (x - arm, y - arm), (x + arm, y + arm))
    page.layout.stroke("cross", (x - arm, y + arm), (x + arm, y - arm))
