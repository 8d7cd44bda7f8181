"""Takes a file name, gives its Capture through the one reader that knows the format."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from busdecode.capture.csv_table import open_csv, sniff_csv
from busdecode.capture.stream import CaptureFile, Source, Told
from busdecode.capture.vcd import open_vcd, sniff_vcd
from busdecode.errors import CaptureError, RequestError, nearest, quoted
from busdecode.units import PICOSECONDS

if TYPE_CHECKING:
    from collections.abc import Callable

    from busdecode.capture.model import Capture

__all__ = ["READERS", "Reader", "open_capture", "read_capture"]


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


READERS: tuple[Reader, ...] = (
    Reader("vcd", sniff_vcd, open_vcd),
    Reader("csv", sniff_csv, open_csv),
)
"""Every format that can be read. A new format is one module and one row here."""


def open_capture(
    path: Path | str,
    *,
    format: str | None = None,
    sample_period: int | None = None,
    time_unit: str | None = None,
) -> CaptureFile:
    """Open a capture file and read its header; the rows come from its `chunks`.

    Parameters
    ----------
    path : path or str
        Plain or gzip; told apart by content.
    format : str, optional
        Name of a reader; found from the content where not given.
    sample_period : int, ps, optional
        The instrument's sample period: becomes the resolution.
    time_unit : str, optional
        Unit of the times where the file does not tell it: s, ms, us, ns or ps.

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
    names = "|".join(reader.name for reader in READERS)
    if time_unit is not None and time_unit not in PICOSECONDS:
        raise RequestError(
            f"the time unit must be one of {', '.join(PICOSECONDS)}, not {quoted(time_unit)}"
        )
    if sample_period is not None and sample_period < 1:
        raise RequestError(f"the sample period must be 1 ps or more, not {sample_period} ps")
    named = {reader.name: reader for reader in READERS}
    if format is not None and format not in named:
        near = nearest(format, named)
        raise RequestError(
            f"the format must be one of {', '.join(named)}, not {quoted(format)}",
            action=None if near is None else f"did you mean {near}?",
        )
    source = Source(Path(path), str(path))
    told = Told(sample_period, time_unit)
    if format is not None:
        return named[format].open(source, told)
    known = [reader for reader in READERS if reader.sniff(source.head)]
    if len(known) != 1:
        first = next((row for row in source.head.splitlines() if row.strip()), b"")
        shown = quoted(first.decode("utf-8", "replace").strip())
        found = " and ".join(reader.name for reader in known)
        raise CaptureError(
            f"the file may be {found}; its first line is {shown}"
            if known
            else f"the format is not known; its first line is {shown}",
            path=str(path),
            expected="VCD, or CSV with a header line that names a time or sample column",
            action=f"tell the format with --capture-format {names}",
        )
    return known[0].open(source, told)


def read_capture(
    path: Path | str,
    *,
    format: str | None = None,
    sample_period: int | None = None,
    time_unit: str | None = None,
) -> Capture:
    """Read a whole capture file; takes what `open_capture` takes.

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
    opened = open_capture(path, format=format, sample_period=sample_period, time_unit=time_unit)
    return opened.read()
