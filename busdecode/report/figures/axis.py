"""The time axis: moments to places on the page, with stretches left out, and its ticks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from busdecode.report.figures.figure import Break, Figure

__all__ = ["Axis", "axis_of"]

_BREAK_WIDTH = 18.0


@dataclass(frozen=True)
class Axis:
    """Moments to x.

    Parameters
    ----------
    pieces : tuple of (int, int, float, float)
        Each from one moment (ps) to another, at these x.
    breaks : tuple of (Break, float, float)
        What lies between pieces, and at which x.
    """

    pieces: tuple[tuple[int, int, float, float], ...]
    breaks: tuple[tuple[Break, float, float], ...]

    @property
    def left(self) -> float:
        """Where it begins."""
        return self.pieces[0][2]

    @property
    def right(self) -> float:
        """Where it ends."""
        return self.pieces[-1][3]

    def x(self, moment: int) -> float:
        """Give the place of a moment; one outside is at the end, one left out in its break."""
        before = self.left
        for start, end, left, right in self.pieces:
            if moment < start:
                return (before + left) / 2
            if moment <= end:
                return left + (right - left) * (moment - start) / (end - start)
            before = right
        return self.right

    def ticks(self, zero: int, widest: float) -> list[tuple[int, float]]:
        """Give the moments that are ticked, with their places, at least `widest` points apart."""
        start, end, left, right = self.pieces[0]
        step = next(step for step in _steps() if step * (right - left) / (end - start) >= widest)
        found = []
        for start, end, _, _ in self.pieces:
            first = -(-(start - zero) // step)
            last = (end - zero) // step
            found += [zero + at * step for at in range(first, last + 1)]
        return [(moment, self.x(moment)) for moment in found]


def _steps() -> Iterator[int]:
    power = 1
    while True:
        for digit in (1, 2, 5):
            yield digit * power
        power *= 10


def axis_of(figure: Figure, left: float, right: float) -> Axis:
    """Lay the time shown between two x, without what its breaks leave out."""
    breaks = [each for each in figure.breaks if figure.start < each.start < each.end < figure.end]
    shown = figure.end - figure.start - sum(each.end - each.start for each in breaks)
    scale = (right - left - _BREAK_WIDTH * len(breaks)) / shown
    pieces = []
    between = []
    at, moment = left, figure.start
    for each in breaks:
        beyond = at + (each.start - moment) * scale
        pieces.append((moment, each.start, at, beyond))
        between.append((each, beyond, beyond + _BREAK_WIDTH))
        at, moment = beyond + _BREAK_WIDTH, each.end
    pieces.append((moment, figure.end, at, right))
    return Axis(tuple(pieces), tuple(between))
