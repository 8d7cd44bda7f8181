"""Each limit of each bus, just met and just broken; then the broken ones sampled ever more slowly.

Prints for each bus how many sides of limits were named right, with what beside; and for each
sample rate how many of the broken captures were named, could not be told, or named a limit that
is not broken (which must be 0). Run: ``python -m benchmarks.limit_mutations [BUS ...]``.
"""

from __future__ import annotations

import sys
from collections import Counter

from busdecode.protocol import bundled_buses, load_bus
from busdecode.timing import Figures
from tests.timing.bases import Shown, shown
from tests.timing.mutants import replayed, sampled

RATES = (200, 100, 50, 20, 10)
"""Megasamples a second."""


def at_rates(figures: Figures, found: list[Shown]) -> dict[int, Counter[str]]:
    """Sample the captures in which a limit is broken; count what is said of each."""
    counts: dict[int, Counter[str]] = {rate: Counter() for rate in RATES}
    for each in found:
        if not each.is_right or each.broken is None:
            continue
        for rate in RATES:
            period = 1_000_000 // rate
            for first in (0, period // 3, 2 * period // 3):
                result, _ = replayed(sampled(each.broken.capture, period, first), figures)
                named = {
                    one.limit.number
                    for one in result.results
                    if one.broken and not one.limit.is_condition
                }
                if named - each.broken.named:
                    counts[rate]["wrong"] += 1
                elif each.limit.number in named:
                    counts[rate]["named"] += 1
                else:
                    counts[rate]["cannot tell"] += 1
    return counts


def main() -> None:
    """Print the table of each bus."""
    for name in sys.argv[1:] or bundled_buses():
        bus = load_bus(name)
        if not bus.limits:
            continue
        figures = Figures.of(bus)
        found = shown(bus, figures)
        right = [each for each in found if each.is_right]
        unseen = sum(limit.unseen is not None for limit in bus.limits)
        print(f"{name}, grade {figures.grade_name}: {len(bus.limits)} limits, {unseen} unseen;")
        print(f"  {len(right)} of {len(found)} sides named right where broken, none where met")
        for each in found:
            if each.beside:
                print(f"  {each.limit.number} {each.side}: beside it {', '.join(each.beside)}")
            if not each.is_right:
                print(f"  {each.limit.number} {each.side}: not shown")
        for rate, counts in at_rates(figures, found).items():
            print(
                f"  {rate:4} MS/s: named {counts['named']}, cannot tell {counts['cannot tell']}, "
                f"wrong {counts['wrong']}"
            )


if __name__ == "__main__":
    main()
