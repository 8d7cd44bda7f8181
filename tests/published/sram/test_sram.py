"""Checks against data sheets of static memories alone: later start, earlier end of a write."""

from __future__ import annotations

import csv
import re
import tomllib
from bisect import bisect_left, bisect_right
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from vcdvcd import VCDVCD

from busdecode.capture import from_levels
from busdecode.cycles import decode_capture
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd

HERE = Path(__file__).parent
EVIDENCE = HERE.parents[1] / "independent"
CASES = tomllib.loads((HERE / "cases.toml").read_text(encoding="ascii"))
CAPTURES = ("sram_figure", "sram_bench")
ADDRESS, BYTE = 0x1357, 0x2D
WIRES = {"A": range(14, -1, -1), "D": range(7, -1, -1)}
Lines = dict[str, int | None]
Change = tuple[int, Lines]
Case = dict[str, Any]


def decode_changes(changes: Iterable[Change]) -> pd.DataFrame:
    """Decode a capture given as moments (ns) and what the lines then go to."""
    now: Lines = {"CS": 1, "WE": 1, "OE": 1, "A": 0x7FFF ^ ADDRESS, "D": 0xFF ^ BYTE}
    rows: dict[int, Lines] = {0: dict(now)}
    for moment, lines in sorted(changes, key=lambda change: change[0]):
        now.update(lines)
        rows[moment] = dict(now)
    rows[max(rows) + 100] = dict(now)
    levels: dict[str, list[int | str]] = {}
    for name in now:
        values = [row[name] for row in rows.values()]
        for bit in WIRES.get(name, (0,)):
            line = f"{name}{bit}" if name in WIRES else name
            levels[line] = ["z" if v is None else v >> bit & 1 for v in values]
    capture = from_levels([moment * 1000 for moment in rows], levels, resolution=1000)
    return decode_capture(capture, load_bus("sram")).as_text()


def access_changes(case: Case) -> list[Change]:
    """Make the changes of a case: strobes, and address and byte while they are right."""
    changes: list[Change] = []
    for line, (fall, rise) in case["low"].items():
        changes += [(fall, {line: 0}), (rise, {line: 1})]
    for line, right in (("A", ADDRESS), ("D", BYTE)):
        wrong = right ^ (0x7FFF if line == "A" else 0xFF)
        if line in ("A", "D") and (span := case.get({"A": "address", "D": "data"}[line])):
            changes += [(span[0], {line: right}), (span[1], {line: wrong})]
    return changes


def one_access(case: Case, kind: str) -> dict[str, str]:
    """Give the row that a case must give."""
    return {
        "kind": kind,
        "address": f"0x{ADDRESS:04X}",
        "lanes": "1",
        "data": f"0x{BYTE:02X}",
        "ended": "unacknowledged",
        "start_ps": f"{case['begins']}000",
        "end_ps": f"{case['ends']}000",
    }


@pytest.mark.parametrize("case", CASES["write"], ids=lambda case: case["where"])
def test_a_write_is_the_overlap_and_takes_what_stands_at_the_earlier_rise(case: Case) -> None:
    """The later fall begins it and the earlier rise ends it, whichever of CS and WE it is."""
    table = decode_changes(access_changes(case))
    if case.get("writes_only"):
        table = table[table["kind"] == "write"]
    wanted = one_access(case, "write")
    assert table[list(wanted)].to_dict("records") == [wanted]


@pytest.mark.parametrize("case", CASES["read"], ids=lambda case: case["where"])
def test_a_read_takes_what_stands_at_its_end(case: Case) -> None:
    """The byte is there until CS or OE rises; what the outputs show before is not it."""
    table = decode_changes(access_changes(case))
    wanted = one_access(case, "read")
    assert table[list(wanted)].to_dict("records") == [wanted]


@pytest.mark.parametrize("case", CASES["neither"], ids=lambda case: case["where"])
def test_without_overlap_nothing_is_read_or_written(case: Case) -> None:
    """A strobe for another chip, or a select without a strobe, moves no byte."""
    table = decode_changes(access_changes(case))
    assert table[table["kind"].isin(["read", "write"])].empty


def test_a_read_and_a_write_meet_where_only_we_moves() -> None:
    """HT6116 notes 1, 2: OE and CS low; each edge of WE ends one access and begins the other."""
    table = decode_changes(
        [
            (100, {"A": 0x2468, "CS": 0, "OE": 0}),
            (160, {"D": 0x3C}),
            (200, {"WE": 0}),
            (205, {"D": None}),
            (230, {"D": 0xA5}),
            (270, {"WE": 1, "D": None}),
            (300, {"D": 0xA5}),
            (340, {"WE": 0, "A": 0x2469, "D": None}),
            (380, {"D": 0x5A}),
            (410, {"WE": 1}),
            (412, {"D": None}),
            (440, {"D": 0x5A}),
            (480, {"CS": 1, "D": None}),
            (490, {"OE": 1}),
        ]
    )
    columns = ["kind", "address", "data", "start_ps", "end_ps"]
    assert table[columns].to_numpy().tolist() == [
        ["read", "0x2468", "0x3C", "100000", "200000"],
        ["write", "0x2468", "0xA5", "200000", "270000"],
        ["read", "0x2468", "0xA5", "270000", "340000"],
        ["write", "0x2469", "0x5A", "340000", "410000"],
        ["read", "0x2469", "0x5A", "410000", "480000"],
    ]


def test_oe_that_falls_inside_a_write_begins_the_read_after_it() -> None:
    """HT6116 note 2: OE is free in a write; the outputs come on as WE rises (tOW)."""
    table = decode_changes(
        [
            (100, {"A": 0x2468, "CS": 0}),
            (140, {"WE": 0}),
            (150, {"D": 0xA5}),
            (160, {"OE": 0}),
            (200, {"WE": 1}),
            (205, {"D": None}),
            (230, {"D": 0x5A}),
            (240, {"D": 0xA5}),
            (290, {"OE": 1}),
            (300, {"D": None}),
            (320, {"CS": 1}),
        ]
    )
    columns = ["kind", "address", "data", "start_ps", "end_ps"]
    found = table[table["kind"].isin(["read", "write"])][columns]
    assert found.to_numpy().tolist() == [
        ["write", "0x2468", "0xA5", "140000", "200000"],
        ["read", "0x2468", "0xA5", "200000", "290000"],
    ]


def states(name: str) -> list[tuple[float, Lines]]:
    """Give the moments (ns) of a stored capture and the lines from then on; not known is None."""
    recorded = VCDVCD(str(EVIDENCE / f"{name}.vcd"))
    to_ns = float(recorded.timescale["timescale"]) * 1e9
    changes: dict[int, Lines] = {}
    for signal in recorded.signals:
        line = re.sub(r"\[.*", "", signal.split(".")[-1])
        for moment, value in recorded[signal].tv:
            known = int(value, 2) if set(value) <= {"0", "1"} else None
            changes.setdefault(moment, {})[line] = known
    now: Lines = {}
    found: list[tuple[float, Lines]] = []
    for moment in sorted(changes):
        now = {**now, **changes[moment]}
        found.append((round(moment * to_ns, 3), now))
    return found


def accesses(rows: list[tuple[float, Lines]]) -> list[tuple[str, float, float, Lines]]:
    """Give kind, begin, end and the lines just before the end, by the rule of the overlap."""
    found: list[tuple[str, float, float, Lines]] = []
    begun: tuple[str, float] | None = None
    before: Lines = {}
    for moment, lines in rows:
        low = {line for line in ("CS", "WE", "OE") if lines[line] == 0}
        kind = "write" if {"CS", "WE"} <= low else "read" if {"CS", "OE"} <= low else ""
        if begun is not None and kind != begun[0]:
            found.append((*begun, moment, before))
            begun = None
        if begun is None and kind:
            begun = (kind, moment)
        before = lines
    assert begun is None
    return found


@pytest.mark.parametrize("name", CAPTURES)
def test_rows_told_follow_from_the_overlap(name: str) -> None:
    """The expected rows follow from the data sheet's rule, read without this project's decoder."""
    wanted = [
        [
            kind,
            f"0x{lines['A']:04X}",
            f"0x{lines['D']:02X}",
            f"{begin * 1000:.0f}",
            f"{end * 1000:.0f}",
        ]
        for kind, begin, end, lines in accesses(states(name))
    ]
    with (EVIDENCE / f"{name}.csv").open(newline="", encoding="ascii") as told:
        found = [
            [row[key] for key in ("kind", "address", "data", "start_ps", "end_ps")]
            for row in csv.DictReader(told)
        ]
    assert found == wanted


def falls_and_rises(rows: list[tuple[float, Lines]], line: str) -> list[float]:
    """Give the moments at which a line changes."""
    return [
        moment for (_, before), (moment, after) in pairwise(rows) if before[line] != after[line]
    ]


def test_bench_begins_and_ends_writes_in_every_way() -> None:
    """Each of CS, WE and both begins and ends writes, with data or address changed in between."""
    rows = states("sram_bench")
    stamps = [moment for moment, _ in rows]
    ways: dict[tuple[str, str], int] = {}
    between = {"CS": 0, "WE": 0}
    low_throughout = 0
    for kind, begin, end, _ in accesses(rows):
        if kind != "write":
            continue
        at, beyond = bisect_left(stamps, begin), bisect_left(stamps, end)
        first = [line for line in ("CS", "WE") if rows[at - 1][1][line] == 1]
        last = [line for line in ("CS", "WE") if rows[beyond][1][line] == 1]
        way = ("+".join(first), "+".join(last))
        ways[way] = ways.get(way, 0) + 1
        later = rows[bisect_right(stamps, end + 9) - 1][1]
        before = rows[beyond - 1][1]
        if len(last) == 1 and later["D"] is not None and later["D"] != before["D"]:
            between[last[0]] += 1
        low_throughout += all(lines["OE"] == 0 for _, lines in rows[at - 1 : beyond + 1])
    assert set(ways) == {(a, b) for a in ("CS", "WE", "CS+WE") for b in ("CS", "WE", "CS+WE")}
    assert min(between.values()) >= 5
    assert low_throughout >= 10


def quantities(name: str) -> tuple[dict[str, list[float]], list[dict[str, float]]]:
    """Measure the parameters of writes, and of each read how late its byte was."""
    rows = states(name)
    address, data = falls_and_rises(rows, "A"), falls_and_rises(rows, "D")
    select, enable = falls_and_rises(rows, "CS"), falls_and_rises(rows, "OE")
    write = falls_and_rises(rows, "WE")
    found: dict[str, list[float]] = {}
    late: list[dict[str, float]] = []

    def last(changes: list[float], moment: float) -> float:
        return changes[bisect_right(changes, moment) - 1]

    def before(changes: list[float], moment: float) -> float:
        return changes[bisect_left(changes, moment) - 1]

    def following(changes: list[float], moment: float) -> list[float]:
        return changes[bisect_left(changes, moment) :][:1]

    for kind, begin, end, _ in accesses(rows):
        measured = {}
        if kind == "write":
            assert before(address, end) <= begin
            measured = {
                "tWP": end - begin,
                "tCW": end - before(select, end),
                "tAW": end - before(address, end),
                "tAS": begin - last(address, begin),
                "tDW": end - before(data, end),
            }
            for moment in following(address, end):
                measured["tWR"] = moment - end
                measured["tWC"] = moment - before(address, end)
            for moment in following(data, end):
                measured["tDH"] = moment - end
        else:
            measured = {"tRC": end - before(address, end)}
            there = before(data, end)
            on = max(before(enable, end), max([m for m in write if m < end], default=0))
            late.append(
                {
                    "tAA": there - before(address, end),
                    "tACS": there - before(select, end),
                    "tOE": there - on,
                }
            )
        for symbol, value in measured.items():
            found.setdefault(symbol, []).append(value)
    return found, late


@pytest.mark.parametrize("case", CASES["limits"], ids=lambda case: case["where"])
def test_evidence_keeps_the_limits(case: Case) -> None:
    """The captures that decoding is held against are themselves inside the lists."""
    found, late = quantities(case["capture"])
    for symbol, limit in {**case["reads"], **case["writes"]}.items():
        assert found[symbol]
        assert min(found[symbol]) >= limit, symbol
    assert late
    # A byte is there when the last of address, CS and OE has had its time.
    for times in late:
        limits = case["reads_at_most"]
        assert any(times[symbol] <= limits[symbol] for symbol in limits), times


@pytest.mark.parametrize("name", CAPTURES)
def test_no_line_of_the_evidence_is_driven_from_both_sides(name: str) -> None:
    """HT6116 note 7: the host does not drive against an enabled output."""
    recorded = VCDVCD(str(EVIDENCE / f"{name}.vcd"))
    (data,) = [signal for signal in recorded.signals if ".D" in signal]
    assert not [moment for moment, value in recorded[data].tv if moment > 0 and "x" in value]
