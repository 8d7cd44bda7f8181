"""Takes a CSV table of levels, gives its rows."""

from __future__ import annotations

import csv
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.csv_header import Column, find_header, read_table
from busdecode.capture.model import pack_levels
from busdecode.capture.stream import HEAD_BYTES, Block, CaptureFile, Source, Told
from busdecode.errors import CaptureError, quoted

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

__all__ = ["CsvFile", "open_csv", "sniff_csv"]

HEADER_WITHIN = 100
"""Lines among which the header must be."""
BUFFER_BYTES = 1 << 20
_MARK = "\ufeff"
_CODES = {"0": 0, "1": 1, "x": 2, "X": 2, "z": 3, "Z": 3}
_TABLE = np.zeros(128, dtype=np.uint8)
for _level, _code in _CODES.items():
    _TABLE[ord(_level)] = _code
_HEX = {f"{value:x}": f"{value:04b}" for value in range(16)}
_HEX |= {f"{value:X}": f"{value:04b}" for value in range(10, 16)}
_HEX |= {"x": "xxxx", "X": "xxxx", "z": "zzzz", "Z": "zzzz"}
_LATEST = 2**63 - 1


def _head_lines(head: bytes) -> list[str]:
    text = head.decode("utf-8", "replace").removeprefix(_MARK)
    rows = _lines(text)
    if len(head) >= HEAD_BYTES and len(rows) > 1:
        rows.pop()
    return rows[:HEADER_WITHIN]


def _lines(text: str) -> list[str]:
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")


def sniff_csv(head: bytes) -> bool:
    """Tell whether a file that begins with `head` is a table of cells."""
    rows = _head_lines(head)
    if next((row for row in rows if row.strip()), "$").lstrip().startswith("$"):
        return False
    return find_header(rows) is not None


def open_csv(source: Source, told: Told) -> CsvFile:
    """Open a CSV table and read its header.

    Raises
    ------
    CaptureError
        If there is no header that can be used.
    """
    return CsvFile(source, told)


class _BadCellError(Exception):
    """A cell that cannot be used; `row` counts in the block."""

    def __init__(self, row: int, column: str, found: str, expected: str, action: str) -> None:
        super().__init__(found)
        self.row, self.column, self.found = row, column, found
        self.expected, self.action = expected, action


class CsvFile(CaptureFile):
    """A CSV table whose header was read."""

    def __init__(self, source: Source, told: Told) -> None:
        super().__init__(source, told)
        self._table = read_table(_head_lines(source.head), source.name, told)
        self.lines = tuple(line for column in self._table.columns for line in column.lines)
        self.notes = tuple(self._table.notes)
        self._rounded = 0

    def _blocks(self) -> Iterator[Block]:
        self._rounded = 0
        last: int | None = None
        before: tuple[NDArray[np.uint64], NDArray[np.uint64]] | None = None
        for numbers, rows in self._texts():
            cells = self._cells(numbers, rows)
            try:
                times, codes = self._convert(cells, last)
            except _BadCellError as bad:
                raise CaptureError(
                    bad.found,
                    path=self.source.name,
                    line=numbers[bad.row],
                    key=f"column {bad.column}",
                    text=rows[bad.row],
                    expected=bad.expected,
                    action=bad.action,
                ) from bad
            states = pack_levels(codes & np.uint8(1))
            unknown = pack_levels(codes >> np.uint8(1))
            keep = np.ones(len(times), dtype=np.bool_)
            keep[1:] = ((states[1:] != states[:-1]) | (unknown[1:] != unknown[:-1])).any(axis=1)
            if before is not None:
                keep[0] = bool((states[0] != before[0]).any() or (unknown[0] != before[1]).any())
            before = (states[-1], unknown[-1])
            steps = np.diff(times) if last is None else np.diff(times, prepend=last)
            last = int(times[-1])
            self._stamps(int(np.gcd.reduce(steps)) if len(steps) else 0, last)
            yield Block(times[keep], states[keep], unknown[keep], np.zeros(int(keep.sum()), bool))
        if self._rounded:
            said = f"{self._rounded} times finer than 1 ps are rounded to 1 ps."
            self.notes = (*self._table.notes, said)

    def _texts(self) -> Iterator[tuple[list[int], list[str]]]:
        """Read the lines below the header, without blank ones, with their numbers."""
        number, rest, ended = 1, b"", False
        stream = self.source.open()
        with stream:
            while not ended:
                data = self.source.read(stream, BUFFER_BYTES)
                ended = len(data) < BUFFER_BYTES
                data = rest + data
                cut = len(data) if ended else data.rfind(b"\n") + 1
                data, rest = data[:cut], data[cut:]
                try:
                    lines = _lines(data.decode("utf-8"))
                except UnicodeDecodeError as error:
                    raise CaptureError(
                        f"the byte {data[error.start]:#04x} is not UTF-8",
                        path=self.source.name,
                        line=number + data.count(b"\n", 0, error.start),
                        expected="text in UTF-8",
                        action="save the file as UTF-8",
                    ) from error
                if lines[-1] == "":
                    lines.pop()
                first = number
                number += len(lines)
                pairs = [
                    (at, line)
                    for at, line in enumerate(lines, first)
                    if at > self._table.row and line.strip()
                ]
                if pairs:
                    yield [at for at, _ in pairs], [line for _, line in pairs]

    def _cells(self, numbers: list[int], rows: list[str]) -> list[list[str]]:
        """Split rows into cells and check that each has as many as the header."""
        separator, count = self._table.separator, len(self._table.names)
        try:
            cells = list(csv.reader(rows, delimiter=separator, strict=True))
        except csv.Error:
            cells = []
        if len(cells) == len(rows) and set(map(len, cells)) == {count}:
            return cells
        for number, row in zip(numbers, rows, strict=True):
            try:
                have = len(next(csv.reader([row], delimiter=separator, strict=True)))
                found = f"{have} cell{'s' if have != 1 else ''} in this row"
                action = "write x for a level that is not known; no cell may be missing"
            except csv.Error as error:
                have, found = -1, f"the quotes do not fit: {error}"
                action = "close the quote, or take it out"
            if have != count:
                short = 0 <= have < count
                raise CaptureError(
                    found,
                    path=self.source.name,
                    line=number,
                    text=row,
                    key=f"column {self._table.names[have]}" if short else None,
                    expected=f"{count} cells as in the header (line {self._table.row})",
                    action=action,
                )
        raise AssertionError("a row of the wrong length was found, then not")

    def _convert(
        self, cells: list[list[str]], last: int | None
    ) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        columns: list[tuple[str, ...]] = list(zip(*cells, strict=True))
        codes = np.zeros((len(cells), len(self.lines)), dtype=np.uint8)
        bad: list[_BadCellError] = []
        times = np.zeros(0, dtype=np.int64)
        try:
            times = self._times(columns[self._table.moment.at], last)
        except _BadCellError as error:
            bad.append(error)
        at = 0
        for column in self._table.columns:
            beyond = at + len(column.lines)
            read = _bus_codes if column.is_bus else _line_codes
            try:
                codes[:, at:beyond] = read(column, columns[column.at])
            except _BadCellError as error:
                bad.append(error)
            at = beyond
        if bad:
            raise min(bad, key=lambda error: error.row)
        return times, codes

    def _times(self, cells: Sequence[str], last: int | None) -> NDArray[np.int64]:
        table = self._table
        name = table.moment.name
        texts = [cell.strip() for cell in cells]
        if table.separator != ",":
            texts = [text.replace(",", ".") for text in texts]
        times: list[int] = []
        what = "sample number" if table.counts_samples else "time"
        for row, text in enumerate(texts):
            value = _number(text)
            if value is None or (table.counts_samples and value != int(value)):
                _hole(row, name, text, f"write the {what}, or take the row out")
                kind = "whole number" if table.counts_samples else "number"
                raise _BadCellError(
                    row,
                    name,
                    f"a {what} must be a {kind}, not {quoted(cells[row].strip())}",
                    f"a {kind}, without a unit",
                    "correct the cell",
                )
            exact = value * table.worth
            ps = int(exact.to_integral_value())
            self._rounded += ps != exact
            if abs(ps) > _LATEST:
                raise _BadCellError(
                    row,
                    name,
                    f"the {what} {quoted(text)} does not fit into 64 bits of picoseconds",
                    "a time below 9223372 s",
                    "correct the cell, or the unit",
                )
            times.append(ps)
        for row, (one, two) in enumerate(pairwise(times if last is None else [last, *times])):
            if two <= one:
                at = row + (last is None)
                raise _BadCellError(
                    at,
                    name,
                    f"the {what}s do not rise: {quoted(cells[at].strip())}"
                    + (f" after {quoted(cells[at - 1].strip())}" if at else ""),
                    f"a {what} later than in the row above",
                    "export the capture again, or sort it",
                )
        return np.asarray(times, dtype=np.int64)


def _number(text: str) -> Decimal | None:
    if not text or text.strip("0123456789+-.eE"):
        return None
    try:
        return Decimal(text)
    except ArithmeticError:
        return None


def _hole(
    row: int, name: str, cell: str, action: str = "write x for a level that is not known"
) -> None:
    if not cell:
        raise _BadCellError(
            row,
            name,
            "the cell is empty",
            "a value in every cell",
            action,
        )


def _line_codes(column: Column, cells: Sequence[str]) -> NDArray[np.uint8]:
    if not _CODES.keys() >= set(cells):
        cells = [cell.strip() for cell in cells]
        for row, cell in enumerate(cells):
            if cell not in _CODES:
                _hole(row, column.name, cell)
                digits = cell.lower().removeprefix("0x")
                name = f"{column.name}[{max(8, 4 * len(digits)) - 1}:0]"
                raise _BadCellError(
                    row,
                    column.name,
                    f"the level must be 0, 1, x or z, not {quoted(cell)}",
                    "one level, or a column whose name has a range for hexadecimal values",
                    f"for a bus, write its range into the header, such as {name}",
                )
    octets = np.frombuffer("".join(cells).encode("ascii"), dtype=np.uint8)
    return _TABLE[octets][:, np.newaxis]


def _bus_codes(column: Column, cells: Sequence[str]) -> NDArray[np.uint8]:
    width = len(column.lines)
    places: dict[str, int] = {}
    found = np.fromiter((places.setdefault(c, len(places)) for c in cells), np.int64, len(cells))
    bits: list[str] = []
    for cell in places:
        bits.append(_bus_bits(column, cell.strip(), width, cells))
    octets = np.frombuffer("".join(bits).encode("ascii"), dtype=np.uint8)
    table = _TABLE[octets].reshape(-1, width)
    return table[found]


def _bus_bits(column: Column, cell: str, width: int, cells: Sequence[str]) -> str:
    digits = cell[2:] if cell[:2] in ("0x", "0X") and len(cell) > 2 else cell
    try:
        bits = "".join(_HEX[digit] for digit in digits)
    except KeyError:
        bits = ""
    if bits:
        fill = bits[0] if bits[0] in "xz" else "0"
        over, bits = bits[: max(0, len(bits) - width)], bits[-width:].rjust(width, fill)
        if not over.strip(fill):
            return bits
    row = next(at for at, each in enumerate(cells) if each.strip() == cell)
    _hole(row, column.name, cell)
    if bits:
        found = f"{quoted(cell)} does not fit into {width} bit{'s' if width > 1 else ''}"
    else:
        found = f"a bus value must be hexadecimal, not {quoted(cell)}"
    raise _BadCellError(
        row,
        column.name,
        found,
        f"a hexadecimal value up to {(1 << width) - 1:X}, with or without 0x",
        "correct the cell, or the range in the header",
    )
