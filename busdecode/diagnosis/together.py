"""Which candidates, at once, leave nothing that was seen contradicted.

The smallest such sets, in the sense of J. de Kleer and B. C. Williams, *Diagnosing Multiple
Faults*, Artificial Intelligence 32, 1987: a set counts if no part of it does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busdecode.diagnosis.score import count, shares
from busdecode.errors import RequestError
from busdecode.predict import Foretold

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.diagnosis.evidence import Evidence
    from busdecode.predict import FaultRows

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Together", "joined", "together"]

_MOST_TRIED = 400
"""So many different predictions are tried two at a time."""

_CELLS = 1 << 21
"""Pair times observation: so much at once."""


@dataclass(frozen=True)
class Together:
    """One or two candidates that are there at once, and that nothing seen contradicts.

    Parameters
    ----------
    members : tuple of tuple of int
        For each of them the places of all candidates that foretell the same.
    explained : int
        Observations that were wrong, and are foretold just so.
    weight : float
        As `Scores.weight`; with chances given, and the natural logarithm of the odds that all
        members are there.
    share : float
        How likely this is among all sets that were found, from 0 to 1.
    """

    members: tuple[tuple[int, ...], ...]
    explained: int
    weight: float
    share: float


def joined(evidence: Evidence, foretold: Foretold, sets: Ints) -> Foretold:
    """Foretell observations with several candidates at once.

    What none of them touches is as on a healthy bus, and what one changes is as it says. A bit
    that any of them leaves open is open. What a healthy bus leaves open is as those say that
    foretell it, open where they differ. Nothing is foretold of what was not looked at.

    Parameters
    ----------
    evidence : Evidence
    foretold : Foretold
        With each candidate by itself; F of them.
    sets : ndarray of int64, shape (S, K)
        The places of the candidates of each set; -1 where it has fewer than K.

    Returns
    -------
    Foretold
        Shape (S, R).

    Notes
    -----
    Candidates are taken not to act on each other: what one makes of a bit that the other has
    changed before is not followed.
    """
    return _joined(evidence, *_against_healthy(evidence, foretold), sets)


def _against_healthy(evidence: Evidence, foretold: Foretold) -> tuple[Words, Words]:
    """Give what each candidate changes, and what it opens, shape (F, R) each.

    Of bits that a healthy bus leaves open: those that it foretells high, and low.
    """
    sure = evidence.known & evidence.looked
    known = foretold.known & evidence.looked
    changed = (foretold.words ^ (evidence.expected & sure)) & known
    return changed, (sure & ~known) | (known & ~sure & ~foretold.words)


def _joined(evidence: Evidence, changed: Words, opened: Words, sets: Ints) -> Foretold:
    shape = len(sets), len(evidence)
    flips, opens = np.zeros(shape, dtype=np.uint64), np.zeros(shape, dtype=np.uint64)
    for column in sets.T:
        there = np.flatnonzero(column >= 0)
        flips[there] |= changed[column[there]]
        opens[there] |= opened[column[there]]
    sure = evidence.known & evidence.looked
    known = (sure & ~opens) | (~sure & (flips ^ opens))
    return Foretold(((evidence.expected & sure) ^ flips) & known, known)


def together(
    evidence: Evidence,
    candidates: FaultRows | Foretold,
    *,
    chance: Floats | None = None,
    explaining: bool = False,
    most: int = 20,
) -> tuple[Together, ...]:
    """Give the smallest sets of one or two candidates that nothing seen contradicts.

    Parameters
    ----------
    evidence : Evidence
    candidates : FaultRows or Foretold
        Of more than 400 different predictions the first so many are tried: put the best first.
    chance : ndarray of float64, shape (F,), optional
        How likely each candidate is to be there, before anything was seen, each by itself; more
        than 0 and less than 1. Without it, two are as likely as one.
    explaining : bool
        Give only sets that foretell every wrong observation; else they may leave it open.
    most : int
        So many sets at most.

    Returns
    -------
    tuple of Together
        Best first; of equals the smaller, then the one of earlier candidates. None where nothing
        was wrong: no candidate is needed.

    Raises
    ------
    RequestError
        If a chance is 0 or 1: what is out of the question, or certain, is no candidate.
    """
    if chance is not None and not ((chance > 0) & (chance < 1)).all():
        raise RequestError(
            f"chances of candidates go from {chance.min():g} to {chance.max():g}",
            expected="more than 0 and less than 1 each",
        )
    wrong = evidence.wrong
    kinds = _different(evidence, candidates)
    if not (wrong != 0).any() or not len(kinds.changed):
        return ()
    odds = np.zeros(len(kinds.members))
    if chance is not None:
        each = np.log(chance) - np.log1p(-chance)
        odds = np.array([np.logaddexp.reduce(each[list(alike)]) for alike in kinds.members])
    needed = int((wrong != 0).sum()) if explaining else 0
    alone = np.arange(len(odds), dtype=np.int64)[:, None]
    found, fits = _fitting(evidence, kinds, alone, odds, needed)
    # What fits by itself needs no other.
    left = np.flatnonzero(~fits)
    one, other = np.triu_indices(len(left), 1)
    step = max(1, _CELLS // len(evidence))
    for first in range(0, len(one), step):
        part = slice(first, first + step)
        pairs = np.stack([left[one[part]], left[other[part]]], axis=1)
        found += _fitting(evidence, kinds, pairs, odds, needed)[0]
    share = shares(np.array([weight for *_, weight in found]))
    order = sorted(range(len(found)), key=lambda at: (-found[at][2], len(found[at][0]), found[at]))
    return tuple(
        Together(
            tuple(kinds.members[place] for place in found[at][0]), *found[at][1:], float(share[at])
        )
        for at in order[:most]
    )


class _Kinds(NamedTuple):
    """Predictions that differ, K of them: who makes each, and the bits it changes and opens."""

    members: Sequence[tuple[int, ...]]
    changed: Words
    opened: Words


def _fitting(
    evidence: Evidence, kinds: _Kinds, sets: Ints, odds: Floats, needed: int
) -> tuple[list[tuple[tuple[int, ...], int, float]], NDArray[np.bool_]]:
    """Give the sets that fit and explain enough, what they explain and weigh; and which fit."""
    scores = count(evidence, _joined(evidence, kinds.changed, kinds.opened, sets))
    fits = scores.contradicted == 0
    at = np.flatnonzero(fits & (scores.explained >= needed))
    weight = scores.weight[at] + odds[sets[at]].sum(axis=1)
    found = zip(
        map(tuple, sets[at].tolist()), scores.explained[at].tolist(), weight.tolist(), strict=True
    )
    return list(found), fits


def _different(evidence: Evidence, candidates: FaultRows | Foretold) -> _Kinds:
    """Give the predictions that differ and may take a contradiction away."""
    members: dict[bytes, list[int]] = {}
    rows = []
    parts = (
        [(slice(0, len(candidates.words)), candidates)]
        if isinstance(candidates, Foretold)
        else evidence.over(candidates)
    )
    for part, foretold in parts:
        changed, opened = _against_healthy(evidence, foretold)
        bears = ((changed & evidence.wrong) | opened).any(axis=1)
        for at in np.flatnonzero(bears).tolist():
            key = changed[at].tobytes() + opened[at].tobytes()
            if key in members:
                members[key].append(part.start + at)
            elif len(members) < _MOST_TRIED:
                members[key] = [part.start + at]
                rows.append((changed[at], opened[at]))
    shape = 2, 0, len(evidence)
    pair = np.stack(rows, axis=1) if rows else np.zeros(shape, dtype=np.uint64)
    return _Kinds([tuple(each) for each in members.values()], pair[0], pair[1])
