"""Lanes: waveforms of lines, and bundles as chains of hexagons."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.report.figures.page import SMALL
from busdecode.report.figures.shapes import ROW

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from busdecode.report.figures.figure import Span
    from busdecode.report.figures.page import Page

__all__ = ["draw_spans"]

_SLOPE = 1.4
_TIP = 3.0
_NARROW = 4.0
"""Values of a bundle that last for fewer points are drawn as one stretch of change."""


def draw_spans(
    page: Page, spans: Sequence[Span], top: float, height: float, what: str, *, is_meant: bool
) -> None:
    """Draw what a lane shows between `top` and `top + height`.

    `what` names the lane where values have no room for a label.
    """
    levels: list[Span] = []
    values: list[Span] = []
    for span in spans:
        if span.shows in ("low", "high"):
            _chain(page, values, top, height, what, is_meant=is_meant)
            levels.append(span)
        elif span.shows == "value":
            _steps(page, levels, top, height, is_meant=is_meant)
            values.append(span)
        else:
            _steps(page, levels, top, height, is_meant=is_meant)
            _chain(page, values, top, height, what, is_meant=is_meant)
            _other(page, span, top, height)
    _steps(page, levels, top, height, is_meant=is_meant)
    _chain(page, values, top, height, what, is_meant=is_meant)


def _runs(spans: list[Span]) -> Iterator[list[Span]]:
    """Cut spans where one does not begin as the one before ends, and empty the list."""
    run: list[Span] = []
    for span in spans:
        if run and run[-1].end != span.start:
            yield run
            run = []
        run.append(span)
    if run:
        yield run
    spans.clear()


def _steps(page: Page, spans: list[Span], top: float, height: float, *, is_meant: bool) -> None:
    """Draw levels as one line with slanting edges."""
    x = page.axis.x
    for run in _runs(spans):
        points = []
        for at, span in enumerate(run):
            y = top if span.shows == "high" else top + height
            left, right = x(span.start), x(span.end)
            slope = min(_SLOPE, (right - left) / 3)
            points.append((left + slope * (at > 0), y))
            points.append((right - slope * (at < len(run) - 1), y))
        page.layout.stroke("meant" if is_meant else "wave", *points)


def _chain(
    page: Page, spans: list[Span], top: float, height: float, what: str, *, is_meant: bool
) -> None:
    """Draw values as hexagons; those too short to be told apart as one stretch of change."""
    x = page.axis.x
    for run in _runs(spans):
        narrow: list[Span] = []
        for span in run:
            if x(span.end) - x(span.start) < _NARROW:
                narrow.append(span)
                continue
            _change(page, narrow, top, height, what)
            _hexagon(page, span, top, height, what, is_meant=is_meant)
        _change(page, narrow, top, height, what)


def _change(page: Page, spans: list[Span], top: float, height: float, what: str) -> None:
    if not spans:
        return
    left, right = page.axis.x(spans[0].start), page.axis.x(spans[-1].end)
    middle = top + height / 2
    tip = min(_TIP, (right - left) / 2)
    page.layout.area(
        "change",
        (left, middle), (left + tip, top), (right - tip, top),
        (right, middle), (right - tip, top + height), (left + tip, top + height),
    )  # fmt: skip
    page.used.add("change")
    page.narrow[what] = page.narrow.get(what, 0) + len(spans)
    spans.clear()


def _hexagon(
    page: Page, span: Span, top: float, height: float, what: str, *, is_meant: bool
) -> None:
    left, right = page.axis.x(span.start), page.axis.x(span.end)
    middle, bottom = top + height / 2, top + height
    page.layout.area(
        "meant value" if is_meant else "value",
        (left, middle), (left + _TIP, top), (right - _TIP, top),
        (right, middle), (right - _TIP, bottom), (left + _TIP, bottom),
    )  # fmt: skip
    if not span.text:
        return
    clear_left, clear_right = page.clear(left + _TIP / 2, right - _TIP / 2)
    text = page.fitting([page.lettering.plain(span.text)], SMALL, clear_right - clear_left, what)
    if text is not None:
        page.label(
            text,
            SMALL,
            (clear_left + clear_right) / 2,
            middle - SMALL * ROW / 2,
            at="middle",
            style="slanted" if is_meant else "plain",
        )


def _other(page: Page, span: Span, top: float, height: float) -> None:
    left, right = page.axis.x(span.start), page.axis.x(span.end)
    middle = top + height / 2
    if span.shows == "not known":
        page.layout.box("not known", left, top, right, top + height)
        page.used.add("not known")
        return
    page.layout.stroke(span.shows, (left, middle), (right, middle))
    page.used.add(span.shows)
    if span.shows == "not captured":
        clear_left, clear_right = page.clear(left, right)
        if page.lettering.width(span.shows, SMALL) <= clear_right - clear_left - 8:
            page.label(
                span.shows,
                SMALL,
                (clear_left + clear_right) / 2,
                middle - SMALL * ROW / 2,
                at="middle",
                style="slanted",
                over=True,
            )
