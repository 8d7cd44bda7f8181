"""A register-name file (CSV), so that addresses read as names."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from busdecode.errors import NamesError, RequestError, quoted

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from busdecode.protocol import Bus

__all__ = ["RegisterNames", "read_names"]

_HEADER = ["address", "name"]
_ADDRESS = re.compile(r"(?:0[xX]|\$)?([0-9A-Fa-f]+)")


@dataclass(frozen=True)
class _Entry:
    first: int
    last: int
    name: str
    row: int


class RegisterNames:
    """Names of addresses and of ranges of them; within a range the offset is told.

    Parameters
    ----------
    entries : sequence of (int, int, str)
        First address, last address, name. A range may lie inside another, and counts there.

    Examples
    --------
    >>> names = RegisterNames([(0x100, 0x1FF, "BUF"), (0x104, 0x104, "CTRL")])
    >>> names.of(np.array([0x100, 0x104, 0x112, 0x200], dtype=np.uint64), np.ones(4, dtype=bool))
    ['BUF', 'CTRL', 'BUF+0x12', '']
    """

    def __init__(self, entries: Sequence[tuple[int, int, str]]) -> None:
        pieces = list(_pieces(sorted(entries, key=lambda each: (each[0], -each[1]))))
        self._starts = np.array([start for start, _ in pieces], dtype=np.uint64)
        self._entries = [entry for _, entry in pieces]

    def of(self, addresses: NDArray[np.uint64], known: NDArray[np.bool_]) -> list[str]:
        """Name addresses; empty where they have no name, or are not known.

        Parameters
        ----------
        addresses : ndarray of uint64, shape (B,)
        known : ndarray of bool, shape (B,)
        """
        distinct, inverse = np.unique(addresses, return_inverse=True)
        pieces = np.searchsorted(self._starts, distinct, side="right") - 1
        pairs = zip(distinct.tolist(), pieces.tolist(), strict=True)
        names = np.array([*(self._name(*pair) for pair in pairs), ""], dtype=object)
        named: list[str] = names[np.where(known, inverse, -1)].tolist()
        return named

    def _name(self, address: int, piece: int) -> str:
        if piece < 0:
            return ""
        first, last, name = self._entries[piece]
        if address > last:
            return ""
        return name if address == first else f"{name}+0x{address - first:X}"


def _pieces(
    entries: Sequence[tuple[int, int, str]],
) -> Iterator[tuple[int, tuple[int, int, str]]]:
    """Give from which address on which entry counts; they are sorted, and none crosses another."""
    around: list[tuple[int, int, str]] = []
    for entry in [*entries, None]:
        while around and (entry is None or around[-1][1] < entry[0]):
            after = around.pop()[1] + 1
            if around and around[-1][1] >= after and (entry is None or after < entry[0]):
                yield after, around[-1]
        if entry is not None:
            around.append(entry)
            yield entry[0], entry


def read_names(path: Path | str, bus: Bus) -> RegisterNames:
    """Read a register-name file: CSV with the header ``address,name``.

    An address is hexadecimal, with or without ``0x`` or ``$``; ``0x100..0x1FF`` is a range, both
    ends in it. Empty lines, and lines that begin with ``#``, are passed over.

    Raises
    ------
    NamesError
        With file, line, what was found, what was expected; all mistakes of a file in one.
    RequestError
        If the bus has no addresses.
    """
    path = Path(path)
    if not bus.address:
        raise RequestError(
            f"{bus.name} has no address lines, so no address to be named",
            action="leave out the register-name file",
        )
    text = _text_of(path)
    rows = csv.reader(io.StringIO(text, newline=""), strict=True)
    has_header = False
    entries: list[_Entry] = []
    mistakes: list[NamesError] = []
    try:
        for cells in rows:
            if not cells or cells[0].lstrip().startswith("#"):
                continue
            if not has_header:
                _check_header(path, rows.line_num, cells)
                has_header = True
                continue
            try:
                entries.append(_entry(path, rows.line_num, cells, bus))
            except NamesError as error:
                mistakes.append(error)
    except csv.Error as error:
        raise NamesError(
            f"this row cannot be read: {error}",
            path=path,
            line=rows.line_num,
            expected="cells with commas between, quotes closed and doubled inside",
        ) from None
    if not entries and not mistakes:
        raise NamesError("the file names nothing", path=path, expected="rows such as 0x100,CTRL")
    mistakes = mistakes or sorted(_clashes(path, entries), key=lambda each: each.line or 0)
    if mistakes:
        raise NamesError.together(mistakes)
    return RegisterNames([(each.first, each.last, each.name) for each in entries])


def _text_of(path: Path) -> str:
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise NamesError("there is no such file", path=path, action="check the path") from None
    except IsADirectoryError:
        raise NamesError("this is a folder", path=path, expected="a register-name file") from None
    if b"\0" in raw:
        raise NamesError(
            "this is not text",
            path=path,
            byte=raw.index(b"\0"),
            expected="a register-name file: CSV with the header address,name",
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise NamesError(
            f"the byte {raw[error.start]:#04x} is not UTF-8",
            path=path,
            byte=error.start,
            action="save the file as UTF-8",
        ) from None


def _check_header(path: Path, line: int, cells: Sequence[str]) -> None:
    if [cell.strip().lower() for cell in cells] != _HEADER:
        raise NamesError(
            f"the header is {quoted(','.join(cells))}",
            path=path,
            line=line,
            expected="the header address,name",
            action="add it as the first line",
        )


def _entry(path: Path, line: int, cells: Sequence[str], bus: Bus) -> _Entry:
    def mistake(found: str, expected: str, action: str | None = None) -> NamesError:
        return NamesError(
            found,
            path=path,
            line=line,
            text=",".join(cells),
            expected=expected,
            action=action,
        )

    if len(cells) != len(_HEADER):
        more = "a name with a comma in quotes" if len(cells) > len(_HEADER) else None
        count = f"{len(cells)} cell" + ("" if len(cells) == 1 else "s")
        raise mistake(f"this row has {count}", "2 cells: address,name", more and f"write {more}")
    where, name = (cell.strip() for cell in cells)
    ends = []
    for part in where.split("..", 1):
        match = _ADDRESS.fullmatch(part.strip())
        if match is None:
            raise mistake(
                f"address is {quoted(where)}",
                "hexadecimal digits, with or without 0x, or a range such as 0x100..0x1FF",
            )
        ends.append(int(match[1], 16))
    if ends[-1] < ends[0]:
        raise mistake(
            f"the range {quoted(where)} ends before it begins",
            "the lower address first",
            f"did you mean 0x{ends[-1]:X}..0x{ends[0]:X}?",
        )
    if ends[-1] >> bus.address_width:
        raise mistake(
            f"{bus.name} has no address 0x{ends[-1]:X}",
            f"addresses up to 0x{(1 << bus.address_width) - 1:X}",
        )
    if not name:
        raise mistake("the name is empty", "a name for each address")
    return _Entry(ends[0], ends[-1], name, line)


def _clashes(path: Path, entries: Sequence[_Entry]) -> Iterator[NamesError]:
    """Find ranges that are the same as another, or cross it."""
    around: list[_Entry] = []
    for entry in sorted(entries, key=lambda each: (each.first, -each.last, each.row)):
        while around and around[-1].last < entry.first:
            around.pop()
        if around:
            outer = around[-1]
            is_same = (outer.first, outer.last) == (entry.first, entry.last)
            if is_same or entry.last > outer.last:
                one, other = sorted((outer, entry), key=lambda each: each.row)
                how = "is the same as that of" if is_same else "crosses that of"
                yield NamesError(
                    f"the address of {quoted(other.name)} {how} {quoted(one.name)} "
                    f"in line {one.row}",
                    path=path,
                    line=other.row,
                    expected="addresses apart, or a range inside another",
                    action="take one of the rows out, or correct it",
                )
        around.append(entry)
