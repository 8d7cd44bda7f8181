"""The schema of a description file: its tables, their keys and the types of these."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = [
    "Description",
    "LaneRowTable",
    "LimitTable",
    "StepTable",
    "TimingTable",
    "known_keys",
]

Events = str | Annotated[list[str], Field(min_length=1)]
Values = int | Annotated[list[int], Field(min_length=1)]
Status = Literal["read", "read at second hand", "from memory", "invented"]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class SourceTable(_Table):
    """One entry of ``[[sources]]``."""

    document: str
    section: str
    status: Status


class LineTable(_Table):
    """One entry of ``[lines]``."""

    role: Literal[
        "address",
        "data",
        "address and data",
        "strobe",
        "lane",
        "direction",
        "size",
        "function",
        "acknowledge",
        "error",
        "wait",
        "clock",
        "other",
    ]
    driver: Literal["host", "card", "both"]
    active: Literal["low", "high"] = "high"
    pull: Literal["up", "down", "none"] = "none"
    numbering: Literal["decimal", "hex"] = "decimal"
    optional: bool = False


class UsedTable(_Table):
    """One entry of ``[[address.used]]``."""

    levels: Mapping[str, Values]
    lines: str | list[str]


class AddressTable(_Table):
    """``[address]``."""

    lines: str | list[str]
    lowest: Literal["lanes", "lines"] = "lanes"
    later_beats: Literal["same", "next"] = "same"
    used: list[UsedTable] = []


class DataTable(_Table):
    """``[data]``."""

    lines: str | list[str]
    byte_order: Literal["big", "little"]
    lane_bits: int = Field(default=8, ge=1, le=64)


class LaneRowTable(_Table):
    """One entry of ``[[lanes.table]]``."""

    levels: Mapping[str, Values]
    kinds: list[str] | None = Field(default=None, alias="for")
    lanes: str = Field(pattern="^[01]+$")
    first: int | None = Field(default=None, ge=0, le=64)


class LanesTable(_Table):
    """``[lanes]``."""

    strobes: list[str] = []
    table: list[LaneRowTable] = []
    quiet: str | None = None


class CycleTable(_Table):
    """``[cycle]``."""

    begins: Events
    ends: Events
    pipelined: bool = False
    joined: bool = False


class BeatTable(_Table):
    """``[beat]``."""

    begins: Events
    ends: Events
    joined: bool = False


class TakeTable(_Table):
    """``[take]``."""

    address: str = "at address"
    kind: str = "at address"
    direction: str | None = None
    lanes: str = "at data"
    port: str = "before release"
    ending: str | None = None
    read: str = "before release"
    write: str = "before release"


class ValidTable(_Table):
    """``[valid]``."""

    write: str = "at data"
    write_until: str = "release"
    read: str = "before release"
    read_until: str = "release"
    write_hold: str = "0 ns"
    read_hold: str = "0 ns"


class EndedTable(_Table):
    """``[ended]``."""

    acknowledged: list[str] = []
    error: list[str] = []
    wait: list[str] = []
    timeout: str | None = None
    quiet: str | None = None


class ModifierTable(_Table):
    """``[modifier]``."""

    lines: str
    legal: list[int] = []


class OperandTable(_Table):
    """``[operand]``."""

    lines: str | None = None
    bytes: list[int] = []
    beats: int = Field(default=1, ge=1, le=64)


class KindTable(_Table):
    """One entry of ``[[kinds]]``."""

    name: str
    direction: Literal["read", "write", "none"]
    levels: Mapping[str, Values]
    making: Mapping[str, int] = {}
    beats: bool = True
    later_beats: Literal["same", "next"] | None = None
    space: str = "memory"


class SamplingTable(_Table):
    """``[sampling]``."""

    shortest_pulse: str


class StepTable(_Table):
    """One entry of ``[[making.steps]]``."""

    name: str = Field(pattern="^[a-z][a-z0-9_]*$")
    by: Literal["host", "card"]
    stage: Literal["open", "beat", "close", "last"]
    do: str
    after: Mapping[str, str]
    kinds: list[str] | None = Field(default=None, alias="for")
    waits: str | None = None
    only_with_waits: bool = False
    skew: str = "0 ns"


class MakingTable(_Table):
    """``[making]``."""

    idle: str = "0 ns"
    watchdog: str = "10 us"
    steps: list[StepTable] = []


class NamedTimeTable(_Table):
    """One entry of ``[timing.times]``."""

    values: str | Annotated[list[str], Field(min_length=1)]
    status: Status | None = None


class TimingTable(_Table):
    """``[timing]``."""

    grades: list[str] = []
    usual: str | None = None
    source: str | None = None
    status: Status | None = None
    times: Mapping[str, NamedTimeTable] = {}


class LimitTable(_Table):
    """One entry of ``[[limits]]``."""

    number: str = Field(min_length=1)
    name: str = Field(min_length=1)
    start: str | None = Field(default=None, alias="from")
    stop: str | None = Field(default=None, alias="to")
    least: str | Annotated[list[str], Field(min_length=1)] | None = Field(default=None, alias="min")
    most: str | Annotated[list[str], Field(min_length=1)] | None = Field(default=None, alias="max")
    kinds: list[str] | None = Field(default=None, alias="for")
    levels: Mapping[str, Values] = {}
    only_if_unmet: str | None = None
    only_if_met: str | None = None
    required: bool = False
    step: bool = False
    condition: bool = False
    unseen: str | None = None
    source: str | None = None
    status: Status | None = None


class ConnectorTable(_Table):
    """One entry of ``[[connectors]]``."""

    name: str = Field(min_length=1)
    pins: Mapping[str, str]
    source: str
    status: Status


class Description(_Table):
    """A whole description file."""

    name: str
    title: str
    invented: bool = False
    sources: Annotated[list[SourceTable], Field(min_length=1)]
    lines: Mapping[str, LineTable]
    address: AddressTable
    data: DataTable
    lanes: LanesTable = LanesTable()
    modifier: ModifierTable | None = None
    operand: OperandTable = OperandTable()
    cycle: CycleTable
    beat: BeatTable
    phases: Mapping[str, Events] = {}
    take: TakeTable = TakeTable()
    valid: ValidTable = ValidTable()
    ended: EndedTable = EndedTable()
    kinds: Annotated[list[KindTable], Field(min_length=1)]
    sampling: SamplingTable
    timing: TimingTable = TimingTable()
    limits: list[LimitTable] = []
    connectors: list[ConnectorTable] = []
    making: MakingTable = MakingTable()


def known_keys() -> set[str]:
    """Give every key that some table knows, to find what a misspelt one is near."""
    tables: list[type[_Table]] = _Table.__subclasses__()
    return {field.alias or name for table in tables for name, field in table.model_fields.items()}
