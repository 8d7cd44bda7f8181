"""Buses of which no read follows from what was written: their lines tell all the same.

What is true is the fault with which the run was synthesised.
"""

from __future__ import annotations

from random import Random

import pytest

from benchmarks.stimulus import random_accesses
from busdecode.access import Access
from busdecode.diagnosis import diagnose, read_back
from busdecode.faults import parse_fault
from busdecode.predict import lines_of
from tests.diagnosis.readbacks import bus_of, log_of, model_of
from tests.diagnosis.runs import Made, candidates_of, joint_of, run, without


def made(name: str, fault: str | None, *, places: tuple[str, ...] = ("host",)) -> Made:
    """Make accesses of every kind on a target."""
    accesses = random_accesses(bus_of(name), 80, Random(name))
    return run(name, fault, accesses=accesses, seed=4, places=places)


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        ("8255", "bridge PA7 PA6 low-wins"),
        ("8255", "stuck PA7 high"),
        ("hd44780", "bridge DB2 DB5 high-wins"),
        ("hd44780-nibble", "stuck DB7 low"),
        ("ieee1284-epp", "bridge AD8 AD7 low-wins"),
        ("ata-pio", "bridge DD3 DD5 low-wins"),
    ],
)
def test_fault_of_data_lines_is_named_by_log_and_capture(name: str, fault: str) -> None:
    """What was written to a port is not what its lines show."""
    it = made(name, fault)
    gathered = it.gathered(it.capture())
    _, verdict = diagnose(gathered.logs, gathered.recorded, candidates_of(name))

    assert verdict.is_settled
    truth = parse_fault(fault, bus_of(name))
    assert [type(each) for each in verdict.groups[0].faults] == [type(truth)]
    assert {*lines_of(verdict.groups[0].faults[0])} == {*lines_of(truth)}


def test_strobe_that_is_broken_is_told_from_an_answer_that_never_comes() -> None:
    """The port sees no strobe, and takes nothing: more is foretold of it than of its answer."""
    it = made("8255", "open STB high")
    gathered = it.gathered(it.capture(without("8255", "PA7", "PA6", "PA4", "OBF", "INTR", "WR")))
    _, verdict = diagnose(gathered.logs, gathered.recorded, candidates_of("8255"))

    assert parse_fault("open STB high", bus_of("8255")) in verdict.groups[0].faults


@pytest.mark.parametrize("is_logged", [False, True])
@pytest.mark.parametrize(
    ("name", "left_out"),
    [
        ("8255", ()),
        ("hd44780", ()),
        ("hd44780-nibble", ()),
        ("ieee1284-epp", ()),
        ("ata-pio", ()),
        # Which register is meant is known in part.
        ("ata-pio", ("DA2", "DD12", "DD13")),
        ("ata-pio", ("DA0", "DD0")),
    ],
)
def test_healthy_port_is_accused_of_nothing(
    name: str, left_out: tuple[str, ...], is_logged: bool
) -> None:
    """With and without a log, with all lines and fewer."""
    it = made(name, None)
    joint = joint_of(it.gathered(it.capture(without(name, *left_out), is_logged=is_logged)))

    assert joint.judged > 50
    assert not joint.wrong.any()


def test_what_no_memory_answers_counts_where_nothing_else_was_done() -> None:
    """Beside accesses to a memory it may be that of another card."""
    vectors = [Access("interrupt-acknowledge", 0, 1, 0xA5)] * 2
    alone = read_back(model_of("z80"), vectors)
    beside = read_back(model_of("z80"), [*vectors, *log_of("w0=11 r0=11")])

    assert [each.kind for each in alone.foreteller.transfers] == ["interrupt-acknowledge"] * 2
    assert alone.judged == 0
    assert alone.notes == (
        "no memory answers: what reads should return is not known, lines alone tell",
    )
    assert [each.kind for each in beside.foreteller.transfers] == ["write", "read"]
    assert beside.judged == 1


def test_beats_that_no_port_can_have_made_are_left_out() -> None:
    """A line by which the card tells its port is held low; without a log its beats fit no port."""
    it = run("mc68020", "stuck DSACK1 low", seed=25)
    gathered = it.gathered(it.capture(is_logged=False))

    assert any("left out: no port moves the lanes" in note for note in gathered.notes)
