"""Checks against the Z80 manual alone: T states, which strobes mark a cycle, latch moments."""

from __future__ import annotations

import re
import tomllib
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from vcdvcd import VCDVCD

from busdecode.capture import from_levels
from busdecode.cycles import decode_capture
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import pandas as pd

HERE = Path(__file__).parent
EVIDENCE = HERE.parents[1] / "independent"
CASES = tomllib.loads((HERE / "cases.toml").read_text(encoding="ascii"))
CLOCK = 250  # ns at 4 MHz
ADDRESS = 0x6C1D
Lines = dict[str, int | None]
Change = tuple[int, Lines]
STROBES = ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH")


def decode_changes(changes: Iterable[Change], *, clocked: bool = False) -> pd.DataFrame:
    """Decode a capture given as moments (ns from T1) and what the lines then go to.

    `A` and `D` are whole values; None releases D. With `clocked` the clock is captured too.
    """
    now: Lines = {**dict.fromkeys((*STROBES, "WAIT"), 1), "A": 0, "D": None}
    steps = list(changes)
    if clocked:
        now["CLK"] = 0
        steps += [(half * CLOCK // 2, {"CLK": 1 - half % 2}) for half in range(20)]
    rows: dict[int, Lines] = {-200: dict(now)}
    for moment, lines in sorted(steps, key=lambda change: change[0]):
        now.update(lines)
        rows[moment] = dict(now)
    wires = {"A": range(15, -1, -1), "D": range(7, -1, -1)}
    levels: dict[str, list[int | str]] = {}
    for name in now:
        values = [row[name] for row in rows.values()]
        if name in wires:
            for bit in wires[name]:
                levels[f"{name}{bit}"] = ["z" if v is None else v >> bit & 1 for v in values]
        else:
            levels[name] = ["z" if v is None else v for v in values]
    capture = from_levels([moment * 1000 for moment in rows], levels)
    return decode_capture(capture, load_bus("z80")).as_text()


def strobe_changes(low: Mapping[str, int], high: Mapping[str, int]) -> list[Change]:
    """Make the address and the strobes of one machine cycle."""
    falls: list[Change] = [(moment, {line: 0}) for line, moment in low.items()]
    rises: list[Change] = [(moment, {line: 1}) for line, moment in high.items()]
    return [(40, {"A": ADDRESS}), *falls, *rises, (1200, {"A": 0}), (1400, {"D": None})]


@pytest.mark.parametrize("clocked", [False, True], ids=["strobes", "strobes and clock"])
@pytest.mark.parametrize("case", CASES["recognition"], ids=lambda case: case["where"])
def test_strobes_mark_the_kind_of_cycle(
    case: dict[str, str | dict[str, int]], clocked: bool
) -> None:
    """Each combination of the manual gives its kind, in one row, with the address of the cycle."""
    low, high = case["low"], case["high"]
    assert isinstance(low, dict)
    assert isinstance(high, dict)
    table = decode_changes(
        [*strobe_changes(low, high), (200, {"D": 0xC6}), (1100, {"D": None})], clocked=clocked
    )
    assert table[["kind", "address", "lanes", "data", "ended"]].to_dict("records") == [
        {
            "kind": case["kind"],
            "address": f"0x{ADDRESS:04X}",
            "lanes": case["lanes"],
            "data": case["data"],
            "ended": case["ended"],
        }
    ]


@pytest.mark.parametrize("clocked", [False, True], ids=["strobes", "strobes and clock"])
@pytest.mark.parametrize("case", CASES["latch"], ids=lambda case: case["where"])
def test_the_byte_that_stands_at_the_latch_edge_is_taken(
    case: dict[str, int | str | dict[str, int]], clocked: bool
) -> None:
    """Data around the latch edge alone decides; what stood before or came after does not."""
    low, high = case["low"], case["high"]
    valid, latch, gone = case["valid"], case["latch"], case["gone"]
    assert isinstance(low, dict)
    assert isinstance(high, dict)
    assert isinstance(valid, int)
    assert isinstance(latch, int)
    assert isinstance(gone, int)
    assert valid < latch <= gone
    table = decode_changes(
        [
            *strobe_changes(low, high),
            (100, {"D": 0xFF}),
            (valid, {"D": 0x2D}),
            (gone, {"D": 0xD2}),
        ],
        clocked=clocked,
    )
    found = table[["kind", "data"]].to_dict("records")
    assert found == [{"kind": case["kind"], "data": "0x2D"}]


@pytest.mark.parametrize("case", CASES["latch"], ids=lambda case: case["where"])
def test_a_change_one_clock_after_the_latch_does_not_matter(
    case: dict[str, int | str | dict[str, int]],
) -> None:
    """A byte that comes a whole clock after the latch edge belongs to no cycle."""
    low, high, valid, latch = case["low"], case["high"], case["valid"], case["latch"]
    assert isinstance(low, dict)
    assert isinstance(high, dict)
    assert isinstance(valid, int)
    assert isinstance(latch, int)
    data: list[Change] = [(valid, {"D": 0x2D}), (latch + CLOCK, {"D": 0xD2})]
    table = decode_changes([*strobe_changes(low, high), *data])
    assert list(table["data"]) == ["0x2D"]


def test_fetch_and_refresh_are_two_rows() -> None:
    """UM008011-0816 page 8: T3 and T4 of a fetch carry the refresh address with MREQ and RFSH."""
    table = decode_changes(
        [
            (40, {"A": ADDRESS, "M1": 0}),
            (165, {"MREQ": 0}),
            (175, {"RD": 0}),
            (450, {"D": 0x3A}),
            (545, {"MREQ": 1}),
            (555, {"RD": 1}),
            (560, {"M1": 1}),
            (565, {"D": None}),
            (590, {"A": 0x1F55}),
            (595, {"RFSH": 0}),
            (665, {"MREQ": 0}),
            (920, {"MREQ": 1}),
            (1070, {"RFSH": 1}),
            (1100, {"A": 0}),
        ]
    )
    assert table[["kind", "address", "data", "ended"]].to_dict("records") == [
        {"kind": "fetch", "address": f"0x{ADDRESS:04X}", "data": "0x3A", "ended": "acknowledged"},
        {"kind": "refresh", "address": "0x1F55", "data": "", "ended": "unacknowledged"},
    ]


def test_wait_holds_the_byte_back() -> None:
    """UM0080: with WAIT low as T2 falls, a memory read goes on, and the later byte is the one."""
    table = decode_changes(
        [
            (40, {"A": ADDRESS}),
            (165, {"MREQ": 0}),
            (175, {"RD": 0}),
            (200, {"WAIT": 0, "D": 0x00}),
            (700, {"WAIT": 1}),  # low at 375 and 625 ns: two wait states
            (1060, {"D": 0x8E}),
            (1165, {"MREQ": 1}),
            (1170, {"RD": 1}),
            (1180, {"D": None}),
            (1290, {"A": 0}),
        ]
    )
    assert table[["kind", "data", "ended"]].to_dict("records") == [
        {"kind": "read", "data": "0x8E", "ended": "acknowledged"}
    ]


def happenings(name: str) -> dict[str, list[float]]:
    """Give the moments (ns) at which the lines of a stored capture rise, fall or change."""
    recorded = VCDVCD(str(EVIDENCE / f"{name}.vcd"))
    to_ns = float(recorded.timescale["timescale"]) * 1e9
    moments: dict[str, list[float]] = {}
    for signal in recorded.signals:
        line = re.sub(r"\[.*", "", signal.split(".")[-1])
        changes = recorded[signal].tv
        for (_, before), (moment, after) in pairwise(changes):
            word = {("0", "1"): "rises", ("1", "0"): "falls"}.get((before, after), "changes")
            moments.setdefault(f"{line} {word}", []).append(round(moment * to_ns, 3))
    return moments


def edge_before(edges: list[float], moment: float) -> int:
    """Give the index of the last edge at or before a moment."""
    return max(at for at, edge in enumerate(edges) if edge <= moment)


@pytest.mark.parametrize("case", CASES["t_states"], ids=lambda case: case["where"])
def test_figure_capture_has_the_manual_s_t_states(case: dict[str, int | str]) -> None:
    """Clock periods from T1 of a cycle to T1 of the next are as many as the manual says."""
    found = happenings("z80_figure")
    rises = found["CLK rises"]
    begin = found[f"{case['begins']} falls"][int(case["nth"])]
    first = edge_before(rises, begin) - (int(case["in_state"]) - 1)
    # The next cycle: the address of a new cycle follows T1 within 110 ns, M1 within 100 ns. A
    # change of A with RFSH about to fall is the refresh half of the same cycle.
    refreshes = [
        change
        for change in found["A changes"]
        if any(0 <= fall - change <= CLOCK / 2 for fall in found["RFSH falls"])
    ]
    news = sorted({*found["A changes"]} - {*refreshes})
    after = min(moment for moment in news if moment > rises[first] + CLOCK)
    assert edge_before(rises, after) - first == case["states"]


@pytest.mark.parametrize("case", CASES["to_t3"], ids=lambda case: case["where"])
def test_figure_capture_latches_at_t3(case: dict[str, int | str]) -> None:
    """Opcode and vector are on D, known, at the rising edge of T3, the last before M1 rises."""
    found = happenings("z80_figure")
    rises = found["CLK rises"]
    fall = found["M1 falls"][int(case["nth"])]
    rise = found["M1 rises"][int(case["nth"])]
    assert edge_before(rises, rise) - edge_before(rises, fall) == case["states"]


@pytest.mark.parametrize("name", ["z80_figure", "z80_bench"])
@pytest.mark.parametrize("case", CASES["limits"], ids=lambda case: f"{case['from']}, {case['to']}")
def test_evidence_keeps_the_limits_of_the_4_mhz_grade(
    name: str, case: dict[str, str | float]
) -> None:
    """The captures that decoding is held against are themselves inside the AC limits."""
    found = happenings(name)
    starts = found[str(case["from"])]
    for stop in found[str(case["to"])]:
        before = [start for start in starts if start < stop]
        if not before:
            continue
        assert stop - before[-1] >= float(case.get("min", 0)), f"{name} at {stop} ns"
        assert stop - before[-1] <= float(case.get("max", float("inf"))), f"{name} at {stop} ns"
    assert len(found[str(case["to"])]) >= 3
