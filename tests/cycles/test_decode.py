"""Cycles made by hand, one fact each: how they end, what is missing, and when values are taken."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from busdecode.capture import from_levels, split
from busdecode.cycles import Decoder, decode
from busdecode.errors import DescriptionError
from busdecode.protocol import load_bus, parse_bus
from tests.assertions import assert_sound, made_by_hand

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from busdecode.protocol import Bus

    Moments = dict[int, dict[str, int | str]]

SMALL = (Path(__file__).parents[1] / "protocol" / "small.toml").read_text(encoding="utf-8")
M68K, Z80 = load_bus("mc68000"), load_bus("z80")
WORD = 0x1000 >> 1  # A23 to A1 of byte address 1000

READ: Moments = {
    0: {"A": WORD, "FC": 5, "D": "z"},
    100: {"AS": 0, "UDS": 0, "LDS": 0},
    200: {"D": 0xBEEF},
    240: {"DTACK": 0},
    400: {"AS": 1, "UDS": 1, "LDS": 1},
    430: {"D": "z", "DTACK": 1},
    600: {"A": "z"},
}


def but(moments: Moments, changes: Mapping[int, Mapping[str, int | str] | None]) -> Moments:
    """Give the moments with some put in another's place, or taken out by None."""
    both = {**moments, **{at: dict(lines) for at, lines in changes.items() if lines is not None}}
    return {at: both[at] for at in sorted(both) if changes.get(at, {}) is not None}


def table_of(bus: Bus, moments: Moments, *columns: str, **options: object) -> list[list[str]]:
    """Decode, check what holds of every table, and give some columns as text."""
    table, _ = decode(bus, [made_by_hand(bus, moments, **options)])  # type: ignore[arg-type]
    assert_sound(table)
    text: pd.DataFrame = table.as_text()
    rows: list[list[str]] = text[list(columns)].to_numpy().tolist()
    return rows


def test_a_read_with_everything_in_place() -> None:
    """One row, every column."""
    table, decoder = decode(M68K, [made_by_hand(M68K, READ)])
    assert table.as_text().to_dict("records") == [
        {
            "cycle": "0",
            "beat": "0",
            "start_ps": "100000",
            "end_ps": "400000",
            "kind": "read",
            "address": "0x001000",
            "lanes": "11",
            "data": "0xBEEF",
            "ended": "acknowledged",
            "rmw": "false",
            "unsure": "false",
            "modifier": "0x5",
            "address_ps": "100000",
            "data_ps": "100000",
            "acknowledge_ps": "240000",
            "release_ps": "400000",
        }
    ]
    assert decoder.notes == []


ENDINGS = [
    ("DTACK before the strobes negate", {}, "acknowledged"),
    ("VPA does as well", {240: {"VPA": 0}, 430: {"VPA": 1, "D": "z"}}, "acknowledged"),
    ("BERR instead", {240: {"BERR": 0}, 430: {"BERR": 1, "D": "z"}}, "error"),
    ("BERR with DTACK in one sample", {240: {"BERR": 0, "DTACK": 0}}, "error"),
    ("BERR after DTACK", {300: {"BERR": 0}}, "acknowledged"),
    ("neither, at the watchdog's 8 us", {240: None, 400: None, 8_100: READ[400]}, "timeout"),
    ("neither, just before it", {240: None, 400: None, 8_099: READ[400]}, "unacknowledged"),
    (
        "DTACK at the moment of the release",
        {240: None, 400: READ[400] | {"DTACK": 0}},
        "acknowledged",
    ),
    ("DTACK after the release", {240: None, 401: {"DTACK": 0}}, "unacknowledged"),
]


@pytest.mark.parametrize(
    ("changes", "ended"), [case[1:] for case in ENDINGS], ids=[case[0] for case in ENDINGS]
)
def test_how_a_beat_ends(changes: dict[int, dict[str, int | str] | None], ended: str) -> None:
    """By acknowledge, by error, by the master's watchdog, or by nothing that was seen."""
    assert table_of(M68K, but(READ, changes), "ended") == [[ended]]


def test_an_acknowledge_tied_active_has_no_edge_and_counts() -> None:
    """It is so already when it is looked for: its phase begins with the data phase."""
    moments = but(READ, {0: READ[0] | {"DTACK": 0}, 240: None, 430: {"D": "z"}})
    columns = ("ended", "data_ps", "acknowledge_ps")
    assert table_of(M68K, moments, *columns) == [["acknowledged", "100000", "100000"]]


CUT = ["cycle", "start_ps", "end_ps", "kind", "address", "lanes", "data", "ended"]


def test_a_cycle_that_begins_before_the_capture_is_cut_off() -> None:
    """Nothing of it is decoded; the one after it is."""
    again = {at + 1_000: lines for at, lines in READ.items()}
    half: Moments = {50: {**READ[0], **READ[100]}, **but(READ, {0: None, 100: None}), **again}
    assert table_of(M68K, half, *CUT) == [
        ["0", "50000", "400000", "", "", "", "", "cut-off"],
        ["1", "1100000", "1400000", "read", "0x001000", "11", "0xBEEF", "acknowledged"],
    ]


def test_a_cycle_that_is_unfinished_at_the_end_is_cut_off() -> None:
    """The row ends where the capture ends."""
    half = but(READ, {400: None, 430: None, 600: None})
    assert table_of(M68K, half, *CUT, end=350) == [
        ["0", "100000", "350000", "", "", "", "", "cut-off"]
    ]


def test_a_gap_cuts_a_cycle_in_two() -> None:
    """What went on before it and what goes on after it are no one cycle."""
    moments = but(READ, {300: {}, 330: {}})
    assert table_of(M68K, moments, *CUT, gaps=[300]) == [
        ["0", "100000", "300000", "", "", "", "", "cut-off"],
        ["1", "330000", "400000", "", "", "", "", "cut-off"],
    ]


def test_a_gap_between_cycles_cuts_nothing() -> None:
    """Both are whole."""
    again = {at + 1_000: lines for at, lines in READ.items()}
    moments = {**READ, 700: {}, **again}
    assert table_of(M68K, moments, "ended", gaps=[700]) == [["acknowledged"], ["acknowledged"]]


MISSING_LINES = [
    (
        ("FC0", "FC1", "FC2"),
        {"kind": "read", "data": "0xBEEF", "lanes": "11", "ended": "acknowledged"},
        ["kind interrupt-acknowledge cannot be told without FC2, FC1, FC0"],
    ),
    (
        ("R/W",),
        {"kind": "", "data": "0x????", "lanes": "11", "ended": "acknowledged"},
        [
            "a beat that may be interrupt-acknowledge has no kind: R/W not captured",
            "a beat that may be write has no kind: R/W not captured",
            "a beat that may be read has no kind: R/W not captured",
        ],
    ),
    (
        ("D0", "D4"),
        {"kind": "read", "data": "0xBE??", "lanes": "11", "ended": "acknowledged"},
        ["data is not whole: D4, D0 not captured"],
    ),
    (
        ("UDS",),
        {"kind": "read", "data": "0x??EF", "lanes": "?1", "ended": "acknowledged"},
        [
            "where a beat begins is judged without UDS: not captured",
            "lanes are not whole: UDS not captured",
        ],
    ),
    (
        ("A1",),
        {"kind": "read", "data": "0xBEEF", "address": "", "ended": "acknowledged"},
        ["address is not whole: A1 not captured"],
    ),
    (
        ("BERR",),
        {"kind": "read", "data": "0xBEEF", "ended": "acknowledged"},
        [
            "phase acknowledge is judged without BERR",
            "how beats end is judged without BERR",
        ],
    ),
    (
        ("DTACK", "BERR", "VPA"),
        {"kind": "read", "data": "0xBEEF", "ended": "", "acknowledge_ps": ""},
        [
            "phase acknowledge is not seen: its lines were not captured",
            "how beats end is judged without DTACK, VPA, BERR",
        ],
    ),
    (("CLK",), {"kind": "read", "data": "0xBEEF", "ended": "acknowledged"}, []),
]


@pytest.mark.parametrize(
    ("absent", "wanted", "notes"), MISSING_LINES, ids=["+".join(case[0]) for case in MISSING_LINES]
)
def test_a_line_not_captured_gives_missing_values_and_is_told(
    absent: Sequence[str], wanted: dict[str, str], notes: list[str]
) -> None:
    """Never a guess, and never a wrong value."""
    table, decoder = decode(M68K, [made_by_hand(M68K, READ, leave_out=absent)])
    assert_sound(table)
    rows = table.as_text().to_dict("records")
    assert [{name: row[name] for name in wanted} for row in rows] == [wanted]
    assert decoder.notes == notes


def test_without_the_strobes_nothing_can_be_decoded() -> None:
    """The error names every channel that would be needed."""
    lines = tuple(name for name in M68K.line_names if name not in ("UDS", "LDS"))
    with pytest.raises(DescriptionError) as caught:
        Decoder(M68K, lines, 1_000)
    assert str(caught.value) == (
        "the capture does not show where a beat begins: no channel for LDS, UDS\n"
        "  expected: a channel for LDS, UDS\n"
        "  do:       probe the line, or name its channel in a probe list"
    )


@pytest.mark.parametrize(("changed_at", "unsure"), [(399, "true"), (398, "true"), (390, "false")])
def test_data_that_moves_within_one_resolution_of_its_moment_is_unsure(
    changed_at: int, unsure: str
) -> None:
    """Resolution 5 ns; the value in the row before the release is taken all the same."""
    moments = but(READ, {changed_at: {"D": 0x1234}})
    assert table_of(M68K, moments, "data", "unsure", resolution=5_000) == [["0x1234", unsure]]


def test_a_lane_without_part_may_move_at_any_time() -> None:
    """A change on the half that the access does not use makes nothing unsure."""
    moments = but(READ, {100: {"AS": 0, "LDS": 0}, 399: {"D": 0x12EF}})
    columns = ("address", "lanes", "data", "unsure")
    assert table_of(M68K, moments, *columns, resolution=5_000) == [
        ["0x001001", "01", "0x--EF", "false"]
    ]


def test_an_address_phase_without_a_data_strobe_is_a_row_of_its_own() -> None:
    """Kind address-only, no data, and the address of the word."""
    moments = but(READ, {100: {"AS": 0}, 400: {"AS": 1}})
    columns = ("kind", "address", "lanes", "data", "start_ps", "end_ps", "data_ps", "release_ps")
    assert table_of(M68K, moments, *columns) == [
        ["address-only", "0x001000", "00", "", "100000", "400000", "", ""]
    ]


def test_two_strobes_under_one_address_strobe_are_a_read_modify_write() -> None:
    """One cycle of two beats, both flagged."""
    moments = but(
        READ,
        {
            400: {"UDS": 1, "LDS": 1},
            600: {"R/W": 0, "D": 0x0BAD},
            700: {"UDS": 0, "LDS": 0},
            800: {"DTACK": 0},
            900: {"AS": 1, "UDS": 1, "LDS": 1},
            950: {"DTACK": 1, "R/W": 1},
        },
    )
    columns = ("cycle", "beat", "kind", "data", "rmw", "start_ps", "end_ps")
    assert table_of(M68K, moments, *columns) == [
        ["0", "0", "read", "0xBEEF", "true", "100000", "400000"],
        ["0", "1", "write", "0x0BAD", "true", "700000", "900000"],
    ]


def test_two_reads_under_one_address_strobe_are_no_read_modify_write() -> None:
    """Nothing was written back."""
    moments = but(READ, {300: {"UDS": 1, "LDS": 1}, 330: {"UDS": 0, "LDS": 0}})
    assert table_of(M68K, moments, "cycle", "beat", "rmw") == [
        ["0", "0", "false"],
        ["0", "1", "false"],
    ]


def test_a_released_line_with_a_pull_up_is_high() -> None:
    """Strobes that no one drives between cycles are negated; data without a pull is not known."""
    idle = {"AS": "z", "UDS": "z", "LDS": "z", "DTACK": "z", "R/W": "z"}
    moments = but(READ, {0: READ[0] | idle, 200: None, 400: READ[400] | idle})
    columns = ("kind", "data", "ended", "start_ps", "end_ps")
    assert table_of(M68K, moments, *columns) == [
        ["read", "0x????", "acknowledged", "100000", "400000"]
    ]


@pytest.mark.parametrize("level", ["x", 0])
def test_low_to_unknown_to_high_is_one_edge(level: str | int) -> None:
    """An x between two levels makes no second cycle; the edge is where the level is known."""
    moments = but(READ, {100: {"AS": level}, 110: READ[100], 400: {"AS": "x"}, 410: READ[400]})
    begin = "110000" if level == "x" else "100000"
    columns = ("cycle", "address_ps", "release_ps")
    assert table_of(M68K, moments, *columns) == [["0", begin, "410000"]]


def test_strobes_that_assert_in_one_sample_begin_cycle_and_beat() -> None:
    """Inside a cycle, next means at or after."""
    moments: Moments = {
        0: {"A": 0x1234, "D": "z"},
        100: {"MREQ": 0, "RD": 0},
        200: {"D": 0x5A},
        300: {"MREQ": 1, "RD": 1},
        400: {},
    }
    columns = ("kind", "address", "data", "address_ps", "data_ps", "release_ps")
    assert table_of(Z80, moments, *columns) == [
        ["read", "0x1234", "0x5A", "100000", "100000", "300000"]
    ]


def test_strobes_back_to_back_are_two_cycles() -> None:
    """A sample of pause is enough."""
    again = {at + 401: lines for at, lines in READ.items() if 100 <= at <= 400}
    moments: Moments = {**but(READ, {430: None, 600: None}), 401: {"DTACK": 1}, **again}
    assert table_of(M68K, moments, "cycle", "start_ps", "end_ps") == [
        ["0", "100000", "400000"],
        ["1", "501000", "801000"],
    ]


PULSE: Moments = {
    0: {"A": 5, "D": 0xFF},
    60: {"D": 0x00},
    100: {"STB": 0},
    150: {"D": 0x11},
    180: {"ERR": 0},
    200: {"ACK": 0},
    260: {"D": 0x22},
    300: {"D": 0x33},
    400: {"STB": 1, "D": 0x44},
    450: {"ACK": 1, "ERR": 1},
    600: {},
}

PHASES = [
    ("ACK asserted", "200000"),
    ("ACK asserts", "200000"),
    ("ACK falls", "200000"),
    ("ACK becomes 0", "200000"),
    ("STB asserts", "100000"),
    ("first of (ACK asserted, ERR asserted)", "180000"),
    ("last of (ACK asserted, ERR asserted)", "200000"),
    ("last of (ACK asserted, WR asserted)", ""),
    ("first of (ACK asserted, WR asserted)", "200000"),
    ("ACK asserted and ERR asserted", "200000"),
    ("any of (ACK, ERR) asserted", "180000"),
    ("not ACK negated", "200000"),
    ("D changes", "150000"),
    ("D changes while ACK asserted", "260000"),
    ("D settled for 30 ns", "100000"),
    ("D[3:0] settled for 70 ns", "130000"),
    ("D settled for 100 ns", "250000"),
    ("D settled for 110 ns", "260000"),
    ("D settled for 111 ns", ""),
    ("20 ns after ACK asserts", "220000"),
    ("200 ns after ACK asserts", "400000"),
    ("201 ns after ACK asserts", ""),
    ("D is 0x22", "260000"),
    ("D becomes 0x33", "300000"),
    ("WR asserted", ""),
    ("ACK negates", ""),
]


@pytest.mark.parametrize(("event", "moment"), PHASES)
def test_an_event_begins_a_phase_at_this_moment(event: str, moment: str) -> None:
    """Looked for from the begin of the beat to its end, never beyond."""
    bus = parse_bus(SMALL.replace('acknowledge = "ACK asserted"', f'acknowledge = "{event}"'))
    assert table_of(bus, PULSE, "acknowledge_ps") == [[moment]]


def test_the_first_alternative_that_was_captured_counts() -> None:
    """A list of events is not a race: without ACK the second is used."""
    both = '["ACK asserted", "ERR asserted"]'
    bus = parse_bus(SMALL.replace('acknowledge = "ACK asserted"', f"acknowledge = {both}"))
    assert table_of(bus, PULSE, "acknowledge_ps") == [["200000"]]
    assert table_of(bus, PULSE, "acknowledge_ps", leave_out=("ACK",)) == [["180000"]]


TAKES = [
    ("before release", "0x33"),
    ("at release", "0x44"),
    ("at acknowledge", "0x11"),
    ("before acknowledge", "0x11"),
    ("at data", "0x00"),
    ("at acknowledge + 60 ns", "0x22"),
    ("before acknowledge + 60 ns", "0x11"),
    ("at acknowledge + 10 ns", "0x11"),
    ("at acknowledge - 51 ns", "0x00"),
    ("at release - 100 ns", "0x33"),
    ("at release - 101 ns", "0x22"),
    ("at release + 10 ns", "0x44"),
]


@pytest.mark.parametrize(("moment", "data"), TAKES)
def test_a_value_is_taken_at_its_own_moment(moment: str, data: str) -> None:
    """At a moment the row that holds there; before it the row that held until then."""
    bus = parse_bus(SMALL.replace('read = "before release"', f'read = "{moment}"'))
    assert table_of(bus, PULSE, "data") == [[data]]


def test_a_moment_that_does_not_come_gives_no_value() -> None:
    """Taken at the acknowledge, and none came: nothing is known of the data."""
    bus = parse_bus(SMALL.replace('read = "before release"', 'read = "at acknowledge"'))
    assert table_of(bus, but(PULSE, {200: {}}), "data", "ended") == [["0x??", "error"]]


def test_a_lane_strobe_just_before_its_cycle_is_no_beat_outside() -> None:
    """Channel skew may show UDS one sample before AS: that is the beat's begin, not a stray."""
    lines = {"AS": "110011", "UDS": "100011", "LDS": "111111", "R/W": "111111", "DTACK": "111011"}
    capture = from_levels([0, 10, 20, 30, 40, 50], lines, resolution=10)
    for chunks in ([capture], list(split(capture, 1))):
        table, decoder = decode(load_bus("mc68000"), chunks)
        assert (len(table), decoder.strays) == (1, 0)
