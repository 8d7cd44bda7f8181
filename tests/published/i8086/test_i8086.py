"""Checks against the 8086 data sheet alone: lanes, what ALE latches, READY, states, limits."""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_left, bisect_right
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
    from collections.abc import Iterable

    import pandas as pd

HERE = Path(__file__).parent
EVIDENCE = HERE.parents[1] / "independent"
CASES = tomllib.loads((HERE / "cases.toml").read_text(encoding="ascii"))
CLOCK = 200  # ns at 5 MHz
ADDRESS = 0x93D5A
WORD = 0x6BC4
RELEASED = None
CAPTURES = ["i8086_figure", "i8086_bench"]

Lines = dict[str, int | None]
Change = tuple[int, Lines]


def decode_changes(changes: Iterable[Change]) -> pd.DataFrame:
    """Decode a capture given as moments (ns from the first T1) and what the lines then go to.

    `AD` and `A` (A19 to A16) are whole values; None releases AD.
    """
    now: Lines = {
        **dict.fromkeys(("BHE", "RD", "WR", "INTA", "M/IO", "DT/R", "DEN", "READY"), 1),
        "ALE": 0,
        "AD": RELEASED,
        "A": 0,
    }
    rows: dict[int, Lines] = {-200: dict(now)}
    for moment, lines in sorted(changes, key=lambda change: change[0]):
        now.update(lines)
        rows[moment] = dict(now)
    wires = {"AD": range(15, -1, -1), "A": range(19, 15, -1)}
    levels: dict[str, list[int | str]] = {}
    for name in now:
        values = [row[name] for row in rows.values()]
        if name in wires:
            low = wires[name][-1]
            for bit in wires[name]:
                levels[f"{name}{bit}"] = ["z" if v is None else v >> bit - low & 1 for v in values]
        else:
            levels[name] = ["z" if v is None else v for v in values]
    capture = from_levels([moment * 1000 for moment in rows], levels)
    return decode_capture(capture, load_bus("i8086")).as_text()


def cycle_changes(
    strobe: str,
    *,
    address: int | None = ADDRESS,
    bhe: int = 0,
    memory: int = 1,
    data: int | None = WORD,
    waits: int = 0,
    begin: int = 0,
) -> list[Change]:
    """Make a bus cycle; without address, AD floats as ALE latches. T1 is at `begin`."""
    late = waits * CLOCK
    at_latch: Lines = {"BHE": bhe}
    if address is not None:
        at_latch |= {"AD": address & 0xFFFF, "A": address >> 16}
    changes: list[Change] = [
        (-20, {"M/IO": memory, "DT/R": int(strobe == "WR")}),
        (30, {"ALE": 1}),
        (50, at_latch),
        (150, {"ALE": 0}),
        (215, {"A": 0b0101, "BHE": 1 - bhe}),
        (280, {strobe: 0}),
        (650 + late, {strobe: 1}),
    ]
    if strobe == "WR":
        changes += [(300, {"AD": data}), (760 + late, {"AD": RELEASED})]
    else:
        changes += [(240, {"AD": RELEASED}), (500 + late, {"AD": data})]
        changes += [(670 + late, {"AD": RELEASED})]
    return [(begin + moment, lines) for moment, lines in changes]


def shown(word: int, lanes: str) -> str:
    """Give data as the table writes it: two dashes for a lane without part."""
    digits = f"{word:04X}"
    return "0x" + "".join(
        digits[2 * at : 2 * at + 2] if on == "1" else "--" for at, on in enumerate(lanes)
    )


@pytest.mark.parametrize("strobe", ["RD", "WR"])
@pytest.mark.parametrize("memory", [1, 0])
@pytest.mark.parametrize("case", CASES["lanes"], ids=lambda case: case["where"])
def test_bhe_and_a0_select_the_lanes(case: dict[str, Any], memory: int, strobe: str) -> None:
    """The lanes come from BHE and AD0 as ALE falls; both lines say otherwise later."""
    address = (ADDRESS if memory else ADDRESS & 0xFFFF) & ~1 | case["a0"]
    table = decode_changes(cycle_changes(strobe, address=address, bhe=case["bhe"], memory=memory))
    assert list(table["lanes"]) == [case["lanes"]]
    assert list(table["data"]) == [shown(WORD, case["lanes"])]
    if case["lanes"] != "00":
        assert list(table["address"]) == [f"0x{address:05X}"]


@pytest.mark.parametrize("op", ["read", "write", "io-read", "io-write"])
@pytest.mark.parametrize("case", CASES["order"], ids=lambda case: case["where"])
def test_bytes_and_words_take_the_cycles_of_the_table(case: dict[str, Any], op: str) -> None:
    """An odd word takes two cycles, the low byte on AD15-AD8 first; all else takes one."""
    bus = load_bus("i8086")
    data = 0xBEEF & (1 << 8 * case["size"]) - 1
    access = Access(op, 0x3D5A + case["place"], case["size"], data)
    parts = split_access(bus, access)
    lanes = {(row["bhe"], row["a0"]): row["lanes"] for row in CASES["lanes"]}
    assert [f"{part.lanes:02b}" for part, _, _ in parts] == [
        lanes[step["bhe"], step["a0"]] for step in case["steps"]
    ]
    assert [part.address % 2 for part, _, _ in parts] == [step["a0"] for step in case["steps"]]
    assert [part.address - access.address for part, _, _ in parts] == [*range(len(parts))]
    assert [moved for _, moved, _ in parts] == [step["data"] for step in case["steps"]]


def test_odd_word_decodes_to_its_two_bytes_in_order() -> None:
    """The two cycles of an odd word, from their levels: 1, then 0 on A0."""
    table = decode_changes(
        [
            *cycle_changes("WR", address=ADDRESS + 1, bhe=0, data=0xEFEF),
            *cycle_changes("WR", address=ADDRESS + 2, bhe=1, data=0xBEBE, begin=4 * CLOCK),
        ]
    )
    assert list(table["address"]) == [f"0x{ADDRESS + 1:05X}", f"0x{ADDRESS + 2:05X}"]
    assert list(table["lanes"]) == ["10", "01"]
    assert list(table["data"]) == ["0xEF--", "0x--BE"]


@pytest.mark.parametrize("case", CASES["kinds"], ids=lambda case: case["kind"])
def test_strobe_and_m_io_mark_the_kind_of_cycle(case: dict[str, Any]) -> None:
    """Each strobe with its level of M/IO gives its kind, in one row."""
    address = ADDRESS if case["memory"] else ADDRESS & 0xFFFF
    table = decode_changes(cycle_changes(case["strobe"], memory=case["memory"], address=address))
    assert list(table["kind"]) == [case["kind"]]


def test_address_and_bhe_count_as_ale_falls() -> None:
    """P. 16: they stand TAVAL 70 ns before and TLLAX 60 ns after; before and later they may not."""
    changes = [
        change
        for change in cycle_changes("RD", bhe=0)
        if not {"A", "AD", "BHE"} & set(change[1]) or change[0] >= 500
    ]
    changes += [
        (40, {"AD": 0xFFFF, "A": 0xF, "BHE": 1}),
        (150 - 70, {"AD": ADDRESS & 0xFFFF, "A": ADDRESS >> 16, "BHE": 0}),
        (150 + 60, {"AD": RELEASED, "A": 0b0111, "BHE": 1}),
    ]
    table = decode_changes(changes)
    assert list(table["address"]) == [f"0x{ADDRESS:05X}"]
    assert list(table["lanes"]) == ["11"]


def test_port_address_has_sixteen_bits() -> None:
    """Table 1: A19-A16 are low for I/O; status appears there in I/O cycles too."""
    table = decode_changes(cycle_changes("RD", memory=0, address=0x03F8, bhe=1))
    assert list(table["address"]) == ["0x003F8"]


def test_read_takes_what_stands_as_t4_begins() -> None:
    """P. 19: data from 30 ns before T4 (TDVCL) on counts, what stood in T3 does not."""
    changes = [c for c in cycle_changes("RD") if not ("AD" in c[1] and c[0] >= 400)]
    changes += [(410, {"AD": 0x1E87}), (570, {"AD": WORD}), (655, {"AD": RELEASED})]
    assert list(decode_changes(changes)["data"]) == [shown(WORD, "11")]


def test_write_data_may_come_after_the_strobe() -> None:
    """P. 16: WR from 10 ns into T2 (TCVCTV), data until 110 ns (TCLDV), held 88 ns after WR."""
    changes = [c for c in cycle_changes("WR") if not ("AD" in c[1] and c[0] > 200)]
    changes = [c for c in changes if c[1] != {"WR": 0}]
    changes += [(210, {"WR": 0}), (212, {"AD": 0x1E87}), (310, {"AD": WORD})]
    changes += [(650 + 88, {"AD": RELEASED})]
    found = decode_changes(changes)
    assert list(found["data"]) == [shown(WORD, "11")]
    assert list(found["address"]) == [f"0x{ADDRESS:05X}"]


@pytest.mark.parametrize("strobe", ["RD", "WR", "INTA"])
@pytest.mark.parametrize("case", CASES["ready"], ids=lambda case: case["where"])
def test_ready_at_any_time_in_the_beat_acknowledges(case: dict[str, Any], strobe: str) -> None:
    """READY high only where it must be, or low only where it must be, gives the same end."""
    ready: list[Change] = [(moment, {"READY": level}) for moment, level in case["levels"]]
    table = decode_changes([*cycle_changes(strobe, waits=case["waits"]), *ready])
    assert list(table["ended"]) == [case["ended"]]


def test_interrupt_acknowledge_is_two_cycles() -> None:
    """P. 2: AD floats, also as ALE falls; two rows, neither with an address."""
    table = decode_changes(
        [
            *cycle_changes("INTA", address=None, bhe=0, memory=0, data=RELEASED),
            *cycle_changes("INTA", address=None, bhe=1, memory=0, data=0xFF68, begin=6 * CLOCK),
        ]
    )
    assert list(table["kind"]) == ["interrupt-acknowledge"] * 2
    assert list(table["address"]) == ["", ""]
    assert list(table["ended"]) == ["acknowledged"] * 2


@pytest.mark.parametrize("floats_as", [None, 0x0000, 0xFFFF], ids=["z", "low", "high"])
@pytest.mark.parametrize("bhe", [0, 1])
def test_vector_stands_on_the_low_half(bhe: int, floats_as: int | None) -> None:
    """The vector is AD7-AD0 (from memory), whatever BHE and the floating AD0 show as ALE falls."""
    table = decode_changes(cycle_changes("INTA", address=floats_as, bhe=bhe, memory=0, data=0xFF68))
    assert list(table["lanes"]) == ["01"]
    assert list(table["data"]) == ["0x--68"]


def test_halt_is_a_cycle_without_data() -> None:
    """P. 11: one ALE without a strobe; the cycle after it is not touched."""
    halt = [change for change in cycle_changes("RD") if change[0] <= 240]
    halt = [change for change in halt if "RD" not in change[1]]
    table = decode_changes([*halt, *cycle_changes("WR", address=0x12344, begin=8 * CLOCK)])
    assert list(table["kind"]) == ["address-only", "write"]
    assert list(table["lanes"]) == ["00", "11"]
    assert list(table["data"]) == ["", shown(WORD, "11")]
    assert list(table["ended"]) == ["unacknowledged", "acknowledged"]
    assert list(table["address"]) == [f"0x{ADDRESS:05X}", "0x12344"]


# From here on nothing of the project is used: the stored evidence against the data sheet.


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


def before(moments: list[int], moment: int) -> int:
    """Give the last of rising moments that lies before one; -1, before the capture, for none."""
    at = bisect_left(moments, moment)
    return moments[at - 1] if at else -1


def after(moments: list[int], moment: int) -> int | None:
    """Give the first of rising moments that lies after one; None where the capture ends first."""
    at = bisect_right(moments, moment)
    return moments[at] if at < len(moments) else None


def with_states(found: dict[str, list[int]]) -> dict[str, list[int]]:
    """Add T1, T2, T4 of reads, and when AD carries address, write data, read data."""
    added: dict[str, list[int]] = {}

    def add(name: str, moment: int | None) -> None:
        if moment is not None:
            added.setdefault(name, []).append(moment)

    for fall in found["ALE falls"]:
        t1 = before(found["CLK falls"], fall)
        add("T1", t1)
        add("T2", after(found["CLK falls"], fall))
        if before(found["AD driven"], fall) > t1:  # not where AD floats
            add("address driven", before(found["AD driven"], fall))
            add("address stands", before(found["AD changes"], fall))
    for rise in found["RD rises"]:
        t4 = before(found["CLK falls"], rise)
        add("read T4", t4)
        add("read data stands", before(found["AD changes"], rise))
        add("read data goes", after(found["AD changes"], t4))
    for fall in found["RD falls"]:
        add("address floats", before(found["AD released"], fall + 1))  # TAZRL may be 0
    for rise in found["WR rises"]:
        add("write data stands", before(found["AD changes"], rise))
        add("write data floats", after(found["AD changes"], rise))
    return {**found, **added}


@pytest.mark.parametrize("name", CAPTURES)
@pytest.mark.parametrize(
    "case", CASES["limits"], ids=lambda case: f"{case['symbol']}: {case['from']}, {case['to'][0]}"
)
def test_evidence_keeps_the_limits_of_the_data_sheet(name: str, case: dict[str, Any]) -> None:
    """The captures that decoding is held against are themselves inside the limits at 5 MHz."""
    found = with_states(happenings(name))
    starts = found[case["from"]]
    for event in case["to"]:
        checked = 0
        for stop in found[event]:
            at = (bisect_left if event == case["from"] else bisect_right)(starts, stop) - 1
            if at < 0:
                continue
            checked += 1
            assert stop - starts[at] >= case.get("min", 0), f"{event} at {stop} ns"
            assert stop - starts[at] <= case.get("max", stop), f"{event} at {stop} ns"
        assert checked >= (1 if "figure" in name else 3), event


@pytest.mark.parametrize("name", CAPTURES)
def test_evidence_has_read_data_in_time(name: str) -> None:
    """TDVCL (p. 19): what stands until RD rises stood 30 ns before T4 began."""
    found = with_states(happenings(name))
    for stands, t4 in zip(found["read data stands"], found["read T4"], strict=True):
        assert t4 - stands >= 30, f"T4 at {t4} ns"


@pytest.mark.parametrize("name", CAPTURES)
def test_evidence_moves_ready_before_t3_is_8_ns_old(name: str) -> None:
    """TRYLCL (p. 19): for a wait state READY is low by 8 ns into T3, and stays until CLK rises."""
    found = happenings(name)
    waits = 0
    for fall in found["ALE falls"]:
        strobes = [
            moment
            for line in ("RD", "WR", "INTA")
            for moment in found.get(f"{line} rises", [])
            if moment > fall
        ]
        nexts = [moment for moment in found["ALE rises"] if moment > fall]
        if not strobes or (nexts and nexts[0] < min(strobes)):
            continue  # no strobe: a halt, or the end of the capture
        t4 = before(found["CLK falls"], min(strobes))
        rises = [moment for moment in found["CLK rises"] if fall < moment < t4]
        for edge in rises[1:-1]:  # CLK rises in T3 and each TW but the last
            waits += 1
            lows = [moment for moment in found["READY falls"] if moment <= edge]
            highs = [moment for moment in found.get("READY rises", []) if moment <= edge]
            assert lows, f"wait state at {edge} ns"
            assert not highs or highs[-1] < lows[-1], f"wait state at {edge} ns"
            assert lows[-1] <= before(found["CLK falls"], edge) + 8
        last = rises[-1]
        lows = [moment for moment in found["READY falls"] if moment <= last]
        highs = [moment for moment in found.get("READY rises", []) if moment <= last]
        assert not lows or (highs and highs[-1] > lows[-1]), f"CLK rises at {last} ns"
    assert waits >= 1


def test_bench_holds_what_makes_this_bus_hard_to_decode() -> None:
    """READY of both styles, WR before data, BHE and A19-A16 as status, floating AD, HALT."""
    found = with_states(happenings("i8086_bench"))
    recorded = VCDVCD(str(EVIDENCE / "i8086_bench.vcd"))

    def level(line: str, moment: int) -> str:
        signal = next(name for name in recorded.signals if name.split(".")[-1].startswith(line))
        changes = recorded[signal].tv
        return str(changes[bisect_right([at for at, _ in changes], moment) - 1][1])

    ready = [level("READY", rise - 1) for rise in found["RD rises"] + found["WR rises"]]
    assert min(ready.count("0"), ready.count("1")) >= 10
    late = [
        stands - before(found["WR falls"], rise)
        for stands, rise in zip(found["write data stands"], found["WR rises"], strict=True)
    ]
    assert max(late) > 20
    assert min(late) < -20
    turned = [
        level(line, fall - 1) != level(line, before(found["CLK falls"], fall + 3 * CLOCK))
        for line in ("BHE", "A[19:16]")
        for fall in found["ALE falls"]
    ]
    assert turned.count(True) >= 40
    assert len(found["ALE falls"]) - len(found["address stands"]) == len(found["INTA falls"]) == 6
    strobes = sum(len(found[f"{line} falls"]) for line in ("RD", "WR", "INTA"))
    assert len(found["ALE falls"]) - strobes == 1


@pytest.mark.parametrize("case", CASES["states"], ids=lambda case: case["where"])
def test_figure_capture_keeps_the_order_of_states(case: dict[str, Any]) -> None:
    """Every edge of the hand-typed cycle stands in its T state."""
    found = happenings("i8086_figure")
    fall = found["ALE falls"][case["cycle"]]
    t1 = before(found["CLK falls"], fall)
    states = [edge for edge in found["CLK falls"] if edge >= t1]
    later = after(found["ALE rises"], fall)
    end = before(found["CLK falls"], later) if later else states[-1]
    for step in case["order"]:
        what, number = step.split(" in T")
        bounds = states[int(number) - 1], states[int(number)]
        assert [moment for moment in found[what] if bounds[0] <= moment < bounds[1]], step
    assert {
        line: sum(t1 <= moment < end for moment in found[f"{line} falls"]) for line in case["falls"]
    } == case["falls"]
