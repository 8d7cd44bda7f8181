"""Faults behind the card's buffers: the card sees them, the backplane what the card drives."""

from __future__ import annotations

from itertools import permutations
from random import Random

import pytest

from busdecode.access import Transfer
from busdecode.cycles import Simulation
from busdecode.cycles.wires import Wires
from busdecode.faults import Network
from busdecode.responder import Memory
from tests.faults.drawn import BUS, drawn, driven, faults_of, levels_of

# The buffers' part in it is this project's model: common practice, no source.
# faults, lines, then rows: host drives, card drives, at the host, at the card
TABLES = [
    ("card-side stuck D3 low", "D3", ["1 z 1 0", "z 1 0 0", "0 z 0 0"]),
    ("card-side stuck D3 high", "D3", ["0 z 0 1", "z 0 1 1"]),
    (
        "card-side bridge D3 D5 low-wins",
        "D3 D5",
        ["10 zz 10 00", "01 zz 01 00", "11 zz 11 11", "zz 10 00 00", "zz 11 11 11"],
    ),
    (  # the card drives D3 against what its buffer brings in on D5
        "card-side bridge D3 D5 low-wins",
        "D3 D5",
        ["z0 1z 00 00", "z1 1z 11 11", "z1 0z 01 00"],
    ),
    (
        "card-side bridge D3 D5 high-wins",
        "D3 D5",
        ["10 zz 10 11", "zz 10 11 11", "z1 0z 11 11"],
    ),
    (
        "card-side bridge D3 D5 b-wins",
        "D3 D5",
        ["10 zz 10 00", "01 zz 01 11", "z0 1z 00 00", "0z z1 01 11"],
    ),
    (  # here the buffer stands for the host
        "card-side bridge D3 D5 host-wins",
        "D3 D5",
        ["z0 1z 00 00", "z1 0z 11 11"],
    ),
    (
        "card-side bridge D3 D5 low-wins; card-side bridge D5 D7 low-wins",
        "D3 D5 D7",
        ["110 zzz 110 000", "zzz 101 000 000", "zz0 11z 000 000"],
    ),
    ("card-side stuck D3 low; card-side bridge D3 D5 high-wins", "D3 D5", ["11 zz 11 00"]),
    ("card-side swapped D3 D5", "D3 D5", ["10 zz 10 01", "zz 10 01 10"]),
    (  # like on the backplane, the crossing is nearer to the card's pins than the rail
        "card-side swapped D3 D5; card-side stuck D3 low",
        "D3 D5",
        ["11 zz 11 10", "zz 11 01 10"],
    ),
    (  # between backplane and buffer
        "swapped D3 D5; card-side stuck D3 low",
        "D3 D5",
        ["11 zz 11 01", "zz 11 10 01"],
    ),
    (  # the card's D3 goes out low, and pulls the backplane's node
        "card-side stuck D3 low; bridge D3 D5 low-wins",
        "D3 D5",
        ["11 zz 11 01", "z1 1z 00 00"],
    ),
    (  # a loop out on D3 and in on D5 could rest at either level: it has the card's
        "card-side bridge D3 D5 high-wins; bridge D3 D5 high-wins",
        "D3 D5",
        ["zz 0z 00 00", "zz 1z 11 11", "z1 0z 11 11"],
    ),
    (
        "card-side bridge D3 D5 low-wins; bridge D3 D5 low-wins",
        "D3 D5",
        ["zz 1z 11 11", "zz 0z 00 00", "z1 1z 11 11"],
    ),
    (  # two loops into each other: what comes in on D7 and D9 wins over what goes out
        "card-side bridge D3 D7 b-wins; card-side bridge D5 D9 b-wins;"
        "bridge D7 D5 low-wins; bridge D9 D3 low-wins",
        "D3 D5 D7 D9",
        ["zzzz 11zz 1111 1111", "zzzz 10zz 0000 0000", "zzzz 00zz 0000 0000"],
    ),
    (  # the card's part of an open line is before the buffers
        "open D3 low; card-side bridge D3 D5 high-wins",
        "D3 D5",
        ["10 zz 10 00", "11 zz 11 11", "zz 1z 00 11"],
    ),
    ("card-side stuck D3 low; read-driver D3 high", "D3", ["z 0 0 0"]),
]
ROWS = [(faults, lines, *row.split()) for faults, lines, rows in TABLES for row in rows]


@pytest.mark.parametrize(("faults", "lines", "host", "card", "at_host", "at_card"), ROWS)
def test_a_fault_behind_the_buffers(
    faults: str, lines: str, host: str, card: str, at_host: str, at_card: str
) -> None:
    """In whatever order the faults are given."""
    for order in permutations(faults_of(faults)):
        assert levels_of(Network(BUS, order), lines, host, card) == (at_host, at_card)


def test_another_slot_has_the_level_of_the_backplane() -> None:
    """What the host drives, and what comes out of the card."""
    network = Network(BUS, faults_of("card-side stuck D3 low"))
    levels = network.resolve(driven("D3", "1"), driven("D3", "z"))
    assert drawn("D3", levels.other) == "1"
    levels = network.resolve(driven("D3", "z"), driven("D3", "1"))
    assert drawn("D3", levels.other) == "0"


def test_the_card_receives_what_is_behind_its_buffers() -> None:
    """And not the level at its contact."""
    network = Network(BUS, faults_of("card-side stuck D3 low"))
    levels = network.resolve(driven("D3", "1"), driven("D3", "z"))
    assert drawn("D3", levels.received) == "0"


def test_a_loop_through_the_buffers_forgets_the_level_it_had() -> None:
    """High while the host drives D5, low again when it lets go."""
    network = Network(BUS, faults_of("card-side bridge D3 D5 high-wins; bridge D3 D5 high-wins"))
    found = [levels_of(network, "D3 D5", host, "0z")[0] for host in ("z1", "zz")]
    assert found == ["11", "00"]


def test_a_conflict_on_the_way_to_rest_is_none() -> None:
    """The card's D3 is stuck low behind its buffers: it never was against D5 at 0.

    The second draw is for the conflict that comes once the host drives D5 to 1.
    """
    draws = iter([1, 0])
    faults = faults_of("card-side stuck D3 low; bridge D3 D5 undetermined")
    network = Network(BUS, faults, lambda: next(draws))
    found = [levels_of(network, "D3 D5", host, "1z")[0] for host in ("z0", "z1")]
    assert found == ["00", "00"]


def test_a_network_that_rests_again_is_restless_no_more() -> None:
    """The same loop, driven to two levels and to one."""
    network = Network(
        BUS,
        faults_of(
            "card-side bridge D3 D7 b-wins; card-side bridge D5 D9 b-wins;"
            "bridge D7 D5 low-wins; bridge D9 D3 low-wins"
        ),
    )
    found = []
    for card in ("10", "11"):
        network.resolve(driven("D3 D5", "zz"), driven("D3 D5", card))
        found.append(network.is_restless)
    assert found == [True, False]


@pytest.mark.parametrize(("card", "told"), [("11", 0), ("10", 1)])
def test_a_loop_that_oscillates_is_told_once(card: str, told: int) -> None:
    """D3 goes out and comes in as D5, and the other way round."""
    wires = Wires(
        BUS,
        Random(0),
        faults_of(
            "card-side bridge D3 D7 b-wins; card-side bridge D5 D9 b-wins;"
            "bridge D7 D5 low-wins; bridge D9 D3 low-wins"
        ),
    )
    drive = driven("D3 D5", card)
    for _ in range(2):
        wires.drive("card", drive.mask, drive.levels)
        wires.release("card", drive.mask)
    note = "a loop through the card's buffers oscillates: its lines are taken as low"
    assert wires.notes == [note] * told


CELL = 0x2000


@pytest.mark.parametrize(
    ("fault", "written", "stored", "returned"),
    [
        ("card-side bridge D3 D5 low-wins", 0x0008, 0x0000, 0x0000),
        ("card-side bridge D3 D5 high-wins", 0x0008, 0x0028, 0x0028),
        ("card-side stuck D15 high", 0x0008, 0x8008, 0x8008),
        ("card-side swapped D3 D5", 0x0008, 0x0020, 0x0008),
    ],
)
def test_what_is_written_and_read_through_it(
    fault: str, written: int, stored: int, returned: int
) -> None:
    """One word, there and back."""
    memory = Memory()
    simulation = Simulation(BUS, Random(0), faults_of(fault), memory=memory)
    simulation.run([Transfer("write", CELL, 3, written), Transfer("read", CELL, 3, None)])
    assert memory.read(CELL) == (stored, 0xFFFF)
    assert simulation.returned == [None, returned]


def test_a_write_that_is_spoilt_behind_the_buffers_is_right_on_the_backplane() -> None:
    """D3 goes up at host and other slot in the write of 0008, and never at the card."""
    simulation = Simulation(BUS, Random(0), faults_of("card-side bridge D3 D5 low-wins"))
    simulation.run([Transfer("write", CELL, 3, 0x0008)])
    history = simulation.history
    rose = [
        any(drawn("D3", levels) == "1" for levels in place)
        for place in (history.host, history.card, history.other)
    ]
    assert rose == [True, False, True]
