"""Faults that are there in some beats only, or only while a line is at a level."""

from __future__ import annotations

from random import Random

import pytest

from busdecode.access import Transfer
from busdecode.cycles import Sampling, Simulation, decode, synthesise
from busdecode.faults import Bridge, CardSide, Intermittent, Network, Stuck
from busdecode.responder import Memory
from tests.faults.drawn import BUS, driven, faults_of, levels_of


def test_an_intermittent_fault_is_not_there_before_the_first_beat() -> None:
    """Even one that is there in every beat."""
    network = Network(BUS, [Intermittent(Stuck("D3", 0), 100)])
    assert levels_of(network, "D3", "1", "z") == ("1", "1")
    network.redraw(lambda: 0.999)
    assert levels_of(network, "D3", "1", "z") == ("0", "0")


@pytest.mark.parametrize(
    ("percent", "draw", "is_there"),
    [(0, 0.0, False), (25, 0.249, True), (25, 0.25, False), (2.5, 0.024, True), (100, 0.999, True)],
)
def test_it_is_there_where_the_draw_is_below_its_share(
    percent: float, draw: float, is_there: bool
) -> None:
    """0 percent is never, 100 percent always."""
    network = Network(BUS, [Intermittent(Stuck("D3", 0), percent)])
    assert network.redraw(lambda: draw) == is_there
    assert levels_of(network, "D3", "1", "z")[0] == ("0" if is_there else "1")


def test_it_goes_again() -> None:
    """The level is what is driven, in the beats without it."""
    network = Network(BUS, [Intermittent(Bridge("D3", "D5", "low-wins"), 50)])
    found = []
    for draw in (0.1, 0.9, 0.4):
        network.redraw(lambda draw=draw: draw)  # type: ignore[misc]
        found.append(levels_of(network, "D3 D5", "10", "zz")[0])
    assert found == ["00", "10", "00"]


def test_a_fault_behind_the_buffers_can_come_and_go() -> None:
    """An intermittent fault may stand around one that the card alone sees."""
    network = Network(BUS, [Intermittent(CardSide(Stuck("D3", 0)), 50)])
    found = []
    for draw in (0.9, 0.1):
        network.redraw(lambda draw=draw: draw)  # type: ignore[misc]
        found.append(levels_of(network, "D3", "1", "z"))
    assert found == [("1", "1"), ("1", "0")]


def test_each_draws_for_itself_in_one_order_however_they_are_given() -> None:
    """The first draw is for D3, the second for D5."""
    faults = [Intermittent(Stuck("D5", 0), 50), Intermittent(Stuck("D3", 0), 50)]
    for order in (faults, faults[::-1]):
        draws = iter([0.1, 0.9])
        network = Network(BUS, order)
        network.redraw(lambda draws=draws: next(draws))  # type: ignore[misc]
        assert levels_of(network, "D3 D5", "11", "zz")[0] == "01"


def test_a_healthy_network_draws_nothing() -> None:
    """Other random choices stay as they are without such a fault."""
    draws = iter([])
    assert not Network(BUS, [Stuck("D3", 0)]).redraw(lambda: next(draws))


def test_a_line_keeps_the_level_that_the_fault_left_it_at() -> None:
    """Nobody drives D3 after the beat with the fault."""
    network = Network(BUS, [Intermittent(Stuck("D3", 0), 50)])
    network.redraw(lambda: 0.1)
    levels_of(network, "D3", "1", "z")
    network.redraw(lambda: 0.9)
    assert levels_of(network, "D3", "z", "z") == ("0", "0")


# faults, lines, then rows: host drives, card drives, at the host
WHEN = [
    ("when A1 high stuck D3 low", "A1 D3", ["11 zz 10", "01 zz 01", "1z z1 10", "0z z1 01"]),
    ("when A1 low stuck D3 high", "A1 D3", ["00 zz 01", "10 zz 10"]),
    (
        "when A1 high bridge D3 D5 low-wins",
        "A1 D3 D5",
        ["110 zzz 100", "010 zzz 010"],
    ),
    ("when A1 high open D3 low", "A1 D3", ["1z z1 10", "0z z1 01"]),
    ("when A1 high swapped D3 D5", "A1 D3 D5", ["1zz z10 101", "0zz z10 010"]),
    (  # the healthy level of A1 counts, not what the bridge makes of it
        "when A1 high stuck D3 low; bridge A1 A2 low-wins",
        "A1 A2 D3",
        ["101 zzz 000", "011 zzz 001"],
    ),
    (  # nor what the fault itself makes of it
        "when D3 high stuck D3 low",
        "D3",
        ["1 z 0", "0 z 0"],
    ),
    ("when AS high stuck D3 low", "AS D3", ["z1 zz 10", "01 zz 01"]),  # AS is pulled up
    (  # two of them, each for itself
        "when A1 high stuck D3 low; when A2 high stuck D5 low",
        "A1 A2 D3 D5",
        ["0011 zzzz 0011", "1011 zzzz 1001", "0111 zzzz 0110", "1111 zzzz 1100"],
    ),
]
WHEN_ROWS = [(faults, lines, *row.split()) for faults, lines, rows in WHEN for row in rows]


@pytest.mark.parametrize(("faults", "lines", "host", "card", "at_host"), WHEN_ROWS)
def test_a_fault_that_is_there_only_while_a_line_is_at_a_level(
    faults: str, lines: str, host: str, card: str, at_host: str
) -> None:
    """The line's healthy level, at the moment."""
    for order in (faults_of(faults), faults_of(faults)[::-1]):
        assert levels_of(Network(BUS, order), lines, host, card)[0] == at_host


def test_a_line_that_keeps_its_level_when_healthy_decides_by_that() -> None:
    """A1 was high when the host let it go, or would have been without the second fault."""
    for faults, wanted in [
        ("when A1 high stuck D3 low", "10"),
        ("when A1 high stuck D3 low; stuck A1 low", "00"),
    ]:
        network = Network(BUS, faults_of(faults))
        network.resolve(driven("A1 D3", "11"), driven("A1 D3", "zz"))
        assert levels_of(network, "A1 D3", "z1", "zz")[0] == wanted


def test_an_intermittent_fault_may_hold_one_that_asks_for_a_level() -> None:
    """Both must let it be there."""
    network = Network(BUS, faults_of("intermittent 50 when A1 high stuck D3 low"))
    found = []
    for draw in (0.1, 0.9):
        network.redraw(lambda draw=draw: draw)  # type: ignore[misc]
        found += [levels_of(network, "A1 D3", row, "zz")[0] for row in ("11", "01")]
    assert found == ["10", "01", "11", "01"]


def test_only_the_cells_that_the_line_selects_are_spoilt() -> None:
    """A write to each of four words, with D3 stuck while A2 is high."""
    memory = Memory()
    cells = [0x2000, 0x2002, 0x2004, 0x2006]
    simulation = Simulation(BUS, Random(0), faults_of("when A2 high stuck D3 low"), memory=memory)
    simulation.run([Transfer("write", cell, 3, 0xFFFF) for cell in cells])
    assert [memory.read(cell)[0] for cell in cells] == [0xFFFF, 0xFFFF, 0xFFF7, 0xFFF7]


@pytest.mark.parametrize("percent", [20, 50])
def test_the_share_of_spoilt_cycles_is_that_of_the_fault(percent: int) -> None:
    """400 writes; within four standard deviations of the binomial."""
    count = 400
    transfers = [Transfer("write", 0x2000, 3, 0xFFFF)] * count
    made = synthesise(
        BUS,
        transfers,
        faults=faults_of(f"intermittent {percent} stuck D3 low"),
        sampling=Sampling(period=0),
    )
    words = decode(BUS, [made.places["host"]])[0].as_text()["data"].tolist()
    assert set(words) == {"0xFFFF", "0xFFF7"}
    share = percent / 100
    spread = 4 * (share * (1 - share) * count) ** 0.5
    assert abs(words.count("0xFFF7") - share * count) < spread


@pytest.mark.parametrize("percent", [0, 100])
def test_never_and_always_are_without_and_with_it(percent: int) -> None:
    """Every cycle alike."""
    transfers = [Transfer("write", 0x2000, 3, 0xFFFF)] * 10
    faults = faults_of(f"intermittent {percent} stuck D3 low")
    made = synthesise(BUS, transfers, faults=faults, sampling=Sampling(period=0))
    words = decode(BUS, [made.places["host"]])[0].as_text()["data"].tolist()
    assert words == ["0xFFF7" if percent else "0xFFFF"] * 10
