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

    from busdecode.protocol import Bus, Event, Levels

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["BeatValues", "Snapshot"]


_Part = tuple[tuple[str, ...], frozenset[int]]
"""Captured lines, most significant first, and the values of which they show one."""


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
        self._used = [(*self._visible(levels), mask) for levels, mask in bus.address_used]
        self._steps = np.array([kind.steps for kind in bus.kinds] + [False, False])
        self._offsets = np.zeros(1 << bus.lane_count, dtype=np.int64)
        self._sizes = np.zeros(1 << bus.lane_count, dtype=np.int64)
        for number in range(1, 1 << bus.lane_count):
            self._offsets[number] = 0 if bus.address_from_lines else bus.lane_span(number)[0]
            self._sizes[number] = number.bit_count() * bus.lane_bytes

    def _visible(self, levels: Levels) -> tuple[tuple[_Part, ...], bool]:
        """Give the parts of a kind's levels that were captured, and whether that is all."""
        parts: list[_Part] = []
        whole = True
        for lines, values in levels:
            seen = [bit for bit, line in enumerate(reversed(lines)) if line in self._index]
            whole = whole and len(seen) == len(lines)
            names = [lines[len(lines) - 1 - bit] for bit in seen]
            if len(values) == 1:
                parts += [
                    ((name,), frozenset({values[0] >> bit & 1}))
                    for name, bit in zip(names, seen, strict=True)
                ]
            elif seen:
                shown = frozenset(
                    sum((value >> bit & 1) << at for at, bit in enumerate(seen)) for value in values
                )
                parts.append((tuple(reversed(names)), shown))
        return tuple(parts), whole

    def _fits(self, shot: Snapshot, part: _Part) -> tuple[Bools, Bools, Bools]:
        """Tell where a snapshot shows one of the part's values; where known, where moving."""
        lines, values = part
        mask = mask_of(lines, self._index, self._words)
        if len(lines) == 1:
            word, bit = self._index[lines[0]] // 64, mask[self._index[lines[0]] // 64]
            level = (shot.states[:, word] & bit) != 0
            fits = level == bool(next(iter(values)))
            return fits, (shot.unknown[:, word] & bit) == 0, (shot.moving[:, word] & bit) != 0
        number = gather(shot.states, lines, self._index, range(len(lines) - 1, -1, -1))
        fits = np.isin(number, np.array(sorted(values), dtype=np.uint64))
        known = ((shot.unknown & mask) == 0).all(axis=1)
        return fits, known, ((shot.moving & mask) != 0).any(axis=1)

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
        if bus.modifier:
            self._put_modifier(table, taken("kind"))
        if bus.operand.lines:
            self._put_asked(table, taken("lanes"))
        offsets = self._put_lanes(table, rows, begins, ends, taken)
        moved = self._put_address(table, taken("address"), offsets, of_cycle, moved_before)
        self._put_data(table, taken)
        self._put_ending(table, rows, begins, ends, taken)
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
        if bus.modifier:
            self._put_modifier(table, kind)
        alone = np.arange(len(which))
        self._put_address(table, address, np.zeros(len(which), dtype=np.int64), alone, 0)
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
                is_turning = self.bus.line(part[0][0]).role == "direction"
                shows, sure, moving = self._fits(directions if is_turning else kinds, part)
                fits &= shows
                known &= sure
                if beats and not self._marking.issuperset(part[0]):
                    table.unsure[:] |= undecided & moving
            fits |= ~known
            here = undecided & fits
            if usable is None:
                known[:] = False
            sure = here & known
            table.kind[sure] = at
            table.direction[sure] = DIRECTIONS.index(kind.direction)
            undecided &= ~here

    def _put_modifier(self, table: CycleTable, shot: Snapshot) -> None:
        lines = self.bus.modifier
        mask = mask_of(lines, self._index, self._words)
        whole = all(line in self._index for line in lines)
        table.modifier[:] = gather(shot.states, lines, self._index, range(len(lines) - 1, -1, -1))
        table.has_modifier[:] = whole & ((shot.unknown & mask) == 0).all(axis=1)

    def _put_asked(self, table: CycleTable, shot: Snapshot) -> None:
        operand = self.bus.operand
        if not all(line in self._index for line in operand.lines):
            return
        mask = mask_of(operand.lines, self._index, self._words)
        bits = range(len(operand.lines) - 1, -1, -1)
        code = gather(shot.states, operand.lines, self._index, bits).astype(np.int64)
        known = ((shot.unknown & mask) == 0).all(axis=1)
        table.asked[:] = np.where(known, np.array(operand.sizes)[code], 0)

    def _during(self, line: str, rows: Rows, begins: Ints, ends: Ints) -> Bools:
        """Tell in which beats a line was asserted at any moment before the release."""
        event = Holds(Is((line,), self.bus.asserted_level(line)))
        return rows.find(event, begins, np.maximum(ends - 1, begins)).is_found

    def _put_lanes(
        self,
        table: CycleTable,
        rows: Rows,
        begins: Ints,
        ends: Ints,
        taken: Callable[[str], Snapshot],
    ) -> Ints:
        """Set the lanes; give the offset in the word of each beat's lowest byte."""
        bus, count = self.bus, self.bus.lane_count
        every = np.uint64((1 << count) - 1)
        levels: dict[str, tuple[Bools, Bools]] = {}

        def level(line: str, name: str, *, during: bool) -> tuple[Bools, Bools]:
            """Give a line's level where it counts for the lanes, and where it is known."""
            if line not in levels:
                known = np.ones(len(table), dtype=np.bool_)
                if during:
                    on = self._during(line, rows, begins, ends)
                    levels[line] = on == bool(bus.asserted_level(line)), known
                else:
                    shot, at = taken(name), self._index[line]
                    word, bit = at // 64, np.uint64(1 << (at % 64))
                    known = (shot.unknown[:, word] & bit) == 0
                    levels[line] = (shot.states[:, word] & bit) != 0, known
            return levels[line]

        if bus.lane_strobes:
            during = self._lane_moment.how == "during"
            for lane, line in enumerate(bus.lane_strobes):
                if line not in self._index:
                    continue
                bit = np.uint64(count - 1 - lane)
                high, known = level(line, "lanes", during=during)
                on = high == bool(bus.asserted_level(line))
                table.lanes[:] |= (on & known).astype(np.uint64) << bit
                table.lanes_known[:] |= known.astype(np.uint64) << bit
            return self._offsets[table.lanes.astype(np.int64)]
        if not bus.lane_rows:
            table.lanes[:], table.lanes_known[:] = every, every
            return self._offsets[table.lanes.astype(np.int64)]
        offsets = np.zeros(len(table), dtype=np.int64)
        undecided = np.ones(len(table), dtype=np.bool_)
        ports, lane_lines = bus.port_lines, set(bus.lane_lines)
        for row in bus.lane_rows:
            fits = undecided.copy()
            if row.kinds is not None:
                meant = [at for at, kind in enumerate(bus.kinds) if kind.name in row.kinds]
                fits &= np.isin(table.kind, meant)
            for lines, values in row.levels:
                if any(line not in self._index for line in lines):
                    fits[:] = False
                    break
                number = np.zeros(len(table), dtype=np.int64)
                for line in lines:
                    name = "port" if line in ports else "lanes"
                    high, known = level(line, name, during=line in lane_lines)
                    number = number << 1 | high
                    fits &= known
                fits &= np.isin(number, values) if len(values) > 1 else number == values[0]
            table.lanes[fits] = np.uint64(row.number)
            table.lanes_known[fits] = every
            offsets[fits] = row.first or 0
            undecided &= ~fits
        return offsets

    def _put_address(
        self, table: CycleTable, shot: Snapshot, offsets: Ints, of_cycle: Ints, moved_before: int
    ) -> Ints:
        """Set the address; give where in its cycle the next beat would go on, from the word."""
        bus = self.bus
        address = gather(shot.states, bus.address, self._index, bus.address_bits)
        address ^= np.uint64(bus.address_low)
        mask = self._address_mask
        unknown = (shot.unknown & mask) != 0
        moving = (shot.moving & mask) != 0
        table.has_address[:] = bool(bus.address) and all(
            line in self._index for line in bus.address
        )
        table.used[:] = np.uint64((1 << bus.address_width) - 1)
        if bus.address_used:
            used = self._used_bits(shot)
            table.used[:] = used | np.uint64(bus.word_bytes - 1)
            address &= used
            bits = np.zeros_like(shot.states)
            for line, bit in zip(bus.address, bus.address_bits, strict=True):
                at = self._index.get(line)
                if at is not None:
                    bits[:, at // 64] |= ((used >> np.uint64(bit)) & np.uint64(1)) << np.uint64(
                        at % 64
                    )
            unknown, moving = (shot.unknown & bits) != 0, (shot.moving & bits) != 0
        table.has_address[:] &= ~unknown.any(axis=1)
        table.unsure[:] |= moving.any(axis=1)
        if not bus.address_from_lines:
            word = np.uint64(bus.word_bytes)
            address = address // word * word
        steps = self._steps[np.minimum(table.kind, len(bus.kinds))]
        sizes = np.where(steps, self._sizes[table.lanes.astype(np.int64)], 0)
        moved = np.zeros(len(table), dtype=np.int64)
        if steps.any() or moved_before:
            first_at = np.searchsorted(of_cycle, of_cycle, "left")
            is_first = np.arange(len(table)) == first_at
            carried = of_cycle == 0 if moved_before else np.zeros(len(table), dtype=np.bool_)
            start = np.where(carried, moved_before, offsets[first_at] * steps)
            total = np.cumsum(sizes)
            moved = start + total - (total - sizes)[first_at]
            offsets = np.where(steps & (carried | ~is_first), moved - sizes, offsets)
        address += offsets.astype(np.uint64)
        table.address[:] = address & np.uint64((1 << bus.address_width) - 1)
        return moved

    def _used_bits(self, shot: Snapshot) -> Words:
        """Give the address bits that each cycle uses, by the levels that mark its sort."""
        every = (1 << self.bus.address_width) - 1
        used = np.full(len(shot.states), every, dtype=np.uint64)
        undecided = np.ones(len(used), dtype=np.bool_)
        for parts, whole, mask in self._used:
            here = undecided & whole
            for part in parts:
                shows, known, _ = self._fits(shot, part)
                here &= shows & known
            used[here] = np.uint64(mask)
            undecided &= ~here
        return used

    def _put_data(self, table: CycleTable, taken: Callable[[str], Snapshot]) -> None:
        bus = self.bus
        read, write = taken("read"), taken("write")
        is_read = (table.direction == DIRECTIONS.index("read"))[:, None]
        bits = range(len(bus.data) - 1, -1, -1)
        states = read.states if read is write else np.where(is_read, read.states, write.states)
        unknown = read.unknown if read is write else np.where(is_read, read.unknown, write.unknown)
        moving = read.moving if read is write else np.where(is_read, read.moving, write.moving)
        has = table.direction > 0
        data = gather(states, bus.data, self._index, bits) ^ np.uint64(bus.data_low)
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

    def _put_ending(
        self,
        table: CycleTable,
        rows: Rows,
        begins: Ints,
        ends: Ints,
        taken: Callable[[str], Snapshot],
    ) -> None:
        ending, count = self.bus.ending, len(table)
        captured = frozenset(self._index)

        def first(lines: tuple[str, ...]) -> Ints | None:
            """Give the row at which the first of the lines asserts, -1 where none does.

            Where the description names the moment at which they count, that stands for all.
            """
            if "ending" in self.bus.take:
                seen = [line for line in lines if line in captured]
                if not seen:
                    return None
                shot = taken("ending")
                parts = [
                    self._fits(shot, ((line,), frozenset({self.bus.asserted_level(line)})))
                    for line in seen
                ]
                shows = np.logical_or.reduce([fits & known for fits, known, _ in parts])
                return np.where(shows, ends, -1)
            events = [Holds(Is((line,), self.bus.asserted_level(line))) for line in lines]
            found = [
                rows.find(event, begins, ends).rows
                for event in events
                if is_usable(event, captured)
            ]
            if not found:
                return None
            never = np.iinfo(np.int64).max
            earliest = np.minimum.reduce([np.where(part < 0, never, part) for part in found])
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
