"""Faults that meet on one line, as tables: what is driven, and the levels that come of it."""

from __future__ import annotations

from itertools import permutations, product

import pytest

from busdecode.faults import Network
from tests.faults.drawn import BUS, drawn, driven, faults_of, levels_of

THREE = "D3 D5 D7"

# Wired-AND and wired-OR of more than two lines are the definitions of Wang, Wu, Wen: VLSI Test
# Principles and Architectures, 2006, Table 1.3, p. 18, taken over all lines of the node; which
# rule counts where a node has several is this project's, no source.
NODES = [
    # faults, then rows: host drives, card drives, all lines of the node
    (
        "bridge D3 D5 low-wins; bridge D5 D7 low-wins",
        ["1z0 zzz 0", "1z1 zzz 1", "1zz zzz 1", "1zz zz0 0", "zz0 zzz 0", "zzz 0z1 0"],
    ),
    (
        "bridge D3 D5 high-wins; bridge D5 D7 high-wins",
        ["0z1 zzz 1", "1z0 zzz 1", "0z0 zzz 0", "0zz zz1 1", "zz1 zzz 1"],
    ),
    (  # a ring is no other node than a chain
        "bridge D3 D5 low-wins; bridge D5 D7 low-wins; bridge D7 D3 low-wins",
        ["1z0 zzz 0", "111 zzz 1", "110 zzz 0"],
    ),
    (  # D3 over D5 over D7, also where D5 is not driven
        "bridge D3 D5 a-wins; bridge D5 D7 a-wins",
        ["100 zzz 1", "011 zzz 0", "z10 zzz 1", "1z0 zzz 1", "0z1 zzz 0", "zz0 zzz 0"],
    ),
    (  # the same, written from the other end
        "bridge D7 D5 b-wins; bridge D5 D3 b-wins",
        ["100 zzz 1", "011 zzz 0", "z10 zzz 1", "1z0 zzz 1", "0z1 zzz 0"],
    ),
    (  # D5 gives way to D3; D3 and D7 fight it out
        "bridge D3 D5 a-wins; bridge D5 D7 low-wins",
        ["101 zzz 1", "100 zzz 0", "011 zzz 0", "z10 zzz 0", "z11 zzz 1"],
    ),
    (
        "bridge D3 D5 a-wins; bridge D5 D7 high-wins",
        ["100 zzz 1", "011 zzz 1", "010 zzz 0"],
    ),
    (  # each over the other: a draw, and low
        "bridge D3 D5 a-wins; bridge D3 D5 b-wins; bridge D5 D7 a-wins",
        ["10z zzz 0", "01z zzz 0", "11z zzz 1", "110 zzz 1", "001 zzz 0"],
    ),
    (  # low before high
        "bridge D3 D5 low-wins; bridge D5 D7 high-wins",
        ["1z0 zzz 0", "0z1 zzz 0", "1z1 zzz 1"],
    ),
    (  # a rule that decides before one that does not
        "bridge D3 D5 undetermined; bridge D5 D7 high-wins",
        ["1z0 zzz 1", "0z1 zzz 1"],
    ),
    (
        "bridge D3 D5 undetermined; bridge D5 D7 low-wins",
        ["1z0 zzz 0", "0z1 zzz 0"],
    ),
    (  # the host's drivers anywhere in the node before the card's; then low
        "bridge D3 D5 host-wins; bridge D5 D7 low-wins",
        ["1zz zz0 1", "zz1 0zz 1", "1z0 zzz 0", "zzz 1z0 0"],
    ),
    (  # who gives way is out before the host is asked
        "bridge D3 D5 a-wins; bridge D5 D7 host-wins",
        ["z0z 1zz 1", "z1z 0zz 0", "zz0 1zz 0"],
    ),
    # a rail holds all of a node, whatever the rules; of two rails low
    ("stuck D5 low; bridge D3 D5 high-wins; bridge D5 D7 a-wins", ["1z1 zzz 0", "zzz 111 0"]),
    ("stuck D7 high; bridge D3 D5 low-wins; bridge D5 D7 a-wins", ["000 zzz 1", "zzz 000 1"]),
    ("stuck D3 low; stuck D7 high; bridge D3 D5 high-wins; bridge D5 D7 high-wins", ["111 zzz 0"]),
]
ROWS = [(faults, *row.split()) for faults, rows in NODES for row in rows]


@pytest.mark.parametrize(("faults", "host", "card", "level"), ROWS)
def test_lines_that_bridges_share_are_one_node(
    faults: str, host: str, card: str, level: str
) -> None:
    """The whole node has one level, at both places, in whatever order the faults are given."""
    for order in permutations(faults_of(faults)):
        found = levels_of(Network(BUS, order, lambda: 0), THREE, host, card)
        assert found == (level * 3, level * 3)


def test_bridges_that_share_no_line_are_nodes_of_their_own() -> None:
    """The level of one does not reach the other."""
    network = Network(BUS, faults_of("bridge D3 D5 low-wins; bridge D7 D9 high-wins"))
    assert levels_of(network, "D3 D5 D7 D9", "1001", "zzzz") == ("0011", "0011")


def test_a_node_that_no_one_drives_goes_up_before_down() -> None:
    """AS is pulled up, D3 floats low at an open, D5 has neither."""
    faults = faults_of("bridge D3 D5 low-wins; bridge D5 AS low-wins; open D3 low")
    assert levels_of(Network(BUS, faults), "D3 D5 AS", "zzz", "zzz") == ("111", "011")


def test_lines_that_were_apart_join_at_the_low_one_where_no_one_drives_them() -> None:
    """Both keep their level until the bridge comes (common practice, no source)."""
    network = Network(BUS, faults_of("when A1 high bridge D3 D5 high-wins"))
    assert levels_of(network, "A1 D3 D5", "010", "zzz")[0] == "010"
    assert levels_of(network, "A1 D3 D5", "1zz", "zzz")[0] == "100"


def test_an_undetermined_node_is_drawn_once_for_as_long_as_it_is_disputed() -> None:
    """Three lines, and other lines of it fight on while the first agree."""
    draws = iter([1, 0])
    faults = faults_of("bridge D3 D5 undetermined; bridge D5 D7 undetermined")
    network = Network(BUS, faults, lambda: next(draws))
    rows = ["01z", "z10", "000", "01z"]
    assert [levels_of(network, THREE, row, "zzz")[0] for row in rows] == [
        "111",
        "111",
        "000",
        "000",
    ]


@pytest.mark.parametrize("swapped_round", [False, True])
def test_undetermined_nodes_are_drawn_in_the_order_of_the_lines(swapped_round: bool) -> None:
    """D7 stands before D3 in the description, so its node takes the first draw."""
    draws = iter([1, 0])
    faults = faults_of("bridge D3 D2 undetermined; bridge D7 D6 undetermined")
    network = Network(BUS, faults[::-1] if swapped_round else faults, lambda: next(draws))
    assert levels_of(network, "D7 D6 D3 D2", "0101", "zzzz")[0] == "1100"


# faults, lines, then rows: host drives, card drives, at the host, at the card
PARTS = [
    (  # a bridge is at the host's part of an open line
        "open D3 low; bridge D3 D5 low-wins",
        "D3 D5",
        ["1z zz 11 01", "zz 1z 00 10", "1z z0 00 00", "z1 zz 11 01", "z1 1z 11 11"],
    ),
    (  # two open lines bridged: their parts at the card are apart
        "open D3 low; open D5 high; bridge D3 D5 high-wins",
        "D3 D5",
        ["01 zz 11 01", "zz 10 11 10", "zz zz 11 01"],
    ),
    (  # a rail too
        "open D3 high; stuck D3 low",
        "D3",
        ["1 z 0 1", "z 0 0 0", "z z 0 1"],
    ),
    ("stuck D3 low; stuck D3 high", "D3", ["1 z 0 0", "z 1 0 0"]),
    ("open D3 high; open D3 low", "D3", ["1 z 1 0", "z 1 0 1"]),
    ("open D3 high; open D3 keep", "D3", ["0 z 0 1"]),
    ("open D3 low; open D3 keep; stuck D5 low", "D3 D5", ["11 zz 10 00"]),
    (  # swapped lines cross on the card's side of the open: it is the host's D3
        "open D3 low; swapped D3 D5",
        "D3 D5",
        ["11 zz 11 10", "zz 11 01 11"],
    ),
    (  # and on the card's side of a bridge: it ties the host's D3
        "swapped D3 D5; bridge D3 D7 low-wins",
        THREE,
        ["110 zzz 010 100", "zzz 110 010 100", "zzz 011 101 011"],
    ),
    ("swapped D3 D5; bridge D3 D5 low-wins", "D3 D5", ["10 zz 00 00", "zz 11 11 11"]),
    ("swapped D3 D5; stuck D3 low", "D3 D5", ["11 zz 01 10", "zz 11 01 10"]),
    (  # D7 and D5 stand first in the description: their crossing is nearest to the host
        "swapped D3 D5; swapped D5 D7",
        THREE,
        ["100 zzz 100 010", "010 zzz 010 001", "001 zzz 001 100", "zzz 010 100 010"],
    ),
    ("swapped D3 D5; swapped D5 D3", "D3 D5", ["10 zz 10 01"]),  # one fault, given twice
    ("read-driver D3 low; swapped D3 D5", "D3 D5", ["zz 11 10 01"]),  # the card's own D3
    ("read-driver D3 low; read-driver D3 high", "D3", ["z 1 0 0"]),
    ("lane-lost LDS; lane-on LDS", "LDS UDS", ["00 zz 00 10"]),
]
PART_ROWS = [(faults, lines, *row.split()) for faults, lines, rows in PARTS for row in rows]


@pytest.mark.parametrize(("faults", "lines", "host", "card", "at_host", "at_card"), PART_ROWS)
def test_faults_of_different_kinds_on_one_line(
    faults: str, lines: str, host: str, card: str, at_host: str, at_card: str
) -> None:
    """Each has its place between host and card, in whatever order they are given."""
    for order in permutations(faults_of(faults)):
        assert levels_of(Network(BUS, order), lines, host, card) == (at_host, at_card)


def test_of_two_levels_that_a_receiver_is_to_give_it_gives_the_low_one() -> None:
    """In either order."""
    for order in permutations(faults_of("write-receiver D3 low; write-receiver D3 high")):
        levels = Network(BUS, order).resolve(driven("D3", "1"), driven("D3", "z"))
        assert drawn("D3", levels.received) == "0"


@pytest.mark.parametrize("level", [0, 1])
@pytest.mark.parametrize(("host", "card"), [("10", "zz"), ("zz", "01"), ("10", "11")])
def test_where_the_host_would_win_but_does_not_agree_with_itself_it_is_drawn(
    host: str, card: str, level: int
) -> None:
    """The host drives both lines, or neither."""
    network = Network(BUS, faults_of("bridge D3 D5 host-wins"), lambda: level)
    assert levels_of(network, "D3 D5", host, card)[0] == str(level) * 2


def test_a_lane_that_is_lost_does_not_switch_on_another() -> None:
    """LDS is asserted and lost; UDS would be on with any lane that reaches the card."""
    for order in permutations(faults_of("lane-lost LDS; lane-on UDS")):
        levels = Network(BUS, order).resolve(driven("UDS LDS", "10"), driven("UDS LDS", "zz"))
        assert drawn("UDS LDS", levels.received) == "11"


@pytest.mark.parametrize("rule", ["low-wins", "high-wins"])
def test_a_node_of_four_lines_is_the_and_or_the_or_of_its_drivers(rule: str) -> None:
    """Every pair of what the host drives on four lines in a star; by the definition alone."""
    lines = "D3 D5 D7 D9"
    faults = faults_of("; ".join(f"bridge D5 {line} {rule}" for line in ("D3", "D7", "D9")))
    for host in product("01z", repeat=4):
        levels = {level for level in host if level != "z"}
        if levels:
            wanted = min(levels) if rule == "low-wins" else max(levels)
            assert levels_of(Network(BUS, faults), lines, "".join(host), "zzzz") == (
                wanted * 4,
                wanted * 4,
            )


def test_another_slot_sees_the_hosts_part_of_an_open_line() -> None:
    """An open at one slot's contact takes the line from that slot alone; a short is everywhere.

    An open load input is lost to that load only, a short to all: digital fault tables read in
    part at fliphtml5.com/vvkpg/fauf/Digital/290.
    """
    host, nobody = driven("D3 D5", "11"), driven("D3 D5", "zz")
    opened = Network(BUS, faults_of("open D3 low")).resolve(host, nobody)
    assert [drawn("D3 D5", each) for each in (opened.host, opened.card, opened.other)] == [
        "11",
        "01",
        "11",
    ]
    shorted = Network(BUS, faults_of("stuck D3 low")).resolve(host, nobody)
    assert drawn("D3 D5", shorted.other) == "01"


def test_another_slot_does_not_see_what_the_card_drives_beyond_an_open() -> None:
    """The card's level stays on its own part."""
    levels = Network(BUS, faults_of("open D3 low")).resolve(driven("D3", "z"), driven("D3", "1"))
    assert drawn("D3", levels.card) + drawn("D3", levels.other) == "10"
