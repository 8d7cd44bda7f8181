"""Faults on buses: the true lines and the first phase are named, and no other line ever is.

What is true follows from the node model, not from the comparison: a fault of a line shows in
the first phase in which the description fixes that line's level.
"""

from __future__ import annotations

from collections import Counter
from random import Random

import numpy as np
import pytest

from benchmarks import fault_matrix as matrix
from busdecode.access import Access, AccessLog
from busdecode.compare import Comparison, compare
from busdecode.cycles import DecodedPlace, Synthesis, decode, synthesise_log
from busdecode.faults import (
    BRIDGE_RULES,
    Bridge,
    Fault,
    Lane,
    LateData,
    NoAcknowledge,
    Open,
    ReadDriver,
    Stuck,
    Swapped,
    WriteReceiver,
    written_fault,
)
from busdecode.protocol import Bus, bundled_buses, load_bus

SEEDS = (3, 4)
BUSES = ("mc68000", "orlop32", "z80")
"""Buses of which every kind of fault is held against the first phase too."""
READ_PHASE = {"mc68000": "acknowledge", "orlop32": "acknowledge", "z80": "data"}
"""Where each description first fixes the data of a read: ``[valid] read``."""
LATE = {
    # Longer than the description allows, shorter than the strobe; for the Z80, whose reads are
    # only judged where they end, longer than the strobe.
    "mc68000": (130_000, 170_000),
    "orlop32": (120_000, 80_000),
    "z80": (330_000, 900_000),
}


def accesses(bus: Bus, rng: Random, count: int = 70) -> list[Access]:
    """Writes of every size, and reads of what was written."""
    made: list[Access] = []
    written: list[tuple[int, int]] = []
    for _ in range(count):
        if written and rng.random() < 0.5:
            address, size = rng.choice(written)
            made.append(Access("read", address, size, None))
            continue
        size = rng.choice([each for each in (1, 2, 4) if each <= bus.word_bytes])
        address = rng.getrandbits(bus.address_width) // size * size
        made.append(Access("write", address, size, rng.getrandbits(8 * size)))
        written.append((address, size))
    return made


def whole_words(bus: Bus, rng: Random) -> list[Access]:
    """Words written and read back: no byte is ever on the lines that nobody wrote."""
    words = [(word * bus.word_bytes, rng.getrandbits(8 * bus.word_bytes)) for word in range(24)]
    writes = [Access("write", address, bus.word_bytes, data) for address, data in words]
    return writes + [Access("read", address, bus.word_bytes, None) for address, _ in words]


def run(
    bus: Bus, fault: Fault, seed: int, asked: list[Access] | None = None
) -> tuple[Comparison, Synthesis]:
    """Synthesise with the fault, and compare with what the host then read."""
    asked = accesses(bus, Random(seed)) if asked is None else asked
    made, log = synthesise_log(bus, asked, seed=seed, faults=[fault])
    places = {}
    for name, capture in made.places.items():
        table, decoder = decode(bus, [capture])
        places[name] = DecodedPlace(bus, name, capture, table, 0, tuple(decoder.notes))
    return compare(places, AccessLog(tuple(log), 0, "made", ())), made


def data_phase(bus: Bus, line: str) -> str:
    """The first phase that fixes a data line: the address, where it carries that too."""
    return "address" if line in bus.address else "data"


def cases(name: str) -> list[tuple[Fault, frozenset[str], str]]:
    """Every kind of fault, the lines that it is about, and the phase in which it shows first."""
    bus = load_bus(name)
    rng = Random(name)
    d, e = rng.sample(bus.data, 2)
    a, b = rng.sample([line for line in bus.address if line not in bus.data] or bus.address, 2)
    pair = min(data_phase(bus, each) for each in (d, e))
    read = READ_PHASE[name]
    found: list[tuple[Fault, frozenset[str], str]] = []
    for level in (0, 1):
        found.append((Stuck(d, level), frozenset({d}), data_phase(bus, d)))  # type: ignore[arg-type]
        found.append((Stuck(a, level), frozenset({a}), "address"))  # type: ignore[arg-type]
        found.append((ReadDriver(d, level), frozenset({d}), read))  # type: ignore[arg-type]
        found.append((WriteReceiver(d, level), frozenset({d}), read))  # type: ignore[arg-type]
    for rule in BRIDGE_RULES:
        found.append((Bridge(d, e, rule), frozenset({d, e}), pair))
        found.append((Bridge(a, b, rule), frozenset({a, b}), "address"))
    for floats in ("high", "low", "keep"):
        found.append((Open(d, floats), frozenset({d}), data_phase(bus, d)))  # type: ignore[arg-type]
        found.append((Open(a, floats), frozenset({a}), "address"))  # type: ignore[arg-type]
    found.append((Swapped(d, e), frozenset({d, e}), pair))
    found.append((Swapped(a, b), frozenset({a, b}), "address"))
    for strobe in bus.lane_strobes:
        found.append((Lane(strobe, False), frozenset({strobe}), "data"))
        found.append((Lane(strobe, True), frozenset({strobe}), "address"))
    for line in bus.ending.acknowledged[:1]:
        for then in ("error", "ends", "hangs"):
            found.append((NoAcknowledge(line, then), frozenset({line}), "acknowledge"))  # type: ignore[arg-type]
    late_write, late_read = LATE[name]
    found.append((LateData("write", late_write), frozenset(bus.data), "data"))
    found.append((LateData("read", late_read), frozenset(bus.data), read))
    return found


CASES = [
    pytest.param(name, fault, lines, phase, id=f"{name}: {written_fault(fault)}")
    for name in BUSES
    for fault, lines, phase in cases(name)
]


@pytest.mark.parametrize(("name", "fault", "lines", "phase"), CASES)
def test_the_true_lines_and_the_first_phase_are_named(
    name: str, fault: Fault, lines: frozenset[str], phase: str
) -> None:
    """The most telling finding names the lines of the fault and where it shows first."""
    bus = load_bus(name)
    for seed in SEEDS:
        result, _ = run(bus, fault, seed)

        first = result.findings[0]
        if isinstance(fault, LateData):
            # A data line that never differed from its last level cannot show that it is late.
            assert set(first.lines) <= lines
            assert len(first.lines) >= len(lines) // 2
        else:
            groups = {frozenset(first.lines), *map(frozenset, first.twins)}
            assert lines in groups
        assert first.phase == phase


@pytest.mark.parametrize("name", BUSES)
@pytest.mark.parametrize("level", [0, 1])
def test_reader_and_receiver_faults_are_twins_by_their_evidence(name: str, level: int) -> None:
    """A driver and a receiver stuck at one level make the same levels and the same read-backs."""
    bus = load_bus(name)
    line = bus.data[2]
    asked = whole_words(bus, Random(3))
    _, driver = run(bus, ReadDriver(line, level), 3, asked)  # type: ignore[arg-type]
    verdict, receiver = run(bus, WriteReceiver(line, level), 3, asked)  # type: ignore[arg-type]

    for place in ("host", "card"):
        assert np.array_equal(driver.places[place].states, receiver.places[place].states)
        assert np.array_equal(driver.places[place].times, receiver.places[place].times)
    assert driver.returned == receiver.returned
    assert verdict.findings[0].path == "stored"
    assert "receiver, cell or driver" in verdict.findings[0].sentence


@pytest.mark.parametrize("rule", ["low-wins", "high-wins", "a-wins", "b-wins"])
@pytest.mark.parametrize("name", [name for name in BUSES if load_bus(name).lane_strobes])
def test_a_data_line_tied_to_a_lane_strobe_is_named(name: str, rule: str) -> None:
    """The pair is named whoever wins, though lanes are lost and beats come and go."""
    bus = load_bus(name)
    strobe, line = bus.lane_strobes[1], bus.data[5]
    result, _ = run(bus, Bridge(line, strobe, rule), 3)  # type: ignore[arg-type]

    assert set(result.findings[0].lines) == {line, strobe}


def test_each_way_of_deciding_a_bridge_is_told() -> None:
    """The condition says who wins where the two lines are meant to differ."""
    bus = load_bus("mc68000")
    told = {
        rule: run(bus, Bridge("D7", "D4", rule), 3)[0].findings[0].condition
        for rule in BRIDGE_RULES
    }

    assert told["low-wins"].endswith("; low wins")
    assert told["high-wins"].endswith("; high wins")
    assert told["a-wins"].endswith("; D7 decides")
    assert told["b-wins"].endswith("; D4 decides")


EXPLAINED = {("hd44780", "open E high")}
"""A card that drives all the time, of which the host alone sees one data line held low: with no
probe at the card that is what a line stuck low shows, bit for bit."""


@pytest.mark.parametrize("name", bundled_buses())
def test_no_line_is_accused_that_is_not_at_fault(name: str) -> None:
    """A part of the full matrix: one fault of every kind, as `benchmarks/fault_matrix.py` judges.

    That benchmark runs all faults, places and seeds, and prints the table.
    """
    rng = Random(name)
    by_kind: dict[str, list[str]] = {}
    for kind, text in matrix.cases(load_bus(name), rng):
        by_kind.setdefault(kind, []).append(text)
    verdicts = Counter()
    for kind, texts in by_kind.items():
        text, places = rng.choice(texts), rng.choice(matrix.PLACES)
        _, _, verdict, said = matrix.one_case(name, kind, text, places, 0, 40)
        if places == ("host",) and (name, text) in EXPLAINED:
            continue
        assert verdict not in ("wrong", "invented"), f"{text}: {said}"
        verdicts[verdict] += 1

    assert verdicts["right"] + verdicts["twins"] >= len(by_kind) // 3
