"""Takes a zip archive, gives the place of the one file in it."""

from __future__ import annotations

import struct
import zipfile
from typing import IO, TYPE_CHECKING, cast

from busdecode.capture.sources.unpack import Packing
from busdecode.errors import CaptureError, TruncatedError, quoted

if TYPE_CHECKING:
    import io
    from collections.abc import Sequence

__all__ = ["find_member"]

SHOWN_AT_MOST = 10
# Local file header, fields and codes: from memory of the zip format's application note.
_LOCAL = struct.Struct("<4s5H3I2H")
_LOCAL_MAGIC = b"PK\x03\x04"
_ENCRYPTED = 1
_SIZES_BEHIND = 8
_NOT_IN_32_BITS = 0xFFFF_FFFF
_CODECS = {0: "stored", 8: "deflate", 12: "bzip2", 93: "zstd", 95: "xz"}


def find_member(packed: io.RawIOBase, name: str) -> Packing | None:
    """Find the one file in a zip archive.

    Parameters
    ----------
    packed : seekable stream
        The archive.
    name : str
        Shown in errors.

    Returns
    -------
    Packing or None
        None for a NumPy archive, which is read as it stands.

    Raises
    ------
    CaptureError
        If the archive holds no file or several, or if its file is encrypted or packed in a way
        that is not known, or if its directory is damaged.
    TruncatedError
        If it ends inside its first header. One that ends later is unpacked up to there.
    """
    if not zipfile.is_zipfile(cast("IO[bytes]", packed)):
        return _first_of_cut(packed, name)
    try:
        with zipfile.ZipFile(cast("IO[bytes]", packed)) as archive:
            members = [each for each in archive.infolist() if not each.is_dir()]
        if len(members) == 1:
            packed.seek(members[0].header_offset)
            local = _local_header(packed)
    except (zipfile.BadZipFile, NotImplementedError, OSError, ValueError, struct.error) as error:
        raise CaptureError(
            f"the directory of the zip archive is damaged: {error}",
            path=name,
            expected="a whole zip archive",
            action="copy or pack the file again",
        ) from error
    if members and all(each.filename.endswith(".npy") for each in members):
        return None
    if len(members) != 1:
        raise _not_one([each.filename for each in members], name)
    (member,) = members
    begins, _, _, _ = local
    return Packing(
        "zip",
        _codec(member.compress_type, member.flag_bits, member.filename, name),
        begins,
        begins + member.compress_size,
        check=(member.CRC, member.file_size),
    )


def _local_header(packed: io.RawIOBase) -> tuple[int, int, int, tuple[int, str]]:
    """Read a local header: start of the bytes, flags, method, then packed size and name."""
    at = packed.tell()
    data = packed.read(_LOCAL.size) or b""
    magic, _, flags, method, _, _, _, size, _, of_name, of_extra = _LOCAL.unpack(data)
    if magic != _LOCAL_MAGIC:
        raise zipfile.BadZipFile(f"no file begins at byte {at}")
    called = (packed.read(of_name) or b"").decode("utf-8", "replace")
    return at + _LOCAL.size + of_name + of_extra, flags, method, (size, called)


def _first_of_cut(packed: io.RawIOBase, name: str) -> Packing | None:
    packed.seek(0)
    try:
        begins, flags, method, (size, called) = _local_header(packed)
    except struct.error as error:
        raise TruncatedError(
            "the zip archive ends inside its first header",
            path=name,
            byte=packed.tell(),
            expected="a whole zip archive",
            action="copy or pack the file again",
        ) from error
    if called.endswith(".npy"):
        return None
    has_size = not flags & _SIZES_BEHIND and size != _NOT_IN_32_BITS
    return Packing(
        "zip",
        _codec(method, flags, called, name),
        begins,
        begins + size if has_size else None,
        cut=f"the zip archive ends early, inside or behind its first file, {quoted(called)}",
    )


def _codec(method: int, flags: int, called: str, name: str) -> str:
    if flags & _ENCRYPTED:
        raise CaptureError(
            f"{quoted(called)} in the zip archive is encrypted",
            path=name,
            expected="a zip archive without a password",
            action="unpack it and give the file itself",
        )
    if method not in _CODECS:
        raise CaptureError(
            f"{quoted(called)} in the zip archive is packed by method {method}, which is not known",
            path=name,
            expected="stored, deflate, bzip2, zstd or xz (method 0, 8, 12, 93 or 95)",
            action="unpack it and give the file itself",
        )
    return _CODECS[method]


def _not_one(names: Sequence[str], name: str) -> CaptureError:
    if not names:
        return CaptureError(
            "the zip archive holds no file",
            path=name,
            expected="one capture file in it",
            action="pack the capture again",
        )
    shown = ", ".join(quoted(each) for each in names[:SHOWN_AT_MOST])
    if len(names) > SHOWN_AT_MOST:
        shown += f" and {len(names) - SHOWN_AT_MOST} more"
    return CaptureError(
        f"the zip archive holds {len(names)} files: {shown}",
        path=name,
        expected="one capture file in it",
        action="unpack the one wanted and give that file",
    )
