"""Measured times against limits."""

from __future__ import annotations

import numpy as np
import pytest

from busdecode.cycles import MISSING
from busdecode.timing.judge import Outcome, judge

MET, UNSURE, BROKEN, UNMEASURED = (
    Outcome.MET, Outcome.UNSURE, Outcome.BROKEN, Outcome.UNMEASURED,
)  # fmt: skip

# A sampled interval of n periods lies between n - 1 and n + 1 periods (common practice,
# no source): so what is measured as 30 ns at 10 ns may be anything from 20 to 40 ns.
CASES = [
    (19, 30, None, 10, BROKEN),
    (20, 30, None, 10, BROKEN),
    (21, 30, None, 10, UNSURE),
    (30, 30, None, 10, UNSURE),
    (39, 30, None, 10, UNSURE),
    (40, 30, None, 10, MET),
    (80, None, 90, 10, MET),
    (81, None, 90, 10, UNSURE),
    (99, None, 90, 10, UNSURE),
    (100, None, 90, 10, BROKEN),
    (30, 30, None, 0, MET),
    (29, 30, None, 0, BROKEN),
    (90, None, 90, 0, MET),
    (91, None, 90, 0, BROKEN),
    (50, 40, 60, 10, MET),
    (50, 45, 55, 10, UNSURE),
    (-5, 0, None, 10, UNSURE),
    (-10, 0, None, 10, BROKEN),
]


@pytest.mark.parametrize(("value", "least", "most", "uncertainty", "outcome"), CASES)
def test_a_time_is_met_broken_or_too_near_to_tell(
    value: int, least: int | None, most: int | None, uncertainty: int, outcome: Outcome
) -> None:
    """What is nearer to the limit than the uncertainty is neither met nor broken."""
    found = judge(np.array([value]), least, most, uncertainty)

    assert Outcome(int(found[0])) == outcome


def test_what_was_not_measured_is_not_judged() -> None:
    """A missing time is neither met nor broken, whatever the limit."""
    found = judge(np.array([MISSING, 50]), 30, 90, 10)

    assert [Outcome(int(each)) for each in found] == [UNMEASURED, MET]
