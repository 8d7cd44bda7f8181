"""Takes a CSV table of levels, gives its rows."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.compilation import compiled
from busdecode.capture.sources import nul_error
from busdecode.capture.stream import Block, CaptureFile, Source, Told
from busdecode.capture.tables.bus import BASES
from busdecode.capture.tables.cells import Cells, Progress
from busdecode.capture.tables.find import find_header
from busdecode.capture.tables.header import read_table
from busdecode.capture.tables.split import BLANK, split_rows
from busdecode.capture.tables.text import EXPECTED, Text, lines_of
from busdecode.capture.words import differing, pack_levels, words_for
from busdecode.errors import CaptureError, TruncatedError, quoted
from busdecode.units import format_time

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator

    from numpy.typing import NDArray

    from busdecode.capture.tables.cells import Rows
    from busdecode.capture.tables.compiled import Scanner

__all__ = ["CsvFile", "open_csv", "sniff_csv"]

BUFFER_BYTES = 1 << 20
"""Bytes that are read at a time."""

_SHOWN_ROWS = 200
"""Rows at the start by which it is told how the file was understood."""

_SHOWN_BUSES = 4
_LONGEST_SPAN = 1 << 14
"""Rows that the plain reader takes at a time where the compiled one cannot."""


def sniff_csv(head: bytes) -> bool:
    """Tell whether a file that begins with `head` is a table of cells."""
    if not head:
        return False
    rows = Text(head).head_lines
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


class CsvFile(CaptureFile):
    """A CSV table whose header was read."""

    def __init__(self, source: Source, told: Told) -> None:
        super().__init__(source, told)
        self._text = Text(source.head)
        rows = self._text.head_lines
        if self._text.nul is not None and find_header(rows, told) is None:
            raise nul_error(source.name, self._text.nul, EXPECTED)
        self._table = table = read_table(rows, source.name, told)
        if table.period is not None:
            self.told = replace(told, sample_period=table.period)
        self.lines = tuple(line for column in table.columns for line in column.lines)
        self.notes = (*filter(None, [self._text.note]), *table.notes)
        self._noted = self.notes
        self._cells = Cells(table, source.name)
        self.understood = self._understood()

    def _blocks(self) -> Iterator[Block]:
        self.notes = self._noted
        words = words_for(len(self._lines))
        progress = Progress(np.zeros(words, np.uint64), np.zeros(words, np.uint64))
        scanner = self._scanner()
        truncated: TruncatedError | None
        try:
            for buffer, end in self._text.parts(self.source, BUFFER_BYTES):
                if scanner is None:
                    yield from self._plain(buffer[:end].tobytes(), progress)
                else:
                    yield from self._mixed(scanner, buffer, end, progress)
        except TruncatedError as error:
            truncated = error
        else:
            truncated = yield from self._tail(progress)
        if progress.rounded:
            said = f"{progress.rounded} times finer than 1 ps are rounded to 1 ps."
            self.notes = (*self.notes, said)
        if truncated is not None:
            raise truncated

    def _scanner(self) -> Scanner | None:
        if not compiled(self.source.likely_size):
            return None
        from busdecode.capture.tables.compiled import scanner_for

        return scanner_for(self._table)

    def _mixed(
        self, scanner: Scanner, buffer: NDArray[np.uint8], end: int, progress: Progress
    ) -> Iterator[Block]:
        """Read plain rows by the compiled loop, and others, of which there may be runs, here."""
        at, span, text = 0, 1, b""
        while at < end:
            before = progress.number
            if before > self._table.body:
                at, block, step = scanner.read(buffer, at, end, progress)
                if progress.last is not None:
                    self._stamps(step, progress.last)
                if len(block.times):
                    yield block
                if at == end:
                    break
            span = 1 if progress.number - before > span else min(2 * span, _LONGEST_SPAN)
            text = text or buffer[:end].tobytes()
            stop = at
            for _ in range(span):
                stop = text.find(b"\n", stop) + 1 or end
                if stop == end:
                    break
            yield from self._plain(text[at:stop], progress)
            at = stop

    def _plain(self, data: bytes, progress: Progress) -> Iterator[Block]:
        """Read whole lines; those without a character, and the header, are passed by."""
        codec = self._text.codec
        failure: UnicodeDecodeError | None = None
        try:
            text = data.decode(codec)
        except UnicodeDecodeError as error:
            failure = error
            whole = data[: error.start]
            text = whole[: max(whole.rfind(b"\n"), whole.rfind(b"\r")) + 1].decode(codec)
        lines = lines_of(text)
        lines.pop()
        numbers = range(progress.number, progress.number + len(lines))
        progress.number += len(lines)
        pairs = [
            (number, line)
            for number, line in zip(numbers, lines, strict=True)
            if number > self._table.body and line.strip()
        ]
        if pairs:
            block = self._rows([pair[0] for pair in pairs], [pair[1] for pair in pairs], progress)
            if len(block.times):
                yield block
        if failure is not None:
            raise CaptureError(
                f"the byte {data[failure.start]:#04x} is not UTF-8",
                path=self.source.name,
                line=progress.number,
                expected="text in UTF-8",
                action="save the file as UTF-8",
            ) from failure

    def _rows(self, numbers: list[int], texts: list[str], progress: Progress) -> Block:
        rows = self._cells.read(numbers, texts, progress.last)
        states = pack_levels(rows.codes & np.uint8(1))
        unknown = pack_levels(rows.codes >> np.uint8(1))
        before = np.concatenate([progress.states, progress.unknown])
        keep = differing(
            np.column_stack([states, unknown]), None if progress.last is None else before
        )
        progress.states, progress.unknown = states[-1], unknown[-1]
        progress.last = int(rows.times[-1])
        progress.rounded += rows.rounded
        self._stamps(rows.step, progress.last)
        return Block(rows.times[keep], states[keep], unknown[keep], None)

    def _tail(self, progress: Progress) -> Generator[Block, None, TruncatedError | None]:
        """Read what stands behind the last line end; give an error where it is no whole row."""
        tail, is_torn = self._text.tail, self._text.is_torn
        try:
            text = tail.decode(self._text.codec)
        except UnicodeDecodeError as error:
            if error.end != len(tail) or error.reason != "unexpected end of data":
                yield from self._plain(tail + b"\n", progress)
            text, is_torn = tail[: error.start].decode(self._text.codec), True
        *lines, row = lines_of(text)
        for line in lines:
            yield from self._plain(f"{line}\n".encode(self._text.codec), progress)
        if progress.number <= self._table.body or not (row.strip() or is_torn):
            return None
        if not is_torn and not self._cells.is_cut(row, progress.last):
            last = (
                self._table.names[-1],
                split_rows([row], self._table.separator, strict=True)[0][-1],
            )
            if len(last[1].strip()) < self._table.last_longest:
                said = f"The file has no last line end; {quoted(last[1].strip())} in column"
                self.notes = (*self.notes, f"{said} {last[0]} may be cut short.")
            yield from self._plain(f"{row}\n".encode(self._text.codec), progress)
            return None
        return TruncatedError(
            "the file ends inside a row",
            path=self.source.name,
            line=progress.number,
            byte=self._text.size,
            text=row,
            expected=f"{len(self._table.names)} cells as in the header (line {self._table.row}),"
            " and a line end",
            action="export the capture again, or give --allow-truncated",
        )

    def _understood(self) -> tuple[str, str]:
        """Say in two lines how the table is read, from its first rows."""
        table, moment = self._table, self._table.moment
        what = "sample number" if moment.counts_samples else "time"
        levels = sum(column.base is None for column in table.columns)
        parts = [f"columns: {what} {quoted(moment.name)}"]
        if levels:
            parts.append(f"{levels} line{'s' if levels > 1 else ''}")
        for base, called in BASES.items():
            names = [column.bus for column in table.columns if column.base == base]
            more = len(names) - _SHOWN_BUSES
            shown = ", ".join(names[:_SHOWN_BUSES]) + (f" and {more} more" if more > 0 else "")
            if names:
                parts.append(f"{shown} as {called}")
        rows = [
            row for row in self._text.head_lines[table.body : -1] if row.strip()
        ] or self._text.head_lines[table.body :]
        texts, read = self._cells.first(rows[:_SHOWN_ROWS])
        between = {"\t": "tab", BLANK: "blanks"}.get(table.separator, repr(table.separator))
        separator = f"separator {between}"
        if moment.dates is None and any("," in text for text in texts):
            separator += ", decimal comma"
        columns = f"{', '.join(parts)}; {separator}; header in line {table.row}"
        return columns, f"times: {', '.join([table.times, *_rhythm(read)])}"


def _rhythm(rows: Rows | None) -> list[str]:
    """Say whether rows are samples or changes, and how far apart they are at least."""
    if rows is None or len(rows.times) < 2:
        return []
    steps = np.diff(rows.times)
    repeats = bool((rows.codes[1:] == rows.codes[:-1]).all(axis=1).any())
    is_even = len(steps) > 1 and bool((steps == steps[0]).all())
    kind = "sample" if repeats or is_even else "change"
    return [f"a row a {kind}", f"smallest step {format_time(int(steps.min()))}"]
