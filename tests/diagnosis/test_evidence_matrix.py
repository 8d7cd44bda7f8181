"""Part of the matrix of all evidence: logs, captures of few lines and all, and both together.

What is true is the fault that the synthesised target had. The whole is
``python -m benchmarks.diagnosis_matrix``.
"""

from __future__ import annotations

from collections import Counter
from random import Random

import pytest

from benchmarks import fault_matrix
from benchmarks.diagnosis_matrix import EVIDENCE, mismatched, said_of
from busdecode.predict import Model, candidates
from busdecode.protocol import load_bus

EVERY = {"6502": 40, "sram": 40}
"""Every so-manieth case, for time."""


@pytest.mark.parametrize(("name", "step"), EVERY.items())
def test_no_evidence_invents_a_cause_or_names_a_wrong_one(name: str, step: int) -> None:
    """Check single faults, what no candidate stands for, and a healthy target."""
    bus = load_bus(name)
    model, faults = Model(bus), candidates(bus)
    rng = Random(f"{name} evidence")
    cases = [("healthy", ""), *fault_matrix.cases(bus, rng)[1::step], *mismatched(bus, rng)[::6]]
    said: Counter[str] = Counter()
    for number, (_, text) in enumerate(cases):
        if not text.endswith(" hangs"):
            said.update(said_of(model, faults, text, 500 + number).values())

    assert said["healthy"] == len(EVIDENCE)
    assert said["wrong"] == said["invented"] == 0
    assert said["first"] + said["twins"] > 0
