"""Mistakes in a bus description, each a change to a small good one, with the message whole."""

from __future__ import annotations

from pathlib import Path

import pytest

from busdecode.errors import DescriptionError
from busdecode.protocol import load_bus, parse_bus

GOOD = Path(__file__).parents[1] / "protocol" / "small.toml"
NAME = Path("small.toml")

MISTAKES = [
    (
        'begins = "STB asserts"',
        'begins = "STB assert"',
        "small.toml:26:15: cycle.begins: the event stops making sense at 'assert'\n"
        '  26 | begins = "STB assert"\n'
        "     |               ^\n"
        "  expected: an event such as 'X asserts', 'X asserted', 'first of (X asserted, Y "
        "asserted)' or 'all of (X, Y) negated'",
    ),
    (
        'acknowledge = "ACK asserted"',
        'acknowledge = "AKC asserted"',
        "small.toml:34:16: phases.acknowledge: no line is called 'AKC'\n"
        '  34 | acknowledge = "AKC asserted"\n'
        "     |                ^\n"
        "  expected: one of A, D, STB, WR, ACK, ERR; did you mean ACK?",
    ),
    (
        'lines = "D[7:0]"\nbyte',
        'lines = "E[7:0]"\nbyte',
        "small.toml:22:10: data.lines: no line is called 'E[7:0]'\n"
        '  22 | lines = "E[7:0]"\n'
        "     |          ^\n"
        "  expected: one of A[3:0], D[7:0], STB, WR, ACK, ERR",
    ),
    (
        'byte_order = "big"',
        'byte_order = "big"\nlane_bit = 8',
        "small.toml:24: data.lane_bit: no key of this name is known here\n"
        "  24 | lane_bit = 8\n"
        "  do:       did you mean lane_bits?",
    ),
    (
        'byte_order = "big"',
        'byte_order = "middle"',
        "small.toml:23: data.byte_order: found 'middle'\n"
        '  23 | byte_order = "middle"\n'
        "  expected: 'big' or 'little'",
    ),
    (
        'byte_order = "big"',
        'byte_order = "big"\nlane_bits = 5',
        "small.toml:24: data.lane_bits: 8 data lines cannot be cut into lanes of 5 bits\n"
        "  24 | lane_bits = 5\n"
        "  expected: a number of bits that divides the data lines",
    ),
    (
        'byte_order = "big"',
        'byte_order = "big"\nlane_bits = "8"',
        "small.toml:24: data.lane_bits: must be a whole number, not '8'\n  24 | lane_bits = \"8\"",
    ),
    (
        'byte_order = "big"\n',
        "",
        "small.toml:21: data.byte_order: this key is missing\n"
        "  21 | [data]\n"
        "  do:       see docs/describing-a-bus.md",
    ),
    (
        '[address]\nlines = "A[3:0]"\n',
        "",
        "small.toml: address: this key is missing\n  do:       see docs/describing-a-bus.md",
    ),
    (
        'role = "strobe"',
        'role = "stroob"',
        "small.toml:13: lines.STB.role: found 'stroob'\n"
        '  13 | STB = { role = "stroob", active = "low", driver = "host", pull = "up" }\n'
        "  expected: 'address', 'data', 'address and data', 'strobe', 'lane', 'direction', "
        "'size', 'function', 'acknowledge', 'error', 'wait', 'clock' or 'other'\n"
        "  do:       did you mean strobe?",
    ),
    (
        "levels = { WR = 0 }",
        "levels = { WR = 2 }",
        "small.toml:48:12: kinds[0].levels: WR has 1 line and cannot be 2\n"
        "  48 | levels = { WR = 2 }\n"
        "     |            ^\n"
        "  expected: a level from 0 to 1",
    ),
    (
        "levels = { WR = 0 }",
        "levels = { RW = 0 }",
        "small.toml:48:12: kinds[0].levels: no line is called 'RW'\n"
        "  48 | levels = { RW = 0 }\n"
        "     |            ^\n"
        "  expected: one of A[3:0], D[7:0], STB, WR, ACK, ERR",
    ),
    (
        "levels = { WR = 0 }",
        'levels = { WR = "low" }',
        "small.toml:48: kinds[0].levels.WR: must be a whole number, or a list of whole "
        "numbers, not 'low'\n"
        '  48 | levels = { WR = "low" }',
    ),
    (
        'name = "read"\n',
        'name = "write"\n',
        "small.toml:51: kinds[1].name: kind write is listed twice\n"
        '  51 | name = "write"\n'
        "small.toml:80:9: making.steps[2].for: no kind is called 'read'\n"
        '  80 | for = ["read"]\n'
        "     |         ^\n"
        "  expected: one of write",
    ),
    (
        'direction = "write"',
        'direction = "both"',
        "small.toml:47: kinds[0].direction: found 'both'\n"
        '  47 | direction = "both"\n'
        "  expected: 'read', 'write' or 'none'",
    ),
    (
        'begins = "STB asserts"',
        'begins = "last of (STB asserts, WR asserted)"',
        "small.toml:26: cycle.begins: 'last of', 'after' and 'settled' cannot begin or end a "
        "cycle or beat here\n"
        '  26 | begins = "last of (STB asserts, WR asserted)"\n'
        "  expected: a condition, such as 'X asserted and Y asserted', that becomes true then",
    ),
    (
        '[cycle]\nbegins = "STB asserts"',
        "[cycle]\nbegins = []",
        "small.toml:26: cycle.begins: must be a list with at least one entry, not []\n"
        "  26 | begins = []",
    ),
    (
        'read = "before release"',
        'read = "before relase"',
        "small.toml:37:9: take.read: no moment is called 'before relase'\n"
        '  37 | read = "before relase"\n'
        "     |         ^\n"
        "  expected: 'at PHASE', 'before PHASE' or 'during PHASE', with + or - a time where "
        "needed; phases here: address, data, acknowledge, release",
    ),
    (
        'read = "before release"',
        'read = "at release + 5"',
        "small.toml:37:9: take.read: no moment is called 'at release + 5'\n"
        '  37 | read = "at release + 5"\n'
        "     |         ^\n"
        "  expected: 'at PHASE', 'before PHASE' or 'during PHASE', with + or - a time where "
        "needed; phases here: address, data, acknowledge, release",
    ),
    (
        'timeout = "1 us"',
        'timeout = "1 u"',
        "small.toml:43:12: ended.timeout: a time must be a number and one of s, ms, us, ns, "
        "ps, not '1 u'\n"
        '  43 | timeout = "1 u"\n'
        "     |            ^\n"
        "  expected: a time such as '40 ns'",
    ),
    (
        'timeout = "1 us"',
        "timeout = 1000",
        "small.toml:43: ended.timeout: must be text in quotes, not 1000\n  43 | timeout = 1000",
    ),
    (
        'idle = "100..200 ns"',
        'idle = "200..100 ns"',
        "small.toml:59:9: making.idle: a range must rise, not '200..100 ns'\n"
        '  59 | idle = "200..100 ns"\n'
        "     |         ^\n"
        "  expected: a range such as '30..60 ns'",
    ),
    (
        'idle = "100..200 ns"',
        'idle = "100-200 ns"',
        "small.toml:59:9: making.idle: a range must be written like '30..60 ns', not "
        "'100-200 ns'\n"
        '  59 | idle = "100-200 ns"\n'
        "     |         ^\n"
        "  expected: a range such as '30..60 ns'",
    ),
    (
        'do = "assert STB"',
        'do = "asert STB"',
        "small.toml:73:7: making.steps[1].do: no action is called 'asert STB'\n"
        '  73 | do = "asert STB"\n'
        "     |       ^\n"
        "  expected: 'assert' or 'negate' with a line, 'lanes' or 'port', 'take data', 'another "
        "beat', 'next cycle', or 'drive' or 'release' with one of address, data, kind, "
        "direction, function, size",
    ),
    (
        'do = "assert STB"',
        'do = "assert STV"',
        "small.toml:73:14: making.steps[1].do: no line is called 'STV'\n"
        '  73 | do = "assert STV"\n'
        "     |              ^\n"
        "  expected: one of A[3:0], D[7:0], STB, WR, ACK, ERR; did you mean STB?",
    ),
    (
        '{ begin = "40..60 ns" }',
        '{ begn = "40..60 ns" }',
        "small.toml:74:11: making.steps[1].after: no step is called 'begn'\n"
        '  74 | after = { begn = "40..60 ns" }\n'
        "     |           ^\n"
        "  expected: the name of a step, or a condition such as 'ACK asserted'; did you mean "
        "begin?",
    ),
    (
        '"STB asserted" = "50..90 ns"',
        '"STB assertd" = "50..90 ns"',
        "small.toml:82:16: making.steps[2].after: the condition stops making sense at 'assertd'\n"
        '  82 | after = { "STB assertd" = "50..90 ns" }\n'
        "     |                ^\n"
        "  expected: a condition such as 'X asserted', 'any of (X, Y) asserted' or 'X "
        "asserted and Y is 3'",
    ),
    (
        'for = ["read"]',
        'for = ["reed"]',
        "small.toml:80:9: making.steps[2].for: no kind is called 'reed'\n"
        '  80 | for = ["reed"]\n'
        "     |         ^\n"
        "  expected: one of write, read; did you mean read?",
    ),
    (
        'name = "strobe"',
        'name = "Strobe"',
        "small.toml:70: making.steps[1].name: must be lower-case letters, digits and _, with "
        "a letter first, not 'Strobe'\n"
        '  70 | name = "Strobe"',
    ),
    (
        'name = "strobe"',
        'name = "begin"',
        "small.toml:67: making.steps[0].after: steps wait for one another: begin -> begin\n"
        "  67 | after = {}\n"
        "  expected: steps of which one can be the first\n"
        "small.toml:70:9: making.steps[1].name: step begin is listed twice\n"
        '  70 | name = "begin"\n'
        "     |         ^",
    ),
    (
        'stage = "open"\ndo = "assert STB"',
        'stage = "opening"\ndo = "assert STB"',
        "small.toml:72: making.steps[1].stage: found 'opening'\n"
        '  72 | stage = "opening"\n'
        "  expected: 'open', 'beat', 'close' or 'last'\n"
        "  do:       did you mean open?",
    ),
    (
        "[take]",
        '[lanes]\nstrobes = ["STB", "ACK"]\n\n[take]',
        "small.toml:37: lanes.strobes: 2 lane strobes for 1 lane\n"
        '  37 | strobes = ["STB", "ACK"]\n'
        "  expected: one strobe a lane, the most significant lane first",
    ),
    (
        "[take]",
        '[[lanes.table]]\nlevels = { A0 = 0 }\nlanes = "10"\n\n[take]',
        "small.toml:38:10: lanes.table[0].lanes: '10' names 2 lanes\n"
        '  38 | lanes = "10"\n'
        "     |          ^\n"
        "  expected: 1 character, 1 for a lane that takes part, the most significant first",
    ),
    (
        "[take]",
        '[[lanes.table]]\nlevels = { A0 = 0 }\nlanes = "x"\n\n[take]',
        "small.toml:38: lanes.table[0].lanes: must be one 1 or 0 a lane, the most "
        "significant lane first, not 'x'\n"
        '  38 | lanes = "x"',
    ),
    (
        "[cycle]",
        "[cycle",
        "small.toml:25:7: this is not TOML: expected ']' at the end of a table declaration\n"
        "  25 | [cycle\n"
        "     |       ^\n"
        "  expected: a bus description in TOML",
    ),
    (
        'title = "An',
        "title = An",
        "small.toml:2:9: this is not TOML: unreadable value\n"
        '  2 | title = An invented bus of one byte lane, small enough to read at a glance"\n'
        "    |         ^\n"
        "  expected: a bus description in TOML",
    ),
    (
        'acknowledge = "ACK asserted"',
        'data = "ACK asserted"',
        "small.toml:34: phases.data: phase data is begun by the cycle and its beats\n"
        '  34 | data = "ACK asserted"\n'
        "  expected: phases between data and release, such as acknowledge",
    ),
    (
        '[[sources]]\ndocument = "Invented for the tests"\nsection = "none"\nstatus = "invented"\n',
        "",
        "small.toml: sources: this key is missing\n  do:       see docs/describing-a-bus.md",
    ),
    (
        '"A[3:0]" = {',
        '"A[x:0]" = {',
        "small.toml:11:2: lines.A[x:0]: 'A[x:0]' is no line and no range of lines\n"
        '  11 | "A[x:0]" = { role = "address", driver = "host" }\n'
        "     |  ^\n"
        '  expected: a range such as D[7:0]; of hexadecimal numbers with numbering = "hex"\n'
        "small.toml:19:10: address.lines: no line is called 'A[3:0]'\n"
        '  19 | lines = "A[3:0]"\n'
        "     |          ^\n"
        "  expected: one of A[x:0], D[7:0], STB, WR, ACK, ERR; did you mean A[x:0]?",
    ),
    (
        "STB = {",
        "D1 = {",
        "small.toml:13: lines.D1: line D1 is listed twice\n"
        '  13 | D1 = { role = "strobe", active = "low", driver = "host", pull = "up" }\n'
        "small.toml:26:11: cycle.begins: no line is called 'STB'\n"
        '  26 | begins = "STB asserts"\n'
        "     |           ^\n"
        "  expected: one of A, D, WR, ACK, ERR\n"
        "small.toml:27:9: cycle.ends: no line is called 'STB'\n"
        '  27 | ends = "STB negates"\n'
        "     |         ^\n"
        "  expected: one of A, D, WR, ACK, ERR\n"
        "small.toml:30:11: beat.begins: no line is called 'STB'\n"
        '  30 | begins = "STB asserted"\n'
        "     |           ^\n"
        "  expected: one of A, D, WR, ACK, ERR\n"
        "small.toml:31:9: beat.ends: no line is called 'STB'\n"
        '  31 | ends = "STB negated"\n'
        "     |         ^\n"
        "  expected: one of A, D, WR, ACK, ERR\n"
        "small.toml:73:14: making.steps[1].do: no line is called 'STB'\n"
        '  73 | do = "assert STB"\n'
        "     |              ^\n"
        "  expected: one of A[3:0], D[7:0], D1, WR, ACK, ERR\n"
        "small.toml:82:12: making.steps[2].after: no line is called 'STB'\n"
        '  82 | after = { "STB asserted" = "50..90 ns" }\n'
        "     |            ^\n"
        "  expected: one of A, D, WR, ACK, ERR",
    ),
    (
        'acknowledged = ["ACK"]',
        'acknowledged = "ACK"',
        "small.toml:41: ended.acknowledged: must be a list in [ ], not 'ACK'\n"
        '  41 | acknowledged = "ACK"',
    ),
    (
        '"A[3:0]" = { role = "address", driver = "host" }',
        '"A[3:0]" = { role = "address", driver = "host", activ = "low" }',
        "small.toml:11: lines.A[3:0].activ: no key of this name is known here\n"
        '  11 | "A[3:0]" = { role = "address", driver = "host", activ = "low" }\n'
        "  do:       did you mean active?",
    ),
    (
        '"A[3:0]" = { role = "address", driver = "host" }',
        '"A[3:0]" = { role = "address" }',
        "small.toml:11: lines.A[3:0].driver: this key is missing\n"
        '  11 | "A[3:0]" = { role = "address" }\n'
        "  do:       see docs/describing-a-bus.md",
    ),
    (
        'lines = "A[3:0]"',
        'lines = "STB"',
        "small.toml:19:10: address.lines: address line STB has no number\n"
        '  19 | lines = "STB"\n'
        "     |          ^\n"
        "  expected: address lines numbered by the bit of the byte address that they carry",
    ),
    (
        '[take]\nread = "before release"',
        '[take]\nread = "during data"',
        "small.toml:37:9: take.read: only lanes can be taken 'during' a phase, not at "
        "'during data'\n"
        '  37 | read = "during data"\n'
        "     |         ^\n"
        "  expected: 'at PHASE' or 'before PHASE'",
    ),
    (
        "after = {}",
        'after = { strobe = "1 ns" }',
        "small.toml:67: making.steps[0].after: steps wait for one another: begin -> strobe "
        "-> begin\n"
        '  67 | after = { strobe = "1 ns" }\n'
        "  expected: steps of which one can be the first",
    ),
    (
        'title = "An',
        "title = 5 #",
        "small.toml:2: title: must be text in quotes, not 5\n"
        '  2 | title = 5 # invented bus of one byte lane, small enough to read at a glance"',
    ),
    (
        "invented = true",
        'invented = "yes"',
        "small.toml:3: invented: must be true or false, not 'yes'\n  3 | invented = \"yes\"",
    ),
    (
        "[ended]\n",
        '[ended]\nwait = ["ACK", 5]\n',
        'small.toml:41: ended.wait[1]: must be text in quotes, not 5\n  41 | wait = ["ACK", 5]',
    ),
    (
        'lines = "D[7:0]"',
        "lines = 5",
        "small.toml:22: data.lines: must be text in quotes, or a list of texts, not 5\n"
        "  22 | lines = 5",
    ),
]


def test_the_description_that_the_mistakes_are_made_in_is_good() -> None:
    """Without a mistake there is no message."""
    assert load_bus(GOOD).name == "small"


@pytest.mark.parametrize(
    ("good", "bad", "message"), MISTAKES, ids=[f"{bad[:40]!r}" for _, bad, _ in MISTAKES]
)
def test_a_mistake_is_named_with_its_place(good: str, bad: str, message: str) -> None:
    """File, line, column, key, what was found, what was expected, what may have been meant."""
    text = GOOD.read_text(encoding="utf-8")
    assert text.count(good) >= 1
    with pytest.raises(DescriptionError) as caught:
        parse_bus(text.replace(good, bad, 1), NAME)
    assert str(caught.value) == message


def test_all_mistakes_of_a_file_are_told_in_its_order() -> None:
    """Three at once: a step, an event and a line, written last to first."""
    text = GOOD.read_text(encoding="utf-8")
    text = text.replace("50..90 ns", "90..50 ns").replace("ACK asserted", "AKC asserted")
    text = text.replace('[address]\nlines = "A[3:0]"', '[address]\nlines = "A[4:0]"')
    with pytest.raises(DescriptionError) as caught:
        parse_bus(text, NAME)
    assert str(caught.value) == (
        "small.toml:19:10: address.lines: no line is called 'A[4:0]'\n"
        '  19 | lines = "A[4:0]"\n'
        "     |          ^\n"
        "  expected: one of A[3:0], D[7:0], STB, WR, ACK, ERR\n"
        "small.toml:34:16: phases.acknowledge: no line is called 'AKC'\n"
        '  34 | acknowledge = "AKC asserted"\n'
        "     |                ^\n"
        "  expected: one of A, D, STB, WR, ACK, ERR; did you mean ACK?\n"
        "small.toml:82:29: making.steps[2].after: a range must rise, not '90..50 ns'\n"
        '  82 | after = { "STB asserted" = "90..50 ns" }\n'
        "     |                             ^\n"
        "  expected: a range such as '30..60 ns'"
    )


def test_mistakes_of_the_schema_are_told_in_order_too() -> None:
    """Two keys that are misspelt, far apart."""
    text = GOOD.read_text(encoding="utf-8")
    text = text.replace("watchdog", "watchdogs").replace("byte_order", "byteorder")
    with pytest.raises(DescriptionError) as caught:
        parse_bus(text, NAME)
    assert [row for row in str(caught.value).split("\n") if row.startswith("small")] == [
        "small.toml:21: data.byte_order: this key is missing",
        "small.toml:23: data.byteorder: no key of this name is known here",
        "small.toml:60: making.watchdogs: no key of this name is known here",
    ]


def test_a_file_that_is_not_text(tmp_path: Path) -> None:
    """The byte that is no UTF-8 is named."""
    path = tmp_path / "bus.toml"
    path.write_bytes(b'name = "caf\xe9"\n')
    with pytest.raises(DescriptionError) as caught:
        load_bus(path)
    assert str(caught.value) == (
        f"{path}: byte 11: this is not a text file in UTF-8\n  expected: a bus description in TOML"
    )


def test_a_bus_that_is_neither_bundled_nor_a_file() -> None:
    """The near name is offered."""
    with pytest.raises(DescriptionError) as caught:
        load_bus("orlop23")
    assert str(caught.value).startswith("there is no bus and no file called 'orlop23'\n")
    assert str(caught.value).endswith("\n  do:       did you mean orlop32?")


def test_more_than_64_data_lines_are_refused() -> None:
    """A word is kept in 64 bits."""
    text = GOOD.read_text(encoding="utf-8").replace("D[7:0]", "D[71:0]")
    with pytest.raises(DescriptionError) as caught:
        parse_bus(text, NAME)
    assert str(caught.value) == (
        "small.toml:22:10: data.lines: 72 data lines\n"
        '  22 | lines = "D[71:0]"\n'
        "     |          ^\n"
        "  expected: at most 64 data lines"
    )
