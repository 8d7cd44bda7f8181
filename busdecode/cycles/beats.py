"""What the beats carry: address, lanes, kind, data and ending, each at its own moment."""

from __future__ import annotations

from functools import cache, cached_property
from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles.occurrences import (
    MISSING,
    Found,
    Inputs,
    Number,
    Rows,
    Snapshot,
    mask_of,
    shows_any,
    words_of,
)
from busdecode.cycles.sight import AT_ADDRESS, RowSight
from busdecode.cycles.table import DIRECTIONS, ENDINGS, CycleTable, empty, lane_bits_of
from busdecode.protocol import event_lines

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.cycles.occurrences import Level
    from busdecode.cycles.sight import BeatSight
    from busdecode.protocol import Bus, Event, Levels, Moment

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["BeatValues", "marking_lines"]


_Part = tuple[tuple[str, ...], frozenset[int]]
"""Captured lines, most significant first, and the values of which they show one."""


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
        self._words = words_of(index)
        self._lane_moment = bus.take["lanes"]
        self._marking = marking_lines(bus)
        self._kind_parts = [self._visible(kind.levels) for kind in bus.kinds]
        self._has_kinds = self._check_kinds()
        self._kind_inputs = {beats: self._inputs_of_kinds(beats=beats) for beats in (True, False)}
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
        self._address = Number(bus.address, index, bus.address_bits)
        self._data = self._number_of(bus.data)
        self._modifier = self._number_of(bus.modifier)
        self._data_seen = sum(
            1 << bit for bit, line in enumerate(reversed(bus.data)) if line in index
        )
        self._lane_data = lane_bits_of(bus, np.arange(1 << bus.lane_count, dtype=np.uint64))
        self._used = [(*self._visible(levels), mask) for levels, mask in bus.address_used]
        self._steps = np.array([kind.steps for kind in bus.kinds] + [False, False])
        self._offsets = np.zeros(1 << bus.lane_count, dtype=np.int64)
        self._sizes = np.zeros(1 << bus.lane_count, dtype=np.int64)
        for number in range(1, 1 << bus.lane_count):
            self._offsets[number] = 0 if bus.address_from_lines else bus.lane_span(number)[0]
            self._sizes[number] = number.bit_count() * bus.lane_bytes

    def _number_of(self, lines: Sequence[str]) -> Number:
        """Read lines as a number, the first as its highest bit."""
        return Number(lines, self._index, range(len(lines) - 1, -1, -1))

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

    def of_cycles(self, rows: Rows, begins: Ints, began: Ints) -> dict[Moment, Snapshot]:
        """Take what the address phases give, one snapshot for each moment."""
        moments = {moment for moment in self.bus.take.values() if moment.phase == "address"}
        return {
            moment: rows.snapshot(moment, begins, began, self._uncertainty) for moment in moments
        }

    def table(
        self,
        rows: Rows,
        of_cycles: dict[Moment, Snapshot],
        began: Ints,
        begins: Ints,
        ends: Ints,
        of_cycle: Ints,
        beats_before: int,
        moved_before: int,
        direction_before: int,
    ) -> tuple[CycleTable, Ints, RowSight | None]:
        """Make the rows of finished beats.

        Returns
        -------
        CycleTable, B rows, its cycles not numbered yet
        ndarray of int64, shape (B,)
            Bytes by which the word address has gone on in the cycle, with each beat.
        RowSight
            What the lines show in the beats; None where there is none.
        """
        bus, count = self.bus, len(begins)
        table = empty(bus, count)
        if not count:
            return table, np.zeros(0, dtype=np.int64), None
        times = rows.times
        finds: dict[str, tuple[Ints, Ints]] = {"data": (begins, times.take(begins))}
        finds["release"] = (ends, times.take(ends))
        table.start[:], table.end[:] = finds["data"][1], finds["release"][1]
        for name, event in self._phases:
            found = rows.find(event, begins, ends) if event is not None else _never(count)
            finds[name] = (found.rows, found.times)
        table.beat[:] = np.arange(count) - _first_of_each(of_cycle)
        if beats_before:
            table.beat[of_cycle == 0] += beats_before
        table.phases[:, 0] = began[of_cycle]
        for at, name in enumerate(bus.phase_names[1:], 1):
            table.phases[:, at] = finds[name][1]
        sight = RowSight(bus, rows, of_cycles, finds, of_cycle, self._uncertainty)
        moved = self.fill(table, sight, of_cycle, moved_before, direction_before)
        return table, moved, sight

    def fill(
        self,
        table: CycleTable,
        sight: BeatSight,
        of_cycle: Ints,
        moved_before: int = 0,
        direction_before: int = -1,
    ) -> Ints:
        """Set what the beats carry, where their times stand already.

        Returns
        -------
        ndarray of int64, shape (B,)
            Bytes by which the word address has gone on in the cycle, with each beat.
        """
        bus, taken = self.bus, sight.taken
        self._put_kind(table, taken("kind"), taken("direction"))
        if bus.modifier:
            self._put_modifier(table, taken("kind"))
        if bus.operand.lines:
            self._put_asked(table, taken("lanes"))
        offsets = self._put_lanes(table, sight)
        moved = self._put_address(table, taken("address"), offsets, of_cycle, moved_before)
        self._put_data(table, taken)
        self._put_ending(table, sight)
        same = of_cycle[1:] == of_cycle[:-1]
        read, write = DIRECTIONS.index("read"), DIRECTIONS.index("write")
        turns = same & (table.direction[:-1] == read) & (table.direction[1:] == write)
        table.rmw[:-1] |= turns
        table.rmw[1:] |= turns
        if direction_before == read and of_cycle[0] == 0 and table.direction[0] == write:
            table.rmw[0] = True
        return moved

    def address_only(
        self, rows: Rows, shots: tuple[Snapshot, Snapshot], began: Ints, ends: Ints, which: Ints
    ) -> CycleTable:
        """Make the rows of cycles without a beat, from what `of_lone` gives of them."""
        times, table = rows.times, empty(self.bus, len(which))
        table.start[:] = began[which]
        table.end[:] = times[np.minimum(ends[which], len(times) - 1)]
        table.phases[:, 0] = began[which]
        self.fill_alone(table, *shots)
        return table

    def of_lone(
        self, rows: Rows, of_cycles: dict[Moment, Snapshot], began: Ints, begins: Ints, which: Ints
    ) -> tuple[Snapshot, Snapshot]:
        """Take some cycles' begin, and what their address phases gave of the address."""
        shot = rows.snapshot(AT_ADDRESS, begins[which], began[which], self._uncertainty)
        moment = self.bus.take["address"]
        return shot, of_cycles[moment].take(which) if moment in of_cycles else shot

    def fill_alone(self, table: CycleTable, shot: Snapshot, address: Snapshot) -> None:
        """Set what cycles without a beat show, from their begin and where the address counts."""
        bus = self.bus
        self._put_kind(table, shot, shot, beats=False)
        table.kind[table.kind < 0] = len(bus.kinds)
        table.direction[:] = 0
        if bus.modifier:
            self._put_modifier(table, shot)
        alone = np.arange(len(table))
        self._put_address(table, address, np.zeros(len(table), dtype=np.int64), alone, 0)
        table.lanes_known[:] = np.uint64((1 << bus.lane_count) - 1)
        table.ended[:] = ENDINGS.index("unacknowledged")

    def _put_kind(
        self, table: CycleTable, kinds: Snapshot, directions: Snapshot, *, beats: bool = True
    ) -> None:
        shots = {"kind": kinds, "direction": directions}
        inputs = self._kind_inputs[beats]
        if not inputs.is_few:
            self._put_kinds_of(table, slice(None), shots, beats)
            return
        kinds_of, directions_of, looked_at = self._kind_tables[beats]
        number = inputs.number({name: shot.states for name, shot in shots.items()})
        table.kind[:] = kinds_of.take(number)
        table.direction[:] = directions_of.take(number)
        if beats:
            moving = inputs.number({name: shot.moving for name, shot in shots.items()})
            table.unsure[:] = (moving & looked_at.take(number)) != 0
        lost = np.flatnonzero(inputs.lost(shots))
        if len(lost):
            some = {name: shot.take(lost) for name, shot in shots.items()}
            self._put_kinds_of(table, lost, some, beats)

    def _put_kinds_of(
        self, table: CycleTable, rows: Ints | slice, shots: Mapping[str, Snapshot], beats: bool
    ) -> None:
        levels = self._kinds_of(len(table.kind[rows]), self._levels_of(shots), beats)
        table.kind[rows], table.direction[rows] = levels[:2]
        table.unsure[rows] = levels[2] != 0

    def _kinds_of(
        self, count: int, level: Level, beats: bool
    ) -> tuple[NDArray[np.int16], NDArray[np.int8], Words]:
        """Give kind and direction, and which of the lines that were looked at are moving."""
        kind, direction = np.full(count, -1, dtype=np.int16), np.full(count, -1, dtype=np.int8)
        unsure = np.zeros(count, dtype=np.uint64)
        undecided = np.ones(count, dtype=np.bool_)
        for at, each in enumerate(self.bus.kinds):
            usable = self._has_kinds[at]
            if each.beats is not beats or usable is False:
                continue
            fits = np.ones(count, dtype=np.bool_)
            known = np.ones(count, dtype=np.bool_)
            for part in self._kind_parts[at][0]:
                shows, sure, moving = _fits(self._moment_of(part), part, level)
                fits &= shows
                known &= sure
                if beats and not self._marking.issuperset(part[0]):
                    unsure |= moving * undecided
            fits |= ~known
            here = undecided & fits
            if usable is None:
                known[:] = False
            sure = here & known
            kind[sure] = at
            direction[sure] = DIRECTIONS.index(each.direction)
            undecided &= ~here
        return kind, direction, unsure

    def _moment_of(self, part: _Part) -> str:
        """Name what is taken at the moment at which a part of a kind counts."""
        return "direction" if self.bus.line(part[0][0]).role == "direction" else "kind"

    def _inputs_of_kinds(self, *, beats: bool) -> Inputs:
        pairs = [
            (self._moment_of(part), line)
            for kind, (parts, _) in zip(self.bus.kinds, self._kind_parts, strict=True)
            if kind.beats is beats
            for part in parts
            for line in part[0]
        ]
        return Inputs(pairs, self._index)

    @cached_property
    def _kind_tables(self) -> dict[bool, tuple[NDArray[np.int16], NDArray[np.int8], Words]]:
        """Give the kind for every number that the lines can show, with and without beats."""
        return {
            beats: self._kinds_of(*inputs.every(), beats)
            for beats, inputs in self._kind_inputs.items()
            if inputs.is_few
        }

    def _levels_of(self, shots: Mapping[str, Snapshot]) -> Level:
        """Give the levels of single lines as snapshots show them."""
        index = self._index

        def level(name: str, line: str) -> tuple[Bools, Bools, Words]:
            shot, word, bit = shots[name], index[line] // 64, np.uint64(1 << index[line] % 64)
            high = (shot.states[:, word] & bit) != 0
            if shot.unknown is None:
                known = np.ones(len(high), dtype=np.bool_)
            else:
                known = (shot.unknown[:, word] & bit) == 0
            return high, known, shot.moving[:, word] & bit

        return level

    def _put_modifier(self, table: CycleTable, shot: Snapshot) -> None:
        lines = self.bus.modifier
        table.modifier[:] = self._modifier.of(shot.states)
        if all(line in self._index for line in lines):
            table.has_modifier[:] = ~shot.lacks(mask_of(lines, self._index, self._words))

    def _put_asked(self, table: CycleTable, shot: Snapshot) -> None:
        operand = self.bus.operand
        if not all(line in self._index for line in operand.lines):
            return
        asked = np.array(operand.sizes).take(self._number_of(operand.lines).of(shot.states))
        asked[shot.lacks(mask_of(operand.lines, self._index, self._words))] = 0
        table.asked[:] = asked

    def _put_lanes(self, table: CycleTable, sight: BeatSight) -> Ints:
        """Set the lanes; give the offset in the word of each beat's lowest byte."""
        bus, count = self.bus, self.bus.lane_count
        every = np.uint64((1 << count) - 1)
        shots = {name: sight.taken(name) for name in ("lanes", "port") if name in bus.take}
        from_shots = self._levels_of(shots)
        known_levels: dict[tuple[str, str], tuple[Bools, Bools, Words]] = {}

        def level(name: str, line: str) -> tuple[Bools, Bools, Words]:
            """Give a line's level where it counts for the lanes, and where it is known."""
            if (name, line) not in known_levels:
                if name == "during":
                    on = sight.during(line)
                    high = on if bus.asserted_level(line) else ~on
                    levels = high, np.ones_like(on), np.zeros(len(on), dtype=np.uint64)
                else:
                    levels = from_shots(name, line)
                known_levels[name, line] = levels
            return known_levels[name, line]

        if bus.lane_strobes:
            name = "during" if self._lane_moment.how == "during" else "lanes"
            for lane, line in enumerate(bus.lane_strobes):
                if line not in self._index:
                    continue
                bit = np.uint64(count - 1 - lane)
                high, known, _ = level(name, line)
                on = high if bus.asserted_level(line) else ~high
                table.lanes[:] |= (on & known).astype(np.uint64) << bit
                table.lanes_known[:] |= known.astype(np.uint64) << bit
            return self._offsets.take(table.lanes)
        if not bus.lane_rows:
            table.lanes[:], table.lanes_known[:] = every, every
            return self._offsets.take(table.lanes)
        inputs = self._lane_inputs
        if not inputs.is_few:
            table.lanes[:], table.lanes_known[:], offsets = self._lanes_of(table.kind, level)
            return offsets
        number = inputs.number({name: shot.states for name, shot in shots.items()})
        for line in inputs.lines("during"):
            number |= level("during", line)[0].astype(np.uint64) << inputs.bit("during", line)
        number |= (table.kind + 1).astype(np.uint64) << np.uint64(inputs.count)
        lanes_of, known_of, offsets_of = self._lane_tables
        offsets = offsets_of.take(number)
        table.lanes[:], table.lanes_known[:] = lanes_of.take(number), known_of.take(number)
        lost = np.flatnonzero(inputs.lost(shots))
        if len(lost):

            def some(name: str, line: str) -> tuple[Bools, Bools, Words]:
                high, known, moving = level(name, line)
                return high[lost], known[lost], moving[lost]

            table.lanes[lost], table.lanes_known[lost], offsets[lost] = self._lanes_of(
                table.kind[lost], some
            )
        return offsets

    def _lanes_of(self, kinds: NDArray[np.int16], level: Level) -> tuple[Words, Words, Ints]:
        """Go down the lane table: give lanes, which of them are known, and the offset."""
        bus = self.bus
        lanes, known_lanes = np.zeros((2, len(kinds)), dtype=np.uint64)
        offsets = np.zeros(len(kinds), dtype=np.int64)
        undecided = np.ones(len(kinds), dtype=np.bool_)
        for row in bus.lane_rows:
            fits = undecided.copy()
            if row.kinds is not None:
                meant = [at for at, kind in enumerate(bus.kinds) if kind.name in row.kinds]
                fits &= np.isin(kinds, meant)
            for lines, values in row.levels:
                if any(line not in self._index for line in lines):
                    fits[:] = False
                    break
                number = np.zeros(len(kinds), dtype=np.int64)
                for line in lines:
                    high, known, _ = level(self._lane_moment_of(line), line)
                    number = number << 1 | high
                    fits &= known
                fits &= np.isin(number, values) if len(values) > 1 else number == values[0]
            lanes[fits] = np.uint64(row.number)
            known_lanes[fits] = np.uint64((1 << bus.lane_count) - 1)
            offsets[fits] = row.first or 0
            undecided &= ~fits
        return lanes, known_lanes, offsets

    def _lane_moment_of(self, line: str) -> str:
        """Name what is taken at the moment at which a line of the lane table counts."""
        if line in self.bus.lane_lines:
            return "during"
        return "port" if line in self.bus.port_lines else "lanes"

    @cached_property
    def _lane_inputs(self) -> Inputs:
        lines = [line for row in self.bus.lane_rows for lines, _ in row.levels for line in lines]
        return Inputs(
            [(self._lane_moment_of(line), line) for line in lines if line in self._index],
            self._index,
        )

    @cached_property
    def _lane_tables(self) -> tuple[Words, Words, Ints]:
        """Give the lanes for every kind, -1 first, and every number that the lines can show."""
        count, level = self._lane_inputs.every()
        kinds = np.arange(-1, len(self.bus.kinds), dtype=np.int16)

        @cache
        def repeated(name: str, line: str) -> tuple[Bools, Bools, Words]:
            high, known, moving = level(name, line)
            count = len(kinds)
            return np.tile(high, count), np.tile(known, count), np.tile(moving, count)

        return self._lanes_of(np.repeat(kinds, count), repeated)

    def _put_address(
        self, table: CycleTable, shot: Snapshot, offsets: Ints, of_cycle: Ints, moved_before: int
    ) -> Ints:
        """Set the address; give where in its cycle the next beat would go on, from the word."""
        bus = self.bus
        address = self._address.of(shot.states)
        address ^= np.uint64(bus.address_low)
        table.used[:] = np.uint64((1 << bus.address_width) - 1)
        if bus.address_used:
            used = self._used_bits(shot)
            table.used[:] = used | np.uint64(bus.word_bytes - 1)
            address &= used
            moving = (self._address.of(shot.moving) & used) != 0
            lost = shot.unknown is not None and (self._address.of(shot.unknown) & used) != 0
        else:
            moving = shows_any(shot.moving, self._address_mask)
            lost = shot.lacks(self._address_mask)
        if bus.address and all(line in self._index for line in bus.address):
            table.has_address[:] = ~np.asarray(lost)
        table.unsure[:] |= moving
        if not bus.address_from_lines:
            word = np.uint64(bus.word_bytes)
            address = address // word * word
        steps = self._steps[np.minimum(table.kind, len(bus.kinds))]
        moved = np.zeros(len(table), dtype=np.int64)
        if steps.any() or moved_before:
            sizes = np.where(steps, self._sizes.take(table.lanes), 0)
            first_at = _first_of_each(of_cycle)
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
        inputs, shots = self._used_inputs, {"address": shot}
        if not inputs.is_few:
            return self._used_of(len(shot.states), self._levels_of(shots))
        used = self._used_table.take(inputs.number({"address": shot.states}))
        lost = np.flatnonzero(inputs.lost(shots))
        if len(lost):
            some = self._levels_of({"address": shot.take(lost)})
            used[lost] = self._used_of(len(lost), some)
        return used

    def _used_of(self, count: int, level: Level) -> Words:
        used = np.full(count, (1 << self.bus.address_width) - 1, dtype=np.uint64)
        undecided = np.ones(count, dtype=np.bool_)
        for parts, whole, mask in self._used:
            here = undecided & whole
            for part in parts:
                shows, known, _ = _fits("address", part, level)
                here &= shows & known
            used[here] = np.uint64(mask)
            undecided &= ~here
        return used

    @cached_property
    def _used_inputs(self) -> Inputs:
        lines = [line for parts, _, _ in self._used for part in parts for line in part[0]]
        return Inputs([("address", line) for line in lines], self._index)

    @cached_property
    def _used_table(self) -> Words:
        return self._used_of(*self._used_inputs.every())

    def _put_data(self, table: CycleTable, taken: Callable[[str], Snapshot]) -> None:
        read, write = taken("read"), taken("write")
        is_write = None if read is write else table.direction != DIRECTIONS.index("read")

        def number(reads: Words, writes: Words) -> Words:
            """Give the data lines of reads from the one, of all others from the other."""
            data = self._data.of(reads)
            if is_write is not None:
                np.copyto(data, self._data.of(writes), where=is_write)
            return data

        has = table.direction > 0
        part = self._lane_data.take(table.lanes)
        known = part & np.uint64(self._data_seen)
        if read.unknown is not None or write.unknown is not None:
            none = np.zeros_like(read.states)
            known &= ~number(
                none if read.unknown is None else read.unknown,
                none if write.unknown is None else write.unknown,
            )
        known *= has
        table.data_known[:] = known
        data = number(read.states, write.states)
        data ^= np.uint64(self.bus.data_low)
        table.data[:] = data & known
        table.unsure[:] |= has & ((number(read.moving, write.moving) & part) != 0)

    def _put_ending(self, table: CycleTable, sight: BeatSight) -> None:
        ending, count = self.bus.ending, len(table)
        acknowledged = sight.answered(ending.acknowledged)
        error = sight.answered(ending.error)
        waits = [line for line in ending.wait if line in self._index]
        lost = [line for line in (*ending.acknowledged, *ending.wait) if line not in self._index]
        ended = np.full(count, ENDINGS.index("unacknowledged"), dtype=np.int8)
        if ending.timeout is not None:
            ended[table.end - table.start >= ending.timeout] = ENDINGS.index("timeout")
        if lost:
            ended[:] = -1
        if waits:
            free = np.logical_and.reduce([sight.is_free(line) for line in waits])
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


def marking_lines(bus: Bus) -> frozenset[str]:
    """Give the lines whose edges begin cycles and beats: that they move then is no doubt."""
    return frozenset(
        line
        for events in (bus.cycle_begins, bus.beat_begins)
        for event in events
        for line in event_lines(event)
    )


def _fits(name: str, part: _Part, level: Level) -> tuple[Bools, Bools, Words]:
    """Tell where lines show one of the part's values; where known, and which of them move."""
    lines, values = part
    number: Ints | None = None
    for line in lines:
        high, sure, shaking = level(name, line)
        if number is None:
            number, known, moving = high.astype(np.int64), sure, shaking
        else:
            number, known, moving = number << 1 | high, known & sure, moving | shaking
    assert number is not None
    return np.isin(number, sorted(values)), known, moving


def _first_of_each(cycles: Ints) -> Ints:
    """Give for each beat the place of the first beat of its cycle."""
    places = np.arange(len(cycles))
    places[1:][cycles[1:] == cycles[:-1]] = 0
    return np.maximum.accumulate(places)


def _never(count: int) -> Found:
    return Found(np.full(count, -1, dtype=np.int64), np.full(count, MISSING, dtype=np.int64))


def _listed(lines: Sequence[str]) -> str:
    return (
        ", ".join(lines) if len(lines) <= 6 else f"{', '.join(lines[:5])} and {len(lines) - 5} more"
    )
