"""Which beat belongs to which logged transfer.

Order is kept. Content that stands once on both sides anchors; between anchors the cheapest
pairing counts, where a bit that is always bent is charged little, and other traffic nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.compare.anchors import anchor, grip, in_context, strong_keys, thread, weak_keys
from busdecode.compare.bent import guessed, learnt
from busdecode.compare.chance import Evidence, evidence_of, is_by_chance
from busdecode.compare.cheapest import (
    BIT,
    SKIP,
    Bent,
    Gaps,
    Side,
    Weights,
    cheapest,
    costs,
    rivals_among,
)
from busdecode.cycles import ENDINGS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busdecode.compare.meant import Meant
    from busdecode.cycles import CycleTable

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

__all__ = ["Alignment", "align"]

_MOST_CELLS = 1_000_000
"""Pairs that are weighed as one stretch; a larger one is cut into parts."""
_FEW_CELLS = 20_000
"""A stretch without an anchor of up to so many pairs is weighed at once."""
_MEND_CELLS = 20_000
"""A stretch with pairs that fit badly is weighed again if it has no more pairs than this."""
_ALL_CELLS, _PARTS_CELLS, _LEARN_CELLS = 20_000_000, 5_000_000, 3_000_000
"""Pairs that are weighed in all stretches, in all parts of those that are cut, and to learn."""
_LEARN = 3
_SCAN = 1 << 20


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
        The pair agrees in the address, or differs in few bits altogether, those known to be bent
        aside; and the whole is not what any log would have got by chance.
    is_exact : ndarray of bool, shape (T,)
        The pair agrees in every known bit of address and data.
    was_cut : bool
        A stretch without an anchor was too long to be weighed whole, and was aligned in parts:
        pairs across a cut may be lost.
    bent : Bent
        The bits that were taken to be bent.
    """

    beats: Ints
    is_ambiguous: Bools
    is_likely: Bools
    is_exact: Bools
    was_cut: bool = False
    bent: Bent = field(default_factory=Bent)

    def spread(self, which: Bools) -> Alignment:
        """Give the same among more transfers, of which these are some; the others have no beat."""
        beats = np.full(len(which), -1, dtype=np.int64)
        beats[which] = self.beats

        def among(flags: Bools) -> Bools:
            found = np.zeros(len(which), dtype=np.bool_)
            found[which] = flags
            return found

        return replace(
            self,
            beats=beats,
            is_ambiguous=among(self.is_ambiguous),
            is_likely=among(self.is_likely),
            is_exact=among(self.is_exact),
        )


@dataclass(frozen=True, eq=False)
class _Pairing:
    pairs: Ints
    doubt: Bools
    was_cut: bool = False
    is_disorder: bool = False

    @staticmethod
    def none(count: int) -> _Pairing:
        pairs = np.full(count, -1, dtype=np.int64)
        return _Pairing(pairs, np.zeros(count, dtype=np.bool_), is_disorder=True)


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
    rows = _candidates(meant, table)
    pairs = np.full(len(meant), -1, dtype=np.int64)
    none = np.zeros(len(meant), dtype=np.bool_)
    if not len(rows) or not len(meant):
        return Alignment(pairs, none, none.copy(), none.copy())
    word = np.uint64(bus.word_bytes)
    beats = Side(
        table.kind[rows].astype(np.int64),
        table.direction[rows].astype(np.int64),
        table.address[rows] // word * word,
        table.data[rows],
        table.data_known[rows],
        table.lanes[rows],
    )
    log = Side(
        meant.kind.astype(np.int64),
        meant.direction.astype(np.int64),
        meant.word,
        meant.moved,
        meant.moved_known,
        meant.lanes,
    )
    weights = Weights(
        captured_address & ~(bus.word_bytes - 1),
        tuple(((1 << bus.lane_bits) - 1) << lane * bus.lane_bits for lane in range(bus.lane_count)),
    )
    best, weights = _rounds(log, beats, weights)
    if _may_be_turned(log, beats, best):
        # Many have no beat: does the line that tells the direction fail?
        turned, other = _rounds(log, beats, replace(weights, bent=Bent(), is_turned=True))
        if _is_turned(log, beats, best.pairs, turned.pairs):
            best, weights = turned, other
    pairs = best.pairs
    is_found = pairs >= 0
    if is_by_chance(log.flipped(weights.bent), beats, weights, pairs):
        return Alignment(np.full_like(pairs, -1), none, none.copy(), none.copy(), best.was_cut)
    to = np.maximum(pairs, 0)
    moved = (log.word ^ beats.word[to]) & np.uint64(weights.address)
    wrong = (log.data ^ beats.data[to]) & log.known & beats.known[to]
    return Alignment(
        np.where(is_found, rows[to], -1),
        best.doubt & is_found,
        is_found,
        is_found & ((moved | wrong) == 0),
        best.was_cut,
        weights.bent,
    )


def _candidates(meant: Meant, table: CycleTable) -> Ints:
    """Give the rows of the table that a logged transfer may be."""
    wanted = np.isin(table.kind, np.unique(meant.kind))
    # A faulty direction line makes a write look like a read: both are candidates.
    kinds = enumerate(table.bus.kinds)
    plain = np.isin(table.kind, [at for at, kind in kinds if kind.name in ("read", "write")])
    is_whole = table.ended != ENDINGS.index("cut-off")
    return np.flatnonzero((wanted | plain | (table.kind < 0)) & is_whole)


def _rounds(log: Side, beats: Side, weights: Weights) -> tuple[_Pairing, Weights]:
    """Pair until the bits that are always bent are known."""
    held, _ = grip(log, beats, weights, strong_keys(log, beats, weights))
    is_large = len(log) * len(beats) > _MOST_CELLS
    is_doubtful = False
    if held * 2 < len(log):
        # Hardly anything agrees whole: are all addresses bent?
        for bent in guessed(log, beats, weights):
            other = replace(weights, bent=bent)
            shown = log.flipped(bent)
            holding, _ = grip(shown, beats, other, strong_keys(shown, beats, other))
            if holding > 1.5 * held + 3:
                weights, held = other, holding
        if is_large:
            told = evidence_of([(log.flipped(weights.bent), beats)], weights)
            if told == Evidence.CHANCE:
                return _Pairing.none(len(log)), weights
            is_doubtful = told == Evidence.NONE
    shown = log.flipped(weights.bent)
    held_on = _anchored(shown, beats, weights)
    for _ in range(_LEARN if is_large else 0):
        # Most of a large log is enough to learn from.
        pairs = _some_weighed(shown, beats, weights, held_on.pairs)
        if is_doubtful and is_by_chance(shown, beats, weights, pairs):
            return _Pairing.none(len(log)), weights
        bent = learnt(log, beats, pairs, weights)
        if bent == weights.bent:
            break
        weights, shown = replace(weights, bent=bent), log.flipped(bent)
        held_on = _anchored(shown, beats, weights)
    best = _weighed(shown, beats, weights, held_on)
    for _ in range(1 if is_large else _LEARN):
        bent = learnt(log, beats, best.pairs, weights)
        if bent == weights.bent:
            break
        weights, shown = replace(weights, bent=bent), log.flipped(bent)
        best = _weighed(shown, beats, weights, _anchored(shown, beats, weights))
    return best, weights


def _may_be_turned(log: Side, beats: Side, best: _Pairing) -> bool:
    """Tell whether many have no beat, and with either direction the words would have as many."""
    lone = int((best.pairs < 0).sum())
    least = max(3, len(log) // 10)
    if best.is_disorder or lone < least:
        return False
    words, counts = np.unique(log.word, return_counts=True)
    at = np.minimum(np.searchsorted(words, beats.word), len(words) - 1)
    met = np.bincount(at[words[at] == beats.word], minlength=len(words))
    return int(np.minimum(counts, met).sum()) - (len(log) - lone) >= least


def _is_turned(log: Side, beats: Side, before: Ints, after: Ints) -> bool:
    """Tell whether beats of the other direction are what the log lacks: at the same addresses."""
    won = np.flatnonzero((after >= 0) & (before < 0))
    turned = won[beats.direction[after[won]] != log.direction[won]]
    if len(turned) < max(3, len(log) // 10):
        return False
    same = log.word[turned] == beats.word[after[turned]]
    return bool(same.mean() >= 0.8)


def _anchored(log: Side, beats: Side, weights: Weights) -> _Pairing:
    """Pair what is equal, until what is left are small stretches; nothing of a small log."""
    pairs = np.full(len(log), -1, dtype=np.int64)
    was_cut = False
    if len(log) * len(beats) <= _MOST_CELLS:
        return _Pairing(pairs, np.zeros(len(log), dtype=np.bool_))
    keys = strong_keys(log, beats, weights)
    anchor(log, beats, weights, keys, pairs, least=_FEW_CELLS)
    if _has_large(pairs, beats):
        for each in keys:
            anchor(log, beats, weights, in_context(each), pairs, least=_FEW_CELLS, most=1)
    if _has_large(pairs, beats):
        keys += weak_keys(log, beats, weights)
        anchor(log, beats, weights, keys, pairs, least=_FEW_CELLS)
    if _has_large(pairs, beats):
        gaps = Gaps.between(pairs, len(beats))
        is_short = thread(log, beats, weights, keys, pairs, least=_FEW_CELLS)
        was_cut = _touches(gaps.take(gaps.cells > _MOST_CELLS), is_short)
        anchor(log, beats, weights, keys, pairs, least=_FEW_CELLS)
    return _Pairing(pairs, np.zeros(len(log), dtype=np.bool_), was_cut)


def _smallest(gaps: Gaps, cells: int) -> tuple[Gaps, Gaps]:
    """Part stretches into the smallest, of so many cells together, and the others."""
    gaps = gaps.take(gaps.cells > 0)
    gaps = gaps.take(np.argsort(gaps.cells, kind="stable"))
    is_large = (gaps.cells > _MOST_CELLS) | (np.cumsum(gaps.cells) > cells)
    return gaps.take(~is_large), gaps.take(is_large)


def _some_weighed(log: Side, beats: Side, weights: Weights, anchored: Ints) -> Ints:
    """Weigh small stretches between anchors: enough to learn from."""
    pairs = anchored.copy()
    small, _ = _smallest(Gaps.between(pairs, len(beats)), _LEARN_CELLS)
    cheapest(log, beats, small, weights, pairs, np.zeros(len(log), dtype=np.bool_))
    return pairs


def _weighed(log: Side, beats: Side, weights: Weights, anchored: _Pairing) -> _Pairing:
    """Weigh every stretch between anchors; the largest, and all beyond a measure, in parts."""
    pairs, doubt = anchored.pairs.copy(), np.zeros(len(log), dtype=np.bool_)
    small, large = _smallest(Gaps.between(pairs, len(beats)), _ALL_CELLS)
    cheapest(log, beats, small, weights, pairs, doubt)
    cheapest(log, beats, _parts(large), weights, pairs, doubt)
    if len(log) * len(beats) > _MOST_CELLS:
        _mend(log, beats, weights, pairs, doubt)
        doubt |= _rivalled(log, beats, weights, pairs)
    return _Pairing(pairs, doubt, anchored.was_cut or len(large) > 0)


def _has_large(pairs: Ints, beats: Side) -> bool:
    return bool((Gaps.between(pairs, len(beats)).cells > _FEW_CELLS).any())


def _touches(gaps: Gaps, is_row: Bools) -> bool:
    counts = np.concatenate(([0], np.cumsum(is_row)))
    return bool((counts[gaps.log_to] > counts[gaps.log_from]).any())


def _parts(gaps: Gaps) -> Gaps:
    """Cut stretches that are too large into parts that follow one another on both sides."""
    if not len(gaps):
        return gaps
    share = gaps.cells / max(1, gaps.cells.sum())
    room = np.maximum(np.minimum(_MOST_CELLS, share * _PARTS_CELLS), 1)
    rows, width = gaps.log_to - gaps.log_from, gaps.beat_to - gaps.beat_from
    # Of n parts each has a share of 1 / n of both sides, so all together 1 / n of the cells.
    parts = np.minimum(np.ceil(gaps.cells / room), rows).astype(np.int64)
    which = np.repeat(np.arange(len(gaps)), parts)
    at = np.arange(len(which)) - np.repeat(np.cumsum(parts) - parts, parts)
    many = parts[which]
    return Gaps(
        gaps.log_from[which] + rows[which] * at // many,
        gaps.log_from[which] + rows[which] * (at + 1) // many,
        gaps.beat_from[which] + width[which] * at // many,
        gaps.beat_from[which] + width[which] * (at + 1) // many,
    )


def _mend(log: Side, beats: Side, weights: Weights, pairs: Ints, doubt: Bools) -> None:
    """Weigh again, with some pairs on both sides, where transfers stayed alone or fit badly."""
    around = 3
    paid = np.full(len(log), SKIP, dtype=np.int64)
    at = np.flatnonzero(pairs >= 0)
    paid[at] = costs(log.take(at), beats.take(pairs[at]), weights)
    edges = np.zeros(len(log) + 1, dtype=np.int64)
    bad = np.flatnonzero(paid > 2 * BIT)
    np.add.at(edges, np.maximum(bad - around, 0), 1)
    np.add.at(edges, np.minimum(bad + around + 1, len(log)), -1)
    freed = np.where(np.cumsum(edges[:-1]) > 0, -1, pairs)
    gaps = Gaps.between(freed, len(beats))
    gaps = gaps.take((gaps.cells > 0) & (gaps.cells <= _MEND_CELLS))
    fresh, doubtful = pairs.copy(), doubt.copy()
    total = np.concatenate(([0], np.cumsum(paid)))
    before = total[gaps.log_to] - total[gaps.log_from]
    after = cheapest(log, beats, gaps, weights, fresh, doubtful)
    won = gaps.take(after < before)
    rows = np.zeros(len(log) + 1, dtype=np.int64)
    rows[won.log_from] += 1
    rows[won.log_to] -= 1
    is_won = np.cumsum(rows[:-1]) > 0
    pairs[is_won] = fresh[is_won]
    doubt[is_won] = doubtful[is_won]


def _rivalled(log: Side, beats: Side, weights: Weights, pairs: Ints) -> Bools:
    """Tell which pairs have another beat, free to be taken, that fits as well and differs."""
    found = np.flatnonzero(pairs >= 0)
    own = costs(log.take(found), beats.take(pairs[found]), weights)
    # What agrees in every bit, all of them known, has no rival that differs.
    low = np.concatenate(([-1], pairs[found][:-1])) + 1
    high = np.concatenate((pairs[found][1:], [len(beats)]))
    is_told = (log.known[found] != 0) & (own == 0)
    asked = np.flatnonzero(~is_told & (high - low > 1))
    rivalled = np.zeros(len(log), dtype=np.bool_)
    lengths = (high - low)[asked]
    bounds = np.searchsorted(np.cumsum(lengths), np.arange(_SCAN, lengths.sum() + _SCAN, _SCAN))
    for some in np.split(asked, np.unique(bounds)):
        if not len(some):
            continue
        count = (high - low)[some]
        which = np.repeat(np.arange(len(some)), count)
        starts = np.cumsum(count) - count
        at = np.arange(len(which)) - starts[which] + low[some][which]
        mine = pairs[found[some]][which]
        cost = costs(log.take(found[some][which]), beats.take(at), weights)
        near = rivals_among(cost, own[some][which])
        near &= (
            (beats.word[at] != beats.word[mine])
            | (beats.data[at] != beats.data[mine])
            | (beats.lanes[at] != beats.lanes[mine])
        )
        rivalled[found[some][which[near]]] = True
    return rivalled
