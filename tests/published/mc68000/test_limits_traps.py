"""Traps of the MC68000's AC limits, on cycles typed by hand from the states of 5.1.1 and 5.1.2.

Limits and their numbers: M68000UM/AD, 9th edition, section 10.10 (pp. 10-10 to 10-12).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.timing.typed import Lines, found, replayed_at, result, typed_capture

if TYPE_CHECKING:
    from busdecode.timing import Replayed


AT_FIRST: Lines = {
    **dict.fromkeys(("AS", "UDS", "LDS", "R/W", "DTACK", "BERR"), 1),
    "A": None,
    "D": None,
    "FC": 0,
}
STROBES_LOW: Lines = {"AS": 0, "UDS": 0, "LDS": 0}
STROBES_HIGH: Lines = {"AS": 1, "UDS": 1, "LDS": 1}
HALF_CLOCK_PS = 62_500
"""At 8 MHz."""
WIRES = {"A": range(23, 0, -1), "D": range(15, -1, -1), "FC": range(2, -1, -1)}

# A read and a write without wait states at 8 MHz, ns. A state is 62.5 ns: S0 of the read at 0, S0
# of the write at 500; even states have the clock high. The delays are chosen inside the limits.
CYCLES: dict[str, tuple[int, Lines]] = {
    "read FC": (50, {"FC": 5}),
    "read A": (102, {"A": 0x40A2C4}),
    "read strobes low": (165, STROBES_LOW),
    "read DTACK low": (230, {"DTACK": 0}),
    "read D": (260, {"D": 0x6B91}),
    "read strobes high": (477, STROBES_HIGH),
    "read D off": (500, {"D": None}),
    "read DTACK high": (520, {"DTACK": 1}),
    "read A off": (527, {"A": None}),
    "write A": (602, {"A": 0x40A2C6}),
    "write AS low": (665, {"AS": 0}),
    "write R/W low": (668, {"R/W": 0}),
    "write D": (720, {"D": 0x3C5A}),
    "write DS low": (790, {"UDS": 0, "LDS": 0}),
    "write DTACK low": (800, {"DTACK": 0}),
    "write strobes high": (977, STROBES_HIGH),
    "write DTACK high": (1020, {"DTACK": 1}),
    "write off": (1030, {"A": None, "R/W": 1}),
    "write D off": (1030, {"D": None}),
}


def replayed(
    grade: str, moved: dict[str, int] | None = None, *, clocked: bool, resolution_ns: int = 1
) -> Replayed:
    """Replay the two cycles with some of their edges moved to other moments, ns."""
    changes: list[tuple[int, Lines]] = [
        ((moved or {}).get(name, moment) * 1000, lines) for name, (moment, lines) in CYCLES.items()
    ]
    at_first = dict(AT_FIRST)
    if clocked:
        at_first["CLK"] = 0
        changes += [(half * HALF_CLOCK_PS, {"CLK": 1 - half % 2}) for half in range(24)]
    capture = typed_capture(
        at_first, WIRES, changes, first=-200_000, end=1_500_000, resolution=resolution_ns * 1_000
    )
    return replayed_at(capture, "mc68000", grade)


def test_the_cycles_meet_every_limit() -> None:
    """5.1.1, 5.1.2: four clocks a cycle; AS is low for 2.5 (#14), and high for 1.5 (#15)."""
    whole = replayed("8 MHz", clocked=True)

    assert [each.limit.number for each in whole.results if each.broken] == []
    assert whole.beats == 2
    assert (result(whole, "14").lowest, result(whole, "15").lowest) == (312_000, 188_000)


@pytest.mark.parametrize("lag", range(10))
def test_direction_may_lag_the_address_strobe(lag: int) -> None:
    """#20A, all grades: R/W low up to 10 ns after AS is met, though AS is there first."""
    whole = replayed("8 MHz", {"write R/W low": 665 + lag}, clocked=False)

    assert (result(whole, "20A").met, found(whole)) == (1, set())


def test_a_lag_at_the_limit_is_not_broken() -> None:
    """#20A is 10 ns at most: what is 10 ns, uncertain by 1, is neither met nor broken."""
    whole = replayed("8 MHz", {"write R/W low": 675}, clocked=False)

    assert (result(whole, "20A").unsure, found(whole)) == (1, set())


@pytest.mark.parametrize(("resolution", "named"), [(1, {"20A"}), (10, {"20A"}), (20, set())])
def test_a_lag_of_25_ns_is_named_where_the_samples_can_tell(
    resolution: int, named: set[str]
) -> None:
    """#20A is 10 ns at most: 25 ns is 15 outside, which samples 20 ns apart do not tell."""
    whole = replayed("8 MHz", {"write R/W low": 690}, clocked=False, resolution_ns=resolution)

    assert found(whole) == named


@pytest.mark.parametrize(("grade", "most"), [("8 MHz", 62), ("16.67 MHz 12F", 50)])
def test_late_written_data_is_named_after_the_clock_edge(grade: str, most: int) -> None:
    """#23 runs from the fall of the clock at 687.5 ns; the misprint of 550 would let all pass."""
    late = replayed(grade, {"write D": 689 + most}, clocked=True)
    early = replayed(grade, {"write D": 686 + most}, clocked=True)

    assert (result(late, "23").broken, result(late, "23").is_finding) == (1, True)
    assert result(early, "23").met == 1


def test_data_out_has_50_ns_at_16_67_mhz() -> None:
    """#23, column 16.67: 10.10 prints 550, a misprint; 10.11 has 50."""
    whole = replayed("16.67 MHz 12F", clocked=True)

    assert (result(whole, "23").least, result(whole, "23").most) == (None, 50_000)


@pytest.mark.parametrize(
    ("moved", "number"),
    [
        # #22, at least 80: 52 ns after R/W; data 45 ns before the strobe meets #26.
        pytest.param({"write D": 675, "write DS low": 720}, "22", id="strobe too soon after R/W"),
        # #25, at least 40: 20 ns after the strobes.
        pytest.param({"write D off": 997}, "25", id="write data let go too soon"),
        # #28, at most 240: 300 ns after the strobes.
        pytest.param({"write DTACK high": 1277}, "28", id="DTACK held too long"),
    ],
)
def test_derived_violations_are_named(moved: dict[str, int], number: str) -> None:
    """Derived from 10.10 at 8 MHz: what an edge outside one limit breaks has its number."""
    whole = replayed("8 MHz", moved, clocked=False)

    assert found(whole) == {number}
    assert result(whole, number).broken == 1


# #31 is 90 at most: in each, read data comes 100 ns after DTACK. The edge that samples DTACK is
# the fall of the clock at 312.5 (end of S4); the one that latches the data is at 437.5.
MET_SET_UP = {"read DTACK low": 230, "read D": 330}
UNMET_SET_UP = {"read DTACK low": 306, "read D": 406}


def test_late_read_data_is_named_where_the_acknowledge_came_at_any_time() -> None:
    """#31 binds where #47 (10 ns at least, here 6.5) is not met: notes of 10.10."""
    whole = replayed("8 MHz", UNMET_SET_UP, clocked=True)

    assert found(whole) == {"31"}
    assert result(whole, "31").worst.value == 100_000  # type: ignore[union-attr]


def test_late_read_data_is_lawful_where_the_acknowledge_came_in_time() -> None:
    """Where #47 is met (82.5 ns here) #31 does not bind, and only #27 counts: notes of 10.10."""
    whole = replayed("8 MHz", MET_SET_UP, clocked=True)

    assert (result(whole, "31").checked, found(whole)) == (0, set())
    assert result(whole, "27").met == 1


def test_late_read_data_warns_where_the_clock_was_not_captured() -> None:
    """Without the clock nobody can tell whether #47 is met: #31 is broken, but only warns."""
    whole = replayed("8 MHz", MET_SET_UP, clocked=False)

    assert (result(whole, "31").is_warning, found(whole)) == (True, set())
