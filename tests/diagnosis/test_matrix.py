"""Part of the fault matrix: what read-backs alone say, against the fault that was there.

What is true is the fault that the synthesised target had. The whole is
``python -m benchmarks.readback_matrix``.
"""

from __future__ import annotations

from collections import Counter
from random import Random

import pytest

from benchmarks import fault_matrix, readback_matrix
from busdecode.diagnosis import judge, read_back
from busdecode.faults import parse_fault
from busdecode.predict import Model, candidates
from busdecode.protocol import load_bus

NARROW = ("6502", "sram", "z80")
WIDE = ("i8086", "mc68000", "orlop32")
EVERY = {**dict.fromkeys(NARROW, 2), **dict.fromkeys(WIDE, 10)}
"""Every so-manieth case, for time."""


def said_of(name: str, step: int) -> Counter[str]:
    """Judge every `step`-th kind of fault on planned accesses, and a healthy target."""
    bus = load_bus(name)
    model, faults, plan = Model(bus), candidates(bus), readback_matrix.plan_for(bus)
    cases = [("healthy", ""), *fault_matrix.cases(bus, Random(f"{name} matrix"))[::step]]
    said: Counter[str] = Counter()
    for number, (_, text) in enumerate(cases):
        if text.endswith(" hangs"):
            continue
        given = [parse_fault(text, bus)] if text else []
        log = readback_matrix.returned(bus, plan, given, number)
        verdict = judge(read_back(model, log), faults)
        if not text:
            said["healthy" if verdict.healthy else "invented"] += 1
        else:
            said[readback_matrix.judged(verdict, readback_matrix.truth_of(text, bus))] += 1
    return said


@pytest.mark.parametrize(("name", "step"), EVERY.items())
def test_no_cause_is_invented_and_none_is_wrong(name: str, step: int) -> None:
    """Check that many faults are named, none wrongly, and nothing on a healthy target."""
    said = said_of(name, step)

    assert said["healthy"] == 1
    assert said["wrong"] == said["invented"] == 0
    assert said["first"] + said["twins"] >= sum(said.values()) // 4
