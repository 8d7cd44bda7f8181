"""What else would look as a finding does: other causes of the same observations."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.compare.records import union
from busdecode.compare.survey import LEAST_TIED

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.compare.records import LineRecord, Look
    from busdecode.compare.survey import PlaceSurvey
    from busdecode.compare.view import PlaceView
    from busdecode.cycles import CycleTable

    Ints = NDArray[np.int64]

__all__ = ["looks_alike", "mutually_crossed", "tied_strobes"]

_MANY = 4
"""Data lines that fail together: rather one cause before them than one on each."""
_LEAST_COMMON = 6
"""Beats that two lines must share before one may be said to show the other's levels."""


def looks_alike(
    lines: Sequence[str],
    how: str,
    records: Mapping[str, LineRecord],
    views: Mapping[str, PlaceView],
    surveys: Mapping[str, PlaceSurvey],
    table: CycleTable,
) -> list[tuple[str, ...]]:
    """Give other lines whose fault would make the same observations.

    - Read data that comes after the acknowledge: the acknowledge comes early.
    - An acknowledge that does not come, seen without a probe at the card: a strobe that does
      not reach the card.
    - A line that never moves: it may be tied to a control line that does not move either.
    - Many data lines low while the host drives them high: the card drives as well, because it
      is told otherwise which way the data goes.
    """
    first = next(iter(surveys.values()))
    bus = first.bus
    mine = [look for line in lines if line in records for look in records[line].failing()]
    paths = {look.path for look in mine}
    if how == "late" and paths == {"read"} and bus.validity.read.phase == "acknowledge":
        return [(line,) for line in bus.ending.acknowledged]
    if paths == {"acknowledge"} and "card" not in views:
        unanswered = [look for look in mine if look.phase == "acknowledge"]
        if len(unanswered) == len(mine):
            return _strobes_that_fail(unanswered, views, table)
    if how == "constant":
        return _still_partners(lines[0], first)
    written = [look for look in mine if look.path == "write"]
    is_driven_low = bool(written) and all(look.meant[look.is_wrong].all() for look in written)
    if how == "differs" and len(lines) >= _MANY and is_driven_low:
        always = [
            line.name
            for line in bus.lines
            if line.role == "strobe" and first.fixed(line.name) == int(not line.active_low)
        ]
        told = [line.name for line in bus.lines if line.role == "direction"]
        return [(line,) for line in (*told, *always)]
    return []


def _still_partners(line: str, survey: PlaceSurvey) -> list[tuple[str, ...]]:
    """Give the control lines that never leave the level that a line never leaves, if few."""
    mine = survey.fixed(line)
    others = [
        other.name
        for other in survey.bus.lines
        if other.name != line
        and "address" not in other.role
        and other.role not in ("data", "clock")
        and mine is not None
        and survey.fixed(other.name) == mine
    ]
    return [(line, other) for other in others] if len(others) <= _MANY else []


def tied_strobes(
    surveys: Mapping[str, PlaceSurvey], known: frozenset[str]
) -> Iterator[tuple[str, str]]:
    """Give pairs of a strobe and an address or data line that no place ever shows to differ.

    On a good bus they cannot: the strobe moves when the others stand. `known` lines are left out.
    """
    bus = next(iter(surveys.values())).bus
    for line in bus.lines:
        if line.role not in ("strobe", "lane", "acknowledge") or line.name in known:
            continue
        here = [survey for survey in surveys.values() if line.name in survey.index]
        if not here or not all(survey.settled_rows for survey in here):
            continue
        equal = [set(survey.equal_to(line.name, LEAST_TIED)) for survey in here]
        for other in bus.line_names:
            if (
                other not in known
                and bus.line(other).role in ("address", "data", "address and data")
                and all(other in each for each in equal)
            ):
                yield other, line.name
                break


def _strobes_that_fail(
    looks: Sequence[Look], views: Mapping[str, PlaceView], table: CycleTable
) -> list[tuple[str, ...]]:
    """Give the strobes that every unanswered beat needed, and no answered one alone."""
    view = next(iter(views.values()))
    bus = view.bus
    wrong = union([look.wrong for look in looks])
    right = np.setdiff1d(union([look.beats for look in looks]), wrong)
    lines = [
        line.name
        for line in bus.lines
        if line.role in ("strobe", "lane") and line.driver == "host" and line.name in view.index
    ]

    def used(beats: Ints) -> dict[str, NDArray[np.bool_]]:
        asserted = view.asserted_during(
            lines, table.phase("address")[beats], table.phase("release")[beats]
        )
        return {line: view.number(asserted, [line], [0]).astype(np.bool_) for line in lines}

    in_wrong, in_right = used(wrong), used(right)
    lanes = [line for line in lines if bus.line(line).role == "lane"]
    found: list[tuple[str, ...]] = []
    for line in lines:
        alone = in_right[line].copy()
        if line in lanes:
            for other in lanes:
                if other != line:
                    alone &= ~in_right[other]
        if in_wrong[line].all() and not alone.any():
            found.append((line,))
    return found


def mutually_crossed(line: str, records: Mapping[str, LineRecord]) -> str | None:
    """Give the one other failing line with which this one has its levels exchanged."""
    failing = [name for name, record in records.items() if record.failing() and name != line]
    fitting = [
        other
        for other in failing
        if _shows(records[line], records[other]) and _shows(records[other], records[line])
    ]
    return fitting[0] if len(fitting) == 1 else None


def _shows(record: LineRecord, other: LineRecord) -> bool:
    """Tell whether a line always shows what the other was meant to, where these differ."""
    common = differing = 0
    for look in record.looks:
        if look.is_between or look.path not in ("address", "write"):
            continue
        for theirs in other.looks:
            same = (look.place, look.phase, look.path) == (theirs.place, theirs.phase, theirs.path)
            if not same or theirs.is_between:
                continue
            _, mine_at, theirs_at = np.intersect1d(look.beats, theirs.beats, return_indices=True)
            shown = look.meant[mine_at] ^ look.is_wrong[mine_at]
            meant = theirs.meant[theirs_at]
            if (shown != meant).any():
                return False
            common += len(meant)
            differing += int((meant != look.meant[mine_at]).sum())
    return common >= _LEAST_COMMON and differing >= 2
