"""Takes the bytes of a VCD file, gives its tokens, and the place of the last one for errors."""

from __future__ import annotations

import re
from codecs import BOM_UTF8
from operator import length_hint
from typing import TYPE_CHECKING, BinaryIO

from busdecode.capture.sources import nul_error
from busdecode.errors import CaptureError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from busdecode.capture.stream import Source

__all__ = ["Tokens", "behind_last_blank"]

BUFFER_BYTES = 1 << 20
LONGEST_TOKEN = 1 << 24
_WORD = re.compile(rb"\S+")
_BLANKS = (b"\n", b" ", b"\t", b"\r", b"\v", b"\f")
_NEAR_BYTES = 256
"""The last blank is nearly always so near; only else all bytes are searched."""


class Tokens:
    """Words of a file separated by white space, read a buffer at a time.

    Attributes
    ----------
    words : iterator of bytes
        What is left of this buffer; `advance` puts the next buffer's words in its place.
    """

    def __init__(self, source: Source, buffer_bytes: int = 0, start: int = 0) -> None:
        """Begin with the word at or after byte `start` of the file."""
        self._source = source
        self._stream: BinaryIO = source.open(start)
        self._size = buffer_bytes or BUFFER_BYTES
        self._buffer = b""
        self._rest = b""
        self._count = 0
        self._ended = False
        self._beyond = start  # of the bytes handed out as words
        self._before = 0  # where the last word of the buffer before this one begins
        self.words: Iterator[bytes] = iter(())

    def close(self) -> None:
        """Close the file."""
        self._stream.close()

    def advance(self) -> bool:
        """Load the next buffer; False at the end of the file."""
        while not self._ended:
            data, cut = self._rest, 0
            while not cut:
                nul = data.find(b"\0")
                cut = behind_last_blank(data, len(data) if nul < 0 else nul)
                if cut:
                    break
                if nul >= 0:
                    raise nul_error(self._source.name, self._beyond + nul, "VCD, which is text")
                if len(data) > LONGEST_TOKEN:
                    raise CaptureError(
                        f"no white space within {LONGEST_TOKEN >> 20} MiB",
                        path=self._source.name,
                        byte=self._beyond,
                        expected="VCD, whose words are separated by blanks or line ends",
                        action="check that this is a VCD file",
                    )
                more = self._source.read(self._stream, self._size)
                if not more:
                    self._ended = True
                    break
                data += more
                if not self._beyond and data.startswith(BOM_UTF8):
                    data, self._beyond = data[len(BOM_UTF8) :], len(BOM_UTF8)
            if not data:
                break
            cut = cut or len(data)
            if self._count:
                word = self._buffer.rsplit(None, 1)[-1]
                at = self._buffer.rfind(word)
                self._before = self._beyond - len(self._buffer) + at
            self._buffer, self._rest = data[:cut], data[cut:]
            self._beyond += cut
            words = self._buffer.split()
            self._count = len(words)
            self.words = iter(words)
            if words:
                return True
        return False

    def take(self) -> bytes | None:
        """Give the next word, or None at the end of the file."""
        word = next(self.words, None)
        while word is None and self.advance():
            word = next(self.words, None)
        return word

    def section(self) -> list[bytes] | None:
        """Give the words up to ``$end``, or None where the file ends before it."""
        words: list[bytes] = []
        while (word := self.take()) is not None:
            if word == b"$end":
                return words
            words.append(word)
        return None

    @property
    def offset(self) -> int:
        """Byte of the file behind the last word taken."""
        return self._place(self._count - length_hint(self.words))

    def _place(self, number: int) -> int:
        """Give the byte of the file at which a word of this buffer begins, or behind them all."""
        for index, match in enumerate(_WORD.finditer(self._buffer)):
            if index == number:
                return self._beyond - len(self._buffer) + match.start()
        return self._beyond

    @property
    def ends_in_blank(self) -> bool:
        """True where the last word read so far is surely whole."""
        return self._buffer[-1:].isspace()

    @property
    def is_cut(self) -> bool:
        """True where the word taken last ends the file, without the line end of a whole file."""
        return self._ended and not length_hint(self.words) and not self.ends_in_blank

    def error(
        self, found: str, *, expected: str | None, action: str | None, into: int = 0, back: int = 0
    ) -> CaptureError:
        """Make an error at the last word taken.

        Parameters
        ----------
        into : int
            Bytes into the word at which the caret stands.
        back : int
            Words before the last one, 0 or 1.
        """
        at = max(0, self._count - length_hint(self.words) - 1)
        offset = self._before if back > at else self._place(at - back)
        if offset < self._beyond:
            offset += into
        line, column, text = place_of(self._source, offset)
        return CaptureError(
            found,
            path=self._source.name,
            line=line,
            column=column,
            text=text,
            expected=expected,
            action=action,
        )


def behind_last_blank(data: bytes | bytearray, beyond: int) -> int:
    """Give the place behind the last blank of the first `beyond` bytes, 0 where there is none."""
    near = max(0, beyond - _NEAR_BYTES)
    return max(data.rfind(blank, near, beyond) for blank in _BLANKS) + 1 or (
        max(data.rfind(blank, 0, beyond) for blank in _BLANKS) + 1
    )


def place_of(source: Source, offset: int) -> tuple[int, int, str]:
    """Find a byte of a text file, by reading it again.

    Where only blanks are left from there on, the last word before is found.

    Returns
    -------
    line, column : int
        From 1; columns are characters.
    text : str
        The line.
    """
    line, at = 1, 0
    held = b""  # from the start of the last line with a word before the byte, or of its own
    with source.open() as stream:
        ended = False
        while not ended and b"\n" not in held[max(0, offset - at) :]:
            try:
                data = source.read(stream, BUFFER_BYTES)
            except CaptureError:
                break
            ended = not data
            held += data
            before = held[: max(0, offset - at)]
            word = before if held[len(before) :].strip() else before.rstrip()
            cut = word.rfind(b"\n") + 1
            line += held.count(b"\n", 0, cut)
            held, at = held[cut:], at + cut
    before = held[: offset - at]
    if not held[len(before) :].strip():
        words = list(_WORD.finditer(before))
        before = before[: words[-1].start()] if words else b""
    beyond = held.find(b"\n", len(before))
    text = held[: beyond if beyond >= 0 else len(held)]
    if at == 0:
        before, text = before.removeprefix(BOM_UTF8), text.removeprefix(BOM_UTF8)
    return line, len(before.decode("utf-8", "replace")) + 1, text.decode("utf-8", "replace")
