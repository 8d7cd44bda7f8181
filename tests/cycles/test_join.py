"""Captures of a few lines each, of the same writes and reads, joined to one of all lines."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmarks.joining import other_stimuli, same_values, setting
from busdecode.access import Access
from busdecode.cycles import decode, joined, looks_of, synthesise, synthesise_log
from busdecode.cycles.looks import remade, strobes_of
from busdecode.errors import DescriptionError, JoinError
from busdecode.faults import parse_fault
from busdecode.protocol import bundled_buses, load_bus, parse_bus
from tests.assertions import assert_same_table, assert_sound, made_by_hand
from tests.cycles.drawn import drawn
from tests.properties.descriptions import BLOCK, SIZED
from tests.strategies import cuts, samplings, transfer_lists

if TYPE_CHECKING:
    from busdecode.access import Transfer
    from busdecode.capture import Capture
    from busdecode.cycles import CycleTable, Looks, Sampling
    from busdecode.protocol import Bus

FIXED = settings(derandomize=True, database=None, deadline=None, max_examples=5)
BUSES = {name: load_bus(name) for name in bundled_buses()}
BUSES |= {"block": parse_bus(BLOCK), "sized": parse_bus(SIZED)}
LCD, MC68000 = BUSES["hd44780"], BUSES["mc68000"]


def parts_of(capture: Capture, bus: Bus, groups: list[list[str]]) -> list[Looks]:
    return [looks_of(bus, capture.select(lines)) for lines in groups]


# What is kept of one capture.


@pytest.mark.parametrize("name", BUSES)
def test_what_is_kept_makes_the_table_anew_and_chunks_make_no_difference(name: str) -> None:
    """Blocks, read-modify-writes, cycles without beats, cut off at the start."""
    bus = BUSES[name]

    @FIXED
    @given(st.data(), transfer_lists(bus, most=4), st.integers(0, 2**32), samplings(bus))
    def law(data: st.DataObject, transfers: list[Transfer], seed: int, sampling: Sampling) -> None:
        capture = synthesise(bus, transfers, seed=seed, sampling=sampling).places["host"]
        capture = capture.rows(data.draw(st.integers(0, len(capture) // 3)), len(capture))
        table, _ = decode(bus, [capture])
        looks = looks_of(bus, capture)
        bounds = [0, *data.draw(cuts(len(capture))), len(capture)]
        chunked = looks_of(bus, (capture.rows(*each) for each in pairwise(bounds)))
        assert_same_table(looks.table, table)
        assert_same_table(remade(looks), table)
        for kept in ("levels", "known", "moving"):
            np.testing.assert_array_equal(getattr(chunked, kept), getattr(looks, kept))

    law()


def test_levels_are_kept_in_the_order_of_the_bus_as_on_the_wire() -> None:
    """RS is line 0 and DB7 line 3 of the description; only these and E were captured."""
    capture = drawn(LCD, "E _/~\\_\nDB7 ~\nRS _")
    looks = looks_of(LCD, capture.select(["DB7", "E", "RS"]))
    places = {name: at for at, name in enumerate(LCD.line_names)}
    before = looks.plane("before release")
    assert looks.lines == tuple(name for name in places if name in ("DB7", "E", "RS"))
    assert looks.known[0, before, 0] == sum(1 << places[name] for name in ("DB7", "E", "RS"))
    assert looks.levels[0, before, 0] == sum(1 << places[name] for name in ("DB7", "E"))


def test_a_line_that_changes_in_the_sample_of_its_moment_is_marked_as_moving() -> None:
    """DB7 falls with E: what was taken is flagged, as the decoder does."""
    looks = looks_of(LCD, drawn(LCD, "E   _/~\\_\nDB7 ~~~\\_"))
    at = LCD.line_names.index("DB7")
    assert looks.moving[0, looks.plane("before release"), 0] >> np.uint64(at) & np.uint64(1)
    assert looks.table.unsure.tolist() == [True]


# The same stimulus.


@pytest.mark.parametrize("name", BUSES)
def test_parts_of_one_run_join_to_its_own_table(name: str) -> None:
    """Any transfers, any groups of lines: every column but phases that some lines delay."""
    bus = BUSES[name]
    strobes = list(strobes_of(bus, bus.line_names))
    rest = [line for line in bus.line_names if line not in strobes]

    @FIXED
    @given(
        transfer_lists(bus, most=4), st.permutations(rest), st.integers(4, 20), st.integers(0, 9)
    )
    def law(transfers: list[Transfer], order: list[str], width: int, seed: int) -> None:
        capture = synthesise(bus, transfers, seed=seed).places["host"]
        groups = [strobes + order[at : at + width] for at in range(0, len(order), width)]
        found = joined(parts_of(capture, bus, groups or [strobes]))
        table, _ = decode(bus, [capture])
        assert_sound(found.table)
        for each in fields(table)[1:]:
            if each.name != "phases":
                np.testing.assert_array_equal(
                    getattr(found.table, each.name), getattr(table, each.name), each.name
                )

    law()


@pytest.mark.parametrize("name", ["6502", "sram", "z80", "i8086", "mc68000", "vmebus"])
@pytest.mark.parametrize("seed", range(2))
def test_runs_with_other_delays_and_wait_states_join_to_the_table_of_all_lines(
    name: str, seed: int
) -> None:
    """Eight channels a run, or three more than strobes, direction and a data line."""
    one = setting(BUSES[name], seed)
    runs = [one.captured(one.accesses, 100 + at, idle=False) for at in range(len(one.groups))]
    parts = [
        looks_of(one.bus, run.select(lines)) for run, lines in zip(runs, one.groups, strict=True)
    ]
    whole, _ = decode(one.bus, [one.captured(one.accesses, 99, idle=False)])
    assert not same_values(parts[0].table, whole)
    assert same_values(joined(parts).table, whole)


@pytest.mark.parametrize("name", ["sram", "z80", "mc68000"])
@pytest.mark.parametrize("rule", ["low-wins", "high-wins"])
def test_a_bridge_between_lines_of_two_captures_joins_as_well(name: str, rule: str) -> None:
    """All runs have it; it shows in the table."""
    bus = BUSES[name]
    healthy = setting(bus, 5)
    moving = {*bus.data, *bus.address[-8:]} - set(healthy.common)
    one, other = ([each for each in lines if each in moving] for lines in healthy.groups[:2])
    faulty = replace(healthy, faults=(parse_fault(f"bridge {one[0]} {other[0]} {rule}", bus),))
    parts = [
        looks_of(bus, faulty.captured(faulty.accesses, at, idle=False).select(lines))
        for at, lines in enumerate(faulty.groups)
    ]
    wanted, _ = decode(bus, [faulty.captured(faulty.accesses, 99, idle=False)])
    assert same_values(joined(parts).table, wanted)
    without, _ = decode(bus, [healthy.captured(healthy.accesses, 99, idle=False)])
    assert not same_values(wanted, without)


def test_addresses_need_only_the_strobe_of_the_cycle() -> None:
    """AS and seven address lines: a word is written, then read and written in one cycle."""
    accesses = [Access("write", 0x123456, 2, 0xBEEF), Access("read", 0x123456, 2, None)]
    accesses += [Access("write", 0xABCDEF, 1, 0x5A)]
    groups = [["AS", *MC68000.address[at : at + 7]] for at in range(0, 23, 7)]
    strobes = ["AS", "UDS", "LDS", "R/W"]
    groups += [[*strobes, *MC68000.data[at : at + 4]] for at in range(0, 16, 4)]
    groups.append([*strobes, "DTACK", "BERR", "VPA", "FC0"])
    groups.append([*strobes, "FC1", "FC2"])
    parts = [
        looks_of(MC68000, synthesise_log(MC68000, accesses, seed=at)[0].places["host"].select(each))
        for at, each in enumerate(groups)
    ]
    assert [part.has_beats for part in parts] == [False] * 4 + [True] * 6
    whole, _ = decode(MC68000, [synthesise_log(MC68000, accesses, seed=99)[0].places["host"]])
    assert same_values(joined(parts).table, whole)


def test_a_phase_that_only_another_capture_shows_comes_as_long_after_the_beginning() -> None:
    """DTACK 20 ns after the data strobe in a run whose strobe comes at 120 ns, not at 40 ns."""
    strobes = {"AS": 0, "UDS": 0, "LDS": 0}
    ends = dict.fromkeys(strobes, 1)
    first = made_by_hand(MC68000, {0: {}, 40: strobes, 90: ends}, end=200)
    second = {0: {}, 120: strobes, 140: {"DTACK": 0}, 190: {**ends, "DTACK": 1}}
    other = made_by_hand(MC68000, second, end=300)
    parts = [
        looks_of(MC68000, first.select([*strobes, "R/W"])),
        looks_of(MC68000, other.select([*strobes, "DTACK"])),
    ]
    found = joined(parts).table
    assert found.phase("data").tolist() == [40_000]
    assert found.phase("acknowledge").tolist() == [60_000]


@pytest.mark.parametrize(
    ("groups", "ended"), [([["DTACK", "BERR"]], "error"), ([["DTACK"], ["BERR"]], "")]
)
def test_which_answer_came_first_is_told_only_by_a_capture_of_both(
    groups: list[list[str]], ended: str
) -> None:
    """BERR, then DTACK: of two captures with one of them each nothing tells the order."""
    strobes = {"AS": 0, "UDS": 0, "LDS": 0}
    moments: dict[int, dict[str, int | str]] = {
        0: {},
        40: {**strobes},
        60: {"BERR": 0},
        80: {"DTACK": 0},
        100: {**dict.fromkeys(strobes, 1), "BERR": 1, "DTACK": 1},
    }
    capture = made_by_hand(MC68000, moments, end=200)
    parts = parts_of(capture, MC68000, [[*strobes, *each] for each in (*groups, ["R/W", "VPA"])])
    assert joined(parts).table.as_text()["ended"].tolist() == [ended]


# Cut off at the ends, and not of the same stimulus.


def lcd(
    *beats: tuple[int, int], before: int = 20, after: int = 20, gaps: tuple[int, ...] = ()
) -> Capture:
    """Write to a display: RS and the byte of each beat; 80 ns between two, and ns around them."""
    moments: dict[int, dict[str, int | str]] = {0: {"R/W": 0, "E": 0}}
    now = before
    for select, byte in beats:
        moments[now - 10] = {"RS": select, "DB": byte}
        moments[now] = {"E": 1}
        moments[now + 20] = {"E": 0}
        now += 100
    return made_by_hand(LCD, moments, end=now - 80 + after, gaps=gaps)


THREE = ((0, 0x81), (1, 0x42), (0, 0xC3))
FIVE = ((0, 0x81), (0, 0x02), (1, 0x43), (1, 0x84), (0, 0xC5))
DB7 = ["E", "RS", "R/W", "DB7"]
DB6 = ["E", "RS", "R/W", "DB6"]


def joined_text(
    first: Capture, second: Capture, groups: tuple[list[str], list[str]] = (DB7, DB6)
) -> list[str]:
    """Join two captures of the display, and give kinds and the two highest bits of data."""
    found = joined(
        [
            looks_of(LCD, each.select(lines))
            for each, lines in zip((first, second), groups, strict=True)
        ]
    )
    table: CycleTable = found.table
    assert table.data_known.tolist() == [0xC0] * len(table)
    return [
        f"{kind} {int(data) >> 6:02b}"
        for kind, data in zip(table.kind_names(), table.data, strict=True)
    ]


def test_captures_of_two_data_lines_show_both() -> None:
    """In all beats."""
    assert joined_text(lcd(*THREE), lcd(*THREE)) == ["command 10", "write 01", "command 11"]


@pytest.mark.parametrize(
    ("first", "second", "notes"),
    [
        (
            lcd(*FIVE),
            lcd(*FIVE[1:]),
            (
                "capture 2 begins 1 beats later than capture 1",
                "capture 1: its first 1 beats are not in all captures, and left out",
            ),
        ),
        (
            lcd(*FIVE[1:]),
            lcd(*FIVE),
            (
                "capture 1 begins 1 beats later than capture 2",
                "capture 2: its first 1 beats are not in all captures, and left out",
            ),
        ),
    ],
)
def test_a_capture_that_begins_late_is_matched_where_the_common_lines_fit(
    first: Capture, second: Capture, notes: tuple[str, ...]
) -> None:
    """RS is low, low, high, high, low; what is left out is told."""
    parts = [looks_of(LCD, first.select(DB7)), looks_of(LCD, second.select(DB6))]
    found = joined(parts)
    assert joined_text(first, second) == ["command 00", "write 01", "write 10", "command 11"]
    assert found.table.cycle.tolist() == [0, 1, 2, 3]
    assert found.notes == (*notes, "times are those of capture 1")


def test_a_cycle_under_way_where_all_captures_begin_stays_cut_off() -> None:
    """E is high at the first row of both."""
    captures = [lcd(*THREE).rows(2, 10), lcd(*THREE).rows(2, 10)]
    whole, _ = decode(LCD, [captures[0]])
    parts = [
        looks_of(LCD, each.select(lines)) for each, lines in zip(captures, (DB7, DB6), strict=True)
    ]
    found = joined(parts).table
    assert found.as_text()["ended"].tolist() == ["cut-off", "unacknowledged", "unacknowledged"]
    assert found.as_text()["ended"].tolist() == whole.as_text()["ended"].tolist()
    assert found.cycle.tolist() == whole.cycle.tolist()


def test_where_the_stimulus_repeats_itself_the_guess_is_told() -> None:
    """Four equal beats, and captures in which one before and after them may be missing."""
    parts = [looks_of(LCD, lcd(*THREE[:1] * 4).select(lines)) for lines in (DB7, DB6)]
    assert joined(parts, ["left.vcd", "right.vcd"]).notes == (
        "by the lines in common more than one match fits: all captures were taken to begin with "
        "the same cycle (right.vcd)",
        "times are those of left.vcd",
    )


def test_a_pause_longer_than_any_between_cycles_tells_that_nothing_is_missing() -> None:
    """200 ns before and after: then there is one way to match equal beats."""
    capture = lcd(*THREE[:1] * 4, before=200, after=200)
    parts = [looks_of(LCD, capture.select(lines)) for lines in (DB7, DB6)]
    assert [part.is_cut for part in parts] == [(False, False)] * 2
    assert joined(parts).notes == ("times are those of capture 1",)


def test_a_difference_that_no_common_line_shows_cannot_be_refused() -> None:
    """DB6 was other in the run in which DB7 was captured: nobody knows."""
    other = ((0, 0xC1), *THREE[1:])
    assert joined_text(lcd(*other), lcd(*THREE)) == ["command 10", "write 01", "command 11"]


def test_captures_of_other_stimuli_are_refused() -> None:
    """On two buses: whatever one access more, other data or another order shows in common."""
    for name in ("sram", "z80"):
        one = setting(BUSES[name], 1)
        parts = [
            looks_of(one.bus, one.captured(one.accesses, at, idle=True).select(lines))
            for at, lines in enumerate(one.groups)
        ]
        more, value, _ = other_stimuli(one.accesses, Random(1))
        for accesses in (more, value):
            run = one.captured(accesses, 50, idle=True).select(one.groups[-1])
            with pytest.raises(JoinError):
                joined([*parts[:-1], looks_of(one.bus, run)])


REFUSED = [
    (
        "a common line shows another level",
        [(lcd(*THREE), DB7), (lcd(THREE[0], (1, 0xC2), THREE[2]), DB7)],
        """\
line DB7 is high before release in cycle 1, beat 0 of capture 2, but low in cycle 1, \
beat 0 of capture 1; 1 of 3 beats differ
  expected: captures of the same writes and reads, in the same order
  do:       run the same stimulus again for each capture""",
    ),
    (
        "the order changed",
        [
            (lcd(*THREE, before=200, after=200), DB7),
            (lcd(THREE[1], THREE[0], THREE[2], before=200, after=200), DB6),
        ],
        """\
line RS is high at data in cycle 0, beat 0 of capture 2, but low in cycle 0, \
beat 0 of capture 1; 2 of 3 beats differ
  expected: captures of the same writes and reads, in the same order
  do:       run the same stimulus again for each capture""",
    ),
    (
        "one more, and nothing cut off",
        [
            (lcd(*THREE, before=200, after=200), DB7),
            (lcd(*THREE, THREE[0], before=200, after=200), DB6),
        ],
        """\
capture 1 has 3 beats, capture 2 4, and not even what may be cut off at the ends explains that
  expected: captures of the same writes and reads, in the same order
  do:       run the same stimulus again for each capture, and capture all of it""",
    ),
    (
        "more than one way to leave one out",
        [(lcd(*THREE[:1] * 3), DB7), (lcd(*THREE[:1] * 4), DB6)],
        """\
capture 2 fits capture 1 in more than one way: the stimulus repeats itself
  expected: lines in common that show where it begins
  do:       make its beginning differ from all that follows, or clip on more lines \
in every capture""",
    ),
    (
        "no whole cycle",
        [(lcd(*THREE), DB7), (lcd(*THREE).rows(0, 2), DB6)],
        """\
capture 2 shows no whole cycle of hd44780
  do:       check that its strobes are clipped on, and that the capture is long enough""",
    ),
    (
        "a gap",
        [(lcd(*THREE), DB7), (lcd(*THREE, gaps=(110,)), DB6)],
        """\
capture 2 is interrupted at 110 ns: how many cycles were missed is not known
  expected: captures without gaps
  do:       capture again, or cut the file before the gap""",
    ),
]


@pytest.mark.parametrize(
    ("captures", "message"), [each[1:] for each in REFUSED], ids=[each[0] for each in REFUSED]
)
def test_what_does_not_fit_together_is_refused(
    captures: list[tuple[Capture, list[str]]], message: str
) -> None:
    """With the line, the beat and the capture, and what to do."""
    with pytest.raises(JoinError) as caught:
        joined([looks_of(LCD, capture.select(lines)) for capture, lines in captures])
    assert str(caught.value) == message


ODD_BYTE = [Access("write", 0x1234, 2, 0x5678), Access("write", 0x1235, 1, 0x9A)]

STROBES = [
    (
        "none with all strobes",
        [["AS", "UDS", "A1"], ["AS", "LDS", "A2"]],
        """\
no capture has all strobes: AS, UDS, LDS
  expected: at least one capture with all of them
  do:       clip AS, UDS, LDS on in every capture""",
    ),
    (
        "none with strobes of beats",
        [["AS", "A1"], ["AS", "A2"]],
        """\
no capture has all strobes: AS, UDS, LDS
  expected: at least one capture with all of them
  do:       clip AS, UDS, LDS on in every capture""",
    ),
    (
        "one strobe less shows less",
        [["AS", "UDS", "LDS", "A1"], ["AS", "UDS", "D8"]],
        """\
cycle 1 of capture 1 has other beats than cycle 1 of capture 2; capture 2 lacks LDS
  expected: the same cycles in both
  do:       clip LDS on in every capture""",
    ),
    (
        "data without the strobes that take it",
        [["AS", "UDS", "LDS", "A1"], ["AS", "A2", "D1", "D0"]],
        """\
capture 2 has D1, D0, but no strobe that tells when they are taken
  expected: UDS, LDS in capture 2
  do:       clip AS, UDS, LDS on in every capture""",
    ),
]


@pytest.mark.parametrize(
    ("groups", "message"), [each[1:] for each in STROBES], ids=[each[0] for each in STROBES]
)
def test_strobes_that_are_missing_are_named(groups: list[list[str]], message: str) -> None:
    """A word is written, then a byte by LDS alone."""
    capture = synthesise_log(MC68000, ODD_BYTE)[0].places["host"]
    with pytest.raises(JoinError) as caught:
        joined(parts_of(capture, MC68000, groups))
    assert str(caught.value) == message


def test_captures_with_no_strobe_in_common_are_refused() -> None:
    """Where a description knows two ways to see a cycle, each may have another one."""
    text, mark, rest = Path(LCD.path or "").read_text(encoding="utf-8").partition("[take]")
    for word in ("asserts", "negates", "asserted"):
        text = text.replace(f'"E {word}"', f'["E {word}", "RS {word}"]')
    bus = parse_bus(text + mark + rest)
    capture = lcd((1, 0x81), (0, 0x42))
    with pytest.raises(JoinError) as caught:
        joined(parts_of(capture, bus, [["E", "DB7"], ["RS", "DB6"]]))
    assert (
        str(caught.value)
        == """\
no strobe is in all of the 2 captures
  expected: one of E in each of them
  do:       clip E on in every capture"""
    )


def test_a_strobe_that_was_never_used_may_be_missing() -> None:
    """Words only: UDS and LDS say the same."""
    capture = synthesise_log(MC68000, ODD_BYTE[:1])[0].places["host"]
    parts = parts_of(capture, MC68000, [["AS", "UDS", "LDS", "D0"], ["AS", "UDS", "D8", "R/W"]])
    table = joined(parts).table
    assert table.data_known.tolist() == [0x0101]
    assert table.data.tolist() == [0x5678 & 0x0101]


def test_a_capture_without_any_strobe_of_cycles_is_refused_by_the_decoder() -> None:
    """Nothing shows where a cycle begins."""
    capture = lcd(*THREE).select(["RS", "DB7"])
    with pytest.raises(DescriptionError, match="the capture does not show where a cycle begins"):
        looks_of(LCD, capture)


def test_one_capture_joins_to_itself_and_none_to_nothing() -> None:
    """And parts of two buses are a mistake of the caller."""
    looks = looks_of(LCD, lcd(*THREE))
    assert_same_table(joined([looks]).table, looks.table)
    assert joined([looks]).notes == ()
    with pytest.raises(ValueError, match="at least one part"):
        joined([])
    with pytest.raises(ValueError, match="at least one chunk"):
        looks_of(LCD, [])
    other = looks_of(BUSES["hd44780-nibble"], lcd(*THREE).select(["E", "RS", "R/W", "DB7"]))
    with pytest.raises(ValueError, match="of one bus"):
        joined([looks, other])
