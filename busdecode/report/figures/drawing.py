"""A layout to a picture: SVG, PNG or PDF."""

from __future__ import annotations

from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any

from busdecode.report.figures.layout import lay_out
from busdecode.report.figures.shapes import ABOVE
from busdecode.report.pictures import check_matplotlib, saved

if TYPE_CHECKING:
    from typing import BinaryIO

    from matplotlib.figure import Figure as Canvas
    from matplotlib.text import Text

    from busdecode.report.figures.figure import Figure
    from busdecode.report.figures.shapes import Layout

__all__ = ["TextFace", "draw", "draw_layout"]

_INCH = 72.0
_INK = "#1a1a1a"
_FAINT = "#9a9a9a"
_FAILURE = "#b3261e"
_SPARE = 1.02
"""Text is drawn a little wider than measured where the letters are fitted to dots."""

_STROKES: dict[str, dict[str, Any]] = {
    "wave": {"color": _INK, "linewidth": 1.0, "zorder": 4},
    "meant": {"color": _INK, "linewidth": 0.9, "linestyle": (0, (4, 2)), "zorder": 4},
    "released": {"color": _INK, "linewidth": 0.8, "linestyle": (0, (7, 3)), "zorder": 4},
    "not captured": {"color": _FAINT, "linewidth": 0.8, "linestyle": (0, (1, 2)), "zorder": 4},
    "overbar": {"color": _INK, "linewidth": 0.8, "zorder": 4},
    "boundary": {"color": _FAINT, "linewidth": 0.5, "linestyle": (0, (1, 3)), "zorder": 1},
    "axis": {"color": _INK, "linewidth": 0.8, "zorder": 3},
    "break edge": {"color": _INK, "linewidth": 0.6, "zorder": 7},
    "extension": {"color": _FAINT, "linewidth": 0.5, "zorder": 2},
    "dimension": {"color": _INK, "linewidth": 0.7, "zorder": 4},
    "dimension broken": {"color": _FAILURE, "linewidth": 1.8, "zorder": 4},
    "dimension cannot tell": {
        "color": _INK, "linewidth": 0.7, "linestyle": (0, (3, 2)), "zorder": 4,
    },
    "stem": {"color": _FAILURE, "linewidth": 0.9, "zorder": 5},
    "cross": {"color": _FAILURE, "linewidth": 1.3, "zorder": 9},
}  # fmt: skip

_AREAS: dict[str, dict[str, Any]] = {
    "value": {"facecolor": "white", "edgecolor": _INK, "linewidth": 0.9, "zorder": 3},
    "meant value": {
        "facecolor": "white", "edgecolor": _INK, "linewidth": 0.8, "linestyle": (0, (4, 2)),
        "zorder": 3,
    },
    "change": {"facecolor": "#c8c8c8", "edgecolor": _INK, "linewidth": 0.6, "zorder": 3},
    "not known": {
        "facecolor": "white", "edgecolor": _INK, "linewidth": 0.6, "hatch": "//////", "zorder": 3,
    },
    "first band": {"facecolor": "#e6e6e6", "edgecolor": _INK, "linewidth": 0.6, "zorder": 2},
    "band": {"facecolor": "white", "edgecolor": _INK, "linewidth": 0.5, "zorder": 2},
    "break": {"facecolor": "white", "edgecolor": "none", "zorder": 6},
    "frame": {"facecolor": "none", "edgecolor": _FAILURE, "linewidth": 0.9, "zorder": 9},
    "head": {"facecolor": _INK, "edgecolor": "none", "zorder": 5},
    "open head": {"facecolor": "white", "edgecolor": _INK, "linewidth": 0.6, "zorder": 5},
    "ring": {"facecolor": "white", "edgecolor": _FAILURE, "linewidth": 1.3, "zorder": 8},
}  # fmt: skip


@cache
def _font(size: float, *, bold: bool, slanted: bool) -> Any:
    from matplotlib.font_manager import FontProperties

    return FontProperties(
        family="DejaVu Sans",
        size=size,
        weight="bold" if bold else "normal",
        style="oblique" if slanted else "normal",
    )


class TextFace:
    """The typeface that pictures are lettered in, which matplotlib brings along.

    Raises
    ------
    RequestError
        If matplotlib is not installed.
    """

    def __init__(self) -> None:
        check_matplotlib()
        from matplotlib.font_manager import findfont, get_font

        self._glyphs = get_font(findfont(_font(8.0, bold=False, slanted=False))).get_charmap()
        self.width = lru_cache(4096)(self._width)

    def _width(self, text: str, size: float, *, bold: bool) -> float:
        from matplotlib.textpath import text_to_path

        font = _font(size, bold=bold, slanted=False)
        width, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
        return float(width) * _SPARE + 0.5

    def has(self, character: str) -> bool:
        """Tell whether there is a glyph for a character."""
        return ord(character) in self._glyphs


def draw(figure: Figure, stream: BinaryIO, form: str) -> tuple[str, ...]:
    """Draw a figure; give what could not be shown as asked for, which the picture tells too.

    Parameters
    ----------
    figure : Figure
    stream : binary file
    form : str
        ``svg``, ``png`` or ``pdf``.

    Raises
    ------
    RequestError
        If matplotlib is not installed.
    """
    layout = lay_out(figure, TextFace())
    with saved(stream, form, (layout.width / _INCH, layout.height / _INCH)) as canvas:
        draw_layout(layout, canvas)
    return tuple(layout.told)


def draw_layout(layout: Layout, canvas: Canvas) -> list[Text]:
    """Draw a layout on an empty figure of matplotlib; give its labels in the layout's order."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Polygon

    axes = canvas.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.set_xlim(0, layout.width)
    axes.set_ylim(layout.height, 0)
    for area in layout.areas:
        axes.add_patch(Polygon(list(area.points), closed=True, **_AREAS[area.style]))
    for stroke in layout.strokes:
        xs, ys = zip(*stroke.points, strict=True)
        axes.add_line(
            Line2D(xs, ys, solid_capstyle="butt", solid_joinstyle="round", **_STROKES[stroke.style])
        )
    labels = []
    for label in layout.labels:
        if label.over:
            axes.add_patch(
                Polygon(
                    [
                        (label.left - 1.5, label.top),
                        (label.right + 1.5, label.top),
                        (label.right + 1.5, label.bottom),
                        (label.left - 1.5, label.bottom),
                    ],
                    facecolor="white",
                    edgecolor="none",
                    zorder=8,
                )
            )
        labels.append(
            axes.text(
                label.left,
                label.top + label.size * ABOVE,
                label.text,
                fontproperties=_font(
                    label.size, bold=label.style == "bold", slanted=label.style == "slanted"
                ),
                color=_INK,
                ha="left",
                va="baseline",
                parse_math=False,
                zorder=10,
            )
        )
    return labels
