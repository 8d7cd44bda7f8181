"""Checks against the MC68000 manual alone: lanes, order of states, latch moments, endings."""

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
    from collections.abc import Iterable

    import pandas as pd

HERE = Path(__file__).parent
EVIDENCE = HERE.parents[1] / "independent"
CASES = tomllib.loads((HERE / "cases.toml").read_text(encoding="ascii"))
STATE_PS = 62_500  # half a clock at 8 MHz, 5.1.1
ADDRESS = 0x40A2C4
RELEASED = None

Lines = dict[str, int | None]
Change = tuple[int, Lines]


def decode_changes(changes: Iterable[Change]) -> pd.DataFrame:
    """Decode a capture given as moments (ns from the first S0) and what the lines then go to.

    `A` is the byte address, `D` the word, `FC` the function code; None releases a line.
    """
    now: Lines = {
        **dict.fromkeys(("AS", "UDS", "LDS", "R/W", "DTACK", "BERR", "VPA"), 1),
        "A": RELEASED,
        "D": RELEASED,
        "FC": 5,
    }
    rows: dict[int, Lines] = {-200: dict(now)}
    for moment, lines in sorted(changes, key=lambda change: change[0]):
        now.update(lines)
        rows[moment] = dict(now)
    wires = {"A": range(23, 0, -1), "D": range(15, -1, -1), "FC": range(2, -1, -1)}
    levels: dict[str, list[int | str]] = {}
    for name in now:
        values = [row[name] for row in rows.values()]
        if name in wires:
            for bit in wires[name]:
                levels[f"{name}{bit}"] = ["z" if v is None else v >> bit & 1 for v in values]
        else:
            levels[name] = ["z" if v is None else v for v in values]
    capture = from_levels([moment * 1000 for moment in rows], levels)
    return decode_capture(capture, load_bus("mc68000")).as_text()


def state(number: float) -> int:
    """Give the begin of a state, ns after S0."""
    return round(number * STATE_PS / 1000)


def read_changes(
    data: int | None, strobes: str = "11", *, fc: int = 5, address: int = ADDRESS
) -> list[Change]:
    """Make a read as 5.1.1 orders it; data stand until the strobes negate."""
    used: Lines = {name: 0 for name, on in zip(("UDS", "LDS"), strobes, strict=True) if on == "1"}
    return [
        (state(0) + 20, {"FC": fc}),
        (state(1) + 30, {"A": address}),
        (state(2) + 20, {"AS": 0, **used}),
        (state(4) + 20, {"DTACK": 0}),
        (state(6) + 5, {"D": data}),
        (state(7) + 20, {"AS": 1, "UDS": 1, "LDS": 1}),
        (state(7) + 40, {"D": RELEASED, "DTACK": 1}),
        (state(8) + 40, {"A": RELEASED}),
    ]


def write_changes(data: int, strobes: str = "11") -> list[Change]:
    """Make a write as 5.1.2 orders it: strobes two states after AS."""
    used: Lines = {name: 0 for name, on in zip(("UDS", "LDS"), strobes, strict=True) if on == "1"}
    return [
        (state(1) + 30, {"A": ADDRESS}),
        (state(2) + 20, {"AS": 0}),
        (state(2) + 30, {"R/W": 0}),  # parameter 20A: at most 10 ns after AS
        (state(3) + 30, {"D": data}),
        (state(4) + 20, used),
        (state(4) + 40, {"DTACK": 0}),
        (state(7) + 20, {"AS": 1, "UDS": 1, "LDS": 1}),
        (state(7) + 40, {"DTACK": 1}),
        (state(8) + 40, {"A": RELEASED, "D": RELEASED, "R/W": 1}),
    ]


def row(table: pd.DataFrame, at: int = 0) -> dict[str, str]:
    """Give the columns that these cases look at."""
    columns = ["kind", "address", "lanes", "data", "ended", "rmw"]
    return {name: table[name][at] for name in columns}


@pytest.mark.parametrize("case", CASES["lanes"], ids=lambda case: case["where"])
def test_strobes_select_the_lanes_of_table_3_1(case: dict[str, str | int]) -> None:
    """Only the lane of an asserted strobe is reported, copies on the other half are not."""
    make = read_changes if case["access"] == "read" else write_changes
    table = decode_changes(make(int(case["wire"]), str(case["strobes"])))
    assert len(table) == 1
    assert row(table) == {
        "kind": case["access"],
        "address": case["address"],
        "lanes": case["strobes"],
        "data": case["data"],
        "ended": "acknowledged",
        "rmw": "false",
    }


def test_read_takes_the_word_that_stands_at_the_edge_into_s7() -> None:
    """Data from 10 ns before S7 (10.10, 27) until the strobes negate (29) count, no other."""
    changes = read_changes(RELEASED)
    changes = [change for change in changes if "D" not in change[1]]
    changes += [
        (state(3), {"D": 0x5A5A}),
        (state(7) - 10, {"D": 0x1E87}),
        (state(7) + 20, {"AS": 1, "UDS": 1, "LDS": 1, "D": 0xA5A5}),
        (state(7) + 41, {"D": RELEASED, "DTACK": 1}),
    ]
    assert row(decode_changes(changes))["data"] == "0x1E87"


def test_a_change_one_clock_after_the_latch_does_not_matter() -> None:
    """What D shows after S7 belongs to no read (5.1.1)."""
    late: list[Change] = [(state(9), {"D": 0xFFFF}), (state(11), {"D": RELEASED})]
    assert row(decode_changes([*read_changes(0x1E87), *late]))["data"] == "0x1E87"


def test_write_takes_the_word_that_stands_from_before_the_strobe_until_after_it() -> None:
    """10.10: valid 40 ns before the strobes (26) to 40 ns after them (25), anything else around."""
    changes = [change for change in write_changes(0) if "D" not in change[1]]
    changes += [
        (state(2) + 25, {"D": 0xFFFF}),
        (state(4) + 20 - 40, {"D": 0x71C6}),
        (state(7) + 20 + 40, {"D": 0x0000}),
        (state(8) + 40, {"A": RELEASED, "D": RELEASED, "R/W": 1}),
    ]
    found = row(decode_changes(changes))
    assert (found["kind"], found["data"]) == ("write", "0x71C6")


@pytest.mark.parametrize("lag", [-10, 0, 10])
def test_direction_may_come_after_the_address_strobe(lag: int) -> None:
    """10.10, 20A: R/W may go low up to 10 ns after AS, and the cycle is a write."""
    changes: list[Change] = [each for each in write_changes(0x71C6) if "R/W" not in each[1]]
    changes.append((state(2) + 20 + lag, {"R/W": 0}))
    changes.append((state(8) + 41, {"R/W": 1}))
    assert row(decode_changes(changes))["kind"] == "write"


def test_read_modify_write_is_one_cycle_of_two_beats() -> None:
    """5.1.3: AS low from S2 to S19, the strobe twice, R/W changing between."""
    table = decode_changes(
        [
            (state(1) + 30, {"A": ADDRESS}),
            (state(2) + 20, {"AS": 0, "UDS": 0}),
            (state(4) + 20, {"DTACK": 0}),
            (state(6) + 5, {"D": 0x2CFF}),
            (state(7) + 20, {"UDS": 1}),
            (state(7) + 40, {"D": RELEASED, "DTACK": 1}),
            (state(14) + 20, {"R/W": 0}),
            (state(15) + 30, {"D": 0xACAC}),
            (state(16) + 20, {"UDS": 0}),
            (state(16) + 40, {"DTACK": 0}),
            (state(19) + 20, {"AS": 1, "UDS": 1}),
            (state(19) + 40, {"DTACK": 1}),
            (state(20) + 40, {"A": RELEASED, "D": RELEASED, "R/W": 1}),
        ]
    )
    same = {"address": "0x40A2C4", "lanes": "10", "ended": "acknowledged", "rmw": "true"}
    assert list(zip(table["cycle"], table["beat"], strict=True)) == [("0", "0"), ("0", "1")]
    assert row(table, 0) == {**same, "kind": "read", "data": "0x2C--"}
    assert row(table, 1) == {**same, "kind": "write", "data": "0xAC--"}


def test_interrupt_acknowledge_reads_a_vector_with_both_strobes() -> None:
    """5.1.4 and Figure 5-11: FC 7, all address lines high but the level; D15-D8 mean nothing."""
    changes = read_changes(RELEASED, fc=7, address=0xFFFFF0 | 3 << 1)
    changes = [change for change in changes if "D" not in change[1]]
    table = decode_changes([*changes, (state(7) + 41, {"DTACK": 1})])
    assert row(table) == {
        "kind": "interrupt-acknowledge",
        "address": "0xFFFFF6",
        "lanes": "11",
        "data": "0x????",
        "ended": "acknowledged",
        "rmw": "false",
    }


def test_autovector_is_acknowledged_by_vpa() -> None:
    """5.1.4: the device asserts VPA instead of DTACK; the number is made inside the processor."""
    changes = [
        (moment, {"VPA" if name == "DTACK" else name: level for name, level in lines.items()})
        for moment, lines in read_changes(RELEASED, fc=7, address=0xFFFFF0 | 5 << 1)
    ]
    found = row(decode_changes(changes))
    assert (found["kind"], found["ended"]) == ("interrupt-acknowledge", "acknowledged")


@pytest.mark.parametrize(
    ("fc", "address", "is_acknowledge"),
    [(7, 0xFFFFF6, True), (6, 0xFFFFF6, False), (5, 0xFFFFF6, False), (7, 0x000000, False)],
)
def test_cpu_space_alone_with_all_type_lines_high_is_an_interrupt_acknowledge(
    fc: int, address: int, is_acknowledge: bool
) -> None:
    """5.1.4, Figure 5-10: FC 7 and A19-A16 high; low is the breakpoint cycle of the MC68010."""
    kind = row(decode_changes(read_changes(0x1122, fc=fc, address=address)))["kind"]
    assert (kind == "interrupt-acknowledge") == is_acknowledge


@pytest.mark.parametrize("case", CASES["endings"], ids=lambda case: case["where"])
def test_cycles_end_as_table_5_1_says(case: dict[str, str | int]) -> None:
    """DTACK ends a cycle normally, BERR without an earlier DTACK by an error."""
    begin = state(2) + 20
    answers: list[Change] = [
        (begin + int(case[line.lower()]), {line: 0})
        for line in ("DTACK", "BERR")
        if line.lower() in case
    ]
    table = decode_changes(
        [
            (state(1) + 30, {"A": ADDRESS}),
            (begin, {"AS": 0, "UDS": 0, "LDS": 0}),
            *answers,
            (state(9) + 20, {"AS": 1, "UDS": 1, "LDS": 1}),
            (state(9) + 40, {"DTACK": 1, "BERR": 1}),
            (state(10) + 40, {"A": RELEASED}),
        ]
    )
    assert row(table)["ended"] == case["ended"]


def test_acknowledge_that_outlasts_its_cycle_does_not_join_two() -> None:
    """10.10, 28 and 15: DTACK may stay 240 ns after AS, which may be high for 150 ns only."""
    first = [change for change in read_changes(0x1357) if change[1].get("DTACK") != 1]
    later = state(7) + 20 + 150 - (state(2) + 20)
    second = [
        (moment + later, lines)
        for moment, lines in read_changes(0x2468, "01")
        if lines != {"DTACK": 0}
    ]
    table = decode_changes(
        [
            *first,
            (state(7) + 40, {"D": RELEASED}),
            (state(7) + 20 + 240, {"DTACK": 1}),
            (state(4) + 20 + later + 100, {"DTACK": 0}),
            *second,
        ]
    )
    assert list(table["data"]) == ["0x1357", "0x--68"]
    assert list(table["ended"]) == ["acknowledged", "acknowledged"]


def happenings(name: str) -> dict[str, list[float]]:
    """Give the moments (ns) at which lines of a stored capture rise, fall, get driven, released."""
    recorded = VCDVCD(str(EVIDENCE / f"{name}.vcd"))
    to_ns = float(recorded.timescale["timescale"]) * 1e9
    moments: dict[str, list[float]] = {}
    for signal in recorded.signals:
        line = re.sub(r"\[.*", "", signal.split(".")[-1]).lstrip("\\")
        changes = recorded[signal].tv
        for (_, before), (moment, after) in pairwise(changes):
            words = {("0", "1"): ["rises"], ("1", "0"): ["falls"]}.get((before, after), [])
            if line in ("A", "D"):
                was, now = set(before) - {"z"}, set(after) - {"z"}
                words = ["driven"] if now and not was else ["released"] if was and not now else []
            for word in words:
                moments.setdefault(f"{line} {word}", []).append(round(moment * to_ns, 3))
    return moments


@pytest.mark.parametrize("case", CASES["states"], ids=lambda case: case["where"])
def test_figure_capture_keeps_the_order_of_states(
    case: dict[str, int | list[str] | dict[str, int]],
) -> None:
    """Every edge of the hand-typed cycle stands in the state that 5.1.1 to 5.1.4 give it."""
    found = happenings("mc68000_figure")
    clock = sorted(found["CLK rises"] + found["CLK falls"])
    assert isinstance(case["cycle"], int)
    begin = found["AS falls"][case["cycle"]]
    into_s2 = max(at for at, edge in enumerate(clock) if edge <= begin)
    states = clock[into_s2 - 2 :]
    end = min(moment for moment in found["AS rises"] if moment > begin)
    next_s0 = min(edge for edge in found["CLK rises"] if edge > end)
    assert states[0] in found["CLK rises"]
    assert isinstance(case["order"], list)
    for step in case["order"]:
        what, number = step.split(" in S")
        bounds = states[int(number)], states[int(number) + 1]
        assert [moment for moment in found[what] if bounds[0] <= moment < bounds[1]], step
    assert isinstance(case["pulses"], dict)
    assert {
        line: sum(states[0] <= moment < next_s0 for moment in found[f"{line} falls"])
        for line in case["pulses"]
    } == case["pulses"]


@pytest.mark.parametrize("name", ["mc68000_figure", "mc68000_bench"])
@pytest.mark.parametrize(
    "case", CASES["limits"], ids=lambda case: f"{case['parameter']} {case['from']}, {case['to']}"
)
def test_evidence_keeps_the_limits_of_10_10(name: str, case: dict[str, str | float]) -> None:
    """The captures that decoding is held against are themselves inside the AC limits at 8 MHz."""
    found = happenings(name)
    starts, stops = found[str(case["from"])], found[str(case["to"])]
    checked = 0
    for stop in stops:
        before = [start for start in starts if start < stop]
        if not before:
            continue
        if any(before[-1] < other < stop for other in found.get(str(case.get("unless")), [])):
            continue  # an edge of another part of the cycle, which this limit does not mean
        checked += 1
        assert stop - before[-1] >= float(case.get("min", 0)), f"{name} at {stop} ns"
        assert stop - before[-1] <= float(case.get("max", float("inf"))), f"{name} at {stop} ns"
    assert checked >= 3
