"""How many writes and reads it takes until one group of candidates is left.

Run: ``python -m benchmarks.readback_effort [BUS ...]``

Each candidate that can be foretold is the truth once. Adaptive: each time the step that is
expected to tell most of what is left. Fixed: the words of a set, and then one step for each address
line, in their order; where a set never leaves one group, that is counted. Accesses are counted,
writes and reads together; medians and worst cases. The bound: with at most K different outcomes a
step, N groups cannot be told apart in fewer than log N / log K steps.
"""

from __future__ import annotations

import sys
from math import ceil, log2
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from busdecode.diagnosis import Outcomes, steps_of
from busdecode.faults import kind_name
from busdecode.plan import VECTOR_SETS, open_window
from busdecode.predict import FaultRows, Model, candidates
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["adaptive", "fixed"]

SETS = ("walking-ones", "walking-zeros", "walking-both", "true-complement")


def adaptive(
    outcomes: Outcomes, classes: NDArray[np.int64], truth: int, memory: dict[bytes, int]
) -> tuple[int, int]:
    """Give the steps and accesses until only the truth's class is left, or no step tells more."""
    left = np.ones(len(classes), dtype=bool)
    steps = accesses = 0
    while True:
        if len(np.unique(classes[left])) == 1:
            return steps, accesses
        key = np.packbits(left).tobytes()
        if key not in memory:
            gains = outcomes.gains(left / left.sum())
            memory[key] = int(np.argmax(gains)) if gains.max() > 1e-9 else -1
        best = memory[key]
        if best < 0:
            return steps, accesses
        left &= outcomes.number[best] == outcomes.number[best, truth]
        steps += 1
        accesses += len(outcomes.steps[best].accesses)


def fixed(
    outcomes: Outcomes, classes: NDArray[np.int64], truth: int, order: list[int]
) -> int | None:
    """Give the accesses until only the truth's class is left, in a fixed order; None if never."""
    left = np.ones(len(classes), dtype=bool)
    accesses = 0
    for at in order:
        if len(np.unique(classes[left])) == 1:
            return accesses
        left &= outcomes.number[at] == outcomes.number[at, truth]
        accesses += len(outcomes.steps[at].accesses)
    return accesses if len(np.unique(classes[left])) == 1 else None


def _main(name: str) -> None:
    bus = load_bus(name)
    span = min(4096, 1 << bus.address_width - 1)
    window = open_window(bus, span, span)
    model, steps = Model(bus), steps_of(window)
    every = FaultRows(model, [None, *candidates(bus)])
    first = Outcomes.of(model, steps, every)
    told = np.flatnonzero((first.unknown == 0).all(axis=0))
    outcomes = Outcomes(first.steps, first.number[:, told], first.unknown[:, told])
    classes = outcomes.alike()
    groups = len(np.unique(classes))
    most = max(len(np.unique(row)) for row in outcomes.number)
    print(
        f"{name}: {len(told) - 1:,} of {len(every) - 1:,} candidates are foretold in every step, "
        f"{groups:,} groups; at most {most} outcomes a step: at least "
        f"{ceil(log2(groups) / log2(most))} steps"
    )
    orders = {}
    rest = [at for at, step in enumerate(steps) if "other way" in step.purpose]
    for method in SETS:
        words = VECTOR_SETS[method](window.bits)
        singles = {
            step.accesses[0].data: at
            for at, step in reversed(list(enumerate(steps)))
            if len(step.accesses) == 2 and step.accesses[0].address == window.anchor
        }
        orders[method] = [singles[word] for word in words] + rest
    memory: dict[bytes, int] = {}
    rows: dict[str, list[tuple[int, int, list[int | None]]]] = {}
    _, where = np.unique(classes, return_index=True)
    for truth in where.tolist():
        fault = every.faults[told[truth]]
        kind = "healthy" if fault is None else kind_name(fault)
        one = adaptive(outcomes, classes, truth, memory)
        others = [fixed(outcomes, classes, truth, order) for order in orders.values()]
        rows.setdefault(kind, []).append((*one, others))
        rows.setdefault("all", []).append((*one, others))
    print(f"  {'kind':16} groups  adaptive: steps, accesses  " + "  ".join(SETS))
    for kind, found in rows.items():
        cells = []
        for at in range(len(SETS)):
            reached = [each[2][at] for each in found]
            fine = [each for each in reached if each is not None]
            told_of = f"{median(fine):.0f}/{max(fine)}" if fine else "-"
            cells.append(f"{told_of} (never {len(reached) - len(fine)})")
        made = [each[1] for each in found]
        print(
            f"  {kind:16} {len(found):6}  {median(e[0] for e in found):.0f}/"
            f"{max(e[0] for e in found)}, {median(made):.0f}/{max(made)}  " + "  ".join(cells)
        )


if __name__ == "__main__":
    for each in sys.argv[1:] or ["z80", "mc68000", "vmebus"]:
        _main(each)
