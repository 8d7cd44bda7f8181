"""Takes the first lines of a CSV table, gives its separator and what each column is."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from busdecode.errors import CaptureError, RequestError, quoted
from busdecode.units import PICOSECONDS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.capture.stream import Told

__all__ = ["Column", "Table", "find_header", "read_table"]

SEPARATORS = (",", ";", "\t")
_TIME_NAMES = frozenset({"time", "t", "timestamp", "time stamp", "time_stamp"})
_SAMPLE_NAMES = frozenset(
    {"sample", "samples", "index", "#", "n", "no", "no.", "nr", "sample number", "sample_number",
     "sample no", "sample index", "sample_index"}
)  # fmt: skip
_UNIT = "(s|ms|us|\u00b5s|\u03bcs|ns|ps)"
_WITH_UNIT = re.compile(rf"(.*?)\s*(?:[(\[]\s*{_UNIT}\s*[)\]]|[_/,\s]\s*{_UNIT})")
_BUS = re.compile(r"(.+?)\s*\[\s*([0-9]+)\s*:\s*([0-9]+)\s*\]")
_VALUE = re.compile(r"(?:[+-]?[0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?|(?:0[xX])?[0-9a-fA-FxXzZ]+)?")


@dataclass(frozen=True)
class Column:
    """One column that is used.

    Parameters
    ----------
    name : str
        As in the header.
    at : int
        Cell of the row.
    lines : tuple of str
        Channel names, msb first; one for a column of levels.
    is_bus : bool
        True where the cells are hexadecimal.
    """

    name: str
    at: int
    lines: tuple[str, ...] = ()
    is_bus: bool = False


@dataclass
class Table:
    """What the header of a CSV table says.

    Parameters
    ----------
    separator : str
    row : int
        Line number of the header, from 1.
    names : list of str
        Header cells; every row has as many.
    moment : Column
        The column of times or sample numbers.
    worth : int, ps
        One unit of `moment`.
    counts_samples : bool
        True where `moment` holds sample numbers.
    columns : list of Column
        The columns with levels.
    notes : list of str
    """

    separator: str
    row: int
    names: list[str]
    moment: Column
    worth: int
    counts_samples: bool
    columns: list[Column] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def split_cells(line: str, separator: str) -> list[str]:
    """Split one line; quotes around a cell are taken off."""
    return [cell.strip() for cell in next(csv.reader([line], delimiter=separator), [])]


def _moment_name(cell: str) -> tuple[str, str | None]:
    """Split a header cell into name and unit; the unit is None where there is none."""
    match = _WITH_UNIT.fullmatch(cell.strip())
    if match is None:
        return cell.strip().lower(), None
    unit = (match[2] or match[3]).replace("\u00b5", "u").replace("\u03bc", "u")
    return match[1].strip().lower(), unit


def _is_time(cell: str) -> bool:
    return _moment_name(cell)[0] in _TIME_NAMES


def _is_sample(cell: str) -> bool:
    return cell.strip().lower() in _SAMPLE_NAMES


def find_header(rows: Sequence[str]) -> tuple[str, int | None] | None:
    """Find the separator and the header line.

    Parameters
    ----------
    rows : sequence of str
        The first lines of a file.

    Returns
    -------
    (str, int or None) or None
        Separator and index of the header; no index where the table has no header; None
        where this is no table.
    """
    filled = [at for at, row in enumerate(rows) if row.strip()]
    best: tuple[int, int, str, int | None] | None = None
    for separator in SEPARATORS:
        split = {at: split_cells(rows[at], separator) for at in filled}
        for at, following in zip(filled, [*filled[1:], None], strict=True):
            cells = split[at]
            after = [] if following is None else split[following]
            if len(cells) < 2:
                continue
            alike = len(after) == len(cells) and all(_VALUE.fullmatch(each) for each in after)
            moments = [k for k, cell in enumerate(cells) if _is_time(cell) or _is_sample(cell)]
            number: int | None = at
            if any(k < len(after) and after[k][:1] in tuple("+-.0123456789") for k in moments):
                rank = 4 if len(after) == len(cells) else 3
            elif moments and not after:
                rank = 3
            elif alike and not all(_VALUE.fullmatch(cell) for cell in cells):
                rank = 2
            elif alike:
                rank, number = 1, None
            else:
                continue
            if best is None or (rank, len(cells)) > best[:2]:
                best = (rank, len(cells), separator, number)
    return None if best is None else best[2:]


def read_table(rows: Sequence[str], path: str, told: Told) -> Table:
    """Read what the header says about each column.

    Raises
    ------
    CaptureError
        If there is no header, no column of times or samples, or one that cannot be used.
    RequestError
        If a time unit is told and the file tells its own.
    """
    found = find_header(rows)
    if found is None or found[1] is None:
        raise CaptureError(
            "the table has no header line" if found else "this is no table of cells",
            path=path,
            line=1,
            text=rows[0] if rows else None,
            expected="a line of column names, such as: Time (ns),AS,D[15:0]",
            action="write one above the rows",
        )
    separator, at = found[0], found[1]
    names = split_cells(rows[at], separator)

    def error(said: str, expected: str, action: str, name: str | None = None) -> CaptureError:
        return CaptureError(
            said,
            path=path,
            line=at + 1,
            key=None if name is None else f"column {name}",
            text=rows[at],
            expected=expected,
            action=action,
        )

    times = [k for k, name in enumerate(names) if _is_time(name)]
    samples = [k for k, name in enumerate(names) if _is_sample(name)]
    for several, what in ((times, "times"), (samples, "sample numbers")):
        if len(several) > 1:
            raise error(
                f"the column before it, {names[several[0]]}, holds {what} too",
                f"one column of {what}",
                "rename the one that is not",
                names[several[1]],
            )
    table = _moment(names, times, samples, told, error, separator, at)
    skipped = set(times) | set(samples)
    seen: dict[str, str] = {}
    for k, name in enumerate(names):
        if k in skipped or (not name and k == len(names) - 1):
            continue
        if not name:
            raise error(f"column {k + 1} has no name", "a name for every column", "name it")
        match = _BUS.fullmatch(name)
        lines: tuple[str, ...] = (name,)
        if match is not None:
            first, last = int(match[2]), int(match[3])
            step = 1 if last >= first else -1
            lines = tuple(f"{match[1]}[{bit}]" for bit in range(first, last + step, step))
        for line in lines:
            if line in seen:
                raise error(
                    f"line {line} is also in column {seen[line]}",
                    "every line once",
                    "rename one of the columns",
                    name,
                )
            seen[line] = name
        table.columns.append(Column(name, k, lines, match is not None))
    if not table.columns:
        raise error(
            "no column holds levels", "a column for each line or bus", "export the channels too"
        )
    return table


def _moment(
    names: list[str],
    times: list[int],
    samples: list[int],
    told: Told,
    error: _MakeError,
    separator: str,
    at: int,
) -> Table:
    unit = _moment_name(names[times[0]])[1] if times else None
    if told.time_unit is not None and (unit is not None or not times):
        said = f"tells {unit}" if times else "has no time column"
        raise RequestError(
            f"a time unit of {told.time_unit} is told, but the header {said}",
            action="leave the time unit out",
        )
    unit = unit or told.time_unit
    notes: list[str] = []
    if times and unit is not None:
        if samples:
            notes.append(f"Column {names[samples[0]]} is not used: the times are.")
        column = Column(names[times[0]], times[0])
        return Table(separator, at + 1, names, column, PICOSECONDS[unit], False, notes=notes)
    if samples and told.sample_period is not None:
        if times:
            notes.append(f"Column {names[times[0]]} has no unit; the sample numbers are used.")
        column = Column(names[samples[0]], samples[0])
        return Table(separator, at + 1, names, column, told.sample_period, True, notes=notes)
    if times:
        raise error(
            "the times have no unit",
            "a unit in the header, such as Time (ns)",
            "write it there, or tell it with --time-unit",
            names[times[0]],
        )
    if samples:
        raise error(
            "the samples are numbered, but their period is not known",
            "the sample period of the instrument",
            "tell it with --sample-period, such as --sample-period 10ns",
            names[samples[0]],
        )
    shown = ", ".join(quoted(name) for name in names[:8]) + (", ..." if len(names) > 8 else "")
    raise error(
        f"no column is a time or a sample number; the columns are {shown}",
        "a column such as Time (ns), or Sample",
        "rename the column, or add one",
    )


if TYPE_CHECKING:
    from typing import Protocol

    class _MakeError(Protocol):
        def __call__(
            self, said: str, expected: str, action: str, name: str | None = None
        ) -> CaptureError: ...
