"""Anchors: pairs of equal content, found for the whole log at once.

A key is the content of a transfer or a beat as one number. Keys that stand once on both sides
between two anchors, or as often on both, are paired in order, and the best chain is kept.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdecode.compare.cheapest import SKIP, Gaps, costs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.compare.cheapest import Side, Weights

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = [
    "Keys",
    "anchor",
    "firm_keys",
    "grip",
    "in_context",
    "mixed",
    "strong_keys",
    "thread",
    "weak_keys",
]

_COUNTED = 8
"""So often may a key stand between two anchors, and be paired by counting."""
_ASIDE = 4
"""Of a key that stands more often, so many places before and after one's own are tried."""
_ROUNDS = 12
_MANY = 20_000
_CONTEXTS = (4, 16, 64)
"""So many keys in a row may be one key."""
_MIXERS = (0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB)


@dataclass(frozen=True, eq=False)
class Keys:
    """Rows of both sides that have a key in common; the keys are counted from 0."""

    log_rows: Ints
    log_keys: Ints
    beat_rows: Ints
    beat_keys: Ints


@dataclass(frozen=True, eq=False)
class _Groups:
    """Each logged row of a common key: its place among the equal ones, and theirs."""

    log_rows: Ints
    rank: Ints
    log_count: Ints
    beat_rows: Ints
    beat_from: Ints
    beat_count: Ints


def mixed(*columns: Words | Ints) -> Words:
    """Make one number of several columns; two rows that differ get the same one by no chance."""
    key = np.zeros(1, dtype=np.uint64)
    for column in columns:
        key = (key ^ column.astype(np.uint64)) * np.uint64(_MIXERS[0])
        key ^= key >> np.uint64(30)
        key *= np.uint64(_MIXERS[1])
        key ^= key >> np.uint64(27)
    key *= np.uint64(_MIXERS[2])
    return key ^ (key >> np.uint64(31))


def firm_keys(log: Side, beats: Side, weights: Weights) -> list[Keys]:
    """Give the keys of all content that is not bent.

    A read of which the log does not tell the data agrees whole by kind, address and lanes.
    """
    is_told = log.known != 0
    found = [_of(log, beats, weights, is_told, is_firm=True)]
    if not is_told.all():
        found.append(_of(log, beats, weights, ~is_told, is_firm=True, has_data=False))
    return [keys for keys in found if len(keys.log_rows) and len(keys.beat_rows)]


def strong_keys(log: Side, beats: Side, weights: Weights) -> list[Keys]:
    """Give the keys of content that agrees whole, and those of what is not bent."""
    bent = weights.bent
    found = firm_keys(log, beats, weights)
    if bent.address or bent.data or bent.lanes:
        found.insert(0, _of(log, beats, weights, log.known != 0, is_firm=False))
    return [keys for keys in found if len(keys.log_rows) and len(keys.beat_rows)]


def weak_keys(log: Side, beats: Side, weights: Weights) -> list[Keys]:
    """Give the keys of kind and address alone, and of kind and data alone."""
    every = np.ones(len(log), dtype=np.bool_)
    found = [
        _of(log, beats, weights, every, is_firm=True, has_data=False, has_lanes=False),
        _of(log, beats, weights, log.known != 0, is_firm=True, has_address=False, has_lanes=False),
    ]
    return [keys for keys in found if len(keys.log_rows) and len(keys.beat_rows)]


def _of(
    log: Side,
    beats: Side,
    weights: Weights,
    which: Bools,
    *,
    is_firm: bool,
    has_address: bool = True,
    has_data: bool = True,
    has_lanes: bool = True,
) -> Keys:
    """Make keys of some columns, for some of the logged rows; of firm ones bent bits are left."""
    bent = weights.bent
    address, data, lanes = weights.address, ~0, ~0
    if is_firm:
        address, data, lanes = address & ~bent.address, ~bent.data, ~bent.lanes
        for lane, bits in enumerate(weights.lane_bits):
            # Data of a lane that comes or goes is on one side only.
            data &= ~bits if bent.lanes >> lane & 1 else ~0
    masks = [np.uint64(mask & 0xFFFF_FFFF_FFFF_FFFF) for mask in (address, data, lanes)]
    has_kind = not weights.is_turned and bool((beats.kind >= 0).mean() > 0.9)

    def key(side: Side) -> Words:
        columns: list[Words | Ints] = [side.kind] if has_kind else []
        columns += [side.word & masks[0]] if has_address else []
        columns += [side.data & side.known & masks[1]] if has_data else []
        columns += [side.lanes & masks[2]] if has_lanes else []
        return mixed(*columns)

    log_rows = np.flatnonzero(which)
    distinct, log_keys = np.unique(key(log)[log_rows], return_inverse=True)
    beat_rows, beat_keys = _where(distinct, key(beats))
    return Keys(log_rows, log_keys.astype(np.int64), beat_rows, beat_keys)


def _where(distinct: Words, keys: Words) -> tuple[Ints, Ints]:
    """Find keys among sorted distinct ones: which rows have one, and its number."""
    none = np.zeros(0, dtype=np.int64)
    if not len(distinct) or not len(keys):
        return none, none
    rows = np.arange(len(keys))
    if len(keys) > _MANY:
        # A table of the first bits drops most rows before they are searched.
        shift = np.uint64(64 - 22)
        is_seen = np.zeros(1 << 22, dtype=np.bool_)
        is_seen[distinct >> shift] = True
        rows = np.flatnonzero(is_seen[keys >> shift])
    found = np.minimum(np.searchsorted(distinct, keys[rows]), len(distinct) - 1)
    is_there = distinct[found] == keys[rows]
    return rows[is_there], found[is_there]


def in_context(keys: Keys) -> list[Keys]:
    """Make one key of several in a row, others left out: a run may stand once where none does."""
    log_keys, beat_keys = mixed(keys.log_keys), mixed(keys.beat_keys)
    found: list[Keys] = []
    reach = 1
    while reach < _CONTEXTS[-1] and min(len(log_keys), len(beat_keys)) > reach:
        log_keys = mixed(log_keys[:-reach], log_keys[reach:])
        beat_keys = mixed(beat_keys[:-reach], beat_keys[reach:])
        reach *= 2
        if reach in _CONTEXTS:
            distinct, numbers = np.unique(log_keys, return_inverse=True)
            at, beat_numbers = _where(distinct, beat_keys)
            found.append(
                Keys(
                    keys.log_rows[: len(log_keys)],
                    numbers.astype(np.int64),
                    keys.beat_rows[at],
                    beat_numbers,
                )
            )
    return found[::-1]


def grip(log: Side, beats: Side, weights: Weights, keys: Sequence[Keys]) -> tuple[int, int]:
    """Count the logged rows that hold on to a beat of equal content, order kept; and not kept."""
    every = np.ones(len(log), dtype=np.bool_)
    pairs = np.full(len(log), -1, dtype=np.int64)
    rows, beat_rows = _as_often(keys, pairs, every, _COUNTED)
    held = _keep_best(log, beats, weights, rows, beat_rows, pairs)
    fits = costs(log.take(rows), beats.take(beat_rows), weights) < SKIP
    return held, len(np.unique(rows[fits]))


def anchor(
    log: Side,
    beats: Side,
    weights: Weights,
    keys: Sequence[Keys],
    pairs: Ints,
    *,
    least: int,
    most: int = _COUNTED,
) -> None:
    """Pair what stands once on both sides between two pairs, then what stands as often.

    Repeated until nothing is gained, in stretches of at least so many cells; what stands more
    often than `most` is left.
    """
    for often in sorted({1, most}):
        for _ in range(_ROUNDS):
            is_open = _is_open(pairs, len(beats), least)
            rows, beat_rows = _as_often(keys, pairs, is_open, often)
            if not _keep_best(log, beats, weights, rows, beat_rows, pairs):
                break


def thread(
    log: Side,
    beats: Side,
    weights: Weights,
    keys: Sequence[Keys],
    pairs: Ints,
    *,
    least: int,
) -> Bools:
    """Pair equal keys that do not stand as often on both sides: the longest chain of them.

    A key that stands more than `_COUNTED` times is tried at the places near its own, counted
    from either end.

    Returns
    -------
    ndarray of bool, shape (T,)
        Rows of whose keys none was tried at every place.
    """
    is_open = _is_open(pairs, len(beats), least)
    rows: list[Ints] = [np.zeros(0, dtype=np.int64)]
    beat_rows = rows.copy()
    is_short = np.zeros(len(log), dtype=np.bool_)
    is_whole = is_short.copy()
    for each in keys:
        groups = _grouped(each, pairs, is_open)
        often = (groups.beat_count > _COUNTED) | (groups.log_count > _COUNTED)
        is_short[groups.log_rows[often]] = True
        is_tried = often & is_whole[groups.log_rows]
        is_whole[groups.log_rows[~often]] = True
        count = groups.beat_count
        near = np.minimum(groups.rank, count - groups.log_count + groups.rank)
        far = np.maximum(groups.rank, count - groups.log_count + groups.rank)
        first = np.where(often, (near - _ASIDE).clip(0, count), 0)
        last = np.where(often, (near + _ASIDE + 1).clip(0, count), count)
        second = np.maximum(last, far - _ASIDE)
        end = np.where(often, np.minimum(far + _ASIDE + 1, count), 0)
        # Whose rarer key was tried at every place has what it can have.
        last[is_tried], end[is_tried] = 0, 0
        for low, high in ((first, last), (second, end)):
            which, at = _expanded(low, high)
            rows.append(groups.log_rows[which])
            beat_rows.append(groups.beat_rows[groups.beat_from[which] + at])
    _keep_best(log, beats, weights, np.concatenate(rows), np.concatenate(beat_rows), pairs)
    return is_short & ~is_whole


def _is_open(pairs: Ints, beats: int, least: int) -> Bools:
    """Tell which logged rows have no pair and stand in a stretch of at least so many cells."""
    gaps = Gaps.between(pairs, beats)
    gaps = gaps.take(gaps.cells >= max(least, 1))
    edges = np.zeros(len(pairs) + 1, dtype=np.int64)
    edges[gaps.log_from] += 1
    edges[gaps.log_to] -= 1
    is_open: Bools = np.cumsum(edges[:-1]) > 0
    return is_open


def _as_often(keys: Sequence[Keys], pairs: Ints, is_open: Bools, most: int) -> tuple[Ints, Ints]:
    """Give, in order, what stands as often on both sides of a gap, at most so often."""
    rows: list[Ints] = [np.zeros(0, dtype=np.int64)]
    beat_rows = rows.copy()
    for each in keys:
        groups = _grouped(each, pairs, is_open)
        fits = (groups.log_count == groups.beat_count) & (groups.log_count <= most)
        rows.append(groups.log_rows[fits])
        beat_rows.append(groups.beat_rows[(groups.beat_from + groups.rank)[fits]])
    return np.concatenate(rows), np.concatenate(beat_rows)


def _grouped(keys: Keys, pairs: Ints, is_open: Bools) -> _Groups:
    """Put together what has the same key in the same gap."""
    is_paired = pairs >= 0
    fences = pairs[is_paired]
    mine = is_open[keys.log_rows]
    log_rows = keys.log_rows[mine]
    log_gaps = np.cumsum(is_paired)[log_rows]
    beat_gaps = np.searchsorted(fences, keys.beat_rows)
    open_gaps = np.zeros(len(fences) + 1, dtype=np.bool_)
    open_gaps[log_gaps] = True
    free = open_gaps[beat_gaps]
    if len(fences):
        free &= fences[np.minimum(beat_gaps, len(fences) - 1)] != keys.beat_rows
    beat_rows = keys.beat_rows[free]
    many = len(fences) + 1
    log_keys = keys.log_keys[mine] * many + log_gaps
    beat_keys = keys.beat_keys[free] * many + beat_gaps[free]
    log_order = np.argsort(log_keys, kind="stable")
    beat_order = np.argsort(beat_keys, kind="stable")
    log_keys, beat_keys = log_keys[log_order], beat_keys[beat_order]
    begin = np.searchsorted(beat_keys, log_keys, "left")
    count = np.searchsorted(beat_keys, log_keys, "right") - begin
    is_new = np.concatenate(([True], log_keys[1:] != log_keys[:-1]))[: len(log_keys)]
    starts = np.flatnonzero(is_new)
    number = np.cumsum(is_new) - 1
    sizes = np.diff(np.append(starts, len(log_keys)))
    rank = np.arange(len(log_keys)) - starts[number]
    common = count > 0
    return _Groups(
        log_rows[log_order][common],
        rank[common],
        sizes[number][common],
        beat_rows[beat_order],
        begin[common],
        count[common],
    )


def _expanded(low: Ints, high: Ints) -> tuple[Ints, Ints]:
    """List the numbers of each half-open range, and which range each belongs to."""
    lengths = np.maximum(high - low, 0)
    which = np.repeat(np.arange(len(low)), lengths)
    starts = np.cumsum(lengths) - lengths
    return which, np.arange(len(which)) - starts[which] + low[which]


def _keep_best(
    log: Side, beats: Side, weights: Weights, rows: Ints, beat_rows: Ints, pairs: Ints
) -> int:
    """Keep, of pairs that may cross, those that together save the most; give their number."""
    gains = SKIP - costs(log.take(rows), beats.take(beat_rows), weights).astype(np.int64)
    pays = np.flatnonzero(gains > 0)
    # Beats of one row from the last to the first, so that none follows another.
    order = pays[np.lexsort((-beat_rows[pays], rows[pays]))]
    chain = _best_chain(beat_rows[order].tolist(), gains[order].tolist())
    kept = order[np.array(chain, dtype=np.int64)]
    pairs[rows[kept]] = beat_rows[kept]
    return len(kept)


def _best_chain(places: list[int], gains: list[int]) -> list[int]:
    """Give the rising run of places that gains the most.

    Examples
    --------
    >>> _best_chain([5, 1, 2, 9, 9], [3, 1, 1, 2, 1])
    [0, 3]
    """
    tops: list[int] = []  # places that end a run, rising
    sums: list[int] = []  # what the best run to each gains, rising
    tails: list[int] = []
    before: list[int] = []
    for number, (place, gain) in enumerate(zip(places, gains, strict=True)):
        at = bisect_left(tops, place)
        total = gain + (sums[at - 1] if at else 0)
        before.append(tails[at - 1] if at else -1)
        if at == len(tops):
            tops.append(place)
            sums.append(total)
            tails.append(number)
            continue
        if tops[at] == place and sums[at] >= total:
            continue
        after = at
        while after < len(tops) and sums[after] <= total:
            after += 1
        if tops[at] == place:
            after = max(after, at + 1)
        if after == at + 1:
            tops[at], sums[at], tails[at] = place, total, number
        else:
            tops[at:after], sums[at:after], tails[at:after] = [place], [total], [number]
    chain = []
    at = tails[-1] if tails else -1
    while at >= 0:
        chain.append(at)
        at = before[at]
    return chain[::-1]
