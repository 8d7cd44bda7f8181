"""The kinds of fault, as values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from busdecode.errors import RequestError

__all__ = [
    "BRIDGE_RULES",
    "Absent",
    "Bridge",
    "BridgeRule",
    "CardSide",
    "EarlyAcknowledge",
    "Fault",
    "Intermittent",
    "Lane",
    "LateAcknowledge",
    "LateData",
    "NoAcknowledge",
    "OnlyWhen",
    "Open",
    "ReadDriver",
    "SlowRelease",
    "Stuck",
    "Swapped",
    "WriteReceiver",
    "kind_name",
]

BridgeRule = Literal["low-wins", "high-wins", "host-wins", "a-wins", "b-wins", "undetermined"]
BRIDGE_RULES: tuple[BridgeRule, ...] = (
    "low-wins",
    "high-wins",
    "host-wins",
    "a-wins",
    "b-wins",
    "undetermined",
)
"""Who decides where the two sides of a bridge are driven to different levels."""


RAILS = ("ground", "supply")
"""What holds a line low, and high: by its level."""


@dataclass(frozen=True)
class Stuck:
    """A line tied to one rail."""

    line: str
    level: Literal[0, 1]


@dataclass(frozen=True)
class Bridge:
    """Two lines become one node."""

    a: str
    b: str
    rule: BridgeRule


@dataclass(frozen=True)
class Open:
    """The node splits between host and card; the part without a driver floats."""

    line: str
    floats: Literal["high", "low", "keep"]


@dataclass(frozen=True)
class Swapped:
    """Two lines cross between host and card."""

    a: str
    b: str


@dataclass(frozen=True)
class Lane:
    """A lane strobe that never, or always, reaches the card."""

    line: str
    is_on: bool


@dataclass(frozen=True)
class ReadDriver:
    """The card's driver of one data line gives one level, whatever is read."""

    line: str
    level: Literal[0, 1]


@dataclass(frozen=True)
class WriteReceiver:
    """The card's receiver of one data line gives one level, whatever is on the line."""

    line: str
    level: Literal[0, 1]


@dataclass(frozen=True)
class LateData:
    """The party that drives data in this direction does so later, by `delay` ps."""

    direction: Literal["read", "write"]
    delay: int


@dataclass(frozen=True)
class NoAcknowledge:
    """The card never asserts this line; the master's watchdog then acts as `then` says."""

    line: str
    then: Literal["error", "ends", "hangs"]


@dataclass(frozen=True)
class LateAcknowledge:
    """The card asserts this line later, by `delay` ps; negated before, it does not."""

    line: str
    delay: int


@dataclass(frozen=True)
class EarlyAcknowledge:
    """The card asserts this line as soon as the beat begins, before its data is ready."""

    line: str


@dataclass(frozen=True)
class SlowRelease:
    """Who drives data in this direction lets the data lines go later, by `delay` ps.

    That is the card for read, the host for write. Where data lines carry the address too, the
    host's drivers let that go as late.
    """

    direction: Literal["read", "write"]
    delay: int


@dataclass(frozen=True)
class Absent:
    """No card answers; the data lines float where the host does not drive them.

    ``any`` is what other traffic left on them: lines that are made keep their level, and
    nothing is foretold of it.
    """

    floats: Literal["high", "low", "keep", "any"]


@dataclass(frozen=True)
class Intermittent:
    """A fault that is there in a share of the beats only, `percent` from 0 to 100.

    Raises
    ------
    RequestError
        If the share is none, or the fault cannot come and go.
    """

    fault: Fault
    percent: float

    def __post_init__(self) -> None:
        if not 0 <= self.percent <= 100:
            raise RequestError(f"a share must be 0 to 100 percent, not {self.percent:g}")
        if isinstance(self.fault, Intermittent):
            _refuse("intermittent", self.fault, "a fault that is not intermittent itself")
        if isinstance(self.fault, NoAcknowledge) and self.fault.then == "hangs":
            raise RequestError(
                "intermittent cannot hold a no-acknowledge that hangs: no beat comes after it",
                expected="error or ends",
            )


@dataclass(frozen=True)
class OnlyWhen:
    """A line fault that is there only while another line's healthy level is `level`.

    The healthy level is what host and card drive, and the pulls, make of the line without any
    fault.

    Raises
    ------
    RequestError
        If the fault is none of a line.
    """

    fault: Fault
    line: str
    level: Literal[0, 1]

    def __post_init__(self) -> None:
        if not isinstance(self.fault, Stuck | Bridge | Open | Swapped):
            _refuse("when", self.fault, "stuck, bridge, open or swapped")


@dataclass(frozen=True)
class CardSide:
    """A line fault behind the card's own buffers.

    The card sees it, and what the card drives goes out through it; the backplane has no other
    part in it.

    Raises
    ------
    RequestError
        If the fault is neither stuck, bridge nor swapped.
    """

    fault: Fault

    def __post_init__(self) -> None:
        if isinstance(self.fault, Open):
            raise RequestError(
                "card-side cannot hold open: an open lies between host and card already",
                expected="stuck, bridge or swapped",
                action=f"leave card-side out: open {self.fault.line} {self.fault.floats}",
            )
        if not isinstance(self.fault, Stuck | Bridge | Swapped):
            _refuse("card-side", self.fault, "stuck, bridge or swapped")


Fault = (
    Stuck
    | Bridge
    | Open
    | Swapped
    | Lane
    | ReadDriver
    | WriteReceiver
    | LateData
    | NoAcknowledge
    | LateAcknowledge
    | EarlyAcknowledge
    | SlowRelease
    | Absent
    | Intermittent
    | OnlyWhen
    | CardSide
)

_NAMES: dict[type[Fault], str] = {
    Stuck: "stuck",
    Bridge: "bridge",
    Open: "open",
    Swapped: "swapped",
    ReadDriver: "read-driver",
    WriteReceiver: "write-receiver",
    LateData: "late-data",
    NoAcknowledge: "no-acknowledge",
    LateAcknowledge: "late-acknowledge",
    EarlyAcknowledge: "early-acknowledge",
    SlowRelease: "slow-release",
    Absent: "absent",
    Intermittent: "intermittent",
    OnlyWhen: "when",
    CardSide: "card-side",
}


def kind_name(fault: Fault) -> str:
    """Give the word with which the text of a fault begins.

    Examples
    --------
    >>> kind_name(Stuck("D3", 0))
    'stuck'
    """
    if isinstance(fault, Lane):
        return "lane-on" if fault.is_on else "lane-lost"
    return _NAMES[type(fault)]


def _refuse(kind: str, inner: Fault, expected: str) -> None:
    raise RequestError(f"{kind} cannot hold {kind_name(inner)}", expected=expected)
