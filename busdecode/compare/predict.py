"""What each read should bring back, by the writes as the lines showed them."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import word_shifts
from busdecode.compare.told import address_told, lanes_told
from busdecode.cycles import DIRECTIONS, ENDINGS, lane_bits_of

if TYPE_CHECKING:
    from collections.abc import Container

    from numpy.typing import NDArray

    from busdecode.compare.meant import Meant
    from busdecode.compare.view import PlaceView
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["BeatLines", "SeenBeats", "beats_that_matter", "foretold"]

_WRITE = DIRECTIONS.index("write")


class BeatLines(ABC):
    """What the lines of the card's place showed in beats of the table."""

    @abstractmethod
    def addresses(self, rows: Ints) -> tuple[Words, Words]:
        """Give each row's address on the lines, and the bits of it that can be trusted."""

    @abstractmethod
    def written(self, rows: Ints) -> tuple[Words, Words, Words, Words]:
        """Give each row's data where it is written, and which of its bits move.

        Four words: data, bits that move, bits of which the lines do not tell that, bits that are
        not known.
        """


class SeenBeats(BeatLines):
    """The same, read off the rows of a view."""

    def __init__(self, view: PlaceView, table: CycleTable) -> None:
        self._view, self._table = view, table

    def addresses(self, rows: Ints) -> tuple[Words, Words]:
        """Give each row's address on the lines, and the bits of it that can be trusted."""
        view, table = self._view, self._table
        moment = view.bus.take["address"]
        shot = view.sample(moment, table.phase(moment.phase)[rows])
        trusted = view.number(shot.sure, view.bus.address, view.bus.address_bits)
        trusted[table.beat[rows] > 0] = 0
        return view.address(shot.states) & table.used[rows], trusted

    def written(self, rows: Ints) -> tuple[Words, Words, Words, Words]:
        """Give each row's data where it is written, and which of its bits move."""
        view, table = self._view, self._table
        bus = view.bus
        moment = bus.take["write"]
        shot = view.sample(moment, table.phase(moment.phase)[rows])
        bits = range(len(bus.data) - 1, -1, -1)
        data = view.data(shot.states)
        # Around the taking moment a change belongs to the release: only what is not known is lost.
        lost = np.zeros_like(data)
        if view.rows.unknown is not None:
            at = np.maximum(view.rows.row_at(table.phase(moment.phase)[rows] - 1), 0)
            lost = view.number(view.rows.unknown[at], bus.data, bits)
        every = np.full((1, view.words), 0xFFFF_FFFF_FFFF_FFFF, dtype=np.uint64)
        lost |= ~view.number(every, bus.data, bits)
        lanes, untold = table.lanes[rows], ~table.lanes_known[rows]
        if bus.lane_strobes:
            lanes = view.lanes_seen(table.phase("data")[rows], table.phase("release")[rows])
            untold = ~np.full_like(lanes, lanes_told(bus, view.index))
        elif bus.lane_rows:
            # Where one lane is in doubt, so is which place of memory the others are for.
            is_whole = table.has_lanes[rows]
            lanes = np.where(is_whole, lanes, np.uint64(0))
            untold = np.where(is_whole, np.uint64(0), np.uint64((1 << bus.lane_count) - 1))
        return data, lane_bits_of(bus, lanes), lane_bits_of(bus, untold), lost


def beats_that_matter(table: CycleTable, meant: Meant, pairs: Ints) -> Ints:
    """Give the beats of the table that tell what reads of the log should bring back."""
    transfer = _transfer_of(table, pairs)
    is_write = table.direction == _WRITE
    # Reads of other traffic change nothing, and nothing is asked of them.
    matters = (table.direction > 0) & (is_write | (transfer >= 0))
    matters &= _spaces(table.bus)[table.kind] >= 0
    rows = np.flatnonzero(matters | _may_write(table, transfer))
    return rows if _is_read(table, meant, rows, transfer[rows]).any() else rows[:0]


def foretold(
    lines: BeatLines,
    table: CycleTable,
    meant: Meant,
    pairs: Ints,
    *,
    captured: Container[str] | None = None,
    shows_all: bool = True,
) -> tuple[Words, Words]:
    """Predict each read from the writes as the card's lines showed them.

    Parameters
    ----------
    lines : BeatLines
    table : CycleTable
    meant : Meant
    pairs : ndarray of int64, shape (T,)
        The row of the table that each transfer is; -1 where it is not compared.
    captured : container of str, optional
        Lines of the card's place; without it, all.
    shows_all : bool
        Whether every beat is in the table. Else writes without a beat may well have been made.

    Returns
    -------
    ndarray of uint64, shape (T,)
        Data, on the lanes that the read moved.
    ndarray of uint64, shape (T,)
        The bits of it that are known.
    """
    bus = table.bus
    predicted = np.zeros(len(meant), dtype=np.uint64)
    known = np.zeros(len(meant), dtype=np.uint64)
    rows = beats_that_matter(table, meant, pairs)
    if not len(rows):
        return predicted, known
    transfers = _transfer_of(table, pairs)
    mine = transfers[rows]
    is_read = _is_read(table, meant, rows, mine)
    is_write = table.direction[rows] == _WRITE
    lines_there = bus.line_names if captured is None else captured
    addresses, certain = _addresses_seen(lines, table, meant, rows, mine, lines_there)
    words = addresses // np.uint64(bus.word_bytes) * np.uint64(bus.word_bytes)
    spaces = _spaces(bus)
    keys = _keys(bus, words, spaces[table.kind[rows]], _part(meant, mine))
    meant_keys = _keys(bus, meant.word, spaces[meant.kind], meant.part)
    since = _first_written(meant_keys, mine, _means_write(meant, mine))
    others = is_write & (mine < 0), _may_write(table, transfers)[rows]
    stray_rows, stray_keys = _strays(bus, (words, certain), keys, others, is_read)
    stray_rows = rows[stray_rows]
    # Of the writes only those count whose word is read.
    used = np.flatnonzero(is_read | (is_write & np.isin(keys, keys[is_read])))
    rows, keys, mine, is_read = rows[used], keys[used], mine[used], is_read[used]
    addresses = addresses[used]
    data, masks, untold, lost = lines.written(rows)
    # Of lanes that the lines do not tell the log does, and of other traffic nothing.
    told_lanes = np.where(mine >= 0, meant.lanes[np.maximum(mine, 0)], np.uint64(0))
    masks |= np.where(mine >= 0, untold & lane_bits_of(bus, told_lanes), untold)
    lost |= np.where(mine >= 0, np.uint64(0), untold)
    masks[is_read] = 0
    lanes = np.where(table.has_lanes[rows], table.lanes[rows], told_lanes)
    shifts = word_shifts(bus, addresses, lanes)
    masks, data, sure = (_moved(each, shifts) for each in (masks, data, masks & ~lost))
    hidden = np.flatnonzero((pairs < 0) & (meant.direction == _WRITE) & (not shows_all))
    lanes = meant.lanes[hidden]
    shift = word_shifts(bus, meant.address[hidden], lanes)
    # What may have been written, with what nobody knows: after which row, where, which bits.
    after = np.concatenate((np.maximum.accumulate(pairs)[hidden], stray_rows))
    every = np.full(len(stray_rows), (1 << len(bus.data)) - 1, dtype=np.uint64)
    bits = np.concatenate((_moved(lane_bits_of(bus, lanes), shift), every))
    at = np.searchsorted(rows, after, side="right")
    stored, stored_known = _last_of(
        np.insert(keys, at, np.concatenate((meant_keys[hidden], stray_keys))),
        np.insert(masks, at, bits),
        np.insert(data, at, 0),
        np.insert(sure, at, 0),
    )
    is_seen = np.insert(np.ones(len(rows), dtype=bool), at, values=False)
    stored, stored_known = stored[is_seen], stored_known[is_seen]
    asks, back = mine[is_read], -shifts[is_read]
    asked = lane_bits_of(bus, meant.lanes[asks])
    was_written = since[asks] < used[is_read]
    seen, seen_known = _moved(stored[is_read], back), _moved(stored_known[is_read], back)
    predicted[asks] = np.where(was_written, seen & asked, meant.data[asks])
    # What the log alone tells was written there may have been written over.
    may_differ = np.isin(keys[is_read], stray_keys)
    by_log = np.where(may_differ, np.uint64(0), meant.data_known[asks])
    known[asks] = np.where(was_written, seen_known & asked, by_log)
    return predicted, known


def _may_write(table: CycleTable, transfers: Ints) -> Bools:
    """Tell which beats of other traffic may be writes, though nothing tells."""
    may: Bools = (table.direction < 0) & (table.ended != ENDINGS.index("cut-off"))
    return may & (transfers < 0)


def _transfer_of(table: CycleTable, pairs: Ints) -> Ints:
    """Give each beat's logged transfer, -1 where it has none."""
    transfer = np.full(len(table), -1, dtype=np.int64)
    transfer[pairs[pairs >= 0]] = np.flatnonzero(pairs >= 0)
    return transfer


def _means_write(meant: Meant, transfers: Ints) -> Bools:
    means: Bools = transfers >= 0
    if len(meant):
        means &= meant.direction[transfers] == _WRITE
    return means


def _is_read(table: CycleTable, meant: Meant, rows: Ints, transfers: Ints) -> Bools:
    """Tell which beats are reads that the log asked for."""
    asked = (transfers >= 0) & ~_means_write(meant, transfers)
    is_read: Bools = asked & (table.direction[rows] != _WRITE)
    return is_read


def _moved(words: Words, shifts: Ints) -> Words:
    """Move each word's bits up, or down where the shift is negative."""
    up, down = np.maximum(shifts, 0).astype(np.uint64), np.maximum(-shifts, 0).astype(np.uint64)
    moved: Words = words << up >> down
    return moved


def _first_written(keys: Ints, transfers: Ints, means_write: Bools) -> Ints:
    """Give for each transfer at which of the rows its key was first meant to be written."""
    distinct, number = np.unique(keys, return_inverse=True)
    first = np.full(len(distinct), len(transfers), dtype=np.int64)
    at = np.flatnonzero(means_write)
    np.minimum.at(first, number[transfers[at]], at)
    since: Ints = first[number]
    return since


def _last_of(keys: Ints, masks: Words, data: Words, sure: Words) -> tuple[Words, Words]:
    """Give what stands in each row's word after it, and the bits of that which are known.

    Parameters
    ----------
    keys : ndarray of int64, shape (R,)
        Which word, in order of time.
    masks, data, sure : ndarray of uint64, shape (R,)
        The bits that are written, with what, and which of that is known.

    Examples
    --------
    Bytes of a word, written one after the other; then the high one again, with what nobody knows:

    >>> word, masks, data, sure = np.array(
    ...     [[0, 0, 0], [0xFF00, 0x00FF, 0xFF00], [0x1200, 0x0034, 0], [0xFF00, 0x00FF, 0]],
    ...     dtype=np.uint64,
    ... )
    >>> stored, known = _last_of(word, masks, data, sure)
    >>> [hex(each) for each in stored], [hex(each) for each in known]
    (['0x1200', '0x1234', '0x34'], ['0xff00', '0xffff', '0xff'])
    """
    order = np.argsort(keys, kind="stable")
    keys, masks = keys[order], masks[order]
    known = sure[order] & masks
    stored = data[order] & known
    is_first = np.concatenate(([True], keys[1:] != keys[:-1]))[: len(keys)]
    begins = np.flatnonzero(is_first)[np.cumsum(is_first) - 1]
    place = np.arange(len(keys)) - begins
    reach = 1
    # Each row holds the writes of the last `reach` rows of its word, and takes in those before.
    while reach <= place.max(initial=0):
        at = np.flatnonzero(place >= reach)
        old = at - reach
        kept = ~masks[at]
        stored[at], known[at], masks[at] = (
            stored[at] | (stored[old] & kept),
            known[at] | (known[old] & kept),
            masks[at] | masks[old],
        )
        reach *= 2
    back = np.empty_like(order)
    back[order] = np.arange(len(order))
    return stored[back], known[back]


def _spaces(bus: Bus) -> Ints:
    """Give a number for the memory behind each kind; -1 where nothing is kept or known."""
    names = list(dict.fromkeys(kind.space for kind in bus.kinds if kind.space != "none"))
    numbers = [names.index(each.space) if each.space in names else -1 for each in bus.kinds]
    return np.array([*numbers, -1, -1], dtype=np.int64)


def _keys(bus: Bus, words: Words, spaces: Ints, parts: Ints) -> Ints:
    """Give one number for each place of memory: its space, word, and part of a byte."""
    places = words.astype(np.int64) * bus.operand.beats + parts
    return places * (len(bus.kinds) + 1) + np.maximum(spaces, 0)


def _part(meant: Meant, transfers: Ints) -> Ints:
    return np.where(transfers >= 0, meant.part[np.maximum(transfers, 0)], 0)


def _addresses_seen(
    lines: BeatLines,
    table: CycleTable,
    meant: Meant,
    rows: Ints,
    transfers: Ints,
    captured: Container[str],
) -> tuple[Words, Words]:
    """Give each beat's address as the card's lines showed it, and else as the log tells.

    And the bits of it that are known: of what was logged, all.
    """
    bus, used = table.bus, table.used[rows] | np.uint64(table.bus.word_bytes - 1)
    is_logged, at = transfers >= 0, np.maximum(transfers, 0)
    told = np.where(is_logged, meant.address[at], table.address[rows]) & used
    every = np.full_like(told, 0xFFFF_FFFF_FFFF_FFFF)
    if not bus.address:
        return told, every
    seen, trusted = lines.addresses(rows)
    kinds = np.where(is_logged, meant.kind[at], table.kind[rows])
    asked = np.where(is_logged, meant.address[at], np.uint64(0))
    trusted &= address_told(bus, captured, kinds, asked)
    # Beyond the first beat of a cycle the lines need not tell where it is.
    is_later = (table.beat[rows] > 0) & table.has_address[rows]
    certain = np.where(is_logged | is_later, every, trusted | ~used)
    return (seen & trusted) | (told & ~trusted), certain


def _strays(
    bus: Bus,
    words: tuple[Words, Words],
    keys: Ints,
    others: tuple[Bools, Bools],
    is_read: Bools,
) -> tuple[Ints, Ints]:
    """Give writes of other traffic that may have gone to a word that is read later.

    Parameters
    ----------
    bus : Bus
    words : two ndarrays of uint64, shape (R,)
        Byte address of each beat's word, and the bits of it that are known.
    keys : ndarray of int64, shape (R,)
    others : two ndarrays of bool, shape (R,)
        Writes of other traffic, and beats of it that may be writes.
    is_read : ndarray of bool, shape (R,)
        Reads of the log.

    Returns
    -------
    two ndarrays of int64, shape (S,)
        Which of the beats each is, in order, and the key of the word: of each read the last such.
    """
    numbers, certain = words
    within = np.uint64((1 << bus.address_width) - 1 & ~(bus.word_bytes - 1))
    known = certain & within
    is_write, may_write = others
    strays = np.flatnonzero((is_write & (known != within)) | may_write)
    reads = np.flatnonzero(is_read)
    found = [np.zeros((2, 0), dtype=np.int64)]
    for mask in np.unique(known[strays]):
        mine = strays[known[strays] == mask]
        both = np.concatenate((numbers[mine], numbers[reads])) & mask
        code = np.unique(both, return_inverse=True)[1].reshape(-1).astype(np.int64) * len(numbers)
        written, asked = code[: len(mine)] + mine, code[len(mine) :] + reads
        order = np.argsort(written)
        last = np.searchsorted(written[order], asked) - 1
        before = written[order][np.maximum(last, 0)]
        fits = (last >= 0) & (before // len(numbers) == asked // len(numbers))
        found.append(np.stack((mine[order][last[fits]], keys[reads[fits]])))
    beats, stray_keys = np.unique(np.concatenate(found, axis=1), axis=1)
    return beats, stray_keys
