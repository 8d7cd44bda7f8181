"""Mistakes in the limits of a bus description, and in lanes, with the message whole."""

from __future__ import annotations

from pathlib import Path

import pytest

from busdecode.errors import DescriptionError
from busdecode.protocol import parse_bus

SMALL = Path(__file__).parents[1] / "protocol" / "small.toml"
NAME = Path("small.toml")

LIMITS = """
[timing]
grades = ["slow", "fast"]
usual = "slow"

[timing.times]
T = { values = ["100 ns", "50 ns"] }

[[limits]]
number = "1"
name = "address valid to strobe"
from = "last A changes before address"
to = "address"
min = ["40 ns", "20 ns"]

[[limits]]
number = "2"
name = "strobe width"
from = "address"
to = "STB negates nearest release"
min = "2*T - 20 ns"
max = "4*T"
"""

MISTAKES = [
    (
        'min = ["40 ns", "20 ns"]',
        'min = ["40", "20 ns"]',
        "small.toml:97:9: limits[0].min: a limit must be a time such as '30 ns' or a sum "
        "such as '2*T - 75 ns', not '40'\n"
        '  97 | min = ["40", "20 ns"]\n'
        "     |         ^",
    ),
    (
        'min = ["40 ns", "20 ns"]',
        'min = "40"',
        "small.toml:97:8: limits[0].min: a limit must be a time such as '30 ns' or a sum "
        "such as '2*T - 75 ns', not '40'\n"
        '  97 | min = "40"\n'
        "     |        ^",
    ),
    (
        'min = ["40 ns", "20 ns"]',
        "min = 40",
        "small.toml:97: limits[0].min: must be text in quotes, or a list of texts, not "
        "40\n"
        "  97 | min = 40",
    ),
    (
        'min = ["40 ns", "20 ns"]',
        'min = ["40 ns"]',
        "small.toml:97: limits[0].min: 1 figure for 2 grades\n"
        '  97 | min = ["40 ns"]\n'
        '  expected: one figure for all grades, or one each, "none" for a grade without: '
        "slow, fast",
    ),
    (
        'min = ["40 ns", "20 ns"]',
        "min = []",
        "small.toml:97: limits[0].min: must be a list with at least one entry, not []\n"
        "  97 | min = []",
    ),
    (
        'min = ["40 ns", "20 ns"]',
        'min = "40 ns"\nmax = "30 ns"',
        "small.toml:97: limits[0].min: min is above max for the grade slow\n"
        '  97 | min = "40 ns"\n'
        "  expected: a min that is no more than max",
    ),
    (
        'min = ["40 ns", "20 ns"]',
        'min = ["40 ns", "none"]\nmax = ["60 ns", "20 ns", "10 ns"]',
        "small.toml:98: limits[0].max: 3 figures for 2 grades\n"
        '  98 | max = ["60 ns", "20 ns", "10 ns"]\n'
        '  expected: one figure for all grades, or one each, "none" for a grade without: '
        "slow, fast",
    ),
    (
        'min = ["40 ns", "20 ns"]\n',
        "",
        "small.toml:92: limits[0]: a limit without figures\n"
        "  92 | [[limits]]\n"
        "  expected: min, max or both, or required = true",
    ),
    (
        'min = "2*T - 20 ns"',
        'min = "2*TC - 20 ns"',
        "small.toml:104:8: limits[1].min: no time is called 'TC' (named times: T); did "
        "you mean T?\n"
        '  104 | min = "2*TC - 20 ns"\n'
        "      |        ^",
    ),
    (
        'min = "2*T - 20 ns"',
        'min = "2 T"',
        "small.toml:104:8: limits[1].min: a limit must be a time such as '30 ns' or a "
        "sum such as '2*T - 75 ns', not '2 T'\n"
        '  104 | min = "2 T"\n'
        "      |        ^",
    ),
    (
        'min = "2*T - 20 ns"',
        'min = "2*T -- 20 ns"',
        "small.toml:104:8: limits[1].min: a limit must be a time such as '30 ns' or a "
        "sum such as '2*T - 75 ns', not '2*T -- 20 ns'\n"
        '  104 | min = "2*T -- 20 ns"\n'
        "      |        ^",
    ),
    (
        'min = "2*T - 20 ns"',
        'min = "20 hours"',
        "small.toml:104:8: limits[1].min: a limit must be a time such as '30 ns' or a "
        "sum such as '2*T - 75 ns', not '20 hours'\n"
        '  104 | min = "20 hours"\n'
        "      |        ^",
    ),
    (
        'min = "2*T - 20 ns"',
        'min = "0.0001 ns"',
        "small.toml:104:8: limits[1].min: a time must be a whole number of picoseconds, "
        "not '0.0001 ns'\n"
        '  104 | min = "0.0001 ns"\n'
        "      |        ^",
    ),
    (
        'min = "2*T - 20 ns"',
        'mim = "2*T"',
        "small.toml:104: limits[1].mim: no key of this name is known here\n"
        '  104 | mim = "2*T"\n'
        "  do:       did you mean min?",
    ),
    (
        'from = "last A changes before address"',
        'from = "last A changes before adress"',
        "small.toml:95:9: limits[0].from: no point of a beat is called 'last A changes "
        "before adress'\n"
        '  95 | from = "last A changes before adress"\n'
        "     |         ^\n"
        "  expected: a phase, 'last EVENT before PHASE', 'first EVENT after PHASE' or "
        "'EVENT nearest PHASE', where PHASE is one of address, data, acknowledge, "
        "release, or 'it' for the limit's other point",
    ),
    (
        'from = "last A changes before address"',
        'from = "last B changes before address"',
        "small.toml:95:14: limits[0].from: no line is called 'B'\n"
        '  95 | from = "last B changes before address"\n'
        "     |              ^\n"
        "  expected: one of A, D, STB, WR, ACK, ERR",
    ),
    (
        'from = "last A changes before address"',
        'from = "A changes nearest address"',
        "small.toml:95: limits[0].from: 'nearest' needs a condition that stands, not 'A "
        "changes nearest address'\n"
        '  95 | from = "A changes nearest address"\n'
        "  expected: an edge that one condition has, such as 'X asserts nearest data'",
    ),
    (
        'from = "last A changes before address"',
        'from = "last A asserted before address"',
        "small.toml:95: limits[0].from: 'last of', 'after', 'settled' and 'asserted' are "
        "no edges to measure from or to\n"
        '  95 | from = "last A asserted before address"\n'
        "  expected: an edge, such as 'X asserts', or 'X changes'",
    ),
    (
        'from = "last A changes before address"',
        'from = "last A settled for 20 ns before address"',
        "small.toml:95: limits[0].from: 'last of', 'after', 'settled' and 'asserted' are "
        "no edges to measure from or to\n"
        '  95 | from = "last A settled for 20 ns before address"\n'
        "  expected: an edge, such as 'X asserts', or 'X changes'",
    ),
    (
        'from = "last A changes before address"',
        'from = "earliest A changes before address"',
        "small.toml:95:9: limits[0].from: no point of a beat is called 'earliest A "
        "changes before address'\n"
        '  95 | from = "earliest A changes before address"\n'
        "     |         ^\n"
        "  expected: a phase, 'last EVENT before PHASE', 'first EVENT after PHASE' or "
        "'EVENT nearest PHASE', where PHASE is one of address, data, acknowledge, "
        "release, or 'it' for the limit's other point",
    ),
    (
        'from = "last A changes before address"',
        'from = "address"',
        "small.toml:96: limits[0].to: both points are the same\n"
        '  96 | to = "address"\n'
        "  expected: two different points",
    ),
    (
        'from = "last A changes before address"',
        'from = "it"',
        "small.toml:95:9: limits[0].from: no point of a beat is called 'it'\n"
        '  95 | from = "it"\n'
        "     |         ^\n"
        "  expected: a phase, 'last EVENT before PHASE', 'first EVENT after PHASE' or "
        "'EVENT nearest PHASE', where PHASE is one of address, data, acknowledge, "
        "release, or 'it' for the limit's other point",
    ),
    (
        'from = "last A changes before address"\nto = "address"',
        'from = "last A changes before it"\nto = "first STB asserts after it"',
        "small.toml:96: limits[0].to: both points say 'it'\n"
        '  96 | to = "first STB asserts after it"\n'
        "  expected: one of them named by a phase",
    ),
    (
        'from = "last A changes before address"\n',
        "",
        "small.toml:92: limits[0]: a limit without 'from'\n"
        "  92 | [[limits]]\n"
        "  expected: both 'from' and 'to', or 'unseen' with the reason",
    ),
    (
        'to = "STB negates nearest release"\n',
        "",
        "small.toml:99: limits[1]: a limit without 'to'\n"
        "  99 | [[limits]]\n"
        "  expected: both 'from' and 'to', or 'unseen' with the reason",
    ),
    (
        'to = "address"\n',
        'to = "address"\nunseen = "a driver shows in no level"\n',
        "small.toml:97: limits[0].unseen: a limit that cannot be seen has nothing to be "
        "measured from or to\n"
        '  97 | unseen = "a driver shows in no level"\n'
        "  expected: no 'from' and 'to', or no 'unseen'",
    ),
    (
        'number = "2"',
        'number = "1"',
        'small.toml:100: limits[1].number: limit 1 is listed twice\n  100 | number = "1"',
    ),
    (
        'number = "2"',
        'number = ""',
        "small.toml:100: limits[1].number: must be a text that is not empty, not ''\n"
        '  100 | number = ""',
    ),
    (
        'number = "2"\n',
        "",
        "small.toml:99: limits[1].number: this key is missing\n"
        "  99 | [[limits]]\n"
        "  do:       see docs/describing-a-bus.md",
    ),
    (
        'name = "strobe width"',
        'name = "strobe width"\nonly_if_unmet = "3"',
        "small.toml:102:18: limits[1].only_if_unmet: no limit before this one has the "
        "number '3'\n"
        '  102 | only_if_unmet = "3"\n'
        "      |                  ^\n"
        "  expected: the number of a limit further up",
    ),
    (
        'name = "address valid to strobe"',
        'name = "address valid to strobe"\nonly_if_met = "2"',
        "small.toml:95:16: limits[0].only_if_met: no limit before this one has the "
        "number '2'\n"
        '  95 | only_if_met = "2"\n'
        "     |                ^\n"
        "  expected: the number of a limit further up",
    ),
    (
        'name = "strobe width"',
        'name = "strobe width"\nfor = ["reed"]',
        "small.toml:102:9: limits[1].for: no kind is called 'reed'\n"
        '  102 | for = ["reed"]\n'
        "      |         ^\n"
        "  expected: one of write, read; did you mean read?",
    ),
    (
        'name = "strobe width"',
        'name = "strobe width"\nlevels = { WR = 2 }',
        "small.toml:102:12: limits[1].levels: WR has 1 line and cannot be 2\n"
        "  102 | levels = { WR = 2 }\n"
        "      |            ^\n"
        "  expected: a level from 0 to 1",
    ),
    (
        'name = "strobe width"',
        'name = "strobe width"\nstatus = "guessed"',
        "small.toml:102: limits[1].status: found 'guessed'\n"
        '  102 | status = "guessed"\n'
        "  expected: 'read', 'read at second hand', 'from memory' or 'invented'",
    ),
    (
        'grades = ["slow", "fast"]',
        'grades = ["slow", "slow"]',
        "small.toml:86:12: timing.grades: grade slow is listed twice\n"
        '  86 | grades = ["slow", "slow"]\n'
        "     |            ^",
    ),
    (
        'usual = "slow"',
        'usual = "slwo"',
        "small.toml:87:10: timing.usual: no grade is called 'slwo'\n"
        '  87 | usual = "slwo"\n'
        "     |          ^\n"
        "  expected: one of slow, fast; did you mean slow?",
    ),
    (
        'T = { values = ["100 ns", "50 ns"] }',
        'T = { values = ["100 ns", "50"] }',
        "small.toml:90:28: timing.times.T: a time must be a number and one of s, ms, us, "
        "ns, ps, not '50'\n"
        '  90 | T = { values = ["100 ns", "50"] }\n'
        "     |                            ^\n"
        "  expected: a time such as '125 ns'",
    ),
    (
        'T = { values = ["100 ns", "50 ns"] }',
        'T = { values = ["100 ns"] }',
        "small.toml:90: timing.times.T: 1 figure for 2 grades\n"
        '  90 | T = { values = ["100 ns"] }\n'
        '  expected: one figure for all grades, or one each, "none" for a grade without: '
        "slow, fast",
    ),
    (
        'T = { values = ["100 ns", "50 ns"] }',
        'T = "100 ns"',
        "small.toml:90: timing.times.T: must be a table, not '100 ns'\n  90 | T = \"100 ns\"",
    ),
    (
        'to = "address"',
        'to = "address + 5.5 ps"',
        "small.toml:96:7: limits[0].to: a time must be a whole number of picoseconds, "
        "not '5.5 ps'\n"
        '  96 | to = "address + 5.5 ps"\n'
        "     |       ^\n"
        "  expected: a time such as '90 ns'",
    ),
    (
        'byte_order = "big"\n',
        'byte_order = "big"\nlane_bits = 4\n\n[lanes]\nstrobes = ["STB", "STB"]\n',
        "small.toml:27:13: lanes.strobes: STB selects two lanes\n"
        '  27 | strobes = ["STB", "STB"]\n'
        "     |             ^\n"
        "  expected: one strobe a lane",
    ),
    (
        'byte_order = "big"\n',
        'byte_order = "big"\n'
        "\n"
        "[[lanes.table]]\n"
        "levels = { STB = [0, 1] }\n"
        'lanes = "1"\n'
        "\n"
        "[[lanes.table]]\n"
        "levels = { STB = 0, WR = 1 }\n"
        'lanes = "0"\n',
        "small.toml:30: lanes.table[1].levels: this row never counts: row 1 of the table "
        "fits wherever it does, and comes first\n"
        "  30 | levels = { STB = 0, WR = 1 }\n"
        "  expected: rows of which the narrower comes first",
    ),
    (
        'byte_order = "big"\n',
        'byte_order = "big"\n\n[modifier]\nlines = "A[1:0]"\nlegal = [3, 4]\n',
        "small.toml:27:13: modifier.legal: 2 lines cannot show 4\n"
        "  27 | legal = [3, 4]\n"
        "     |             ^\n"
        "  expected: codes from 0 to 3",
    ),
]


def with_limits() -> str:
    """Give a small good description with two limits at two grades."""
    return SMALL.read_text(encoding="utf-8") + LIMITS


def test_the_description_that_the_mistakes_are_made_in_is_good() -> None:
    """Without a mistake there is no message."""
    bus = parse_bus(with_limits(), NAME)

    assert [limit.number for limit in bus.limits] == ["1", "2"]


@pytest.mark.parametrize(
    ("good", "bad", "message"), MISTAKES, ids=[f"{bad[:40]!r}" for _, bad, _ in MISTAKES]
)
def test_a_mistake_is_named_with_its_place(good: str, bad: str, message: str) -> None:
    """File, line, key, what was found, what was expected, what may have been meant."""
    text = with_limits()
    assert text.count(good) >= 1
    with pytest.raises(DescriptionError) as caught:
        parse_bus(text.replace(good, bad, 1), NAME)

    assert str(caught.value) == message
