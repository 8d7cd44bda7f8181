"""What each line showed in each phase, beside what a healthy bus would have shown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import lane_mask
from busdecode.cycles import DIRECTIONS, ENDINGS, MISSING, Rows
from busdecode.protocol import Moment
from busdecode.responder import Memory

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.compare.meant import Meant
    from busdecode.cycles import CycleTable, DecodedPlace
    from busdecode.protocol import Bus

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["TAKEN", "Observation", "PlaceView", "Sample", "observe_log", "observe_places", "view_place"]

TAKEN = "taken"
"""Stands for a phase where an observation is of the moment at which data is taken."""

_READ, _WRITE = DIRECTIONS.index("read"), DIRECTIONS.index("write")


@dataclass(frozen=True, eq=False)
class Observation:
    """Lines of one place at one moment of M beats.

    Parameters
    ----------
    place, phase, path : str
    beats : ndarray of int64, shape (M,)
        Rows of the cycle table.
    meant, seen : ndarray of uint64, shape (M, W)
        Levels, packed as in the place's capture.
    care : ndarray of uint64, shape (M, W)
        Lines for which a level is expected, known, and not changing at the moment.
    is_between : bool
        What was meant is what the other place shows.
    """

    place: str
    phase: str
    path: str
    beats: Ints
    meant: Words
    seen: Words
    care: Words
    is_between: bool = False

    @property
    def wrong(self) -> Words:
        """Lines that differ, packed, shape (M, W)."""
        return (self.meant ^ self.seen) & self.care


@dataclass(frozen=True, eq=False)
class Sample:
    """Levels at one moment of each beat; `sure` has the lines known and not changing then."""

    states: Words
    sure: Words


@dataclass(frozen=True, eq=False)
class PlaceView:
    """One place's rows, ready to be looked at.

    `uncertainty` is how far, in ps, an edge may be from where the capture shows it.
    """

    place: str
    bus: Bus
    rows: Rows
    index: Mapping[str, int]
    uncertainty: int

    @property
    def words(self) -> int:
        """Words of a row."""
        return int(self.rows.states.shape[1])

    def sample(self, moment: Moment, times: Ints) -> Sample:
        """Take the lines at a moment, given when its phase begins; MISSING is never sure."""
        is_there = times != MISSING
        moments = np.where(is_there, times, self.rows.times[0]) + moment.offset
        at = self.rows.row_at(moments - 1 if moment.how == "before" else moments)
        event_rows = np.maximum(self.rows.row_at(moments), 0)
        is_there = is_there & (at >= 0)
        at = np.maximum(at, 0)
        sure = ~self.rows.changed_near(event_rows, moments, self.uncertainty)
        if self.rows.unknown is not None:
            sure &= ~self.rows.unknown[at]
        sure[~is_there] = 0
        return Sample(self.rows.states[at], sure)

    def differs(self, meant: Words, since: Ints, until: Ints) -> tuple[Words, Words]:
        """Give the lines that differ from what was meant in any row of a window.

        Parameters
        ----------
        meant : ndarray of uint64, shape (M, W)
        since, until : ndarray of int64, shape (M,), ps
            Half-open; a window that is empty, or MISSING at an end, is not looked at.

        Returns
        -------
        ndarray of uint64, shape (M, W)
            Lines that differ.
        ndarray of uint64, shape (M, W)
            Lines that were looked at and known throughout.
        """
        is_there = (since != MISSING) & (until != MISSING) & (until > since)
        is_there &= since >= self.rows.times[0]
        differs = np.zeros_like(meant)
        known = np.zeros_like(meant)
        which = np.flatnonzero(is_there)
        if not len(which):
            return differs, known
        first = self.rows.row_at(since[which])
        last = self.rows.row_at(until[which] - 1)
        lengths = last - first + 1
        starts = np.cumsum(lengths) - lengths
        rows = np.repeat(first - starts, lengths) + np.arange(int(lengths.sum()))
        moved = self.rows.states[rows] ^ np.repeat(meant[which], lengths, axis=0)
        known[which] = np.uint64(0xFFFF_FFFF_FFFF_FFFF)
        if self.rows.unknown is not None:
            lost = np.bitwise_or.reduceat(self.rows.unknown[rows], starts, axis=0)
            known[which] &= ~lost
        differs[which] = np.bitwise_or.reduceat(moved, starts, axis=0)
        return differs, known

    def pack(self, numbers: Words, lines: Sequence[str], bits: Iterable[int]) -> Words:
        """Spread numbers over the lines: the line gets the number's bit."""
        rows = np.zeros((len(numbers), self.words), dtype=np.uint64)
        for line, bit in zip(lines, bits, strict=True):
            at = self.index.get(line)
            if at is not None:
                one = (numbers >> np.uint64(bit)) & np.uint64(1)
                rows[:, at // 64] |= one << np.uint64(at % 64)
        return rows

    def pack_data(self, numbers: Words) -> Words:
        """Spread data words over the data lines."""
        return self.pack(numbers, self.bus.data, range(len(self.bus.data) - 1, -1, -1))

    def number(self, words: Words, lines: Sequence[str], bits: Iterable[int]) -> Words:
        """Collect lines into numbers: `pack` undone."""
        numbers = np.zeros(len(words), dtype=np.uint64)
        for line, bit in zip(lines, bits, strict=True):
            at = self.index.get(line)
            if at is not None:
                one = (words[:, at // 64] >> np.uint64(at % 64)) & np.uint64(1)
                numbers |= one << np.uint64(bit)
        return numbers

    def mask(self, lines: Iterable[str]) -> Words:
        """Give the packed mask of some lines, shape (1, W)."""
        mask = np.zeros((1, self.words), dtype=np.uint64)
        for line in lines:
            at = self.index.get(line)
            if at is not None:
                mask[0, at // 64] |= np.uint64(1 << (at % 64))
        return mask

    def lanes_seen(self, begins: Ints, ends: Ints) -> tuple[Words, Words]:
        """Give the lanes whose strobe asserted in [begin, end), and those that were captured."""
        bus, count = self.bus, self.bus.lane_count
        seen = np.zeros(len(begins), dtype=np.uint64)
        captured = 0
        idle = np.zeros((len(begins), self.words), dtype=np.uint64)
        for line in bus.lane_strobes:
            at = self.index.get(line)
            if at is not None and not bus.asserted_level(line):
                idle[:, at // 64] |= np.uint64(1 << (at % 64))
        moved, known = self.differs(idle, begins, ends)
        moved &= known
        for lane, line in enumerate(bus.lane_strobes):
            at = self.index.get(line)
            if at is None:
                continue
            bit = count - 1 - lane
            captured |= 1 << bit
            one = (moved[:, at // 64] >> np.uint64(at % 64)) & np.uint64(1)
            seen |= one << np.uint64(bit)
        return seen, np.full(len(begins), captured, dtype=np.uint64)


def view_place(decoded: DecodedPlace) -> PlaceView:
    """Make one place ready to be looked at; released lines with a pull show its level."""
    capture, bus = decoded.capture, decoded.bus
    index = {line: at for at, line in enumerate(capture.lines)}
    states, unknown = capture.states, capture.unknown
    if unknown is not None:
        up = np.zeros(states.shape[1], dtype=np.uint64)
        down = np.zeros(states.shape[1], dtype=np.uint64)
        for line, at in index.items():
            pull = bus.line(line).pull
            if pull != "none":
                (up if pull == "up" else down)[at // 64] |= np.uint64(1 << (at % 64))
        released = unknown & states
        states = states & ~(released & down)
        unknown = unknown & ~(released & (up | down))
    if capture.gaps is not None and capture.gaps.any():
        whole = np.zeros_like(states) if unknown is None else unknown.copy()
        whole[capture.gaps] = np.uint64(0xFFFF_FFFF_FFFF_FFFF)
        unknown = whole
    rows = Rows(capture.times, states, unknown, index)
    return PlaceView(decoded.place, bus, rows, index, capture.resolution + decoded.skew)


def observe_log(
    views: Mapping[str, PlaceView],
    table: CycleTable,
    meant: Meant,
    pairs: Ints,
) -> tuple[list[Observation], Words]:
    """Hold every place against the log.

    Parameters
    ----------
    views : mapping of str to PlaceView
    table : CycleTable
        Of the first place; its moments serve for all places.
    meant : Meant
    pairs : ndarray of int64, shape (T,)
        The row of the table that each transfer is; -1 where it is not compared.

    Returns
    -------
    list of Observation
    ndarray of uint64, shape (T,)
        Data bits in which what a read returned to software differs from what was meant.
    """
    which = np.flatnonzero(pairs >= 0)
    beats = pairs[which]
    card = views.get("card", next(iter(views.values())))
    predicted, predicted_known = _memory_as_seen(card, table, meant, pairs)
    observations: list[Observation] = []
    for view in views.values():
        observations += _address(view, table, meant, which, beats)
        observations += _quiet(view, table, beats)
        observations += _direction(view, table, meant, which, beats)
        observations += _lanes(view, table, meant, which, beats)
        observations += _written(view, table, meant, which, beats)
        observations += _read(view, table, meant, which, beats, predicted, predicted_known)
    observations += _ended(next(iter(views.values())), table, beats)
    returned = np.zeros(len(meant), dtype=np.uint64)
    reads = meant.direction == _READ
    returned[reads] = (
        (meant.moved[reads] ^ meant.data[reads]) & meant.moved_known[reads] & meant.data_known[reads]
    )
    return observations, returned


def observe_places(views: Mapping[str, PlaceView], table: CycleTable, beats: Ints) -> list[Observation]:
    """Hold the places against each other: each line as the side that drives it shows it.

    A line that both host and card drive is the host's but for the data of reads.
    """
    if len(views) < 2:
        return []
    bus = table.bus
    names = list(views)
    found: list[Observation] = []
    is_read = table.direction[beats] == _READ
    for place in names[1:]:
        ours, theirs = views[names[0]], views[place]
        shared = [line for line in ours.index if line in theirs.index]
        slack = max(ours.uncertainty, theirs.uncertainty)
        for at, phase in enumerate((*bus.phase_names[:-1], "release")):
            moment = Moment("before" if phase == "release" else "at", phase)
            times = table.phase(phase)[beats]
            if phase == "address":
                times = np.where(table.beat[beats] == 0, times, MISSING)
            wide = (PlaceView(v.place, bus, v.rows, v.index, slack) for v in (ours, theirs))
            host, other = (view.sample(moment, times) for view in wide)
            label = bus.phase_names[at - 1] if phase == "release" else phase
            for path, lines, turned in _owners(bus, shared, phase):
                for read in (False, True):
                    mine = is_read if read else ~is_read
                    if path == "write" and read:
                        name, swap = "read", True
                    else:
                        name, swap = path, turned
                    if not mine.any():
                        continue
                    view = ours if swap else theirs
                    sides = _on(view, ours, host, lines), _on(view, theirs, other, lines)
                    (near, near_sure), (far, far_sure) = sides
                    meant, shown = (far, near) if swap else (near, far)
                    care = view.mask(lines) & near_sure & far_sure
                    found.append(
                        Observation(
                            view.place,
                            label,
                            name,
                            beats[mine],
                            meant[mine],
                            shown[mine],
                            care[mine],
                            is_between=True,
                        )
                    )
    return found


def _owners(
    bus: Bus, shared: Sequence[str], phase: str
) -> list[tuple[str, list[str], bool]]:
    """Group lines by the path that they belong to; the last flag: the card drives them."""
    data = set(bus.data)
    address = set(bus.address)
    if phase == "address":
        data = set()
    else:
        address -= data
    groups: list[tuple[str, list[str], bool]] = [
        ("address", [line for line in shared if line in address], False),
        ("write", [line for line in shared if line in data], False),
    ]
    rest = [line for line in shared if line not in data and line not in address]
    rest = [line for line in rest if bus.line(line).role != "clock" and line not in bus.data]
    host_side = [line for line in rest if bus.line(line).driver == "host"]
    card_side = [line for line in rest if bus.line(line).driver == "card"]
    groups.append(("control", host_side, False))
    groups.append(("acknowledge", card_side, True))
    return [group for group in groups if group[1]]


def _on(
    target: PlaceView, source: PlaceView, sample: Sample, lines: Sequence[str]
) -> tuple[Words, Words]:
    """Give a sample's levels and sureness in another place's packing."""
    if target is source:
        return sample.states, sample.sure
    levels = np.zeros((len(sample.states), target.words), dtype=np.uint64)
    sure = np.zeros_like(levels)
    for line in lines:
        at, to = source.index[line], target.index[line]
        for words, out in ((sample.states, levels), (sample.sure, sure)):
            one = (words[:, at // 64] >> np.uint64(at % 64)) & np.uint64(1)
            out[:, to // 64] |= one << np.uint64(to % 64)
    return levels, sure


def _address(
    view: PlaceView, table: CycleTable, meant: Meant, which: Ints, beats: Ints
) -> list[Observation]:
    bus, moment = view.bus, view.bus.take["address"]
    is_first = table.beat[beats] == 0
    which, beats = which[is_first], beats[is_first]
    sample = view.sample(moment, table.phase(moment.phase)[beats])
    wanted = view.pack(meant.address[which], bus.address, bus.address_bits)
    care = sample.sure & view.mask(bus.address)
    return [Observation(view.place, "address", "address", beats, wanted, sample.states, care)]


def _quiet(view: PlaceView, table: CycleTable, beats: Ints) -> list[Observation]:
    """Lines that must still be negated: lane strobes and what ends a beat."""
    bus = view.bus
    ending = (*bus.ending.acknowledged, *bus.ending.error)
    groups = ((bus.lanes_quiet, bus.lane_strobes, "control"), (bus.endings_quiet, ending, "acknowledge"))
    beats = beats[table.beat[beats] == 0]
    found = []
    for moment, lines, path in groups:
        if moment is None or not lines:
            continue
        sample = view.sample(moment, table.phase(moment.phase)[beats])
        negated = view.mask(line for line in lines if not bus.asserted_level(line))
        wanted = np.broadcast_to(negated, sample.states.shape)
        care = sample.sure & view.mask(lines)
        found.append(Observation(view.place, moment.phase, path, beats, wanted, sample.states, care))
    return found


def _direction(
    view: PlaceView, table: CycleTable, meant: Meant, which: Ints, beats: Ints
) -> list[Observation]:
    bus, moment = view.bus, view.bus.take["direction"]
    lines = [line.name for line in bus.lines if line.role == "direction" and line.name in view.index]
    if not lines:
        return []
    sample = view.sample(moment, table.phase(moment.phase)[beats])
    wanted = np.zeros_like(sample.states)
    care = np.zeros_like(sample.states)
    for at, kind in enumerate(bus.kinds):
        mine = meant.kind[which] == at
        for group, value in kind.levels:
            for bit, line in enumerate(reversed(group)):
                if line in lines:
                    mask = view.mask([line])
                    wanted[mine] |= mask * np.uint64(value >> bit & 1)
                    care[mine] |= mask
    return [
        Observation(
            view.place, moment.phase, "control", beats, wanted, sample.states, care & sample.sure
        )
    ]


def _lanes(
    view: PlaceView, table: CycleTable, meant: Meant, which: Ints, beats: Ints
) -> list[Observation]:
    bus = view.bus
    if not bus.lane_strobes:
        return []
    slack = view.uncertainty
    begins, ends = table.phase("data")[beats], table.phase("release")[beats]
    # At the edges of the beat another place may lag by the uncertainty.
    seen, captured = view.lanes_seen(begins + slack, ends - slack)
    looked = (ends - slack > begins + slack)[:, None].astype(np.uint64)
    bits = [bus.lane_count - 1 - lane for lane in range(bus.lane_count)]
    low = view.mask(line for line in bus.lane_strobes if not bus.asserted_level(line))
    wanted = view.pack(meant.lanes[which], bus.lane_strobes, bits) ^ low
    shown = view.pack(seen, bus.lane_strobes, bits) ^ low
    care = view.pack(captured, bus.lane_strobes, bits) * looked
    return [Observation(view.place, "data", "control", beats, wanted, shown, care)]


def _windows(
    view: PlaceView,
    table: CycleTable,
    beats: Ints,
    valid: Moment,
    hold: int,
) -> list[tuple[str, Ints, Ints]]:
    """Cut the time in which data must stand into the phases of the beat."""
    bus, slack = view.bus, view.uncertainty
    since = table.phase(valid.phase)[beats]
    release = table.phase("release")[beats]
    missing = since == MISSING
    since = np.where(missing, MISSING, since + valid.offset)
    if valid.how == "before":
        # Only the row before the phase begins.
        until = np.where(missing, MISSING, since - slack + 1)
        since = np.where(missing, MISSING, since - slack)
    else:
        since = np.where(missing, MISSING, since + slack)
        until = np.where(missing, MISSING, release - slack)
    names = bus.phase_names
    first = names.index("data") if valid.how == "before" else names.index(valid.phase)
    bounds = [table.phase(name)[beats] for name in names]
    bounds = [np.where(each == MISSING, release, each) for each in bounds]
    windows: list[tuple[str, Ints, Ints]] = []
    for at in range(first, len(names) - 1):
        begin = np.maximum(since, bounds[at])
        end = np.minimum(until, bounds[at + 1])
        empty = missing | (end <= begin)
        windows.append((names[at], np.where(empty, MISSING, begin), np.where(empty, MISSING, end)))
    if hold > slack:
        windows.append(("release", release, release + hold - slack))
    return windows


def _written(
    view: PlaceView, table: CycleTable, meant: Meant, which: Ints, beats: Ints
) -> list[Observation]:
    is_write = meant.direction[which] == _WRITE
    which, beats = which[is_write], beats[is_write]
    validity = view.bus.validity
    wanted = view.pack_data(meant.data[which])
    care = view.pack_data(meant.data_known[which])
    found = []
    for phase, since, until in _windows(view, table, beats, validity.write, validity.write_hold):
        differs, known = view.differs(wanted, since, until)
        found.append(
            Observation(view.place, phase, "write", beats, wanted, wanted ^ differs, care & known)
        )
    return [*found, _taken(view, table, "write", beats, wanted, care)]


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
    validity = view.bus.validity
    wanted = view.pack_data(predicted[which])
    care = view.pack_data(predicted_known[which])
    found = []
    for phase, since, until in _windows(view, table, beats, validity.read, validity.read_hold):
        differs, known = view.differs(wanted, since, until)
        found.append(
            Observation(view.place, phase, "read", beats, wanted, wanted ^ differs, care & known)
        )
    return [*found, _taken(view, table, "read", beats, wanted, care)]


def _taken(
    view: PlaceView, table: CycleTable, path: str, beats: Ints, wanted: Words, care: Words
) -> Observation:
    """The lines at the moment at which the data is taken."""
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
    """Beats that ended without acknowledge, laid to the line that did not assert."""
    bus = view.bus
    lines = [line for line in bus.ending.acknowledged if line in view.index]
    if not lines:
        return []
    mask = view.mask(lines[:1])
    wanted = np.zeros((len(beats), view.words), dtype=np.uint64)
    ended = table.ended[beats]
    is_wrong = (ended != ENDINGS.index("acknowledged"))[:, None].astype(np.uint64)
    care = np.broadcast_to(mask, wanted.shape) * (ended >= 0)[:, None].astype(np.uint64)
    return [Observation(view.place, "acknowledge", "acknowledge", beats, wanted, mask * is_wrong, care)]


def _memory_as_seen(
    view: PlaceView, table: CycleTable, meant: Meant, pairs: Ints
) -> tuple[Words, Words]:
    """Predict each read from the writes as the card's lines showed them.

    Returns
    -------
    ndarray of uint64, shape (T,)
        Data, on the lanes that the read moved.
    ndarray of uint64, shape (T,)
        The bits of it that are known.
    """
    bus = view.bus
    rows = np.flatnonzero(table.direction > 0)
    if not len(rows):
        none = np.zeros(len(meant), dtype=np.uint64)
        return none, none.copy()
    transfer_of = {int(beat): at for at, beat in enumerate(pairs.tolist()) if beat >= 0}
    at_rows = np.array([transfer_of.get(row, -1) for row in rows.tolist()], dtype=np.int64)
    address_at = bus.take["address"]
    address = view.sample(address_at, table.phase(address_at.phase)[rows])
    seen = view.number(address.states, bus.address, bus.address_bits)
    trusted = view.number(address.sure, bus.address, bus.address_bits)
    trusted[table.beat[rows] > 0] = 0
    # Where the lines do not tell, the log does.
    told = np.where(at_rows >= 0, meant.address[np.maximum(at_rows, 0)], table.address[rows])
    size = np.uint64(bus.word_bytes)
    words = ((seen & trusted) | (told & ~trusted)) // size * size
    write_at = bus.take["write"]
    shot = view.sample(write_at, table.phase(write_at.phase)[rows])
    bits = range(len(bus.data) - 1, -1, -1)
    data = view.number(shot.states, bus.data, bits)
    # Around the taking moment a change belongs to the release: only what is not known is lost.
    lost = np.zeros_like(data)
    if view.rows.unknown is not None:
        at = np.maximum(view.rows.row_at(table.phase(write_at.phase)[rows] - 1), 0)
        lost = view.number(view.rows.unknown[at], bus.data, bits)
    captured = view.number(
        np.full((1, view.words), 0xFFFF_FFFF_FFFF_FFFF, dtype=np.uint64), bus.data, bits
    )
    if bus.lane_strobes:
        lanes, _ = view.lanes_seen(table.phase("data")[rows], table.phase("release")[rows])
    else:
        lanes = table.lanes[rows]
    lane_bits = (1 << bus.lane_bits) - 1
    masks = np.zeros(len(rows), dtype=np.uint64)
    for lane in range(bus.lane_count):
        one = (lanes >> np.uint64(lane)) & np.uint64(1)
        masks |= one * np.uint64(lane_bits << lane * bus.lane_bits)
    predicted = np.zeros(len(meant), dtype=np.uint64)
    known = np.zeros(len(meant), dtype=np.uint64)
    memory = Memory()
    written: set[int] = set()
    columns = zip(
        at_rows.tolist(),
        table.direction[rows].tolist(),
        words.tolist(),
        data.tolist(),
        (masks & ~lost & captured).tolist(),
        masks.tolist(),
        strict=True,
    )
    for transfer, direction, word, value, sure, mask in columns:
        meant_write = transfer >= 0 and meant.direction[transfer] == _WRITE
        if meant_write:
            written.add(int(meant.word[transfer]))
        if direction == _WRITE:
            memory.forget(word, mask & ~sure)
            memory.write(word, mask & sure, value)
        elif transfer >= 0 and not meant_write:
            stored, stored_known = memory.read(word)
            asked = lane_mask(bus, int(meant.lanes[transfer]))
            if int(meant.word[transfer]) in written:
                predicted[transfer], known[transfer] = stored & asked, stored_known & asked
            else:
                predicted[transfer] = meant.data[transfer]
                known[transfer] = meant.data_known[transfer]
    return predicted, known
