"""What a bus description says, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from busdecode.protocol.events import Condition, Event

__all__ = [
    "Bus",
    "Ending",
    "Kind",
    "LaneRow",
    "Line",
    "Moment",
    "Phase",
    "Source",
    "Step",
    "Validity",
]

Direction = Literal["read", "write", "none"]
Party = Literal["host", "card"]


@dataclass(frozen=True)
class Source:
    """Where facts of a description were had.

    Parameters
    ----------
    document, section : str
    status : str
        ``read``, ``read at second hand``, ``from memory`` or ``invented``.
    """

    document: str
    section: str
    status: str


@dataclass(frozen=True)
class Line:
    """One line of the bus; `pull` is the level that it takes when no one drives it."""

    name: str
    role: str
    active_low: bool
    driver: str
    pull: Literal["up", "down", "none"]
    optional: bool


@dataclass(frozen=True)
class Moment:
    """A moment of a beat: at a phase's begin, in the row before it, or during a phase.

    `offset` is in ps, and may be negative; ``during`` means at any time from the phase's
    begin to the beat's release.
    """

    how: Literal["at", "before", "during"]
    phase: str
    offset: int = 0


@dataclass(frozen=True)
class Phase:
    """A phase of the beat and the events, best first, of which one begins it."""

    name: str
    begins: tuple[Event, ...]


@dataclass(frozen=True)
class Kind:
    """A kind of cycle: the levels that mark it, and which way its data goes."""

    name: str
    direction: Direction
    levels: tuple[tuple[tuple[str, ...], int], ...]
    beats: bool


@dataclass(frozen=True)
class LaneRow:
    """One row of a lane table: these levels mean that these lanes take part.

    `lanes` holds one flag a lane, most significant lane first.
    """

    levels: tuple[tuple[tuple[str, ...], int], ...]
    lanes: tuple[bool, ...]


@dataclass(frozen=True)
class Ending:
    """The lines that end a beat, and after what time (ps) a beat without them is a timeout."""

    acknowledged: tuple[str, ...]
    error: tuple[str, ...]
    wait: tuple[str, ...]
    timeout: int | None


@dataclass(frozen=True)
class Validity:
    """When data must stand on the lines: from a moment until `hold` ps after release."""

    write: Moment
    read: Moment
    write_hold: int
    read_hold: int


@dataclass(frozen=True)
class Step:
    """One thing that the host or the card does in a cycle; see ``docs/describing-a-bus.md``.

    `after_steps` and `after_levels` give, for each trigger, the least and greatest delay in ps.
    """

    name: str
    by: Party
    stage: Literal["open", "beat", "close"]
    actions: tuple[tuple[str, str], ...]
    kinds: frozenset[str] | None
    after_steps: tuple[tuple[str, tuple[int, int]], ...]
    after_levels: tuple[tuple[Condition, tuple[int, int]], ...]
    waits: tuple[int, int] | None
    only_with_waits: bool


@dataclass(frozen=True, repr=False)
class Bus:
    """A bus as its description says: all that decoding and making captures need.

    Data is at most 64 lines wide. `lines` fixes the order of lines everywhere.
    `lanes_quiet` and `endings_quiet` are moments at which lane strobes, and the lines that
    end a beat, are still negated on a healthy bus; None where nothing says so.
    """

    name: str
    title: str
    invented: bool
    path: Path | None
    sources: tuple[Source, ...]
    lines: tuple[Line, ...]
    bundles: Mapping[str, tuple[str, ...]]
    address: tuple[str, ...]
    address_bits: tuple[int, ...]
    address_steps: bool
    data: tuple[str, ...]
    lane_bits: int
    big_endian: bool
    lane_strobes: tuple[str, ...]
    lane_rows: tuple[LaneRow, ...]
    cycle_begins: tuple[Event, ...]
    cycle_ends: tuple[Event, ...]
    pipelined: bool
    beat_begins: tuple[Event, ...]
    beat_ends: tuple[Event, ...]
    phases: tuple[Phase, ...]
    take: Mapping[str, Moment]
    lanes_quiet: Moment | None
    endings_quiet: Moment | None
    validity: Validity
    kinds: tuple[Kind, ...]
    ending: Ending
    shortest_pulse: int
    idle: tuple[int, int]
    watchdog: int
    steps: tuple[Step, ...]
    making_levels: Mapping[str, tuple[tuple[tuple[str, ...], int], ...]]

    @property
    def line_names(self) -> tuple[str, ...]:
        """Names of all lines, in the description's order."""
        return tuple(line.name for line in self.lines)

    @property
    def lane_count(self) -> int:
        """How many byte lanes the data lines make."""
        return len(self.data) // self.lane_bits

    @property
    def address_width(self) -> int:
        """Bits of a byte address."""
        return max((bit + 1 for bit in self.address_bits), default=1)

    @property
    def lane_bytes(self) -> int:
        """Byte addresses that one lane spans."""
        return max(1, self.lane_bits // 8)

    @property
    def word_bytes(self) -> int:
        """Byte addresses that the whole word spans."""
        return self.lane_count * self.lane_bytes

    def lane_offset(self, lane: int) -> int:
        """Give the byte offset in the word of a lane; lane 0 is the most significant."""
        place = lane if self.big_endian else self.lane_count - 1 - lane
        return place * self.lane_bytes

    def lane_span(self, lanes: int) -> tuple[int, int]:
        """Give the byte offsets in the word at which lanes begin, and after the bytes they move.

        `lanes` has one bit a lane, the most significant lane at the highest bit.
        """
        offsets = [
            self.lane_offset(self.lane_count - 1 - bit)
            for bit in range(self.lane_count)
            if lanes >> bit & 1
        ]
        first = min(offsets, default=0)
        return first, first + len(offsets) * self.lane_bytes

    @property
    def phase_names(self) -> tuple[str, ...]:
        """The phases of a beat, in order."""
        return ("address", "data", *(phase.name for phase in self.phases), "release")

    def line(self, name: str) -> Line:
        """Give the line of that name; KeyError where there is none."""
        for line in self.lines:
            if line.name == name:
                return line
        raise KeyError(name)

    def kind(self, name: str) -> Kind:
        """Give the kind of that name; KeyError where there is none."""
        for kind in self.kinds:
            if kind.name == name:
                return kind
        raise KeyError(name)

    def asserted_level(self, name: str) -> int:
        """Give the level, 0 or 1, at which the line is asserted."""
        return 0 if self.line(name).active_low else 1

    def __repr__(self) -> str:
        return (
            f"Bus({self.name!r}: {len(self.lines)} lines, {self.lane_count} lane(s) of "
            f"{self.lane_bits} bits, kinds {', '.join(kind.name for kind in self.kinds)})"
        )
