"""Checks against the 6502's data sheets alone: the fall of PHI2 latches, RDY stretches."""

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
CAPTURES = ("6502_figure", "6502_bench")
WIRES = {"A": range(15, -1, -1), "D": range(7, -1, -1)}
CLOCK = 200  # ns, of the captures made here
Lines = dict[str, int | None]
Change = tuple[int, Lines]


def decode_changes(changes: Iterable[Change], falls: int) -> pd.DataFrame:
    """Decode a capture given as moments (ns) and what the lines then go to.

    PHI2 falls at 0 first, then `falls` - 1 times more; `A` and `D` are whole values.
    """
    now: Lines = {"PHI2": 1, "R/W": 1, "SYNC": 0, "RDY": 1, "A": 0, "D": None}
    clock: list[Change] = [(half * CLOCK // 2, {"PHI2": half % 2}) for half in range(2 * falls)]
    rows: dict[int, Lines] = {-CLOCK // 4: dict(now)}
    for moment, lines in sorted([*changes, *clock], key=lambda change: change[0]):
        now.update(lines)
        rows[moment] = dict(now)
    levels: dict[str, list[int | str]] = {}
    for name in now:
        values = [row[name] for row in rows.values()]
        for bit in WIRES.get(name, (0,)):
            line = f"{name}{bit}" if name in WIRES else name
            levels[line] = ["z" if v is None else v >> bit & 1 for v in values]
    capture = from_levels([moment * 1000 for moment in rows], levels, resolution=1000)
    return decode_capture(capture, load_bus("6502")).as_text()


def whole_rows(table: pd.DataFrame) -> pd.DataFrame:
    """Give the rows between the cycle cut off at the begin and the one cut off at the end."""
    assert table["ended"].iloc[0] == "cut-off"
    assert table["ended"].iloc[-1] == "cut-off"
    return table.iloc[1:-1]


@pytest.mark.parametrize("case", CASES["kinds"], ids=lambda case: case["where"])
def test_sync_and_read_write_tell_the_kind(case: dict[str, str | int]) -> None:
    """SYNC high is an opcode fetch; R/W alone tells the others apart."""
    sync, rw = case["sync"], case["rw"]
    assert isinstance(sync, int)
    assert isinstance(rw, int)
    changes: list[Change] = [
        (40, {"A": 0xC3A5, "R/W": rw, "SYNC": sync}),
        (130, {"D": 0x6B}),
        (240, {"A": 0x3C5A, "R/W": 1, "SYNC": 0}),
    ]
    found = whole_rows(decode_changes(changes, 2))
    assert found[["kind", "address", "lanes", "data", "ended"]].to_dict("records") == [
        {
            "kind": case["kind"],
            "address": "0xC3A5",
            "lanes": "1",
            "data": "0x6B",
            "ended": "acknowledged",
        }
    ]


@pytest.mark.parametrize("case", CASES["latch"], ids=lambda case: case["where"])
def test_the_fall_of_phi2_with_rdy_high_latches(
    case: dict[str, Any],
) -> None:
    """What stands just before that fall is taken; no other fall, and no rise, ends a cycle."""
    found = whole_rows(decode_changes([tuple(each) for each in case["changes"]], case["falls"]))
    assert found[["kind", "address", "data"]].to_numpy().tolist() == case["rows"]
    assert set(found["ended"]) == {"acknowledged"}


def states(name: str) -> list[tuple[float, Lines]]:
    """Give the moments (ns) of a stored capture and the lines from then on; not known is None."""
    recorded = VCDVCD(str(EVIDENCE / f"{name}.vcd"))
    to_ns = float(recorded.timescale["timescale"]) * 1e9
    changes: dict[int, Lines] = {}
    for signal in recorded.signals:
        line = re.sub(r"\[.*", "", signal.split(".")[-1]).lstrip("\\")
        for moment, value in recorded[signal].tv:
            known = int(value, 2) if set(value) <= {"0", "1"} else None
            changes.setdefault(moment, {})[line] = known
    now: Lines = {}
    found: list[tuple[float, Lines]] = []
    for moment in sorted(changes):
        now = {**now, **changes[moment]}
        found.append((round(moment * to_ns, 3), now))
    return found


def edges(rows: list[tuple[float, Lines]], line: str, to: int) -> list[float]:
    """Give the moments at which a line goes to a level."""
    return [
        moment
        for (_, before), (moment, after) in pairwise(rows)
        if before[line] == 1 - to and after[line] == to
    ]


def changes_of(rows: list[tuple[float, Lines]], *lines: str) -> list[float]:
    """Give the moments at which any of the lines changes."""
    return [
        moment
        for (_, before), (moment, after) in pairwise(rows)
        if any(before[line] != after[line] for line in lines)
    ]


def latches(rows: list[tuple[float, Lines]]) -> list[float]:
    """Give the falls of PHI2 at which RDY is high."""
    stamps = [moment for moment, _ in rows]
    return [
        fall
        for fall in edges(rows, "PHI2", 0)
        if rows[bisect_left(stamps, fall) - 1][1]["RDY"] == 1
    ]


@pytest.mark.parametrize("name", CAPTURES)
def test_rows_told_are_what_stands_at_the_falls(name: str) -> None:
    """The expected rows follow from the rule of the fall, read without this project's decoder."""
    rows = states(name)
    stamps = [moment for moment, _ in rows]
    rises = edges(rows, "PHI2", 1)
    wanted = [["", "", "", "cut-off", "", ""]]
    for begin, fall in pairwise(latches(rows)):
        lines = rows[bisect_left(stamps, fall) - 1][1]
        kind = "write" if lines["R/W"] == 0 else "fetch" if lines["SYNC"] == 1 else "read"
        rise = rises[bisect_right(rises, begin)]
        text = [kind, f"0x{lines['A']:04X}", f"0x{lines['D']:02X}", "acknowledged"]
        wanted.append([*text, f"{rise * 1000:.0f}", f"{fall * 1000:.0f}"])
    wanted.append(["", "", "", "cut-off", "", ""])
    with (EVIDENCE / f"{name}.csv").open(newline="", encoding="ascii") as told:
        found = [
            [row[key] for key in ("kind", "address", "data", "ended", "data_ps", "release_ps")]
            for row in csv.DictReader(told)
        ]
    assert found == wanted


def test_bench_stretches_reads_and_shows_lows_of_rdy_that_do_not() -> None:
    """The bench has what tells the rule from its neighbours: other falls, other lows of RDY."""
    rows = states("6502_bench")
    falls, ends = edges(rows, "PHI2", 0), latches(rows)
    stretched = [falls.index(end) - falls.index(begin) for begin, end in pairwise(ends)]
    assert max(stretched) >= 3
    assert sum(clocks > 1 for clocks in stretched) >= 10
    lows = zip(edges(rows, "RDY", 0), edges(rows, "RDY", 1)[1:], strict=False)
    assert sum(not any(low < fall <= high for fall in falls) for low, high in lows) >= 3


def quantities(name: str) -> dict[str, list[float]]:
    """Measure each parameter of the AC list wherever a stored capture shows it."""
    rows = states(name)
    stamps = [moment for moment, _ in rows]
    falls, rises = edges(rows, "PHI2", 0), edges(rows, "PHI2", 1)
    address, data = changes_of(rows, "A", "R/W", "SYNC"), changes_of(rows, "D")
    ready = changes_of(rows, "RDY")
    found: dict[str, list[float]] = {case["symbol"]: [] for case in CASES["limits"]}
    found["tPWH"] = [f - max(r for r in rises if r < f) for f in falls if rises[0] < f]
    found["tPWL"] = [r - max(f for f in falls if f < r) for r in rises]
    found["tCYC"] = [after - before for before, after in pairwise(falls)]
    for moment in address:
        found["tADS"].append(moment - max(fall for fall in falls if fall <= moment))
        found["tAH"].append(found["tADS"][-1])
    for moment in ready:
        found["tPCH"] += [moment - max(fall for fall in falls if fall <= moment)]
        found["tPCS"] += [fall - moment for fall in falls if fall > moment][:1]
    for at, fall in enumerate(latches(rows)):
        before = [moment for moment in data if moment < fall][-1:]
        after = [moment - fall for moment in data if moment >= fall][:1]
        writes = rows[bisect_left(stamps, fall) - 1][1]["R/W"] == 0
        found["tDHW" if writes else "tDHR"] += after
        if at == 0:  # whose begin the capture does not show
            continue
        if writes:
            rise = max(moment for moment in rises if moment < fall)
            found["tMDS"] += [moment - rise for moment in before]
        else:
            found["tDSR"] += [fall - moment for moment in before]
            found["tACC"].append(fall - 15 - address[bisect_left(address, fall) - 1])
    return found


@pytest.mark.parametrize("name", CAPTURES)
@pytest.mark.parametrize("case", CASES["limits"], ids=lambda case: case["symbol"])
def test_evidence_keeps_the_limits_of_the_8_mhz_grade(
    name: str, case: dict[str, str | float]
) -> None:
    """The captures that decoding is held against are themselves inside the AC limits."""
    found = quantities(name)[str(case["symbol"])]
    assert found
    assert min(found) >= float(case.get("min", 0))
    assert max(found) <= float(case.get("max", "inf"))
