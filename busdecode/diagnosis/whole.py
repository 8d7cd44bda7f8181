"""All evidence of one bus together: the ranked causes, with a second look at what is left open."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busdecode.diagnosis.evidence import Joint
from busdecode.diagnosis.recorded import Tried
from busdecode.diagnosis.score import count, score
from busdecode.diagnosis.verdict import judge
from busdecode.predict import FaultRows, Foretold
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from busdecode.diagnosis.evidence import Evidence
    from busdecode.diagnosis.recorded import Recorded
    from busdecode.diagnosis.verdict import Judgement
    from busdecode.faults import Fault

__all__ = ["Fares", "diagnose", "fares", "pieces_of"]

_MOST_TRIED, _FEW_TRIED = 24, 6
"""So many candidates at most are tried by making the runs again; where one explains all, fewer."""


def diagnose(
    logs: Sequence[Evidence],
    recorded: Sequence[Recorded],
    faults: Sequence[Fault],
    begin: Callable[[str], None] = lambda what: None,
) -> tuple[Evidence, Judgement]:
    """Rank candidates by all evidence together.

    Candidates that leave open what was wrong, and that nothing speaks against, are tried: the
    runs that were captured are made again with each of them.

    Parameters
    ----------
    logs : sequence of Evidence
        What reads returned, each log once, and what was measured.
    recorded : sequence of Recorded
    faults : sequence of Fault
    begin : callable
        Told what is done next.

    Returns
    -------
    Evidence
        What the verdict rests on.
    Judgement
    """
    pieces: list[Evidence] = list(logs)
    pieces += [piece for each in recorded for piece in each.pieces]
    joint = Joint.of(pieces)
    begin("what each candidate foretells")
    if not recorded or not joint.wrong.any():
        return joint, judge(joint, faults)
    chosen = _left_open(joint, faults)
    if not chosen:
        return joint, judge(joint, faults)
    begin(f"{counted(len(chosen), 'candidate')}, each in runs of its own")
    tried = Tried.of(joint, recorded, chosen)
    begin("what each candidate foretells, once more")
    return tried, judge(tried, faults)


def pieces_of(evidence: Evidence) -> tuple[Evidence, ...]:
    """Give the pieces that evidence is made of."""
    joint = evidence.joint if isinstance(evidence, Tried) else evidence
    return joint.pieces if isinstance(joint, Joint) else (joint,)


class Fares(NamedTuple):
    """How a candidate fares with a piece of evidence, counted in the piece's own unit.

    `wrong` is what was not as on a healthy bus, `explained` what of it was foretold just so,
    `against` what was foretold otherwise than it was seen.
    """

    piece: Evidence
    wrong: int
    explained: int
    against: int


def fares(evidence: Evidence, fault: Fault) -> list[Fares]:
    """Tell how a candidate fares with each piece of evidence."""
    foretold = next(evidence.over(FaultRows(evidence.model, [fault])))[1]
    found = []
    at = 0
    for piece in pieces_of(evidence):
        part = slice(at, at + len(piece))
        at = part.stop
        own = Foretold(foretold.words[:, part], foretold.known[:, part])
        known = own.known[0] & piece.looked
        off = (own.words[0] ^ piece.seen) & known
        explained = (
            piece.units(piece.wrong & known & ~off)
            if piece.is_by_bit
            else int(count(piece, own).explained[0])
        )
        found.append(Fares(piece, piece.units(piece.wrong), explained, piece.units(off)))
    return found


def _left_open(joint: Joint, faults: Sequence[Fault]) -> list[Fault]:
    """Give candidates that leave open what was wrong, of those the least contradicted.

    Where another explains all, only a few are worth it.
    """
    scores = score(joint, FaultRows(joint.model, faults))
    wrong = int((joint.wrong != 0).sum())
    least = int(scores.contradicted.min(initial=0))
    left = wrong - scores.explained - scores.unexplained
    able = np.flatnonzero((left > 0) & (scores.contradicted == least))
    order = np.lexsort((able, -scores.explained[able]))
    is_whole = bool(((scores.contradicted == 0) & (scores.explained == wrong)).any())
    most = _FEW_TRIED if is_whole else _MOST_TRIED
    return [faults[at] for at in able[order][:most].tolist()]
