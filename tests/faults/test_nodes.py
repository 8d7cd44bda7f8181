"""The node model against truth tables, and against the effect on memory worked out by hand."""

from __future__ import annotations

from random import Random

import pytest

from busdecode.access import Transfer
from busdecode.cycles import Simulation
from busdecode.faults import (
    Bridge,
    Drive,
    Fault,
    Lane,
    Network,
    Open,
    ReadDriver,
    Stuck,
    Swapped,
    WriteReceiver,
)
from busdecode.protocol import load_bus
from busdecode.responder import Memory

BUS = load_bus("mc68000")
BIT = {name: 1 << at for at, name in enumerate(BUS.line_names)}
NOBODY = Drive()


def drive(**levels: int) -> Drive:
    """Drive these lines to these levels."""
    each = NOBODY
    for name, level in levels.items():
        each = each.put(BIT[name], BIT[name] * level)
    return each


def seen(levels: int, *names: str) -> str:
    """Give the levels of some lines as text."""
    return "".join(str(int(bool(levels & BIT[name]))) for name in names)


# Wang, Wu, Wen: VLSI Test Principles and Architectures, 2006, Table 1.3, p. 18; the rows of
# models in which both lines become one node. The rows without a source in that extract follow
# from the definitions (wired-AND: A and B; dominance: the other takes its value).
TABLE_1_3 = {
    "low-wins": ("00", "00", "00", "11"),  # wired-AND
    "high-wins": ("00", "11", "11", "11"),  # wired-OR
    "a-wins": ("00", "00", "11", "11"),  # A dominates B
    "b-wins": ("00", "11", "00", "11"),  # B dominates A
}


@pytest.mark.parametrize("party", ["host", "card"])
@pytest.mark.parametrize("rule", TABLE_1_3)
def test_a_bridge_has_the_published_truth_table(rule: str, party: str) -> None:
    """Both lines driven from one side, for each pair of levels."""
    found = []
    for number in range(4):
        network = Network(BUS, [Bridge("D3", "D5", rule)])  # type: ignore[arg-type]
        driven = drive(D3=number >> 1, D5=number & 1)
        drives = (driven, NOBODY) if party == "host" else (NOBODY, driven)
        levels = network.resolve(*drives)
        assert seen(levels.host, "D3", "D5") == seen(levels.card, "D3", "D5")
        found.append(seen(levels.host, "D3", "D5"))
    assert tuple(found) == TABLE_1_3[rule]


def test_lines_without_a_bridge_are_their_own() -> None:
    """Table 1.3, fault-free."""
    for number in range(4):
        levels = Network(BUS, []).resolve(drive(D3=number >> 1, D5=number & 1), NOBODY)
        assert seen(levels.card, "D3", "D5") == f"{number:02b}"


@pytest.mark.parametrize("rule", [*TABLE_1_3, "host-wins", "undetermined"])
@pytest.mark.parametrize("level", [0, 1])
def test_a_released_side_of_a_bridge_takes_the_other_sides_level(rule: str, level: int) -> None:
    """There is no conflict for the rule to decide."""
    fault = Bridge("D3", "AS", rule)  # type: ignore[arg-type]
    for drives in ((drive(D3=level), NOBODY), (NOBODY, drive(D3=level))):
        levels = Network(BUS, [fault]).resolve(*drives)
        assert seen(levels.host, "D3", "AS") == seen(levels.card, "D3", "AS") == str(level) * 2


def test_a_bridge_that_no_one_drives_goes_to_the_pull_of_either() -> None:
    """D3 has none, AS is pulled up."""
    levels = Network(BUS, [Bridge("D3", "AS", "low-wins")]).resolve(NOBODY, NOBODY)
    assert seen(levels.card, "D3", "AS") == "11"


@pytest.mark.parametrize("level", [0, 1])
def test_where_the_host_wins_the_cards_level_does_not_matter(level: int) -> None:
    """Host drives D3, card drives the other side the other way."""
    network = Network(BUS, [Bridge("D3", "DTACK", "host-wins")])
    levels = network.resolve(drive(D3=level), drive(DTACK=1 - level))
    assert seen(levels.host, "D3", "DTACK") == str(level) * 2


def test_an_undetermined_conflict_is_drawn_once_and_again_for_the_next() -> None:
    """It does not flicker while it lasts."""
    draws = iter([1, 0])
    network = Network(BUS, [Bridge("D3", "D5", "undetermined")], lambda: next(draws))
    conflict, peace = drive(D3=0, D5=1), drive(D3=0, D5=0)
    found = [
        seen(network.resolve(each, NOBODY).card, "D3", "D5")
        for each in (conflict, conflict, peace, conflict)
    ]
    assert found == ["11", "11", "00", "00"]


def test_two_drivers_of_one_healthy_line_that_disagree_make_it_low() -> None:
    """TTL outputs sink far more than they source (common practice, no source)."""
    assert seen(Network(BUS, []).resolve(drive(D3=1), drive(D3=0)).host, "D3") == "0"


def test_a_line_that_no_one_drives_goes_to_its_pull_or_keeps_its_level() -> None:
    """AS is pulled up; D3 has no pull and holds what it last carried."""
    network = Network(BUS, [])
    network.resolve(drive(AS=0, D3=1, D5=0), NOBODY)
    levels = network.resolve(NOBODY, NOBODY)
    assert seen(levels.host, "AS", "D3", "D5") == "110"


@pytest.mark.parametrize("level", [0, 1])
def test_a_stuck_line_is_stuck_whoever_drives_it(level: int) -> None:
    """At both places."""
    for drives in ((drive(D3=1 - level), NOBODY), (NOBODY, drive(D3=1 - level))):
        levels = Network(BUS, [Stuck("D3", level)]).resolve(*drives)  # type: ignore[arg-type]
        assert seen(levels.host, "D3") == seen(levels.card, "D3") == str(level)


@pytest.mark.parametrize(
    ("floats", "after_1", "after_0"),
    [
        ("high", "1", "1"),
        ("low", "0", "0"),
        ("keep", "0", "0"),
    ],
)
def test_the_part_of_an_open_line_without_a_driver_floats(
    floats: str, after_1: str, after_0: str
) -> None:
    """The host drives its part; the card's part floats, and never sees the level."""
    network = Network(BUS, [Open("D3", floats)])  # type: ignore[arg-type]
    one = network.resolve(drive(D3=1), NOBODY)
    none = network.resolve(drive(D3=0), NOBODY)
    assert (seen(one.host, "D3"), seen(one.card, "D3")) == ("1", after_1)
    assert (seen(none.host, "D3"), seen(none.card, "D3")) == ("0", after_0)


def test_a_part_that_keeps_holds_what_its_own_side_drove_last() -> None:
    """After the card drove 1 and let go, its part stays 1 whatever the host does."""
    network = Network(BUS, [Open("D3", "keep")])
    network.resolve(drive(D3=0), drive(D3=1))
    levels = network.resolve(drive(D3=0), NOBODY)
    assert (seen(levels.host, "D3"), seen(levels.card, "D3")) == ("0", "1")


@pytest.mark.parametrize("party", ["host", "card"])
def test_swapped_lines_cross_in_both_directions(party: str) -> None:
    """What one side puts on D3 the other finds on D5."""
    network = Network(BUS, [Swapped("D3", "D5")])
    driven = drive(D3=1, D5=0)
    levels = network.resolve(*((driven, NOBODY) if party == "host" else (NOBODY, driven)))
    near, far = (levels.host, levels.card) if party == "host" else (levels.card, levels.host)
    assert (seen(near, "D3", "D5"), seen(far, "D3", "D5")) == ("10", "01")


@pytest.mark.parametrize(("is_on", "at_card"), [(False, "11"), (True, "00")])
def test_a_lane_is_lost_or_always_on_at_the_card_alone(is_on: bool, at_card: str) -> None:
    """The host's own strobe stays as it drives it."""
    network = Network(BUS, [Lane("LDS", is_on)])
    found = [network.resolve(drive(LDS=level), NOBODY) for level in (0, 1)]
    assert "".join(seen(each.host, "LDS") for each in found) == "01"
    assert "".join(seen(each.card, "LDS") for each in found) == at_card


def test_a_read_driver_spoils_what_the_card_drives_and_nothing_else() -> None:
    """Writes pass."""
    network = Network(BUS, [ReadDriver("D3", 0)])
    assert seen(network.resolve(NOBODY, drive(D3=1)).host, "D3") == "0"
    assert seen(network.resolve(drive(D3=1), NOBODY).card, "D3") == "1"


def test_a_write_receiver_spoils_what_is_stored_and_not_the_line() -> None:
    """A probe at the card sees the right level."""
    levels = Network(BUS, [WriteReceiver("D3", 0)]).resolve(drive(D3=1), NOBODY)
    assert [seen(each, "D3") for each in (levels.host, levels.card, levels.received)] == [
        "1",
        "1",
        "0",
    ]


WORDS = (0xAAAA, 0xCCCC, 0xF0F0, 0xFF00, 0x5555, 0x3333, 0x0F0F, 0x00FF)
CELL = 0x2000


def cells_after(faults: list[Fault], transfers: list[Transfer], seed: int, cell: int) -> list[int]:
    """Make transfers to one cell and give what it holds after each."""
    memory = Memory()
    memory.write(CELL, 0xFFFF, cell)
    simulation = Simulation(BUS, Random(seed), faults, memory=memory)
    found = []
    for transfer in transfers:
        simulation.run([transfer])
        found.append(memory.read(CELL)[0])
    return found


def words_written() -> list[Transfer]:
    """The true and complement counting words, each written to the cell."""
    return [Transfer("write", CELL, 0b11, word) for word in WORDS]


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("line", ["D1", "D3", "D9", "D15"])
@pytest.mark.parametrize(("strobe", "lane"), [("LDS", 0x00FF), ("UDS", 0xFF00)])
def test_a_data_line_that_wins_over_a_lane_strobe_inhibits_that_lane(
    line: str, strobe: str, lane: int, seed: int
) -> None:
    """While the line is 1 the strobe is held high, and its lane keeps the old byte.

    The model is worked out here: for D9 tied to the low lane's strobe, a cell of 5A5A becomes
    AA5A CCCC F0F0 FFF0 5555 3355 0F55 00FF, which is asserted as well.
    """
    wanted, cell = [], 0x5A5A
    for word in WORDS:
        if word >> int(line[1:]) & 1:
            word = word & ~lane | cell & lane
        cell = word
        wanted.append(cell)
    if (line, strobe) == ("D9", "LDS"):
        by_hand = "AA5A CCCC F0F0 FFF0 5555 3355 0F55 00FF"
        assert " ".join(f"{each:04X}" for each in wanted) == by_hand
    faults: list[Fault] = [Bridge(line, strobe, "a-wins")]
    assert cells_after(faults, words_written(), seed, 0x5A5A) == wanted


@pytest.mark.parametrize("seed", range(6))
def test_a_strobe_that_is_low_pulls_its_data_line_low_where_low_wins(seed: int) -> None:
    """D9 is stored as 0 in every word, like a line stuck low; the rest is right."""
    faults: list[Fault] = [Bridge("D9", "LDS", "low-wins")]
    wanted = [word & ~(1 << 9) for word in WORDS]
    assert cells_after(faults, words_written(), seed, 0x5A5A) == wanted


@pytest.mark.parametrize(("byte", "wanted"), [(0x00, 0x0000), (0x02, 0x025A), (0x55, 0x5555)])
def test_a_low_data_line_asserts_the_other_lane_where_low_wins(byte: int, wanted: int) -> None:
    """A byte written to the even address alone, D9 being 0, is copied to the odd one as well."""
    faults: list[Fault] = [Bridge("D9", "LDS", "low-wins")]
    transfer = Transfer("write", CELL, 0b10, byte << 8)
    assert cells_after(faults, [transfer], 1, 0x5A5A) == [wanted]


def test_a_lost_lane_keeps_its_old_byte() -> None:
    """UDS does not reach the card: the even byte stays."""
    found = cells_after([Lane("UDS", False)], words_written(), 0, 0x5A5A)
    assert found == [0x5A00 | word & 0xFF for word in WORDS]


@pytest.mark.parametrize(
    ("fault", "lanes", "data", "wanted"),
    [
        (None, 0b10, 0x7700, 0x775A),
        (Lane("LDS", True), 0b10, 0x7700, 0x7777),
        (Lane("UDS", True), 0b10, 0x7700, 0x775A),
        (Lane("UDS", True), 0b01, 0x0077, 0x7777),
        (Lane("UDS", True), 0b11, 0x1234, 0x1234),
    ],
)
def test_a_lane_that_is_always_on_is_written_with_every_byte(
    fault: Lane | None, lanes: int, data: int, wanted: int
) -> None:
    """It takes the copy that the MC68000 puts on the other half (M68000UM Table 3-1, note)."""
    faults: list[Fault] = [] if fault is None else [fault]
    assert cells_after(faults, [Transfer("write", CELL, lanes, data)], 0, 0x5A5A) == [wanted]


@pytest.mark.parametrize(
    ("fault", "stored", "returned"),
    [
        (Stuck("D3", 0), 0xFFF7, 0xFFF7),
        (WriteReceiver("D3", 0), 0xFFF7, 0xFFF7),
        (ReadDriver("D3", 0), 0xFFFF, 0xFFF7),
        (Open("D3", "low"), 0xFFF7, 0xFFF7),
        (Swapped("D3", "D5"), 0xFFFF, 0xFFFF),
    ],
)
def test_what_a_fault_does_to_a_word_written_and_read_back(
    fault: Fault, stored: int, returned: int
) -> None:
    """All ones, through the line and back."""
    memory = Memory()
    simulation = Simulation(BUS, Random(0), [fault], memory=memory)
    simulation.run([Transfer("write", CELL, 3, 0xFFFF), Transfer("read", CELL, 3, None)])
    assert memory.read(CELL) == (stored, 0xFFFF)
    assert simulation.returned == [None, returned]


def test_swapped_lines_cannot_be_seen_by_reading_back() -> None:
    """Stored crossed, read crossed again."""
    memory = Memory()
    simulation = Simulation(BUS, Random(0), [Swapped("D3", "D5")], memory=memory)
    simulation.run([Transfer("write", CELL, 3, 0x0008), Transfer("read", CELL, 3, None)])
    assert memory.read(CELL) == (0x0020, 0xFFFF)
    assert simulation.returned == [None, 0x0008]
