"""Takes a file, gives its Capture through the one reader that knows the format."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, BinaryIO, TypedDict, Unpack, cast

from busdecode.capture.samples import open_array, open_packed, sniff_npy, sniff_npz
from busdecode.capture.sources import Source
from busdecode.capture.stream import CaptureFile, Told
from busdecode.capture.tables import open_csv, sniff_csv
from busdecode.capture.vcd import open_vcd, sniff_vcd
from busdecode.errors import CaptureError, RequestError, nearest, quoted
from busdecode.units import PICOSECONDS, format_time

if TYPE_CHECKING:
    import os
    from collections.abc import Callable
    from pathlib import Path

    from busdecode.capture.model import Capture

__all__ = ["READERS", "Options", "Reader", "check_options", "open_capture", "read_capture"]


@dataclass(frozen=True)
class Reader:
    """One capture format.

    Parameters
    ----------
    name : str
        As ``--capture-format`` takes it.
    sniff : callable
        Tells from the first bytes, unpacked, whether a file has this format.
    open : callable
        Reads the header and gives the file.
    """

    name: str
    sniff: Callable[[bytes], bool]
    open: Callable[[Source, Told], CaptureFile]


def _cannot_tell(head: bytes) -> bool:
    """Packed samples look like anything: they are only taken where a layout is told."""
    return False


READERS: tuple[Reader, ...] = (
    Reader("vcd", sniff_vcd, open_vcd),
    Reader("csv", sniff_csv, open_csv),
    Reader("numpy", lambda head: sniff_npy(head) or sniff_npz(head), open_array),
    Reader("packed", _cannot_tell, open_packed),
)
"""Every format that can be read. A new format is one module and one row here."""


class Options(TypedDict, total=False):
    """What may be told about a capture file beside its name; see `Told`.

    Parameters
    ----------
    format : str
        Name of a reader; found from the content where not given.
    name : str
        Shown in errors, for what has no name of its own.
    unpack_limit : int, bytes
        Where reading a packed file stops with an error.
    """

    format: str | None
    name: str | None
    unpack_limit: int
    sample_period: int | None
    time_unit: str | None
    allow_truncated: bool
    separator: str | None
    header_line: int | None
    time_column: str | None
    layout: Path | None
    start: int | None
    stop: int | None
    threads: int | None


def open_capture(
    what: str | os.PathLike[str] | bytes | BinaryIO, **options: Unpack[Options]
) -> CaptureFile:
    """Open a capture and read its header; the rows come from its `chunks`.

    Parameters
    ----------
    what : path, bytes or open binary file
        Plain or packed (gzip, zstd, xz, bzip2, zip of one file); told apart by content.
    **options : Options

    Returns
    -------
    CaptureFile

    Raises
    ------
    CaptureError
        If the file cannot be read, or no reader or more than one knows it.
    RequestError
        If an option is none of those accepted.
    """
    told = check_options(options)
    named = {reader.name: reader for reader in READERS}
    form = options.get("format")
    source = Source(what, options.get("name"), unpack_limit=told.unpack_limit)
    if form is not None:
        return named[form].open(source, told)
    known = [reader for reader in READERS if reader.sniff(source.head)]
    if not known and told.layout is not None:
        known = [named["packed"]]
    if len(known) != 1:
        raise _unknown(source, [reader.name for reader in known], list(named))
    return known[0].open(source, told)


def check_options(options: Options) -> Told:
    """Refuse options that no format could use; give what the others tell.

    Raises
    ------
    RequestError
        If there is one.
    """
    named = [reader.name for reader in READERS]
    form = options.get("format")
    if form is not None and form not in named:
        near = nearest(form, named)
        raise RequestError(
            f"the format must be one of {', '.join(named)}, not {quoted(form)}",
            action=None if near is None else f"did you mean {near}?",
        )
    own = {key: value for key, value in options.items() if key not in ("format", "name")}
    told = Told(**cast("dict[str, Any]", own))
    if told.time_unit is not None and told.time_unit not in PICOSECONDS:
        raise RequestError(
            f"the time unit must be one of {', '.join(PICOSECONDS)}, not {quoted(told.time_unit)}"
        )
    if told.sample_period is not None and told.sample_period < 1:
        raise RequestError(f"the sample period must be 1 ps or more, not {told.sample_period} ps")
    if told.start is not None and told.stop is not None and told.stop <= told.start:
        raise RequestError(
            f"the time to which is read must be after {format_time(told.start)}, not "
            f"{format_time(told.stop)}"
        )
    return told


def _binary_at(head: bytes) -> int | None:
    """Find the first byte that no text has; None where all may be text."""
    nul = head.find(b"\0")
    try:
        head[: nul if nul >= 0 else len(head)].decode("utf-8")
    except UnicodeDecodeError as error:
        # The last character may only be cut.
        return error.start if error.start < len(head) - 3 else None
    return nul if nul >= 0 else None


def _unknown(source: Source, known: list[str], names: list[str]) -> CaptureError:
    expected = "VCD, CSV with a header line that names a time or sample column, or a NumPy file"
    at = _binary_at(source.head)
    if at is not None and not known:
        return CaptureError(
            "the format is not known; the file is binary",
            path=source.name,
            byte=at,
            expected=expected,
            action="describe packed samples in a TOML file, and name it with --layout",
        )
    first = next((row for row in source.head.splitlines() if row.strip()), b"")
    shown = quoted(first.decode("utf-8", "replace").strip())
    return CaptureError(
        f"the file may be {' and '.join(known)}; its first line is {shown}"
        if known
        else f"the format is not known; its first line is {shown}",
        path=source.name,
        expected=expected,
        action=f"tell the format with --capture-format {'|'.join(names)}",
    )


def read_capture(
    what: str | os.PathLike[str] | bytes | BinaryIO, **options: Unpack[Options]
) -> Capture:
    """Read a whole capture; takes what `open_capture` takes.

    Returns
    -------
    Capture

    Raises
    ------
    CaptureError
        If the file cannot be read as a capture.
    RequestError
        If an option is none of those accepted.
    """
    return open_capture(what, **options).read()
