"""Checks of VMEbus against outside sources: lanes, codes, order of events, limits."""

from __future__ import annotations

import csv
import re
import tomllib
from bisect import bisect_right
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import pytest
from vcdvcd import VCDVCD

from busdecode.capture import from_levels
from busdecode.cycles import decode_capture
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd

    from busdecode.protocol import Bus

HERE = Path(__file__).parent
EVIDENCE = HERE.parents[1] / "independent"
CASES = tomllib.loads((HERE / "cases.toml").read_text(encoding="ascii"))
NAMES = ("vmebus_figure", "vmebus_bench")
IDLE = 0xFFFFFFFF  # a terminated line is high, SOURCE.md, E
BLOCK_BYTES = 256  # SOURCE.md, G
LATE_DATA = 25  # ns after DTACK, from memory
SINGLE = 0x39

Lines = dict[str, int]
Change = tuple[int, Lines]


@cache
def described() -> Bus:
    """Load the description once."""
    return load_bus("vmebus")


def decode_changes(changes: Iterable[Change]) -> pd.DataFrame:
    """Decode a capture given as moments (ns) and what the lines then go to.

    `A` is the byte address that A31 to A01 show, `D` the 32 data lines, `AM` the code.
    """
    now: Lines = {
        **dict.fromkeys(("LWORD", "AS", "DS1", "DS0", "WRITE", "DTACK", "BERR"), 1),
        **dict.fromkeys(("IACK", "IACKIN", "IACKOUT"), 1),
        "A": IDLE,
        "AM": 0x3F,
        "D": IDLE,
    }
    rows: dict[int, Lines] = {0: dict(now)}
    for moment, lines in sorted(changes, key=lambda change: change[0]):
        now.update(lines)
        rows[moment] = dict(now)
    wires = {"A": range(31, 0, -1), "D": range(31, -1, -1), "AM": range(5, -1, -1)}
    levels: dict[str, list[int | str]] = {}
    for name in now:
        values = [row[name] for row in rows.values()]
        for bit in wires.get(name, [-1]):
            wire = name if bit < 0 else f"{name}{bit}"
            levels[wire] = [value if bit < 0 else value >> bit & 1 for value in values]
    capture = from_levels([moment * 1000 for moment in rows], levels)
    return decode_capture(capture, described()).as_text()


def opened(am: int, address: int, *, lword: int = 1, iack: int = 1, at: int = 100) -> list[Change]:
    """Make steps 1 to 3: address, code and size, then AS."""
    return [
        (at, {"A": address, "AM": am, "LWORD": lword, "IACK": iack}),
        (at + 40, {"AS": 0}),
    ]


def moved(
    at: int, data: int, strobes: str = "00", *, write: bool = False, answer: str = "DTACK"
) -> list[Change]:
    """Make one beat, steps 4 to 10; `strobes` are the levels of DS1 and DS0."""
    low: Lines = {
        name: 0 for name, level in zip(("DS1", "DS0"), strobes, strict=True) if level == "0"
    }
    return [
        (at, {"WRITE": 0 if write else 1, "D": data if write else IDLE}),
        (at + 40, low),
        (at + 90, {"D": data}),
        (at + 95, {answer: 0}),
        (at + 140, {"DS1": 1, "DS0": 1}),
        (at + 150, {"D": IDLE}),
        (at + 160, {answer: 1}),
    ]


def closed(at: int) -> list[Change]:
    """Raise AS and let the address go."""
    return [(at, {"AS": 1}), (at + 20, {"A": IDLE, "AM": 0x3F, "LWORD": 1, "IACK": 1, "WRITE": 1})]


def rows_of(table: pd.DataFrame, *columns: str) -> list[tuple[str, ...]]:
    """Give some columns of every row."""
    return [tuple(row) for row in table[list(columns)].to_numpy().tolist()]


def shown(data: int, lanes: str) -> str:
    """Write a word as the table must: two dashes for a lane without part."""
    digits = f"{data:08X}"
    pairs = (digits[at * 2 : at * 2 + 2] if lanes[at] == "1" else "--" for at in range(4))
    return "0x" + "".join(pairs)


@pytest.mark.parametrize("write", [False, True], ids=["read", "write"])
@pytest.mark.parametrize("case", CASES["lanes"], ids=lambda case: case["where"])
def test_strobes_a01_and_lword_select_the_lanes_of_the_table(
    case: dict[str, Any], write: bool
) -> None:
    """Each code of the lane table moves the bytes of its row, and no other byte is reported."""
    group, word = 0x00C35A48, 0x1E87B2D4
    changes = [
        *opened(SINGLE, group | case["a01"] << 1, lword=case["lword"]),
        *moved(150, word, case["strobes"], write=write),
        *closed(300),
    ]
    found = rows_of(decode_changes(changes), "kind", "address", "lanes", "data", "ended")
    kind = "write" if write else "read"
    address = f"0x{group + case['byte']:08X}"
    data = shown(word, case["lanes"])
    assert found == [(kind, address, case["lanes"], data, "acknowledged")]


def test_lane_table_has_one_row_a_code() -> None:
    """Ten codes of strobes, A01 and LWORD; what is left of the sixteen moves nothing."""
    codes = {(case["strobes"], case["a01"], case["lword"]) for case in CASES["lanes"]}
    assert len(codes) == len(CASES["lanes"]) == 10
    assert not {code for code in codes if code[0] == "11"}


def test_cycle_without_strobes_is_address_only() -> None:
    """AS falls and rises, no strobe: no lane takes part, and the long word's address is told."""
    changes = [*opened(0x3D, 0x005B0C66), *closed(200)]
    found = rows_of(
        decode_changes(changes), "kind", "address", "lanes", "data", "ended", "modifier"
    )
    assert found == [("address-only", "0x005B0C64", "0000", "", "unacknowledged", "0x3D")]


@pytest.mark.parametrize("am", [0x08, 0x0C, 0x38, 0x3C])
def test_block_of_64_bits_is_not_told_as_one_of_32(am: int) -> None:
    """Its code is that of BYTE(0-3); the modifier alone tells that four bytes are elsewhere [C]."""
    changes = [*opened(am, 0x00C35A40, lword=0), *moved(150, 0x1E87B2D4), *closed(300)]
    kind = decode_changes(changes)["kind"][0]
    assert kind not in {"read", "write", "block-read", "block-write"}


def test_every_code_stands_once_in_the_list() -> None:
    """Six lines make 64 codes."""
    codes = [code for entry in CASES["codes"] for code in entry["codes"]]
    assert sorted(codes) == list(range(64))


SPACED = [
    pytest.param(code, entry["space"], id=f"{code:02X}, {entry['space']}")
    for entry in CASES["codes"]
    if entry["space"] in CASES["address"]
    for code in entry["codes"]
]
SORTED = [
    pytest.param(code, entry["sort"], id=f"{code:02X}, {entry['sort']}")
    for entry in CASES["codes"]
    for code in entry["codes"]
]


@pytest.mark.parametrize(("am", "space"), SPACED)
def test_code_tells_which_address_lines_count(am: int, space: str) -> None:
    """What the other lines show is not part of the address."""
    address = 0xA7D6C5B2
    table = decode_changes([*opened(am, address), *moved(150, 0x7E55), *closed(300)])
    found = rows_of(table, "address", "modifier")
    assert found == [(f"0x{address & CASES['address'][space]:08X}", f"0x{am:02X}")]


@pytest.mark.parametrize(("am", "sort"), SORTED)
def test_code_tells_blocks_from_single_transfers(am: int, sort: str) -> None:
    """Four codes are blocks of 8 to 32 bits; ten are single; no other code is either block."""
    kinds = {
        write: decode_changes(
            [*opened(am, 0x00C35A40), *moved(150, 0x7E55, write=write), *closed(300)]
        )["kind"][0]
        for write in (False, True)
    }
    if sort == "block":
        assert kinds == {False: "block-read", True: "block-write"}
    elif sort == "single":
        assert kinds == {False: "read", True: "write"}
    else:
        assert not {"block-read", "block-write"} & set(kinds.values())


@pytest.mark.parametrize("am", [SINGLE, 0x2D, 0x3F, 0x00])
@pytest.mark.parametrize("level", range(1, 8))
def test_interrupt_acknowledge_has_its_level_on_a03_to_a01(level: int, am: int) -> None:
    """IACK low; A03 to A01 alone count [S], whatever the modifier shows."""
    changes = [
        *opened(am, 0xD6E5F4A0 | level << 1, iack=0),
        (195, {"IACKIN": 0}),
        *moved(150, 0xFFFFFF6B, "10"),
        (330, {"IACKIN": 1}),
        *closed(320),
    ]
    found = rows_of(decode_changes(changes), "kind", "address", "lanes", "data", "ended")
    address = f"0x{level << 1 & CASES['address']['interrupt-acknowledge'] | 1:08X}"
    assert found == [("interrupt-acknowledge", address, "0001", "0x------6B", "acknowledged")]


@pytest.mark.parametrize(("first", "last"), [("DS1", "DS0"), ("DS0", "DS1")])
def test_read_takes_the_word_that_stands_when_the_first_strobe_is_negated(
    first: str, last: str
) -> None:
    """Steps 8 to 10 [V]: negated to tell that the data is latched, which may then go."""
    changes = [change for change in moved(150, 0xFFFF4C39) if change[0] < 290]
    changes += [(290, {first: 1, "D": IDLE}), (298, {last: 1}), (310, {"DTACK": 1})]
    table = decode_changes([*opened(SINGLE, 0x00C35A40), *changes, *closed(320)])
    assert rows_of(table, "lanes", "data") == [("0011", "0x----4C39")]


@pytest.mark.parametrize("late", [0, LATE_DATA])
def test_read_does_not_take_what_stands_before_dtack(late: int) -> None:
    """Step 7 [V]: DTACK once the data is stable; at the master 25 ns later (from memory)."""
    word = 0xFFFF4C39
    changes = [change for change in moved(150, word) if change[0] != 240]
    changes += [(200, {"D": 0x00000000}), (245 + late, {"D": word})]
    table = decode_changes([*opened(SINGLE, 0x00C35A40), *changes, *closed(320)])
    assert rows_of(table, "data", "ended") == [("0x----4C39", "acknowledged")]


def test_write_takes_the_word_that_stands_at_the_strobes() -> None:
    """From memory: written data may go after DTACK, while the strobes are still low."""
    changes = [
        change for change in moved(150, 0x4C39, write=True) if change != (240, {"D": 0x4C39})
    ]
    changes.append((250, {"D": 0xA5A5A5A5}))
    table = decode_changes([*opened(SINGLE, 0x00C35A40), *changes, *closed(320)])
    assert rows_of(table, "kind", "data") == [("write", "0x----4C39")]


def test_direction_counts_at_the_strobes_not_at_as() -> None:
    """Steps 3 to 5 [V]: WRITE need not stand before AS, only before the strobes."""
    changes = [
        (105, {"WRITE": 0}),
        *opened(SINGLE, 0x00C35A40),
        *moved(150, 0x4C39),
        *closed(320),
    ]
    assert decode_changes(changes)["kind"][0] == "read"


@pytest.mark.parametrize(("answer", "ended"), [("DTACK", "acknowledged"), ("BERR", "error")])
def test_slave_or_timer_may_end_a_cycle_by_berr(answer: str, ended: str) -> None:
    """Step 7 [V]: BERR instead of DTACK."""
    changes = [*opened(SINGLE, 0x00C35A40), *moved(150, 0x4C39, answer=answer), *closed(320)]
    assert list(decode_changes(changes)["ended"]) == [ended]


def test_next_address_may_come_while_the_strobes_are_low() -> None:
    """Address pipelining [V names it, order from memory]: each beat stays with its own address."""
    first = [change for change in moved(150, 0x4C39) if change[0] < 290]
    changes = [
        *opened(SINGLE, 0x00C35A40),
        *first,
        (250, {"AS": 1}),
        *opened(0x2D, 0x0000B716, at=255),
        (330, {"DS1": 1, "DS0": 1}),
        (340, {"D": IDLE}),
        (345, {"DTACK": 1}),
        *moved(350, 0x5B6D7F, write=True),
        *closed(520),
    ]
    found = rows_of(decode_changes(changes), "cycle", "kind", "address", "data", "modifier")
    assert found == [
        ("0", "read", "0x00C35A40", "0x----4C39", "0x39"),
        ("1", "write", "0x0000B716", "0x----6D7F", "0x2D"),
    ]


def test_slave_counts_the_addresses_of_a_block() -> None:
    """From memory: one AS, one address; each beat moves on by the bytes of the beat before."""
    steps = {"00": 2, "01": 1, "10": 1}
    strobes = ["01", "10", "01"]
    changes = [*opened(0x3B, 0x00C35A42), (240, {"A": 0, "LWORD": 0, "AM": 0x29})]
    for at, levels in enumerate(strobes):
        changes += moved(150 + at * 200, 0x1100 * (at + 1) + at, levels)
    table = decode_changes([*changes, *closed(800)])
    addresses = [0x00C35A42 + sum(steps[done] for done in strobes[:at]) for at in range(3)]
    assert list(table["address"]) == [f"0x{address:08X}" for address in addresses]
    assert list(table["lanes"]) == ["0010", "0001", "0010"]
    assert list(table["cycle"]) == ["0", "0", "0"]


def test_read_modify_write_is_one_cycle_of_two_beats() -> None:
    """From memory: AS stays low, WRITE changes between the beats, the address does not move on."""
    table = decode_changes(
        [
            *opened(SINGLE, 0x00C35A40, lword=0),
            *moved(150, 0x12345678),
            *moved(350, 0x9ABCDEF0, write=True),
            *closed(520),
        ]
    )
    assert rows_of(table, "cycle", "beat", "kind", "address", "data", "rmw") == [
        ("0", "0", "read", "0x00C35A40", "0x12345678", "true"),
        ("0", "1", "write", "0x00C35A40", "0x9ABCDEF0", "true"),
    ]


# What follows looks at the stored captures without the decoder.


class Beat(NamedTuple):
    """A time during which a strobe or two are low; moments in ns."""

    strobes: tuple[str, ...]  # in the order in which they fell
    falls: tuple[int, int]  # first, last
    rises: tuple[int, int]
    answer: tuple[int, int]  # DTACK or BERR falls, rises
    write: str
    code: tuple[str, int, str]  # DS1 and DS0, A01 and LWORD when AS fell
    address_strobe: int  # the AS pulse to which it belongs


@cache
def changes_of(name: str) -> dict[str, list[tuple[int, str]]]:
    """Give moments (ns) and new values of each line of a stored capture, all digits written."""
    recorded = VCDVCD(str(EVIDENCE / f"{name}.vcd"))
    assert float(recorded.timescale["timescale"]) == 1e-9
    lines = {}
    for signal in recorded.signals:
        size = int(recorded[signal].size)
        lines[re.sub(r"\[.*", "", signal.split(".")[-1])] = [
            (moment, value.rjust(size, "z" if value[0] == "z" else "0"))
            for moment, value in recorded[signal].tv
        ]
    return lines


def at(name: str, line: str, moment: float) -> str:
    """Give what a line shows at a moment, what changes just then included."""
    changes = changes_of(name)[line]
    return changes[bisect_right(changes, moment, key=lambda change: change[0]) - 1][1]


@cache
def edges(name: str, line: str, level: str) -> list[int]:
    """Give the moments at which a line goes to a level; not what it begins with."""
    return [moment for moment, value in changes_of(name)[line][1:] if value == level]


@cache
def beats_of(name: str) -> list[Beat]:
    """Find the beats of a stored capture that are over at its end."""
    falls = sorted((t, line) for line in ("DS1", "DS0") for t in edges(name, line, "0"))
    address_strobes = edges(name, "AS", "0")
    beats: list[Beat] = []
    while falls:
        begin = falls[0][0]
        up = [t for line in ("DS1", "DS0") for t in edges(name, line, "1") if t > begin]
        ends = [t for t in up if at(name, "DS1", t) == at(name, "DS0", t) == "1"]
        if not ends:
            break
        end = min(ends)
        own = [fall for fall in falls if fall[0] < end]
        falls = falls[len(own) :]
        rises = [t for t in up if t <= end]
        answers = [t for line in ("DTACK", "BERR") for t in edges(name, line, "0")]
        released = [t for line in ("DTACK", "BERR") for t in edges(name, line, "1")]
        answer = min(t for t in answers if t > begin)
        pulse = bisect_right(address_strobes, begin) - 1
        at_as = address_strobes[pulse]
        low = {line for _, line in own}
        beats.append(
            Beat(
                strobes=tuple(line for _, line in own),
                falls=(own[0][0], own[-1][0]),
                rises=(min(rises), end),
                answer=(answer, min(t for t in released if t > answer)),
                write=at(name, "WRITE", begin),
                code=(
                    "".join("0" if line in low else "1" for line in ("DS1", "DS0")),
                    int(at(name, "A", at_as)[-1]),
                    at(name, "LWORD", at_as),
                ),
                address_strobe=pulse,
            )
        )
    return beats


@cache
def happenings(name: str) -> dict[str, list[int]]:
    """Give the moments (ns) of what the limits are told of."""
    beats = beats_of(name)
    lines = changes_of(name)
    return {
        "address changes": sorted(
            t for line in ("A", "AM", "LWORD", "IACK") for t, _ in lines[line][1:]
        ),
        "AS falls": edges(name, "AS", "0"),
        "AS rises": edges(name, "AS", "1"),
        "WRITE changes": [t for t, _ in lines["WRITE"][1:]],
        "data changes": [t for t, _ in lines["D"][1:]],
        "first strobe falls": [beat.falls[0] for beat in beats],
        "first strobe falls in a write": [b.falls[0] for b in beats if b.write == "0"],
        "last strobe falls": [beat.falls[1] for beat in beats],
        "last strobe rises": [beat.rises[1] for beat in beats],
        "answer falls": [beat.answer[0] for beat in beats],
        "answer rises": [beat.answer[1] for beat in beats],
    }


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "case", CASES["limits"], ids=lambda case: f"{case['where']}, {case['status']}"
)
def test_evidence_keeps_the_limits(name: str, case: dict[str, Any]) -> None:
    """The captures that decoding is held against are themselves inside the limits."""
    found = happenings(name)
    starts = found[case["from"]]
    checked = 0
    for stop in found[case["to"]]:
        before = bisect_right(starts, stop) - 1
        if before < 0:
            continue
        checked += 1
        assert stop - starts[before] >= case.get("min", 0), f"{name} at {stop} ns"
        assert stop - starts[before] <= case.get("max", float("inf")), f"{name} at {stop} ns"
    assert checked >= 3


@pytest.mark.parametrize("name", NAMES)
def test_evidence_keeps_the_order_of_steps(name: str) -> None:
    """Steps 3 to 10 [V]: AS, strobes, answer, strobes high, answer high; WRITE stands."""
    beats = beats_of(name)
    assert len(beats) >= 10
    for beat in beats:
        assert at(name, "AS", beat.falls[0]) == "0", f"step 3 before step 5, {beat}"
        assert beat.falls[1] < beat.answer[0], f"step 5 before step 7, {beat}"
        assert beat.answer[0] < beat.rises[0], f"step 7 before step 9, {beat}"
        assert beat.rises[1] <= beat.answer[1], f"step 9 before step 10, {beat}"
        turns = [t for t, _ in changes_of(name)["WRITE"] if beat.falls[0] <= t <= beat.rises[1]]
        assert turns == [], f"step 4 before step 5, {beat}"


@pytest.mark.parametrize("name", NAMES)
def test_evidence_has_stable_data_from_the_answer_to_the_first_strobe(name: str) -> None:
    """Steps 6 to 9 [V], of reads; the data may be 25 ns late at the master (from memory)."""
    reads = [beat for beat in beats_of(name) if beat.write == "1"]
    assert len(reads) >= 5
    early = 0
    for beat in reads:
        begin, end = beat.answer[0] + LATE_DATA, beat.rises[0]
        turns = [t for t, _ in changes_of(name)["D"] if begin < t < end]
        assert turns == [], f"{beat}"
        early += any(end <= t < beat.rises[1] for t, _ in changes_of(name)["D"])
    assert early, "no read lets the data go between the strobes"


def test_evidence_has_every_row_of_the_lane_table() -> None:
    """Each code of the table is made by the bench, reading and writing, outside blocks."""
    blocks = {0x0B, 0x0F, 0x3B, 0x3F}
    strobes = edges("vmebus_bench", "AS", "0")
    made = {
        (beat.code, beat.write)
        for beat in beats_of("vmebus_bench")
        if int(at("vmebus_bench", "AM", strobes[beat.address_strobe]), 2) not in blocks
    }
    table = {
        ((case["strobes"], case["a01"], str(case["lword"])), write)
        for case in CASES["lanes"]
        for write in "01"
    }
    assert made == table


def test_evidence_has_strobes_at_both_ends_of_their_limit_either_first() -> None:
    """At once, and 10 ns apart (from memory), with DS1 first and with DS0 first."""
    both = [beat for beat in beats_of("vmebus_bench") if len(beat.strobes) == 2]
    apart = {(beat.strobes[0], beat.falls[1] - beat.falls[0]) for beat in both}
    assert {("DS1", 10), ("DS0", 10)} <= apart
    assert 0 in {gap for _, gap in apart}


def test_evidence_has_the_next_address_before_the_strobes_are_high() -> None:
    """AS falls between the answer and the first strobe's rise: address pipelining."""
    strobes = edges("vmebus_bench", "AS", "0")
    assert (
        sum(
            any(beat.answer[0] < t < beat.rises[0] for t in strobes)
            for beat in beats_of("vmebus_bench")
        )
        >= 20
    )


def test_evidence_keeps_blocks_inside_256_bytes() -> None:
    """No block crosses a boundary of 256 bytes [G]; one fills it in D32, one in D16."""
    with (EVIDENCE / "vmebus_bench.csv").open(newline="", encoding="ascii") as lines:
        rows = [row for row in csv.DictReader(lines) if row["kind"].startswith("block")]
    blocks: dict[str, list[tuple[int, str]]] = {}
    for row in rows:
        blocks.setdefault(row["cycle"], []).append((int(row["address"], 16), row["lanes"]))
    lengths = set()
    for beats in blocks.values():
        last = beats[-1][0] + beats[-1][1].count("1") - 1
        assert beats[0][0] // BLOCK_BYTES == last // BLOCK_BYTES
        lengths.add((beats[0][1], len(beats)))
    assert {("1111", 64), ("0011", 128), ("1111", 1)} <= lengths


@pytest.mark.parametrize(
    ("pulse", "case"),
    list(enumerate(CASES["figure"])),
    ids=lambda value: value["where"] if isinstance(value, dict) else str(value),
)
def test_figure_shows_the_cycles_it_tells_of(pulse: int, case: dict[str, Any]) -> None:
    """Strobes, WRITE and the order of the ends, in each cycle of the hand-typed capture."""
    name = "vmebus_figure"
    own = [beat for beat in beats_of(name) if beat.address_strobe == pulse]
    begin = edges(name, "AS", "0")[pulse]
    end = min(t for t in edges(name, "AS", "1") if t > begin)
    assert [
        [
            (" then " if beat.falls[0] < beat.falls[1] else " with ").join(beat.strobes),
            int(beat.write),
        ]
        for beat in own
    ] == case["beats"]
    order = {
        "no strobe": not own,
        "at once": bool(own) and own[-1].rises[1] == end,
        "both strobes are high before AS is": bool(own) and own[-1].rises[1] < end,
        "AS is high before the strobes are": bool(own) and end < own[-1].rises[0],
    }
    assert [words for words, holds in order.items() if holds] == [case["ends"]]


def test_figure_tells_of_all_its_cycles_but_the_last() -> None:
    """The last AS pulse is cut off by the end of the capture."""
    assert len(edges("vmebus_figure", "AS", "0")) == len(CASES["figure"]) + 1
