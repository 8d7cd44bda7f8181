"""What all evidence of a repair tells, as text for people and as one JSON object."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.faults import written_fault
from busdecode.report.readback import access_object, access_text
from busdecode.report.verdicts import LISTED, SEEN, group_object, verdict_rows
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.diagnosis import Evidence, Judgement, Measure, Oddity, Scores
    from busdecode.protocol import Bus

__all__ = ["diagnosis_object", "diagnosis_text"]


def diagnosis_text(
    judgement: Judgement,
    bus: Bus,
    title: str,
    pieces: Sequence[Evidence],
    fares: Sequence[tuple[str, Scores]],
    odd: Sequence[tuple[str, Oddity]],
    next_: Sequence[Measure],
    blind: Sequence[str],
    notes: Sequence[str],
) -> str:
    """Write a diagnosis: the evidence, the ranked causes, what else is odd, what to measure next.

    Parameters
    ----------
    judgement : Judgement
    bus : Bus
    title : str
    pieces : sequence of Evidence
    fares : sequence of (str, Scores)
        How the first candidate fares with each piece; empty where nothing was wrong.
    odd : sequence of (str, Oddity)
        What else is odd, and in which capture.
    next_ : sequence of Measure
    blind : sequence of str
        What this evidence cannot show.
    notes : sequence of str
    """
    rows = [f"{title} on {bus.name}", "", "Evidence:"]
    rows += [f"  {_told(piece)}" for piece in pieces]
    rows += ["", *verdict_rows(judgement, bus, SEEN)]
    rows += _agreement(fares)
    if odd:
        rows += ["", "Odd in the captures:", *(f"  {name}: {each}" for name, each in odd)]
    if next_:
        rows += ["", "Next, best first (writes go to live addresses; beep with power off):"]
        rows += [f"  {each.gain:.2f} bits  {_measure(bus, each)}" for each in next_]
    if blind:
        rows += ["", "This evidence cannot show:", *(f"  {each}" for each in blind)]
    if notes:
        rows += ["notes:", *(f"  {note}" for note in notes)]
    return "\n".join(rows) + "\n"


def _told(piece: Evidence) -> str:
    wrong = int((piece.wrong != 0).sum())
    return f"{piece.name}: {counted(piece.judged, 'observation')} judged, {wrong} wrong"


def _agreement(fares: Sequence[tuple[str, Scores]]) -> list[str]:
    """Say which pieces the first candidate explains, and which speak against it."""
    rows = []
    for name, scores in fares:
        if scores.explained[0]:
            rows.append(f"    {name}: explains {scores.explained[0]}")
        if scores.contradicted[0]:
            against = counted(int(scores.contradicted[0]), "observation")
            rows.append(f"    {name}: {against} against it")
    return ["By piece, the first of them:", *rows] if rows else []


def _measure(bus: Bus, measure: Measure) -> str:
    if measure.step is not None:
        return ", ".join(access_text(bus, each) for each in measure.step.accesses)
    return measure.sentence


def diagnosis_object(
    judgement: Judgement,
    bus: Bus,
    title: str,
    pieces: Sequence[Evidence],
    fares: Sequence[tuple[str, Scores]],
    odd: Sequence[tuple[str, Oddity]],
    next_: Sequence[Measure],
    blind: Sequence[str],
    notes: Sequence[str],
) -> dict[str, object]:
    """Give a diagnosis as the object that ``--json`` prints; parameters as `diagnosis_text`."""
    return {
        "bus": bus.name,
        "case": title,
        "evidence": [
            {
                "name": piece.name,
                "judged": piece.judged,
                "wrong": int((piece.wrong != 0).sum()),
            }
            for piece in pieces
        ],
        "wrong": judgement.wrong,
        "healthy": judgement.healthy,
        "settled": judgement.is_settled,
        "more_than_one_cause": judgement.more_than_one_cause,
        "together": judgement.together,
        "in_doubt": judgement.is_in_doubt,
        "groups": [group_object(bus, group) for group in judgement.groups[:LISTED]],
        "groups_in_all": len(judgement.groups),
        "first_by_piece": [
            {
                "name": name,
                "explained": int(scores.explained[0]),
                "contradicted": int(scores.contradicted[0]),
            }
            for name, scores in fares
        ],
        "odd": [{"capture": name, "sentence": str(each)} for name, each in odd],
        "next": [_measure_object(each) for each in next_],
        "akin": [written_fault(fault) for fault in judgement.akin],
        "unseen": [written_fault(fault) for fault in judgement.unseen],
        "silent": [written_fault(fault) for fault in judgement.silent],
        "cannot_see": list(blind),
        "notes": list(notes),
    }


def _measure_object(measure: Measure) -> dict[str, object]:
    if measure.step is not None:
        first, *rest = measure.step.accesses
        return {
            "access": access_object(first),
            "then": [access_object(each) for each in rest],
            "purpose": measure.step.purpose,
            "gain": measure.gain,
        }
    return {"how": measure.how, "lines": list(measure.lines), "gain": measure.gain}
