"""What stands below a diagram: marks, keys, ways of drawing, notes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.report.figures.dimensions import ring
from busdecode.report.figures.page import BODY, SMALL
from busdecode.report.figures.shapes import ROW
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.report.figures.page import Page

__all__ = ["draw_legend"]

_LINE = 11.0
_SWATCH = 20.0
_BETWEEN = 16.0
_ROUND = 4.2

_MEANINGS = {
    "overbar": "active low",
    "hexadecimal": "values in hexadecimal",
    "change": "changes too quickly to be drawn",
    "not known": "not known",
    "released": "released",
    "not captured": "not captured",
    "meant": "meant",
    "dimension broken": "limit broken",
    "dimension cannot tell": "cannot tell",
}


def draw_legend(
    page: Page,
    left: float,
    right: float,
    top: float,
    marks: Sequence[tuple[str, str]],
    notes: Sequence[str],
) -> float:
    """Draw the legend; give where it ends below.

    Parameters
    ----------
    page : Page
    left, right, top : float
    marks : sequence of (str, str)
        Letter and sentence of each.
    notes : sequence of str
    """
    for letter, text in marks:
        ring(page, left + _ROUND, top + BODY * ROW / 2)
        begin = page.label(letter, BODY, left + 2 * _ROUND + 3, top, style="bold").right + 6
        for row in page.lettering.wrapped(text, BODY, right - begin):
            page.label(row, BODY, begin, top)
            top += _LINE
    top += 3 * bool(marks)
    top = _meanings(page, left, right, top)
    top = _keys(page, left, right, top)
    narrow = [
        f"{what}: {counted(count, 'label')} without room" for what, count in page.narrow.items()
    ]
    told = (*page.layout.told, *page.lettering.told, *narrow)
    page.layout.told = list(dict.fromkeys(told))
    for note in dict.fromkeys((*notes, *told)):
        for row in page.lettering.wrapped(note, SMALL, right - left):
            page.label(row, SMALL, left, top)
            top += _LINE - 1
    return top


def _meanings(page: Page, left: float, right: float, top: float) -> float:
    x = left
    for name, meaning in _MEANINGS.items():
        if name not in page.used:
            continue
        swatch = 0.0 if name == "hexadecimal" else _SWATCH
        width = page.lettering.width(meaning, SMALL) + swatch
        if x > left and x + width > right:
            x, top = left, top + _LINE
        _swatch(page, name, x, top)
        page.label(meaning, SMALL, x + swatch, top)
        x += width + _BETWEEN
    return top + _LINE * (x > left)


def _swatch(page: Page, name: str, x: float, top: float) -> None:
    layout = page.layout
    high, low, end = top + 1.5, top + SMALL * ROW - 1.5, x + _SWATCH - 5
    middle, middle_x = (high + low) / 2, x + (_SWATCH - 5) / 2
    if name == "overbar":
        letter = page.label("N", SMALL, middle_x, top, at="middle")
        layout.stroke("overbar", (letter.left, top + 0.8), (letter.right, top + 0.8))
    elif name in ("change", "not known"):
        layout.box(name, x, high, end, low)
    elif name != "hexadecimal":
        layout.stroke(name, (x, middle), (end, middle))


def _keys(page: Page, left: float, right: float, top: float) -> float:
    x = left
    for text, key in page.keys.items():
        whole = f"{key} {text}"
        width = page.lettering.width(whole, SMALL)
        if x > left and x + width > right:
            x, top = left, top + _LINE
        if width <= right - left:
            page.label(whole, SMALL, x, top)
            x += width + _BETWEEN
            continue
        for row in page.lettering.wrapped(whole, SMALL, right - left):
            page.label(row, SMALL, left, top)
            top += _LINE
        x = left
    return top + _LINE * (x > left)
