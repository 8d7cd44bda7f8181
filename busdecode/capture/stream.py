"""Takes rows as a reader finds them, gives chunks of a Capture; opens plain and gzip files."""

from __future__ import annotations

import gzip
import zlib
from abc import ABC, abstractmethod
from dataclasses import dataclass, field, replace
from math import gcd
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, cast

import numpy as np

from busdecode.capture.model import Capture, join
from busdecode.errors import CaptureError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

__all__ = ["Block", "CaptureFile", "Source", "Told"]

HEAD_BYTES = 65_536
"""Bytes at the start of a file in which its format and a NUL byte are looked for."""


@dataclass(frozen=True)
class Told:
    """What the user says about the file beside the file itself.

    Parameters
    ----------
    sample_period : int, ps, optional
        The instrument's sample period.
    time_unit : str, optional
        Unit of the times, for a file that does not tell it.
    """

    sample_period: int | None = None
    time_unit: str | None = None


@dataclass
class Source:
    """A file that can be read as bytes, once or again; gzip is unpacked on the way.

    Raises
    ------
    CaptureError
        If it is missing, a folder, empty, binary, or named ``.gz`` without being gzip.
    """

    path: Path
    name: str
    head: bytes = field(init=False)

    def __post_init__(self) -> None:
        """Read the head and refuse what no reader could read."""
        with self.open() as stream:
            self.head = self.read(stream, HEAD_BYTES)
        if not self.head:
            raise CaptureError(
                "the file is empty",
                path=self.name,
                expected="a capture as VCD or CSV, plain or gzip",
                action="export the capture again",
            )
        nul = self.head.find(b"\0")
        if nul >= 0:
            wide = self.head[:2] in (b"\xff\xfe", b"\xfe\xff")
            raise CaptureError(
                "the text is UTF-16" if wide else "the file is binary (a NUL byte)",
                path=self.name,
                byte=0 if wide else nul,
                expected="text in UTF-8" if wide else "text: VCD or CSV, plain or gzip",
                action="save it as UTF-8" if wide else "export the capture as VCD or CSV",
            )

    def open(self) -> BinaryIO:
        """Open the unpacked bytes of the file."""
        try:
            stream = self.path.open("rb")
            magic = stream.read(2)
            stream.seek(0)
        except IsADirectoryError as error:
            raise CaptureError(
                "this is a folder, not a file", path=self.name, action="name one capture file in it"
            ) from error
        except FileNotFoundError as error:
            raise CaptureError(
                "there is no such file", path=self.name, action="check the name and the folder"
            ) from error
        except OSError as error:
            raise CaptureError(
                f"the file cannot be opened: {error.strerror}", path=self.name
            ) from error
        if magic == b"\x1f\x8b":
            stream.close()
            return cast("BinaryIO", gzip.open(self.path, "rb"))
        if self.path.suffix.lower() == ".gz" and magic:
            stream.close()
            raise CaptureError(
                "the file is called .gz but is not gzip",
                path=self.name,
                byte=0,
                expected="the bytes 1f 8b",
                action="pack it with gzip, or take .gz off its name",
            )
        return stream

    def read(self, stream: BinaryIO, size: int) -> bytes:
        """Read up to `size` unpacked bytes; fewer only at the end of the file."""
        parts: list[bytes] = []
        left = size
        try:
            while left > 0 and (part := stream.read(left)):
                parts.append(part)
                left -= len(part)
        except (EOFError, zlib.error, gzip.BadGzipFile) as error:
            raise CaptureError(
                f"the gzip stream is damaged: {error}",
                path=self.name,
                expected="a whole gzip file",
                action="copy or pack the file again",
            ) from error
        return b"".join(parts)


@dataclass(frozen=True)
class Block:
    """Rows as a reader found them, of any number; laid out as in a Capture.

    Parameters
    ----------
    times : ndarray of int64, shape (N,), ps
    states, unknown : ndarray of uint64, shape (N, W)
    gaps : ndarray of bool, shape (N,)
    """

    times: NDArray[np.int64]
    states: NDArray[np.uint64]
    unknown: NDArray[np.uint64]
    gaps: NDArray[np.bool_]


class CaptureFile(ABC):
    """A capture file whose header was read; its rows are read as they are asked for.

    Attributes
    ----------
    source : Source
        The file.
    lines : tuple of str
        Channel names in the order of the file.
    notes : tuple of str
        What was guessed, rounded or counted; whole after the last chunk.
    """

    def __init__(self, source: Source, told: Told) -> None:
        self.source = source
        self.told = told
        self.lines: tuple[str, ...] = ()
        self.notes: tuple[str, ...] = ()
        self._end = 0
        self._step = 0

    @abstractmethod
    def _blocks(self) -> Iterator[Block]:
        """Read the file from its start, with every step of time told to `_stamps`."""

    def _stamps(self, step: int, end: int) -> None:
        """Take note of the steps between time stamps, also of those without a change."""
        self._step = gcd(self._step, step)
        self._end = end

    def _resolution(self) -> int:
        return self.told.sample_period or max(1, self._step)

    def chunks(self, rows: int = 65_536) -> Iterator[Capture]:
        """Read the file in chunks of at most `rows` rows.

        The resolution of a chunk is the greatest common divisor of the steps seen so far,
        unless the sample period was told.

        Yields
        ------
        Capture

        Raises
        ------
        CaptureError
            If the file is not what it claims to be, or holds no row.
        ValueError
            If `rows` is less than 1.
        """
        if rows < 1:
            raise ValueError(f"rows must be 1 or more, not {rows}")
        self._end = self._step = 0
        held: Block | None = None
        for block in self._blocks():
            held = block if held is None else _append(held, block)
            at = 0
            while len(held.times) - at > rows:
                yield self._capture(held, at, at + rows, int(held.times[at + rows]))
                at += rows
            if at:
                held = Block(held.times[at:], held.states[at:], held.unknown[at:], held.gaps[at:])
        if held is None or not len(held.times):
            raise CaptureError(
                "the file holds no row of levels",
                path=self.source.name,
                expected="at least one time with the levels of the lines",
                action="export the capture again, with its samples",
            )
        for at in range(0, len(held.times), rows):
            beyond = min(at + rows, len(held.times))
            last = beyond == len(held.times)
            yield self._capture(held, at, beyond, self._end if last else int(held.times[beyond]))

    def _capture(self, block: Block, at: int, beyond: int, end: int) -> Capture:
        unknown, gaps = block.unknown[at:beyond], block.gaps[at:beyond]
        return Capture(
            lines=self.lines,
            times=block.times[at:beyond].copy(),
            states=block.states[at:beyond].copy(),
            unknown=unknown.copy() if unknown.any() else None,
            gaps=gaps.copy() if gaps.any() else None,
            end=end,
            resolution=self._resolution(),
            resolution_inferred=self.told.sample_period is None,
            source=self.source.name,
            notes=self.notes,
        )

    def read(self) -> Capture:
        """Read the whole file as one capture, with its final resolution and all notes."""
        whole = join(self.chunks(1 << 20))
        return replace(whole, resolution=self._resolution(), notes=self.notes)


def _append(one: Block, two: Block) -> Block:
    return Block(
        np.concatenate([one.times, two.times]),
        np.concatenate([one.states, two.states]),
        np.concatenate([one.unknown, two.unknown]),
        np.concatenate([one.gaps, two.gaps]),
    )
