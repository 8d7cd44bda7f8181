"""Traps of the VMEbus rules, on a read and a write of 16 bits typed by hand.

Sources by their marks in SOURCE.md: A, the list of modifier codes; C, the address 35 ns before AS
at the master and 10 ns at a slave; V, the order of a read with address pipelining. All other
figures are from memory, so that what breaks them can only warn.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.timing.typed import Lines, found, replayed_at, result, typed_capture, warned

if TYPE_CHECKING:
    from busdecode.timing import Replayed


WIRES = {"A": range(31, 0, -1), "AM": range(5, -1, -1), "D": range(31, -1, -1)}
CONTROL = ("AS", "DS1", "DS0", "WRITE", "DTACK", "BERR", "IACK", "LWORD")
IDLE: Lines = {**dict.fromkeys(CONTROL, 1), **dict.fromkeys(WIRES, -1)}
"""All lines high; the bits of a byte address, a code, or data otherwise."""

MASTER, SLAVE = "at the master", "at the slave"

# ns. The write's address comes out while the read's strobes are still low, once DTACK is (V).
CYCLES: dict[str, tuple[int, Lines]] = {
    "read AM": (0, {"AM": 0x39}),
    "read address": (0, {"A": 0x3C52A4}),
    "read AS low": (45, {"AS": 0}),
    "read DS1 low": (100, {"DS1": 0}),
    "read DS0 low": (104, {"DS0": 0}),
    "read D": (170, {"D": -0x10000 | 0xA55B}),
    "read DTACK low": (190, {"DTACK": 0}),
    "read AS high": (200, {"AS": 1}),
    "write address": (210, {"A": 0x3C52A8}),
    "write AS low": (255, {"AS": 0}),
    "read DS1 high": (260, {"DS1": 1}),
    "read DS0 high": (266, {"DS0": 1}),
    "read D off": (280, {"D": -1}),
    "read DTACK high": (290, {"DTACK": 1}),
    "write WRITE low": (300, {"WRITE": 0}),
    "write D": (305, {"D": -0x10000 | 0x3CC3}),
    "write DS0 low": (350, {"DS0": 0}),
    "write DS1 low": (354, {"DS1": 0}),
    "write DTACK low": (420, {"DTACK": 0}),
    "write D off": (430, {"D": -1}),
    "write strobes high": (460, {"DS1": 1, "DS0": 1}),
    "write AS high": (470, {"AS": 1}),
    "write DTACK high": (480, {"DTACK": 1}),
    "write off": (490, {"A": -1, "AM": -1, "WRITE": 1}),
}


def replayed(grade: str, moved: dict[str, int] | None = None, *, modifier: int = 0x39) -> Replayed:
    """Replay the two cycles with some of their edges moved to other moments, ns."""
    changes: list[tuple[int, Lines]] = [
        ((moved or {}).get(name, moment), {"AM": modifier} if name == "read AM" else lines)
        for name, (moment, lines) in CYCLES.items()
    ]
    in_ps = [(moment * 1_000, lines) for moment, lines in changes]
    capture = typed_capture(IDLE, WIRES, in_ps, first=-200_000, end=800_000)
    return replayed_at(capture, "vmebus", grade)


@pytest.mark.parametrize("grade", [MASTER, SLAVE])
def test_an_address_that_comes_before_the_strobes_go_breaks_nothing(grade: str) -> None:
    """V: the next address, and AS, may come once DTACK has; the read's strobes stay longer."""
    whole = replayed(grade)

    assert whole.beats == 2
    assert {each.limit.number for each in whole.results if each.broken or each.unsure} == set()
    assert result(whole, "AS low").lowest == 155_000
    assert result(whole, "answer away").lowest == 60_000


@pytest.mark.parametrize(
    ("grade", "skew", "named"),
    [
        # From memory: 10 ns at the master, 20 ns at a slave.
        pytest.param(MASTER, 8, set(), id="master, 8 ns"),
        pytest.param(MASTER, 12, {"strobe skew"}, id="master, 12 ns"),
        pytest.param(SLAVE, 8, set(), id="slave, 8 ns"),
        pytest.param(SLAVE, 18, set(), id="slave, 18 ns"),
        pytest.param(SLAVE, 22, {"strobe skew"}, id="slave, 22 ns"),
    ],
)
@pytest.mark.parametrize("beat", ["read DS0 low", "write DS1 low"])
def test_a_late_second_strobe_is_named(grade: str, skew: int, named: set[str], beat: str) -> None:
    """Whichever strobe is second, in a read and in a write; what is from memory only warns."""
    first = {"read DS0 low": 100, "write DS1 low": 350}[beat]
    whole = replayed(grade, {beat: first + skew})

    assert (warned(whole), found(whole)) == (named, set())
    assert result(whole, "strobe skew").highest == skew * 1000


@pytest.mark.parametrize(
    ("before", "named"),
    [
        pytest.param(8, {MASTER, SLAVE}, id="8 ns"),
        pytest.param(20, {MASTER}, id="20 ns"),
        pytest.param(33, {MASTER}, id="33 ns"),
        pytest.param(37, set(), id="37 ns"),
    ],
)
def test_the_address_set_up_is_another_at_each_end(before: int, named: set[str]) -> None:
    """C: 35 ns at the master, of which 10 ns are left at a slave; read, so a finding."""
    named_at = {
        grade: found(replayed(grade, {"read address": 45 - before, "read AM": 0}))
        for grade in (MASTER, SLAVE)
    }

    assert named_at == {
        grade: {"address set-up"} if grade in named else set() for grade in named_at
    }


@pytest.mark.parametrize(
    ("grade", "after", "named"),
    [
        # From memory: valid at DTACK at the slave; 25 ns after it at the master.
        pytest.param(SLAVE, 15, {"read data"}, id="slave, 15 ns"),
        pytest.param(MASTER, 15, set(), id="master, 15 ns"),
        pytest.param(MASTER, 27, {"read data"}, id="master, 27 ns"),
    ],
)
def test_read_data_may_follow_the_acknowledge_at_the_master(
    grade: str, after: int, named: set[str]
) -> None:
    """What the backplane does to the order of data and DTACK is lawful where it is seen."""
    whole = replayed(grade, {"read D": 190 + after})

    assert (warned(whole), found(whole)) == (named, set())


@pytest.mark.parametrize(
    ("moved", "number"),
    [
        # DTACK 5 ns before the second strobe rises, though after the first one.
        pytest.param({"read DTACK high": 261}, "answer stays", id="answer goes too soon"),
        # DTACK 15 ns into the write's strobes: it is the read's.
        pytest.param({"read DTACK high": 365}, "answer away", id="answer stays too long"),
        # Written data 10 ns before DTACK.
        pytest.param({"write D off": 410}, "data hold", id="written data goes too soon"),
    ],
)
def test_each_step_of_the_handshake_is_looked_at(moved: dict[str, int], number: str) -> None:
    """Order of strobes, DTACK and data, from memory."""
    whole = replayed(MASTER, moved)

    assert number in warned(whole)
    assert found(whole) == set()


@pytest.mark.parametrize(
    ("modifier", "codes"),
    [
        pytest.param(0x3D, set(), id="A24 supervisor data"),
        pytest.param(0x10, set(), id="the user's own"),
        pytest.param(0x22, {("modifier", "0x22")}, id="reserved"),
        pytest.param(0x33, {("modifier", "0x33")}, id="reserved too"),
    ],
)
def test_a_reserved_modifier_is_named(modifier: int, codes: set[tuple[str, str]]) -> None:
    """A: 10 to 1F are the user's own; 22 to 28 and 33 are reserved."""
    assert {(each.what, each.value) for each in replayed(SLAVE, modifier=modifier).codes} == codes
