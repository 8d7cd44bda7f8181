"""Takes the bytes of a packed file, gives the unpacked bytes as a stream."""

from __future__ import annotations

import bz2
import io
import lzma
import zlib
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from typing import TYPE_CHECKING, Any, Protocol

from busdecode.errors import CaptureError, TruncatedError

if TYPE_CHECKING:
    from collections.abc import Callable

    from _typeshed import WriteableBuffer

__all__ = ["MAGIC", "Packing", "Unpacked", "kind_of"]

INPUT_BYTES = 1 << 17
OUTPUT_BYTES = 1 << 18
XZ_MEMORY = 256 << 20
"""Bytes that an xz file may ask for; its strongest usual setting (-9) needs 65 MiB."""

# RFC 1952 2.3.1 (gzip, with the one method it knows), RFC 8878 3.1.1 and 3.1.2 (zstd, and frames
# to be skipped). The others from memory: xz, bzip2 (with a block or the end behind), zip.
MAGIC: dict[str, tuple[bytes, ...]] = {
    "gzip": (b"\x1f\x8b\x08",),
    "zstd": (b"\x28\xb5\x2f\xfd", *(bytes([at]) + b"\x2a\x4d\x18" for at in range(0x50, 0x60))),
    "xz": (b"\xfd7zXZ\0",),
    "bzip2": tuple(
        b"BZh%d%b" % (level, then)
        for level in range(1, 10)
        for then in (b"\x31\x41\x59\x26\x53\x59", b"\x17\x72\x45\x38\x50\x90")
    ),
    "zip": (b"PK\x03\x04", b"PK\x05\x06"),
}
"""First bytes of each kind of packed file."""
_LONGEST_MAGIC = max(len(magic) for magics in MAGIC.values() for magic in magics)


def kind_of(head: bytes) -> str:
    """Tell by its first bytes how a file is packed.

    Examples
    --------
    >>> kind_of(b"$date")
    'plain'
    """
    return next((kind for kind, magics in MAGIC.items() if head.startswith(magics)), "plain")


@dataclass(frozen=True)
class Packing:
    """How a file is packed, and where in it the packed bytes lie.

    Parameters
    ----------
    kind : str
        A key of `MAGIC`.
    codec : str
        ``deflate`` or ``stored`` inside a zip archive, else as `kind`.
    begins, ends : int
        Bytes of the file; an end of None is that of the file.
    check : (int, int), optional
        CRC-32 and size of the unpacked bytes, where the archive's directory tells them.
    cut : str, optional
        Why the file ends early, where that was seen before its bytes were unpacked.
    """

    kind: str
    codec: str
    begins: int = 0
    ends: int | None = None
    check: tuple[int, int] | None = None
    cut: str | None = None


class _Decoder(Protocol):
    @property
    def eof(self) -> bool: ...
    @property
    def needs_input(self) -> bool: ...
    @property
    def unused_data(self) -> bytes: ...
    def decompress(self, data: bytes, max_length: int, /) -> bytes: ...


class _Inflate:
    """Gives the decompressor of zlib, or of its like, the form that the others have."""

    def __init__(self, module: Any, window: int) -> None:
        self._inner = module.decompressobj(window)
        self._may_hold_more = False

    @property
    def eof(self) -> bool:
        return bool(self._inner.eof)

    @property
    def needs_input(self) -> bool:
        return not (self._inner.unconsumed_tail or self._may_hold_more)

    @property
    def unused_data(self) -> bytes:
        return bytes(self._inner.unused_data)

    def decompress(self, data: bytes, max_length: int, /) -> bytes:
        out = self._inner.decompress(self._inner.unconsumed_tail or data, max_length)
        self._may_hold_more = len(out) == max_length
        return bytes(out)


class _Stored:
    """Gives what a zip archive holds unpacked; its end is where the archive says."""

    eof = False
    needs_input = True
    unused_data = b""

    def decompress(self, data: bytes, max_length: int, /) -> bytes:
        return data


@dataclass(frozen=True)
class _Codec:
    """`sure` makes the decoder that decides where a stream is damaged; `fast` may be another."""

    fast: Callable[[], _Decoder]
    sure: Callable[[], _Decoder]
    errors: tuple[type[Exception], ...]


def _installed(*modules: str) -> Any:
    for module in modules:
        with suppress(ImportError):
            return import_module(module)
    return None


def _codec(codec: str, name: str) -> _Codec:
    if codec in ("gzip", "deflate"):
        window = 31 if codec == "gzip" else -15
        fast = _installed("isal.isal_zlib")
        return _Codec(
            lambda: _Inflate(fast or zlib, window),
            lambda: _Inflate(zlib, window),
            (zlib.error,) if fast is None else (zlib.error, fast.error),
        )
    if codec == "zstd":
        zstd = _installed("compression.zstd", "backports.zstd")
        if zstd is None:
            raise CaptureError(
                "the file is packed with zstd, and nothing is installed that unpacks it",
                path=name,
                expected="Python 3.14 or later, or the package backports.zstd",
                action="pip install 'busdecode[zstd]', or unpack the file",
            )
        return _Codec(zstd.ZstdDecompressor, zstd.ZstdDecompressor, (zstd.ZstdError,))
    if codec == "xz":

        def make() -> _Decoder:
            return lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=XZ_MEMORY)

        return _Codec(make, make, (lzma.LZMAError,))
    if codec == "bzip2":
        return _Codec(bz2.BZ2Decompressor, bz2.BZ2Decompressor, (OSError,))
    return _Codec(_Stored, _Stored, ())


class Unpacked(io.RawIOBase):
    """The unpacked bytes of a packed file, from its start; not seekable.

    A read gives all that was asked for, and fewer only at the end or before damage. What is
    wrong is raised by the next read then, and by each one after it. Where the last good byte is
    does not depend on which decoder is installed: at damage the stream is unpacked anew up to
    there with the one that decides, the damaged part byte by byte.

    Parameters
    ----------
    packed : seekable stream
        The file; closed with this stream.
    packing : Packing
    name : str
        Shown in errors.
    limit : int, bytes
        Where unpacking stops with an error.

    Raises
    ------
    CaptureError
        When made: if nothing is installed that unpacks the file. When read: if it is damaged or
        goes beyond the limit, and as `TruncatedError` if it ends early.
    """

    def __init__(self, packed: io.RawIOBase, packing: Packing, name: str, limit: int) -> None:
        self._packed, self._packing, self._name, self._limit = packed, packing, name, limit
        self._codec = _codec(packing.codec, name)
        self._decoder = self._codec.fast()
        self._is_sure = False
        packed.seek(packing.begins)
        self._member = packing.begins
        self._of_member = 0
        self._total = 0
        self._crc = 0
        self._rest = b""
        self._fed = range(0)
        self._slow = range(0)
        self._skip = 0
        self._ready = memoryview(b"")
        self._ended = False
        # Made anew each time it is raised: one kept would keep this stream alive by its traceback.
        self._stop: Callable[[], CaptureError] | None = None

    def readable(self) -> bool:
        """Tell that this can be read: yes."""
        return True

    def close(self) -> None:
        """Close the file too."""
        self._packed.close()
        super().close()

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        """Fill `buffer`; fewer bytes only at the end or before damage."""
        view = memoryview(buffer)
        done = 0
        while done < len(view):
            if not self._ready:
                if self._ended or self._stop is not None:
                    break
                self._fill()
            part = self._ready[: len(view) - done]
            view[done : done + len(part)] = part
            done += len(part)
            self._ready = self._ready[len(part) :]
        if not done and self._stop is not None and len(view):
            raise self._stop()
        return done

    def _at(self) -> int:
        """Packed bytes that the decoder got, from the start of the file."""
        return self._packed.tell() - len(self._rest)

    def _take(self) -> bytes:
        at = self._at()
        size = INPUT_BYTES
        if at in self._slow:
            size = 1
        elif at < self._slow.start:
            size = min(size, self._slow.start - at)
        if self._packing.ends is not None:
            size = min(size, self._packing.ends - at)
        if self._rest:
            chunk, self._rest = self._rest[:size], self._rest[size:]
        else:
            chunk = self._packed.read(size) or b""
        self._fed = range(at, at + len(chunk))
        return chunk

    def _fill(self) -> None:
        """Go one step on: bytes to be read, or the end of a part, or an error to be raised."""
        if self._decoder.eof:
            self._end_part()
            return
        chunk = b""
        if self._decoder.needs_input:
            chunk = self._take()
            if not chunk:
                self._run_out()
                return
        try:
            out = memoryview(self._decoder.decompress(chunk, OUTPUT_BYTES))
        except self._codec.errors as error:
            if self._is_sure and len(self._fed) == 1:
                self._stop = self._damaged(str(error))
            else:
                self._go_back(self._fed)
            return
        known = min(self._skip, len(out))
        self._skip -= known
        out = out[known:]
        if self._total + len(out) > self._limit:
            out = out[: self._limit - self._total]
            self._stop = partial(
                CaptureError,
                f"the {self._packing.kind} file unpacks to more than {self._limit} bytes;"
                f" {self._at()} packed bytes gave that many",
                path=self._name,
                expected=f"{self._limit} unpacked bytes at most",
                action="raise the limit with --unpack-limit, if the file is meant to be so large",
            )
        self._of_member += len(out)
        self._total += len(out)
        if self._packing.check is not None:
            self._crc = zlib.crc32(out, self._crc)
        self._ready = out

    def _go_back(self, slow: range) -> None:
        """Unpack the part anew, without giving again what was given, `slow` byte by byte."""
        self._packed.seek(self._member)
        self._rest = b""
        self._decoder = self._codec.sure()
        self._is_sure = True
        self._skip = self._of_member
        self._slow = slow

    def _run_out(self) -> None:
        """Deal with the end of the packed bytes before the decoder saw one."""
        if self._packing.codec == "stored":
            self._end_part()
        elif not self._is_sure:
            self._go_back(range(0))
        elif self._packing.kind == "zip" and self._packing.cut is None:
            self._stop = self._damaged("its packed bytes end early")
        else:
            self._stop = self._cut()

    def _end_part(self) -> None:
        if self._packing.cut is not None:
            self._stop = self._cut()
        elif self._packing.kind == "zip":
            if (self._crc, self._total) != self._packing.check:
                self._stop = self._damaged("the check sum or the size is not met")
            self._ended = True
        else:
            self._next_part()

    def _next_part(self) -> None:
        """Look behind the end of a part: padding, another part, or the end of the file."""
        self._rest = (self._decoder.unused_data + self._rest).lstrip(b"\0")
        more = b"any"
        while more and len(self._rest) < _LONGEST_MAGIC:
            more = self._packed.read(INPUT_BYTES) or b""
            self._rest = (self._rest + more).lstrip(b"\0")
        kind = self._packing.kind
        if not self._rest:
            self._ended = True
        elif self._rest.startswith(MAGIC[kind]):
            self._member, self._of_member = self._at(), 0
            self._decoder = self._codec.fast()
            self._is_sure = False
            self._slow = range(0)
        elif any(magic.startswith(self._rest) for magic in MAGIC[kind]):
            self._stop = self._cut()
        else:
            self._stop = partial(
                CaptureError,
                f"bytes that are not {kind} stand behind the end of the {kind} stream",
                path=self._name,
                byte=self._at(),
                expected=f"the end of the file, zeros, or another {kind} stream",
                action="copy or pack the file again",
            )

    def _cut(self) -> partial[TruncatedError]:
        kind = self._packing.kind
        return partial(
            TruncatedError,
            self._packing.cut or f"the {kind} stream ends early",
            path=self._name,
            byte=self._packed.seek(0, io.SEEK_END),
            expected=f"a whole {kind} file",
            action="copy or pack the file again, or give --allow-truncated",
        )

    def _damaged(self, reason: str) -> partial[CaptureError]:
        kind = self._packing.kind
        reason = reason.rpartition(": ")[2]
        reason = reason[:1].lower() + reason[1:]
        action = "copy or pack the file again"
        if "memory" in reason:
            action = "pack the file again with usual settings, whose window is 128 MiB at most"
        return partial(
            CaptureError,
            f"the {kind} stream cannot be unpacked: {reason}",
            path=self._name,
            byte=self._fed.start,
            expected=f"a whole {kind} file",
            action=action,
        )
