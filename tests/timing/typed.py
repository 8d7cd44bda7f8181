"""Captures typed by hand as changes of lines and bundles, and what a replay of them found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.capture import from_levels
from busdecode.protocol import load_bus
from busdecode.timing import Figures, replay_capture

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from busdecode.capture import Capture
    from busdecode.timing import Replayed, Result

Lines = dict[str, int | None]
"""Lines and bundles with what they show from a moment on; None is released."""


def typed_capture(
    at_first: Lines,
    wires: Mapping[str, Iterable[int]],
    changes: Iterable[tuple[int, Lines]],
    *,
    first: int,
    end: int,
    resolution: int = 1_000,
) -> Capture:
    """Make a capture of changes, each at its moment in ps; `wires` has the bits of bundles."""
    now = dict(at_first)
    rows: dict[int, Lines] = {first: dict(now)}
    for moment, lines in sorted(changes, key=lambda change: change[0]):
        now.update(lines)
        rows[moment] = dict(now)
    levels: dict[str, list[int | str]] = {}
    for name in now:
        values = [row[name] for row in rows.values()]
        for bit in wires.get(name, (0,)):
            line = f"{name}{bit}" if name in wires else name
            levels[line] = ["z" if value is None else value >> bit & 1 for value in values]
    return from_levels(list(rows), levels, resolution=resolution, end=end)


def replayed_at(capture: Capture, bus: str, grade: str) -> Replayed:
    """Replay a capture against a bundled bus at a grade."""
    return replay_capture(capture, Figures.of(load_bus(bus), grade))


def found(replayed: Replayed) -> set[str]:
    """Give the numbers of the limits that are findings."""
    return {each.limit.number for each in replayed.results if each.is_finding}


def warned(replayed: Replayed) -> set[str]:
    """Give the numbers of the limits that are broken but can only warn."""
    return {each.limit.number for each in replayed.results if each.is_warning}


def result(replayed: Replayed, number: str) -> Result:
    """Give what was found of one limit."""
    return next(each for each in replayed.results if each.limit.number == number)
