"""What all evidence of a repair tells, as text for people and as one JSON object."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from busdecode.faults import written_fault
from busdecode.report.readback import access_text, step_object
from busdecode.report.verdicts import SEEN, verdict_object, verdict_rows
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.diagnosis import Evidence, Fares, Judgement, Measure, Oddity
    from busdecode.protocol import Bus

__all__ = ["Diagnosis", "diagnosis_object", "diagnosis_text"]


_WHERE = 4
"""So many lines or pairs that are wrong are named in a row of text."""


class Diagnosis(NamedTuple):
    """What is told of a case.

    `fares` says how the first candidate fares with each piece, and is empty where nothing was
    wrong; `odd` what else is odd, and in which capture; `next` what to do; `blind` what this
    evidence cannot show.
    """

    judgement: Judgement
    bus: Bus
    title: str
    pieces: Sequence[Evidence]
    fares: Sequence[Fares]
    odd: Sequence[tuple[str, Oddity]]
    next: Sequence[Measure]
    blind: Sequence[str]
    notes: Sequence[str]


_UNTOLD = {"beep": "proof", "clip": "not seen"}
"""What is proposed though no candidate tells what it would show."""


def diagnosis_text(told: Diagnosis) -> str:
    """Write a diagnosis: evidence, ranked causes, what else is odd, what to measure next."""
    judgement, bus, title, pieces, fares, odd, next_, blind, notes = told
    rows = [f"{title} on {bus.name}", ""]
    if judgement.doubts:
        rows += [*(f"Read with doubt: {each}." for each in judgement.doubts), ""]
    rows += ["Evidence:"]
    rows += [f"  {_told(piece)}" for piece in pieces]
    rows += ["", *verdict_rows(judgement, bus, SEEN)]
    rows += _agreement(fares)
    if odd:
        rows += ["", "Odd in the captures:", *(f"  {name}: {each}" for name, each in odd)]
    if next_:
        rows += ["", "Next, best first (writes go to live addresses; beep with power off):"]
        rows += [
            f"  {f'{each.gain:.2f} bits' if each.gain else _UNTOLD[each.how]:9}  "
            f"{_measure(bus, each)}"
            for each in next_
        ]
    if blind:
        rows += ["", "This evidence cannot show:", *(f"  {each}" for each in blind)]
    if notes:
        rows += ["notes:", *(f"  {note}" for note in notes)]
    return "\n".join(rows) + "\n"


def _told(piece: Evidence) -> str:
    judged = counted(piece.units(piece.known & piece.looked), piece.unit)
    row = f"{piece.name}: {judged} judged, {piece.units(piece.wrong)} wrong"
    where = piece.where()
    told = [name if times == 1 else f"{name} {times} times" for name, times in where[:_WHERE]]
    if len(where) > _WHERE:
        told.append(f"and {len(where) - _WHERE} more")
    return f"{row}: {', '.join(told)}" if told else row


def _agreement(fares: Sequence[Fares]) -> list[str]:
    """Say which pieces the first candidate explains, and which speak against it."""
    rows = []
    for each in fares:
        told = []
        if each.wrong:
            wrong = counted(each.wrong, f"wrong {each.piece.unit}")
            told.append(f"explains {each.explained} of {wrong}")
        if each.against:
            told.append(f"{counted(each.against, each.piece.unit)} against it")
        if told:
            rows.append(f"    {each.piece.name}: {', '.join(told)}")
    return ["The first of them, by piece of evidence:", *rows] if rows else []


def _measure(bus: Bus, measure: Measure) -> str:
    if measure.step is not None:
        return ", ".join(access_text(bus, each) for each in measure.step.accesses)
    return measure.sentence


def diagnosis_object(told: Diagnosis) -> dict[str, object]:
    """Give a diagnosis as the object that ``--json`` prints."""
    judgement, bus, title, pieces, fares, odd, next_, blind, notes = told
    return {
        "bus": bus.name,
        "case": title,
        "doubt": list(judgement.doubts),
        "evidence": [
            {
                "name": piece.name,
                "unit": piece.unit,
                "judged": piece.units(piece.known & piece.looked),
                "wrong": piece.units(piece.wrong),
                "where": [{"what": what, "times": times} for what, times in piece.where()],
            }
            for piece in pieces
        ],
        **verdict_object(judgement, bus),
        "first_by_piece": [
            {
                "name": each.piece.name,
                "unit": each.piece.unit,
                "wrong": each.wrong,
                "explained": each.explained,
                "contradicted": each.against,
            }
            for each in fares
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
        return step_object(measure.step, measure.gain)
    told: dict[str, object] = {"how": measure.how, "lines": list(measure.lines)}
    if measure.how == "clip":
        told["place"] = measure.place
        told["instead"] = [{"place": place, "line": line} for place, line in measure.instead]
    return {**told, "gain": measure.gain}
