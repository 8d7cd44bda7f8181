"""The cheapest way to pair stretches of a log with stretches of beats, order kept.

Costs are whole numbers, `BIT` for one differing bit, so that equal is equal.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Bools = NDArray[np.bool_]
    Costs = NDArray[np.int16]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["BIT", "SKIP", "Bent", "Gaps", "Side", "Weights", "cheapest", "costs", "rivals_among"]

BIT = 50
"""Cost of one address bit that differs."""
SKIP = 6 * BIT
"""Cost of a logged transfer without a beat."""
_NEVER = 40 * BIT
"""Cost of what is no pair: of another kind, or too many bits off."""
_TURNED = BIT
"""Cost of a beat of the other direction, where the direction itself is bent."""
_DATA_BIT, _DATA_MOST = BIT // 2, 4 * BIT
_BENT_BIT = 1
"""Cost of a bit that many pairs show bent."""
_MARGIN = BIT // 2
_FEW_BITS = 3
"""A pair whose address differs may differ in no more bits than this, address and data."""
_CELLS = 1 << 18
"""Pairs that are weighed at once; so many fit the cache."""


@dataclass(frozen=True)
class Bent:
    """Bits that many pairs show bent.

    Parameters
    ----------
    address, data, lanes : int
        Bits that differ in many pairs, and not in others.
    flipped_address, flipped_data : int
        Bits that differ in all pairs.
    """

    address: int = 0
    data: int = 0
    lanes: int = 0
    flipped_address: int = 0
    flipped_data: int = 0


@dataclass(frozen=True)
class Weights:
    """What counts: the bits captured, the bits bent, and whether the direction is.

    `lane_bits` has the data bits of each lane, least significant lane first.
    """

    address: int
    lane_bits: tuple[int, ...]
    bent: Bent = field(default_factory=Bent)
    is_turned: bool = False


@dataclass(frozen=True, eq=False)
class Side:
    """Log or beats, as columns of any one shape."""

    kind: Ints
    direction: Ints
    word: Words
    data: Words
    known: Words
    lanes: Words

    def take(self, rows: Ints | slice) -> Side:
        """Give some of the rows, in the shape in which they are asked for."""
        return Side(
            self.kind[rows],
            self.direction[rows],
            self.word[rows],
            self.data[rows],
            self.known[rows],
            self.lanes[rows],
        )

    def flipped(self, bent: Bent) -> Side:
        """Give the log as the lines would show it where bits are always flipped."""
        if not bent.flipped_address and not bent.flipped_data:
            return self
        return Side(
            self.kind,
            self.direction,
            self.word ^ np.uint64(bent.flipped_address),
            self.data ^ (np.uint64(bent.flipped_data) & self.known),
            self.known,
            self.lanes,
        )

    def __len__(self) -> int:
        return len(self.word)


@dataclass(frozen=True, eq=False)
class Gaps:
    """Stretches of the log, and the stretch of beats that each may be paired with; G of them.

    Parameters
    ----------
    log_from, log_to, beat_from, beat_to : ndarray of int64, shape (G,)
        Half-open.
    """

    log_from: Ints
    log_to: Ints
    beat_from: Ints
    beat_to: Ints

    @staticmethod
    def between(pairs: Ints, beats: int) -> Gaps:
        """Give the stretches without a pair between transfers that have one."""
        lone = np.concatenate(([False], pairs < 0, [False]))
        edges = np.flatnonzero(lone[1:] != lone[:-1])
        log_from, log_to = edges[::2], edges[1::2]
        fenced = np.concatenate(([-1], pairs, [beats]))
        return Gaps(log_from, log_to, fenced[log_from] + 1, fenced[log_to + 1])

    @property
    def cells(self) -> Ints:
        """Pairs to be weighed, shape (G,)."""
        cells: Ints = (self.log_to - self.log_from) * (self.beat_to - self.beat_from)
        return cells

    def take(self, which: Ints | Bools) -> Gaps:
        """Give some of them."""
        return Gaps(
            self.log_from[which], self.log_to[which], self.beat_from[which], self.beat_to[which]
        )

    def __len__(self) -> int:
        return len(self.log_from)


def costs(log: Side, beats: Side, weights: Weights) -> Costs:
    """Give the cost of each pair; the columns of both sides are broadcast.

    Address bits count in full, data bits and lanes half, data never more than four bits, bits
    known to be bent next to nothing. What differs in the address and in many bits is no pair,
    nor are two kinds, unless the direction may be bent.
    """
    bent = weights.bent
    moved = (log.word ^ beats.word) & np.uint64(weights.address)
    wrong = (log.data ^ beats.data) & (log.known & beats.known)
    lanes = log.lanes ^ beats.lanes
    bent_bits: NDArray[np.uint8] | int = 0
    bent_data: NDArray[np.uint8] | int = 0
    if bent.address:
        bent_bits = np.bitwise_count(moved & np.uint64(bent.address))
        moved &= ~np.uint64(bent.address)
    if bent.data:
        bent_data = np.bitwise_count(wrong & np.uint64(bent.data))
        wrong &= ~np.uint64(bent.data)
    if bent.lanes:
        bent_bits = bent_bits + np.bitwise_count(lanes & np.uint64(bent.lanes))
        lanes &= ~np.uint64(bent.lanes)
    far, off = np.bitwise_count(moved), np.bitwise_count(wrong)
    of_data = np.minimum(
        off * np.int16(_DATA_BIT) + bent_data * np.int16(_BENT_BIT), np.int16(_DATA_MOST)
    )
    cost: Costs = far * np.int16(BIT) + of_data
    cost += np.bitwise_count(lanes) * np.int16(_DATA_BIT)
    cost += bent_bits * np.int16(_BENT_BIT)
    other = (beats.kind >= 0) & (beats.kind != log.kind)
    turned = (beats.direction >= 0) & (beats.direction != log.direction)
    if weights.is_turned:
        cost += turned * np.int16(_TURNED)
        other &= ~turned
    else:
        other |= turned
    np.putmask(cost, other | ((far > 0) & (far + off > _FEW_BITS)), np.int16(_NEVER))
    return cost


def rivals_among(cost: Costs, own: Costs) -> Bools:
    """Tell which costs come within the margin of a pair's own; an exact pair has no margin."""
    near: Bools = cost <= own + np.where(own == 0, np.int16(0), np.int16(_MARGIN))
    return near


def cheapest(
    log: Side, beats: Side, gaps: Gaps, weights: Weights, pairs: Ints, doubt: Bools
) -> Ints:
    """Pair each stretch at least cost, into `pairs`, and tell of a runner-up in `doubt`.

    A runner-up is another beat with other content, with which the whole stretch would cost as
    little, or within the margin.

    Returns
    -------
    ndarray of int64, shape (G,)
        What each stretch costs.
    """
    paid = np.zeros(len(gaps), dtype=np.int64)
    for which in _batches(gaps):
        batch = gaps.take(which)
        choice, is_doubtful, paid[which] = _programme(log, beats, batch, weights)
        rows = batch.log_from[:, None] + np.arange(choice.shape[1])
        there = rows < batch.log_to[:, None]
        pairs[rows[there]] = choice[there]
        doubt[rows[there]] = is_doubtful[there]
    return paid


def _batches(gaps: Gaps) -> Iterator[Ints]:
    """Put stretches of about one size together."""
    steps = np.unique([[2**at, 3 * 2**at // 2] for at in range(1, 40)])
    tall = np.searchsorted(steps, gaps.log_to - gaps.log_from)
    wide = np.searchsorted(steps, gaps.beat_to - gaps.beat_from)
    order = np.lexsort((wide, tall))
    alike = tall[order] * len(steps) + wide[order]
    bounds = np.flatnonzero(np.diff(alike)) + 1
    for group in np.split(order, bounds):
        if len(group):
            size = max(1, int(_CELLS // max(1, steps[tall[group[0]]] * steps[wide[group[0]]])))
            for at in range(0, len(group), size):
                yield group[at : at + size]


def _programme(log: Side, beats: Side, gaps: Gaps, weights: Weights) -> tuple[Ints, Bools, Ints]:
    """Weigh every pair of some stretches of about one size; rows and beats past an end are idle."""
    stretches = len(gaps)
    rows = int((gaps.log_to - gaps.log_from).max())
    width = int((gaps.beat_to - gaps.beat_from).max())
    column = gaps.beat_from[:, None] + np.arange(width)
    there = column < gaps.beat_to[:, None]
    column[~there] = 0
    mine = beats.take(column)
    forward = np.zeros((rows + 1, stretches, width + 1), dtype=np.int32)
    cost = np.empty((rows, stretches, width), dtype=np.int16)
    for row in range(rows):
        at = gaps.log_from + row
        is_row = at < gaps.log_to
        own = log.take(np.where(is_row, at, 0)[:, None])
        cost[row] = np.where(there & is_row[:, None], costs(own, mine, weights), np.int16(_NEVER))
        best = forward[row] + SKIP
        np.minimum(best[:, 1:], forward[row, :, :-1] + cost[row], out=best[:, 1:])
        np.minimum.accumulate(best, axis=1, out=forward[row + 1])
    each = np.arange(stretches)
    numbers = np.arange(width)
    choice = np.full((stretches, rows), -1, dtype=np.int64)
    doubt = np.zeros((stretches, rows), dtype=np.bool_)
    backward = np.zeros((stretches, width + 1), dtype=np.int32)
    left = np.full(stretches, width, dtype=np.int64)
    # From the last transfer back: the pair on the cheapest path, and its runner-up.
    for row in range(rows - 1, -1, -1):
        whole = forward[row, :, :-1] + cost[row]
        reached = forward[row + 1, each, left]
        is_pair = reached < forward[row, each, left] + SKIP
        fits = (whole == reached[:, None]) & (numbers < left[:, None])
        at = np.where(fits, numbers, 0).max(axis=1, initial=0)
        if is_pair.any():
            some = np.flatnonzero(is_pair)
            to = at[some]
            total = whole[some] + backward[some, 1:]
            least = total[np.arange(len(some)), to]
            own = cost[row, some, to]
            near = rivals_among(total - (least - own)[:, None], own[:, None])
            doubt[some, row] = (near & _is_other(mine.take(some), to)).any(axis=1)
            choice[some, row] = to + gaps.beat_from[some]
            left[some] = to
        onward = backward + SKIP
        np.minimum(onward[:, :-1], backward[:, 1:] + cost[row], out=onward[:, :-1])
        backward = np.minimum.accumulate(onward[:, ::-1], axis=1)[:, ::-1]
    idle = rows - (gaps.log_to - gaps.log_from)
    return choice, doubt, forward[rows, :, width] - idle * SKIP


def _is_other(beats: Side, at: Ints) -> Bools:
    """Tell which beats of each stretch show other content than the one chosen."""
    each = np.arange(len(at))
    other: Bools = beats.word != beats.word[each, at][:, None]
    other |= beats.data != beats.data[each, at][:, None]
    other |= beats.lanes != beats.lanes[each, at][:, None]
    return other
