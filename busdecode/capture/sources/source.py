"""Takes a path, bytes or an open file, gives streams of its unpacked bytes."""

from __future__ import annotations

import io
import os
import stat
import tempfile
import weakref
from pathlib import Path, PurePath
from threading import Lock
from typing import TYPE_CHECKING, BinaryIO, cast

from busdecode.capture.sources.unpack import MAGIC, Packing, Unpacked, kind_of
from busdecode.capture.sources.zip_member import find_member
from busdecode.errors import CaptureError

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

__all__ = ["HEAD_BYTES", "UNPACK_LIMIT", "Source", "nul_error"]

HEAD_BYTES = 65_536
"""Unpacked bytes at the start of a file in which its format is looked for."""

UNPACK_LIMIT = 32_000_000_000
"""Bytes that a compressed file may expand to, unless the user raises it."""

_COPIED_AT_ONCE = 1 << 20
_CLAIMS = {".gz": "gzip", ".zst": "zstd", ".xz": "xz", ".bz2": "bzip2", ".zip": "zip"}


def nul_error(path: str, byte: int, expected: str) -> CaptureError:
    """Word the error of a NUL byte in a file of text."""
    return CaptureError(
        "a NUL byte in the text",
        path=path,
        byte=byte,
        expected=expected,
        action="export the capture again; a part of the file looks overwritten",
    )


class _View(io.RawIOBase):
    """A file read from a place of its own, also where several read the same one."""

    def __init__(self, file: BinaryIO, lock: Lock, *, owned: bool) -> None:
        self._file, self._lock, self._owned = file, lock, owned
        self.place = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        if whence == io.SEEK_CUR:
            offset += self.place
        with self._lock:
            self.place = self._file.seek(offset, io.SEEK_SET if whence == io.SEEK_CUR else whence)
        return self.place

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        view = memoryview(buffer)
        done = 0
        with self._lock:
            self._file.seek(self.place)
            while done < len(view):
                got = cast("io.RawIOBase", self._file).readinto(view[done:])
                if not got:
                    break
                done += got
        self.place += done
        return done

    def close(self) -> None:
        if self._owned:
            self._file.close()
        super().close()


class Source:
    """A file that can be read as bytes, once or again; packed ones are unpacked on the way.

    How it is packed is told by its content: gzip, zstd, xz, bzip2, or a zip archive of one file.
    A zip archive of nothing but ``.npy`` files (a NumPy archive) is left as it stands. Memory is
    bounded, and does not depend on the size of the file.

    Parameters
    ----------
    what : path, bytes or open binary file
        An open file is read from its beginning and not closed; its own position moves. What
        cannot be read twice, such as a pipe, is written to a temporary file first.
    name : str, optional
        Shown in errors; the path or the file's own name where not given.
    unpack_limit : int, bytes
        Where reading a packed file stops with an error.

    Attributes
    ----------
    path : Path or None
        None where `what` is no path, or one that can be read only once.
    name : str
    head : bytes
        The first 65,536 unpacked bytes, or fewer.
    size : int, bytes
        As the file is, packed or not.
    kind : str
        ``plain``, ``gzip``, ``zstd``, ``xz``, ``bzip2`` or ``zip``.

    Raises
    ------
    CaptureError
        If it is missing, a folder, empty, or cannot be opened; if its name says that it is
        packed but it is not; if it cannot be unpacked, or damaged before its first byte.

    Examples
    --------
    >>> import gzip
    >>> source = Source(gzip.compress(b"#0 1!"), "made.vcd.gz")
    >>> source.kind, source.head
    ('gzip', b'#0 1!')
    >>> with source.open() as stream:
    ...     source.read(stream, 2)
    b'#0'
    """

    def __init__(
        self,
        what: str | os.PathLike[str] | bytes | BinaryIO,
        name: str | None = None,
        *,
        unpack_limit: int = UNPACK_LIMIT,
    ) -> None:
        self.path: Path | None = None
        self._data: bytes | None = None
        self._file: BinaryIO | None = None
        self._lock = Lock()
        self._unpack_limit = unpack_limit
        if isinstance(what, bytes):
            self._data = what
            self.name = name or "the bytes given"
        elif isinstance(what, str | os.PathLike):
            self.path = Path(what)
            self.name = name or str(what)
            with self._open_path() as file:
                if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                    self._file, self.path = self._spooled(file), None
        else:
            called = getattr(what, "name", None)
            self.name = name or (called if isinstance(called, str) else "the file given")
            if isinstance(cast("object", what), io.TextIOBase):
                raise TypeError("the file must be opened in binary mode, not as text")
            self._file = what if what.seekable() else self._spooled(what)
        with self._view() as view:
            self.size = view.seek(0, io.SEEK_END)
            view.seek(0)
            self._packing = self._packing_of(view)
        self.kind = "plain" if self._packing is None else self._packing.kind
        with self.open() as stream:
            self.head = self.read(stream, HEAD_BYTES)
        if not self.head:
            raise CaptureError(
                "the file is empty" + (f" once unpacked ({self.kind})" if self._packing else ""),
                path=self.name,
                expected="a capture, plain or packed by gzip, zstd, xz, bzip2 or zip",
                action="export the capture again",
            )

    def _open_path(self) -> BinaryIO:
        try:
            return cast("BinaryIO", open(cast("Path", self.path), "rb", buffering=0))
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

    def _spooled(self, file: BinaryIO) -> BinaryIO:
        """Copy what can be read only once to a temporary file, gone with this source."""
        copy = cast("BinaryIO", tempfile.TemporaryFile(buffering=0))  # noqa: SIM115
        weakref.finalize(self, copy.close)
        try:
            while data := file.read(_COPIED_AT_ONCE):
                if copy.tell() + len(data) > self._unpack_limit:
                    raise CaptureError(
                        f"more than {self._unpack_limit} bytes came, from no file but a pipe",
                        path=self.name,
                        expected="a file, or fewer bytes",
                        action="raise the limit with --unpack-limit, or write a file first",
                    )
                copy.write(data)
        except OSError as error:
            raise self._unreadable(error) from error
        return copy

    def _unreadable(self, error: OSError) -> CaptureError:
        return CaptureError(
            f"the file cannot be read: {error.strerror or error}",
            path=self.name,
            action="copy the file to another disk and read it there",
        )

    def _view(self) -> _View:
        if self._data is not None:
            return _View(io.BytesIO(self._data), Lock(), owned=True)
        if self._file is not None:
            return _View(self._file, self._lock, owned=False)
        return _View(self._open_path(), Lock(), owned=True)

    def _packing_of(self, view: _View) -> Packing | None:
        kind = kind_of(view.read(16) or b"")
        claim = _CLAIMS.get(PurePath(self.name).suffix.lower())
        if kind == "plain":
            if claim is not None and self.size:
                suffix = PurePath(self.name).suffix
                raise CaptureError(
                    f"the file is called {suffix} but is not {claim}",
                    path=self.name,
                    byte=0,
                    expected=f"the bytes {MAGIC[claim][0].hex(' ')}",
                    action=f"pack it with {claim}, or take {suffix} off its name",
                )
            return None
        return find_member(view, self.name) if kind == "zip" else Packing(kind, kind)

    def open(self, start: int = 0) -> BinaryIO:
        """Open the unpacked bytes, from byte `start` on; each stream has its own place.

        Returns
        -------
        binary stream
            To be read by one thread at a time, any one. Seekable where `kind` is ``plain``.

        Raises
        ------
        CaptureError
            If the file is gone since, or cannot be opened any more; if a packed one is damaged
            before that byte.
        """
        view = self._view()
        self._latest = view
        if self._packing is None:
            view.seek(start)
            return cast("BinaryIO", view)
        stream = cast("BinaryIO", Unpacked(view, self._packing, self.name, self._unpack_limit))
        while start and (passed := self.read(stream, min(start, _COPIED_AT_ONCE))):
            start -= len(passed)
        return stream

    @property
    def likely_size(self) -> int:
        """Bytes to read; of a packed file ten times its own, which is a guess."""
        return self.size if self.kind == "plain" else 10 * self.size

    def position(self) -> int:
        """Tell how many bytes of the file, as it is, the stream opened last has read."""
        return self._latest.place

    def read(self, stream: BinaryIO, size: int) -> bytes:
        """Read `size` unpacked bytes; fewer only at the end of the file, or before damage.

        A caller must read until nothing comes: fewer bytes than asked for may be the last ones
        before damage, which the next call raises.

        Raises
        ------
        CaptureError
            If the file is damaged here, unpacks to more than the limit, or cannot be read.
        TruncatedError
            If a packed file ends early here.
        """
        try:
            return stream.read(size)
        except OSError as error:
            raise self._unreadable(error) from error

    def readinto(self, stream: BinaryIO, buffer: WriteableBuffer) -> int:
        """Fill `buffer`, such as a uint8 array, with unpacked bytes, else as `read`.

        Returns
        -------
        int
            How many came.

        Raises
        ------
        CaptureError
            As `read`.
        """
        try:
            return cast("io.RawIOBase", stream).readinto(buffer) or 0
        except OSError as error:
            raise self._unreadable(error) from error
