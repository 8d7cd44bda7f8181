"""Takes the bytes of a text file, gives its lines, whatever they are encoded in."""

from __future__ import annotations

import codecs
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.sources import HEAD_BYTES, nul_error
from busdecode.errors import CaptureError, TruncatedError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import BinaryIO

    from numpy.typing import NDArray

    from busdecode.capture.sources import Source

__all__ = ["EXPECTED", "Text", "lines_of"]

EXPECTED = "CSV, which is text"
_PADDING = 16
"""Bytes of a buffer behind the lines; they may be read and do not count."""

LONGEST_LINE = 64 << 20
_NEWLINE, _RETURN = 10, 13
_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


def lines_of(text: str) -> list[str]:
    """Split at line ends of any kind; what follows the last one is an entry too."""
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")


class Text:
    """A file of text whose encoding is found from its first bytes.

    Parameters
    ----------
    head : bytes

    Attributes
    ----------
    head_lines : list of str
        The lines that are whole in the head; up to a NUL.
    nul : int or None
        The byte of the first NUL in the head.
    codec : str
        In which the lines are handed out: UTF-16 becomes UTF-8 on the way.
    note : str or None
        What was guessed.
    size : int
        Bytes of the file read so far.
    tail : bytes
        After `parts`: what stands behind the last line end.
    is_torn : bool
        After `parts`: the file ends inside a character.
    """

    def __init__(self, head: bytes) -> None:
        self._mark, self._encoding, self.note = _encoding(head)
        self._wide = self._encoding.startswith("utf-16")
        self.codec = "utf-8" if self._wide else self._encoding
        text = head[len(self._mark) :].decode(self._encoding, "replace")
        lines = lines_of(text)
        self.nul: int | None = None
        if "\0" in text:
            before = text[: text.index("\0")]
            self.nul = len(self._mark) + len(before.encode(self._encoding))
            lines = lines_of(before)
        if self.nul is not None or (len(head) >= HEAD_BYTES and len(lines) > 1):
            lines.pop()
        self.head_lines = lines
        self._name = ""
        self._returns = "\r" in text and "\n" not in text
        self.size = 0
        self.tail = b""
        self.is_torn = False

    def parts(self, source: Source, size: int) -> Iterator[tuple[NDArray[np.uint8], int]]:
        """Read the file, `size` bytes at a time.

        Yields
        ------
        (ndarray of uint8, int)
            A buffer that holds whole lines up to that place; it is used again for the next.

        Raises
        ------
        CaptureError
            At a NUL, at bytes that are no UTF-16, at a line without end; after the lines
            before it were given.
        """
        octets = bytearray(4 * size + _PADDING)
        held = 0
        failure: CaptureError | None = None
        self._name = source.name
        self.tail, self.is_torn, ended = b"", False, False
        decoder = codecs.getincrementaldecoder(self._encoding)() if self._wide else None
        with source.open() as stream:
            self.size = len(source.read(stream, len(self._mark)))
            while not ended and failure is None:
                if held + 2 * size + _PADDING > len(octets):
                    octets = octets + bytes(len(octets) + 2 * size)
                before = self.size
                try:
                    beyond, failure = self._fill(source, stream, octets, held, size, decoder)
                except TruncatedError as error:
                    beyond, failure = held, error
                ended = self.size == before
                buffer = np.frombuffer(octets, dtype=np.uint8)
                if self._returns:
                    new = buffer[held:beyond]
                    new[new == _RETURN] = _NEWLINE
                end = octets.rfind(b"\n", held, beyond) + 1
                if end:
                    yield buffer, end
                    octets[: beyond - end] = octets[end:beyond]
                held = beyond - end
                if held > LONGEST_LINE:
                    failure = failure or CaptureError(
                        f"a line is longer than {LONGEST_LINE >> 20} MiB",
                        path=self._name,
                        byte=self.size - held,
                        expected="a table with a row a line",
                        action="check that this is a table of levels",
                    )
        if failure is not None:
            raise failure
        self.tail = bytes(octets[:held])

    def _fill(
        self,
        source: Source,
        stream: BinaryIO,
        octets: bytearray,
        held: int,
        size: int,
        decoder: codecs.IncrementalDecoder | None,
    ) -> tuple[int, CaptureError | None]:
        """Read up to `size` bytes to behind those held; give their end, and what is wrong."""
        if decoder is None:
            with memoryview(octets)[held : held + size] as room:
                count = source.readinto(stream, room)
            nul = octets.find(b"\0", held, held + count)
            failure = nul_error(self._name, self.size + nul - held, EXPECTED) if nul >= 0 else None
            self.size += count
            return (held + count if nul < 0 else nul), failure
        raw = source.read(stream, size)
        data, failure = self._decoded(decoder, raw)
        self.size += len(raw)
        octets[held : held + len(data)] = data
        return held + len(data), failure

    def _decoded(
        self, decoder: codecs.IncrementalDecoder, raw: bytes
    ) -> tuple[bytes, CaptureError | None]:
        begun = decoder.getstate()[0]
        start = self.size - len(begun)
        failure: CaptureError | None = None
        try:
            text = decoder.decode(raw, final=not raw)
        except UnicodeDecodeError as error:
            text = error.object[: error.start].decode(self._encoding)
            if not raw:
                self.is_torn = True
            else:
                bad = error.object[error.start : error.end].hex(" ")
                failure = CaptureError(
                    f"the bytes {bad} are not UTF-16",
                    path=self._name,
                    byte=start + error.start,
                    expected="text in UTF-16, as the file begins",
                    action="save the file as UTF-8",
                )
        nul = text.find("\0")
        if nul >= 0:
            text = text[:nul]
            failure = nul_error(self._name, start + len(text.encode(self._encoding)), EXPECTED)
        return text.encode(), failure


def _encoding(head: bytes) -> tuple[bytes, str, str | None]:
    """Find the mark, the encoding and what to say about it."""
    for mark, name in _MARKS:
        if head.startswith(mark):
            return mark, name, None
    first = head[:4]
    if len(first) == 4 and first[1] == first[3] == 0 and first[0] and first[2]:
        return b"", "utf-16-le", "The text has no mark; it is read as UTF-16, low byte first."
    if len(first) == 4 and first[0] == first[2] == 0 and first[1] and first[3]:
        return b"", "utf-16-be", "The text has no mark; it is read as UTF-16, high byte first."
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return b"", "latin-1", "The text is not UTF-8; it is read as Latin-1."
    return b"", "utf-8", None
