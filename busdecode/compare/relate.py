"""How a failing line behaves: constant, tied to another line, crossed with one, or late."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from busdecode.compare.view import PlaceView

    Bools = NDArray[np.bool_]
    Words = NDArray[np.uint64]

__all__ = ["Behaviour", "SettledRows", "behaviour_of"]

_LEAST_CHANGES = 3
"""A line that changed less often than this tells nothing by being equal to another."""


@dataclass(frozen=True)
class Behaviour:
    """What the lines alone say of one line.

    Parameters
    ----------
    constant : int or None
        The level that it never leaves at the place where it fails.
    equal : tuple of str
        Lines never seen to differ from it there.
    perhaps : tuple of str
        The same, of lines that changed so seldom that it tells little.
    crossed : tuple of str
        Lines of the other place that it follows instead of its own.
    """

    constant: int | None = None
    equal: tuple[str, ...] = ()
    perhaps: tuple[str, ...] = ()
    crossed: tuple[str, ...] = ()


class SettledRows:
    """Rows of one place that hold longer than edges are uncertain."""

    def __init__(self, view: PlaceView) -> None:
        self.view = view
        rows = view.rows
        lasts = np.append(rows.times[1:] - rows.times[:-1], view.uncertainty + 1)
        keep = lasts > view.uncertainty
        self.states: Words = rows.states[keep]
        self.starts = rows.times[keep]
        self.middles = rows.times[keep] + lasts[keep] // 2
        none = np.zeros_like(self.states)
        self.unknown: Words = none if rows.unknown is None else rows.unknown[keep]

    def level(self, line: str) -> Bools:
        """Give one line's level in every settled row."""
        at = self.view.index[line]
        bits: Bools = (self.states[:, at // 64] >> np.uint64(at % 64)) & np.uint64(1) == 1
        return bits

    def changes(self, line: str) -> int:
        """Count how often the line changed."""
        level = self.level(line)
        return int(np.count_nonzero(level[1:] != level[:-1]))

    def equal_to(self, level: Bools, least: int = _LEAST_CHANGES) -> list[str]:
        """Give the lines that show this level in every settled row, and that change."""
        every = np.where(level, np.uint64(0xFFFF_FFFF_FFFF_FFFF), np.uint64(0))[:, None]
        differs = (self.states ^ every) | self.unknown
        ever = np.bitwise_or.reduce(differs, axis=0) if len(differs) else np.zeros(0, np.uint64)
        return [
            line
            for line, at in self.view.index.items()
            if not int(ever[at // 64]) >> (at % 64) & 1 and self.changes(line) >= least
        ]


def behaviour_of(line: str, place: str, settled: Mapping[str, SettledRows]) -> Behaviour:
    """Say how a line behaves at the place where it fails.

    Parameters
    ----------
    line, place : str
    settled : mapping of str to SettledRows
        Every place.
    """
    here = settled[place]
    if line not in here.view.index or not len(here.states):
        return Behaviour()
    level = here.level(line)
    if bool(level.all()) or not bool(level.any()):
        return Behaviour(constant=int(level[0]))
    if here.changes(line) < _LEAST_CHANGES:
        return Behaviour(perhaps=tuple(other for other in here.equal_to(level, 1) if other != line))
    equal = tuple(other for other in here.equal_to(level) if other != line)
    crossed: tuple[str, ...] = ()
    for name, there in settled.items():
        if name == place or not len(there.states):
            continue
        # Rows in which both places are settled, by the middle of the rows here.
        at = np.searchsorted(there.starts, here.middles, "right") - 1
        rows = np.flatnonzero(at >= 0)
        matched = _at(there, here, rows)
        own = matched.level(line) if line in there.view.index else None
        shown = level[rows]
        if own is not None and bool((own == shown).all()):
            continue
        crossed = tuple(other for other in matched.equal_to(shown) if other != line)
    return Behaviour(equal=equal, crossed=crossed)


def _at(there: SettledRows, here: SettledRows, rows: NDArray[np.int64]) -> SettledRows:
    """Give another place's rows as they stood in the middle of ours."""
    view = there.view
    at = np.maximum(view.rows.row_at(here.middles[rows]), 0)
    matched = SettledRows.__new__(SettledRows)
    matched.view = view
    matched.states = view.rows.states[at]
    matched.starts = here.starts[rows]
    matched.middles = here.middles[rows]
    none = np.zeros_like(matched.states)
    matched.unknown = none if view.rows.unknown is None else view.rows.unknown[at]
    return matched
