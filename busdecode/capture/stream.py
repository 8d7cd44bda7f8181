"""Takes rows as a reader finds them, gives chunks of a Capture."""

from __future__ import annotations

import os
from abc import ABC, abstractmethod
from dataclasses import dataclass, replace
from math import gcd
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.ahead import read_ahead
from busdecode.capture.block import Block
from busdecode.capture.compilation import compiled
from busdecode.capture.model import Capture, join
from busdecode.capture.narrow import narrowed
from busdecode.capture.sources import UNPACK_LIMIT, Source
from busdecode.errors import CaptureError, RequestError, TruncatedError, nearest, quoted
from busdecode.units import format_time

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator, Sequence
    from pathlib import Path

__all__ = ["SETTLED_ROWS", "Block", "CaptureFile", "Source", "Told"]

SETTLED_ROWS = 65_536
"""Rows at the start of a file by which the resolution of its chunks is inferred."""


@dataclass(frozen=True)
class Told:
    """What the user says about the file beside the file itself.

    Parameters
    ----------
    sample_period : int, ps, optional
        The instrument's sample period.
    time_unit : str, optional
        Unit of the times, for a file that does not tell it.
    allow_truncated : bool
        Take a file that ends early for what is whole in it; then a note tells it.
    separator : str, optional
        What stands between the cells of a table.
    header_line : int, optional
        Line number, from 1, of the column names of a table.
    time_column : str, optional
        Name of a table's column of times or sample numbers.
    layout : path, optional
        Description (TOML) of a file of packed samples.
    unpack_limit : int, bytes
        Where unpacking stops with an error.
    start, stop : int, ps, optional
        Only what lies between these moments is read.
    threads : int, optional
        2 has a second thread read ahead, 1 has none; by default as many as help.
    """

    sample_period: int | None = None
    time_unit: str | None = None
    allow_truncated: bool = False
    separator: str | None = None
    header_line: int | None = None
    time_column: str | None = None
    layout: Path | None = None
    unpack_limit: int = UNPACK_LIMIT
    start: int | None = None
    stop: int | None = None
    threads: int | None = None


class CaptureFile(ABC):
    """A capture file whose header was read; its rows are read as they are asked for.

    Attributes
    ----------
    source : Source
        The file.
    notes : tuple of str
        What was guessed, rounded or counted; whole after the last chunk.
    understood : tuple of str
        How a file without one clear meaning was read, one line each: columns, unit, rate.
    cut : TruncatedError or None
        After the last chunk: why the file ends early, unless that is allowed.
    """

    def __init__(self, source: Source, told: Told) -> None:
        self.source = source
        self.told = told
        self._lines: tuple[str, ...] = ()
        self.notes: tuple[str, ...] = ()
        self.understood: tuple[str, ...] = ()
        self.cut: TruncatedError | None = None
        self._chosen: tuple[str, ...] | None = None
        self._end = 0
        self._step = 0
        self._settled_step = 0

    @property
    def lines(self) -> tuple[str, ...]:
        """The lines of the chunks: those of the file, or those chosen."""
        return self._lines if self._chosen is None else self._chosen

    @lines.setter
    def lines(self, lines: tuple[str, ...]) -> None:
        self._lines = lines

    def only(self, names: Sequence[str]) -> None:
        """Read only these lines, in this order; what others do makes no row.

        Raises
        ------
        RequestError
            If the file has no line of that name.
        """
        known = set(self.lines)
        for name in names:
            if name not in known:
                near = nearest(name, self.lines)
                raise RequestError(
                    f"the capture has no line called {quoted(name)}",
                    path=self.source.name,
                    action=None if near is None else f"did you mean {near}?",
                )
        self._choose(tuple(names))

    def _choose(self, names: tuple[str, ...]) -> None:
        """Have `chunks` give these lines only; a reader may pass the others by itself."""
        self._chosen = names

    @abstractmethod
    def _blocks(self) -> Iterator[Block]:
        """Read the file from its start, with every step of time told to `_stamps`.

        Of a file that ends early all whole rows are given; then `TruncatedError` is raised.
        """

    def _stamps(self, step: int, end: int) -> None:
        """Take note of the steps between time stamps, also of those without a change."""
        self._step = gcd(self._step, step)
        self._end = end

    @property
    def resolution(self) -> int:
        """The sample period told, else the greatest common divisor of all steps so far, ps."""
        return self.told.sample_period or max(1, self._step)

    def chunks(self, rows: int = 1 << 17) -> Iterator[Capture]:
        """Read the file in chunks of at most `rows` rows.

        All have the same resolution. Unless the sample period was told, it is the greatest
        common divisor of the steps of time in the first 65,536 rows; `resolution`, after the
        last chunk, is that of the whole file.

        Yields
        ------
        Capture

        Raises
        ------
        CaptureError
            If the file is not what it claims to be, or holds no row. A file that ends early
            is no error here: see `cut`.
        ValueError
            If `rows` is less than 1.
        """
        if rows < 1:
            raise ValueError(f"rows must be 1 or more, not {rows}")
        threads = self.told.threads
        if threads is None:
            threads = 2 if compiled(self.source.likely_size) and (os.cpu_count() or 1) > 1 else 1
        return read_ahead(self._chunks(rows)) if threads > 1 else self._chunks(rows)

    def _chunks(self, rows: int) -> Iterator[Capture]:
        self._end = self._step = 0
        blocks = self._until_cut()
        if self._chosen is not None:
            blocks = narrowed(blocks, self._lines, self._chosen)
        if self.told.start is not None:
            blocks = self._from(blocks, self.told.start)
        if self.told.stop is not None:
            blocks = self._before(blocks, self.told.stop)
        held: Block | None = None  # the last rows found, whose end is not known yet
        for block in self._settled(blocks):
            if not len(block.times):
                continue
            if held is not None:
                yield self._capture(held, int(block.times[0]))
            for at in range(0, len(block.times) - rows, rows):
                part = block.rows(at, at + rows)
                yield self._capture(part, int(block.times[at + rows]))
            held = block.rows((len(block.times) - 1) // rows * rows, len(block.times))
        if held is not None:
            yield self._capture(held, self._end)
        elif self.cut is not None:
            raise self.cut
        elif self.told.start is not None or self.told.stop is not None:
            raise RequestError(
                "nothing was captured in the time asked for",
                path=self.source.name,
                expected=f"a time up to {format_time(self._end)}, where the capture ends",
            )
        else:
            raise CaptureError(
                "the file holds no row of levels",
                path=self.source.name,
                expected="at least one time with the levels of the lines",
                action="export the capture again, with its samples",
            )

    def _settled(self, blocks: Iterator[Block]) -> Iterator[Block]:
        """Give the blocks once their resolution is known, which all chunks then have.

        It is that of the first rows: the same however the file is cut.
        """
        held: list[Block] = []
        rows = 0
        self._settled_step = 0
        for block in blocks:
            held.append(block)
            rows += len(block.times)
            if rows > SETTLED_ROWS:
                times = np.concatenate([each.times for each in held])[: SETTLED_ROWS + 1]
                self._settled_step = int(np.gcd.reduce(np.diff(times)))
                break
        yield from held
        yield from blocks

    def _from(self, blocks: Generator[Block], start: int) -> Generator[Block]:
        """Give what lies after a moment; the levels that stand then make a row there."""
        before: Block | None = None
        for block in blocks:
            first = int(np.searchsorted(block.times, start, "right"))
            if first:
                before = block.rows(first - 1, first)
            if first == len(block.times):
                continue
            if before is not None:
                yield replace(before, times=np.array([start]))
            yield block.rows(first, len(block.times))
            yield from blocks
            return
        if before is not None and self._end >= start:
            yield replace(before, times=np.array([start]))

    def _before(self, blocks: Generator[Block], stop: int) -> Generator[Block]:
        """Give what lies before a moment, and read no further."""
        for block in blocks:
            beyond = int(np.searchsorted(block.times, stop, "left"))
            yield block.rows(0, beyond)
            if beyond < len(block.times):
                break
        blocks.close()  # what it does at its end comes before, not after, what follows
        self._end = min(self._end, stop)

    def _until_cut(self) -> Generator[Block]:
        self.cut = None
        try:
            yield from self._blocks()
        except TruncatedError as error:
            whole = f"all is whole up to {format_time(self._end)}"
            if self.told.allow_truncated:
                where = "" if error.byte is None else f"byte {error.byte}: "
                self.notes = (*self.notes, f"{where}{error.found}; {whole}, and used.")
            else:
                self.cut = error.adding(whole)

    def _capture(self, block: Block, end: int) -> Capture:
        return Capture(
            lines=self.lines,
            times=block.times,
            states=block.states,
            unknown=None if block.unknown is None or not block.unknown.any() else block.unknown,
            gaps=None if block.gaps is None or not block.gaps.any() else block.gaps,
            end=end,
            resolution=self.told.sample_period or self._settled_step or self.resolution,
            resolution_inferred=self.told.sample_period is None,
            source=self.source.name,
            notes=self.notes,
        )

    def read(self) -> Capture:
        """Read the whole file as one capture, with its final resolution and all notes.

        Raises
        ------
        CaptureError
            As `chunks`; also where the file ends early and that is not allowed.
        """
        whole = join(self.chunks(1 << 20))
        if self.cut is not None:
            raise self.cut
        return replace(whole, resolution=self.resolution, notes=self.notes)
