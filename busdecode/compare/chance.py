"""Whether an alignment is more than any log would have got by chance."""

from __future__ import annotations

from dataclasses import replace
from enum import Enum
from typing import TYPE_CHECKING

import numpy as np

from busdecode.compare.anchors import firm_keys, grip, strong_keys, weak_keys
from busdecode.compare.cheapest import BIT, Side, Weights, costs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.compare.anchors import Keys

    Ints = NDArray[np.int64]

__all__ = ["Evidence", "evidence_of", "is_by_chance"]

_SHUFFLES, _SHUFFLES_LARGE, _LARGE = 8, 1, 5000
"""How often a log is shuffled; a large one does not vary."""
_WINDOW, _WINDOWS = 2000, 3
"""Of a large log so many stretches of so many transfers are looked at."""
_LEAST = 8
"""Of fewer transfers nothing can be told."""
_MOST, _HALF, _THIRD, _QUARTER = 0.8, 0.5, 0.3, 0.25


class Evidence(Enum):
    """What the order of a log says."""

    HOLDS = "more holds on in order than of the same log shuffled"
    CHANCE = "no more holds on than of the same log shuffled"
    NONE = "next to nothing holds on, or would if the log were shuffled"


def evidence_of(parts: Sequence[tuple[Side, Side]], weights: Weights) -> Evidence:
    """Hold stretches of a log against the same ones shuffled.

    Parameters
    ----------
    parts : sequence of (Side, Side)
        Each stretch of the log, flipped where bits always are, and the beats that it may be.
    weights : Weights
    """
    told = Evidence.NONE
    random = np.random.default_rng(0)
    is_large = sum(len(log) for log, _ in parts) > _LARGE
    for of in (strong_keys, weak_keys):
        keys = [of(log, beats, weights) for log, beats in parts]
        grips = [grip(*part, weights, each) for part, each in zip(parts, keys, strict=True)]
        held, there = (sum(counts) for counts in zip(*grips, strict=True))
        by_chance = [
            sum(
                _shuffled_grip(*part, weights, each, random)
                for part, each in zip(parts, keys, strict=True)
            )
            for _ in range(_SHUFFLES_LARGE if is_large else _SHUFFLES)
        ]
        usual = float(np.mean(by_chance))
        if held > usual + max(2.5, 3 * float(np.std(by_chance)), _THIRD * usual):
            return Evidence.HOLDS
        if usual >= 2 and held < _MOST * there:
            told = Evidence.CHANCE
    return told


def _shuffled_grip(
    log: Side, beats: Side, weights: Weights, keys: Sequence[Keys], random: np.random.Generator
) -> int:
    to = random.permutation(len(log))
    moved = []
    for each in keys:
        rows = to[each.log_rows]
        order = np.argsort(rows)
        moved.append(replace(each, log_rows=rows[order], log_keys=each.log_keys[order]))
    return grip(log.take(np.argsort(to)), beats, weights, moved)[0]


def is_by_chance(log: Side, beats: Side, weights: Weights, pairs: Ints) -> bool:
    """Tell whether the pairs are no better than those of a log of another run.

    A log whose order tells nothing, such as one access over and over, is taken for one of this
    run where it agrees.

    Parameters
    ----------
    log : Side
        Flipped where bits always are.
    beats : Side
    weights : Weights
    pairs : ndarray of int64, shape (T,)
    """
    found = np.flatnonzero(pairs >= 0)
    if not len(found):
        return False
    inside = int(found[-1] - found[0] + 1)
    to = pairs[found]
    fits = costs(log.take(found), beats.take(to), weights) < BIT // 2
    if inside < _LEAST:
        return len(log) >= _LEAST and not fits.any() and len(found) < _HALF * len(log)
    windows = _windows(log, beats, found, to)
    bits = sum(each.bit_count() for each in weights.lane_bits)
    if weights.bent.data.bit_count() <= _HALF * bits and fits.sum() >= _THIRD * inside:
        # Most of what is there of equal content is paired: nothing is out of order.
        there = sum(_common(part, against, weights) for part, against in windows)
        seen = sum(len(part) for part, _ in windows)
        if fits.sum() / inside >= _MOST * there / seen:
            return False
    told = evidence_of(windows, weights)
    if told == Evidence.HOLDS:
        return False
    if told == Evidence.CHANCE or len(found) < _HALF * inside:
        return True
    known = log.known[found] & beats.known[to]
    wrong = np.bitwise_count((log.data[found] ^ beats.data[to]) & known).sum()
    return bool(wrong > _QUARTER * np.bitwise_count(known).sum())


def _common(log: Side, beats: Side, weights: Weights) -> int:
    """Count the logged transfers that have a beat of equal content, in whatever order."""
    keys = firm_keys(log, beats, weights)
    counts = [np.bincount(each.log_keys) for each in keys]
    met = [
        np.bincount(each.beat_keys, minlength=len(count))
        for each, count in zip(keys, counts, strict=True)
    ]
    return sum(int(np.minimum(a, b).sum()) for a, b in zip(counts, met, strict=True))


def _windows(log: Side, beats: Side, found: Ints, to: Ints) -> list[tuple[Side, Side]]:
    """Give the log from the first pair to the last, or some stretches of it, and their beats."""
    if len(found) <= _WINDOW * _WINDOWS:
        bounds = [(0, len(found) - 1)]
    else:
        starts = np.linspace(0, len(found) - _WINDOW, _WINDOWS + 2)[1:-1].astype(int).tolist()
        bounds = [(start, start + _WINDOW - 1) for start in starts]
    return [
        (
            log.take(slice(int(found[first]), int(found[last]) + 1)),
            beats.take(slice(int(to[first]), int(to[last]) + 1)),
        )
        for first, last in bounds
    ]
