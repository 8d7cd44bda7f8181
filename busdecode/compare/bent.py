"""Which bits are bent: learnt from pairs, or guessed where next to nothing pairs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.compare.anchors import mixed
from busdecode.compare.cheapest import Bent

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busdecode.compare.cheapest import Side, Weights

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["guessed", "learnt"]

_LEAST = 4
"""So many pairs are needed to learn from."""
_OFTEN = 0.1
"""A bit that differs in such a share of the pairs is bent."""
_ALWAYS, _LEAST_ALWAYS = 0.95, 8
"""A bit that differs in such a share, of so many pairs, is flipped."""
_SAMPLE = 200
_LEAST_SAMPLE = 6
_PARTNERS = 1000
"""Beats of equal data that are looked at for one sampled transfer."""
_PEAKS = 32
_GUESSES = 3
_WAYS = 8
"""Ways in which one guess may bend the address: each bit that comes and goes doubles them."""


def learnt(log: Side, beats: Side, pairs: Ints, weights: Weights) -> Bent:
    """Give the bits that differ in many pairs, and those that differ in all."""
    at = np.flatnonzero(pairs >= 0)
    if len(at) < _LEAST:
        return weights.bent
    to = pairs[at]
    known = log.known[at] & beats.known[to]
    address, flipped_address = _often(
        (log.word[at] ^ beats.word[to]) & np.uint64(weights.address), None
    )
    data, flipped_data = _often((log.data[at] ^ beats.data[to]) & known, known)
    lanes, always = _often(log.lanes[at] ^ beats.lanes[to], None)
    return Bent(address, data, lanes | always, flipped_address, flipped_data)


def _often(differs: Words, known: Words | None) -> tuple[int, int]:
    """Give the bits that differ often, and those that always do where they are known."""
    bent = flipped = 0
    for bit in range(int(np.bitwise_or.reduce(differs)).bit_length()):
        wrong = int(((differs >> np.uint64(bit)) & np.uint64(1)).sum())
        count = len(differs)
        if known is not None:
            count = int(((known >> np.uint64(bit)) & np.uint64(1)).sum())
        if wrong >= _LEAST_ALWAYS and wrong >= _ALWAYS * count:
            flipped |= 1 << bit
        elif wrong >= _OFTEN * len(differs):
            bent |= 1 << bit
    return bent, flipped


def guessed(log: Side, beats: Side, weights: Weights) -> list[Bent]:
    """Guess how addresses are bent when hardly any agrees, from beats of equal data.

    Most likely first: what explains the most of a sample, and bends the fewest bits.
    """
    told = np.flatnonzero(log.known != 0)
    content = mixed(log.kind, log.word, log.data & log.known)[told]
    _, first = np.unique(content, return_index=True)
    told = told[np.sort(first)]
    if len(told) < _LEAST_SAMPLE or not weights.address:
        return []
    sample = log.take(told[np.linspace(0, len(told) - 1, min(_SAMPLE, len(told))).astype(np.int64)])
    ways = _ways(sample, beats, weights)
    is_met = _met(sample, beats, weights, ways)
    shares = is_met.mean(axis=0)
    bits = np.bitwise_count(ways)
    # Of ways that explain about as much, the one with the fewest bits.
    order = np.lexsort((bits, -np.round(shares * 10)))
    guesses: list[Bent] = []
    for start in order[:_GUESSES].tolist():
        if shares[start] < 0.2:
            continue
        chosen, met = [start], is_met[:, start]
        while len(chosen) < _WAYS and not met.all():
            more = (is_met & ~met[:, None]).mean(axis=0)
            following = int(np.lexsort((bits, -np.round(more * 20)))[0])
            if more[following] < 0.05:
                break
            chosen.append(following)
            met = met | is_met[:, following]
        always = int(np.bitwise_and.reduce(ways[chosen]))
        guess = Bent(
            address=int(np.bitwise_or.reduce(ways[chosen])) & ~always, flipped_address=always
        )
        if guess != Bent() and guess not in guesses:
            guesses.append(guess)
    return guesses


def _ways(sample: Side, beats: Side, weights: Weights) -> Words:
    """Give ways in which addresses may be bent: one bit, two, and those that are seen most."""
    lines = [1 << bit for bit in range(64) if weights.address >> bit & 1]
    ways = [0, *lines, *(a | b for at, a in enumerate(lines) for b in lines[:at])]
    log_keys = mixed(sample.kind, sample.data & sample.known)
    beat_keys = mixed(beats.kind, beats.data & beats.known)
    rows = np.flatnonzero(np.isin(beat_keys, log_keys))
    order = rows[np.argsort(beat_keys[rows], kind="stable")]
    begin = np.searchsorted(beat_keys[order], log_keys, "left")
    count = np.searchsorted(beat_keys[order], log_keys, "right") - begin
    seen = []
    for at in np.flatnonzero(count).tolist():
        each = np.linspace(0, count[at] - 1, min(int(count[at]), _PARTNERS)).astype(np.int64)
        seen.append(
            np.unique(
                (beats.word[order[begin[at] + each]] ^ sample.word[at]) & np.uint64(weights.address)
            )
        )
    if seen:
        moves, times = np.unique(np.concatenate(seen), return_counts=True)
        ways += moves[np.argsort(-times, kind="stable")[:_PEAKS]].tolist()
    return np.array(list(dict.fromkeys(ways)), dtype=np.uint64)


def _met(sample: Side, beats: Side, weights: Weights, ways: Words) -> Bools:
    """Tell which sampled transfers meet a beat of equal data at the address bent so."""
    address = np.uint64(weights.address)
    there = np.unique(mixed(beats.kind, beats.word & address, beats.data & beats.known))
    asked = mixed(
        sample.kind[:, None],
        (sample.word[:, None] ^ ways) & address,
        (sample.data & sample.known)[:, None],
    )
    found = np.minimum(np.searchsorted(there, asked), len(there) - 1)
    is_met: Bools = there[found] == asked
    return is_met
