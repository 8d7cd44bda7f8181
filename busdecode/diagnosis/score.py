"""How well each candidate fault explains what was read.

Counts of reads, and of bits, after the usual scheme of logic diagnosis: what failed and was
foretold so, what failed and was not, what was foretold to fail and did not. Candidates are
ranked by how likely what was read is with each of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busdecode.diagnosis.evidence import Evidence
    from busdecode.predict import FaultRows, Foretold

    Ints = NDArray[np.int64]

__all__ = ["LEFT_OPEN", "NOISE", "Scores", "count", "score", "shares"]

NOISE = 0.01
"""The share of bits that are taken to be read wrong by chance, or now and then."""

LEFT_OPEN = 0.1
"""What it costs, as a natural logarithm, to leave open what lines show where they show nothing
wrong: once an observation, since its bits hang together."""

_MOST_OPEN = 1
"""Leaving open what was right in one read costs so many bits at most, where lines were seen too:
they tell more of a candidate than that it foretells little."""

_WRONG, _EITHER = log(NOISE / (1 - NOISE)), log(0.5 / (1 - NOISE))


@dataclass(frozen=True, eq=False)
class Scores:
    """How F candidates explain R reads: counts, shape (F,) each.

    Parameters
    ----------
    explained : ndarray of int64
        Reads that were wrong, and foretold just so.
    unexplained : ndarray of int64
        Reads that were wrong, and foretold otherwise.
    refuted : ndarray of int64
        Reads that were right, and foretold to be wrong.
    silent : ndarray of int64
        Other reads of which some bit was not foretold, with none foretold otherwise.
    agrees : ndarray of int64
        All other reads.
    matched, missed, invented : ndarray of int64
        Bits that were wrong and foretold so; wrong and not foretold so; right and foretold
        wrong.
    foretold : ndarray of int64
        Bits of which anything is foretold.
    weight : ndarray of float64
        Natural logarithm of how likely what was seen is, against that of a candidate that
        foretells all of it: a bit that is foretold is seen so but for `NOISE`, one that is not
        foretold may be either. Of lines, which show what they should in most cycles, a bit that
        is left open counts only where it is wrong; else `LEFT_OPEN` is taken off. Where lines
        were seen, what is left open of a read that was right is one bit at most.
    """

    explained: Ints
    unexplained: Ints
    refuted: Ints
    silent: Ints
    agrees: Ints
    matched: Ints
    missed: Ints
    invented: Ints
    foretold: Ints
    weight: NDArray[np.float64]

    @property
    def contradicted(self) -> Ints:
        """The reads that were foretold otherwise than they were."""
        return self.unexplained + self.refuted


def count(evidence: Evidence, foretold: Foretold) -> Scores:
    """Count how predictions of F candidates fare."""
    looked, seen = evidence.looked, evidence.seen
    wrong = evidence.wrong
    is_wrong = wrong != 0
    known = foretold.known & looked
    off = (foretold.words ^ seen) & known
    is_off = off != 0
    unknown = looked & ~foretold.known
    of_lines = evidence.of_lines
    # What a healthy bus leaves open is open to all.
    unknown = np.where(of_lines, unknown & evidence.known, unknown)
    explained = is_wrong & ~is_off & (wrong & ~known == 0)
    unexplained = is_wrong & is_off
    refuted = ~is_wrong & is_off
    silent = ~is_off & ~explained & (unknown != 0)
    bits = np.bitwise_count
    offs, unknowns = bits(off).sum(axis=1), bits(unknown).sum(axis=1)
    # Right bits of one read hang together: it comes from the right word, or it does not.
    right = bits(unknown & evidence.known & ~wrong)
    most = _MOST_OPEN if of_lines.any() else 64
    right = np.where(of_lines, 0, np.minimum(right, most)).astype(np.int64)
    others = bits(unknown & np.where(of_lines, wrong, wrong | ~evidence.known))
    either = (right + others).sum(axis=1)
    left_open = (of_lines & (unknown != 0)).sum(axis=1)
    total = int(bits(looked).sum())
    rows = [explained, unexplained, refuted, silent]
    sums = [row.sum(axis=1) for row in rows]
    return Scores(
        explained=sums[0],
        unexplained=sums[1],
        refuted=sums[2],
        silent=sums[3],
        agrees=len(seen) - sum(sums),
        matched=bits(wrong & known & ~off).sum(axis=1).astype(np.int64),
        missed=bits(wrong & (off | ~known)).sum(axis=1).astype(np.int64),
        invented=bits(off & ~wrong).sum(axis=1).astype(np.int64),
        foretold=total - unknowns.astype(np.int64),
        weight=offs * _WRONG + either * _EITHER - left_open * LEFT_OPEN,
    )


def score(evidence: Evidence, faults: FaultRows) -> Scores:
    """Score candidates.

    Memory is bounded by a part of the candidates, not by all.
    """
    parts = [count(evidence, foretold) for _, foretold in evidence.over(faults)]
    return Scores(
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in Scores.__dataclass_fields__
        )
    )


def shares(
    weight: NDArray[np.float64], chance: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """Give how likely each candidate is among all, together 1.

    Parameters
    ----------
    weight : ndarray of float64, shape (F,)
        As `Scores` has it.
    chance : ndarray of float64, shape (F,), optional
        How likely each was before anything was seen, in any unit; all alike without it.

    Examples
    --------
    Of two that explain all equally well, the one that is found nine times as often:

    >>> shares(np.array([-1.0, -1.0]), np.array([9, 1])).tolist()
    [0.9, 0.1]
    """
    if not len(weight):
        return np.zeros(0)
    likely = np.exp(weight - weight.max())
    if chance is not None:
        likely *= chance
    whole: NDArray[np.float64] = likely / likely.sum()
    return whole
