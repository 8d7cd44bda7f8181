"""Takes the first lines of a CSV table, gives its separator and the line of its header."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from busdecode.capture.tables.bus import VALUE
from busdecode.capture.tables.moment import (
    DATE,
    NUMBER,
    bracketed_unit,
    is_sample_name,
    is_time_name,
    time_name,
    unit_alone,
)
from busdecode.capture.tables.split import BLANK, SEPARATORS, separator_called, split_header

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.capture.stream import Told

__all__ = ["are_units", "find_header"]

HEADER_WITHIN = 100
"""Lines among which the header must be, unless it is told."""

_CELL = re.compile(rf"(?:{NUMBER}|{VALUE}|{DATE})?")


class _Found(NamedTuple):
    """Where a header may be; the larger, the likelier."""

    rank: int
    cells: int
    separator: str
    at: int | None


def find_header(rows: Sequence[str], told: Told | None = None) -> tuple[str, int | None] | None:
    """Find the separator and the header line.

    Parameters
    ----------
    rows : sequence of str
        The first lines of a file.
    told : Told, optional
        What the user says about them.

    Returns
    -------
    (str, int or None) or None
        Separator and index of the header; no index where the table has no header; None
        where this is no table.
    """
    separator = None if told is None or told.separator is None else separator_called(told.separator)
    line = None if told is None else told.header_line
    column = None if told is None else told.time_column
    for separators in (SEPARATORS, (BLANK,)) if separator is None else ((separator,),):
        found: list[_Found] = []
        for each in separators:
            found += _candidates(rows, each, line, column, separator is not None)
        if found:
            # Of equals the first one stands.
            best = max(found, key=lambda one: one[:2])
            return best.separator, best.at
    return None


def _candidates(
    rows: Sequence[str], separator: str, line: int | None, column: str | None, is_told: bool
) -> list[_Found]:
    filled = [at for at, row in enumerate(rows) if row.strip()]
    split = {at: split_header(rows[at], separator) for at in filled[: HEADER_WITHIN + 2]}
    found = []
    for place, at in enumerate(filled):
        if line is None and at >= HEADER_WITHIN:
            break
        if line is not None and at != line - 1:
            continue
        cells = split_header(rows[at], separator)
        after = _cells_after(filled, split, place, rows, separator)
        if len(cells) < 2:
            continue
        have = {len(after), len(after) + 1, len(after) - 1}
        fits = len(cells) in have and all(_is_value(each) for each in after)
        alike = fits and len(after) == len(cells)
        moments = [k for k, cell in enumerate(cells) if _may_be_moment(cell, column)]
        begins = any(k < len(after) and after[k][:1] in tuple("+-.0123456789") for k in moments)
        is_sure = any(is_time_name(cells[k]) and time_name(cells[k])[1] for k in moments)
        names = not all(_is_value(cell) for cell in cells)
        rank, number = 0, at if names or moments else None
        if begins:
            rank = 4 if len(after) == len(cells) else 3
        elif moments and not after:
            rank = 3
        elif is_sure:
            rank = 2
        elif alike:
            rank = 2 if names else 1
        elif line is not None:
            rank = 1
        if separator == BLANK and not (is_told or is_sure or (rank >= 3 and fits)):
            rank = 0
        if rank:
            found.append(_Found(rank, len(cells), separator, number if line is None else at))
    return found


@lru_cache(maxsize=4096)
def _is_value(cell: str) -> bool:
    return _CELL.fullmatch(cell) is not None


def _cells_after(
    filled: list[int],
    split: dict[int, list[str]],
    place: int,
    rows: Sequence[str],
    separator: str,
) -> list[str]:
    """Split the first line below a header that is not one of units."""
    for at in filled[place + 1 : place + 3]:
        cells = split[at] if at in split else split_header(rows[at], separator)
        if not are_units(cells):
            return cells
    return []


def are_units(cells: Sequence[str]) -> bool:
    """Tell whether a line holds a unit of time and no value."""
    return any(unit_alone(cell) for cell in cells) and not any(
        character.isdigit() for cell in cells for character in cell
    )


def _may_be_moment(cell: str, column: str | None) -> bool:
    if column is not None:
        return cell.lower() == column.strip().lower()
    return is_time_name(cell) or is_sample_name(cell) or bracketed_unit(cell)
