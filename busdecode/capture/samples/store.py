"""Takes a .npy or .npz file, gives the rows of its arrays a block at a time, never unpickled."""

from __future__ import annotations

import ast
import io
import lzma
import struct
import zipfile
import zlib
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from tempfile import TemporaryFile
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from busdecode.errors import CaptureError, TruncatedError, quoted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from busdecode.capture.stream import Source

__all__ = ["ArrayStore", "Form", "Rows", "sniff_npy", "sniff_npz"]

MAGIC = b"\x93NUMPY"
COPY_BYTES = 1 << 20
_HEADER_AT_MOST = 65_536
_LENGTHS = {(1, 0): (2, "latin-1"), (2, 0): (4, "latin-1"), (3, 0): (4, "utf-8")}
_DAMAGE = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    EOFError,
    NotImplementedError,
    OSError,
    RuntimeError,
    ValueError,
)
"""What unpacking a damaged or unusual archive raises."""
_AGAIN = "save the array again with numpy.save"


def sniff_npy(head: bytes) -> bool:
    """Tell whether a file that begins with `head` is a NumPy array."""
    return head.startswith(MAGIC)


def sniff_npz(head: bytes) -> bool:
    """Tell whether a file that begins with `head` is a zip whose first member is an array."""
    if not head.startswith(b"PK\x03\x04"):
        return False
    # APPNOTE 4.3.7 (from memory): the length of the name at byte 26, the name at byte 30.
    return head[30 : 30 + int.from_bytes(head[26:28], "little")].endswith(b".npy")


@dataclass(frozen=True)
class Form:
    """What the header of an array says.

    Parameters
    ----------
    dtype : dtype
    shape : tuple of int
    is_fortran : bool
        True where the columns lie one behind the other, not the rows.
    size : int, bytes
        Of the header.

    References
    ----------
    .. [1] numpy.lib.format, "Format Version 1.0", "2.0" and "3.0" (read).
    """

    dtype: np.dtype[Any]
    shape: tuple[int, ...]
    is_fortran: bool
    size: int

    @property
    def columns(self) -> int:
        """Count the elements of one row."""
        return self.shape[1] if len(self.shape) == 2 else 1


class Rows:
    """The rows of one array, read in order.

    Parameters
    ----------
    read : callable
        Gives up to so many of the next bytes; fewer only at the end.
    seekable : stream, optional
        What they come from, where its bytes can be had in any order.
    path, member : str
        Named in errors; member is empty for a file that is one array.
    stack : ExitStack
        Closes what is opened on the way.
    """

    def __init__(
        self,
        read: Callable[[int], bytes],
        seekable: IO[bytes] | None,
        path: str,
        member: str,
        stack: ExitStack,
    ) -> None:
        self._read, self._seekable, self._stack = read, seekable, stack
        self._path, self._member = path, member
        self._apart: IO[bytes] | None = None
        self._base = 0
        self.form = self._form()
        self.bytes_read = self.form.size
        self._row = 0

    def _form(self) -> Form:
        head = self._read(8)
        if not head.startswith(MAGIC) or len(head) < 8:
            raise self.error("this is no NumPy array", expected="the bytes 93 4e 55 4d 50 59")
        length, code = _LENGTHS.get((head[6], head[7]), (0, ""))
        if not length:
            found = f"the array has format version {head[6]}.{head[7]}"
            raise self.error(found, expected="version 1.0, 2.0 or 3.0")
        size = int.from_bytes(self._read(length), "little")
        text = self._read(size) if size <= _HEADER_AT_MOST else b""
        if len(text) < size:
            raise self.error("the array ends inside its header", expected="a whole header")
        try:
            said = ast.literal_eval(text.decode(code).strip())
            dtype = np.lib.format.descr_to_dtype(said["descr"])
            shape, is_fortran = said["shape"], said["fortran_order"]
            is_right = isinstance(shape, tuple) and all(type(each) is int for each in shape)
        except (ValueError, SyntaxError, TypeError, KeyError, MemoryError, RecursionError):
            is_right = False
        if not is_right or min(shape, default=0) < 0:
            found = f"the header of the array cannot be read: {quoted(text.decode('latin-1'))}"
            raise self.error(found, expected="a dict of descr, fortran_order and shape")
        if dtype.itemsize == 0:
            raise self.error(f"the array holds {dtype}, which has no bytes", expected="numbers")
        if dtype.hasobject:
            raise self.error(
                "the array holds Python objects, which are never loaded",
                expected="an array of numbers or truth values",
                action="convert it with astype before it is saved",
            )
        return Form(dtype, shape, bool(is_fortran), 8 + length + size)

    def error(
        self,
        found: str,
        *,
        byte: int | None = None,
        expected: str | None = None,
        action: str = _AGAIN,
    ) -> CaptureError:
        """Make an error about this array; bytes of a packed member tell nothing."""
        return CaptureError(
            found,
            path=self._path,
            byte=None if self._member else byte,
            key=self._member or None,
            expected=expected,
            action=action,
        )

    def byte_of(self, row: int, column: int = 0) -> int:
        """Give the byte of the file at which an element begins."""
        form = self.form
        if form.is_fortran:
            return form.size + (column * form.shape[0] + row) * form.dtype.itemsize
        return form.size + (row * form.columns + column) * form.dtype.itemsize

    def take(self, count: int) -> NDArray[Any]:
        """Give the next rows: fewer than `count`, or none, where the array or the file ends.

        Returns
        -------
        ndarray, shape (N,) or (N, K)
        """
        form = self.form
        count = min(count, form.shape[0] - self._row if form.shape else 1)
        if form.is_fortran and form.columns > 1:
            rows = self._columns(count)
        else:
            size = form.columns * form.dtype.itemsize
            data = self._read(count * size)
            self.bytes_read += len(data)
            rows = np.frombuffer(data[: len(data) // size * size], dtype=form.dtype)
            rows = rows.reshape(-1, *form.shape[1:])
        self._row += len(rows)
        return rows

    def _columns(self, count: int) -> NDArray[Any]:
        """Gather the next rows from columns that lie one behind the other."""
        form = self.form
        if self._apart is None:
            self._apart = self._in_any_order()
            self.bytes_read = self._base + self._apart.seek(0, io.SEEK_END)
        item, height = form.dtype.itemsize, form.shape[0]
        there = (self.bytes_read - form.size) // item - (form.columns - 1) * height
        rows = np.empty((max(0, min(count, there - self._row)), form.columns), dtype=form.dtype)
        for column in range(form.columns):
            self._apart.seek(self.byte_of(self._row, column) - self._base)
            data = self._apart.read(len(rows) * item)
            rows[:, column] = np.frombuffer(data, dtype=form.dtype)
        return rows

    def _in_any_order(self) -> IO[bytes]:
        """Give the data where it can be had in any order: the file itself, or unpacked once."""
        if self._seekable is not None:
            return self._seekable
        self._base = self.form.size
        # Of a file that ends early the whole rows count; that they are not all is seen later.
        unpacked = self._stack.enter_context(TemporaryFile())  # noqa: SIM115
        with suppress(TruncatedError):
            _copy(self._read, unpacked)
        return unpacked

    def is_whole(self) -> bool:
        """Tell whether all rows that the header promises were taken."""
        return self._row == (self.form.shape[0] if self.form.shape else 1)

    def beyond(self) -> int:
        """Count the bytes behind the last row, once all rows were taken."""
        form = self.form
        if self._apart is not None:
            return self.bytes_read - form.size - form.shape[0] * form.columns * form.dtype.itemsize
        beyond = 0
        while data := self._read(COPY_BYTES):
            beyond += len(data)
        return beyond


def _copy(read: Callable[[int], bytes], to: IO[bytes]) -> None:
    while data := read(COPY_BYTES):
        to.write(data)


class ArrayStore:
    """The arrays of a file: one called by an empty name, or the members of an archive.

    Parameters
    ----------
    source : Source
    unpack_limit : int, bytes
        What the members of an archive may expand to.

    Attributes
    ----------
    members : tuple of str
        Names of the arrays, in the order of the file.

    Raises
    ------
    CaptureError
        If an archive cannot be read.
    """

    def __init__(self, source: Source, unpack_limit: int) -> None:
        self._source = source
        self._is_archive = not sniff_npy(source.head)
        self._limit = unpack_limit
        self.members: tuple[str, ...] = ("",)
        if self._is_archive:
            with ExitStack() as stack:
                names = self._archive(stack).namelist()
            self.members = tuple(name[:-4] for name in names if name.endswith(".npy"))

    def _archive(self, stack: ExitStack) -> zipfile.ZipFile:
        opened = stack.enter_context(self._source.open())
        stream: IO[bytes] = opened
        if not opened.seekable():
            # An archive is read from its end on, so one that is packed again is unpacked first.
            stream = stack.enter_context(TemporaryFile())  # noqa: SIM115
            _copy(partial(self._source.read, opened), stream)
        try:
            return stack.enter_context(zipfile.ZipFile(stream))
        except _DAMAGE as error:
            raise CaptureError(
                f"the archive cannot be read: {str(error)[:1].lower()}{str(error)[1:]}",
                path=self._source.name,
                expected="a whole .npz file, as numpy.savez writes it",
                action="copy or save the file again; it looks cut short",
            ) from error

    @contextmanager
    def opened(self, *members: str) -> Iterator[list[Rows]]:
        """Open arrays side by side; their headers are read."""
        with ExitStack() as stack:
            if self._is_archive:
                archive = self._archive(stack)
                yield [self._member(archive, name, stack) for name in members]
            else:
                stream = stack.enter_context(self._source.open())
                seekable = stream if stream.seekable() else None
                yield [
                    Rows(partial(self._source.read, stream), seekable, self._source.name, "", stack)
                ]

    def _member(self, archive: zipfile.ZipFile, name: str, stack: ExitStack) -> Rows:
        path = self._source.name
        info = archive.getinfo(f"{name}.npy")
        if info.file_size > self._limit:
            raise CaptureError(
                f"the member expands to {info.file_size} bytes",
                path=path,
                key=name,
                expected=f"{self._limit} bytes at most",
                action="raise the limit if you trust the file",
            )
        try:
            stream = stack.enter_context(archive.open(info))
        except _DAMAGE as error:
            raise CaptureError(
                f"the member cannot be unpacked: {error}",
                path=path,
                key=name,
                expected="a member as numpy.savez or numpy.savez_compressed writes it",
                action="save the file again",
            ) from error

        def read(size: int) -> bytes:
            try:
                return stream.read(size)
            except _DAMAGE as error:
                raise CaptureError(
                    f"the member is damaged: {error}",
                    path=path,
                    key=name,
                    expected="a whole .npz file",
                    action="copy or save the file again",
                ) from error

        return Rows(read, None, path, name, stack)
