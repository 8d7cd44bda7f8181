"""Captures that just meet one limit, or just break it, all others met wherever that can be.

A made capture is a list of moments at which lines change. Each limit, in each beat, is a
difference of two moments; so are the orders that must stay. A linear programme moves the
moments as little as possible so that the wanted limit is met or broken by a hair, and says
which other limits cannot be met at the same time. This has nothing in common with how the
replay finds and judges.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import coo_array

from benchmarks.stimulus import address_bits, logged_kinds
from busdecode.access import Access, Transfer, split_access
from busdecode.capture import Capture, pack_levels
from busdecode.cycles import MISSING, Sampling, decode, synthesise
from busdecode.timing import Outcome, replay_capture
from tests.strategies import forced_address

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus, Limit
    from busdecode.timing import Figures, Replayed

    Ints = NDArray[np.int64]

HAIR = 1_000
"""By how much more than the uncertainty a limit is met or broken, ps."""

UNCERTAINTY = 1_000
"""The resolution that mutants are told to have, ps."""

_DEAR, _LESS_DEAR = 1e6, 1e3
_ORDER = "order of control lines"
_ROUNDS = 8


@dataclass(frozen=True)
class Pulse:
    """A pulse that made captures do not show, added to every beat of some kinds.

    `begins` and `ends` are a phase and a time after it, ps; kinds None are all.
    """

    line: str
    begins: tuple[str, int]
    ends: tuple[str, int]
    kinds: tuple[str, ...] | None = None


@dataclass(frozen=True)
class Clock:
    """A clock line of about one period, ps, laid around beats.

    `rises` and `falls` are a phase, a time after it, and the kinds of beat, all where empty.
    """

    line: str
    period: int
    rises: tuple[tuple[str, int, tuple[str, ...]], ...] = ()
    falls: tuple[tuple[str, int, tuple[str, ...]], ...] = ()

    def toggles(self, capture: Capture, bus: Bus) -> list[int]:
        """Give the moments at which it changes, the first of them a rise."""
        half = self.period // 2
        anchors = sorted(
            (phases[phase] + offset, is_rise)
            for phases, kind in beats_of(capture, bus)
            for edges, is_rise in ((self.rises, True), (self.falls, False))
            for phase, offset, kinds in edges
            if not kinds or kind in kinds
        )
        made = [int(capture.times[0]) + half]
        is_high = True
        for time, is_rise in anchors:
            room = time - made[-1]
            if room < half // 2:
                continue
            # As many changes between as there is room for, and as the anchor's own asks for.
            between = max(0, round(room / half) - 1)
            between += (between % 2 == 0) == (is_high == is_rise)
            step = room / (between + 1)
            made += [round(made[-1] + step * at) for at in range(1, between + 1)] + [time]
            is_high = is_rise
        return made


@dataclass(frozen=True)
class Instance:
    """A limit in one beat: between which two moments, and the times added to these."""

    limit: Limit
    start: int
    stop: int
    offset: int


@dataclass(frozen=True)
class Mutant:
    """A capture in which one limit is just met or just broken.

    `unmeetable` are the numbers of limits that no choice of moments could have met as well.
    """

    limit: Limit
    capture: Capture
    replayed: Replayed
    unmeetable: frozenset[str]

    @property
    def named(self) -> frozenset[str]:
        """The limits that the replay names as broken, warnings among them.

        An input that may come at any time is unmet, and named, where it is the wanted one only.
        """
        return frozenset(
            result.limit.number
            for result in self.replayed.results
            if result.broken and (not result.limit.is_condition or result.limit == self.limit)
        )


class Waves:
    """The changes of each line of a capture, over common moments that can be moved."""

    def __init__(self, capture: Capture, bus: Bus, extra: Iterable[Pulse | Clock]) -> None:
        self.bus = bus
        self.lines = capture.lines
        self._first: dict[str, int] = {}
        self._toggles: dict[str, list[int]] = {}
        for line in capture.lines:
            levels = capture.levels(line)
            self._first[line] = int(levels[0])
            at = np.flatnonzero(np.diff(levels.astype(np.int8))) + 1
            self._toggles[line] = capture.times[at].tolist()
        self.end = capture.end
        self.start = int(capture.times[0])
        for each in extra:
            self._add(each, capture)
        found = sorted({time for toggles in self._toggles.values() for time in toggles})
        self.moments: Ints = np.array(found, dtype=np.int64)

    def _add(self, each: Pulse | Clock, capture: Capture) -> None:
        if isinstance(each, Clock):
            self._first[each.line] = 0
            self._toggles[each.line] = each.toggles(capture, self.bus)
            return
        idle = 1 - self.bus.asserted_level(each.line)
        toggles = []
        for table_phases, kind in beats_of(capture, self.bus):
            if each.kinds is not None and kind not in each.kinds:
                continue
            begin = table_phases[each.begins[0]] + each.begins[1]
            end = table_phases[each.ends[0]] + each.ends[1]
            toggles += [begin, end]
        self._first[each.line] = idle
        self._toggles[each.line] = sorted([*self._toggles[each.line], *toggles])

    def without(self, lines: Iterable[str], first: int, last: int) -> Capture:
        """Give the capture with some lines still between two moments, ps, at both of which they
        stand as they do at rest.
        """
        kept = dict(self._toggles)
        for line in lines:
            toggles = self._toggles[line]
            inside = [time for time in toggles if first < time < last]
            self._toggles[line] = toggles if len(inside) % 2 else [
                time for time in toggles if time not in inside
            ]  # fmt: skip
        try:
            return self.capture(self.moments)
        finally:
            self._toggles = kept

    def widths(self) -> Iterable[tuple[int, int, int, int]]:
        """Give each two moments at which a line changes, one after the other, and how far apart
        they must stay, and should: control lines' pulses are as long as the bus has any, a
        clock's at least half as long as they were.
        """
        values = {*self.bus.address, *self.bus.data}
        for line, toggles in self._toggles.items():
            places = np.searchsorted(self.moments, toggles).tolist()
            is_clock = self.bus.line(line).role == "clock"
            for before, after in pairwise(places):
                width = int(self.moments[after] - self.moments[before])
                should = 0 if line in values else min(width, self.bus.shortest_pulse)
                must = 2 * (UNCERTAINTY + HAIR)
                yield before, after, max(must, should // 2) if is_clock else must, should

    def orders(self) -> Iterable[tuple[int, int]]:
        """Give pairs of moments that must stay in order: the phases of beats, one by one."""
        place = {int(time): at for at, time in enumerate(self.moments)}
        for phases, _ in beats_of(self.capture(self.moments), self.bus):
            found = [place[time] for time in phases.values() if time in place]
            yield from pairwise(found)

    def control_orders(self) -> Iterable[tuple[int, int]]:
        """Give pairs of moments at which control lines change, one after the other."""
        values = {*self.bus.address, *self.bus.data}
        found = {time for line in self.lines if line not in values for time in self._toggles[line]}
        yield from pairwise(np.searchsorted(self.moments, sorted(found)).tolist())

    def capture(self, moments: Ints) -> Capture:
        """Give the capture with its moments moved."""
        order = np.argsort(moments, kind="stable")
        times, place = np.unique(moments[order], return_inverse=True)
        row_of = np.empty(len(moments), dtype=np.int64)
        row_of[order] = place
        columns = []
        for line in self.lines:
            at = np.searchsorted(self.moments, self._toggles[line])
            flips = np.zeros(len(times) + 1, dtype=np.int64)
            np.add.at(flips, row_of[at] + 1, 1)
            columns.append((np.cumsum(flips) + self._first[line]) & 1)
        start = min(self.start, int(times[0])) - 10 * UNCERTAINTY
        return Capture(
            lines=self.lines,
            times=np.append(start, times),
            states=pack_levels(np.stack(columns, axis=1).astype(np.uint8)),
            unknown=None,
            resolution=UNCERTAINTY,
            end=max(self.end, int(times[-1]) + 10 * UNCERTAINTY),
            source="moved",
            gaps=None,
            resolution_inferred=False,
            notes=(),
        )


def beats_of(capture: Capture, bus: Bus) -> Iterable[tuple[dict[str, int], str]]:
    """Give each whole beat's phases and kind."""
    table, _ = decode(bus, [capture])
    for at, kind in enumerate(table.kind_names().tolist()):
        phases = {name: int(table.phases[at, place]) for place, name in enumerate(bus.phase_names)}
        if phases["release"] != MISSING and phases["data"] != MISSING:
            yield phases, kind


def changing_accesses(bus: Bus) -> list[Access]:
    """Give accesses in which each line differs from one to the next, as far as it can.

    Words with as little in common as can be are written and read in turn, whole and by bytes,
    one of them at the lowest address.
    """
    made: list[Access] = []
    kinds = logged_kinds(bus)
    for space in dict.fromkeys(kind.space for kind in kinds):
        writes = [kind for kind in kinds if (kind.space, kind.direction) == (space, "write")]
        reads = [kind for kind in kinds if (kind.space, kind.direction) == (space, "read")]
        for size in (bus.word_bytes, 1):
            bits = address_bits(bus, (writes or reads)[0]) & ~(bus.word_bytes - 1)
            words = [
                (address & bits, data & (1 << 8 * size) - 1)
                for address, data in (
                    (0x5555_5555, 0x5555_5555),
                    (0xAAAA_AAAA, 0xAAAA_AAAA),
                    (0, 0x3333_3333),
                )
            ]
            for kind in writes:
                made += [Access(kind.name, address, size, data) for address, data in words]
            for kind in reads:
                made += [Access(kind.name, address, size, None) for address, _ in words]
    return made


def vectors(bus: Bus) -> list[Transfer]:
    """Give two interrupt acknowledges where the bus has such: no software asks for them."""
    if all(kind.name != "interrupt-acknowledge" for kind in bus.kinds):
        return []
    kind = bus.kind("interrupt-acknowledge")
    address = forced_address(bus, kind.levels, 0)
    own = [row for row in bus.lane_rows if row.kinds and kind.name in row.kinds]
    rows = own or [row for row in bus.lane_rows if row.kinds is None]
    byte = min((row for row in rows if row.number), key=lambda row: row.number, default=None)
    if byte is None:
        return [Transfer(kind.name, address, 1, None) for _ in range(2)]
    address += byte.first or 0
    return [Transfer(kind.name, address, byte.number, None) for _ in range(2)]


def base_waves(bus: Bus, extra: Sequence[Pulse | Clock] = (), *, seed: int = 1) -> Waves:
    """Make a healthy capture, every edge at its moment, with pulses and clock added."""
    transfers = [
        transfer
        for access in changing_accesses(bus)
        for transfer, _, _ in split_access(bus, access)
    ]
    transfers += vectors(bus)
    made = synthesise(bus, transfers, seed=seed, sampling=Sampling(0), wait_share=0.3)
    return Waves(made.places["host"], bus, extra)


def sampled(capture: Capture, period: int, first: int = 0) -> Capture:
    """Give the capture as an analyzer of that sample period sees it, ps."""
    times = np.arange(int(capture.times[0]) + first, capture.end, period, dtype=np.int64)
    rows = np.searchsorted(capture.times, times, "right") - 1
    states = capture.states[rows]
    kept = np.append(True, (states[1:] != states[:-1]).any(axis=1))
    return replace(
        capture,
        times=times[kept],
        states=states[kept],
        resolution=period,
        end=int(times[-1]) + period,
    )


def replayed(capture: Capture, figures: Figures) -> tuple[Replayed, list[tuple[Limit, int, int]]]:
    """Replay a capture; give what was found, and every measured pair of moments, ps."""
    pairs: list[tuple[Limit, int, int]] = []

    def keep(
        table: CycleTable, limit: Limit, starts: Ints, stops: Ints, outcomes: NDArray[np.int8]
    ) -> None:
        for at in np.flatnonzero((outcomes != Outcome.UNMEASURED) & (stops != MISSING)).tolist():
            pairs.append((limit, int(starts[at]), int(stops[at])))

    return replay_capture(capture, figures, each=keep), pairs


def instances(pairs: Iterable[tuple[Limit, int, int]], now: Ints) -> list[Instance]:
    """Give measured pairs as pairs of moments that can be moved."""
    place = {int(time): at for at, time in enumerate(now)}
    found = []
    for limit, start, stop in pairs:
        assert limit.start is not None
        assert limit.stop is not None
        before = limit.start.offset if limit.start.how == "at" else 0
        after = limit.stop.offset if limit.stop.how == "at" else 0
        one, other = place.get(start - before), place.get(stop - after)
        if one is not None and other is not None and one != other:
            found.append(Instance(limit, one, other, after - before))
    return found


def wanted_range(least: int | None, most: int | None, side: str, how: str) -> tuple[int, int]:
    """Give from where to where a time just meets, or just breaks, one side of a limit, ps."""
    past = UNCERTAINTY + HAIR
    if side == "min":
        assert least is not None
        edge = least + past if how == "meet" else least - past
    else:
        assert most is not None
        edge = most - past if how == "meet" else most + past
    return (edge - HAIR // 2, edge + HAIR // 2)


def mutant(waves: Waves, figures: Figures, limit: Limit, side: str, how: str) -> Mutant | None:
    """Move moments until one limit is just met or just broken; None where it is never measured.

    Parameters
    ----------
    waves : Waves
    figures : Figures
    limit : Limit
    side : str
        ``min`` or ``max``.
    how : str
        ``meet`` or ``break``.
    """
    now = waves.moments
    _, pairs = replayed(waves.capture(now), figures)
    known = instances(pairs, now)
    mine = [each for each in known if each.limit.number == limit.number]
    if not mine:
        return None
    bounds = wanted_range(*figures.at(limit), side, how)
    target = min(
        mine, key=lambda each: abs(now[each.stop] - now[each.start] + each.offset - bounds[0])
    )
    found: Mutant | None = None
    # Phases that come in the wrong order are missing: so is then what must come.
    implied: set[str] = set()
    if how == "break" and (target.start, target.stop) in set(waves.orders()):
        implied = {each.number for each in figures.limits if each.is_required}
    if how == "break" and limit.is_step:
        # An answer left over from the beat before is the next one's at once.
        implied |= {
            each.number
            for each in figures.limits
            if each.stop is not None and (each.stop.how, each.stop.phase) == ("at", "acknowledge")
        }
    for _ in range(_ROUNDS):
        moved, unmeetable = _solved(waves, figures, known, target, bounds)
        if moved is None:
            return found
        capture = waves.capture(moved)
        result, pairs = replayed(capture, figures)
        unmeetable |= implied
        found = Mutant(limit, capture, result, unmeetable)
        allowed = unmeetable | ({limit.number} if how == "break" else set())
        if found.named <= allowed and (how == "meet" or limit.number in found.named):
            return found
        seen = instances(pairs, moved)
        # Where the beat's own points are other ones now, it is these that must go astray.
        own = [each for each in seen if _is_same_beat(each, target)]
        fresh = [each for each in seen if each not in known and each not in own]
        if own and target not in own:
            target = own[0]
        elif not fresh:
            return found
        known += fresh
    return found


def _is_same_beat(one: Instance, other: Instance) -> bool:
    return one.limit.number == other.limit.number and (
        one.start == other.start or one.stop == other.stop
    )


def _solved(
    waves: Waves,
    figures: Figures,
    known: Sequence[Instance],
    target: Instance,
    bounds: tuple[int, int],
) -> tuple[Ints | None, frozenset[str]]:
    """Move moments as little as possible; give them, and the limits that had to give way."""
    count = len(waves.moments)
    rows: list[tuple[int, int, float, Instance | str | None]] = []  # x[a] - x[b] <= c

    def at_most(first: int, second: int, most: float, soft: Instance | str | None = None) -> None:
        rows.append((first, second, most, soft))

    at_most(target.stop, target.start, bounds[1] - target.offset)
    at_most(target.start, target.stop, target.offset - bounds[0])
    for before, after, must, should in waves.widths():
        at_most(before, after, -must)
        if {before, after} != {target.start, target.stop}:
            at_most(before, after, -should, _ORDER)
    past = UNCERTAINTY + HAIR // 2
    for each in known:
        may_be_unmet = each.limit.is_condition and each.limit != target.limit
        if may_be_unmet or _is_same_beat(each, target):
            continue
        least, most = figures.at(each.limit)
        if least is not None:
            at_most(each.start, each.stop, each.offset - least - past, each)
        if most is not None:
            at_most(each.stop, each.start, most - each.offset - past, each)
    for before, after in waves.orders():
        if {before, after} != {target.start, target.stop}:
            at_most(before, after, 0)
    for before, after in waves.control_orders():
        if {before, after} != {target.start, target.stop}:
            at_most(before, after, 0, _ORDER)
    soft = [at for at, row in enumerate(rows) if row[3] is not None]
    place = {row: at for at, row in enumerate(soft)}
    width = 2 * count + len(soft)
    data: list[float] = []
    row_at: list[int] = []
    column_at: list[int] = []
    limits: list[float] = []

    def put(row: int, column: int, value: float) -> None:
        row_at.append(row)
        column_at.append(column)
        data.append(value)

    for at, (first, second, most, _) in enumerate(rows):
        put(at, first, 1)
        put(at, second, -1)
        if at in place:
            put(at, 2 * count + place[at], -1)
        limits.append(most)
    base = len(rows)
    for at, moment in enumerate(waves.moments.tolist()):
        put(base + 2 * at, at, 1)
        put(base + 2 * at, count + at, -1)
        limits.append(moment)
        put(base + 2 * at + 1, at, -1)
        put(base + 2 * at + 1, count + at, -1)
        limits.append(-moment)
    matrix = coo_array((data, (row_at, column_at)), shape=(len(limits), width))
    prices = [_LESS_DEAR if rows[row][3] == _ORDER else _DEAR for row in soft]
    cost = np.concatenate([np.zeros(count), np.ones(count), prices])
    lows = [(None, None)] * count + [(0, None)] * (count + len(soft))
    answer = linprog(cost, A_ub=matrix.tocsr(), b_ub=limits, bounds=lows, method="highs")
    if answer.x is None:
        return None, frozenset()
    gave = frozenset(
        each.limit.number
        for row, at in place.items()
        if isinstance(each := rows[row][3], Instance)
        and answer.x[2 * count + at] > UNCERTAINTY / 10
    )
    return np.round(answer.x[:count]).astype(np.int64), gave
