"""Checks against the MC68020 manual alone: sizes, ports, lanes, operands, endings, limits."""

from __future__ import annotations

import csv
import re
import tomllib
from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from vcdvcd import VCDVCD

from busdecode.access import Access, split_access
from busdecode.capture import from_levels
from busdecode.cycles import decode_capture
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    import pandas as pd

HERE = Path(__file__).parent
EVIDENCE = HERE.parents[1] / "independent"
CASES = tomllib.loads((HERE / "cases.toml").read_text(encoding="ascii"))
PORTS: dict[str, str] = CASES["ports"]
SIZ = {case["bytes"]: case["siz"] for case in CASES["sizes"]}
STATE = 30  # ns, half a clock at 16.67 MHz
ADDRESS = 0x5A3C96E0
WORD = 0x91A2B3C4
RELEASED = None
CAPTURES = ["mc68020_figure", "mc68020_bench"]

Lines = dict[str, int | None]
Change = tuple[int, Lines]


def decode_changes(changes: Iterable[Change]) -> pd.DataFrame:
    """Decode a capture given as moments (ns from the first S0) and what the lines then go to.

    `A`, `D`, `SIZ` and `FC` are whole values; None releases a line.
    """
    now: Lines = {
        **dict.fromkeys(("AS", "DS", "R/W", "DSACK1", "DSACK0", "BERR"), 1),
        "A": 0,
        "D": RELEASED,
        "SIZ": 0,
        "FC": 5,
    }
    rows: dict[int, Lines] = {-200: dict(now)}
    for moment, lines in sorted(changes, key=lambda change: change[0]):
        now.update(lines)
        rows[moment] = dict(now)
    wires = {"A": 32, "D": 32, "SIZ": 2, "FC": 3}
    levels: dict[str, list[int | str]] = {}
    for name in now:
        values = [row[name] for row in rows.values()]
        if name in wires:
            for bit in reversed(range(wires[name])):
                levels[f"{name}{bit}"] = ["z" if v is None else v >> bit & 1 for v in values]
        else:
            levels[name] = ["z" if v is None else v for v in values]
    capture = from_levels([moment * 1000 for moment in rows], levels)
    return decode_capture(capture, load_bus("mc68020")).as_text()


def dsack(port: str, level: int = 0) -> Lines:
    """Give the DSACK lines that a port moves, by the width of the port in bytes."""
    return {
        name: level for name, on in zip(("DSACK1", "DSACK0"), PORTS[port], strict=True) if on == "0"
    }


def cycle_changes(
    kind: str, size: int, address: int, answer: list[Change], *, begin: int = 0, data: int = WORD
) -> list[Change]:
    """Make a cycle that ends at 150 ns after `begin`; the answer's moments count from `begin`."""
    read = kind == "read"
    changes: list[Change] = [
        (15, {"A": address, "SIZ": SIZ[size], "R/W": int(read)}),
        (40, {"AS": 0}),
        (42 if read else 115, {"DS": 0}),
        (95 if read else 80, {"D": data}),
        (162, {"AS": 1}),
        (165, {"DS": 1}),
        (185 if read else 200, {"D": RELEASED}),
        *answer,
    ]
    return [(begin + moment, lines) for moment, lines in changes]


def answered(port: str) -> list[Change]:
    """Give a port's answer: in S2, gone after the strobes."""
    return [(75, dsack(port)), (190, dsack(port, 1))]


def shown(word: int, lanes: str) -> str:
    """Give data as the table writes it: two dashes for a lane without part."""
    digits = f"{word:08X}"
    return "0x" + "".join(
        digits[2 * at : 2 * at + 2] if on == "1" else "--" for at, on in enumerate(lanes)
    )


@pytest.mark.parametrize("case", CASES["sizes"], ids=lambda case: case["where"])
def test_siz_tells_the_bytes_that_are_left(case: dict[str, Any]) -> None:
    """The number of bytes comes from SIZ alone, on a port of any width."""
    for port in ("4", "2", "1"):
        changes = [
            (moment, {**lines, "SIZ": case["siz"]} if "SIZ" in lines else lines)
            for moment, lines in cycle_changes("read", 4, ADDRESS, answered(port))
        ]
        assert list(decode_changes(changes)["asked"]) == [str(case["bytes"])]


@pytest.mark.parametrize("kind", ["read", "write"])
@pytest.mark.parametrize("case", CASES["lanes"], ids=lambda case: case["where"])
def test_port_size_and_address_select_the_lanes(case: dict[str, Any], kind: str) -> None:
    """At each offset the lanes of the table are reported, and no other lane's data."""
    changes: list[Change] = []
    for offset in range(4):
        changes += cycle_changes(
            kind, case["bytes"], ADDRESS + offset, answered(case["port"]), begin=300 * offset
        )
    table = decode_changes(changes)
    assert list(table["kind"]) == [kind] * 4
    assert list(table["lanes"]) == case["lanes"]
    assert list(table["address"]) == [f"0x{ADDRESS + offset:08X}" for offset in range(4)]
    assert list(table["data"]) == [shown(WORD, lanes) for lanes in case["lanes"]]
    assert list(table["ended"]) == ["acknowledged"] * 4


def test_both_dsack_negated_is_wait_not_an_end() -> None:
    """Table 5-1, row negated negated: the cycle goes on until a port answers."""
    changes = [change for change in cycle_changes("read", 4, ADDRESS, []) if change[0] < 150]
    changes += [
        (75 + 4 * 60, dsack("2")),
        (162 + 4 * 60, {"AS": 1}),
        (165 + 4 * 60, {"DS": 1}),
        (190 + 4 * 60, {"DSACK1": 1, "D": RELEASED}),
    ]
    table = decode_changes(changes)
    assert list(table["ended"]) == ["acknowledged"]
    assert list(table["lanes"]) == ["1100"]


def test_a_cycle_that_nobody_answered_has_no_known_lanes() -> None:
    """Table 5-1: without DSACKx there is no port size, and nothing was acknowledged."""
    table = decode_changes(cycle_changes("read", 4, ADDRESS, []))
    assert list(table["lanes"]) == ["????"]
    assert list(table["data"]) == ["0x????????"]
    assert list(table["ended"]) == ["unacknowledged"]


@pytest.mark.parametrize("kind", ["read", "write"])
@pytest.mark.parametrize("skew", [-15, -1, 0, 1, 15])
def test_port_size_counts_after_the_skew_of_the_two_lines(skew: int, kind: str) -> None:
    """Section 10, 31A: DSACK1 and DSACK0 may be 15 ns apart, either first, coming and going."""
    first, second = ("DSACK1", "DSACK0") if skew >= 0 else ("DSACK0", "DSACK1")
    answer: list[Change] = [
        (70, {first: 0}),
        (70 + abs(skew), {first: 0, second: 0}),
        (190, {first: 1}),
        (190 + abs(skew), {first: 1, second: 1}),
    ]
    table = decode_changes(cycle_changes(kind, 4, ADDRESS, answer))
    assert list(table["lanes"]) == ["1111"]
    assert list(table["data"]) == [shown(WORD, "1111")]


def test_read_takes_what_stands_at_the_end_of_s4() -> None:
    """Section 10, 27 and 29: data from 5 ns before S5 until DS negates counts, no other."""
    changes = [c for c in cycle_changes("read", 4, ADDRESS, answered("4")) if "D" not in c[1]]
    changes += [(76, {"D": 0x12345678}), (145, {"D": WORD}), (165, {"D": 0x12345678, "DS": 1})]
    changes += [(180, {"D": RELEASED})]
    assert list(decode_changes(changes)["data"]) == [shown(WORD, "1111")]


def test_write_takes_what_stands_from_before_ds_on() -> None:
    """Section 10, 26: data is valid 15 ns before DS; what stands before that is not data."""
    changes = [c for c in cycle_changes("write", 4, ADDRESS, answered("4")) if "D" not in c[1]]
    changes += [(65, {"D": 0x12345678}), (100, {"D": WORD}), (195, {"D": RELEASED})]
    assert list(decode_changes(changes)["data"]) == [shown(WORD, "1111")]


@pytest.mark.parametrize("kind", ["read", "write"])
@pytest.mark.parametrize("case", CASES["endings"], ids=lambda case: case["where"])
def test_cycles_end_as_section_5_5_says(case: dict[str, Any], kind: str) -> None:
    """DSACKx ends a cycle well, BERR in error whenever it comes; older answers do not count."""
    begin = 40
    answer: list[Change] = []
    for line in ("DSACK1", "DSACK0", "BERR"):
        if line in case:
            falls, rises = case[line]
            answer += [(begin + falls, {line: 0}), (begin + rises, {line: 1})]
    before = cycle_changes(kind, 4, ADDRESS, answered("4"), begin=-180)
    if any(falls < 0 for falls, _ in (case[line] for line in case if line.isupper())):
        before = [change for change in before if not set(change[1]) <= {"DSACK1", "DSACK0"}]
    table = decode_changes([*before, *cycle_changes(kind, 4, ADDRESS + 4, answer)])
    assert len(table) == 2
    assert table["ended"][1] == case["ended"]


@pytest.mark.parametrize("case", CASES["spaces"], ids=lambda case: case["where"])
def test_cpu_space_with_all_type_lines_high_is_an_interrupt_acknowledge(
    case: dict[str, Any],
) -> None:
    """Figure 5-31: FC 7 and A19-A16 all 1, and nothing else of CPU space."""
    address = 0xFFF0FFF7 | case["type"] << 16
    table = decode_changes(
        [(10, {"FC": case["fc"]}), *cycle_changes("read", 1, address, answered("1"))]
    )
    assert list(table["kind"]) == [case["kind"]]
    assert list(table["modifier"]) == [f"0x{case['fc']}"]


@pytest.mark.parametrize(
    ("port", "level", "lanes"),
    [("1", level, "1000") for level in range(1, 8)]
    + [("2", level, "0100") for level in range(1, 8)]
    + [("4", level, "0001") for level in (1, 3, 5, 7)],
)
def test_vector_stands_on_the_last_byte_of_the_port(port: str, level: int, lanes: str) -> None:
    """Figure 5-32 and 5.4.1.1: size byte, A0 high, level on A3-A1, all other address lines high."""
    address = 0xFFFFFFF1 | level << 1
    table = decode_changes(
        [(10, {"FC": 7}), *cycle_changes("read", 1, address, answered(port), data=WORD)]
    )
    assert list(table["kind"]) == ["interrupt-acknowledge"]
    assert list(table["address"]) == [f"0x{address:08X}"]
    assert list(table["data"]) == [shown(WORD, lanes)]


def answering(port: str) -> Callable[[int], dict[str, int]]:
    """Give a card with one port: at any address these levels of the DSACK lines tell its size."""
    levels = dict(zip(("DSACK1", "DSACK0"), map(int, PORTS[port]), strict=True))
    return lambda address: levels


@pytest.mark.parametrize("op", ["read", "write"])
@pytest.mark.parametrize("offset", range(4))
@pytest.mark.parametrize("case", CASES["cycles"], ids=lambda case: case["where"])
def test_operands_take_the_cycles_of_table_5_6(case: dict[str, Any], offset: int, op: str) -> None:
    """Splitting an access gives as many transfers as the table, each where the one before ended."""
    size, bus = case["bytes"], load_bus("mc68020")
    data = 0xD1E2F3A4 >> 8 * (4 - size)
    for port, count in zip(("4", "2", "1"), case["counts"][offset].split(":"), strict=True):
        access = Access(op, ADDRESS + offset, size, data)
        parts = [part for part, _, _ in split_access(bus, access, answering(port))]
        assert len(parts) == int(count), f"port of {port}"
        lanes = {row["bytes"]: row["lanes"] for row in CASES["lanes"] if row["port"] == port}
        left, at = size, access.address
        for part in parts:
            assert (part.asked, part.address) == (left, at)
            assert f"{part.lanes:04b}" == lanes[left][at % 4]
            left -= part.lanes.bit_count()
            at += part.lanes.bit_count()
        assert left == 0


def test_long_word_at_an_odd_address_of_a_word_port_goes_as_published() -> None:
    """5.2.2: three cycles; the access split, and the same cycles decoded from their levels."""
    bus = load_bus("mc68020")
    access = Access("write", ADDRESS + 1, 4, 0x2C6A30F1)
    parts = [part for part, _, _ in split_access(bus, access, answering("2"))]
    steps = CASES["example"]
    assert [part.asked for part in parts] == [step["bytes"] for step in steps]
    assert [part.address % 8 for part in parts] == [step["low_address"] for step in steps]
    assert [f"{part.lanes:04b}" for part in parts] == [step["lanes"] for step in steps]
    assert [part.data for part in parts] == [0x002C0000, 0x6A300000, 0xF1000000]
    changes: list[Change] = []
    words = (0x2C2C6A30, 0x6A306A30, 0xF1F1F1F1)
    for at, (step, word) in enumerate(zip(steps, words, strict=True)):
        address = ADDRESS | step["low_address"]
        changes += cycle_changes(
            "write", step["bytes"], address, answered("2"), begin=180 * at, data=word
        )
    table = decode_changes(changes)
    assert list(table["asked"]) == [str(step["bytes"]) for step in steps]
    assert list(table["lanes"]) == [step["lanes"] for step in steps]
    assert list(table["data"]) == ["0x--2C----", "0x6A30----", "0xF1------"]


# From here on nothing of the project is used: the stored evidence against the manual.


def stored_rows(name: str) -> list[dict[str, str]]:
    """Read rows that were stored with the evidence."""
    with (EVIDENCE / f"{name}.csv").open(newline="", encoding="ascii") as lines:
        return list(csv.DictReader(lines))


def port_of(row: dict[str, str]) -> str:
    """Give the port that the bench's card has at a row's address; empty for nobody.

    By A6-A4: 32, 16, 8 bits, nobody, and 32 bits with wrong data. In CPU space by the level.
    """
    address = int(row["address"], 16)
    if row["kind"] == "interrupt-acknowledge":
        return {2: "1", 5: "2", 3: "4"}.get(address >> 1 & 7, "")
    return {0: "4", 1: "2", 2: "1", 4: "4"}.get(address >> 4 & 7, "")


def test_figure_holds_the_published_example() -> None:
    """The hand-typed rows 1 to 3 are the three cycles of 5.2.2."""
    rows = stored_rows("mc68020_figure")[1:4]
    assert [
        {
            "bytes": int(row["asked"]),
            "low_address": int(row["address"], 16) % 8,
            "lanes": row["lanes"],
        }
        for row in rows
    ] == [
        {name: value for name, value in step.items() if name != "where"}
        for step in CASES["example"]
    ]


def test_rows_of_the_bench_keep_the_lane_tables() -> None:
    """Each cycle moved the lanes of the tables; every entry that an operand can reach occurs."""
    lanes = {(row["port"], row["bytes"]): row["lanes"] for row in CASES["lanes"]}
    seen = set()
    for row in stored_rows("mc68020_bench"):
        port, asked = port_of(row), int(row["asked"])
        offset = int(row["address"], 16) % 4
        if not port:
            assert row["lanes"] == "????"
            assert row["ended"] == "error"
            continue
        assert row["lanes"] == lanes[port, asked][offset], f"cycle {row['cycle']}"
        seen.add((port, asked, offset))
    # Three bytes are left only after a first byte of four: on a port of 32 bits at offset 0, on
    # one of 16 bits at an even offset.
    wanted = {
        (port, asked, offset)
        for port, asked in lanes
        for offset in range(4)
        if asked != 3 or offset % {"4": 4, "2": 2, "1": 1}[port] == 0
    }
    assert seen >= wanted


def test_operands_of_the_bench_took_the_cycles_of_table_5_6() -> None:
    """All 36 entries of the table occur in the bench, read and written, with the count of it."""
    counts = {
        (row["bytes"], offset, port): int(count)
        for row in CASES["cycles"]
        for offset, entry in enumerate(row["counts"])
        for port, count in zip(("4", "2", "1"), entry.split(":"), strict=True)
    }
    assert len(counts) == 36
    seen = set()
    for row in stored_rows("mc68020_bench_operands"):
        address, size, port = int(row["address"], 16), int(row["size"]), port_of(row)
        crosses = address % 16 + size > 16
        if row["whole"] == "false" or crosses or row["kind"] == "interrupt-acknowledge":
            continue
        entry = (size, address % 4, port)
        assert int(row["beats"]) == counts[entry], f"operand {row['operand']}"
        seen.add((row["kind"], *entry))
    assert seen == {(kind, *entry) for kind in ("read", "write") for entry in counts}


def test_operands_of_the_bench_are_made_of_its_cycles() -> None:
    """The two lists that the bench's host wrote agree: bytes, addresses, what was left."""
    cycles = stored_rows("mc68020_bench")
    next_cycle = 0
    for row in stored_rows("mc68020_bench_operands"):
        first, size = int(row["first_cycle"]), int(row["size"])
        assert first == next_cycle
        next_cycle = first + int(row["beats"])
        left, at, data = size, int(row["address"], 16), "0x"
        for cycle in cycles[first:next_cycle]:
            assert (int(cycle["asked"]), int(cycle["address"], 16)) == (left, at)
            assert cycle["kind"] == row["kind"]
            moved = cycle["lanes"].count("1")
            data += cycle["data"][2:].replace("-", "")[: 2 * moved]
            left, at = left - moved, at + moved
        assert row["data"] == data + "??" * left
        ends = {cycle["ended"] for cycle in cycles[first:next_cycle]}
        assert row["whole"] == ("true" if ends == {"acknowledged"} and left == 0 else "false")
    assert next_cycle == len(cycles)


@cache
def happenings(name: str) -> dict[str, list[int]]:
    """Give the moments (ns) at which lines of a stored capture rise, fall, change, are driven."""
    recorded = VCDVCD(str(EVIDENCE / f"{name}.vcd"))
    assert recorded.timescale["timescale"] * 10**9 == 1
    moments: dict[str, list[int]] = {}
    for signal in recorded.signals:
        line = re.sub(r"\[.*", "", signal.split(".")[-1]).strip().lstrip("\\")
        for (_, before), (moment, after) in pairwise(recorded[signal].tv):
            words = ["changes"]
            if (before, after) == ("1", "0"):
                words.append("falls")
            elif (before, after) == ("0", "1"):
                words.append("rises")
            elif set(before) == {"z"}:
                words.append("driven")
            elif set(after) == {"z"}:
                words.append("released")
            for word in words:
                moments.setdefault(f"{line} {word}", []).append(moment)
    return moments


def last_before(moments: list[int], moment: int) -> int:
    """Give the last of rising moments that lies before one; -1, before the capture, for none."""
    at = bisect_left(moments, moment)
    return moments[at - 1] if at else -1


def is_low(found: dict[str, list[int]], line: str, moment: int) -> bool:
    """Tell whether a line that begins high is low at a moment."""
    falls, rises = found.get(f"{line} falls", []), found.get(f"{line} rises", [])
    before = [at for at in falls if at <= moment], [at for at in rises if at <= moment]
    return bool(before[0]) and (not before[1] or before[1][-1] < before[0][-1])


@dataclass(frozen=True)
class Strobed:
    """One cycle of a stored capture, from AS to AS; ns. Read data is latched as S5 begins."""

    begin: int
    end: int
    s2: int
    s5: int
    write: bool
    answers: dict[str, int]


def strobed_cycles(name: str) -> list[Strobed]:
    """Give the whole cycles of a capture, and the first fall of each answering line in each."""
    found = happenings(name)
    cycles = []
    for begin in found["AS falls"]:
        later = [end for end in found["AS rises"] if end > begin]
        if not later:
            continue
        answers = {
            line: moment
            for line in ("DSACK1", "DSACK0", "BERR")
            for moment in found[f"{line} falls"]
            if begin < moment < later[0]
        }
        s2 = found["CLK rises"][bisect_right(found["CLK rises"], begin)]
        s5 = last_before(found["CLK falls"], later[0])
        cycles.append(Strobed(begin, later[0], s2, s5, is_low(found, "R/W", begin), answers))
    return cycles


@pytest.mark.parametrize(
    ("name", "case"),
    [
        pytest.param(
            name,
            case,
            id=f"{name} {case['parameter']} {case['from']}, {case['to'][0]} {case.get('only', '')}",
        )
        for name in CAPTURES
        for case in CASES["limits"]
        if case.get("in", name) == name
    ],
)
def test_evidence_keeps_the_limits_of_section_10(name: str, case: dict[str, Any]) -> None:
    """The captures that decoding is held against are themselves inside the limits at 16.67 MHz."""
    found = happenings(name)
    starts = found[case["from"]]
    for event in case["to"]:
        checked = 0
        for stop in found[event]:
            at = bisect_right(starts, stop) - 1
            begun = bisect_right(found["AS falls"], stop) - 1
            if at < 0 or begun < 0:
                continue
            # R/W stands before a strobe falls; it may change before its cycle's data is gone.
            turned = stop if event.endswith("falls") else found["AS falls"][begun]
            write = is_low(found, "R/W", turned)
            if "only" in case and write != (case["only"] == "write"):
                continue
            checked += 1
            assert stop - starts[at] >= case.get("min", 0), f"{event} at {stop} ns"
            assert stop - starts[at] <= case.get("max", stop), f"{event} at {stop} ns"
        assert checked >= (1 if "figure" in name else 3), event


@pytest.mark.parametrize("name", CAPTURES)
def test_evidence_answers_inside_the_limits(name: str) -> None:
    """Section 10: 27, 31 and 31A for the answer's lines and data, 47A and 48, 27A for BERR."""
    found = happenings(name)
    for cycle in strobed_cycles(name):
        acknowledges = [at for line, at in cycle.answers.items() if line != "BERR"]
        first = min(cycle.answers.values())
        where = f"cycle at {cycle.begin} ns"
        if len(acknowledges) == 2:
            assert max(acknowledges) - min(acknowledges) <= 15, where
        recognised = cycle.s5 - 2 * STATE
        assert first <= recognised - 5, where  # 47A
        assert recognised == cycle.s2 + STATE or first > recognised - 2 * STATE - 5, where
        if not acknowledges:
            continue
        if not cycle.write:
            stands = last_before(found["D changes"], cycle.end)
            assert stands - min(acknowledges) <= 50, where
            assert cycle.s5 - stands >= 5, where  # 27
        if "BERR" in cycle.answers:
            assert cycle.answers["BERR"] - min(acknowledges) <= 30, where
            assert cycle.s5 - cycle.answers["BERR"] >= 20, where


@pytest.mark.parametrize("name", CAPTURES)
def test_evidence_has_no_answer_left_when_s2_begins(name: str) -> None:
    """5.5: an answer of the cycle before may outlast the fall of AS, not the begin of S2."""
    found = happenings(name)
    for cycle in strobed_cycles(name):
        for line in ("DSACK1", "DSACK0", "BERR"):
            assert not is_low(found, line, cycle.s2), f"{line} at {cycle.s2} ns"


def test_bench_holds_what_makes_this_bus_hard_to_decode() -> None:
    """Skew both ways to its limit, answers left from before, BERR late, DSACKx before DS, waits."""
    found = happenings("mc68020_bench")
    cycles = strobed_cycles("mc68020_bench")
    rows = stored_rows("mc68020_bench")
    assert len(cycles) == len(rows)
    skews = {
        cycle.answers["DSACK1"] - cycle.answers["DSACK0"]
        for cycle in cycles
        if {"DSACK1", "DSACK0"} <= set(cycle.answers)
    }
    assert {min(skews), max(skews)} == {-15, 15}
    left = [
        {line for line in ("DSACK1", "DSACK0", "BERR") if is_low(found, line, cycle.begin)}
        for cycle in cycles
    ]
    assert sum(bool(lines) for lines in left) >= 20
    ends = list(zip(left, (row["ended"] for row in rows), strict=True))
    assert any("BERR" in lines and ended == "acknowledged" for lines, ended in ends)
    assert any(lines - {"BERR"} and ended == "error" for lines, ended in ends)
    assert any({"DSACK1", "BERR"} <= set(cycle.answers) and not cycle.write for cycle in cycles)
    assert any({"DSACK1", "BERR"} <= set(cycle.answers) and cycle.write for cycle in cycles)
    assert any(cycle.write and min(cycle.answers.values()) < cycle.s2 + STATE for cycle in cycles)
    assert {(cycle.s5 - cycle.s2) // (2 * STATE) for cycle in cycles} >= {1, 2, 3, 4}
    kinds = {row["kind"] for row in rows}
    assert kinds == {"read", "write", "interrupt-acknowledge"}


@pytest.mark.parametrize("case", CASES["states"], ids=lambda case: case["where"])
def test_figure_capture_keeps_the_order_of_states(case: dict[str, Any]) -> None:
    """Every edge of the hand-typed cycle stands in its state."""
    found = happenings("mc68020_figure")
    clock = sorted(found["CLK rises"] + found["CLK falls"])
    begin = found["AS falls"][case["cycle"]]
    s0 = last_before(found["CLK rises"], begin)
    states = clock[clock.index(s0) :]
    next_s0 = states[bisect_left(states, min(end for end in found["AS rises"] if end > begin))]
    for step in case["order"]:
        what, number = step.split(" in S")
        bounds = states[int(number)], states[int(number) + 1]
        assert [moment for moment in found[what] if bounds[0] <= moment < bounds[1]], step
    assert {
        line: sum(s0 <= moment < next_s0 for moment in found[f"{line} falls"])
        for line in case["falls"]
    } == case["falls"]
