"""Someone at the bench: each step is proposed, its reads are taken in, until one group is left."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.diagnosis.evidence import read_back
from busdecode.diagnosis.score import score, shares
from busdecode.diagnosis.steps import Outcomes, next_steps

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.access import Access
    from busdecode.diagnosis.steps import Step
    from busdecode.faults import Fault
    from busdecode.predict import FaultRows, Model

__all__ = ["Bench", "Standing", "filled"]

ENOUGH = 0.98
"""A group that is so likely is the one that is left."""

LEAST_GAIN = 0.02
"""Bits; steps that promise less are not worth the typing."""


@dataclass(frozen=True)
class Standing:
    """Where the search stands.

    Parameters
    ----------
    leading : tuple of Fault or None
        The candidates of the likeliest group; None among them is a healthy bus.
    share : float
        How likely the group is.
    groups : int
        Groups that are still likely: together they have nearly all of the likelihood.
    next : tuple of (Step, float)
        Best first, with the expected gain in bits.
    is_over : bool
        One group is left, or no step tells more.
    """

    leading: tuple[Fault | None, ...]
    share: float
    groups: int
    next: tuple[tuple[Step, float], ...]
    is_over: bool


class Bench:
    """An adaptive search for the cause.

    Parameters
    ----------
    model : Model
    faults : FaultRows
        With None among them, for a healthy bus.
    outcomes : Outcomes
        Of the steps that may be proposed, with these faults.
    offset : int
        Added to every address that software uses.
    """

    def __init__(
        self, model: Model, faults: FaultRows, outcomes: Outcomes, offset: int = 0
    ) -> None:
        self._model, self._outcomes, self._offset = model, outcomes, offset
        self._faults = faults
        self._alike = outcomes.alike()

    def standing(self, log: Sequence[Access]) -> Standing:
        """Weigh all that was read so far, and say what to do next."""
        share = self._share(log)
        of_group = np.bincount(self._alike, weights=share)
        order = np.argsort(-of_group, kind="stable")
        leading = tuple(
            self._faults.faults[at] for at in np.flatnonzero(self._alike == order[0]).tolist()
        )
        likely = int(np.searchsorted(np.cumsum(of_group[order]), ENOUGH)) + 1
        steps = next_steps(self._outcomes, share, len(self._outcomes.steps))
        best = float(of_group[order[0]])
        is_over = best >= ENOUGH or not steps or steps[0][1] < LEAST_GAIN
        return Standing(leading, best, likely, tuple(steps), is_over)

    def _share(self, log: Sequence[Access]) -> NDArray[np.float64]:
        if not log:
            return np.full(len(self._faults), 1 / len(self._faults))
        evidence = read_back(self._model, log, offset=self._offset)
        return shares(score(evidence, self._faults).weight)


def filled(step: Step, read: Sequence[int]) -> list[Access]:
    """Give the accesses of a step with what its reads returned, in order."""
    values = iter(read)
    return [
        each if each.op == "write" else replace(each, data=next(values)) for each in step.accesses
    ]
