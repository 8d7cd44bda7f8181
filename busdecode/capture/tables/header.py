"""Takes the first lines of a CSV table, gives its separator and what each column is."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from busdecode.capture.model import WIDEST
from busdecode.capture.tables.bus import (
    Column,
    base_of,
    column_called,
    has_all_digits,
    width_of,
)
from busdecode.capture.tables.find import are_units, find_header
from busdecode.capture.tables.moment import (
    Moment,
    bracketed_unit,
    dates_order,
    is_sample_name,
    is_time_name,
    period_in,
    time_name,
    unit_alone,
)
from busdecode.capture.tables.split import (
    split_header,
    split_rows,
)
from busdecode.errors import CaptureError, RequestError, nearest, quoted
from busdecode.units import PICOSECONDS, format_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.capture.stream import Told

__all__ = ["Table", "read_table"]

_ROWS_TO_TELL = 16
"""With as many rows of values with all their digits, one with fewer digits is cut short."""


@dataclass
class Table:
    """What the header of a CSV table says.

    Parameters
    ----------
    separator : str
    row : int
        Line number of the header, from 1.
    body : int
        Line number behind which the rows stand: that of the header, or of units below it.
    names : list of str
        Header cells; every row has as many.
    moment : Moment
        The column of times or sample numbers.
    times : str
        What is known of the moments, in words.
    columns : list of Column
        The columns with levels.
    notes : list of str
    period : int or None, ps
        The sample period that the file tells.
    last_longest : int
        Characters of the longest cell of the last column in the first rows; 0 where it holds
        levels.
    last_fixed : bool
        True where all those cells are as long, and have every digit of a bus.
    """

    separator: str
    row: int
    body: int
    names: list[str]
    moment: Moment
    times: str
    columns: list[Column] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    period: int | None = None
    last_longest: int = 0
    last_fixed: bool = False


def read_table(rows: Sequence[str], path: str, told: Told) -> Table:
    """Read what the header says about each column.

    Raises
    ------
    CaptureError
        If there is no header, no column of times or samples, or one that cannot be used.
    RequestError
        If what is told contradicts the file.
    """
    if told.header_line is not None and not 1 <= told.header_line <= len(rows):
        raise RequestError(
            f"the header line must be among the first {len(rows)} lines, not {told.header_line}",
            action="give the number of the line with the names of the columns, from 1",
        )
    found = find_header(rows, told)
    if found is None or found[1] is None:
        at = (told.header_line or 1) - 1
        raise CaptureError(
            "the table has no header line" if found else "this is no table of cells",
            path=path,
            line=at + 1,
            text=rows[at] if rows else None,
            expected="a line of column names, such as: Time (ns),AS,D[15:0]",
            action="write one above the rows"
            if found
            else "tell what stands between the cells"
            " with --separator, and the line of the names with --header-line",
        )
    return _Reading(rows, path, told, found[0], found[1]).table()


class _Reading:
    """Reads one header line, with the rows below it at hand."""

    def __init__(self, rows: Sequence[str], path: str, told: Told, separator: str, at: int) -> None:
        self._rows, self._path, self._told = rows, path, told
        self._separator, self._at = separator, at
        self._names = split_header(rows[at], separator)
        # The last one may not be whole.
        below = [k for k in range(at + 1, len(rows) - 1) if rows[k].strip()]
        below = below or [k for k in range(at + 1, len(rows)) if rows[k].strip()]
        self._units: list[str] = []
        self._body = at + 1
        if below and are_units(cells := split_header(rows[below[0]], separator)):
            self._units, self._body = cells, below[0] + 1
            del below[0]
        split = split_rows((rows[k] for k in below), separator, strict=False)
        self._cells = [[cell.strip() for cell in row] for row in split]
        self._notes: list[str] = []
        self._period: int | None = None
        self._fit_trailing()

    def _fit_trailing(self) -> None:
        """Take a separator at the end of every row, or of the header only, for no column."""
        count = len(self._names)
        if not self._cells:
            return
        if all(len(row) == count + 1 and not row[-1] for row in self._cells):
            self._names.append("")
        elif not self._names[-1] and all(len(row) == count - 1 for row in self._cells):
            self._names.pop()

    def _column(self, at: int) -> list[str]:
        """Give the cells of a column in the first rows."""
        return [row[at] for row in self._cells if len(row) == len(self._names) and row[at]]

    def _error(
        self, said: str, expected: str, action: str, name: str | None = None
    ) -> CaptureError:
        return CaptureError(
            said,
            path=self._path,
            line=self._at + 1,
            key=None if name is None else f"column {name}",
            text=self._rows[self._at],
            expected=expected,
            action=action,
        )

    def table(self) -> Table:
        """Read all columns."""
        self._read_period()
        names = self._names
        moments = [k for k, name in enumerate(names) if is_time_name(name) or is_sample_name(name)]
        moment, times = self._moment()
        columns: list[Column] = []
        seen: dict[str, str] = {}
        for k, name in enumerate(names):
            if k == moment.at or k in moments or (not name and k == len(names) - 1):
                continue
            if not name:
                raise self._error(
                    f"column {k + 1} has no name", "a name for every column", "name it"
                )
            column = self._levels(name, k)
            for line in column.lines:
                if line in seen:
                    raise self._error(
                        f"line {line} is also in column {seen[line]}",
                        "every line once",
                        "rename one of the columns",
                        name,
                    )
                seen[line] = name
            columns.append(column)
        if not columns:
            raise self._error(
                "no column holds levels", "a column for each line or bus", "export the channels too"
            )
        return Table(
            self._separator, self._at + 1, self._body, names, moment, times, columns,
            self._notes, self._period, *self._last_length(columns[-1]),
        )  # fmt: skip

    def _last_length(self, column: Column) -> tuple[int, bool]:
        """Measure the cells that a file cut short would leave cut."""
        last = len(self._names) - 1
        cells = self._column(last)
        if not cells or (column.at == last and column.base is None):
            return 0, False
        fixed = (
            column.at == last
            and len(cells) >= _ROWS_TO_TELL
            and all(has_all_digits(column, cell) for cell in cells)
        )
        return max(len(cell) for cell in cells), fixed

    def _levels(self, name: str, at: int) -> Column:
        width = width_of(name)
        if width > WIDEST:
            raise self._error(
                f"a bus of {width} lines",
                f"a range of {WIDEST} lines at most",
                "correct the range in the header",
                name,
            )
        column, is_told = column_called(name, at)
        if column.base is None or is_told:
            return column
        base = base_of(self._column(at), len(column.lines))
        if base is None:
            cell = self._column(at)[0]
            raise self._error(
                f"{quoted(cell)} may be a prefix and a value, or hexadecimal digits only",
                "a bus whose base can be told",
                f"name the base in the header, such as {name} (bin), (dec) or (hex)",
                name,
            )
        return replace(column, base=base)

    def _read_period(self) -> None:
        """Take the sample period from the lines in front of the header."""
        if self._told.sample_period is not None:
            return
        found = {
            period: at
            for at, row in enumerate(self._rows[: self._at])
            if (period := period_in(row)) is not None
        }
        self._periods = found
        if len(found) == 1:
            ((period, at),) = found.items()
            if period.denominator == 1:
                self._period = int(period)
                self._notes.append(
                    f"The sample period of {format_time(self._period)} is taken from line"
                    f" {at + 1}: {quoted(self._rows[at].strip())}."
                )

    def _moment(self) -> tuple[Moment, str]:
        names, told = self._names, self._told
        if told.time_column is not None:
            at = self._told_column(told.time_column)
            is_sample = is_sample_name(names[at]) or (
                not is_time_name(names[at])
                and self._unit(at) is None
                and told.time_unit is None
                and told.sample_period is not None
            )
            times, samples = ([], [at]) if is_sample else ([at], [])
        else:
            times = [k for k, name in enumerate(names) if is_time_name(name)]
            samples = [k for k, name in enumerate(names) if is_sample_name(name)]
            if not times and not samples:
                times = [k for k, name in enumerate(names) if bracketed_unit(name)]
                if len(times) == 1:
                    name = names[times[0]]
                    self._notes.append(f"Column {name} is taken for the times, by its unit.")
        for several, what in ((times, "times"), (samples, "sample numbers")):
            if len(several) > 1:
                raise self._error(
                    f"the column before it, {names[several[0]]}, holds {what} too",
                    f"one column of {what}",
                    "tell which one it is with --time-column",
                    names[several[1]],
                )
        return self._of_columns(times, samples)

    def _told_column(self, told: str) -> int:
        folded = [name.lower() for name in self._names]
        if folded.count(told.strip().lower()) == 1:
            return folded.index(told.strip().lower())
        near = nearest(told, self._names)
        raise self._error(
            f"no column is called {quoted(told)}; the columns are {self._shown()}",
            "the name of the column of times or sample numbers",
            "give --time-column one of these" if near is None else f"did you mean {near}?",
        )

    def _shown(self) -> str:
        names = self._names
        return ", ".join(quoted(name) for name in names[:8]) + (", ..." if len(names) > 8 else "")

    def _unit(self, at: int) -> str | None:
        unit = time_name(self._names[at])[1]
        if unit is None and at < len(self._units):
            unit = unit_alone(self._units[at])
        return unit

    def _of_columns(self, times: list[int], samples: list[int]) -> tuple[Moment, str]:
        names, told = self._names, self._told
        order = dates_order(self._column(times[0])) if times else None
        unit = self._unit(times[0]) if times else None
        if told.time_unit is not None and (unit is not None or order is not None or not times):
            said = f"tells {unit}" if unit else "has no time column"
            raise RequestError(
                f"a time unit of {told.time_unit} is told, but "
                + ("the times are dates" if order is not None else f"the header {said}"),
                action="leave the time unit out",
            )
        unit = unit or told.time_unit
        has_comma = self._separator != "," or bool(times and self._has_quoted_comma(times[0]))
        chosen = next(iter(times or samples), None)
        for at, name in enumerate(names):
            if (
                at != chosen
                and times
                and (unit or order is not None)
                and (is_sample_name(name) or is_time_name(name))
            ):
                self._notes.append(f"Column {name} is not used: the times are.")
        if times and order is not None:
            return self._dates(times[0], order)
        if times and unit is not None:
            name, at = names[times[0]], times[0]
            return Moment(name, at, PICOSECONDS[unit], has_comma=has_comma), unit
        period = told.sample_period or self._period
        if samples and period is not None:
            if times:
                said = f"Column {names[times[0]]} has no unit; the sample numbers are used."
                self._notes.append(said)
            moment = Moment(names[samples[0]], samples[0], period, True, has_comma=has_comma)
            return moment, f"sample numbers of {format_time(period)} each"
        if times:
            raise self._error(
                "the times have no unit",
                "a unit in the header, such as Time (ns)",
                "write it there, or tell it with --time-unit",
                names[times[0]],
            )
        if samples:
            raise self._no_period(names[samples[0]])
        raise self._error(
            f"no column is a time or a sample number; the columns are {self._shown()}",
            "a column such as Time (ns), or Sample",
            "tell which one it is with --time-column, or rename or add one",
        )

    def _no_period(self, name: str) -> CaptureError:
        if len(self._periods) > 1:
            said = " and ".join(f"line {at + 1}" for at in self._periods.values())
            return self._error(
                f"{said} tell different sample periods",
                "one sample period",
                "tell it with --sample-period, such as --sample-period 10ns",
                name,
            )
        if self._periods:
            ((period, at),) = self._periods.items()
            return self._error(
                f"the sample period in line {at + 1} is no whole number of picoseconds",
                "a sample period in whole ps",
                f"tell it rounded, with --sample-period {max(1, round(period))}ps",
                name,
            )
        return self._error(
            "the samples are numbered, but their period is not known",
            "the sample period of the instrument",
            "tell it with --sample-period, such as --sample-period 10ns",
            name,
        )

    def _has_quoted_comma(self, at: int) -> bool:
        """Tell whether a comma inside quotes, between commas, marks decimals and not thousands."""
        marked = [cell for cell in self._column(at) if "," in cell]
        if marked and all(
            re.fullmatch(r"[+-]?[1-9][0-9]{0,2}(,[0-9]{3})+", cell) for cell in marked
        ):
            raise self._error(
                f"the comma in {quoted(marked[0])} may mark decimals or thousands",
                "times with a decimal point, or none",
                "write the times with a point, or other separators between the cells",
                self._names[at],
            )
        return bool(marked)

    def _dates(self, at: int, order: str) -> tuple[Moment, str]:
        name, cell = self._names[at], self._column(at)[0]
        if order == "?":
            raise self._error(
                f"in {quoted(cell)} the day or the month may stand first",
                "dates such as 2026-03-01 10:11:12.5",
                "is the day or the month first? Write the dates with the year first",
                name,
            )
        moment = Moment(name, at, 1, dates=order)
        first = moment.picoseconds(cell)
        if first is None:
            raise self._error(
                f"there is no date {quoted(cell)}",
                "dates such as 2026-03-01 10:11:12.5",
                "correct the cell",
                name,
            )
        what = "dates" if order else "times of the day"
        return replace(moment, origin=first[0]), f"{what}, counted from {cell}"
