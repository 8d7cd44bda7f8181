"""Limits as measured in some beats to the dimensions of a diagram."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from busdecode.protocol import event_lines
from busdecode.report.figures.figure import Measure
from busdecode.report.replay import bounds_text
from busdecode.timing import Outcome
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from busdecode.protocol import Bus, Limit, Point
    from busdecode.report.figures.choice import LaneChoice
    from busdecode.timing import Figures, Measured

__all__ = ["measures_of"]

_OUTCOMES: dict[Outcome, Literal["met", "broken", "cannot tell"]] = {
    Outcome.MET: "met",
    Outcome.BROKEN: "broken",
    Outcome.UNSURE: "cannot tell",
}


def measures_of(
    figures: Figures,
    measured: Sequence[Measured],
    lanes: Sequence[LaneChoice],
    wanted: Collection[str] | Literal["broken", "all"],
) -> tuple[list[Measure], list[str]]:
    """Give the dimensions to draw, and what is to be told of others.

    Parameters
    ----------
    figures : Figures
    measured : sequence of Measured
        Of the beats that are drawn.
    lanes : sequence of LaneChoice
    wanted : collection of str, ``broken`` or ``all``
        Numbers of limits, or which of them.
    """
    limit_of = {limit.number: limit for limit in figures.limits}
    found: list[Measure] = []
    told: list[str] = []
    without = 0
    for each in measured:
        limit = limit_of[each.number]
        is_broken = each.outcome == Outcome.BROKEN and not limit.is_condition
        if wanted == "broken" and not is_broken:
            continue
        if not isinstance(wanted, str) and each.number not in wanted:
            continue
        if each.stop is None:
            told.append(f"{each.number}, {limit.name}: never came in cycle {each.cycle}")
            continue
        names = _lane_names(figures.bus, limit, lanes)
        if not names:
            without += 1
            continue
        text = f"{bounds_text(*figures.at(limit))} ({each.number})"
        outcome = None if figures.at(limit) == (None, None) else _OUTCOMES[each.outcome]
        found.append(Measure(each.start, each.stop, names, text, outcome))
    if without:
        told.append(f"{counted(without, 'measured time')} between lines that are not drawn")
    return found, told


def _lane_names(bus: Bus, limit: Limit, lanes: Sequence[LaneChoice]) -> tuple[str, ...]:
    """Give the lanes between whose edges a limit is measured; none where one is not drawn."""
    names = []
    for point in (limit.start, limit.stop):
        lines = frozenset() if point is None else _lines(bus, point)
        lane = next((lane.name for lane in lanes if lines & set(lane.lines)), None)
        if lane is None:
            return ()
        names.append(lane)
    return tuple(dict.fromkeys(names))


def _lines(bus: Bus, point: Point) -> frozenset[str]:
    if point.event is not None:
        return event_lines(point.event)
    begins = {
        "address": bus.cycle_begins,
        "data": bus.beat_begins,
        "release": bus.beat_ends,
        **{phase.name: phase.begins for phase in bus.phases},
    }
    # Of alternatives the first is the one that counts where all is captured.
    return event_lines(begins[point.phase][0])
