"""Captures to the cycle table, in chunks of any size.

The decoder keeps between chunks only the rows around control edges of what is still open:
an address phase of which no beat is finished, or a beat that has begun. What an address
phase gave is kept as values.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from importlib import import_module
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture import WORTH_BYTES, compiled, saying_if_slow, split, stretches
from busdecode.cycles.beats import BeatValues
from busdecode.cycles.condense import FOREVER, Condenser
from busdecode.cycles.occurrences import Rows, usable
from busdecode.cycles.sight import Planes
from busdecode.cycles.table import CycleTable, concatenate, empty
from busdecode.errors import DescriptionError
from busdecode.protocol import Becomes, Event, FirstOf, Holds, While, event_lines, event_span

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from types import ModuleType

    from numpy.typing import NDArray

    from busdecode.capture import Capture
    from busdecode.cycles.occurrences import Snapshot
    from busdecode.protocol import Bus, Moment

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Decoder", "decode"]

ROWS_AT_ONCE = 1 << 18
"""Larger chunks are cut: arrays that fit the processor's cache are faster (measured)."""


_WORTH_ROWS = 20_000
"""Chunks with fewer rows are decoded before numba would have been imported."""


@dataclass
class _Open:
    """A cycle that is open between chunks and of which a beat is finished.

    With the defaults it stands for none: then `cycle` is the number of the next one.
    """

    cycle: int
    began: int = 0
    snapshots: dict[Moment, Snapshot] = field(default_factory=dict)
    beats: int = 0
    moved: int = 0
    last_direction: int = -1
    is_ended: bool = False


@dataclass
class _Cycles:
    """Address phases found in the rows at hand, in order; the first may have begun earlier.

    Until `ends` data phases may belong to each; `own_ends` is where its own end event came, or
    `ends` where none did.
    """

    begins: Ints
    ends: Ints
    own_ends: Ints
    is_closed: Bools
    carried: bool


@dataclass
class _Beats:
    """Beats found in the rows at hand, in order, and the one that has only begun."""

    begins: Ints
    ends: Ints
    of_cycle: Ints
    open_begin: int | None
    open_cycle: int | None


class Decoder:
    """Decode the captures of one place, chunk by chunk.

    Parameters
    ----------
    bus : Bus
    lines : tuple of str
        The captured lines of the place, by the bus's names.
    resolution : int, ps
    skew : int, ps
        The largest channel skew that the probe list tells.

    Raises
    ------
    DescriptionError
        If the captured lines do not show where cycles or beats begin and end.

    Examples
    --------
    See `decode`.
    """

    def __init__(self, bus: Bus, lines: tuple[str, ...], resolution: int, skew: int = 0) -> None:
        self.bus = bus
        self.lines = lines
        self.notes: list[str] = []
        self.strays = 0
        self._strays_until = -FOREVER
        self._strays_open: Ints = np.zeros(0, dtype=np.int64)
        self._index: Mapping[str, int] = {line: at for at, line in enumerate(lines)}
        self._captured = frozenset(lines)
        self._cycle_begins = self._needed(bus.cycle_begins, "where a cycle begins")
        self._cycle_ends = self._needed(bus.cycle_ends, "where a cycle ends")
        self._beat_begins = self._needed(bus.beat_begins, "where a beat begins")
        self._beat_ends = self._needed(bus.beat_ends, "where a beat ends")
        phases: list[tuple[str, Event | None]] = []
        for phase in bus.phases:
            event, absent = usable(phase.begins, self._captured)
            phases.append((phase.name, event))
            if event is None:
                self.notes.append(f"phase {phase.name} is not seen: its lines were not captured")
            elif absent:
                self.notes.append(f"phase {phase.name} is judged without {', '.join(absent)}")
        self.uncertainty = resolution + skew
        self._values = BeatValues(bus, self._index, phases, self.uncertainty)
        self.notes += self._values.notes
        events = [self._cycle_begins, self._cycle_ends, self._beat_begins, self._beat_ends]
        events += [event for _, event in phases if event is not None]
        control: set[str] = {*bus.ending.acknowledged, *bus.ending.error, *bus.ending.wait}
        control.update(bus.lane_lines, bus.port_lines)
        for event in events:
            control |= event_lines(event)
        offsets = [moment.offset for moment in bus.take.values()]
        span = max((event_span(event) for event in events), default=0)
        self._reach_back = self.uncertainty + max(0, -min(offsets, default=0))
        self._reach_on = self.uncertainty + span + max(0, *offsets)
        self._condenser = Condenser(
            bus,
            lines,
            tuple(line for line in lines if line in control),
            (self._reach_back, self._reach_on),
            has_reach=span > 0 or any(offsets),
        )
        self._start_segment()
        self._next_cycle = 0
        self._kernels: ModuleType | None = None
        self._is_fed = False
        self._planes: Planes | None = None
        self._kept: list[Words] = []

    def _needed(self, events: Sequence[Event], what: str) -> Event:
        event, absent = usable(events, self._captured)
        if event is None:
            lines = sorted(frozenset().union(*(event_lines(each) for each in events)))
            missing = [line for line in lines if line not in self._captured]
            raise DescriptionError(
                f"the capture does not show {what}: no channel for {', '.join(missing)}",
                expected=f"a channel for {', '.join(lines)}",
                action="probe the line, or name its channel in a probe list",
            )
        if absent:
            self.notes.append(f"{what} is judged without {', '.join(absent)}: not captured")
        return event

    def _start_segment(self) -> None:
        self._tail: Rows | None = None
        self._open: _Open | None = None
        self._cut_since: int | None = None
        self._done = -FOREVER  # up to here beats are done, and cycles where they do not overlap
        self._begun = -FOREVER  # up to here address phases are known
        self._fresh = True

    def keep_levels(self) -> tuple[str, ...]:
        """From now on keep, for each row given out, the levels that it was made of.

        Returns
        -------
        tuple of str
            Names of the moments at which levels are kept; see `Planes`.
        """
        self._planes = Planes(self.bus, self.lines)
        return self._planes.names

    def kept_levels(self) -> Words:
        """Give the levels kept since `keep_levels`, of all rows given out, in order.

        Returns
        -------
        ndarray of uint64, shape (B, 3, M, W)
            As in `Planes`.

        Raises
        ------
        ValueError
            If none were to be kept.
        """
        if self._planes is None:
            raise ValueError("levels must be kept before they are asked for: keep_levels()")
        return np.concatenate([self._planes.none(0), *self._kept])

    @property
    def carried_rows(self) -> int:
        """How many rows are kept for what is still open."""
        return 0 if self._tail is None else len(self._tail)

    @property
    def is_compiled(self) -> bool:
        """Whether compiled loops decode what is fed next."""
        return self._kernels is not None

    def feed(self, chunk: Capture) -> CycleTable:
        """Decode one more chunk, and give the beats that it completed.

        Parameters
        ----------
        chunk : Capture
            Rows that follow those fed before, with this decoder's lines in order.
        """
        self._choose_kernels(len(chunk))
        if len(chunk) > ROWS_AT_ONCE:
            return concatenate(self.bus, [self.feed(part) for part in split(chunk, ROWS_AT_ONCE)])
        tables = [
            self.finish(int(part.times[0])) if is_gap else self._feed_stretch(part)
            for is_gap, part in stretches(chunk)
        ]
        return concatenate(self.bus, tables)

    def _choose_kernels(self, rows: int) -> None:
        """Decode by compiled loops from the first chunk on in which that is worth while."""
        is_large = rows >= _WORTH_ROWS
        is_asked = self._kernels is None and (is_large or not self._is_fed)
        self._is_fed = True
        if is_asked and compiled(WORTH_BYTES if is_large else 0):
            with saying_if_slow("the decoder"):
                self._kernels = import_module("busdecode.cycles.compiled_rows")
            self._condenser.kernels = self._kernels

    def _feed_stretch(self, part: Capture) -> CycleTable:
        rows = self._condenser.rows(self._tail, part.times, part.states, part.unknown)
        return self._advance(rows, part.end - self._reach_on, final=None)

    def _advance(self, rows: Rows, horizon: int, final: int | None) -> CycleTable:
        """Emit what is finished by `horizon`; at `final`, the moment of the end, all the rest."""
        bus = self.bus
        tables: list[CycleTable] = []
        if not len(rows):
            return empty(bus)
        if self._fresh:
            self._fresh = False
            # Where one event both ends and begins cycles, one is always under way.
            if self._cycle_begins == self._cycle_ends or (
                _already(rows, self._cycle_begins) and not _already(rows, self._cycle_ends)
            ):
                self._cut_since = int(rows.times[0])
        # What begins the next cycle may be the very event that ended the last one.
        since = self._begun - int(bus.joined)
        begin_rows = self._news(rows, rows.edges(self._cycle_begins), since)
        end_rows = self._news(rows, rows.edges(self._cycle_ends), self._begun)
        if self._cut_since is not None:
            closing = end_rows[rows.times[end_rows] <= horizon]
            if not len(closing):
                if final is not None:
                    return self._cut_row(self._cut_since, final)
                self._keep(rows, len(rows) - 1, horizon)
                return empty(bus)
            tables.append(self._cut_row(self._cut_since, int(rows.times[closing[0]])))
            self._cut_since = None
            self._done = self._begun = int(rows.times[closing[0]])
            begin_rows = begin_rows[begin_rows > closing[0] - int(bus.joined)]
            end_rows = end_rows[end_rows > closing[0]]
        cycles = self._pair_cycles(begin_rows, end_rows, len(rows))
        table, waiting = self._emit(rows, cycles, self._pair_beats(rows, cycles), horizon, final)
        tables.append(table)
        if final is None:
            self._keep(rows, waiting, horizon)
        return concatenate(bus, tables)

    def _news(self, rows: Rows, found: Ints, known: int) -> Ints:
        first = rows.times.searchsorted(known, "right")
        return found[found.searchsorted(first) :]

    def _cut_row(self, start: int, end: int) -> CycleTable:
        row = empty(self.bus, 1)
        row.cycle[0], row.start[0], row.end[0] = self._next_cycle, start, end
        if self._planes is not None:
            self._kept.append(self._planes.none(1))
        self._next_cycle += 1
        return row

    def _pair_cycles(self, begins: Ints, ends: Ints, stop: int) -> _Cycles:
        carried = self._open is not None
        if self.bus.pipelined:
            begins = np.append(np.zeros(int(carried), dtype=np.int64), begins)
            limits = np.append(begins[1:], stop)[: len(begins)]
            after = np.append(ends, stop)[np.searchsorted(ends, begins, "right")]
            own = np.minimum(after, limits)
            if carried and self._open is not None and self._open.is_ended:
                own[0] = 0
            return _Cycles(begins, limits, own, limits < stop, carried)
        first, last = self._alternate(begins, ends, already_open=carried, joined=self.bus.joined)
        if carried:
            first = np.append(0, first)
        closed = np.arange(len(first)) < len(last)
        limits = np.append(last, np.full(len(first) - len(last), stop))
        return _Cycles(first, limits, limits, closed, carried)

    def _pair_beats(self, rows: Rows, cycles: _Cycles) -> _Beats:
        """Pair beats' begins with their ends, and find each one's cycle."""
        joined = self.bus.joined or self.bus.beat_joined
        since = self._done - int(joined)
        begins = self._news(rows, rows.edges(self._beat_begins), since)
        already = rows.holds(self._beat_begins)[cycles.begins]
        if cycles.carried:
            already[0] = False
        if self.bus.pipelined:
            begins = self._not_early(rows, begins, cycles.begins[already])
        begins = rows.merged(begins, self._news(rows, cycles.begins[already], since))
        every_end = rows.edges(self._beat_ends)
        ends = self._news(rows, every_end, self._done)
        of_begin = rows.below(cycles.begins, begins, or_same=True) - 1
        is_inside = of_begin >= 0
        if not self.bus.pipelined:
            if len(cycles.begins):
                is_inside &= begins < cycles.ends[of_begin]
                of_end = rows.below(cycles.begins, ends) - 1
                ends = ends[(of_end >= 0) & (ends <= cycles.ends[of_end])]
            ends = rows.merged(ends, cycles.ends[cycles.is_closed])
        self._count_strays(rows, begins[~is_inside], every_end, cycles.begins)
        begins = begins[is_inside]
        first, last = self._alternate(begins, ends, already_open=False, joined=joined)
        of_cycle = rows.below(cycles.begins, first, or_same=True) - 1
        count = len(last)
        if len(first) == count:
            return _Beats(first, last, of_cycle, None, None)
        return _Beats(first[:count], last, of_cycle[:count], int(first[-1]), int(of_cycle[-1]))

    def _alternate(
        self, begins: Ints, ends: Ints, *, already_open: bool, joined: bool
    ) -> tuple[Ints, Ints]:
        """Pair begins and ends; see `_alternate`."""
        if self._kernels is None:
            return _alternate(begins, ends, already_open=already_open, joined=joined)
        paired: tuple[Ints, Ints] = self._kernels.alternate(begins, ends, already_open, joined)
        return paired

    def _not_early(self, rows: Rows, begins: Ints, cycles: Ints) -> Ints:
        """Drop begins of beats that come before their cycle's begin by no more than edges may.

        The beat begins with the cycle then, in which it holds already.
        """
        if not len(cycles):
            return begins
        after = np.searchsorted(cycles, begins, "right")
        times = np.append(rows.times[cycles], FOREVER)
        is_early = times[after] - rows.times[begins] <= self.uncertainty
        return begins[~is_early]

    def _count_strays(self, rows: Rows, found: Ints, ends: Ints, cycles: Ints) -> None:
        """Count beats that end before any cycle begins; rows that were kept are seen again.

        A strobe that only just comes before the cycle's own edge begins that cycle's beat.
        """
        times = rows.times
        fresh = times[found]
        fresh = fresh[fresh > self._strays_until]
        if len(fresh):
            self._strays_until = int(fresh[-1])
        waiting = np.append(self._strays_open, fresh)
        if not len(waiting):
            return
        after = np.append(times[ends], FOREVER)
        first_end = after[np.searchsorted(times[ends], waiting, "right")]
        begun = np.append(times[cycles], FOREVER)
        first_cycle = begun[np.searchsorted(times[cycles], waiting, "right")]
        self.strays += int((first_end < first_cycle).sum())
        self._strays_open = waiting[(first_end == FOREVER) & (first_cycle == FOREVER)]

    def _emit(
        self,
        rows: Rows,
        cycles: _Cycles,
        found: _Beats,
        horizon: int,
        final: int | None,
    ) -> tuple[CycleTable, int]:
        """Make the table of what is finished; give the row from which rows must be kept."""
        times = rows.times
        ends, of_cycle = found.ends, found.of_cycle
        before = self._open or _Open(self._next_cycle)
        count = len(cycles.begins)
        cycle_closed = cycles.is_closed & (times.take(cycles.ends, mode="clip") <= horizon)
        if final is not None:
            cycle_closed |= cycles.own_ends < len(rows)
        beats_in = np.bincount(of_cycle, minlength=count) if count else np.zeros(0, dtype=np.int64)
        end_times = times.take(ends)
        done = end_times <= horizon
        if len(done) and final is None:
            # A beat waits for the next one, or its cycle's end: it may be a read-modify-write.
            is_last = np.append(of_cycle[1:] != of_cycle[:-1], True)
            followed = np.append(done[1:], False) & ~is_last
            done &= followed | cycle_closed[of_cycle]
        emitted = len(done) if done.all() else int(np.argmin(done))
        first_waiting_cycle = int(of_cycle[emitted]) if emitted < len(done) else count
        without = np.flatnonzero(beats_in == 0)
        if cycles.carried:
            without = without[without > 0]
        if found.open_cycle is not None:
            without = without[without != found.open_cycle]
        alone = without[cycle_closed[without] & (without < first_waiting_cycle)]
        unfinished = without[~cycle_closed[without]]
        if len(unfinished):
            alone = alone[alone < unfinished[0]]
            first_waiting_cycle = min(first_waiting_cycle, int(unfinished[0]))
        # How many cycles are over with this call.
        over = first_waiting_cycle
        if found.open_cycle is not None:
            over = min(over, found.open_cycle)
        if emitted == len(done) and not cycle_closed.all():
            over = min(over, int(np.argmin(cycle_closed)))
        if final is None:
            alone = alone[alone < over]  # what is not over is looked at again
        values = self._values
        began = times.take(cycles.begins)
        snapshots = values.of_cycles(rows, cycles.begins, began)
        if cycles.carried:
            began[0] = before.began
            for moment, snapshot in snapshots.items():
                snapshot.put(0, before.snapshots[moment])
        shown = emitted + int(emitted < len(ends) and bool(end_times[emitted] <= horizon))
        beats, moved, sight = values.table(
            rows,
            snapshots,
            began,
            found.begins[:shown],
            ends[:shown],
            of_cycle[:shown],
            before.beats,
            before.moved,
            before.last_direction,
        )
        beats, moved = beats.take(slice(emitted)), moved[:emitted]
        beats.cycle[:] = before.cycle + of_cycle[:emitted]
        parts, kept = [beats], []
        if self._planes is not None and sight is not None:
            kept.append(self._planes.of_beats(sight, emitted))
        if len(alone):
            shots = values.of_lone(rows, snapshots, began, cycles.begins, alone)
            lone = values.address_only(rows, shots, began, cycles.own_ends, alone)
            lone.cycle[:] = before.cycle + alone
            parts.append(lone)
            if self._planes is not None:
                kept.append(self._planes.of_cycles(*shots))
        if final is not None:
            over = count
            cut = []
            if found.open_begin is not None and found.open_cycle is not None:
                at = found.open_cycle
                cut.append((at, int(times[found.open_begin]), int(beats_in[at])))
            cut += [(int(at), int(began[at]), 0) for at in unfinished]
            if count and not cycle_closed[-1] and found.open_cycle is None:
                # Its beats so far are whole; whether more would have come is not seen.
                mine = int(beats_in[-1]) + (before.beats if count == 1 else 0)
                if mine:
                    end = int(times[ends[-1]]) if len(ends) else self._done
                    carried = before.beats if count == 1 else 0
                    cut.append((count - 1, end, mine - carried))
            if cut:
                table = empty(self.bus, len(cut))
                for row, (at, start, beat) in enumerate(cut):
                    carried = before.beats if at == 0 else 0
                    table.cycle[row], table.beat[row] = before.cycle + at, beat + carried
                    table.start[row], table.end[row] = start, final
                parts.append(table)
                if self._planes is not None:
                    kept.append(self._planes.none(len(cut)))
        table = concatenate(self.bus, parts)
        order = np.lexsort([table.beat, table.cycle]) if len(parts) > 1 else None
        table = table if order is None else table.take(order)
        if kept:
            levels = np.concatenate(kept)
            self._kept.append(levels if order is None else levels[order])
        waiting = self._carry(rows, cycles, found, snapshots, emitted, over, beats, moved)
        return table, waiting

    def _carry(
        self,
        rows: Rows,
        cycles: _Cycles,
        found: _Beats,
        snapshots: dict[Moment, Snapshot],
        emitted: int,
        over: int,
        beats: CycleTable,
        moved: Ints,
    ) -> int:
        """Set what the next call needs; give the row from which rows must be kept.

        `emitted` beats, those of `beats`, and `over` cycles have been given out whole.
        """
        count = len(cycles.begins)
        waiting = len(rows) - 1
        done = self._done
        if over and not self.bus.pipelined:
            done = max(done, int(rows.times[min(int(cycles.ends[over - 1]), len(rows) - 1)]))
        if emitted:
            done = max(done, int(rows.times[found.ends[emitted - 1]]))
        before = self._open or _Open(self._next_cycle)
        self._open = None
        if over < count:
            mine = np.flatnonzero(found.of_cycle[:emitted] == over)
            is_carried = over == 0 and cycles.carried
            if len(mine) or is_carried:
                earlier = before if is_carried else _Open(before.cycle)
                self._open = _Open(
                    before.cycle + over,
                    before.began if is_carried else int(rows.times[cycles.begins[over]]),
                    {moment: each.one(over) for moment, each in snapshots.items()},
                    earlier.beats + len(mine),
                    int(moved[mine[-1]]) if len(mine) else earlier.moved,
                    int(beats.direction[mine[-1]]) if len(mine) else earlier.last_direction,
                    bool(cycles.own_ends[over] < len(rows)),
                )
                if emitted < len(found.begins):
                    waiting = int(found.begins[emitted])
                elif found.open_begin is not None:
                    waiting = found.open_begin
            else:
                waiting = int(cycles.begins[over])
            self._next_cycle = before.cycle + over + (self._open is not None)
        else:
            self._next_cycle = before.cycle + count
        known, self._done, self._begun = self._begun, done, done
        if self.bus.pipelined and not count:
            self._begun = known
        elif self.bus.pipelined:
            # The next address may be out before this beat is over, or the moment it is.
            latest = int(rows.times[cycles.begins[min(over, count - 1)]])
            self._begun = max(known, latest - int(over < count and self._open is None))
        return waiting

    def _keep(self, rows: Rows, waiting: int, horizon: int) -> None:
        """Keep the rows that later calls still look at."""
        moment = min(int(rows.times[waiting]), horizon) - self._reach_back - 1
        first = max(0, int(np.searchsorted(rows.times, moment, "right")) - 1)
        first = max(0, min(first, waiting) - 3)
        unknown = None if rows.unknown is None else rows.unknown[first:].copy()
        states = rows.states[first:].copy(order="F")
        self._tail = Rows(rows.times[first:].copy(), states, unknown, self._index, self._kernels)

    def finish(self, end: int) -> CycleTable:
        """End the capture, or the part before a gap, and give what was still open.

        Parameters
        ----------
        end : int, ps
        """
        tail = self._tail
        table = empty(self.bus)
        if tail is not None and len(tail):
            table = self._advance(tail, FOREVER, final=end)
        self.strays += len(self._strays_open)
        self._strays_open = self._strays_open[:0]
        self._start_segment()
        return table


def _alternate(begins: Ints, ends: Ints, *, already_open: bool, joined: bool) -> tuple[Ints, Ints]:
    """Pair begins and ends greedily: the first end after a begin, the first begin after that.

    An end in the same row as a begin closes what was open before. A begin in the row of an end
    that closed something counts only where one event may be both (`joined`).
    """
    # A stable sort takes sorted runs as they are; an end's key is the lower one of its row.
    keys = np.sort(np.concatenate([ends * 2, begins * 2 + 1]), kind="stable")
    is_begin = (keys & 1).astype(np.bool_)
    before = np.append(already_open, is_begin[:-1]) if len(is_begin) else is_begin
    kept = keys[is_begin != before]
    if not joined and bool((kept[1:] == (kept[:-1] | 1)).any()):
        kept = _not_touching(keys, already_open=already_open)
    rows, is_begin = kept >> 1, (kept & 1).astype(np.bool_)
    return rows[is_begin], rows[~is_begin]


def _not_touching(keys: Ints, *, already_open: bool) -> Ints:
    """Pair one after the other: where a begin does not count, what follows it may."""
    kept: list[int] = []
    is_open, closed_at = already_open, -1
    for key in keys.tolist():
        row, is_begin = key >> 1, bool(key & 1)
        if is_begin != is_open and not (is_begin and row == closed_at):
            kept.append(key)
            is_open = is_begin
            closed_at = closed_at if is_begin else row
    return np.array(kept, dtype=np.int64)


def _already(rows: Rows, event: Event) -> bool:
    """Tell whether, in the first row, stands what the event brings about."""
    if isinstance(event, Becomes | Holds):
        level = rows.level(event.condition)
        return level is not None and bool(level[0])
    if isinstance(event, While):
        level = rows.level(event.condition)
        return _already(rows, event.event) and level is not None and bool(level[0])
    if isinstance(event, FirstOf):
        return any(_already(rows, each) for each in event.events)
    return False


def decode(bus: Bus, chunks: Iterable[Capture], *, skew: int = 0) -> tuple[CycleTable, Decoder]:
    """Decode all chunks of one place's capture.

    Parameters
    ----------
    bus : Bus
    chunks : iterable of Capture
        Lines by the bus's names; the same lines in each.
    skew : int, ps

    Returns
    -------
    CycleTable
    Decoder
        For its notes.

    Examples
    --------
    >>> from busdecode.capture import from_levels
    >>> from busdecode.protocol import load_bus
    >>> lines = {"MREQ": "10001", "RD": "11001", "WR": "11111", "IORQ": "11111", "M1": "11111",
    ...          "D7": "01110"}
    >>> capture = from_levels([0, 10, 20, 30, 40], lines, resolution=1)
    >>> table, _ = decode(load_bus("z80"), [capture])
    >>> table.as_text()[["kind", "data", "ended"]].values.tolist()
    [['read', '0x??', '']]
    """
    decoder: Decoder | None = None
    tables = []
    end = 0
    for chunk in chunks:
        if decoder is None:
            decoder = Decoder(bus, chunk.lines, chunk.resolution, skew)
        tables.append(decoder.feed(chunk))
        end = chunk.end
    if decoder is None:
        raise ValueError("there must be at least one chunk")
    tables.append(decoder.finish(end))
    return concatenate(bus, tables), decoder
