"""What each line showed in each phase, beside what a healthy bus would have shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import row_lines, rows_for, size_lines
from busdecode.compare.told import address_told
from busdecode.compare.view import Observation, PlaceView
from busdecode.cycles import DIRECTIONS, ENDINGS, MISSING
from busdecode.protocol import Any_, Becomes, Holds, Is, Moment, event_lines, fixed_levels

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.compare.meant import Meant
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus, Condition

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["TAKEN", "observe_log", "standing_windows"]

TAKEN = "taken"
"""Stands for a phase where an observation is of the moment at which data is taken."""

_READ, _WRITE = DIRECTIONS.index("read"), DIRECTIONS.index("write")


def observe_log(
    views: Mapping[str, PlaceView],
    table: CycleTable,
    meant: Meant,
    pairs: Ints,
    foretold: tuple[Words, Words],
) -> list[Observation]:
    """Hold every place against the log.

    Parameters
    ----------
    views : mapping of str to PlaceView
    table : CycleTable
        Of the first place; its moments serve for all places.
    meant : Meant
    pairs : ndarray of int64, shape (T,)
        The row of the table that each transfer is; -1 where it is not compared.
    foretold : two ndarrays of uint64, shape (T,)
        What each read should bring back, and the bits of it that are known.

    Returns
    -------
    list of Observation
    """
    which = np.flatnonzero(pairs >= 0)
    beats = pairs[which]
    predicted, predicted_known = foretold
    observations: list[Observation] = []
    for view in views.values():
        observations += _address(view, table, meant, which, beats)
        observations += _quiet(view, table, beats)
        observations += _direction(view, table, meant, which, beats)
        observations += _lanes(view, table, meant, which, beats)
        observations += _written(view, table, meant, which, beats)
        observations += _read(view, table, meant, which, beats, predicted, predicted_known)
        observations += _ended(view, table, beats)
    return observations


def _address(
    view: PlaceView, table: CycleTable, meant: Meant, which: Ints, beats: Ints
) -> list[Observation]:
    bus, moment = view.bus, view.bus.take["address"]
    is_first = table.beat[beats] == 0
    which, beats = which[is_first], beats[is_first]
    sample = view.sample(moment, table.phase(moment.phase)[beats])
    wanted = view.pack_address(meant.address[which])
    fixed, fixed_care = _row_levels(view, meant, which, bus.address)
    wanted = wanted & ~fixed_care | fixed
    care = sample.sure & view.mask(bus.address)
    undecided = np.ones(len(beats), dtype=np.bool_)
    for levels, used in bus.address_used:
        here = undecided & view.shows(sample.states, levels)
        lines = [
            line for line, bit in zip(bus.address, bus.address_bits, strict=True) if used >> bit & 1
        ]
        care[here] &= view.mask(lines)
        undecided &= ~here
    told = address_told(bus, view.index, meant.kind[which], meant.address[which])
    care &= view.pack(told, bus.address, bus.address_bits)
    return [Observation(view.place, "address", "address", beats, wanted, sample.states, care)]


def _quiet(view: PlaceView, table: CycleTable, beats: Ints) -> list[Observation]:
    """Lines that must still be negated: strobes of the beat, of lanes, and what ends a beat."""
    bus = view.bus
    ending = (*bus.ending.acknowledged, *bus.ending.error)
    groups = (
        (None if bus.pipelined else _BEFORE, _beat_strobes(bus), "control"),
        (bus.lanes_quiet, bus.lane_lines, "control"),
        (bus.endings_quiet, ending, "acknowledge"),
    )
    beats = beats[table.beat[beats] == 0]
    found = []
    for moment, lines, path in groups:
        if moment is None or not lines:
            continue
        sample = view.sample(moment, table.phase(moment.phase)[beats])
        negated = view.mask(line for line in lines if not bus.asserted_level(line))
        wanted = np.broadcast_to(negated, sample.states.shape)
        care = sample.sure & view.mask(lines)
        found.append(
            Observation(view.place, moment.phase, path, beats, wanted, sample.states, care)
        )
    return found


_BEFORE = Moment("before", "address")
"""Where cycles do not overlap, what begins a beat is negated then."""


def _beat_strobes(bus: Bus) -> list[str]:
    """Give the lines each of which begins a beat by itself, and no cycle."""
    of_cycles = {line for event in bus.cycle_begins for line in event_lines(event)}
    event = bus.beat_begins[0]
    if not isinstance(event, Holds | Becomes):
        return []
    return [
        part.lines[0]
        for part in _alternatives(event.condition)
        if isinstance(part, Is)
        and len(part.lines) == 1
        and part.lines[0] not in (*of_cycles, *bus.lane_lines)
        and part.value == bus.asserted_level(part.lines[0])
    ]


def _alternatives(condition: Condition) -> list[Condition]:
    if not isinstance(condition, Any_):
        return [condition]
    return [part for each in condition.conditions for part in _alternatives(each)]


def _direction(
    view: PlaceView, table: CycleTable, meant: Meant, which: Ints, beats: Ints
) -> list[Observation]:
    bus, moment = view.bus, view.bus.take["direction"]
    lines = [
        line.name for line in bus.lines if line.role == "direction" and line.name in view.index
    ]
    if not lines:
        return []
    sample = view.sample(moment, table.phase(moment.phase)[beats])
    wanted = np.zeros_like(sample.states)
    care = np.zeros_like(sample.states)
    for at, kind in enumerate(bus.kinds):
        mine = meant.kind[which] == at
        for line, level in fixed_levels(kind.levels).items():
            if line in lines:
                mask = view.mask([line])
                wanted[mine] |= mask * np.uint64(level)
                care[mine] |= mask
    return [
        Observation(
            view.place, moment.phase, "control", beats, wanted, sample.states, care & sample.sure
        )
    ]


def _row_levels(
    view: PlaceView, meant: Meant, which: Ints, lines: Sequence[str]
) -> tuple[Words, Words]:
    """Give the levels that the lane table fixes for lines, and which these are, packed."""
    bus = view.bus
    wanted = np.zeros((len(which), view.words), dtype=np.uint64)
    care = np.zeros_like(wanted)
    if not bus.lane_rows:
        return wanted, care
    columns = np.stack(
        [
            meant.kind[which].astype(np.int64),
            (meant.address[which] - meant.word[which]).astype(np.int64),
            meant.lanes[which].astype(np.int64),
            meant.asked[which],
        ],
        axis=1,
    )
    distinct, inverse = np.unique(columns, axis=0, return_inverse=True)
    for at, (kind, address, lanes, asked) in enumerate(distinct.tolist()):
        rows = list(
            rows_for(bus, address, lanes=lanes, asked=asked or None, kind=bus.kinds[kind].name)
        )
        if not rows:
            continue
        mine = inverse.reshape(-1) == at
        levels = row_lines(rows[0]) | size_lines(bus, asked)
        for line in lines:
            if line in levels:
                wanted[mine] |= view.mask([line]) * np.uint64(levels[line])
                care[mine] |= view.mask([line])
    return wanted, care


def _lanes(
    view: PlaceView, table: CycleTable, meant: Meant, which: Ints, beats: Ints
) -> list[Observation]:
    """Look at the lines that select lanes: strobes at any time in the beat, sizes when latched."""
    bus = view.bus
    found = []
    lines = list(bus.lane_lines)
    if lines:
        slack = view.uncertainty
        begins, ends = table.phase("data")[beats], table.phase("release")[beats]
        # At the edges of the beat another place may lag by the uncertainty.
        seen = view.asserted_during(lines, begins + slack, ends - slack)
        looked = (ends - slack > begins + slack)[:, None].astype(np.uint64)
        low = view.mask(line for line in lines if not bus.asserted_level(line))
        if bus.lane_strobes:
            bits = [bus.lane_count - 1 - lane for lane in range(bus.lane_count)]
            wanted = view.pack(meant.lanes[which], lines, bits) ^ low
            care = view.mask(lines) * looked
        else:
            wanted, care = _row_levels(view, meant, which, lines)
            care = care * looked
        found.append(Observation(view.place, "data", "control", beats, wanted, seen ^ low, care))
    sizes = [line.name for line in bus.lines if line.role == "size"]
    wanted, care = _row_levels(view, meant, which, sizes)
    if care.any():
        moment = bus.take["lanes"]
        is_first = table.beat[beats] == 0 if moment.phase == "address" else beats >= 0
        sample = view.sample(moment, table.phase(moment.phase)[beats])
        care = care * is_first[:, None].astype(np.uint64) & sample.sure
        found.append(
            Observation(view.place, moment.phase, "control", beats, wanted, sample.states, care)
        )
    return found


def standing_windows(
    view: PlaceView, table: CycleTable, beats: Ints, direction: str
) -> list[tuple[str, Ints, Ints]]:
    """Cut the time in which data must stand into the phases of the beat.

    Parameters
    ----------
    view, table : PlaceView, CycleTable
    beats : ndarray of int64, shape (M,)
    direction : str, ``read`` or ``write``

    Returns
    -------
    list of (str, ndarray of int64, ndarray of int64)
        A phase, since and until when, ps, half-open, shape (M,); MISSING where there is none.
    """
    bus, slack = view.bus, view.uncertainty
    told = bus.validity
    valid, hold, stays = (
        (told.write, told.write_hold, told.write_until)
        if direction == "write"
        else (told.read, told.read_hold, told.read_until)
    )
    since = table.phase(valid.phase)[beats]
    release = table.phase("release")[beats]
    missing = since == MISSING
    if valid.how == "before":
        # Only the row before the phase begins, or where data must stand by then at the latest;
        # a set-up time that is less than the edges are uncertain is not looked at.
        latest = since + min(-slack, valid.offset + slack)
        missing = missing | (valid.offset < 0 and valid.offset + slack > -slack)
        until = np.where(missing, MISSING, latest + 1)
        since = np.where(missing, MISSING, latest)
    else:
        since = np.where(missing, MISSING, since + valid.offset + slack)
        until = np.where(missing, MISSING, release - slack)
    names = bus.phase_names
    first = names.index("data") if valid.how == "before" else names.index(valid.phase)
    bounds = [table.phase(name)[beats] for name in names]
    # A phase that did not come ends where the next one begins.
    for at in range(len(bounds) - 2, -1, -1):
        bounds[at] = np.where(bounds[at] == MISSING, bounds[at + 1], bounds[at])
    if stays != "release":
        # Where what lets the data go did not come, nothing tells how long it must stay.
        missing = missing | (table.phase(stays)[beats] == MISSING)
        limit = bounds[names.index(stays)] - slack
        until = np.where(until == MISSING, MISSING, np.minimum(until, limit))
    windows: list[tuple[str, Ints, Ints]] = []
    for at in range(first, len(names) - 1):
        begin = np.maximum(since, bounds[at])
        end = np.minimum(until, bounds[at + 1])
        empty = missing | (end <= begin)
        windows.append((names[at], np.where(empty, MISSING, begin), np.where(empty, MISSING, end)))
    if hold > slack and stays == "release":
        windows.append(("release", release, release + hold - slack))
    return windows


def _written(
    view: PlaceView, table: CycleTable, meant: Meant, which: Ints, beats: Ints
) -> list[Observation]:
    is_write = meant.direction[which] == _WRITE
    which, beats = which[is_write], beats[is_write]
    wanted = view.pack_data(meant.data[which])
    care = _data_care(view, meant.data_known[which])
    windows = standing_windows(view, table, beats, "write")
    return _data(view, table, "write", beats, wanted, care, windows)


def _read(
    view: PlaceView,
    table: CycleTable,
    meant: Meant,
    which: Ints,
    beats: Ints,
    predicted: Words,
    predicted_known: Words,
) -> list[Observation]:
    is_read = (meant.direction[which] == _READ) & (
        table.ended[beats] == ENDINGS.index("acknowledged")
    )
    if not view.bus.ending.acknowledged and not view.bus.ending.wait:
        is_read = meant.direction[which] == _READ
    which, beats = which[is_read], beats[is_read]
    wanted = view.pack_data(predicted[which])
    care = _data_care(view, predicted_known[which])
    windows = standing_windows(view, table, beats, "read")
    return _data(view, table, "read", beats, wanted, care, windows)


def _data_care(view: PlaceView, known: Words) -> Words:
    return view.pack(known, view.bus.data, range(len(view.bus.data) - 1, -1, -1))


def _data(
    view: PlaceView,
    table: CycleTable,
    path: str,
    beats: Ints,
    wanted: Words,
    care: Words,
    windows: list[tuple[str, Ints, Ints]],
) -> list[Observation]:
    """Look at the data lines in each window, and at the moment at which they are taken."""
    found = []
    for phase, since, until in windows:
        differs, known = view.differs(wanted, since, until)
        found.append(
            Observation(view.place, phase, path, beats, wanted, wanted ^ differs, care & known)
        )
    return [*found, _taken(view, table, path, beats, wanted, care)]


def _taken(
    view: PlaceView, table: CycleTable, path: str, beats: Ints, wanted: Words, care: Words
) -> Observation:
    """Look at the lines at the moment at which the data is taken."""
    moment = view.bus.take[path]
    sample = view.sample(moment, table.phase(moment.phase)[beats])
    # At a closing moment lines may change in the very sample: the row before it counts.
    known = sample.sure
    if moment.how == "before":
        known = np.full_like(sample.sure, 0xFFFF_FFFF_FFFF_FFFF)
        known[(table.phase(moment.phase)[beats] == MISSING)] = 0
        if view.rows.unknown is not None:
            at = np.maximum(view.rows.row_at(table.phase(moment.phase)[beats] - 1), 0)
            known &= ~view.rows.unknown[at]
    return Observation(view.place, TAKEN, path, beats, wanted, sample.states, care & known)


def _ended(view: PlaceView, table: CycleTable, beats: Ints) -> list[Observation]:
    """Look for beats that ended without acknowledge, or while a wait line was asserted here."""
    bus = view.bus
    found = []
    waits = [line for line in bus.ending.wait if line in view.index]
    if waits:
        before = Moment("before", "release")
        sample = view.sample(before, table.phase("release")[beats])
        idle = view.mask(line for line in waits if not bus.asserted_level(line))
        wanted = np.broadcast_to(idle, sample.states.shape)
        care = sample.sure & view.mask(waits)
        phase = bus.phase_names[-2]
        found.append(
            Observation(view.place, phase, "acknowledge", beats, wanted, sample.states, care)
        )
    lines = [line for line in bus.ending.acknowledged if line in view.index]
    if not lines:
        return found
    mask = view.mask(lines[:1])
    idle = view.mask(line for line in lines if not bus.asserted_level(line))
    negated = np.repeat(idle, len(beats), axis=0)
    moved, _ = view.differs(negated, table.phase("data")[beats], table.phase("release")[beats])
    is_asserted = (moved & view.mask(lines)).any(axis=1)
    ended = table.ended[beats]
    is_wrong = (ended != ENDINGS.index("acknowledged")) & ~is_asserted
    wanted = np.zeros((len(beats), view.words), dtype=np.uint64)
    care = np.repeat(mask, len(beats), axis=0) * (ended >= 0)[:, None].astype(np.uint64)
    seen = mask * is_wrong[:, None].astype(np.uint64)
    found.append(Observation(view.place, "acknowledge", "acknowledge", beats, wanted, seen, care))
    return found
