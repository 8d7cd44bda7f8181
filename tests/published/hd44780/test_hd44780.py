"""Checks against the HD44780U data sheet alone: the fall of E latches, the high half is first."""

from __future__ import annotations

import csv
import re
import tomllib
from bisect import bisect_left
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from vcdvcd import VCDVCD

from busdecode.capture import from_levels, read_capture
from busdecode.cycles import CycleTable, decode_capture, operands
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from collections.abc import Iterable

HERE = Path(__file__).parent
EVIDENCE = HERE.parents[1] / "independent"
CASES = tomllib.loads((HERE / "cases.toml").read_text(encoding="ascii"))
WIDTHS = {"hd44780": 8, "hd44780-nibble": 4}
CAPTURES = [(bus, f"{bus}_{how}") for bus in WIDTHS for how in ("figure", "bench")]
KINDS = {(0, 0): "command", (0, 1): "status", (1, 0): "write", (1, 1): "read"}
Lines = dict[str, int | None]
Change = tuple[int, Lines]
Case = dict[str, Any]


def decode_changes(bus: str, changes: Iterable[Change]) -> CycleTable:
    """Decode a capture given as moments (ns) and what the lines then go to."""
    now: Lines = {"RS": 0, "R/W": 0, "E": 0, "DB": None}
    rows: dict[int, Lines] = {-500: dict(now)}
    for moment, lines in sorted(changes, key=lambda change: change[0]):
        now.update(lines)
        rows[moment] = dict(now)
    rows[max(rows) + 500] = dict(now)
    levels: dict[str, list[int | str]] = {}
    for name in now:
        values = [row[name] for row in rows.values()]
        for bit in range(WIDTHS[bus]) if name == "DB" else (0,):
            line = f"DB{8 - WIDTHS[bus] + bit}" if name == "DB" else name
            levels[line] = ["z" if v is None else v >> bit & 1 for v in values]
    capture = from_levels([moment * 1000 for moment in rows], levels, resolution=1000)
    return decode_capture(capture, load_bus(bus)).table


def pulse(begin: int, rs: int, rw: int, value: int) -> list[Change]:
    """Make one pulse of E that keeps every limit."""
    return [
        (begin - 60, {"RS": rs, "R/W": rw}),
        (begin + 100, {"DB": value}),
        (begin, {"E": 1}),
        (begin + 300, {"E": 0}),
        (begin + 312, {"DB": None, "RS": 1 - rs, "R/W": 1 - rw}),
    ]


@pytest.mark.parametrize("bus", WIDTHS)
@pytest.mark.parametrize("case", CASES["kinds"], ids=lambda case: case["kind"])
def test_rs_and_read_write_tell_the_kind(case: Case, bus: str) -> None:
    """Each pulse is one row with the kind of its register and direction."""
    value = 0x93 >> 8 - WIDTHS[bus]
    table = decode_changes(bus, pulse(0, case["rs"], case["rw"], value)).as_text()
    assert table[["kind", "lanes", "data", "ended"]].to_dict("records") == [
        {
            "kind": case["kind"],
            "lanes": "1",
            "data": f"0x{value:X}",
            "ended": "unacknowledged",
        }
    ]


@pytest.mark.parametrize("bus", WIDTHS)
@pytest.mark.parametrize("case", CASES["latch"], ids=lambda case: case["where"])
def test_the_fall_of_e_latches(case: Case, bus: str) -> None:
    """What stands just before E falls is taken, whatever stood at its rise or stands after."""
    value, other = (0x69, 0x96) if bus == "hd44780" else (0x9, 0x6)
    rs, rw = case["rs"], case["rw"]
    table = decode_changes(
        bus,
        [
            (-300, {"RS": 1 - rs, "R/W": 1 - rw}),
            (-40, {"RS": rs, "R/W": rw}),
            (-20, {"DB": other}),
            (0, {"E": 1}),
            (case["valid"], {"DB": value}),
            (case["falls"], {"E": 0}),
            (case["gone"], {"DB": other}),
            (case["off"], {"RS": 1 - rs, "R/W": 1 - rw}),
        ],
    ).as_text()
    columns = ["kind", "data", "start_ps", "end_ps"]
    assert table[columns].to_numpy().tolist() == [
        [KINDS[rs, rw], f"0x{value:X}", "0", f"{case['falls']}000"]
    ]


@pytest.mark.parametrize("case", CASES["bytes"], ids=lambda case: case["where"])
def test_the_first_pulse_carries_the_high_half(case: Case) -> None:
    """Two pulses are two rows and one byte; the busy flag comes with the first."""
    high, low = case["halves"]
    rs, rw = case["rs"], case["rw"]
    table = decode_changes("hd44780-nibble", [*pulse(0, rs, rw, high), *pulse(600, rs, rw, low)])
    assert list(table.as_text()["data"]) == [f"0x{high:X}", f"0x{low:X}"]
    found = operands(table)[["first_cycle", "beats", "kind", "size", "data", "whole"]]
    assert found.to_numpy().tolist() == [["0", "2", case["kind"], "1", case["data"], "true"]]


def test_bytes_follow_one_another() -> None:
    """A command, its two looks at the busy flag, and data: each has its own two pulses."""
    meant = [(0, 0, 0x28), (0, 1, 0x80), (0, 1, 0x00), (1, 0, 0x4C), (1, 0, 0x27), (1, 1, 0x72)]
    changes: list[Change] = []
    for at, (rs, rw, value) in enumerate(meant):
        changes += pulse(2000 * at, rs, rw, value >> 4)
        changes += pulse(2000 * at + 600, rs, rw, value & 0xF)
    found = operands(decode_changes("hd44780-nibble", changes))
    assert found[["operand", "first_cycle", "kind", "data", "whole"]].to_numpy().tolist() == [
        [str(at), str(2 * at), KINDS[rs, rw], f"0x{value:02X}", "true"]
        for at, (rs, rw, value) in enumerate(meant)
    ]


def test_half_a_byte_is_not_whole() -> None:
    """p. 22: a transfer is over after the second pulse; the capture ends after the first."""
    changes = [*pulse(0, 1, 0, 4), *pulse(600, 1, 0, 8), *pulse(1200, 1, 0, 6)]
    found = operands(decode_changes("hd44780-nibble", changes))
    assert found[["beats", "whole"]].to_numpy().tolist() == [["2", "true"], ["1", "false"]]


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


def changes_of(rows: list[tuple[float, Lines]], *lines: str) -> list[float]:
    """Give the moments at which any of the lines changes."""
    return [
        moment
        for (_, before), (moment, after) in pairwise(rows)
        if any(before[line] != after[line] for line in lines)
    ]


def pulses(rows: list[tuple[float, Lines]]) -> list[tuple[float, float, Lines]]:
    """Give rise and fall of each pulse of E, and the lines just before the fall."""
    stamps = [moment for moment, _ in rows]
    edges = changes_of(rows, "E")
    assert len(edges) % 2 == 0
    return [
        (rise, fall, rows[bisect_left(stamps, fall) - 1][1])
        for rise, fall in zip(edges[::2], edges[1::2], strict=True)
    ]


@pytest.mark.parametrize(("bus", "name"), CAPTURES)
def test_rows_told_are_what_stands_at_the_falls(bus: str, name: str) -> None:
    """The expected rows follow from the rule of the fall, read without this project's decoder."""
    wanted = []
    for rise, fall, lines in pulses(states(name)):
        rs, rw, value = lines["RS"], lines["R/W"], lines["DB"]
        assert rs is not None
        assert rw is not None
        data = f"0x{value:0{WIDTHS[bus] // 4}X}"
        wanted.append([KINDS[rs, rw], data, f"{rise * 1000:.0f}", f"{fall * 1000:.0f}"])
    with (EVIDENCE / f"{name}.csv").open(newline="", encoding="ascii") as told:
        found = [
            [row[key] for key in ("kind", "data", "start_ps", "end_ps")]
            for row in csv.DictReader(told)
        ]
    assert found == wanted


def expected_operands() -> list[dict[str, str]]:
    """Read the bytes that the bench's host meant."""
    path = EVIDENCE / "hd44780-nibble_bench_operands.csv"
    with path.open(newline="", encoding="ascii") as told:
        return list(csv.DictReader(told))


def test_operands_told_are_pairs_of_the_falls() -> None:
    """The expected bytes are two pulses each, the high half first, and leave none out."""
    halves = pulses(states("hd44780-nibble_bench"))
    wanted = []
    for at in range(0, len(halves), 2):
        (_, _, first), (_, _, second) = halves[at : at + 2]
        rs, rw, high, low = first["RS"], first["R/W"], first["DB"], second["DB"]
        assert rs is not None
        assert rw is not None
        assert high is not None
        assert low is not None
        wanted.append([f"{at}", KINDS[rs, rw], f"0x{high << 4 | low:02X}"])
    found = [[row["first_cycle"], row["kind"], row["data"]] for row in expected_operands()]
    assert found == wanted


def test_bench_decodes_to_the_bytes_that_its_host_meant() -> None:
    """Every byte of the bench comes back, each with its own two pulses."""
    expected = expected_operands()
    table = decode_capture(
        read_capture(EVIDENCE / "hd44780-nibble_bench.vcd"), load_bus("hd44780-nibble")
    ).table
    found = operands(table)[list(expected[0])].to_dict("records")
    assert found == expected
    assert {row["kind"] for row in expected} == set(KINDS.values())


def quantities(bus: str, name: str) -> dict[str, list[float]]:
    """Measure each parameter of the data sheet wherever a stored capture shows it."""
    rows = states(name)
    select, data = changes_of(rows, "RS", "R/W"), changes_of(rows, "DB")
    found: dict[str, list[float]] = {case["symbol"]: [] for case in CASES["limits"]}
    every = pulses(rows)
    found["tcycE"] = [after[0] - before[0] for before, after in pairwise(every)]
    for rise, fall, lines in every:
        found["PWEH"].append(fall - rise)
        assert not [moment for moment in select if rise < moment < fall]
        found["tAS"] += [rise - moment for moment in select if moment <= rise][-1:]
        found["tAH"] += [moment - fall for moment in select if moment >= fall][:1]
        there = [moment for moment in data if moment < fall][-1:]
        gone = [moment - fall for moment in data if moment >= fall][:1]
        if lines["R/W"] == 0:
            found["tDSW"] += [fall - moment for moment in there]
            found["tH"] += gone
        else:
            found["tDDR"] += [moment - rise for moment in there]
            found["tDHR"] += gone
    step = 8 // WIDTHS[bus]
    if name != "hd44780-nibble_figure":  # whose start is single pulses
        whole = [(every[at][0], *every[at + step - 1][1:]) for at in range(0, len(every), step)]
        asked = [
            (rise, fall) for rise, fall, lines in whole if (lines["RS"], lines["R/W"]) != (0, 1)
        ]
        found["execution"] = [after[0] - before[1] for before, after in pairwise(asked)]
    else:
        found["execution"] = [every[at + 1][0] - every[at][1] for at in range(4)]
    return found


@pytest.mark.parametrize(("bus", "name"), CAPTURES)
@pytest.mark.parametrize("case", CASES["limits"], ids=lambda case: case["symbol"])
def test_evidence_keeps_the_limits_of_the_data_sheet(bus: str, name: str, case: Case) -> None:
    """The captures that decoding is held against are themselves inside the limits."""
    found = quantities(bus, name)[case["symbol"]]
    assert found
    assert min(found) >= case.get("min", 0)
    assert max(found) <= case.get("max", float("inf"))
