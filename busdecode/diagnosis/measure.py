"""What to do next, of any kind: accesses to make, a line to clip on, two points to beep."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from busdecode.cycles import strobes_of
from busdecode.diagnosis.probing import (
    Beep,
    fault_reads,
    lines_to_clip,
    pairs_to_beep,
    telling_points,
)
from busdecode.diagnosis.score import score
from busdecode.diagnosis.steps import Outcomes, next_steps, steps_of
from busdecode.faults import RAILS
from busdecode.predict import FaultRows, LineForeteller

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from busdecode.diagnosis.evidence import Evidence
    from busdecode.diagnosis.probing import Clip, Clips
    from busdecode.diagnosis.recorded import Recorded
    from busdecode.diagnosis.steps import Step
    from busdecode.diagnosis.verdict import Judgement
    from busdecode.faults import Fault
    from busdecode.plan import Window
    from busdecode.protocol import Bus

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
        What it is expected to tell, bits; 0 of what only proves it.
    sentence : str
    step : Step or None
        The accesses.
    lines : tuple of str
        The lines to clip on; the two lines, or the line and the rail, to beep.
    place : str
        Where to clip them on: ``host`` or ``card``.
    instead : tuple of (str, str)
        The place and the line of each channel to take off for them.
    """

    how: Literal["access", "clip", "beep"]
    gain: float
    sentence: str
    step: Step | None = None
    lines: tuple[str, ...] = ()
    place: str = ""
    instead: tuple[tuple[str, str], ...] = ()


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

    Where the cause is settled, the last is what proves it: the points that read otherwise with it.
    Where no candidate fits, and none tells what to do, it is to look at lines that were not seen.

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
        Lines that stay clipped on; the strobes that cycles are seen by do so anyway.
    beeped : collection of frozenset of str
        Two lines each that were beeped already; they are not proposed again.
    """
    found = _telling_most(evidence, judgement, recorded, window, offset, channels, fixed, beeped)
    found = [each for each in found if each.gain >= LEAST_GAIN]
    found.sort(key=lambda each: -round(each.gain, 6))
    if judgement.is_settled and not any(each.how == "beep" for each in found):
        found += _proof(judgement.groups[0].faults, beeped)
    if judgement.more_than_one_cause and recorded and not found:
        found += _not_seen_yet(evidence.model.bus, recorded, channels, fixed)
    return found


def _not_seen_yet(
    bus: Bus, recorded: Sequence[Recorded], channels: int | None, fixed: Collection[str]
) -> list[Measure]:
    """Propose lines of which nothing was seen in this run, where no candidate tells what to do."""
    captured, taken, stays = _clipped(bus, recorded, channels, fixed)
    limit = len(captured) if channels is None else channels
    left = [line for line in bus.line_names if not {("host", line), ("card", line)} & taken]
    on = [("host", line) for line in left[: max(0, limit - len(stays))]]
    if not on:
        return []
    off = [each for each in captured if each not in stays]
    why = ": no candidate fits, and nothing was seen of these"
    return [_clip(on, off[: max(0, len(captured) + len(on) - limit)], 0.0, why)]


def _clipped(
    bus: Bus, recorded: Sequence[Recorded], channels: int | None, fixed: Collection[str]
) -> tuple[list[tuple[str, str]], set[tuple[str, str]], list[tuple[str, str]]]:
    """Give what the last capture has, what all of its run have, and what of it stays clipped on."""
    last = recorded[-1]
    captured = _captured([last])
    same = [each for each in recorded if each.log is not None and each.log is last.log]
    stay = {*fixed, *strobes_of(bus, [line for _, line in captured])}
    stays = [each for each in captured if each[1] in stay]
    taken = {*captured, *_captured(same)}
    if channels is not None and channels < len(captured):
        # Several captures were joined: what is clipped on now is not known, but what stays.
        captured = stays
    return captured, taken, stays


def _proof(faults: Sequence[Fault], beeped: Collection[frozenset[str]]) -> list[Measure]:
    """Give the points that read otherwise than on a healthy bus with most of some candidates."""
    points = Counter(pair for fault in faults for pair in telling_points(fault))
    for (one, other), _ in points.most_common(1):
        if frozenset((one, other)) not in beeped:
            beep = Beep((one, other), fault_reads(one, other), 1.0, 0.0)
            return [_beep(beep, "to prove it, ")]
    return []


def _telling_most(
    evidence: Evidence,
    judgement: Judgement,
    recorded: Sequence[Recorded],
    window: Window | None,
    offset: int,
    channels: int | None,
    fixed: Collection[str],
    beeped: Collection[frozenset[str]],
) -> list[Measure]:
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
        captured, taken, stays = _clipped(evidence.model.bus, recorded, channels, fixed)
        limit = channels if channels is not None and channels >= len(captured) else None
        clips = lines_to_clip(
            foretellers,
            rows,
            share,
            captured,
            channels=limit,
            fixed=stays,
            known=taken,
        )
        found += _clips(clips)
    return found


def _captured(recorded: Sequence[Recorded]) -> list[tuple[str, str]]:
    """Give place and line of what was captured."""
    return [
        ("card" if shown.place == "card" else "host", line)
        for each in recorded
        for shown in each.shown
        for line in shown.lines
    ]


def _beep(beep: Beep, why: str = "") -> Measure:
    one, other = beep.between
    if other in RAILS or one in RAILS:
        line, rail = (one, other) if other in RAILS else (other, one)
        what = f"beep {line} against {rail}"
    elif one == other:
        what = f"beep {one} from end to end: the host's contact to the card's"
    else:
        what = f"beep {one} against {other}"
    return Measure(
        "beep", beep.gain, f"{why}{what}; {beep.fault_reads} if that is it", lines=beep.between
    )


def _clips(clips: Clips) -> list[Measure]:
    """Propose lines to clip on: several at once, and some by themselves."""
    ways: list[tuple[tuple[Clip, ...], float]] = [((e,), e.gain) for e in clips.clips[:_OF_EACH]]
    if len(clips.together) > 1:
        ways = [(clips.together, clips.gain), *ways[: _OF_EACH - 1]]
    return [
        _clip(
            [(each.place, each.line) for each in on],
            [(e.place, e.line) for e in clips.spares[: max(0, len(on) - clips.free)]],
            gain,
        )
        for on, gain in ways
    ]


def _clip(
    on: Sequence[tuple[str, str]], off: Sequence[tuple[str, str]], gain: float, why: str = ""
) -> Measure:
    """Propose lines to clip on, of one place, and what to take off for them."""
    instead = f", in place of {_listed(off)}" if off else ""
    what = f"clip on {_listed(on)}{instead}, and make the same writes and reads again{why}"
    lines = tuple(line for _, line in on)
    return Measure("clip", gain, what, lines=lines, place=on[0][0], instead=tuple(off))


def _listed(clips: Sequence[tuple[str, str]]) -> str:
    """Name lines place by place."""
    by_place: dict[str, list[str]] = {}
    for place, line in clips:
        by_place.setdefault(place, []).append(line)
    return " and ".join(f"{', '.join(lines)} at the {at}" for at, lines in by_place.items())
