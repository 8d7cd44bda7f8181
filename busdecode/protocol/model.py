"""What a bus description says, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    from busdecode.protocol.events import Condition, Event
    from busdecode.protocol.limits import Grades, Limit

__all__ = [
    "Bus",
    "Connector",
    "Ending",
    "Kind",
    "LaneRow",
    "Levels",
    "Line",
    "Moment",
    "Operand",
    "Phase",
    "Source",
    "Step",
    "Validity",
    "fixed_levels",
    "kinds_showing",
    "listed_lines",
]

Levels = tuple[tuple[tuple[str, ...], tuple[int, ...]], ...]
"""Groups of lines, most significant first, each with the values of which it shows one."""


def fixed_levels(levels: Levels) -> dict[str, int]:
    """Give the lines that have one level whichever of the values is shown, each with its level.

    Examples
    --------
    >>> fixed_levels(((("A1", "A0"), (2, 3)), (("WR",), (0,))))
    {'A1': 1, 'WR': 0}
    """
    fixed = {}
    for lines, values in levels:
        for bit, line in enumerate(reversed(lines)):
            shown = {value >> bit & 1 for value in values}
            if len(shown) == 1:
                fixed[line] = shown.pop()
    return fixed


def kinds_showing(bus: Bus, levels: Levels) -> list[bool]:
    """Tell for each kind whether a cycle of it may show some levels.

    Not where its own levels are others; nor where a kind that stands before it takes every cycle
    that shows these.
    """
    found = []
    for at, kind in enumerate(bus.kinds):
        own = fixed_levels(kind.levels)
        both = fixed_levels(levels) | own
        is_taken = any(
            other.beats == kind.beats
            and other.levels
            and all(len(values) == 1 for _, values in other.levels)
            and fixed_levels(other.levels).items() <= both.items()
            for other in bus.kinds[:at]
        )
        found.append(_may_stand_with(levels, own) and not is_taken)
    return found


def _may_stand_with(levels: Levels, others: Mapping[str, int]) -> bool:
    """Tell whether levels can be shown while some lines have levels of their own.

    Examples
    --------
    >>> _may_stand_with(((("A1", "A0"), (2, 3)),), {"A1": 1, "WR": 0})
    True
    >>> _may_stand_with(((("A1", "A0"), (2, 3)),), {"A1": 0})
    False
    """
    return all(
        any(
            all(
                others.get(line, value >> bit & 1) == value >> bit & 1
                for bit, line in enumerate(reversed(lines))
            )
            for value in values
        )
        for lines, values in levels
    )


def listed_lines(bus: Bus, lines: Iterable[str]) -> str:
    """List lines in the description's order, those that follow one another as a range.

    Parameters
    ----------
    bus : Bus
    lines : iterable of str

    Examples
    --------
    >>> from busdecode.protocol import load_bus
    >>> listed_lines(load_bus("mc68000"), ["D0", "D1", "D2", "AS", "D4", "D5"])
    'D5, D4, D2 to D0, AS'
    """
    wanted = set(lines)
    bundle_of = {
        line: name for name, lines in bus.bundles.items() if len(lines) > 1 for line in lines
    }
    runs: list[list[str]] = []
    before: str | None = None
    for line in bus.line_names:
        if line in wanted:
            bundle = bundle_of.get(line)
            if before is not None and bundle is not None and bundle == bundle_of.get(before):
                runs[-1].append(line)
            else:
                runs.append([line])
        before = line if line in wanted else None
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(run) for run in runs)


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
    """A kind of cycle: the levels that mark it, and which way its data goes.

    `steps` tells that the address of a later beat goes on by the bytes moved; `space` names
    the memory that answers, ``none`` where reads do not tell what was written.
    """

    name: str
    direction: Direction
    levels: Levels
    beats: bool
    steps: bool
    space: str

    @property
    def is_of_memory(self) -> bool:
        """Whether a memory answers it, with data one way or the other."""
        return self.space != "none" and self.direction != "none"


@dataclass(frozen=True)
class LaneRow:
    """One row of a lane table: these levels mean that these lanes take part.

    `lanes` holds one flag a lane, most significant lane first; `number` the same as bits;
    `first` is the offset in the word of the lowest byte, None where the address lines tell;
    `kinds` are those that the row is for, None where it is for all.
    """

    levels: Levels
    lanes: tuple[bool, ...]
    first: int | None
    kinds: frozenset[str] | None

    @cached_property
    def number(self) -> int:
        """The lanes as a number, the most significant lane at the highest bit."""
        return int("".join("01"[flag] for flag in self.lanes), 2)


@dataclass(frozen=True)
class Operand:
    """How beats make up what software asked for.

    Parameters
    ----------
    lines : tuple of str
        Lines that tell how many bytes are still to move, most significant first; or none.
    sizes : tuple of int
        That number for each value of the lines.
    beats : int
        Beats that make one byte, where the data lines are narrower; the high part first.
    """

    lines: tuple[str, ...]
    sizes: tuple[int, ...]
    beats: int


@dataclass(frozen=True)
class Ending:
    """The lines that end a beat, and after what time (ps) a beat without them is a timeout."""

    acknowledged: tuple[str, ...]
    error: tuple[str, ...]
    wait: tuple[str, ...]
    timeout: int | None


@dataclass(frozen=True)
class Validity:
    """When data must stand on the lines: from a moment until `hold` ps after release.

    `write_until` and `read_until` are the phases up to whose begin data stays.
    """

    write: Moment
    read: Moment
    write_hold: int
    read_hold: int
    write_until: str
    read_until: str


@dataclass(frozen=True)
class Step:
    """One thing that the host or the card does in a cycle; see ``docs/describing-a-bus.md``.

    `after_steps` and `after_levels` give, for each trigger, the least and greatest delay in ps;
    `skew` by how much each further line of a group may come later than the first.
    """

    name: str
    by: Party
    stage: Literal["open", "beat", "close", "last"]
    actions: tuple[tuple[str, str], ...]
    kinds: frozenset[str] | None
    after_steps: tuple[tuple[str, tuple[int, int]], ...]
    after_levels: tuple[tuple[Condition, tuple[int, int]], ...]
    waits: tuple[int, int] | None
    only_with_waits: bool
    skew: tuple[int, int]


@dataclass(frozen=True)
class Connector:
    """A connector: what is on each of its pins, a line of the bus or a supply.

    Parameters
    ----------
    name : str
    pins : dict of str to str
        By the pin's own name, in the order of the description.
    source, status : str
        Where it was had, as a `Source` has it.
    """

    name: str
    pins: Mapping[str, str]
    source: str
    status: str


@dataclass(frozen=True, repr=False)
class Bus:
    """A bus as its description says: all that decoding and making captures need.

    Data is at most 64 lines wide. `lines` fixes the order of lines everywhere. `address_used`
    has masks of the address bits that some cycles use, by the levels that mark these.
    `modifier_codes` are the values of `modifier` that may be; empty where all may.
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
    address_from_lines: bool
    address_used: tuple[tuple[Levels, int], ...]
    data: tuple[str, ...]
    lane_bits: int
    big_endian: bool
    lane_strobes: tuple[str, ...]
    lane_rows: tuple[LaneRow, ...]
    cycle_begins: tuple[Event, ...]
    cycle_ends: tuple[Event, ...]
    pipelined: bool
    joined: bool
    beat_begins: tuple[Event, ...]
    beat_ends: tuple[Event, ...]
    beat_joined: bool
    modifier: tuple[str, ...]
    modifier_codes: frozenset[int]
    operand: Operand
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
    grades: Grades
    limits: tuple[Limit, ...]
    connectors: tuple[Connector, ...]
    steps: tuple[Step, ...]
    making_levels: Mapping[str, Levels]

    @cached_property
    def line_names(self) -> tuple[str, ...]:
        """Names of all lines, in the description's order."""
        return tuple(line.name for line in self.lines)

    @cached_property
    def row_order(self) -> tuple[str, ...]:
        """Names of all lines: addresses and data first, least significant first, then the rest.

        Rows in this order show addresses and data as numbers that need one shift.
        """
        address = [line for _, line in sorted(zip(self.address_bits, self.address, strict=True))]
        return tuple(dict.fromkeys((*address, *reversed(self.data), *self.line_names)))

    def low_bits(self, lines: Sequence[str], bits: Sequence[int]) -> int:
        """Give the bits of a number whose lines say 1 by the low level: an inverted bus."""
        return sum(
            1 << bit for line, bit in zip(lines, bits, strict=True) if self.line(line).active_low
        )

    @cached_property
    def address_low(self) -> int:
        """The bits of an address that are 1 where their line is low."""
        return self.low_bits(self.address, self.address_bits)

    @cached_property
    def data_low(self) -> int:
        """The bits of a data word that are 1 where their line is low."""
        return self.low_bits(self.data, range(len(self.data) - 1, -1, -1))

    @property
    def lane_count(self) -> int:
        """How many byte lanes the data lines make."""
        return len(self.data) // self.lane_bits

    @property
    def address_width(self) -> int:
        """Bits of a byte address."""
        return max((bit + 1 for bit in self.address_bits), default=1)

    @cached_property
    def lane_lines(self) -> tuple[str, ...]:
        """The lines that select byte lanes, whether one stands for each lane or a table decides."""
        return self.lane_strobes or tuple(line.name for line in self.lines if line.role == "lane")

    @cached_property
    def port_lines(self) -> frozenset[str]:
        """The card's lines that have a part in the lane table: they tell the port's size."""
        inside = {line for row in self.lane_rows for lines, _ in row.levels for line in lines}
        return frozenset(
            line.name for line in self.lines if line.name in inside and line.driver == "card"
        )

    @cached_property
    def marking_lines(self) -> frozenset[str]:
        """The lines whose levels mark the kind of a cycle, or the address lines that it uses."""
        levels = (*(kind.levels for kind in self.kinds), *(marks for marks, _ in self.address_used))
        return frozenset(line for marks in levels for lines, _ in marks for line in lines)

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
        return self._line_of[name]

    @cached_property
    def _line_of(self) -> dict[str, Line]:
        return {line.name: line for line in self.lines}

    def kind(self, name: str) -> Kind:
        """Give the kind of that name; KeyError where there is none."""
        return self._kind_of[name]

    @cached_property
    def _kind_of(self) -> dict[str, Kind]:
        return {kind.name: kind for kind in self.kinds}

    def asserted_level(self, name: str) -> int:
        """Give the level, 0 or 1, at which the line is asserted."""
        return 0 if self.line(name).active_low else 1

    def __repr__(self) -> str:
        return (
            f"Bus({self.name!r}: {len(self.lines)} lines, {self.lane_count} lane(s) of "
            f"{self.lane_bits} bits, kinds {', '.join(kind.name for kind in self.kinds)})"
        )
