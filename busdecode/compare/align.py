"""Which beat belongs to which logged transfer.

Order is kept. Unique exact matches are anchors; between them the cheapest pairing counts,
where a bit that is always bent is charged little, and other traffic nothing.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles import ENDINGS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busdecode.compare.meant import Meant
    from busdecode.cycles import CycleTable

    Floats = NDArray[np.float32]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Alignment", "align"]

_SKIP = 6.0
"""Cost, in bits, of a logged transfer without a beat."""
_TURNED = 8.0
"""Cost of a beat of the other direction, or of another kind."""
_TURNED_BENT = 1.0
"""The same, where the direction itself may be bent."""
_DATA_BIT, _DATA_MOST = 0.5, 4.0
_BENT = 0.02
"""Cost of a bit that many pairs show bent."""
_MARGIN = 0.5
_FEW_BITS = 3
_MOST_CELLS = 16_000_000
"""Pairs that are weighed at once; a larger stretch without an anchor is cut in two."""


@dataclass(frozen=True, eq=False)
class Alignment:
    """Which beat each logged transfer is.

    Parameters
    ----------
    beats : ndarray of int64, shape (T,)
        Row of the cycle table, -1 where there is none.
    is_ambiguous : ndarray of bool, shape (T,)
        Another beat with other content would fit as well.
    is_likely : ndarray of bool, shape (T,)
        The pair agrees in the address, or differs in few bits altogether.
    is_exact : ndarray of bool, shape (T,)
        The pair agrees in every known bit of address and data.
    was_cut : bool
        A stretch without an anchor was too long to be weighed whole, and was cut in two:
        pairs across a cut may be lost.
    """

    beats: Ints
    is_ambiguous: NDArray[np.bool_]
    is_likely: NDArray[np.bool_]
    is_exact: NDArray[np.bool_]
    was_cut: bool = False


@dataclass
class _Side:
    """Log or beats, as columns."""

    kind: Ints
    direction: Ints
    word: Words
    data: Words
    known: Words
    lanes: Words

    def take(self, rows: slice) -> _Side:
        return _Side(
            self.kind[rows],
            self.direction[rows],
            self.word[rows],
            self.data[rows],
            self.known[rows],
            self.lanes[rows],
        )

    def __len__(self) -> int:
        return len(self.word)


@dataclass
class _Weights:
    """Masks of the bits that count in full, and of those that are known to be bent."""

    address: int
    data: int
    lanes: int
    bent_address: int = 0
    bent_data: int = 0
    bent_lanes: int = 0
    turned: float = _TURNED
    was_cut: bool = False


def align(meant: Meant, table: CycleTable, captured_address: int) -> Alignment:
    """Align a log with a cycle table.

    Parameters
    ----------
    meant : Meant
    table : CycleTable
    captured_address : int
        The address bits that were captured.
    """
    bus = table.bus
    wanted = np.isin(table.kind, np.unique(meant.kind))
    # A faulty direction line makes a write look like a read: both are candidates.
    plain = np.isin(
        table.kind, [at for at, kind in enumerate(bus.kinds) if kind.name in ("read", "write")]
    )
    is_whole = table.ended != ENDINGS.index("cut-off")
    rows = np.flatnonzero((wanted | plain | (table.kind < 0)) & is_whole)
    word = np.uint64(bus.word_bytes)
    beats = _Side(
        table.kind[rows].astype(np.int64),
        table.direction[rows].astype(np.int64),
        table.address[rows] // word * word,
        table.data[rows],
        table.data_known[rows],
        table.lanes[rows],
    )
    log = _Side(
        meant.kind.astype(np.int64),
        meant.direction.astype(np.int64),
        meant.word,
        meant.moved,
        meant.moved_known,
        meant.lanes,
    )
    inside = bus.word_bytes - 1
    weights = _Weights(
        captured_address & ~inside, (1 << len(bus.data)) - 1, (1 << bus.lane_count) - 1
    )
    pairs = np.full(len(log), -1, dtype=np.int64)
    ambiguous = np.zeros(len(log), dtype=np.bool_)
    if not len(rows) or not len(log):
        return Alignment(pairs, ambiguous, ambiguous.copy(), ambiguous.copy())
    pairs, ambiguous = _rounds(log, beats, weights)
    if (pairs < 0).sum() >= max(3, len(log) // 10):
        # Many have no beat: does the line that tells the direction fail?
        other = replace(weights, turned=_TURNED_BENT)
        turned, doubt = _rounds(log, beats, other)
        if _is_turned(log, beats, pairs, turned):
            pairs, ambiguous, weights = turned, doubt, other
    found = np.where(pairs >= 0, rows[np.maximum(pairs, 0)], -1)
    likely, exact = _likely(log, beats, pairs, weights)
    return Alignment(found, ambiguous, likely, exact, weights.was_cut)


def _rounds(log: _Side, beats: _Side, weights: _Weights) -> tuple[Ints, NDArray[np.bool_]]:
    """Pair until the bits that are always bent are known; sets them in the weights."""
    pairs, ambiguous = _pair(log, beats, weights)
    for _ in range(2):
        fresh = _bent(log, beats, pairs, weights)
        if fresh == (weights.bent_address, weights.bent_data, weights.bent_lanes):
            break
        weights.bent_address, weights.bent_data, weights.bent_lanes = fresh
        pairs, ambiguous = _pair(log, beats, weights)
    return pairs, ambiguous


def _is_turned(log: _Side, beats: _Side, before: Ints, after: Ints) -> bool:
    """Tell whether beats of the other direction are what the log lacks: at the same addresses."""
    won = np.flatnonzero((after >= 0) & (before < 0))
    turned = won[beats.direction[after[won]] != log.direction[won]]
    if len(turned) < max(3, len(log) // 10):
        return False
    same = log.word[turned] == beats.word[after[turned]]
    return bool(same.mean() >= 0.8)


def _likely(
    log: _Side, beats: _Side, pairs: Ints, weights: _Weights
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell which pairs agree in the address, or differ in few bits; and which in no bit."""
    to = np.maximum(pairs, 0)
    moved = np.bitwise_count((log.word ^ beats.word[to]) & np.uint64(weights.address))
    wrong = np.bitwise_count((log.data ^ beats.data[to]) & log.known & beats.known[to])
    likely: NDArray[np.bool_] = (pairs >= 0) & ((moved == 0) | (moved + wrong <= _FEW_BITS))
    exact: NDArray[np.bool_] = (pairs >= 0) & (moved + wrong == 0)
    return likely, exact


def _bent(log: _Side, beats: _Side, pairs: Ints, weights: _Weights) -> tuple[int, int, int]:
    """Give the bits that differ in many pairs."""
    at = np.flatnonzero(pairs >= 0)
    if len(at) < 4:
        return weights.bent_address, weights.bent_data, weights.bent_lanes
    to = pairs[at]
    differs = {
        "address": (log.word[at] ^ beats.word[to]) & np.uint64(weights.address),
        "data": (log.data[at] ^ beats.data[to]) & log.known[at] & beats.known[to],
        "lanes": log.lanes[at] ^ beats.lanes[to],
    }
    bent = []
    for words in differs.values():
        mask = 0
        for bit in range(64):
            share = float(((words >> np.uint64(bit)) & np.uint64(1)).mean())
            if share >= 0.1:
                mask |= 1 << bit
        bent.append(mask)
    return bent[0], bent[1], bent[2]


def _pair(log: _Side, beats: _Side, weights: _Weights) -> tuple[Ints, NDArray[np.bool_]]:
    pairs = np.full(len(log), -1, dtype=np.int64)
    ambiguous = np.zeros(len(log), dtype=np.bool_)
    anchors = _anchors(log, beats)
    left_log = left_beat = 0
    for at_log, at_beat in [*anchors, (len(log), len(beats))]:
        if at_log > left_log and at_beat > left_beat:
            part, doubt = _cheapest(
                log.take(slice(left_log, at_log)), beats.take(slice(left_beat, at_beat)), weights
            )
            pairs[left_log:at_log] = np.where(part >= 0, part + left_beat, -1)
            ambiguous[left_log:at_log] = doubt
        if at_log < len(log):
            pairs[at_log] = at_beat
        left_log, left_beat = at_log + 1, at_beat + 1
    return pairs, ambiguous


def _anchors(log: _Side, beats: _Side) -> list[tuple[int, int]]:
    """Give the unique exact matches, in an order that both sides share."""

    def keys(side: _Side) -> list[tuple[int, ...]]:
        return list(
            zip(
                side.kind.tolist(),
                side.word.tolist(),
                (side.data & side.known).tolist(),
                side.lanes.tolist(),
                strict=True,
            )
        )

    places: list[dict[tuple[int, ...], int]] = []
    for side in (log, beats):
        found: dict[tuple[int, ...], int] = {}
        for at, key in enumerate(keys(side)):
            found[key] = -1 if key in found else at
        places.append(found)
    pairs = sorted(
        (at, places[1][key])
        for key, at in places[0].items()
        if at >= 0 and places[1].get(key, -1) >= 0
    )
    # Longest run that rises on both sides.
    tops: list[int] = []
    tails: list[int] = []
    before: list[int] = []
    for number, (_, to) in enumerate(pairs):
        depth = bisect_left(tops, to)
        before.append(tails[depth - 1] if depth else -1)
        if depth == len(tops):
            tops.append(to)
            tails.append(number)
        else:
            tops[depth], tails[depth] = to, number
    chain = []
    at = tails[-1] if tails else -1
    while at >= 0:
        chain.append(pairs[at])
        at = before[at]
    return chain[::-1]


def _costs(log: _Side, beats: _Side, row: int, weights: _Weights) -> Floats:
    """Give the cost of pairing one logged transfer with each beat."""
    cost = np.zeros(len(beats), dtype=np.float32)
    moved = (log.word[row] ^ beats.word) & np.uint64(weights.address)
    bent = np.uint64(weights.bent_address)
    cost += np.bitwise_count(moved & ~bent) + _BENT * np.bitwise_count(moved & bent)
    known = log.known[row] & beats.known
    wrong = (log.data[row] ^ beats.data) & known
    bent = np.uint64(weights.bent_data)
    bits = np.bitwise_count(wrong & ~bent) + _BENT * np.bitwise_count(wrong & bent)
    cost += np.minimum(_DATA_BIT * bits, _DATA_MOST).astype(np.float32)
    lanes = log.lanes[row] ^ beats.lanes
    bent = np.uint64(weights.bent_lanes)
    cost += (_DATA_BIT * np.bitwise_count(lanes & ~bent)).astype(np.float32)
    cost += (_BENT * np.bitwise_count(lanes & bent)).astype(np.float32)
    turned = (beats.direction >= 0) & (beats.direction != log.direction[row])
    other = (beats.kind >= 0) & (beats.kind != log.kind[row]) & ~turned
    cost += np.where(turned, np.float32(weights.turned), np.float32(0))
    cost += np.where(other, np.float32(_TURNED), np.float32(0))
    return cost


def _cheapest(log: _Side, beats: _Side, weights: _Weights) -> tuple[Ints, NDArray[np.bool_]]:
    """Pair at least cost, and tell where a runner-up with other content costs as little."""
    count, width = len(log), len(beats)
    best = np.full(count, -1, dtype=np.int64)
    doubt = np.zeros(count, dtype=np.bool_)
    if count * width > _MOST_CELLS and count > 1:
        weights.was_cut = True
        half = count // 2
        middle = width * half // count
        first, doubt_first = _cheapest(
            log.take(slice(0, half)), beats.take(slice(0, middle)), weights
        )
        second, doubt_second = _cheapest(
            log.take(slice(half, count)), beats.take(slice(middle, width)), weights
        )
        second = np.where(second >= 0, second + middle, -1)
        return np.append(first, second), np.append(doubt_first, doubt_second)
    forward = np.zeros((count + 1, width + 1), dtype=np.float32)
    costs = np.empty((count, width), dtype=np.float32)
    for row in range(count):
        costs[row] = _costs(log, beats, row, weights)
        skipped = forward[row] + _SKIP
        taken = forward[row, :-1] + costs[row]
        skipped[1:] = np.minimum(skipped[1:], taken)
        forward[row + 1] = np.minimum.accumulate(skipped)
    backward = np.zeros(width + 1, dtype=np.float32)
    column = width
    # From the last transfer back: the pair on the cheapest path, and its runner-up.
    for row in range(count - 1, -1, -1):
        total = forward[row, :-1] + costs[row] + backward[1:]
        if column and forward[row + 1, column] < forward[row, column] + _SKIP - 1e-4:
            whole = forward[row, :column] + costs[row, :column]
            at = int(np.flatnonzero(whole <= whole.min() + 1e-4)[-1])
            best[row] = at
            rivals = np.flatnonzero(total <= total[at] + _MARGIN)
            rivals = rivals[rivals != at]
            doubt[row] = bool(
                (
                    (beats.word[rivals] != beats.word[at])
                    | (beats.data[rivals] != beats.data[at])
                    | (beats.lanes[rivals] != beats.lanes[at])
                ).any()
            )
            column = at
        onward = backward + _SKIP
        onward[:-1] = np.minimum(onward[:-1], costs[row] + backward[1:])
        backward = np.minimum.accumulate(onward[::-1])[::-1]
    return best, doubt
