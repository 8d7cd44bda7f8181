"""All evidence of one bus together: the ranked causes, with a second look at what is left open."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busdecode.diagnosis.evidence import Joint
from busdecode.diagnosis.remade import Remade, Tried
from busdecode.diagnosis.score import Scores, count, score
from busdecode.diagnosis.verdict import judge, score_all
from busdecode.predict import FaultRows, Foretold, lines_of
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence

    from busdecode.diagnosis.evidence import Evidence
    from busdecode.diagnosis.recorded import Recorded
    from busdecode.diagnosis.verdict import Judgement, Scored
    from busdecode.faults import Fault

__all__ = ["Fares", "diagnose", "fares", "pieces_of"]

_MOST_TRIED, _FEW_TRIED, _NEAR_TRIED = 24, 6, 10
"""So many candidates at most are tried by making the runs again; where one explains all, fewer;
where that was tried itself, so many more that are about its lines."""

_ROUNDS = 2

_MOST_TRANSFERS = 1200
"""So many transfers at most are made again, for all of them together, but for the first few."""


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
    scored = score_all(joint, faults)
    seen: Joint | Tried = joint
    for _ in range(_ROUNDS if recorded and joint.wrong.any() else 0):
        done = seen.found if isinstance(seen, Tried) else {}
        chosen = _left_open(joint, recorded, scored, done)
        if not chosen:
            break
        begin(f"{counted(len(chosen), 'candidate')}, each in runs of its own")
        named = [fault for at in chosen if (fault := scored.rows.faults[at]) is not None]
        seen = Tried.of(joint, recorded, named, done)
        scored = _again(seen, scored, chosen)
    begin("what is left")
    judgement = _with_untold(judge(seen, faults, scored), joint, recorded, scored)
    doubts = tuple(each.doubt for each in recorded if each.doubt is not None)
    return seen, replace(judgement, doubts=doubts)


def _with_untold(
    judgement: Judgement, joint: Joint, recorded: Sequence[Recorded], scored: Scored
) -> Judgement:
    """Name ties of the first group's lines, if of control, to lines that nobody knows of.

    Without a log, what was on a line that was not captured is not known, and no run can be made
    again with it: that such a tie would show just what was seen cannot be excluded.
    """
    model = joint.model
    if not recorded or not judgement.groups or judgement.groups[0].contradicted:
        return judgement
    first = judgement.groups[0].faults
    if not all(model.controls(fault) for fault in first):
        return judgement
    own = {line for fault in first for line in lines_of(fault)}
    scores = scored.scores
    untold = [
        fault
        for at in np.flatnonzero((scores.contradicted == 0) & (scores.matched == 0)).tolist()
        if (fault := scored.rows.faults[at]) is not None
        and own & set(lines_of(fault))
        and any(each.hides(fault) for each in recorded)
    ]
    akin = tuple(dict.fromkeys((*judgement.akin, *untold)))
    return replace(judgement, akin=akin, rivals=judgement.rivals + len(untold))


def _again(tried: Tried, scored: Scored, which: Sequence[int]) -> Scored:
    """Score once more what was tried.

    What was not made again of a long run is left open by that alone: there a candidate that the
    rest does not contradict counts as the best does that none contradicts.
    """
    rows = scored.rows.part(np.array(which, dtype=np.int64))
    fresh, made = score(tried, rows), score(tried.of_what_was_made(), rows)
    columns = {name: getattr(scored.scores, name).copy() for name in Scores.__dataclass_fields__}
    for name, column in columns.items():
        column[list(which)] = getattr(fresh, name)
    left = Scores(**columns)
    may_be = left.contradicted == 0
    if may_be.any():
        best = int(np.argmax(np.where(may_be, left.weight, -np.inf)))
        best_row = scored.rows.part(np.array([best], dtype=np.int64))
        elsewhere = float(score(tried.of_the_rest(), best_row).weight[0])
        as_best = np.maximum(made.weight + elsewhere, fresh.weight)
        left.weight[list(which)] = np.where(may_be[list(which)], as_best, fresh.weight)
    return scored._replace(scores=left)


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


def _left_open(
    joint: Joint, recorded: Sequence[Recorded], scored: Scored, done: Collection[Fault]
) -> list[int]:
    """Give the places of candidates that can be tried, leave much open, and may be it.

    Much is anything that was wrong; where all of that is explained, anything that was right.
    Where one candidate explains all, only those are worth it that are of control, and a few of
    them if it is about a line: those that are about that too. Some were tried before: then so is
    it where one of these explains most.
    """
    rows, scores = scored.rows, scored.scores
    wrong = int((joint.wrong != 0).sum())
    left = wrong - scores.explained - scores.unexplained
    can_try = [
        f is not None and f not in done and any(each.can_try(f) for each in recorded)
        for f in rows.faults
    ]
    is_open = ((left > 0) | (scores.silent > 0)) & (scores.contradicted == 0)
    is_open &= np.array(can_try, dtype=bool)
    count = max((Remade(each).count for each in recorded), default=1)
    most = max(_FEW_TRIED, min(_MOST_TRIED, _MOST_TRANSFERS // max(1, count)))
    is_whole = (scores.contradicted == 0) & (scores.explained == wrong)
    may_be = is_whole if is_whole.any() else scores.contradicted == 0
    if not may_be.any():
        return []
    if is_whole.any() or done:
        best = rows.faults[int(np.argmax(np.where(may_be, scores.weight, -np.inf)))]
        own = set(() if best is None else lines_of(best))
        is_open &= rows.controls | rows.special
        if own:
            is_open &= [bool(own & set(() if f is None else lines_of(f))) for f in rows.faults]
            most = _NEAR_TRIED if best in done else _FEW_TRIED
        if done and best not in done:
            return []
    able = np.flatnonzero(is_open)
    lines = np.array([len(lines_of(f)) if (f := rows.faults[at]) else 0 for at in able.tolist()])
    order = np.lexsort((able, lines, -scores.matched[able], -scores.explained[able]))
    ranked = able[order]
    # What leaves open what was wrong is not displaced by what leaves open what was right.
    sorts = ranked[left[ranked] > 0], ranked[left[ranked] <= 0]
    return [at for each in sorts for at in each[:most].tolist()]
