"""The shape of a case file: its tables and keys."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

if TYPE_CHECKING:
    from busdecode.toml_keys import KeyPath

__all__ = ["CaptureTable", "CaseTable", "LogTable", "MeasuredTable", "NoteTable", "known_keys"]

Date = datetime.datetime | datetime.date
State = Literal["before", "after"]
Text = Annotated[str, Field(min_length=1)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class LogTable(_Table):
    """One entry of ``[[logs]]``."""

    file: Text
    name: Text | None = None
    pattern: Text | None = None
    address_offset: int = Field(default=0, alias="address-offset")
    state: State = "before"
    date: Date | None = None
    note: str = ""


class CaptureTable(_Table):
    """One entry of ``[[captures]]``; what tells how to read it is called as the options are."""

    file: Text
    name: Text | None = None
    probes: Text | None = None
    log: Text | None = None
    state: State = "before"
    date: Date | None = None
    note: str = ""
    format: Text | None = Field(default=None, alias="capture-format")
    layout: Text | None = None
    sample_period: Text | None = Field(default=None, alias="sample-period")
    time_unit: Text | None = Field(default=None, alias="time-unit")
    time_column: Text | None = Field(default=None, alias="time-column")
    header_line: Annotated[int, Field(ge=1)] | None = Field(default=None, alias="header-line")
    separator: Text | None = None
    start: Text | None = Field(default=None, alias="from")
    stop: Text | None = Field(default=None, alias="to")
    allow_truncated: bool | None = Field(default=None, alias="allow-truncated")


class NoteTable(_Table):
    """One entry of ``[[notes]]``."""

    text: Text
    date: Date | None = None


class MeasuredTable(_Table):
    """One entry of ``[[measured]]``: what was beeped against what with the power off."""

    lines: Annotated[list[str], Field(min_length=2, max_length=2)]
    tied: bool
    state: State = "before"
    date: Date | None = None
    note: str = ""


class CaseTable(_Table):
    """A whole case file."""

    bus: Text
    title: str = ""
    machine: str = ""
    channels: Annotated[int, Field(ge=1)] | None = None
    fixed: list[str] = []
    logs: list[LogTable] = []
    captures: list[CaptureTable] = []
    notes: list[NoteTable] = []
    measured: list[MeasuredTable] = []


_TABLES: dict[str, type[BaseModel]] = {
    "logs": LogTable,
    "captures": CaptureTable,
    "notes": NoteTable,
    "measured": MeasuredTable,
}


def known_keys(key: KeyPath) -> set[str]:
    """Give every key that may stand beside one: those of its table, or of the whole file."""
    table = _TABLES.get(str(key[0]), CaseTable) if len(key) > 1 else CaseTable
    return {field.alias or name for name, field in table.model_fields.items()}
