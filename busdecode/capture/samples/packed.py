"""Takes a binary file of packed samples and its layout, gives its rows."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from math import lcm
from typing import TYPE_CHECKING, BinaryIO, Literal

import numpy as np

from busdecode.capture.model import LATEST
from busdecode.capture.samples.sampled import (
    BitPicker,
    SampleClock,
    agreed_period,
    aligned,
    beyond_note,
    check_span,
    rounding_note,
    said_period,
)
from busdecode.capture.stream import Block, CaptureFile, Source, Told
from busdecode.capture.words import pack_levels
from busdecode.errors import CaptureError, RequestError, TruncatedError
from busdecode.units import format_time

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from busdecode.capture.samples.layout import Layout

__all__ = ["PackedFile", "open_packed"]

BUFFER_BYTES = 1 << 20
BLOCK_ROWS = 1 << 17
"""Samples of one block at most, since narrow samples become wide rows."""


def open_packed(source: Source, told: Told) -> PackedFile:
    """Open a file of packed samples with the layout told, and read its header.

    Raises
    ------
    CaptureError
        If the layout has mistakes, or the header does not fit it.
    RequestError
        If no layout is told.
    """
    if told.layout is None:
        raise RequestError(
            "a file of packed samples tells nothing about its channels",
            path=source.name,
            expected="a layout (TOML) with channels, bits a sample and rate",
            action="write one and name it with --layout; docs/captures.md shows how",
        )
    # Imported here, since other captures need neither pydantic nor construct.
    from busdecode.capture.samples.layout import read_layout

    return PackedFile(source, told, read_layout(told.layout, is_packed=True))


class PackedFile(CaptureFile):
    """A file of packed samples whose header was read."""

    def __init__(self, source: Source, told: Told, layout: Layout) -> None:
        super().__init__(source, told)
        self._layout = layout
        self._stamp_bits = 0 if layout.stamp is None else layout.stamp.bits
        self._width = self._stamp_bits + layout.bits
        with source.open() as stream:
            facts = layout.header.read(source.read(stream, layout.header.fields_size), source.name)
        self.lines = layout.lines
        self._samples = facts.samples if layout.samples is None else layout.samples
        first = facts.first if layout.first is None else layout.first
        self._first = 0 if first is None else first
        user = None if told.sample_period is None else Fraction(told.sample_period)
        in_file = facts.period if layout.period is None else layout.period
        period = agreed_period(
            [("the layout" if facts.period is None else "the header", in_file),
             ("--sample-period", user)], source.name
        )  # fmt: skip
        self._clock = None if period is None else SampleClock(period, self._first)
        if self._clock is None and layout.stamp is None:
            raise CaptureError(
                "the layout tells neither the rate nor the period of the samples",
                path=layout.path,
                expected='rate = "100 MHz", period = "10 ns", or a header field that gives it',
                action="add it, or tell it with --sample-period",
            )
        if period is not None:
            self.told = replace(told, sample_period=round(period))
        self._own_notes = tuple(self._noted(period))
        self.notes = self._own_notes
        self.understood = self._understood(period)

    def _noted(self, period: Fraction | None) -> Iterator[str]:
        if period is not None and period.denominator > 1 and self._layout.stamp is None:
            yield rounding_note(period)
        if self._samples is None and self._width < 8:
            most = 7 // self._width
            yield (
                f"The number of samples is not told: up to {most} at the end may be filling, "
                "since a file is whole bytes."
            )

    def _understood(self, period: Fraction | None) -> tuple[str, str]:
        layout = self._layout
        shown = ", ".join(layout.written)
        if layout.bits % 8 == 0 and self._stamp_bits % 8 == 0:
            packed = f"{'little' if layout.is_low_first else 'big'} endian"
            packed = "one byte each" if self._width == 8 else packed
        else:
            packed = f"back to back, {'lsb' if layout.is_low_first else 'msb'} first"
        one = f"{layout.bits} bits a sample ({shown}), {packed}"
        if layout.header.size:
            one += f", after a header of {layout.header.size} bytes"
        if layout.stamp is not None:
            unit = format_time(layout.stamp.unit)
            two = f"each after a time stamp of {layout.stamp.bits} bits in {unit}"
            if period is not None:
                two += f", sampled at {said_period(period)}"
        else:
            assert period is not None
            two = f"sampled at {said_period(period)}, the first at {format_time(self._first)}"
        if self._samples is not None:
            two += f", {self._samples} samples"
        return one, two

    def _blocks(self) -> Iterator[Block]:
        self.notes = self._own_notes
        width, wanted = self._width, self._samples
        group = lcm(width, 8)
        groups = max(1, min(BUFFER_BYTES * 8 // group, BLOCK_ROWS * width // group))
        reading = _Records(self._layout, self._clock, self._first, self.source.name)
        with self.source.open() as stream:
            at = self._skip(stream)
            done, data, rows, size = 0, b"", 0, groups * group // 8
            while True:
                asked = size
                if wanted is not None:
                    asked = min(size, -(-(wanted - done) * width // 8))
                data = self.source.read(stream, asked)
                rows = len(data) * 8 // width
                if wanted is not None:
                    rows = min(rows, wanted - done)
                if rows:
                    block, step, end = reading.block(data, rows, done)
                    self._stamps(step, end)
                    yield block
                at += len(data)
                done += rows
                if done == wanted:
                    break
                if len(data) < asked:
                    self.source.read(stream, 1)  # of a damaged file, raises what is wrong
                    break
            if wanted is None or done < wanted:
                self._check_whole(len(data) * 8 - rows * width, done, at)
            elif beyond := self._count(stream):
                assert wanted is not None
                self.notes = (*self._own_notes, beyond_note(beyond, wanted))

    def _skip(self, stream: BinaryIO) -> int:
        """Read over the header."""
        size = self._layout.header.size
        at = 0
        while at < size:
            data = self.source.read(stream, min(BUFFER_BYTES, size - at))
            if not data:
                raise CaptureError(
                    "the file ends inside its header",
                    path=self.source.name,
                    byte=at,
                    expected=f"{size} bytes before the first sample, as the layout tells",
                    action="check that the layout fits this file, or export the capture again",
                )
            at += len(data)
        return at

    def _count(self, stream: BinaryIO) -> int:
        """Count the bytes that are left."""
        beyond = 0
        while data := self.source.read(stream, BUFFER_BYTES):
            beyond += len(data)
        return beyond

    def _check_whole(self, left: int, done: int, at: int) -> None:
        """Refuse a file that ends before its last sample is whole; `left` bits of it are there."""
        if self._samples is not None:
            found = f"the file ends after {done} of {self._samples} samples"
            expected = f"{self._samples} samples of {self._width} bits"
        elif left >= 8:
            found = (
                f"the file ends inside a sample, with {left} of its {self._width} bits, "
                f"after {done} whole ones"
            )
            expected = f"whole samples of {self._width} bits"
        else:
            return
        again = "export the capture again"
        if not done:
            raise CaptureError(
                found, path=self.source.name, byte=at, expected=expected, action=again
            )
        raise TruncatedError(
            found,
            path=self.source.name,
            byte=at,
            expected=expected,
            action=f"{again}, or give --allow-truncated",
        )


class _Records:
    """Turns bytes of records into rows, one block after the other."""

    def __init__(self, layout: Layout, clock: SampleClock | None, first: int, path: str) -> None:
        self._layout, self._clock, self._first, self._path = layout, clock, first, path
        self._stamp_bits = 0 if layout.stamp is None else layout.stamp.bits
        self._width = self._stamp_bits + layout.bits
        low = layout.is_low_first
        self._bit_order: Literal["little", "big"] = "little" if low else "big"
        bits = [at if low else layout.bits - 1 - at for at in layout.places]
        octets = -(-self._width // 8)
        self._picker = BitPicker([self._stamp_bits + at for at in bits], octets, low)
        self._last: int | None = None

    def block(self, data: bytes, rows: int, done: int) -> tuple[Block, int, int]:
        """Give the block of `rows` records, the step between their times, and the last one."""
        octets = np.frombuffer(data, dtype=np.uint8)
        if self._width % 8 == 0:
            records = octets[: rows * self._width // 8].reshape(rows, -1)
        else:
            low = self._layout.is_low_first
            records = aligned(octets, self._width, low)[:rows]
        changed_at, states = self._picker.take(records)
        if self._layout.stamp is None:
            assert self._clock is not None
            check_span(self._clock, done + rows - 1, self._path)
            times = self._clock.times(done, changed_at)
            step, end = round(self._clock.period), self._clock.time(done + rows - 1)
        else:
            stamps = self._times(records, done)
            steps = np.diff(stamps) if self._last is None else np.diff(stamps, prepend=self._last)
            times, end = stamps[changed_at], int(stamps[-1])
            step = int(np.gcd.reduce(steps)) if len(steps) else 0
        self._last = end
        return Block(times, states), step, end

    def _times(self, records: NDArray[np.uint8], done: int) -> NDArray[np.int64]:
        """Read the time stamps and check that they rise."""
        stamp = self._layout.stamp
        assert stamp is not None
        order = (
            slice(0, stamp.bits) if self._bit_order == "little" else slice(stamp.bits - 1, None, -1)
        )
        octets = records[:, : -(-stamp.bits // 8)]
        bits = np.unpackbits(octets, axis=1, bitorder=self._bit_order)
        counts = pack_levels(bits[:, order])[:, 0].astype(np.int64)
        most = (LATEST - max(0, self._first)) // stamp.unit
        too_late = counts > most
        if too_late.any():
            row = int(np.argmax(too_late))
            self._refuse(
                row,
                done,
                f"the time stamp {counts[row]} does not fit into 64 bits of picoseconds",
                f"{most} at most, in {format_time(stamp.unit)}",
            )
        times = counts * stamp.unit + self._first
        before = times[:1] - 1 if self._last is None else np.array([self._last])
        falls = np.diff(times, prepend=before) <= 0
        if falls.any():
            row = int(np.argmax(falls))
            earlier = (int(times[row - 1]) if row else int(before[0])) - self._first
            self._refuse(
                row,
                done,
                f"the time stamps do not rise: {counts[row]} after {earlier // stamp.unit}",
                "a later time stamp in each record",
            )
        return times

    def _refuse(self, row: int, done: int, found: str, expected: str) -> None:
        raise CaptureError(
            found,
            path=self._path,
            byte=self._layout.header.size + (done + row) * self._width // 8,
            expected=expected,
            action="check the stamp, the order and the header in the layout",
        )
