"""Checks of EPP against outside sources: kinds of cycle, latch moments, order of steps."""

from __future__ import annotations

import tomllib
from bisect import bisect_left, bisect_right
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import pytest
from vcdvcd import VCDVCD

from busdecode.capture import from_levels
from busdecode.cycles import decode_capture
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    import pandas as pd

    from busdecode.protocol import Bus

HERE = Path(__file__).parent
EVIDENCE = HERE.parents[1] / "independent"
CASES = tomllib.loads((HERE / "cases.toml").read_text(encoding="ascii"))
NAMES = ("ieee1284-epp_figure", "ieee1284-epp_bench")
STROBES = ("nDataStb", "nAddrStb")
RELEASED = None

Lines = dict[str, int | None]
Change = tuple[int, Lines]


@cache
def described() -> Bus:
    """Load the description once."""
    return load_bus("ieee1284-epp")


def decode_changes(changes: Iterable[Change], *, without: tuple[str, ...] = ()) -> pd.DataFrame:
    """Decode a capture given as moments (ns) and what the lines then go to; None releases AD."""
    now: Lines = {
        **dict.fromkeys(("nWrite", "nDataStb", "nAddrStb", "nReset"), 1),
        **dict.fromkeys(("nWait", "Intr"), 0),
        "AD": RELEASED,
    }
    for name in without:
        del now[name]
    rows: dict[int, Lines] = {0: dict(now)}
    for moment, lines in sorted(changes, key=lambda change: change[0]):
        now.update(lines)
        rows[moment] = dict(now)
    levels: dict[str, list[int | str]] = {}
    for name in now:
        values = [row[name] for row in rows.values()]
        for bit in range(8, 0, -1) if name == "AD" else [0]:
            wire = f"{name}{bit}" if bit else name
            levels[wire] = [
                "z" if value is None else value >> bit - 1 & 1 if bit else value for value in values
            ]
    capture = from_levels([moment * 1000 for moment in rows], levels)
    return decode_capture(capture, described()).as_text()


def written(byte: int, strobe: str = "nDataStb", *, at: int = 100) -> list[Change]:
    """Make steps 2 to 7 of a write [T]."""
    return [
        (at, {"nWrite": 0, "AD": byte}),
        (at + 20, {strobe: 0}),
        (at + 100, {"nWait": 1}),
        (at + 200, {strobe: 1}),
        (at + 250, {"nWait": 0}),
        (at + 260, {"nWrite": 1, "AD": RELEASED}),
    ]


def given(byte: int, strobe: str = "nDataStb", *, at: int = 100) -> list[Change]:
    """Make steps 3 to 8 of a read [L]."""
    return [
        (at + 20, {strobe: 0}),
        (at + 90, {"AD": byte}),
        (at + 100, {"nWait": 1}),
        (at + 200, {strobe: 1}),
        (at + 210, {"AD": RELEASED}),
        (at + 250, {"nWait": 0}),
    ]


def rows_of(table: pd.DataFrame, *columns: str) -> list[tuple[str, ...]]:
    """Give some columns of every row."""
    return [tuple(row) for row in table[list(columns)].to_numpy().tolist()]


@pytest.mark.parametrize("case", CASES["kinds"], ids=lambda case: case["where"])
def test_strobe_and_nwrite_tell_the_kind(case: dict[str, Any]) -> None:
    """Two strobes and two levels of nWrite make four kinds of cycle."""
    make = given if case["nWrite"] else written
    found = rows_of(
        decode_changes(make(0xB4, case["strobe"])), "kind", "lanes", "data", "ended", "address"
    )
    assert found == [(case["kind"], "1", "0xB4", "acknowledged", "")]


def test_kinds_are_told_apart_by_every_level() -> None:
    """Each pair of strobe and nWrite stands once in the list."""
    pairs = {(case["strobe"], case["nWrite"]) for case in CASES["kinds"]}
    assert pairs == {(strobe, level) for strobe in STROBES for level in (0, 1)}


def test_write_takes_the_byte_that_stands_until_the_strobe_rises() -> None:
    """Write step 5 [T]: the trailing edge is the last moment; what comes then is not the byte."""
    changes: list[Change] = [each for each in written(0x6D) if "AD" not in each[1]]
    changes += [
        (100, {"nWrite": 0, "AD": 0x6D}),
        (300, {"AD": 0x92, "nDataStb": 1}),
        (360, {"nWrite": 1, "AD": RELEASED}),
    ]
    changes = [change for change in changes if change != (300, {"nDataStb": 1})]
    assert rows_of(decode_changes(changes), "kind", "data") == [("write", "0x6D")]


def test_read_takes_the_byte_that_stands_until_the_strobe_rises() -> None:
    """Read steps 5 to 8 [L]: another byte before nWait, and none from the strobe's rise on."""
    changes: list[Change] = [
        (120, {"nAddrStb": 0}),
        (140, {"AD": 0x00}),
        (190, {"AD": 0x5E}),
        (200, {"nWait": 1}),
        (300, {"nAddrStb": 1, "AD": RELEASED}),
        (350, {"nWait": 0}),
    ]
    assert rows_of(decode_changes(changes), "kind", "data") == [("address-read", "0x5E")]


@pytest.mark.parametrize("make", [written, given])
def test_high_nwait_is_the_acknowledge(make: Callable[[int], list[Change]]) -> None:
    """Write step 4 [T], read step 6 [L]: without it nobody has answered."""
    answered = make(0x5E)
    silent = [change for change in answered if "nWait" not in change[1]]
    assert list(decode_changes(answered)["ended"]) == ["acknowledged"]
    assert list(decode_changes(silent)["ended"]) == ["unacknowledged"]


def test_nwait_may_be_high_from_the_begin() -> None:
    """EPP 1.7, read steps 3, 4 and 7 [L]: only a low nWait makes the host wait."""
    changes: list[Change] = [
        (50, {"nWait": 1}),
        (120, {"nDataStb": 0}),
        (150, {"AD": 0x5E}),
        (220, {"nDataStb": 1}),
        (230, {"AD": RELEASED}),
    ]
    table = decode_changes(changes)
    assert rows_of(table, "kind", "data", "ended") == [("read", "0x5E", "acknowledged")]


def test_intr_and_nreset_are_no_part_of_a_cycle() -> None:
    """Table 34 [L]: one interrupts, one resets; neither begins or ends a transfer."""
    changes: list[Change] = [
        *written(0x17),
        (150, {"Intr": 1}),
        (260, {"Intr": 0}),
        (500, {"nReset": 0}),
        (900, {"nReset": 1}),
        *given(0x28, at=1000),
    ]
    found = rows_of(decode_changes(changes), "kind", "data")
    assert found == [("write", "0x17"), ("read", "0x28")]


def test_intr_and_nreset_need_not_be_captured() -> None:
    """The two strobes, nWrite, nWait and the eight lines are enough."""
    table = decode_changes(written(0x17), without=("Intr", "nReset"))
    assert rows_of(table, "kind", "data", "ended") == [("write", "0x17", "acknowledged")]


def test_nwrite_may_stay_low_between_two_writes() -> None:
    """Read step 9 [L]: nWrite is changed for the next cycle, not for the end of this one."""
    before: list[Change] = [
        (moment, {"AD": 0xFF} if "AD" in lines and moment > 300 else lines)
        for moment, lines in written(0x17)
    ]
    table = decode_changes([*before, *written(0xE8, "nAddrStb", at=500)])
    assert rows_of(table, "kind", "data") == [("write", "0x17"), ("address-write", "0xE8")]


# What follows looks at the stored captures without the decoder.


class Pulse(NamedTuple):
    """One strobe pulse; moments in ns, None where nothing came."""

    strobe: str
    writes: bool
    found: dict[str, int | None]


@cache
def changes_of(name: str) -> dict[str, list[tuple[int, str]]]:
    """Give moments (ns) and new values of each line of a stored capture."""
    recorded = VCDVCD(str(EVIDENCE / f"{name}.vcd"))
    assert float(recorded.timescale["timescale"]) == 1e-9
    return {
        signal.split(".")[-1].split("[")[0]: list(recorded[signal].tv)
        for signal in recorded.signals
    }


def at(name: str, line: str, moment: int) -> str:
    """Give what a line shows at a moment, what changes just then included."""
    changes = changes_of(name)[line]
    return changes[bisect_right(changes, moment, key=lambda change: change[0]) - 1][1]


def last(moments: list[int], moment: int) -> int | None:
    """Give the latest of some moments that is not after another."""
    found = bisect_right(moments, moment) - 1
    return moments[found] if found >= 0 else None


def first(moments: list[int], moment: int) -> int | None:
    """Give the earliest of some moments that is not before another."""
    found = bisect_left(moments, moment)
    return moments[found] if found < len(moments) else None


def edges(name: str, line: str, level: str = "") -> list[int]:
    """Give the moments at which a line goes to a level, or changes at all."""
    return [t for t, value in changes_of(name)[line][1:] if level in ("", value)]


@cache
def pulses_of(name: str) -> list[Pulse]:
    """Find the strobe pulses of a stored capture, and what happens around each."""
    pulses = []
    turns, data = edges(name, "nWrite"), edges(name, "AD")
    waits, readies = edges(name, "nWait", "1"), edges(name, "nWait", "0")
    falls = sorted((t, strobe) for strobe in STROBES for t in edges(name, strobe, "0"))
    for begin, strobe in falls:
        end = first(edges(name, strobe, "1"), begin)
        assert end is not None, f"{strobe} stays low at {begin} ns"
        answer = first(waits, begin)
        answer = None if answer is None or answer > end else answer
        over = None if answer is None else first(readies, answer)
        writes = at(name, "nWrite", begin) == "0"
        after = [t for t in (first(turns, end), first(data, end)) if t is not None]
        pulses.append(
            Pulse(
                strobe,
                writes,
                {
                    "nWrite stands": last(turns, end),
                    "data stands": last(data, begin if writes else end - 1),
                    "strobe falls": begin,
                    "nWait rises": answer,
                    "strobe rises": end,
                    "nWait falls": over,
                    "host turns": min(after, default=None),
                    "data goes": None if writes else first(data, end),
                },
            )
        )
    return pulses


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("case", CASES["order"], ids=lambda case: case["where"])
def test_evidence_keeps_the_order_of_steps(name: str, case: dict[str, Any]) -> None:
    """The captures that decoding is held against do each step in its turn."""
    checked = 0
    for pulse in pulses_of(name):
        early, late = pulse.found[case["from"]], pulse.found[case["to"]]
        if pulse.writes != case["writes"] or pulse.found["nWait rises"] is None:
            continue
        if early is None or late is None:
            continue  # the lines stood so from the begin, or the capture ends
        checked += 1
        assert early <= late, f"{pulse}"
    assert checked >= 2


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "case", CASES["limits"], ids=lambda case: f"{case['where']}, {case['status']}"
)
def test_evidence_keeps_the_limits(name: str, case: dict[str, Any]) -> None:
    """The captures that decoding is held against are themselves inside the limits."""
    checked = 0
    for pulse in pulses_of(name):
        early, late = pulse.found[case["from"]], pulse.found[case["to"]]
        is_unanswered = pulse.found["nWait rises"] is None
        if is_unanswered != case.get("unanswered", False) or early is None or late is None:
            continue
        if case.get("writes", pulse.writes) != pulse.writes:
            continue
        checked += 1
        assert case.get("min", 0) <= late - early <= case.get("max", float("inf")), f"{pulse}"
    assert checked >= 1


@pytest.mark.parametrize("name", NAMES)
def test_evidence_keeps_the_full_interlock(name: str) -> None:
    """Write step 3 [T]: nWait is low where a strobe falls; never are both strobes low."""
    for pulse in pulses_of(name):
        begin, end = pulse.found["strobe falls"], pulse.found["strobe rises"]
        assert begin is not None
        assert end is not None
        assert at(name, "nWait", begin) == "0", f"{pulse}"
        other = STROBES[pulse.strobe == STROBES[0]]
        assert at(name, other, begin) == "1", f"{pulse}"
        assert not [t for t in edges(name, other) if begin <= t <= end], f"{pulse}"


@pytest.mark.parametrize("name", NAMES)
def test_evidence_has_data_that_stands(name: str) -> None:
    """Written bytes stand until nWait is low [T], read ones from nWait high to the strobe [L]."""
    data = edges(name, "AD")
    for pulse in pulses_of(name):
        found = pulse.found
        if found["nWait rises"] is None:
            continue
        begin = found["strobe falls"] if pulse.writes else found["nWait rises"]
        end = found["nWait falls"] if pulse.writes else found["strobe rises"]
        assert begin is not None
        assert end is not None
        assert "z" not in at(name, "AD", begin), f"{pulse}"
        assert not [t for t in data if begin < t < end], f"{pulse}"


@pytest.mark.parametrize("name", NAMES)
def test_evidence_has_every_kind_quick_and_slow(name: str) -> None:
    """Four kinds; answers within 20 ns and after more than a microsecond; one that never comes."""
    pulses = pulses_of(name)
    assert {(pulse.strobe, int(not pulse.writes)) for pulse in pulses} == {
        (case["strobe"], case["nWrite"]) for case in CASES["kinds"]
    }
    answers = [(pulse.found["nWait rises"], pulse.found["strobe falls"] or 0) for pulse in pulses]
    waits = [answer - begin for answer, begin in answers if answer is not None]
    assert min(waits) <= 20
    assert max(waits) > 1000
    assert len(waits) < len(pulses)
