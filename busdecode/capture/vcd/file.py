"""Takes a VCD file (IEEE 1364-2005 clause 18), gives its rows."""

from __future__ import annotations

from codecs import BOM_UTF8
from typing import TYPE_CHECKING

from busdecode.capture.compilation import compiled, saying_if_slow
from busdecode.capture.stream import Block, CaptureFile, Source, Told
from busdecode.capture.vcd.body import Body, Reached
from busdecode.capture.vcd.header import read_header
from busdecode.capture.vcd.tokens import Tokens

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["VcdFile", "open_vcd", "sniff_vcd"]

_OPENINGS = (
    b"$date", b"$version", b"$comment", b"$timescale", b"$scope", b"$upscope", b"$var",
    b"$enddefinitions",
)  # fmt: skip
HEADER_BYTES = 1 << 16


def sniff_vcd(head: bytes) -> bool:
    """Tell whether a file that begins with `head` is a VCD."""
    words = head.removeprefix(BOM_UTF8).split(None, 1)
    return bool(words) and words[0].startswith(_OPENINGS)


def open_vcd(source: Source, told: Told) -> VcdFile:
    """Open a VCD file and read its header.

    Raises
    ------
    CaptureError
        If the header is not that of a VCD.
    """
    return VcdFile(source, told)


class VcdFile(CaptureFile):
    """A VCD file whose header was read."""

    def __init__(self, source: Source, told: Told) -> None:
        super().__init__(source, told)
        tokens = Tokens(source, HEADER_BYTES)
        try:
            self._header = read_header(tokens, told)
            self._body_at = tokens.offset
        finally:
            tokens.close()
        self.lines = tuple(self._header.lines)
        self.notes = tuple(self._header.notes)

    def _choose(self, names: tuple[str, ...]) -> None:
        """Pass over the values of other lines as they come."""
        self.lines = names

    def _blocks(self) -> Iterator[Block]:
        reached = Reached.at_start(len(self.lines))
        try:
            for block in self._rows(reached):
                self._stamps(reached.step, reached.now)
                yield block
        finally:
            self._stamps(reached.step, reached.now)
            self.notes = (*self._header.notes, *reached.counted())

    def _rows(self, reached: Reached) -> Iterator[Block]:
        at = self._body_at
        if compiled(self.source.likely_size):
            from busdecode.capture.vcd.compiled import CompiledBody

            with saying_if_slow("the reader of VCD files"):
                body = CompiledBody(self.source, self._header, self.lines, reached)
            yield from body.blocks(at)
            if body.stopped_at is None:
                return
            at = body.stopped_at
        tokens = Tokens(self.source, start=at)
        try:
            yield from Body(tokens, self._header, self.lines, reached).blocks()
        finally:
            tokens.close()
