"""Takes the bytes of a VCD file, gives its tokens, and the place of the last one for errors."""

from __future__ import annotations

import re
from operator import length_hint
from typing import TYPE_CHECKING, BinaryIO

from busdecode.errors import CaptureError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from busdecode.capture.stream import Source

__all__ = ["Tokens"]

BUFFER_BYTES = 1 << 20
LONGEST_TOKEN = 1 << 24
_WORD = re.compile(rb"\S+")
_MARK = b"\xef\xbb\xbf"


class Tokens:
    """Words of a file separated by white space, read a buffer at a time.

    Attributes
    ----------
    words : iterator of bytes
        What is left of this buffer; `advance` puts the next buffer's words in its place.
    """

    def __init__(self, source: Source, buffer_bytes: int = BUFFER_BYTES) -> None:
        self._source = source
        self._stream: BinaryIO = source.open()
        self._size = buffer_bytes
        self._buffer = b""
        self._rest = b""
        self._line = 1
        self._column = 0
        self._count = 0
        self._ended = False
        self.words: Iterator[bytes] = iter(())

    def close(self) -> None:
        """Close the file."""
        self._stream.close()

    def advance(self) -> bool:
        """Load the next buffer; False at the end of the file."""
        while not self._ended:
            data, cut = self._rest, 0
            while not cut:
                more = self._source.read(self._stream, self._size)
                data += more
                if not self._buffer:
                    data = data.removeprefix(_MARK)
                if len(more) < self._size:
                    self._ended = True
                    break
                cut = data.rfind(b"\n") + 1 or max(data.rfind(b" "), data.rfind(b"\t")) + 1
                if not cut and len(data) > LONGEST_TOKEN:
                    raise CaptureError(
                        f"no white space within {LONGEST_TOKEN >> 20} MiB",
                        path=self._source.name,
                        line=self._line + self._buffer.count(b"\n"),
                        expected="VCD, whose words are separated by blanks or line ends",
                        action="check that this is a VCD file",
                    )
            if not data:
                break
            cut = cut or len(data)
            self._pass_by(self._buffer)
            self._buffer, self._rest = data[:cut], data[cut:]
            words = self._buffer.split()
            self._count = len(words)
            self.words = iter(words)
            if words:
                return True
        return False

    def _pass_by(self, buffer: bytes) -> None:
        lines = buffer.count(b"\n")
        self._line += lines
        if lines:
            self._column = len(buffer) - buffer.rfind(b"\n") - 1
        else:
            self._column += len(buffer)

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
            Words before the last one; its own line is not known where that was in an
            earlier buffer, and the last word is shown.
        """
        at = max(0, self._count - length_hint(self.words) - 1)
        if back <= at:
            at -= back
        else:
            into = 0
        start = 0
        for index, match in enumerate(_WORD.finditer(self._buffer)):
            if index == at:
                start = match.start() + into
                break
        first = self._buffer.rfind(b"\n", 0, start) + 1
        beyond = self._buffer.find(b"\n", start)
        text = self._buffer[first : beyond if beyond >= 0 else len(self._buffer)]
        line = self._line + self._buffer.count(b"\n", 0, start)
        cut = self._column if first == 0 else 0
        return CaptureError(
            found,
            path=self._source.name,
            line=line,
            column=len(self._buffer[first:start].decode("utf-8", "replace")) + cut + 1,
            text=None if cut else text.decode("utf-8", "replace"),
            expected=expected,
            action=action,
        )
