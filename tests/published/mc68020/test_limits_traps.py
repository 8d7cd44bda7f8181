"""Traps of the MC68020's AC limits, on cycles typed by hand from the states of section 5.

Limits and their numbers: M68020 User's Manual (1992), section 10, read at second hand. Order of the
states, and answers that stay into the next cycle: sections 5.2 and 5.5, read. See SOURCE.md.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from busdecode.cycles import decode_capture
from busdecode.protocol import load_bus
from tests.timing.typed import Lines, found, replayed_at, result, typed_capture

if TYPE_CHECKING:
    from busdecode.capture import Capture
    from busdecode.timing import Replayed


WIRES = {
    "A": range(31, -1, -1),
    "D": range(31, -1, -1),
    "FC": range(2, -1, -1),
    "SIZ": range(1, -1, -1),
}
CONTROL = ("AS", "DS", "R/W", "DSACK1", "DSACK0", "BERR", "DBEN")
AT_FIRST: Lines = {**dict.fromkeys(CONTROL, 1), "A": 0, "D": 0, "FC": 0, "SIZ": 0}

# A long read and a long write of a port of 32 bits at 16.67 MHz, ns, each with one wait state. A
# state is 30 ns: S0 of the read at 0, S0 of the write at 240; even states have the clock high. The
# delays are chosen inside the limits.
CYCLES: dict[str, tuple[int, Lines]] = {
    "read address": (12, {"A": 0x5A30C4, "FC": 5, "SIZ": 0}),
    "read strobes low": (40, {"AS": 0, "DS": 0}),
    "read DBEN low": (70, {"DBEN": 0}),
    "read D": (120, {"D": 0x96C3E178}),
    "read DSACK1 low": (130, {"DSACK1": 0}),
    "read DSACK0 low": (138, {"DSACK0": 0}),
    "read strobes high": (220, {"AS": 1, "DS": 1}),
    "read D off": (232, {"D": 0}),
    "read DBEN high": (238, {"DBEN": 1}),
    "read DSACK high": (245, {"DSACK1": 1, "DSACK0": 1}),
    "write R/W low": (245, {"R/W": 0}),
    "write address": (255, {"A": 0x5A30C8}),
    "write AS low": (285, {"AS": 0}),
    "write DBEN low": (290, {"DBEN": 0}),
    "write D": (305, {"D": 0x0F5AA53C}),
    "write DS low": (340, {"DS": 0}),
    "write DSACK1 low": (355, {"DSACK1": 0}),
    "write DSACK0 low": (355, {"DSACK0": 0}),
    "write AS high": (460, {"AS": 1}),
    "write DS high": (460, {"DS": 1}),
    "write DSACK high": (485, {"DSACK1": 1, "DSACK0": 1}),
    "write off": (490, {"R/W": 1, "A": 0, "FC": 0, "D": 0, "DBEN": 1}),
}
HALF_CLOCK = 30
NEVER = None


def captured(moved: dict[str, int | None] | None = None, *, clocked: bool = True) -> Capture:
    """Make the two cycles with some of their edges moved to other moments, ns, or left out."""
    changes: list[tuple[int, Lines]] = []
    for name, (usual, lines) in CYCLES.items():
        moment = (moved or {}).get(name, usual)
        if moment is not NEVER:
            changes.append((moment, lines))
    at_first = dict(AT_FIRST)
    if clocked:
        at_first["CLK"] = 0
        changes += [(half * HALF_CLOCK, {"CLK": 1 - half % 2}) for half in range(24)]
    in_ps = [(moment * 1_000, lines) for moment, lines in changes]
    return typed_capture(at_first, WIRES, in_ps, first=-200_000, end=1_000_000)


def replayed(capture: Capture, grade: str = "16.67 MHz") -> Replayed:
    """Replay a capture."""
    return replayed_at(capture, "mc68020", grade)


def test_the_cycles_meet_every_limit() -> None:
    """Section 10 at 16.67 MHz; AS is low in the read for 180 ns (14), then high for 65 (15)."""
    whole = replayed(captured())

    assert [each.limit.number for each in whole.results if each.broken] == []
    assert whole.beats == 2
    assert (result(whole, "14").highest, result(whole, "15").lowest) == (180_000, 65_000)


@pytest.mark.parametrize(
    ("grade", "skew", "named"),
    [
        ("16.67 MHz", 8, False),
        ("16.67 MHz", 13, False),
        ("16.67 MHz", 17, True),
        ("20 MHz", 8, False),
        ("20 MHz", 13, True),
        ("33.33 MHz", 13, True),
    ],
)
@pytest.mark.parametrize("late", ["DSACK1", "DSACK0"])
def test_dsack_skew_is_named(grade: str, skew: int, named: bool, late: str) -> None:
    """31A, 15 ns at 16.67 MHz and 10 ns above: whichever of the two comes last."""
    early = "DSACK0" if late == "DSACK1" else "DSACK1"
    moved: dict[str, int | None] = {f"read {early} low": 130, f"read {late} low": 130 + skew}
    whole = replayed(captured(moved), grade)

    assert ("31A" in found(whole)) is named
    assert result(whole, "31A").highest == skew * 1000


def test_dsack_skew_is_no_port_of_16_bits() -> None:
    """31A, Table 5-1: while one of the two is low a smaller port seems to answer; it has not."""
    table = decode_capture(captured(), load_bus("mc68020")).as_text()

    assert list(table["data"]) == ["0x96C3E178", "0x0F5AA53C"]


def test_a_port_of_16_bits_has_no_dsack_skew() -> None:
    """Table 5-1: DSACK1 alone answers; DSACK0 of the next cycle, 225 ns later, is not late."""
    whole = replayed(captured({"read DSACK0 low": NEVER}))

    assert result(whole, "31A").checked == 1
    assert (result(whole, "31A").highest, found(whole)) == (0, set())


def test_an_answer_may_stay_into_the_next_cycle() -> None:
    """28, 80 ns, and 5.5: 70 ns after the strobes, AS is low again, and it answers nothing."""
    whole = replayed(captured({"read DSACK high": 290}))

    assert (found(whole), result(whole, "28").highest) == (set(), 70_000)
    assert result(whole, "31A").checked == 2


def test_an_answer_that_stays_too_long_is_named() -> None:
    """28: 90 ns, where 80 are the most."""
    assert found(replayed(captured({"read DSACK high": 310}))) == {"28"}


def test_address_strobe_may_go_before_the_data_strobe() -> None:
    """14A, at least 40: of DS's own width, 45, not of what AS leaves of it, 38; both as in 12."""
    whole = replayed(captured({"write DS low": 423, "write AS high": 461, "write DS high": 468}))

    assert (found(whole), result(whole, "14A").lowest) == (set(), 45_000)


# 31 is 50 at most: in each, read data comes 60 ns after DSACK. Falls of the clock that sample are
# at 90, 150 and 210; the one at 210 latches the data.
MET_SET_UP: dict[str, int | None] = {
    "read DSACK1 low": 130,
    "read DSACK0 low": 130,
    "read D": 190,
}
UNMET_SET_UP: dict[str, int | None] = {
    "read DSACK1 low": 147,
    "read DSACK0 low": 147,
    "read D": 207,
}


def test_late_read_data_is_named_where_the_answer_came_at_any_time() -> None:
    """31 binds where 47A, 5 ns at least and here 3, is not met; 27 is not met either, by 2."""
    whole = replayed(captured(UNMET_SET_UP))

    assert found(whole) == {"27", "31"}


def test_late_read_data_is_lawful_where_the_answer_came_in_time() -> None:
    """Where 47A is met, by 15 ns here, 31 does not bind, and only 27 counts."""
    whole = replayed(captured(MET_SET_UP))

    assert (result(whole, "31").checked, found(whole)) == (0, set())
    assert result(whole, "27").met == 1


def test_late_read_data_warns_where_the_clock_was_not_captured() -> None:
    """Without the clock nobody can tell whether 47A is met."""
    whole = replayed(captured(MET_SET_UP, clocked=False))

    assert (result(whole, "31").is_warning, found(whole)) == (True, set())
