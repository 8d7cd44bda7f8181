"""Takes lines of a CSV table as text, gives times and levels: the plain way, for every dialect."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from math import gcd
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busdecode.capture.model import LATEST
from busdecode.capture.tables.bus import bits_of
from busdecode.capture.tables.split import split_rows
from busdecode.errors import CaptureError, quoted
from busdecode.units import format_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.capture.tables.bus import Column
    from busdecode.capture.tables.header import Table

__all__ = ["Cells", "Progress", "Rows"]

_CODES = {"0": 0, "1": 1, "x": 2, "X": 2, "z": 3, "Z": 3}
_TABLE = np.zeros(128, dtype=np.uint8)
for _level, _code in _CODES.items():
    _TABLE[ord(_level)] = _code


class Rows(NamedTuple):
    """Rows as they stand in the table.

    Parameters
    ----------
    times : ndarray of int64, shape (N,), ps
    codes : ndarray of uint8, shape (N, L)
        0 low, 1 high, 2 not known, 3 released.
    step : int, ps
        Greatest common divisor of the steps of time; 0 where there is none.
    rounded : int
        Times finer than 1 ps.
    """

    times: NDArray[np.int64]
    codes: NDArray[np.uint8]
    step: int
    rounded: int


@dataclass
class Progress:
    """How far a table was read.

    Parameters
    ----------
    states, unknown : ndarray of uint64, shape (W,)
        The levels of the last row.
    number : int
        Line number of what comes next, from 1.
    last : int or None, ps
        Time of the last row; None before the first one.
    rounded : int
        Times finer than 1 ps so far.
    """

    states: NDArray[np.uint64]
    unknown: NDArray[np.uint64]
    number: int = 1
    last: int | None = None
    rounded: int = 0


class _BadRowError(Exception):
    """A row that cannot be used, and why."""

    def __init__(self, column: str | None, found: str, expected: str, action: str) -> None:
        super().__init__(found)
        self.column, self.found, self.expected, self.action = column, found, expected, action


class Cells:
    """Reads the rows of one table.

    Parameters
    ----------
    table : Table
    path : str
        For messages.
    """

    def __init__(self, table: Table, path: str) -> None:
        self._table, self._path = table, path
        self._lines = sum(len(column.lines) for column in table.columns)

    def read(self, numbers: Sequence[int], rows: Sequence[str], last: int | None) -> Rows:
        """Read rows that follow one at `last`.

        Raises
        ------
        CaptureError
            At the first row that cannot be used; in it, at the number of cells, the time, and
            the columns from left to right.
        """
        try:
            return self._all(rows, last)
        except _BadRowError:
            pass  # In which row it is, and which one is the first, is found row by row.
        for number, row in zip(numbers, rows, strict=True):
            try:
                last = int(self._all([row], last).times[-1])
            except _BadRowError as bad:
                raise CaptureError(
                    bad.found,
                    path=self._path,
                    line=number,
                    key=None if bad.column is None else f"column {bad.column}",
                    text=row,
                    expected=bad.expected,
                    action=bad.action,
                ) from bad
        raise AssertionError("a row that cannot be used was found, then not")

    def is_cut(self, row: str, last: int | None) -> bool:
        """Tell whether a row without a line end was not written to its end."""
        table = self._table
        try:
            cells = split_rows([row], table.separator, strict=True)[0]
        except csv.Error:
            return True
        if len(cells) != len(table.names):
            return len(cells) < len(table.names)
        end = cells[-1].strip()
        if not table.names[-1] or not end:
            return bool(table.names[-1])
        if table.last_fixed and len(end) < table.last_longest:
            return True
        try:
            self._all([row], last)
        except _BadRowError as bad:
            # Levels are one character: one that is not right was not cut.
            is_level = table.columns[-1].base is None and table.columns[-1].at == len(cells) - 1
            return bad.column == table.names[-1] and not is_level
        return False

    def first(self, rows: Sequence[str]) -> tuple[list[str], Rows | None]:
        """Read rows up to the first that cannot be used: the texts of the times, and all."""
        read: Rows | None = None
        good, bad = 0, len(rows) + 1
        upto = len(rows)
        while bad - good > 1:
            try:
                read = self._all(rows[:upto], None)
                good = upto
            except _BadRowError:
                bad = upto  # It is told when its turn comes.
            upto = (good + bad) // 2
        if read is None:
            return [], None
        at = self._table.moment.at
        return [cells[at] for cells in self._split(rows[:good])], read

    def _split(self, rows: Sequence[str]) -> list[list[str]]:
        """Split rows into cells and check that each has as many as the header."""
        table = self._table
        names, count = table.names, len(table.names)
        expected = f"{count} cells as in the header (line {table.row})"
        try:
            cells = split_rows(rows, table.separator, strict=True)
        except csv.Error as error:
            found = f"the quotes do not fit: {error}"
            raise _BadRowError(None, found, expected, "close the quote, or take it out") from error
        for row in cells:
            if len(row) != count:
                raise _BadRowError(
                    names[len(row)] if len(row) < count else None,
                    f"{len(row)} cell{'s' if len(row) != 1 else ''} in this row",
                    expected,
                    "write x for a level that is not known; no cell may be missing",
                )
        if len(cells) != len(rows):
            raise _BadRowError(
                None, "the quotes do not fit: a line end between them", expected,
                "close the quote, or take it out",
            )  # fmt: skip
        return cells

    def _all(self, rows: Sequence[str], last: int | None) -> Rows:
        columns: list[tuple[str, ...]] = list(zip(*self._split(rows), strict=True))
        times, step, rounded = self._times(columns[self._table.moment.at], last)
        codes = np.zeros((len(rows), self._lines), dtype=np.uint8)
        at = 0
        for column in self._table.columns:
            beyond = at + len(column.lines)
            read = _line_codes if column.base is None else _bus_codes
            codes[:, at:beyond] = read(column, columns[column.at])
            at = beyond
        return Rows(times, codes, step, rounded)

    def _times(self, cells: Sequence[str], last: int | None) -> tuple[NDArray[np.int64], int, int]:
        moment = self._table.moment
        what = "sample number" if moment.counts_samples else "time"
        times: list[int] = []
        step = rounded = 0
        for text in cells:
            cell = text.strip()
            value = moment.picoseconds(cell)
            if value is None:
                _hole(moment.name, cell, f"write the {what}, or take the row out")
                raise self._no_moment(what, cell)
            ps, is_rounded = value
            if abs(ps) > LATEST:
                raise _BadRowError(
                    moment.name,
                    f"the {what} {quoted(cell)} does not fit into 64 bits of picoseconds",
                    "a time below 9223372 s"
                    + ("" if moment.dates is None else " after the first row"),
                    "correct the cell" + (", or the unit" if moment.dates is None else ""),
                )
            if last is not None and ps <= last:
                before = format_time(last)
                if moment.counts_samples:
                    before = str(last // moment.worth)
                elif moment.dates is not None:
                    before += " from the first row"
                raise _BadRowError(
                    moment.name,
                    f"the {what}s do not rise: {quoted(cell)} after {before}",
                    f"a {what} later than in the row above",
                    "export the capture again, or sort it",
                )
            if last is not None:
                step = gcd(step, ps - last)
            rounded += is_rounded
            times.append(ps)
            last = ps
        return np.asarray(times, dtype=np.int64), step, rounded

    def _no_moment(self, what: str, cell: str) -> _BadRowError:
        moment = self._table.moment
        if moment.dates is not None:
            kind = "date and a time" if moment.dates else "time of the day"
            expected = "2026-03-01 10:11:12.5" if moment.dates else "10:11:12.5"
            expected = f"a cell such as {expected}"
        else:
            kind = "whole number" if moment.counts_samples else "number"
            expected = f"a {kind}, without a unit"
        said = f"a {what} must be a {kind}, not {quoted(cell)}"
        return _BadRowError(moment.name, said, expected, "correct the cell")


def _hole(name: str, cell: str, action: str = "write x for a level that is not known") -> None:
    if not cell:
        raise _BadRowError(name, "the cell is empty", "a value in every cell", action)


def _line_codes(column: Column, cells: Sequence[str]) -> NDArray[np.uint8]:
    if not _CODES.keys() >= set(cells):
        cells = [cell.strip() for cell in cells]
        for cell in cells:
            if cell not in _CODES:
                _hole(column.name, cell)
                digits = cell.lower().removeprefix("0x")
                name = f"{column.name}[{max(8, 4 * len(digits)) - 1}:0]"
                raise _BadRowError(
                    column.name,
                    f"the level must be 0, 1, x or z, not {quoted(cell)}",
                    "one level, or a column whose name has a range for hexadecimal values",
                    f"for a bus, write its range into the header, such as {name}",
                )
    octets = np.frombuffer("".join(cells).encode("ascii"), dtype=np.uint8)
    return _TABLE[octets][:, np.newaxis]


def _bus_codes(column: Column, cells: Sequence[str]) -> NDArray[np.uint8]:
    places: dict[str, int] = {}
    found = np.fromiter((places.setdefault(c, len(places)) for c in cells), np.int64, len(cells))
    texts: list[str] = []
    for each in places:
        cell = each.strip()
        _hole(column.name, cell)
        bits = bits_of(column, cell)
        if isinstance(bits, tuple):
            raise _BadRowError(column.name, *bits, "correct the cell, or the range in the header")
        texts.append(bits)
    octets = np.frombuffer("".join(texts).encode("ascii"), dtype=np.uint8)
    return _TABLE[octets].reshape(-1, len(column.lines))[found]
