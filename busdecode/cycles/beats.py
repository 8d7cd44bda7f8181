"""What the beats carry: address, lanes, kind, data and ending, each at its own moment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles.occurrences import MISSING, Found, Rows, gather, is_usable, mask_of
from busdecode.cycles.table import DIRECTIONS, ENDINGS, CycleTable, empty, lane_bits_of
from busdecode.protocol import Holds, Is, Moment, event_lines

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.protocol import Bus, Event

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["BeatValues", "Snapshot"]


@dataclass
class Snapshot:
    """Rows as they stood at one moment of each cycle or beat: states, unknown, still moving.

    Each is a ndarray of uint64, shape (B, W); `moving` has the lines that change within one
    resolution of the moment. Where the moment did not come, all is unknown.
    """

    states: Words
    unknown: Words
    moving: Words

    def one(self, at: int) -> Snapshot:
        """Copy one row."""
        rows = slice(at, at + 1)
        return Snapshot(
            self.states[rows].copy(), self.unknown[rows].copy(), self.moving[rows].copy()
        )

    def put(self, at: int, other: Snapshot) -> None:
        """Set one row."""
        self.states[at], self.unknown[at], self.moving[at] = (
            other.states[0],
            other.unknown[0],
            other.moving[0],
        )

    def take(self, rows: Ints) -> Snapshot:
        """Give some rows."""
        return Snapshot(self.states[rows], self.unknown[rows], self.moving[rows])


class BeatValues:
    """Compute the columns of the cycle table from rows and the moments of beats."""

    def __init__(
        self,
        bus: Bus,
        index: Mapping[str, int],
        phases: Sequence[tuple[str, Event | None]],
        uncertainty: int,
    ) -> None:
        self.bus = bus
        self.notes: list[str] = []
        self._index = index
        self._phases = phases
        self._uncertainty = uncertainty
        self._words = max(1, -(-len(index) // 64))
        self._lane_moment = bus.take["lanes"]
        self._marking = frozenset(
            line
            for events in (bus.cycle_begins, bus.beat_begins)
            for event in events
            for line in event_lines(event)
        )
        self._kind_parts = [self._visible(kind.levels) for kind in bus.kinds]
        self._has_kinds = self._check_kinds()
        for name, lines in (("address", bus.address), ("data", bus.data)):
            absent = [line for line in lines if line not in index]
            if absent:
                self.notes.append(f"{name} is not whole: {_listed(absent)} not captured")
        absent = [line for line in bus.lane_strobes if line not in index]
        if absent:
            self.notes.append(f"lanes are not whole: {_listed(absent)} not captured")
        ending = bus.ending
        wanted = [*ending.acknowledged, *ending.error, *ending.wait]
        absent = [line for line in wanted if line not in index]
        if absent:
            self.notes.append(f"how beats end is judged without {_listed(absent)}")
        self._address_mask = mask_of(bus.address, index, self._words)

    def _visible(
        self, levels: tuple[tuple[tuple[str, ...], int], ...]
    ) -> tuple[tuple[Is, ...], bool]:
        """Give the parts of a kind's levels that were captured, and whether that is all."""
        parts = []
        for lines, value in levels:
            for bit, line in enumerate(reversed(lines)):
                if line in self._index:
                    parts.append(Is((line,), value >> bit & 1))
        return tuple(parts), len(parts) == sum(len(lines) for lines, _ in levels)

    def _check_kinds(self) -> list[bool | None]:
        """Say for each kind: it can be told (True), is passed over (False), or blocks (None)."""
        usable: list[bool | None] = []
        for kind, (_, whole) in zip(self.bus.kinds, self._kind_parts, strict=True):
            absent = [line for lines, _ in kind.levels for line in lines if line not in self._index]
            if whole:
                usable.append(True)
            elif all(self.bus.line(line).role in ("function", "address") for line in absent):
                usable.append(False)
                self.notes.append(f"kind {kind.name} cannot be told without {_listed(absent)}")
            else:
                usable.append(None)
                self.notes.append(
                    f"a beat that may be {kind.name} has no kind: {_listed(absent)} not captured"
                )
        return usable

    def _snap(self, rows: Rows, moment: Moment, at_rows: Ints, at_times: Ints) -> Snapshot:
        """Take the rows at a moment, given the rows and times at which its phase begins."""
        is_there = at_rows >= 0
        event_rows = np.maximum(at_rows, 0)
        times = np.where(is_there, at_times, rows.times[0])
        if moment.offset:
            times = times + moment.offset
            event_rows = np.maximum(rows.row_at(times), 0)
        taken = event_rows
        if moment.how == "before":
            taken = np.where(rows.times[event_rows] >= times, event_rows - 1, event_rows)
            is_there = is_there & (taken >= 0)
            taken = np.maximum(taken, 0)
        states = rows.states[taken]
        unknown = np.zeros_like(states) if rows.unknown is None else rows.unknown[taken]
        moving = rows.changed_near(event_rows, times, self._uncertainty)
        if not is_there.all():
            unknown = unknown.copy()
            unknown[~is_there] = np.uint64(0xFFFF_FFFF_FFFF_FFFF)
        return Snapshot(states, unknown, moving)

    def of_cycles(self, rows: Rows, begins: Ints, times: Ints) -> dict[str, Snapshot]:
        """Take what the address phases give, one snapshot for each thing taken there."""
        return {
            name: self._snap(rows, moment, begins, times[begins])
            for name, moment in self.bus.take.items()
            if moment.phase == "address"
        }

    def table(
        self,
        rows: Rows,
        of_cycles: dict[str, Snapshot],
        began: Ints,
        begins: Ints,
        ends: Ints,
        of_cycle: Ints,
        beats_before: int,
        moved_before: int,
        direction_before: int,
    ) -> tuple[CycleTable, Ints]:
        """Make the rows of finished beats.

        Returns
        -------
        CycleTable, B rows, its cycles not numbered yet
        ndarray of int64, shape (B,)
            Bytes by which the word address has gone on in the cycle, with each beat.
        """
        bus, count = self.bus, len(begins)
        table = empty(bus, count)
        if not count:
            return table, np.zeros(0, dtype=np.int64)
        times = rows.times
        finds: dict[str, tuple[Ints, Ints]] = {"data": (begins, times[begins])}
        finds["release"] = (ends, times[ends])
        for name, event in self._phases:
            found = rows.find(event, begins, ends) if event is not None else _never(count)
            finds[name] = (found.rows, found.times)
        shots: dict[tuple[object, str | None], Snapshot] = {}

        def taken(name: str) -> Snapshot:
            moment = bus.take[name]
            key = (moment, name if moment.phase == "address" else None)
            if key not in shots:
                if moment.phase == "address":
                    shots[key] = of_cycles[name].take(of_cycle)
                else:
                    shots[key] = self._snap(rows, moment, *finds[moment.phase])
            return shots[key]

        first_at = np.searchsorted(of_cycle, of_cycle, "left")
        table.beat[:] = np.arange(count) - first_at + np.where(of_cycle == 0, beats_before, 0)
        table.start[:], table.end[:] = times[begins], times[ends]
        table.phases[:, 0] = began[of_cycle]
        for at, name in enumerate(bus.phase_names[1:], 1):
            table.phases[:, at] = finds[name][1]
        self._put_kind(table, taken("kind"), taken("direction"))
        self._put_lanes(table, rows, begins, ends, taken)
        moved = self._put_address(table, taken("address"), of_cycle, moved_before)
        self._put_data(table, taken)
        self._put_ending(table, rows, begins, ends)
        same = of_cycle[1:] == of_cycle[:-1]
        read, write = DIRECTIONS.index("read"), DIRECTIONS.index("write")
        turns = same & (table.direction[:-1] == read) & (table.direction[1:] == write)
        table.rmw[:-1] |= turns
        table.rmw[1:] |= turns
        if direction_before == read and of_cycle[0] == 0 and table.direction[0] == write:
            table.rmw[0] = True
        return table, moved

    def address_only(
        self,
        rows: Rows,
        of_cycles: dict[str, Snapshot],
        began: Ints,
        begins: Ints,
        ends: Ints,
        which: Ints,
    ) -> CycleTable:
        """Make the rows of cycles without a beat."""
        bus, times = self.bus, rows.times
        table = empty(bus, len(which))
        table.start[:] = began[which]
        table.end[:] = times[np.minimum(ends[which], len(times) - 1)]
        table.phases[:, 0] = began[which]
        at = begins[which]
        kind = self._snap(rows, Moment("at", "address"), at, times[at])
        table.kind[:] = len(bus.kinds)
        self._put_kind(table, kind, kind, beats=False)
        table.direction[:] = 0
        address = (
            of_cycles["address"].take(which)
            if "address" in of_cycles
            else self._snap(rows, Moment("at", "address"), at, times[at])
        )
        self._put_address(table, address, np.arange(len(which)), 0)
        table.lanes_known[:] = np.uint64((1 << bus.lane_count) - 1)
        table.ended[:] = ENDINGS.index("unacknowledged")
        return table

    def _put_kind(
        self, table: CycleTable, kinds: Snapshot, directions: Snapshot, *, beats: bool = True
    ) -> None:
        undecided = np.ones(len(table), dtype=np.bool_)
        for at, kind in enumerate(self.bus.kinds):
            usable = self._has_kinds[at]
            if kind.beats is not beats or usable is False:
                continue
            fits = np.ones(len(table), dtype=np.bool_)
            known = np.ones(len(table), dtype=np.bool_)
            for part in self._kind_parts[at][0]:
                line = part.lines[0]
                shot = directions if self.bus.line(line).role == "direction" else kinds
                word, bit = self._index[line] // 64, np.uint64(1 << (self._index[line] % 64))
                fits &= ((shot.states[:, word] & bit) != 0) == bool(part.value)
                known &= (shot.unknown[:, word] & bit) == 0
                if beats and line not in self._marking:
                    table.unsure[:] |= undecided & ((shot.moving[:, word] & bit) != 0)
            fits |= ~known
            here = undecided & fits
            if usable is None:
                known[:] = False
            sure = here & known
            table.kind[sure] = at
            table.direction[sure] = DIRECTIONS.index(kind.direction)
            undecided &= ~here

    def _put_lanes(
        self,
        table: CycleTable,
        rows: Rows,
        begins: Ints,
        ends: Ints,
        taken: Callable[[str], Snapshot],
    ) -> None:
        bus, count = self.bus, self.bus.lane_count
        every = np.uint64((1 << count) - 1)
        if bus.lane_strobes:
            for lane, line in enumerate(bus.lane_strobes):
                at = self._index.get(line)
                if at is None:
                    continue
                bit = np.uint64(count - 1 - lane)
                asserted = bus.asserted_level(line)
                word, place = at // 64, np.uint64(1 << (at % 64))
                if self._lane_moment.how == "during":
                    event = Holds(Is((line,), asserted))
                    found = rows.find(event, begins, np.maximum(ends - 1, begins))
                    on = found.is_found
                    known = np.ones(len(table), dtype=np.bool_)
                else:
                    shot = taken("lanes")
                    on = ((shot.states[:, word] & place) != 0) == bool(asserted)
                    known = (shot.unknown[:, word] & place) == 0
                table.lanes[:] |= np.where(on & known, np.uint64(1), np.uint64(0)) << bit
                table.lanes_known[:] |= known.astype(np.uint64) << bit
            return
        if not bus.lane_rows:
            table.lanes[:], table.lanes_known[:] = every, every
            return
        shot = taken("lanes")
        undecided = np.ones(len(table), dtype=np.bool_)
        for row in bus.lane_rows:
            fits = undecided.copy()
            for lines, value in row.levels:
                for bit_at, line in enumerate(reversed(lines)):
                    at = self._index.get(line)
                    if at is None:
                        fits[:] = False
                        continue
                    word, place = at // 64, np.uint64(1 << (at % 64))
                    fits &= (shot.unknown[:, word] & place) == 0
                    fits &= ((shot.states[:, word] & place) != 0) == bool(value >> bit_at & 1)
            number = int("".join("1" if flag else "0" for flag in row.lanes), 2)
            table.lanes[fits] = np.uint64(number)
            table.lanes_known[fits] = every
            undecided &= ~fits

    def _put_address(
        self, table: CycleTable, shot: Snapshot, of_cycle: Ints, moved_before: int
    ) -> Ints:
        bus, count = self.bus, self.bus.lane_count
        table.address[:] = gather(shot.states, bus.address, self._index, bus.address_bits)
        whole = all(line in self._index for line in bus.address)
        unknown = ((shot.unknown & self._address_mask) != 0).any(axis=1)
        table.has_address[:] = whole & ~unknown
        table.unsure[:] |= ((shot.moving & self._address_mask) != 0).any(axis=1)
        word = np.uint64(bus.word_bytes)
        offsets = np.zeros(1 << count, dtype=np.uint64)
        steps = np.zeros(1 << count, dtype=np.int64)
        for number in range(1, 1 << count):
            offsets[number], beyond = bus.lane_span(number)
            steps[number] = beyond // bus.word_bytes * bus.word_bytes
        sizes = steps[table.lanes.astype(np.int64)]
        moved = np.cumsum(sizes)
        if len(moved):
            first_at = np.searchsorted(of_cycle, of_cycle, "left")
            moved = moved - (moved - sizes)[first_at] + np.where(of_cycle == 0, moved_before, 0)
        if bus.address_steps:
            table.address[:] += (moved - sizes).astype(np.uint64)
            table.address[:] &= np.uint64((1 << bus.address_width) - 1)
        table.address[:] = table.address // word * word + offsets[table.lanes.astype(np.int64)]
        return moved

    def _put_data(self, table: CycleTable, taken: Callable[[str], Snapshot]) -> None:
        bus = self.bus
        read, write = taken("read"), taken("write")
        is_read = (table.direction == DIRECTIONS.index("read"))[:, None]
        bits = range(len(bus.data) - 1, -1, -1)
        states = read.states if read is write else np.where(is_read, read.states, write.states)
        unknown = read.unknown if read is write else np.where(is_read, read.unknown, write.unknown)
        moving = read.moving if read is write else np.where(is_read, read.moving, write.moving)
        has = table.direction > 0
        data = gather(states, bus.data, self._index, bits)
        lost = gather(unknown, bus.data, self._index, bits)
        absent = 0
        for bit, line in zip(bits, bus.data, strict=True):
            absent |= int(line not in self._index) << bit
        part = lane_bits_of(bus, table.lanes)
        known = np.where(has, part & ~lost & np.uint64(~absent & (1 << 64) - 1), np.uint64(0))
        table.data_known[:] = known
        table.data[:] = data & known
        if moving.any():
            shaking = gather(moving, bus.data, self._index, bits)
            table.unsure[:] |= has & ((shaking & part) != 0)

    def _put_ending(self, table: CycleTable, rows: Rows, begins: Ints, ends: Ints) -> None:
        ending, count = self.bus.ending, len(table)
        captured = frozenset(self._index)

        def first(lines: tuple[str, ...]) -> Ints | None:
            """Give the row at which the first of the lines asserts, -1 where none does."""
            events = [Holds(Is((line,), self.bus.asserted_level(line))) for line in lines]
            parts = [
                rows.find(event, begins, ends).rows
                for event in events
                if is_usable(event, captured)
            ]
            if not parts:
                return None
            never = np.iinfo(np.int64).max
            earliest = np.minimum.reduce([np.where(part < 0, never, part) for part in parts])
            return np.where(earliest == never, -1, earliest)

        acknowledged, error = first(ending.acknowledged), first(ending.error)
        waits = [line for line in ending.wait if line in self._index]
        lost = [line for line in (*ending.acknowledged, *ending.wait) if line not in captured]
        ended = np.full(count, ENDINGS.index("unacknowledged"), dtype=np.int8)
        if ending.timeout is not None:
            ended[table.end - table.start >= ending.timeout] = ENDINGS.index("timeout")
        if lost:
            ended[:] = -1
        if waits:
            before = np.maximum(ends - 1, 0)
            free = np.ones(count, dtype=np.bool_)
            for line in waits:
                asserted = self.bus.asserted_level(line)
                at = self._index[line]
                bit = np.uint64(1 << (at % 64))
                level = (rows.states[before][:, at // 64] & bit) != 0
                free &= level != bool(asserted)
            ended[free] = ENDINGS.index("acknowledged")
        if acknowledged is not None:
            ended[acknowledged >= 0] = ENDINGS.index("acknowledged")
        if error is not None:
            # What comes first decides; an error at the same moment as the acknowledge counts.
            late = (
                (acknowledged >= 0) & (error > acknowledged) if acknowledged is not None else False
            )
            ended[(error >= 0) & ~np.asarray(late)] = ENDINGS.index("error")
        table.ended[:] = ended


def _never(count: int) -> Found:
    return Found(np.full(count, -1, dtype=np.int64), np.full(count, MISSING, dtype=np.int64))


def _listed(lines: Sequence[str]) -> str:
    return (
        ", ".join(lines) if len(lines) <= 6 else f"{', '.join(lines[:5])} and {len(lines) - 5} more"
    )
