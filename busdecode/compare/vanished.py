"""What is not there: strobes that never move, kinds of cycle that vanish, a cycle that hangs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.compare.verdict import Finding
from busdecode.cycles import DIRECTIONS, ENDINGS
from busdecode.protocol import fixed_levels
from busdecode.units import format_time

if TYPE_CHECKING:
    from collections.abc import Mapping

    from busdecode.compare.align import Alignment
    from busdecode.compare.meant import Meant
    from busdecode.compare.survey import PlaceSurvey
    from busdecode.cycles import CycleTable

__all__ = ["hung_cycle", "lost_kinds", "misread_lines", "short_pulses", "still_strobes"]


def still_strobes(surveys: Mapping[str, PlaceSurvey]) -> str | None:
    """Tell which strobes never move in the capture; None where all that were captured do."""
    told: dict[str, list[str]] = {}
    for name, survey in surveys.items():
        for line in survey.lines:
            level = survey.steady(line) if survey.bus.line(line).role == "strobe" else None
            if level is not None:
                told.setdefault(f"{line} stays {'high' if level else 'low'}", []).append(name)
    parts = [f"{what} at {' and '.join(where)}" for what, where in told.items()]
    return f"in the whole capture {', '.join(parts)}" if parts else None


def short_pulses(surveys: Mapping[str, PlaceSurvey]) -> str | None:
    """Tell which strobes have pulses shorter than any of the bus; None where none has."""
    told: dict[str, int] = {}
    for survey in surveys.values():
        for line, count in survey.short_pulses().items():
            if count > 1:
                told[line] = max(count, told.get(line, 0))
    if not told:
        return None
    parts = [f"{count} of {line}" for line, count in told.items()]
    bus = next(iter(surveys.values())).bus
    return (
        f"pulses shorter than any of {bus.name} ({format_time(bus.shortest_pulse)}): "
        f"{', '.join(parts)}; noise, slow edges or a bus that oscillates makes cycles that were "
        "not meant, and what is found may be a consequence"
    )


def lost_kinds(survey: PlaceSurvey, meant: Meant, aligned: Alignment) -> list[Finding]:
    """Find lines that never leave one level, and so keep all cycles of a logged kind away."""
    bus = survey.bus
    found: list[Finding] = []
    for at in np.unique(meant.kind).tolist():
        mine = meant.kind == at
        lost = int((aligned.beats[mine] < 0).sum())
        if lost < max(3, 0.9 * int(mine.sum())):
            continue
        kind = bus.kinds[at]
        wanted = fixed_levels(kind.levels)
        rivals: dict[str, int] = {}
        for other in bus.kinds[:at]:
            apart = {
                line: 1 - level
                for line, level in fixed_levels(other.levels).items()
                if line not in wanted
            }
            # Of a code on several lines no one line decides.
            if other.direction == kind.direction and len(apart) == 1:
                rivals |= apart
        for line, level in (*wanted.items(), *rivals.items()):
            role = bus.line(line).role
            if line not in survey.lines or role in ("address", "data", "address and data"):
                continue
            if survey.steady(line) != 1 - level:
                continue
            shown = "low" if level else "high"
            phase = bus.take["direction" if role == "direction" else "kind"].phase
            found.append(
                Finding(
                    lines=(line,),
                    twins=(),
                    phase=phase,
                    path="control",
                    places=(survey.place,),
                    wrong=lost,
                    compared=int(mine.sum()),
                    condition=None,
                    sentence=f"{line} stays {shown} in the whole capture at the {survey.place}: "
                    f"{lost} of {int(mine.sum())} logged cycles of kind {kind.name} are not "
                    f"there; first in the {phase} phase, on the control lines.",
                    beats=(),
                )
            )
    return found


def misread_lines(
    place: str, table: CycleTable, meant: Meant, aligned: Alignment
) -> Finding | None:
    """Find data lines that software read otherwise than the lines showed where data is taken.

    Beats that may have been paired wrongly, or whose data is not sure, are left out.
    """
    bus = table.bus
    which = np.flatnonzero(
        (aligned.beats >= 0)
        & aligned.is_likely
        & ~aligned.is_ambiguous
        & (meant.direction == DIRECTIONS.index("read"))
    )
    beats = aligned.beats[which]
    sure = ~table.unsure[beats] & (table.ended[beats] != ENDINGS.index("error"))
    which, beats = which[sure], beats[sure]
    compared = meant.moved_known[which] & table.data_known[beats]
    wrong = (meant.moved[which] ^ table.data[beats]) & compared
    failing = int(np.bitwise_or.reduce(wrong, initial=0))
    if not failing:
        return None
    bits = range(len(bus.data) - 1, -1, -1)
    lines = tuple(line for line, bit in zip(bus.data, bits, strict=True) if failing >> bit & 1)
    rows = beats[wrong != 0]
    beyond = "the host's receiver" if place != "card" else "the way to the host"
    named = ", ".join(lines[:4]) + (f" and {len(lines) - 4} more lines" if len(lines) > 4 else "")
    verb = "was" if len(lines) == 1 else "were"
    return Finding(
        lines=lines,
        twins=tuple((line,) for line in bus.ending.acknowledged),
        phase="release",
        path="read",
        places=(place,),
        wrong=len(rows),
        compared=int((compared != 0).sum()),
        condition=None,
        sentence=f"{named} {verb} read otherwise than the lines showed at the {place}: "
        f"wrong in {len(rows)} of {int((compared != 0).sum())} reads; first after the data was "
        f"taken ({beyond}, the software, the log, or an acknowledge that came early).",
        beats=tuple(int(row) for row in rows),
    )


def hung_cycle(survey: PlaceSurvey, table: CycleTable) -> Finding | None:
    """Find a last cycle that waits for its acknowledge until the capture ends."""
    bus = survey.bus
    lines = [line for line in bus.ending.acknowledged if line in survey.lines]
    if not len(table) or not lines or bus.ending.timeout is None:
        return None
    if table.ended[-1] != ENDINGS.index("cut-off"):
        return None
    open_for = int(table.end[-1] - table.start[-1])
    is_asserted = any(survey.asserts_after(line, int(table.start[-1])) for line in lines)
    if open_for < bus.ending.timeout or is_asserted:
        return None
    return Finding(
        lines=(lines[0],),
        twins=tuple((line,) for line in lines[1:]),
        phase="acknowledge",
        path="acknowledge",
        places=(survey.place,),
        wrong=1,
        compared=1,
        condition=None,
        sentence=f"{lines[0]} never becomes asserted in the last cycle, which has been open for "
        f"{format_time(open_for)} when the capture ends; first in the acknowledge phase, on the "
        "way of the acknowledge.",
        beats=(len(table) - 1,),
    )
