"""What is odd in a decoded capture, and what the odd beats have in common."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from busdecode.capture import pack_levels
from busdecode.compare import (
    matched,
    observe_places,
    parting_of,
    records_of,
    standing_windows,
)
from busdecode.cycles import DIRECTIONS, ENDINGS, MISSING, lane_bits_of, why_too_coarse
from busdecode.protocol import fixed_levels

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busdecode.access import AccessLog
    from busdecode.compare import Clue, Meant, PlaceView, Recording
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Kind", "Oddities", "Oddity", "oddities_of"]

Kind = Literal[
    "lane missing", "lane unasked", "lost", "extra", "short", "unanswered", "unsteady", "apart"
]
_LUCK = 0.01
"""A clue that luck would give more often than this is none."""
_CLUES = 4
_NO_LOG = "beats that are lost, too many, or on wrong lanes: that needs a log"
_OTHERS = "beats too many: traffic that is not in the log is no fault"
_ONE_PLACE = "what differs between places: one place was probed"
_NO_LANES = "lanes: no line that selects them was captured"
_NO_ANSWER = "missing answers: no line that answers was captured"
_OVERLAP = (
    "drivers that overlap where the data lines turn around: a capture has one "
    "level for each line, whoever drives it"
)


@dataclass(frozen=True, eq=False)
class Oddity:
    """Beats that are odd in one way.

    Parameters
    ----------
    kind : str
        ``lane missing``, ``lane unasked``: a byte lane that was to take part did not, or the other
        way round. ``lost``: logged transfers without a beat. ``extra``: beats that are not in a
        log that has all. ``short``: data phases shorter than any pulse of the bus. ``unanswered``:
        ended without acknowledge. ``unsteady``: data lines that move while they should stand.
        ``apart``: a line that two places show differently.
    lines : tuple of str
        That show it; empty where it is not in the lines.
    place : str
    of : str
        What `odd` and `compared` count: ``beats``, rows of the cycle table, or ``transfers``,
        rows of what the log meant.
    odd, compared : ndarray of int64
        The odd ones, and all that were looked at, rising.
    clues : tuple of Clue
        What parts odd ones from the others, most telling first: address and data as they were
        meant where the log tells them, else as they were taken, and what marks the kind; as
        levels on the lines.
    """

    kind: Kind
    lines: tuple[str, ...]
    place: str
    of: Literal["beats", "transfers"]
    odd: Ints
    compared: Ints
    clues: tuple[Clue, ...]

    def __str__(self) -> str:
        lines = f" {', '.join(self.lines)}" if self.lines else ""
        told = f" where {self.clues[0]}" if self.clues else ""
        return (
            f"{self.kind}{lines} at the {self.place}: "
            f"{len(self.odd)} of {len(self.compared)} {self.of}{told}"
        )


@dataclass(frozen=True, eq=False)
class Oddities:
    """What was found, and what this capture cannot show; one sentence each."""

    found: tuple[Oddity, ...]
    unseen: tuple[str, ...]


def oddities_of(
    recording: Recording,
    log: AccessLog | None = None,
    *,
    offset: int = 0,
    alone: bool = False,
) -> Oddities:
    """Find what is odd in a capture, and what the odd beats have in common.

    Parameters
    ----------
    recording : Recording
    log : AccessLog, optional
    offset : int
        Added to every logged address.
    alone : bool
        Nothing was on the bus but what is in the log: other beats are ``extra``.

    Raises
    ------
    LogError
        If the log does not fit the bus.

    Notes
    -----
    The chance of a clue takes beats for independent of each other. Where few addresses come again
    and again, lines that have nothing to do with it may follow the one that has: the first clue
    counts most. Memory grows with beats.
    """
    table, bus = recording.table, recording.table.bus
    place, here = next(iter(recording.places.items()))
    every = recording.places.values()
    coarse = why_too_coarse(
        bus, max(each.resolution for each in every), max(each.skew for each in every)
    )
    if coarse is not None:
        return Oddities((), (coarse,))
    marks = _Marks.taken(table)
    found: list[Oddity] = []
    unseen = [_OVERLAP]
    whole = np.flatnonzero((table.ended != ENDINGS.index("cut-off")) & (table.kind >= 0))
    beats = whole[table.kind[whole] < len(bus.kinds)]
    if log is None:
        unseen.append(_NO_LOG)
    else:
        meant, aligned, *_ = matched(table, here.lines, log, offset=offset)
        pairs = np.where(aligned.is_ambiguous | ~aligned.is_likely, -1, aligned.beats)
        marks = marks.told(bus, meant, pairs)
        if any(line in here.lines for line in bus.lane_lines):
            found += _lanes(place, table, marks, meant, pairs)
        else:
            unseen.append(_NO_LANES)
        found += _unmatched(place, table, marks, meant, aligned.beats, alone)
        if not alone:
            unseen.append(_OTHERS)
    slack = here.resolution + here.skew
    since, until = table.phase("data")[beats], table.phase("release")[beats]
    timed = (since != MISSING) & (until != MISSING)
    is_short = timed & (until - since < bus.shortest_pulse - 2 * slack)
    found += marks.oddity("short", (), place, beats[is_short], beats[timed])
    answers = (*bus.ending.acknowledged, *bus.ending.wait)
    if any(line in here.lines for line in answers):
        ended = table.ended[beats]
        is_odd = ended > ENDINGS.index("acknowledged")
        found += marks.oddity("unanswered", answers, place, beats[is_odd], beats[ended >= 0])
    elif answers:
        unseen.append(_NO_ANSWER)
    if len(beats):
        views = recording.look(beats, beats[:0]).views
        for view in views.values():
            found += _unsteady(view, table, marks, beats)
        if len(views) < 2:
            unseen.append(_ONE_PLACE)
        records = records_of(observe_places(views, table, beats), views)
        for line, record in records.items():
            for name in dict.fromkeys(look.place for look in record.failing()):
                looks = [look for look in record.looks if look.place == name]
                odd, compared = (
                    np.unique(np.concatenate(each))
                    for each in ([k.wrong for k in looks], [k.beats for k in looks])
                )
                found += marks.oddity("apart", (line,), name, odd, compared)
    return Oddities(tuple(found), tuple(unseen))


@dataclass(frozen=True, eq=False)
class _Marks:
    """Levels by which beats may be told apart, packed, shape (B, W), and which are known."""

    lines: tuple[str, ...]
    levels: Words
    known: Words

    @classmethod
    def taken(cls, table: CycleTable) -> _Marks:
        """Give what the beats of a table show."""
        used = np.where(table.has_address, table.used, np.uint64(0))
        return cls.of(table.bus, table.kind, table.address, used, table.data, table.data_known)

    @classmethod
    def of(
        cls,
        bus: Bus,
        kind: NDArray[np.int16],
        address: Words,
        used: Words,
        data: Words,
        data_known: Words,
    ) -> _Marks:
        """Give the levels on the lines for numbers; a line that carries both comes twice."""
        names, levels, known = [], [], []
        bits = range(len(bus.data) - 1, -1, -1)
        for lines, at, numbers, sure, low in (
            (bus.address, bus.address_bits, address, used, bus.address_low),
            (bus.data, bits, data, data_known, bus.data_low),
        ):
            for line, bit in zip(lines, at, strict=True):
                names.append(f"{line} with data" if line in names else line)
                levels.append(_bit(numbers, bit) ^ bool(low >> bit & 1))
                known.append(_bit(sure, bit))
        marked = [fixed_levels(each.levels) for each in bus.kinds]
        strobes = {line.name for line in bus.lines if line.role in ("strobe", "lane")}
        for line in dict.fromkeys(line for each in marked for line in each):
            if line in names or line in strobes:
                continue
            names.append(line)
            told = np.array([each.get(line, -1) for each in marked] + [-1, -1])[kind]
            levels.append(told == 1)
            known.append(told >= 0)
        packed = (pack_levels(np.stack(each, axis=1).view(np.uint8)) for each in (levels, known))
        return cls(tuple(names), *packed)

    @classmethod
    def meant(cls, bus: Bus, meant: Meant) -> _Marks:
        """Give what transfers meant."""
        used = np.full(len(meant), 0xFFFF_FFFF_FFFF_FFFF, dtype=np.uint64)
        return cls.of(bus, meant.kind, meant.address, used, meant.data, meant.data_known)

    def told(self, bus: Bus, meant: Meant, pairs: Ints) -> _Marks:
        """Give the same, with what the log tells of some beats in place of what they show."""
        mine = np.flatnonzero(pairs >= 0)
        rows, logged = pairs[mine], _Marks.meant(bus, meant)
        told = logged.known[mine]
        levels, known = self.levels.copy(), self.known.copy()
        levels[rows] = (levels[rows] & ~told) | (logged.levels[mine] & told)
        known[rows] |= told
        return _Marks(self.lines, levels, known)

    def oddity(
        self,
        kind: Kind,
        lines: tuple[str, ...],
        place: str,
        odd: Ints,
        compared: Ints,
        of: Literal["beats", "transfers"] = "beats",
    ) -> list[Oddity]:
        """Make the oddity of some of the beats compared, if there are any."""
        if not len(odd):
            return []
        parting = parting_of(
            np.isin(compared, odd),
            self.levels[compared],
            self.known[compared],
            self.lines,
        )
        clues = tuple(clue for clue in parting.clues(_CLUES) if clue.chance < _LUCK)
        return [Oddity(kind, lines, place, of, odd, compared, clues)]


def _bit(numbers: Words, bit: int) -> Bools:
    is_set: Bools = (numbers >> np.uint64(bit)) & np.uint64(1) == 1
    return is_set


def _lanes(place: str, table: CycleTable, marks: _Marks, meant: Meant, pairs: Ints) -> list[Oddity]:
    """Hold the lanes that were asked for against those that took part."""
    bus = table.bus
    mine = np.flatnonzero(pairs >= 0)
    rows = pairs[mine]
    found: list[Oddity] = []
    for lane in range(bus.lane_count):
        bit = bus.lane_count - 1 - lane
        lines = bus.lane_strobes[lane : lane + 1] or bus.lane_lines
        known = _bit(table.lanes_known[rows], bit) & ~table.unsure[rows]
        asked, moved = _bit(meant.lanes[mine], bit), _bit(table.lanes[rows], bit)
        ways: tuple[tuple[Kind, Bools, Bools], ...] = (
            ("lane missing", asked, ~moved),
            ("lane unasked", ~asked, moved),
        )
        for kind, wanted, is_odd in ways:
            compared = known & wanted
            found += marks.oddity(
                kind,
                lines,
                place,
                np.unique(rows[compared & is_odd]),
                np.unique(rows[compared]),
            )
    return found


def _unmatched(
    place: str, table: CycleTable, marks: _Marks, meant: Meant, beats: Ints, alone: bool
) -> list[Oddity]:
    """Find what stands on one side only, between what stands on both: ends may be cut off."""
    met = np.flatnonzero(beats >= 0)
    if not len(met):
        return []
    inside = np.arange(met[0], met[-1] + 1)
    lost = inside[beats[inside] < 0]
    logged = _Marks.meant(table.bus, meant)
    found = logged.oddity("lost", (), place, lost, inside, "transfers")
    if alone:
        rows = np.arange(beats[met[0]], beats[met[-1]] + 1)
        found += marks.oddity("extra", (), place, np.setdiff1d(rows, beats[met]), rows)
    return found


def _unsteady(view: PlaceView, table: CycleTable, marks: _Marks, beats: Ints) -> list[Oddity]:
    """Find data lines that leave the level at which they are taken while they should stand."""
    bus = view.bus
    found: list[Oddity] = []
    if not any(line in view.index for line in bus.data):
        return found
    for direction in ("read", "write"):
        mine = beats[table.direction[beats] == DIRECTIONS.index(direction)]
        if direction == "read" and (bus.ending.acknowledged or bus.ending.wait):
            # Nobody drives what nobody answers.
            mine = mine[table.ended[mine] == ENDINGS.index("acknowledged")]
        if not len(mine):
            continue
        moment = bus.take[direction]
        sample = view.sample(moment, table.phase(moment.phase)[mine])
        on_lanes = lane_bits_of(bus, table.lanes[mine] & table.lanes_known[mine])
        bits = range(len(bus.data) - 1, -1, -1)
        care = view.pack(on_lanes, bus.data, bits)
        moved = np.zeros_like(sample.states)
        looked = np.zeros(len(mine), dtype=np.bool_)
        for _, since, until in standing_windows(view, table, mine, direction):
            differs, known = view.differs(sample.states, since, until)
            moved |= differs & known & care
            looked |= (known & care).any(axis=1)
        ever = view.number(np.bitwise_or.reduce(moved, axis=0)[None, :], bus.data, bits)
        lines = tuple(
            line for line, bit in zip(bus.data, bits, strict=True) if int(ever[0]) >> bit & 1
        )
        odd = mine[moved.any(axis=1)]
        found += marks.oddity("unsteady", lines, view.place, odd, mine[looked])
    return found
