"""What wires make of faults in time: answers and releases that come late, owners, oscillation."""

from __future__ import annotations

from itertools import permutations
from random import Random
from typing import TYPE_CHECKING

import pytest

from busdecode.cycles.wires import Wires
from tests.faults.drawn import BIT, BUS, drawn, faults_of

if TYPE_CHECKING:
    from collections.abc import Callable

NS = 1000


def wires_with(faults: str) -> Wires:
    """Give wires with these faults, the first beat begun."""
    wires = Wires(BUS, Random(0), faults_of(faults))
    wires.new_beat()
    return wires


def after_acts(wires: Wires, acts: list[tuple[int, Callable[[], None]]]) -> None:
    """Do acts at their moments, in ns, and let 10 us pass."""
    for moment, act in acts:
        wires.after(moment * NS, act)
    wires.rest(10_000 * NS)


def edges(wires: Wires, line: str) -> list[tuple[int, str]]:
    """Give the moments in ns at which a line moved at the host, and where to."""
    history = wires.history
    found = [(0, drawn(line, history.host[0]))]
    for time, levels in zip(history.times, history.host, strict=True):
        if drawn(line, levels) != found[-1][1]:
            found.append((time // NS, drawn(line, levels)))
    return found[1:]


def answer(wires: Wires, asserted: bool) -> Callable[[], None]:
    """Give an act: the card asserts or negates DTACK."""
    return lambda: wires.line_drive("card", "DTACK", asserted=asserted)


# Acts at moments in ns, + asserts and - negates; then the edges of DTACK, low where asserted.
LATE = [
    ("late-acknowledge DTACK 100 ns", "+10 -300", [(110, "0"), (300, "1")]),
    ("late-acknowledge DTACK 100 ns", "+10 -90", []),  # overtaken
    ("late-acknowledge DTACK 100 ns", "+10 -90 +95 -300", [(195, "0"), (300, "1")]),
    ("late-acknowledge DTACK 100 ns", "+10 +60 -300", [(110, "0"), (300, "1")]),  # said twice
    (
        "late-acknowledge DTACK 100 ns",
        "+10 -200 +220 -400",
        [
            (110, "0"),
            (200, "1"),
            (320, "0"),
            (400, "1"),
        ],
    ),
    (
        "late-acknowledge DTACK 100 ns; late-acknowledge DTACK 50 ns",
        "+10 -300",
        [
            (110, "0"),
            (300, "1"),
        ],
    ),
    ("late-acknowledge VPA 100 ns", "+10 -300", [(10, "0"), (300, "1")]),  # another line
    ("intermittent 0 late-acknowledge DTACK 100 ns", "+10 -300", [(10, "0"), (300, "1")]),
    ("intermittent 100 late-acknowledge DTACK 100 ns", "+10 -300", [(110, "0"), (300, "1")]),
    ("no-acknowledge DTACK ends", "+10 -300", []),
    ("no-acknowledge DTACK ends; late-acknowledge DTACK 100 ns", "+10 -300", []),
    ("no-acknowledge VPA ends", "+10 -300", [(10, "0"), (300, "1")]),
    ("intermittent 0 no-acknowledge DTACK ends", "+10 -300", [(10, "0"), (300, "1")]),
    ("intermittent 100 no-acknowledge DTACK ends", "+10 -300", []),
]


@pytest.mark.parametrize(("faults", "acts", "wanted"), LATE)
def test_when_the_acknowledge_comes(faults: str, acts: str, wanted: list[tuple[int, str]]) -> None:
    """Late, or never where it was negated before or a fault keeps it."""
    for order in permutations(faults.split(";")):
        wires = wires_with(";".join(order))
        after_acts(wires, [(int(act[1:]), answer(wires, act[0] == "+")) for act in acts.split()])
        assert edges(wires, "DTACK") == wanted


def test_a_late_acknowledge_delays_no_other_party() -> None:
    """The watchdog's error is the host's, though its line belongs to the card."""
    wires = wires_with("late-acknowledge DTACK 100 ns")
    after_acts(wires, [(10, lambda: wires.line_drive("host", "DTACK", asserted=True))])
    assert edges(wires, "DTACK") == [(10, "0")]


def test_accessors_tell_what_is_there_in_this_beat() -> None:
    """Nothing before the first beat, where all is intermittent."""
    kinds = (
        "late-data read 10 ns",
        "late-data write 20 ns",
        "late-acknowledge DTACK 30 ns",
        "early-acknowledge VPA",
        "slow-release read 40 ns",
        "slow-release write 50 ns",
    )

    def told(wires: Wires) -> tuple[int | bool, ...]:
        return (
            wires.late_by("read"),
            wires.late_by("write"),
            wires.acknowledge_late_by("DTACK"),
            wires.acknowledge_late_by("VPA"),
            wires.is_early("VPA"),
            wires.is_early("DTACK"),
            wires.release_late_by("read"),
            wires.release_late_by("write"),
        )

    there = (10 * NS, 20 * NS, 30 * NS, 0, True, False, 40 * NS, 50 * NS)
    nothing = (0, 0, 0, 0, False, False, 0, 0)
    assert told(wires_with(";".join(kinds))) == there
    wires = Wires(BUS, Random(0), faults_of(";".join(f"intermittent 100 {each}" for each in kinds)))
    assert told(wires) == nothing
    wires.new_beat()
    assert told(wires) == there
    never = ";".join(f"intermittent 0 {each}" for each in kinds)
    assert told(wires_with(never)) == nothing


def test_of_two_delays_in_one_direction_the_longer_counts() -> None:
    """Whichever is given first."""
    for faults in permutations(["late-data read 10 ns", "late-data read 30 ns"]):
        assert wires_with(";".join(faults)).late_by("read") == 30 * NS
    for faults in permutations(["slow-release read 10 ns", "slow-release read 30 ns"]):
        assert wires_with(";".join(faults)).release_late_by("read") == 30 * NS


def test_a_new_beat_settles_the_levels_anew() -> None:
    """The stuck line moves at the moment at which the beat begins, and parties are told."""
    wires = Wires(BUS, Random(0), faults_of("intermittent 100 stuck AS low"))
    told: list[str] = []
    wires.listeners.append(lambda before: told.append(drawn("AS", before.host)))
    after_acts(wires, [(70, wires.new_beat)])
    assert edges(wires, "AS") == [(70, "0")]
    assert told == ["1"]


@pytest.mark.parametrize(
    ("thens", "goes_on", "error"),
    [
        ((), True, "1"),
        (("ends",), True, "1"),
        (("error",), True, "0"),
        (("ends", "error"), True, "0"),
        (("hangs", "error"), False, "1"),
    ],
)
def test_what_the_master_does_does_not_hang_on_the_order(
    thens: tuple[str, ...], goes_on: bool, error: str
) -> None:
    """To hang counts before an error, that before an early end."""
    for order in permutations(thens):
        wires = wires_with(";".join(f"no-acknowledge DTACK {then}" for then in order))
        assert wires.on_watchdog() == goes_on
        assert drawn("BERR", wires.levels.host) == error


def put(wires: Wires, party: str, drawing: str, owner: int = 0) -> Callable[[], None]:
    """Give an act: a party drives D0 and A1 as drawn; ``-`` lets both go."""
    both = BIT["D0"] | BIT["A1"]
    if drawing == "-":
        return lambda: wires.release(party, both, owner)
    levels = BIT["D0"] * int(drawing[0]) | BIT["A1"] * int(drawing[1])
    return lambda: wires.drive(party, both, levels, owner)


def test_data_are_let_go_late_and_the_next_driver_overlaps() -> None:
    """The card's 0 holds the line low against the host's 1 until it goes; A1 is no data line.

    Two drivers that disagree make it low (common practice, no source).
    """
    wires = wires_with("slow-release read 200 ns")
    after_acts(
        wires,
        [
            (5, put(wires, "host", "11")),
            (10, put(wires, "card", "00")),
            (50, put(wires, "card", "-")),
        ],
    )
    assert edges(wires, "D0") == [(5, "1"), (10, "0"), (250, "1")]
    assert edges(wires, "A1") == [(5, "1"), (10, "0"), (50, "1")]


# fault, party that lets go, then the moment at which its D0 is gone
SLOW = [
    ("slow-release read 200 ns", "card", 250),
    ("slow-release read 200 ns", "host", 50),
    ("slow-release write 200 ns", "card", 50),
    ("slow-release write 200 ns", "host", 250),
    ("intermittent 0 slow-release read 200 ns", "card", 50),
    ("intermittent 100 slow-release read 200 ns", "card", 250),
]


@pytest.mark.parametrize(("fault", "party", "gone"), SLOW)
def test_who_lets_go_late(fault: str, party: str, gone: int) -> None:
    """The card for read, the host for write."""
    other = "host" if party == "card" else "card"
    wires = wires_with(fault)
    after_acts(
        wires,
        [
            (5, put(wires, other, "11")),
            (10, put(wires, party, "00")),
            (50, put(wires, party, "-")),
        ],
    )
    assert edges(wires, "D0")[-1] == (gone, "1")


def test_a_late_release_that_a_new_drive_overtakes_does_not_undo_it() -> None:
    """The card drives D0 low again before the release comes, and keeps it."""
    wires = wires_with("slow-release read 200 ns")
    after_acts(
        wires,
        [
            (5, put(wires, "host", "11")),
            (10, put(wires, "card", "00")),
            (50, put(wires, "card", "-")),
            (100, put(wires, "card", "00")),
        ],
    )
    assert edges(wires, "D0") == [(5, "1"), (10, "0")]


def test_a_late_release_lets_go_the_lines_that_are_not_driven_anew() -> None:
    """The card drives D0 again; D1 goes."""
    wires = wires_with("slow-release read 200 ns")
    both = BIT["D0"] | BIT["D1"]
    after_acts(
        wires,
        [
            (5, lambda: wires.drive("host", both, both)),
            (10, lambda: wires.drive("card", both, 0)),
            (50, lambda: wires.release("card", both)),
            (100, lambda: wires.drive("card", BIT["D0"], 0)),
        ],
    )
    assert edges(wires, "D0") == [(5, "1"), (10, "0")]
    assert edges(wires, "D1") == [(5, "1"), (10, "0"), (250, "1")]


def test_a_drive_of_the_other_party_does_not_stop_a_late_release() -> None:
    """The host drives between; the card goes all the same."""
    wires = wires_with("slow-release read 200 ns")
    after_acts(
        wires,
        [
            (10, put(wires, "card", "00")),
            (50, put(wires, "card", "-")),
            (60, put(wires, "host", "11")),
        ],
    )
    assert edges(wires, "D0") == [(250, "1")]


# Acts one after the other: owner and what it drives on D0 and A1, "-" to let go; then what A1 is.
OWNERS = [
    (["0:11", "0:-"], "z"),
    (["1:11", "1:-"], "z"),
    (["1:11", "2:-"], "z"),  # a younger owner may
    (["1:11", "0:-"], "driven"),
    (["1:11", "2:11", "1:-"], "driven"),  # the next address is out already
    (["1:11", "2:11", "1:-", "2:-"], "z"),
    (["1:11", "1:-", "2:11", "1:-"], "driven"),
    (["0:11", "1:11", "1:-"], "z"),
    (["0:11", "1:11", "0:-", "0:11", "0:-"], "z"),
]


@pytest.mark.parametrize(("acts", "wanted"), OWNERS)
def test_an_older_owner_cannot_let_go_what_a_younger_drives(acts: list[str], wanted: str) -> None:
    """Seen by whether the card can pull A1 low against the host's 1, and let it rise again."""
    wires = wires_with("")
    for act in acts:
        owner, drawing = act.split(":")
        put(wires, "host", drawing, int(owner))()
    wires.drive("card", BIT["A1"], 0)
    wires.release("card", BIT["A1"])
    assert drawn("A1", wires.levels.host) == ("1" if wanted == "driven" else "0")


def test_an_owner_keeps_the_lines_that_another_did_not_drive() -> None:
    """The next cycle drives A1 alone; A2 is still the first one's to let go."""
    wires = wires_with("")
    both = BIT["A1"] | BIT["A2"]
    wires.drive("host", both, both, 1)
    wires.drive("host", BIT["A1"], BIT["A1"], 2)
    wires.release("host", both, 1)
    wires.drive("card", both, 0)
    wires.release("card", both)
    assert drawn("A1 A2", wires.levels.host) == "10"


def test_owners_of_one_party_are_not_those_of_the_other() -> None:
    """The host's line is no matter of the card's owner."""
    wires = wires_with("")
    wires.drive("host", BIT["A1"], BIT["A1"], 1)
    wires.drive("card", BIT["A1"], 0, 2)
    wires.release("host", BIT["A1"], 1)
    wires.release("card", BIT["A1"], 2)
    assert drawn("A1", wires.levels.host) == "0"


def test_a_line_is_asserted_and_negated_in_an_owners_name() -> None:
    """An older owner's negation of a card's line does nothing; a late one keeps its owner."""
    for fault in ("", "late-acknowledge DTACK 100 ns"):
        wires = wires_with(fault)
        wires.line_drive("card", "DTACK", asserted=True, owner=1)
        wires.rest(200 * NS)
        wires.line_drive("card", "DTACK", asserted=False, owner=0)
        assert drawn("DTACK", wires.levels.host) == "0"
        wires.line_drive("card", "DTACK", asserted=False, owner=1)
        assert drawn("DTACK", wires.levels.host) == "1"


def test_an_early_release_of_an_owner_without_the_line_is_not_made_up_later() -> None:
    """A slow release too lets go only what was its owner's when it was asked for."""
    wires = wires_with("slow-release write 200 ns")
    after_acts(
        wires,
        [
            (5, put(wires, "host", "11", 1)),
            (10, put(wires, "host", "11", 2)),
            (20, put(wires, "host", "-", 1)),
        ],
    )
    wires.drive("card", BIT["D0"], 0)
    wires.release("card", BIT["D0"])
    assert drawn("D0", wires.levels.host) == "1"


def test_the_history_has_three_places() -> None:
    """D0 open at the card's slot: host and other slot rise, the card's part stays low."""
    wires = wires_with("open D0 low")
    after_acts(wires, [(10, put(wires, "host", "11"))])
    history = wires.history
    assert history.times == [0, 10 * NS]
    assert [
        [drawn("D0", levels) for levels in place]
        for place in (history.host, history.card, history.other)
    ] == [["0", "1"], ["0", "0"], ["0", "1"]]


def test_a_moment_with_two_changes_is_one_entry_of_each_place() -> None:
    """The last levels of it count."""
    wires = wires_with("")
    after_acts(wires, [(10, put(wires, "host", "10")), (10, put(wires, "host", "01"))])
    history = wires.history
    assert [len(history.host), len(history.card), len(history.other)] == [2, 2, 2]
    assert drawn("D0 A1", history.other[-1]) == "01"


def oscillating(wires: Wires, delay: int | None) -> None:
    """Let the host invert AS whenever it moves: at once, or a delay later."""

    def invert() -> None:
        level = 1 - int(drawn("AS", wires.levels.host))
        wires.drive("host", BIT["AS"], BIT["AS"] * level)

    wires.listeners.append(lambda _: invert() if delay is None else wires.after(delay, invert))


@pytest.mark.parametrize("delay", [None, 0, 1])
def test_a_bus_that_oscillates_is_told_and_given_up(delay: int | None) -> None:
    """Inside one act, inside one moment, and as time passes."""
    wires = wires_with("")
    oscillating(wires, delay)
    wires.after(10 * NS, lambda: wires.line_drive("host", "AS", asserted=True))
    assert not wires.run_until(lambda: False)
    assert wires.notes == ["the bus oscillates: a transfer was given up"]
    if delay != 1:
        assert wires.now == 10 * NS


def test_an_oscillation_before_any_time_has_passed_is_caught_too() -> None:
    """What sets it off is done outside of what waits."""
    wires = wires_with("")
    oscillating(wires, None)
    wires.line_drive("host", "AS", asserted=True)
    assert not wires.run_until(lambda: True)
    assert wires.notes == ["the bus oscillates: a transfer was given up"]


def test_after_an_oscillation_time_goes_on_with_all_lines_let_go() -> None:
    """What was to be let go late is let go, and what was to come late does not."""
    wires = wires_with("slow-release read 9 us; late-acknowledge DTACK 9 us")
    put(wires, "host", "11")()
    put(wires, "card", "00")()
    put(wires, "card", "-")()
    answer(wires, True)()
    oscillating(wires, None)
    wires.line_drive("host", "AS", asserted=True)
    wires.rest(10 * NS)
    wires.listeners.clear()
    assert drawn("D0", wires.levels.host) == "1"
    wires.rest(20_000 * NS)
    assert wires.now == 20_000 * NS
    assert drawn("DTACK", wires.levels.host) == "1"
    assert wires.notes == ["the bus oscillates: a transfer was given up"]
    answer(wires, True)()
    wires.rest(10_000 * NS)
    assert drawn("DTACK", wires.levels.host) == "0"


def test_many_lines_may_move_in_one_moment() -> None:
    """All address and data lines one by one, and no oscillation is told."""
    wires = wires_with("")

    def move() -> None:
        for line in (*BUS.address, *BUS.data):
            wires.drive("host", BIT[line], BIT[line])

    wires.after(10 * NS, move)
    wires.rest(20 * NS)
    assert wires.notes == []
