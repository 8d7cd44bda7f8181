"""Choosing few accesses: what they tell, and that the choice is stable."""

from __future__ import annotations

import pytest

from busdecode.errors import RequestError
from busdecode.plan import Prediction, line_candidates, make_plan, open_window, separated
from busdecode.plan.budget import MOST_UNITS
from busdecode.protocol import load_bus

WINDOW = open_window(load_bus("z80"), 0x8000, 0x100)
METHODS = ["walking-both", "true-complement", "address-powers"]


def told(budget: int | None) -> int:
    """Count the pairs of candidate faults that a plan tells apart."""
    steps = make_plan(WINDOW, METHODS, budget=budget).steps
    return separated(Prediction(WINDOW, line_candidates(WINDOW), steps).reads())


def test_first_choice_is_the_best_single_word() -> None:
    """Check by trying every word alone that the first of the best is chosen."""
    candidates = line_candidates(WINDOW)
    plan = make_plan(WINDOW, METHODS)
    units = {step.unit for step in plan.steps}
    alone = {
        unit: separated(
            Prediction(
                WINDOW, candidates, [step for step in plan.steps if step.unit == unit]
            ).reads()
        )
        for unit in units
    }

    best = next(unit for unit in sorted(alone) if alone[unit] == max(alone.values()))

    assert list(alone.values()).count(max(alone.values())) > 1
    assert make_plan(WINDOW, METHODS, budget=2).steps == tuple(
        step for step in plan.steps if step.unit == best
    )


def test_more_accesses_tell_more_and_never_more_than_all() -> None:
    """Check that what is told rises with the budget up to what the whole plan tells."""
    found = [told(budget) for budget in (2, 4, 8, 16, 64)]

    assert found == sorted(set(found))
    assert found[-1] == told(None)


def test_choice_keeps_order_and_the_budget_and_is_stable() -> None:
    """Check that chosen steps stand in the plan's order, units whole, twice the same."""
    whole = make_plan(WINDOW, METHODS).steps
    chosen = [make_plan(WINDOW, METHODS, budget=13) for _ in range(2)]
    places = [whole.index(step) for step in chosen[0].steps]
    units = {step.unit for step in chosen[0].steps}

    assert chosen[0] == chosen[1]
    assert places == sorted(places)
    assert len(places) == 12
    assert places == [at for at, step in enumerate(whole) if step.unit in units]
    assert chosen[0].notes[0].startswith("chosen: 12 of 62 accesses; they tell ")


@pytest.mark.parametrize(
    ("methods", "budget", "message"),
    [
        (["counting"], 1, "a budget of 1 is too small for counting"),
        (["lanes"], 3, "a budget of 3 is too small for lanes"),
        (["mats+"], 10, "mats+ tells nothing when accesses are left out"),
        (["address-in-turn"], 10, "address-in-turn tells nothing when accesses are left out"),
        (["address-in-address"], 10, "address-in-address leaves 512 things to choose from"),
    ],
)
def test_nothing_to_choose_from(methods: list[str], budget: int, message: str) -> None:
    """Check each reason."""
    assert MOST_UNITS < 512
    with pytest.raises(RequestError) as caught:
        make_plan(WINDOW, methods, budget=budget)

    assert caught.value.found == message
