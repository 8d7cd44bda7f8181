"""Each limit of each bus: a capture that just meets it, and one that just breaks it."""

from __future__ import annotations

from itertools import pairwise

import pytest

from busdecode.cycles import decode
from busdecode.protocol import bundled_buses, load_bus
from busdecode.timing import Figures
from tests.published.test_limits import WITH_FIGURES
from tests.timing.bases import BASES, shown
from tests.timing.mutants import base_waves, replayed, sampled

NEVER_BROKEN: dict[str, set[tuple[str, str]]] = {
    # An answer that comes after the strobes is none: that is named.
    "orlop32": {("strobe stays", "min")},
}
"""Sides of limits that no moments break, with the reason beside each."""


@pytest.mark.parametrize("name", WITH_FIGURES)
def test_each_limit_is_named_where_it_is_broken_and_nowhere_else(name: str) -> None:
    """By a hair more than the uncertainty; beside it, what could not be met at the same time."""
    bus = load_bus(name)
    wrong = [
        (each.limit.number, each.side, each.beside)
        for each in shown(bus, Figures.of(bus))
        if not each.is_right and (each.limit.number, each.side) not in NEVER_BROKEN.get(name, ())
    ]

    assert wrong == []


def required_limits() -> list[tuple[str, str]]:
    """Give every limit whose end must come, of every bus."""
    return [
        (name, limit.number)
        for name in bundled_buses()
        for limit in load_bus(name).limits
        if limit.is_required
    ]


def named_without(name: str, *, goes_away: bool) -> list[set[str]]:
    """Have the answer of each beat in turn never come, or never go; give what is found then."""
    bus = load_bus(name)
    waves, figures = base_waves(bus), Figures.of(bus)
    answers = {line.name for line in bus.lines if line.role in ("acknowledge", "error", "wait")}
    table, _ = decode(bus, [waves.capture(waves.moments)])
    begins = (table.phase("release") - 1 if goes_away else table.start - 1).tolist()
    found = []
    for first, last in pairwise(begins):
        result, _ = replayed(waves.without(answers, first, last), figures)
        found.append({each.limit.number for each in result.results if each.broken})
    return found


@pytest.mark.parametrize(("name", "number"), required_limits())
def test_an_answer_that_never_comes_or_never_goes_is_named(name: str, number: str) -> None:
    """Taken away, nothing is named but what must come; what must go is named where it stays."""
    required = {limit.number for limit in load_bus(name).limits if limit.is_required}
    never = named_without(name, goes_away=False)
    stays = named_without(name, goes_away=True)

    assert all(found <= required for found in never)
    assert any(number in found for found in (*never, *stays))


@pytest.mark.parametrize("name", WITH_FIGURES)
def test_a_healthy_capture_breaks_nothing_at_any_sample_rate(name: str) -> None:
    """At 200 MS/s and slower, until nothing can be told: never a limit named."""
    bus = load_bus(name)
    capture = base_waves(bus).capture(base_waves(bus).moments)
    figures = Figures.of(bus)
    for period in (5_000, 10_000, 20_000, 50_000, 100_000):
        for first in (0, period // 3):
            result, _ = replayed(sampled(capture, period, first), figures)
            broken = [each.limit for each in result.results if each.broken]
            assert [limit.number for limit in broken if not limit.is_condition] == []


@pytest.mark.parametrize(("period", "can_tell"), [(20_000, True), (40_000, False)])
def test_a_clock_with_fewer_than_four_samples_tells_nothing(period: int, can_tell: bool) -> None:
    """The MC68000's clock of 8 MHz, 125 ns, at 50 and at 25 MS/s."""
    bus = load_bus("mc68000")
    waves = base_waves(bus, BASES["mc68000"][1])
    result, _ = replayed(sampled(waves.capture(waves.moments), period), Figures.of(bus))
    clocked = [each for each in result.results if "CLK" in each.limit.lines and each.checked]

    assert len(clocked) > 5
    assert any(each.met for each in clocked) == can_tell
    assert can_tell or all(each.unsure == each.checked for each in clocked)
