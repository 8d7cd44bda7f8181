"""What to do next, of any kind: accesses to make, a line to clip on, two points to beep."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from busdecode.diagnosis.probing import lines_to_clip, pairs_to_beep
from busdecode.diagnosis.score import score
from busdecode.diagnosis.steps import Outcomes, next_steps, steps_of
from busdecode.faults import RAILS
from busdecode.predict import FaultRows, LineForeteller

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from busdecode.diagnosis.evidence import Evidence
    from busdecode.diagnosis.probing import Beep, Clip
    from busdecode.diagnosis.recorded import Recorded
    from busdecode.diagnosis.steps import Step
    from busdecode.diagnosis.verdict import Judgement
    from busdecode.faults import Fault
    from busdecode.plan import Window

__all__ = ["Measure", "next_measures"]

LEAST_GAIN = 0.005
"""Bits; what promises less is not proposed."""

_MOST_LEFT = 300
"""So many candidates, the likeliest, decide what to do next."""

_OF_EACH = 3


@dataclass(frozen=True)
class Measure:
    """One thing to do next.

    Parameters
    ----------
    how : str
        ``access``; ``clip`` a line on and make the same writes and reads again; ``beep``.
    gain : float
        What it is expected to tell, bits.
    sentence : str
    step : Step or None
        The accesses.
    lines : tuple of str
        The line to clip on; the two lines, or the line and the rail, to beep.
    place : str
        Where to clip it on: ``host`` or ``card``.
    instead : tuple of (str, str), or None
        The place and the line of the channel to take off for it.
    """

    how: Literal["access", "clip", "beep"]
    gain: float
    sentence: str
    step: Step | None = None
    lines: tuple[str, ...] = ()
    place: str = ""
    instead: tuple[str, str] | None = None


def next_measures(
    evidence: Evidence,
    judgement: Judgement,
    recorded: Sequence[Recorded],
    window: Window | None,
    *,
    offset: int = 0,
    channels: int | None = None,
    fixed: Collection[str] = (),
    beeped: Collection[frozenset[str]] = (),
) -> list[Measure]:
    """Give what to do next, best first by expected information; some of each kind.

    Parameters
    ----------
    evidence : Evidence
    judgement : Judgement
        Of this evidence.
    recorded : sequence of Recorded
        Lines are proposed for the last of them: the same stimulus again.
    window : Window or None
        Where accesses may be proposed.
    offset : int
        Added to every address that software uses.
    channels : int, optional
        How many the analyzer has.
    fixed : collection of str
        Lines that stay clipped on.
    beeped : collection of frozenset of str
        Two lines each that were beeped already; they are not proposed again.
    """
    left: list[Fault | None] = [None, *judgement.unseen] if judgement.healthy else []
    left += [fault for group in judgement.groups for fault in group.faults]
    left += judgement.akin
    rows = FaultRows(evidence.model, list(dict.fromkeys(left))[:_MOST_LEFT])
    if len(rows) < 2:
        return []
    weight = score(evidence, rows).weight
    share = np.exp(weight - weight.max())
    share /= share.sum()
    found: list[Measure] = []
    if window is not None:
        outcomes = Outcomes.of(evidence.model, steps_of(window, offset), rows, offset)
        found += [
            Measure("access", gain, step.purpose, step)
            for step, gain in next_steps(outcomes, share, _OF_EACH)
        ]
    beeps = pairs_to_beep(evidence.model.bus, rows.faults, share)
    found += [_beep(each) for each in beeps if frozenset(each.between) not in beeped][:_OF_EACH]
    if recorded:
        last = recorded[-1]
        foretellers = {
            place: LineForeteller(last.stimulus.foreteller, place) for place in ("host", "card")
        }
        captured = [
            ("card" if shown.place == "card" else "host", line)
            for shown in last.shown
            for line in shown.lines
        ]
        limit = channels if channels is not None and channels >= len(captured) else None
        clips = lines_to_clip(
            foretellers,
            rows,
            share,
            captured,
            channels=limit,
            fixed=[each for each in captured if each[1] in fixed],
        )
        found += [_clip(each, clips.spare) for each in clips.clips][:_OF_EACH]
    found = [each for each in found if each.gain >= LEAST_GAIN]
    return sorted(found, key=lambda each: -round(each.gain, 6))


def _beep(beep: Beep) -> Measure:
    one, other = beep.between
    if other in RAILS or one in RAILS:
        line, rail = (one, other) if other in RAILS else (other, one)
        what = f"beep {line} against {rail}"
    elif one == other:
        what = f"beep {one} from end to end: the host's contact to the card's"
    else:
        what = f"beep {one} against {other}"
    return Measure(
        "beep", beep.gain, f"{what}; {beep.fault_reads} if that is it", lines=beep.between
    )


def _clip(clip: Clip, spare: Clip | None) -> Measure:
    place = f"{clip.line} at the {clip.place}"
    instead = "" if spare is None else f", in place of {spare.line} at the {spare.place}"
    what = f"clip on {place}{instead}, and make the same writes and reads again"
    off = None if spare is None else (spare.place, spare.line)
    return Measure("clip", clip.gain, what, lines=(clip.line,), place=clip.place, instead=off)
