"""Choosing the few accesses of a plan that tell most."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.errors import RequestError
from busdecode.plan.candidates import Prediction, line_candidates, separated
from busdecode.plan.planned import Plan

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from busdecode.plan.candidates import Candidates
    from busdecode.plan.window import Window

__all__ = ["MOST_UNITS", "choose"]

MOST_UNITS = 256
"""Choosing among more takes too long."""


def choose(window: Window, plan: Plan, budget: int) -> Plan:
    """Choose, of a plan, accesses that together tell most faults of the lines apart.

    Units of accesses are taken one after the other: each time the one that separates the most
    further pairs of candidate faults for each access that it costs; of equals the first.
    The order of accesses is kept. The same plan and budget give the same choice.

    Parameters
    ----------
    window : Window
    plan : Plan
    budget : int
        Accesses at most.

    Raises
    ------
    RequestError
        If no unit fits, or there are too many units to choose from.
    """
    units = sorted({step.unit for step in plan.steps})
    costs = {unit: 0 for unit in units}
    for step in plan.steps:
        costs[step.unit] += 1
    if budget < min(costs.values()):
        raise RequestError(
            f"a budget of {budget} is too small for {plan.name}",
            expected=f"at least {min(costs.values())}, which tell something together only",
        )
    if len(units) > MOST_UNITS:
        raise RequestError(
            f"{plan.name} leaves {len(units):,} things to choose from",
            expected=f"at most {MOST_UNITS}",
            action="narrow the span, or choose a method with fewer",
        )
    candidates = line_candidates(window)
    prediction = Prediction(window, candidates, plan.steps)
    chosen: set[int] = set()
    told, left = 0, budget
    while True:
        best: int | None = None
        most, gain = told, 0.0
        for unit in units:
            if unit in chosen or costs[unit] > left:
                continue
            now = separated(prediction.reads(_steps(plan, {*chosen, unit})))
            if (now - told) / costs[unit] > gain:
                best, most, gain = unit, now, (now - told) / costs[unit]
        if best is None:
            break
        chosen.add(best)
        told, left = most, left - costs[best]
    kept = _steps(plan, chosen)
    notes = _told(candidates, prediction, kept, len(plan.steps))
    return Plan(plan.name, tuple(plan.steps[at] for at in kept), (*notes, *plan.notes))


def _steps(plan: Plan, units: set[int]) -> list[int]:
    return [at for at, step in enumerate(plan.steps) if step.unit in units]


def _told(
    candidates: Candidates, prediction: Prediction, kept: list[int], of: int
) -> tuple[str, str]:
    every, chosen, whole = len(candidates.names), prediction.reads(kept), prediction.reads()
    unseen = [_unseen(seen) for seen in (chosen, whole)]
    return (
        f"chosen: {len(kept)} of {of} accesses; they tell {separated(chosen):,} of "
        f"{every * (every - 1) // 2:,} pairs of candidate faults apart, all of them would "
        f"{separated(whole):,}",
        f"of {every - 1:,} candidate faults {unseen[0]:,} change none of the chosen reads, and "
        f"{unseen[1]:,} none of all",
    )


def _unseen(seen: NDArray[np.uint64]) -> int:
    """Count the faults that read like no fault, which is the first."""
    return int((seen == seen[:, :1]).all(axis=0).sum()) - 1
