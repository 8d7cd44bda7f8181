"""Ideal cycles: every bundled bus, from its description alone."""

from __future__ import annotations

import numpy as np
import pytest

from busdecode.cycles import ENDINGS, ideal_cycles
from busdecode.errors import RequestError
from busdecode.protocol import bundled_buses, load_bus


@pytest.mark.parametrize("name", bundled_buses())
def test_each_kind_is_made_once_and_whole(name: str) -> None:
    """One cycle of each kind in the description's order, none ended by error or timeout."""
    bus = load_bus(name)
    _, table = ideal_cycles(bus)

    whole = table.take(table.ended != ENDINGS.index("cut-off"))
    assert whole.kind_names().tolist() == [kind.name for kind in bus.kinds]
    assert whole.count("error") == whole.count("timeout") == 0
    assert not whole.unsure.any()


def test_every_delay_is_the_middle_of_its_range() -> None:
    """MC68000: AS 90 to 130 ns after the address; DTACK and data by their own steps."""
    bus = load_bus("mc68000")
    after = {step.name: step.after_steps for step in bus.steps}
    assert after["address_strobe"] == (("address", (90_000, 130_000)),)
    capture, table = ideal_cycles(bus, ["write"])

    changes = np.flatnonzero(np.diff(capture.levels("A5"))) + 1
    address_at = int(capture.times[changes[0]])
    assert int(table.phase("address")[0]) - address_at == 110_000


def test_cycles_are_the_same_each_time() -> None:
    """Nothing is drawn at random."""
    bus = load_bus("vmebus")
    one, two = ideal_cycles(bus)[0], ideal_cycles(bus)[0]

    assert one.times.tolist() == two.times.tolist()
    assert one.states.tolist() == two.states.tolist()


def test_a_kind_that_the_bus_has_not_is_an_error() -> None:
    """The error names the kinds, and the one that is meant."""
    with pytest.raises(RequestError) as caught:
        ideal_cycles(load_bus("sram"), ["wriet"])
    assert str(caught.value) == (
        "sram has no kind 'wriet'\n  expected: one of write, read\n  do:       did you mean write?"
    )
