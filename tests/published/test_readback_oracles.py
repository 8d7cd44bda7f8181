"""Read-backs, foretold and judged, against the tables of a file on fault theory.

References: fault-theory, its section beside each test; counts and gains of its sections 4.2 and 4.3
are in `test_next_write_oracles`. All figures taken from it are marked there as computed: an
enumeration from the definitions, made apart from this program and before it. They are no figures
of papers. Rows of faults that are no candidates (one line holds another low only, or high only;
swaps on one path only) are left out.
"""

from __future__ import annotations

from itertools import combinations, product
from random import Random
from typing import TYPE_CHECKING

import pytest

from busdecode.access import Access
from busdecode.diagnosis import read_back, score
from busdecode.faults import Absent, Bridge, Stuck, Swapped, written_fault
from busdecode.plan import (
    MARCHES,
    VECTOR_SETS,
    make_plan,
    open_window,
    parse_march,
    plan_march,
    plan_strobes,
)
from busdecode.predict import FaultRows, candidates, lines_of
from tests.diagnosis.readbacks import (
    BASE,
    at_once,
    bus_of,
    drawn,
    fault_of,
    foretold,
    hexadecimal,
    judged,
    model_of,
    names,
    read,
    returned,
    scored,
    written,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from busdecode.faults import Fault

SIX = (0xAA, 0xCC, 0xF0, 0x55, 0x33, 0x0F)
"""True and complement of the digits of eight lines' numbers."""


# 1.4 and 1.5: sets of words on the data lines.

# Set, then found on 8 lines and on 16: stuck low, stuck high, bridges where low wins, where high
# wins, where one line decides. Swapped lines come back right: the way in is the way out.
FOUND = {
    "counting": ([7, 7, 28, 28, 56, 0], [15, 15, 120, 120, 240, 0]),
    "modified-counting": ([8, 8, 28, 28, 56, 0], [16, 16, 120, 120, 240, 0]),
    "true-complement": ([8, 8, 28, 28, 56, 0], [16, 16, 120, 120, 240, 0]),
    "walking-ones": ([8, 8, 28, 28, 56, 0], [16, 16, 120, 120, 240, 0]),
}


@pytest.mark.parametrize(("name", "at"), [("z80", 0), ("mc68000", 1)])
@pytest.mark.parametrize("words", FOUND)
def test_faults_of_data_lines_that_a_set_of_words_finds(words: str, name: str, at: int) -> None:
    """Both ways through the fault find what one way finds, but for swaps (1.4)."""
    lines = bus_of(name).data[::-1]
    pairs = list(combinations(lines, 2))
    kinds: list[list[Fault]] = [
        [Stuck(line, 0) for line in lines],
        [Stuck(line, 1) for line in lines],
        [Bridge(a, b, "low-wins") for a, b in pairs],
        [Bridge(a, b, "high-wins") for a, b in pairs],
        [Bridge(a, b, rule) for a, b in pairs for rule in ("a-wins", "b-wins")],
        [Swapped(a, b) for a, b in pairs],
    ]
    sent = VECTOR_SETS[words](len(lines))
    log = at_once(sent, size=len(lines) // 8)
    found = [sum(row != sent for row in returned(name, log, kind)) for kind in kinds]

    assert FOUND[words][at] == found


READ_BACK = {
    "bridge D2 D5 low-wins": "8A C8 D0 51 13 0B",
    "bridge D2 D5 high-wins": "AE EC F4 75 37 2F",
    "bridge D2 D5 a-wins": "8A EC D0 75 13 2F",
    "bridge D2 D5 b-wins": "AE C8 F4 51 37 0B",
    "stuck D2 low": "AA C8 F0 51 33 0B",
    "stuck D2 high": "AE CC F4 55 37 0F",
    # On one path only: all that is on the line goes through it once, with the same result.
    "write-receiver D2 low": "AA C8 F0 51 33 0B",
    "read-driver D2 low": "AA C8 F0 51 33 0B",
    "write-receiver D2 high": "AE CC F4 55 37 0F",
    "read-driver D2 high": "AE CC F4 55 37 0F",
    # Both ways, one undoes the other.
    "swapped D2 D5": "AA CC F0 55 33 0F",
}


@pytest.mark.parametrize("fault", READ_BACK)
def test_six_words_with_a_fault_of_two_lines(fault: str) -> None:
    """The words of true and complement come back as the table has it (1.5)."""
    expected = hexadecimal(READ_BACK[fault])

    assert [expected] == returned("z80", at_once(SIX), [fault_of(fault)])


# 3.3: address lines.

POWERS = (0, 1, 2, 4, 8, 0x10, 0x20, 0x40, 0x80)
READ_POWERS = {
    "stuck A1 low": [3, 2, 3, 4, 5, 6, 7, 8, 9],
    "stuck A1 high": [3, 2, 3, 4, 5, 6, 7, 8, 9],
    "open A1 high": [3, 2, 3, 4, 5, 6, 7, 8, 9],
    "open A1 low": [3, 2, 3, 4, 5, 6, 7, 8, 9],
    "open A1 keep": [3, 2, 3, 4, 5, 6, 7, 8, 9],
    "bridge A4 A5 low-wins": [7, 2, 3, 4, 5, 7, 7, 8, 9],
    "bridge A4 A5 high-wins": [1, 2, 3, 4, 5, 7, 7, 8, 9],
    "bridge A4 A5 a-wins": [7, 2, 3, 4, 5, 6, 7, 8, 9],
    "bridge A4 A5 b-wins": [6, 2, 3, 4, 5, 6, 7, 8, 9],
    "swapped A4 A5": [1, 2, 3, 4, 5, 6, 7, 8, 9],
}


def powers(seen: Iterable[int] = range(1, 10)) -> list[Access]:
    """Write 1 to 9 to 00 and the powers of two, then read all of them."""
    writes = [written(offset, at) for at, offset in enumerate(POWERS, 1)]
    return writes + [read(offset, word) for offset, word in zip(POWERS, seen, strict=True)]


@pytest.mark.parametrize("fault", READ_POWERS)
def test_powers_of_two_with_a_fault_of_address_lines(fault: str) -> None:
    """Each read returns what was last written to the word that it reaches (3.3)."""
    assert [READ_POWERS[fault]] == returned("z80", powers(), [fault_of(fault)])


def test_line_stuck_low_stuck_high_and_broken_are_one_group() -> None:
    """What the powers of two show is that A1 has no effect, not why (3.3)."""
    groups = judged(powers(READ_POWERS["stuck A1 low"]), candidates(bus_of("z80"))).groups
    same = {"stuck A1 low", "stuck A1 high", "open A1 low", "open A1 high", "open A1 keep"}
    same |= {f"bridge A1 A{at} b-wins" for at in range(2, 8)} | {"bridge A0 A1 a-wins"}

    assert same <= names(groups[0].faults)
    assert scored(groups[0]) == (1, 0, 8)
    assert not same & {name for group in groups[1:] for name in names(group.faults)}


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        (range(16), [2, 3, 2, 3, 6, 7, 6, 7, 10, 11, 10, 11, 14, 15, 14, 15]),
        (range(15, -1, -1), [0, 1, 0, 1, 4, 5, 4, 5, 8, 9, 8, 9, 12, 13, 12, 13]),
    ],
    ids=["upward", "downward"],
)
def test_own_address_in_each_word(order: Sequence[int], expected: list[int]) -> None:
    """Words that are one return the address that was written last of them (3.3)."""
    log = [written(at, at) for at in order] + [read(at) for at in range(16)]

    assert [expected] == returned("z80", log, [Stuck("A1", 0)])


def test_written_and_read_at_once_shows_no_address_fault() -> None:
    """The negative case: every fault of address lines alone reads right that way (3.3)."""
    bus = bus_of("z80")
    faults = [
        fault
        for fault in candidates(bus)
        if lines_of(fault)
        and set(lines_of(fault)) <= set(bus.address)
        and getattr(fault, "rule", "") != "undetermined"
    ]
    offsets = [0, *(1 << at for at in range(15))]
    log = [access for at in offsets for access in (written(at, at & 0xFF ^ at >> 8), read(at))]
    sent = [access.data for access in log if access.op == "write"]

    # 16 lines, 5 faults each; 120 pairs, 4 rules and swapped.
    assert len(faults) == 16 * 5 + 120 * 5
    assert [sent] * len(faults) == returned("z80", log, faults)


# Which of the words 00, 10, 20, 30 are one.
KERNELS = {
    "00|10|20|30": ["swapped A4 A5"],
    "00 20|10 30": [
        "stuck A5 low",
        "stuck A5 high",
        "open A5 low",
        "open A5 high",
        "open A5 keep",
        "bridge A4 A5 a-wins",
    ],
    "00 10 20|30": ["bridge A4 A5 low-wins"],
    "00|10 20 30": ["bridge A4 A5 high-wins"],
}


def sharing(words: Sequence[int]) -> str:
    """Write which of the words 00, 10, 20, 30 returned the same."""
    shared: dict[int, list[str]] = {}
    for at, word in enumerate(words):
        shared.setdefault(word, []).append(f"{at}0")
    return "|".join(" ".join(group) for group in shared.values())


@pytest.mark.parametrize("kernel", KERNELS)
def test_words_that_a_fault_of_address_lines_makes_one(kernel: str) -> None:
    """Four different words are written, and those that return the same are one (3.3)."""
    faults = [fault_of(text) for text in KERNELS[kernel]]
    log = [written(16 * at, at + 1) for at in range(4)] + [read(16 * at) for at in range(4)]

    assert [kernel] * len(faults) == [sharing(row) for row in returned("z80", log, faults)]


def test_no_log_separates_faults_that_make_the_same_words_one() -> None:
    """Of 300 accesses in random order all read the same in a class, and classes differ (3.3)."""
    rng = Random(33)
    log = [
        written(offset, rng.randrange(256)) if rng.random() < 0.5 else read(offset)
        for offset in (rng.randrange(4) << 4 for _ in range(300))
    ]
    log = [written(16 * at, 0x80 + at) for at in range(4)] + log
    rows = [
        returned("z80", log, [fault_of(text) for text in KERNELS[kernel]]) for kernel in KERNELS
    ]

    assert [len({tuple(row) for row in each}) for each in rows] == [1, 1, 1, 1]
    assert len(KERNELS) == len({tuple(each[0]) for each in rows})


# 4.4: a data line tied to a strobe, on 16 lines.

STROBE_WORDS = hexadecimal("AAAA CCCC F0F0 FF00 5555 3333 0F0F 00FF")
DATA_WINS = "5A5A CCCC F0F0 F0F0 5555 5555 5555 00FF"
DATA_WINS_ONE_LANE = "AA5A CCCC F0F0 FFF0 5555 3355 0F55 00FF"
LOW_WINS_16 = "A8AA CCCC F0F0 FD00 5555 3133 0D0F 00FF"
# What the table has, and how much of it is foretold at least. The fill has D9 high, so that it is
# not written either where the data line wins: that the cell held it is the table's assumption.
STROBES = [
    ("bridge D9 AS a-wins", DATA_WINS, "???? CCCC F0F0 F0F0 5555 5555 5555 00FF"),
    ("bridge D9 AS high-wins", DATA_WINS, "???? CCCC F0F0 F0F0 5555 5555 5555 00FF"),
    # The lane of the strobe alone; a word of which that lane is read high ends the read early.
    ("bridge D9 LDS high-wins", DATA_WINS_ONE_LANE, "AA?? C?CC F?F0 FFF0 5?55 3355 0F55 0?FF"),
    # The line holds the strobe down all the while that it is low: nothing is foretold.
    ("bridge D9 LDS a-wins", DATA_WINS_ONE_LANE, " ".join(["????"] * 8)),
    ("bridge D9 AS low-wins", LOW_WINS_16, LOW_WINS_16),
    ("stuck D9 low", LOW_WINS_16, LOW_WINS_16),
]


@pytest.mark.parametrize(("fault", "table", "told"), STROBES)
def test_cell_after_words_with_a_line_tied_to_a_strobe(fault: str, table: str, told: str) -> None:
    """All that is foretold is what the cell holds, and the rest is unknown, not wrong (4.4)."""
    log = [written(0, 0x5A5A, 2), *at_once(STROBE_WORDS, size=2)]
    words, known = foretold("mc68000", log, [fault_of(fault, "mc68000")])

    shown = drawn(words[0], known[0], 4)
    held = [word & bits for word, bits in zip(hexadecimal(table), known[0], strict=True)]

    assert held == words[0]
    assert all(wanted in ("?", digit) for wanted, digit in zip(told, shown, strict=True))


@pytest.mark.parametrize(
    ("line", "flags"), [(9, [1, 0, 0, 1]), (5, [1, 0, 1, 0]), (15, [1, 1, 1, 1]), (0, [0, 0, 0, 0])]
)
def test_words_that_are_not_written_spell_the_number_of_the_line(
    line: int, flags: list[int]
) -> None:
    """Low digit first; the complements show the opposite flags (4.4)."""
    steps = plan_strobes(open_window(bus_of("mc68000"), BASE, 2)).accesses
    words = returned("mc68000", steps, [fault_of(f"bridge D{line} AS a-wins", "mc68000")])
    stays = [int(word == 0) for word in words[0]]

    assert (flags, [1 - flag for flag in flags]) == (stays[:4], stays[4:])


# 4.5: faults that are not about logic alone.


def test_line_that_reads_high_always_is_one_class() -> None:
    """A short to the rail, a break that floats high, the card's driver and its receiver (4.5, 4.8).

    So is a line tied to one that is high all the while.
    """
    log = at_once(SIX, [word | 8 for word in SIX])
    first = judged(log, candidates(bus_of("z80"))).groups[0]

    assert {
        "stuck D3 high",
        "open D3 high",
        "read-driver D3 high",
        "write-receiver D3 high",
        "bridge D3 A15 high-wins",
        "bridge D3 A15 b-wins",
    } <= names(first.faults)
    assert scored(first) == (3, 0, 3)


KEPT = [
    # All written, then read: both return the level that was last on the line.
    ([written(0, 0x00), written(1, 0x08), read(0), read(1)], [0x08, 0x08]),
    ([written(0, 0x08), written(1, 0x00), read(0), read(1)], [0x00, 0x00]),
    # Read at once all is right.
    ([written(0, 0x00), read(0), written(1, 0x08), read(1)], [0x00, 0x08]),
]


@pytest.mark.parametrize(("log", "expected"), KEPT)
def test_broken_line_that_keeps_its_level(log: list[Access], expected: list[int]) -> None:
    """It returns what was last written to any address (4.5)."""
    assert [expected] == returned("z80", log, [fault_of("open D3 keep")])


def test_broken_line_that_keeps_its_level_is_found_by_writing_all_first() -> None:
    """With the words in both orders, no stuck line of data explains the reads (4.5)."""
    log = [written(0, 0x00), written(1, 0x08), read(0, 0x08), read(1, 0x08)]
    log += [written(1, 0x08), written(0, 0x00), read(0, 0x00), read(1, 0x00)]
    first = judged(log, candidates(bus_of("z80"))).groups[0]

    assert "open D3 keep" in names(first.faults)
    assert not {"stuck D3 low", "stuck D3 high"} & names(first.faults)
    assert scored(first) == (2, 0, 2)


def test_low_lane_that_is_not_written() -> None:
    """The cell held 1234; A55A leaves A534 (4.5)."""
    log = [
        Access("read", BASE, 2, 0x1234, expected=0x1234),
        written(0, 0xA55A, 2),
        read(0, 0xA534, 2),
    ]
    first = judged(log, candidates(bus_of("mc68000")), "mc68000").groups[0]

    assert {"lane-lost LDS", "stuck LDS high"} <= names(first.faults)
    assert not {"lane-lost UDS", "stuck UDS high"} & names(first.faults)
    assert (first.explained, first.contradicted) == (1, 0)


DISTINCT = {0: 0x11, 1: 0x22, 2: 0x44, 4: 0x88}


@pytest.mark.parametrize(
    ("seen", "cause"), [(0x88, "absent keep"), (0xFF, "absent high"), (0x00, "absent low")]
)
def test_no_card_where_all_was_written_before_it_was_read(seen: int, cause: str) -> None:
    """Every read returns the last word on the lines, or the level of the pulls (4.5)."""
    log = [written(at, word) for at, word in DISTINCT.items()]
    log += [read(at, seen) for at in DISTINCT]
    verdict = judged(log, candidates(bus_of("z80")))

    assert cause in names(verdict.groups[0].faults)
    assert scored(verdict.groups[0]) == ((4, 0, 0), (3, 0, 1))[seen == 0x88]


def test_no_card_on_lines_with_pulls() -> None:
    """Lines that nobody drives read high where they are pulled up (4.5)."""
    log = [Access("write", BASE + 4 * at, 4, word * 0x01010101) for at, word in DISTINCT.items()]
    log += [Access("read", BASE + 4 * at, 4, 0xFFFFFFFF) for at in DISTINCT]
    model = model_of("vmebus")
    faults: list[Fault] = [Absent("high"), Absent("keep"), Absent("low"), Absent("any")]
    scores = score(read_back(model, log), FaultRows(model, faults))

    assert bus_of("vmebus").line("D0").pull == "up"
    assert scores.explained.tolist() == [4, 0, 0, 0]
    assert scores.contradicted.tolist() == [0, 4, 4, 0]
    assert scores.silent.tolist() == [0, 0, 0, 4]


def test_nothing_is_foretold_of_late_data() -> None:
    """By how much data must be late is no matter of logic: unknown, not wrong (4.5)."""
    late = [fault for fault in candidates(bus_of("z80")) if "late" in written_fault(fault)]
    _, known = foretold("z80", at_once([0x00, 0xFF, 0xFF, 0x00]), late)

    assert known == [[0] * 4] * 2


# 4.6: what read-back cannot show.


def test_healthy_log_leaves_all_swapped_lines() -> None:
    """A change on the way in is undone on the way out, of data and of addresses (4.6)."""
    plan = make_plan(open_window(bus_of("z80"), BASE, 256), ["walking-both", "address-powers"])
    log = [
        access if access.op == "write" else read(access.address - BASE, access.expected)
        for access in plan.accesses
    ]
    faults = candidates(bus_of("z80"))
    verdict = judged(log, faults)
    swapped = {written_fault(fault) for fault in faults if isinstance(fault, Swapped)}

    assert len(swapped) == 28 + 120
    assert verdict.healthy
    assert swapped <= names(verdict.unseen)


@pytest.mark.parametrize("level", [0, 1])
def test_one_path_reads_as_both(level: int) -> None:
    """The card's receiver, its driver, and the line itself: one read-back for every word (4.6)."""
    how = ("low", "high")[level]
    faults = [
        fault_of(f"{kind} D2 {how}") for kind in ("stuck", "open", "write-receiver", "read-driver")
    ]
    rows = returned("z80", at_once(range(256)), faults)

    assert [[word & ~4 | 4 * level for word in range(256)]] * 4 == rows


# 4.7: no card on lines that keep their level.


# Two in which every read follows the write of the value that it expects.
UNFOUND = {
    "zero-one": "*(w0); *(r0); *(w1); *(r1)",
    "march-sr": "v(w0); ^(r0,w1,r1,w0); ^(r0,r0); ^(w1); v(r1,w0,r0,w1); v(r1,r1)",
}


@pytest.mark.parametrize("name", [*MARCHES, *UNFOUND])
def test_marches_that_find_that_no_card_is_there(name: str) -> None:
    """All do where lines are pulled, but not all where lines keep their level (4.7)."""
    march = parse_march(UNFOUND[name]) if name in UNFOUND else MARCHES[name]
    plan = plan_march(open_window(bus_of("z80"), BASE, 4), name, march)
    expected = [access.expected for access in plan.accesses if access.op == "read"]
    kept, pulled = returned("z80", plan.accesses, [Absent("keep"), Absent("high")])

    assert (name not in UNFOUND, True) == (kept != expected, pulled != expected)


def test_written_and_read_at_once_finds_no_missing_card() -> None:
    """The negative case: any data comes back from lines that keep their level (4.7)."""
    log = [access for at in range(64) for access in (written(at, 5 * at & 0xFF), read(at))]
    sent = [access.data for access in log if access.op == "write"]

    assert [sent] == returned("z80", log, [Absent("keep")])


# 5: bridges.

# What D2 and D5 carry where 00, 01, 10, 11 are written to them.
TRUTH = {
    "none": "00 01 10 11",
    "bridge D2 D5 low-wins": "00 00 00 11",
    "bridge D2 D5 high-wins": "00 11 11 11",
    "bridge D2 D5 a-wins": "00 00 11 11",
    "bridge D2 D5 b-wins": "00 11 00 11",
}


@pytest.mark.parametrize("fault", TRUTH)
def test_levels_of_a_bridge(fault: str) -> None:
    """Wired and, wired or, and one line that decides (5).

    L.-T. Wang, C.-W. Wu, X. Wen (eds.), VLSI Test Principles and Architectures, 2006, table 1.3,
    page 18, read as an extract; its blank cells are computed.
    """
    sent = [a << 2 | b << 5 for a, b in product((0, 1), repeat=2)]
    words, known = foretold("z80", at_once(sent), [None if fault == "none" else fault_of(fault)])
    shown = " ".join(f"{word >> 2 & 1}{word >> 5 & 1}" for word in words[0])

    assert TRUTH[fault] == shown
    assert known[0] == [0xFF] * 4
