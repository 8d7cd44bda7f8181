"""What a case file says, as plain values."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import datetime
    import re
    from pathlib import Path

    from busdecode.capture import Options
    from busdecode.protocol import Bus

__all__ = ["Case", "CaseCapture", "CaseLog", "CaseNote", "Measured"]


@dataclass(frozen=True)
class CaseLog:
    """An access log of a case.

    Parameters
    ----------
    name : str
    file : path
    pattern : re.Pattern or None
        How its lines are read, where it is no CSV; as `read_log` takes it.
    address_offset : int
        Added to every logged address.
    state : str
        ``before`` or ``after`` the mend.
    date : datetime.date, datetime.datetime or None
    note : str
    line : int or None
        Where the entry begins in the case file, from 1; None where that is not sure. Equal
        entries may stand on different lines.
    """

    name: str
    file: Path
    pattern: re.Pattern[str] | None
    address_offset: int
    state: str
    date: datetime.date | None
    note: str
    line: int | None = field(default=None, compare=False)


@dataclass(frozen=True)
class CaseCapture:
    """A capture of a case.

    `log` names that of what was done while it was taken; `told` has how the file is read, as
    `open_capture` takes it.
    """

    name: str
    file: Path
    probes: Path | None
    log: str | None
    state: str
    date: datetime.date | None
    note: str
    told: Options
    line: int | None = field(default=None, compare=False)


@dataclass(frozen=True)
class CaseNote:
    """Something that somebody saw."""

    text: str
    date: datetime.date | None
    line: int | None = field(default=None, compare=False)


@dataclass(frozen=True)
class Measured:
    """Two points that were beeped against each other, and whether they are tied.

    Two lines; a line and one of `faults.RAILS`; or a line twice: from end to end.
    """

    lines: tuple[str, str]
    tied: bool
    state: str
    date: datetime.date | None
    note: str
    line: int | None = field(default=None, compare=False)


@dataclass(frozen=True)
class Case:
    """All pieces of one repair.

    Parameters
    ----------
    path : path
    bus : Bus
    title, machine : str
    channels : int or None
        How many the analyzer has.
    fixed : tuple of str
        Lines that stay clipped on.
    logs : tuple of CaseLog
    captures : tuple of CaseCapture
    notes : tuple of CaseNote
    measured : tuple of Measured
    """

    path: Path
    bus: Bus
    title: str
    machine: str
    channels: int | None
    fixed: tuple[str, ...]
    logs: tuple[CaseLog, ...]
    captures: tuple[CaseCapture, ...]
    notes: tuple[CaseNote, ...]
    measured: tuple[Measured, ...]
