"""How often each time was measured, drawn: one panel a limit, the limit's figures as lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.report.pictures import saved
from busdecode.report.replay import binned, bounds_text
from busdecode.units import PICOSECONDS, counted

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import BinaryIO

    from matplotlib.axes import Axes

    from busdecode.timing import Result

__all__ = ["draw_histograms"]

_COLUMNS = 3
_PANEL = (3.2, 2.1)
_TITLE_AT_MOST = 44


def draw_histograms(results: Sequence[Result], stream: BinaryIO, form: str) -> None:
    """Draw how often each time was measured.

    Bars that lie outside a figure are hatched, so that they are told without colour.

    Parameters
    ----------
    results : sequence of Result
        Each with at least one measured time.
    stream : binary file
    form : str
        ``svg``, ``png`` or ``pdf``.

    Raises
    ------
    RequestError
        If matplotlib is not installed.
    """
    columns = min(_COLUMNS, len(results))
    rows = -(-len(results) // columns)
    with saved(stream, form, (_PANEL[0] * columns, _PANEL[1] * rows)) as figure:
        for at, result in enumerate(results):
            _panel(figure.add_subplot(rows, columns, at + 1), result)
        figure.tight_layout()


def _panel(axes: Axes, result: Result) -> None:
    from matplotlib.ticker import MaxNLocator

    edges, counts = binned(result)
    unit, size = _unit(max(abs(int(edges[0])), abs(int(edges[-1]))))
    lows, widths = edges[:-1] / size, (edges[1:] - edges[:-1]) / size
    outside = [
        (result.least is not None and high <= result.least)
        or (result.most is not None and low > result.most)
        for low, high in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
    ]
    for low, width, count, is_outside in zip(lows, widths, counts, outside, strict=True):
        axes.bar(
            low, count, width, align="edge", linewidth=0.6, edgecolor="#222222",
            facecolor="#ffffff" if is_outside else "#b8c4cc",
            hatch="////" if is_outside else None,
        )  # fmt: skip
    figures = (("min", result.least, "--"), ("max", result.most, "-."))
    for word, ps, style in figures:
        if ps is not None:
            axes.axvline(ps / size, color="#222222", linestyle=style, linewidth=1.1)
            axes.text(
                ps / size, 1.0, word, transform=axes.get_xaxis_transform(), fontsize=6,
                ha="center", va="bottom",
            )  # fmt: skip
    name = f"{result.limit.number}  {result.limit.name}"
    if len(name) > _TITLE_AT_MOST:
        name = name[: _TITLE_AT_MOST - 1].rstrip() + "…"
    figures_text = bounds_text(result.least, result.most)
    axes.set_title(f"{name}\n{figures_text}", fontsize=7, loc="left", pad=10, parse_math=False)
    told = counted(int(result.counts.sum()), "beat")
    axes.set_xlabel(f"{unit}, {told}", fontsize=6.5)
    axes.tick_params(labelsize=6)
    axes.yaxis.set_major_locator(MaxNLocator("auto", integer=True))
    axes.spines[["top", "right"]].set_visible(False)


def _unit(most: int) -> tuple[str, int]:
    """Give the unit in which the largest time is below a thousand, and its ps."""
    for name in ("ps", "ns", "us", "ms"):
        if most < 1_000 * PICOSECONDS[name]:
            return name, PICOSECONDS[name]
    return "s", PICOSECONDS["s"]
