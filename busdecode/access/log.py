"""Access logs: CSV, or any text by a pattern, to accesses."""

from __future__ import annotations

import csv
import io
import re
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from busdecode.access.transfers import Access
from busdecode.errors import LogError, nearest, quoted
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["AccessLog", "format_log", "read_log", "read_pattern"]

_COLUMNS = ("op", "address", "size", "data")


@dataclass(frozen=True)
class AccessLog:
    """What software wrote and read, in order.

    Parameters
    ----------
    accesses : tuple of Access
    skipped : int
        Lines that did not match the pattern.
    source : str
    notes : tuple of str
    """

    accesses: tuple[Access, ...]
    skipped: int
    source: str
    notes: tuple[str, ...]


def read_pattern(text: str) -> re.Pattern[str]:
    """Give the pattern for `read_log`: a regular expression, or a TOML file with ``pattern``.

    Raises
    ------
    LogError
        If it does not name the groups ``op``, ``address``, ``size`` and ``data``; ``size`` may
        be missing where it follows from the digits of ``data``.
    """
    path: Path | None = None
    if text.endswith(".toml"):
        path = Path(text)
        try:
            table = tomllib.loads(path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            raise LogError("there is no such file", path=path) from None
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            what = str(error).replace("Invalid", "unreadable")
            raise LogError(
                f"this is not TOML: {what[:1].lower()}{what[1:]}",
                path=path,
                expected="a TOML file with the key 'pattern'",
            ) from None
        if not isinstance(table.get("pattern"), str):
            raise LogError(
                "the key 'pattern' is missing",
                path=path,
                expected="pattern = '(?P<op>...) (?P<address>...) (?P<data>...)'",
            )
        text = table["pattern"]
    try:
        pattern = re.compile(text)
    except re.error as error:
        raise LogError(
            f"the log pattern stops making sense: {error}",
            path=path,
            expected="a regular expression",
        ) from None
    for name in ("op", "address", "data"):
        if name not in pattern.groupindex:
            raise LogError(
                f"the log pattern names no group {quoted(name)}",
                path=path,
                expected="groups (?P<op>...), (?P<address>...), (?P<data>...) and, where the "
                "digits of data do not tell it, (?P<size>...)",
            )
    return pattern


def read_log(
    path: Path | str, pattern: re.Pattern[str] | None = None, *, unfilled: bool = False
) -> AccessLog:
    """Read an access log.

    Parameters
    ----------
    path : path or str
    pattern : compiled pattern, optional
        For any text log; without it the log is CSV with the header ``op,address,size,data``,
        and optionally ``expected``.
    unfilled : bool
        Let reads be without data, as in a plan that is not filled in to its end.

    Raises
    ------
    LogError
        With file, line, what was found and what was expected.
    """
    path = Path(path)
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise LogError("there is no such file", path=path, action="check the path") from None
    except IsADirectoryError:
        raise LogError("this is a folder", path=path, expected="an access log") from None
    if not raw.strip():
        raise LogError(
            "the log is empty", path=path, expected="the header op,address,size,data and accesses"
        )
    if b"\0" in raw:
        raise LogError(
            "this is not text", path=path, byte=raw.index(b"\0"), expected="an access log as text"
        )
    text = raw.decode("utf-8-sig", errors="replace")
    if pattern is not None:
        return _by_pattern(path, text, pattern)
    return _by_columns(path, text, unfilled=unfilled)


def _by_columns(path: Path, text: str, *, unfilled: bool) -> AccessLog:
    rows = csv.reader(io.StringIO(text))
    header: list[str] | None = None
    accesses = []
    for cells in rows:
        if not cells or cells[0].lstrip().startswith("#"):
            continue
        if header is None:
            header = [cell.strip().lower() for cell in cells]
            _check_header(path, rows.line_num, cells, header)
            continue
        if len(cells) != len(header):
            raise LogError(
                f"this row has {len(cells)} cells",
                path=path,
                line=rows.line_num,
                text=",".join(cells),
                expected=f"{len(header)} cells: {','.join(header)}",
            )
        values = dict(zip(header, (cell.strip() for cell in cells), strict=True))
        columns, at = {}, 1
        for name, cell in zip(header, cells, strict=True):
            columns[name] = at + len(cell) - len(cell.lstrip())
            at += len(cell) + 1
        is_open = unfilled and not values["data"] and _op(values["op"]) == "read"
        if is_open:
            values["data"] = "0"
        access = _access(path, rows.line_num, ",".join(cells), values, columns)
        accesses.append(replace(access, data=None) if is_open else access)
    if not accesses:
        raise LogError(
            "the log holds no access", path=path, expected="at least one line of accesses"
        )
    left = sum(access.data is None for access in accesses)
    notes = (f"{counted(left, 'read')} not filled in, left out",) if left else ()
    return AccessLog(tuple(accesses), 0, str(path), notes)


def _check_header(path: Path, line: int, cells: Sequence[str], header: Sequence[str]) -> None:
    for name in _COLUMNS:
        if name not in header:
            near = nearest(name, header)
            raise LogError(
                f"no column is called {name}" + (f"; {quoted(near)} is near" if near else ""),
                path=path,
                line=line,
                text=",".join(cells),
                expected="the header op,address,size,data, and optionally expected",
                action="add the header, or give a pattern for another kind of log",
            )
    for at, name in enumerate(header):
        if name in header[:at]:
            raise LogError(
                f"two columns are called {name}",
                path=path,
                line=line,
                text=",".join(cells),
                expected="each column once",
            )


def _by_pattern(path: Path, text: str, pattern: re.Pattern[str]) -> AccessLog:
    accesses = []
    skipped = 0
    for at, row in enumerate(text.splitlines(), 1):
        match = pattern.search(row)
        if match is None:
            skipped += bool(row.strip())
            continue
        values = {name: value or "" for name, value in match.groupdict().items()}
        if not values.get("size"):
            digits = values["data"].lower().removeprefix("0x").removeprefix("$")
            values["size"] = str(-(-len(digits) // 2))
        columns = {name: match.start(name) + 1 for name in pattern.groupindex}
        accesses.append(_access(path, at, row, values, columns))
    if not accesses:
        raise LogError(
            "no line matches the log pattern",
            path=path,
            expected=f"lines that match {quoted(pattern.pattern)}",
        )
    lines = "line" if skipped == 1 else "lines"
    notes = (f"{skipped} {lines} of the log did not match the pattern",) if skipped else ()
    return AccessLog(tuple(accesses), skipped, str(path), notes)


_OPS = {"w": "write", "wr": "write", "r": "read", "rd": "read"}


def _op(text: str) -> str:
    op = text.strip().lower()
    return _OPS.get(op, op)


_DIGITS = {16: re.compile(r"(?:0[xX]|\$)?([0-9A-Fa-f]+)"), 10: re.compile("([0-9]+)")}


def _access(
    path: Path, line: int, row: str, values: Mapping[str, str], columns: Mapping[str, int]
) -> Access:
    def mistake(name: str, what: str, expected: str) -> LogError:
        return LogError(
            what, path=path, line=line, column=columns.get(name), text=row, expected=expected
        )

    def number(name: str, base: int) -> int:
        match = _DIGITS[base].fullmatch(values[name])
        if match is None:
            digits = "hexadecimal digits, with or without 0x"
            raise mistake(
                name,
                f"{name} is {quoted(values[name])}",
                digits if base == 16 else "a number of bytes",
            )
        return int(match[1], base)

    op = _op(values["op"])
    if not op:
        raise mistake("op", "op is empty", "read, write, or the name of another kind of cycle")
    size = number("size", 10)
    if not 1 <= size <= 64:
        raise mistake("size", f"size is {size}", "a size from 1 to 64 bytes")
    address, data = number("address", 16), number("data", 16)
    expected = number("expected", 16) if values.get("expected") else None
    for name, value in (("data", data), ("expected", expected)):
        if value is not None and value >> 8 * size:
            raise mistake(
                name,
                f"{name} {quoted(values[name])} is wider than the access of "
                f"{size} byte{'s' if size > 1 else ''}",
                f"at most {2 * size} hexadecimal digits of value",
            )
    return Access(op, address, size, data, expected, line)


def format_log(accesses: Sequence[Access], address_digits: int) -> str:
    """Write accesses as the CSV that `read_log` reads."""
    has_expected = any(access.expected is not None for access in accesses)
    rows = ["op,address,size,data" + (",expected" if has_expected else "")]
    for access in accesses:
        row = f"{access.op},0x{access.address:0{address_digits}X},{access.size},"
        row += "" if access.data is None else f"0x{access.data:0{2 * access.size}X}"
        if has_expected:
            row += ","
            if access.expected is not None:
                row += f"0x{access.expected:0{2 * access.size}X}"
        rows.append(row)
    return "\n".join(rows) + "\n"
