"""The page that a diagram is laid out on: labels that fit, keys for those that do not."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from busdecode.report.figures.shapes import ROW, Label, Layout

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.report.figures.axis import Axis
    from busdecode.report.figures.lettering import Lettering

__all__ = ["BODY", "SMALL", "Page", "packed"]

BODY = 8.0
SMALL = 7.0
"""Sizes of text, points."""

_MOST_KEYS = 99
_PAD = 1.5


@dataclass
class Page:
    """A layout under way.

    Parameters
    ----------
    layout : Layout
    lettering : Lettering
    axis : Axis
    keys : dict of str to str
        Texts that had no room, each with the key that stands for it.
    narrow : dict of str to int
        How many labels had not even room for a key, by what they are.
    used : set of str
        Ways of drawing that the legend must explain.
    """

    layout: Layout
    lettering: Lettering
    axis: Axis
    keys: dict[str, str] = field(default_factory=dict)
    narrow: dict[str, int] = field(default_factory=dict)
    used: set[str] = field(default_factory=set)

    def label(
        self,
        text: str,
        size: float,
        x: float,
        top: float,
        *,
        at: Literal["left", "middle", "right"] = "left",
        style: str = "plain",
        over: bool = False,
    ) -> Label:
        """Put a text down with its left end, middle or right end at x."""
        width = self.lettering.width(text, size, bold=style == "bold")
        left = x - {"left": 0.0, "middle": width / 2, "right": width}[at]
        label = Label(text, left, top, width, size * ROW, size, style, over)
        self.layout.labels.append(label)
        return label

    def key(self, text: str) -> str | None:
        """Give the key that stands for a text in the legend; None where there are too many."""
        if text not in self.keys:
            if len(self.keys) == _MOST_KEYS:
                return None
            self.keys[text] = f"({len(self.keys) + 1})"
        return self.keys[text]

    def fitting(self, names: Sequence[str], size: float, room: float, what: str) -> str | None:
        """Give the first name that has room, else a key; None, and counted, where none has."""
        for name in names:
            if self.lettering.width(name, size) <= room - 2 * _PAD:
                return name
        key = self.keys.get(names[0], f"({len(self.keys) + 1})")
        if self.lettering.width(key, size) <= room - 2 * _PAD:
            known = self.key(names[0])
            if known is not None:
                return known
        self.narrow[what] = self.narrow.get(what, 0) + 1
        return None

    def clear(self, left: float, right: float) -> tuple[float, float]:
        """Give the widest part of a stretch that no break crosses."""
        best, at = (left, left), left
        for _, begin, end in self.axis.breaks:
            if end <= at or begin >= right:
                continue
            if begin - at > best[1] - best[0]:
                best = (at, begin)
            at = max(at, end)
        return (at, right) if right - at > best[1] - best[0] else best


def packed(stretches: Sequence[tuple[float, float]]) -> list[int]:
    """Put stretches, in their order, into as few rows as none overlaps; give the row of each.

    Examples
    --------
    >>> packed([(0, 4), (2, 6), (4, 8)])
    [0, 1, 0]
    """
    rows: list[list[tuple[float, float]]] = []
    found = []
    for left, right in stretches:
        free = (
            at
            for at, row in enumerate(rows)
            if all(right <= begin or left >= end for begin, end in row)
        )
        at = next(free, len(rows))
        if at == len(rows):
            rows.append([])
        rows[at].append((left, right))
        found.append(at)
    return found
