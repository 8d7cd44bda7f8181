"""Drawings are read as they are written, and a mistake in one is told."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from busdecode.protocol import load_bus
from tests.cycles.drawn import decoded, drawn, shown

if TYPE_CHECKING:
    from busdecode.capture import Capture

SRAM, VME = load_bus("sram"), load_bus("vmebus")


def levels(capture: Capture, name: str) -> str:
    """Give one line's levels, a character a row: 2 is x, 3 is z."""
    return "".join(str(level) for level in capture.levels(name).tolist())


def test_each_character_of_a_line_is_its_level_in_one_sample() -> None:
    """Edges have the level that they lead to."""
    capture = drawn(SRAM, r"CS ~\_/?-\_?~", ns=20)
    assert levels(capture, "CS") == "10123021"
    assert capture.times.tolist() == [0, 20_000, 60_000, 80_000, 100_000, 120_000, 160_000, 180_000]
    assert (capture.end, capture.resolution) == (200_000, 20_000)
    assert not capture.resolution_inferred


def test_bit_n_of_a_value_is_line_n() -> None:
    """A bundle may be a part of the bus's own."""
    capture = drawn(VME, "A[3:1]  XX=X  2 8 E\nD[15:8]  X=?-  8100")
    assert [levels(capture, f"A{bit}") for bit in (4, 3, 2, 1)] == ["1111", "0111", "0001", "1001"]
    assert [levels(capture, f"D{bit}") for bit in (16, 15, 9, 8, 7)] == [
        "1111",
        "1123",
        "0023",
        "1123",
        "1111",
    ]


def test_lines_that_are_not_drawn_stand_at_their_pull_or_low() -> None:
    """The chip has pulls on its strobes alone."""
    capture = drawn(SRAM, "A0 _/")
    assert [levels(capture, name) for name in ("A0", "A1", "D0", "CS")] == ["01", "00", "00", "11"]


def test_a_row_of_one_character_stays_so_throughout() -> None:
    """For a bundle it is one value, or nothing known."""
    capture = drawn(SRAM, "CS _\nA[14:0] X 7001\nD[7:0] ?\nWE ~\\_/")
    assert [levels(capture, name) for name in ("CS", "A14", "A1", "A0", "D7", "WE")] == [
        "000",
        "111",
        "000",
        "111",
        "222",
        "101",
    ]


def test_while_the_instrument_is_off_there_is_a_gap() -> None:
    """After it a line may have any level, without an edge."""
    capture = drawn(SRAM, "CS ~~##_\nA[14:0] X=##X 1 2")
    assert capture.gaps is not None
    assert capture.gaps.tolist() == [False, True, False]
    assert capture.times.tolist() == [0, 20_000, 40_000]
    assert levels(capture, "CS")[::2] == "10"
    assert levels(capture, "A1")[::2] == "01"
    again = drawn(SRAM, "CS ~##~")
    assert again.times.tolist() == [0, 10_000, 30_000]


def test_a_slower_instrument_sees_fewer_samples() -> None:
    """Here columns 0, 3, 6 and 9, and a row where one differs from the one before."""
    capture = drawn(SRAM, r"CS ~\__/~\__/", ns=5, every=3)
    assert levels(capture, "CS") == "101"
    assert capture.times.tolist() == [0, 15_000, 45_000]
    assert (capture.end, capture.resolution) == (50_000, 15_000)


def test_a_row_for_each_sample_where_asked_for() -> None:
    """Changes or none."""
    capture = drawn(SRAM, r"CS ~~\__/", each_sample=True)
    assert levels(capture, "CS") == "110001"
    assert capture.times.tolist() == list(range(0, 60_000, 10_000))


READ = r"""
    at      0....5....10
    A[14:0] X============  1234
    CS      ~~\______/~~~
    OE      ~~\______/~~~
    D[7:0]  ????X======??  A5
"""


def test_moments_are_shown_as_columns_and_what_is_missing_as_a_dot() -> None:
    """Whatever a character's length."""
    for ns in (1, 10, 250):
        assert shown(SRAM, READ, "kind data @start @end", ns=ns) == ["read 0xA5 2 9"]
    assert shown(SRAM, "CS _\nOE ~\\_", "kind data @data ended @end") == [". . . cut-off 3"]


def test_decoding_a_drawing_gives_its_table() -> None:
    """One read."""
    table = decoded(SRAM, READ)
    assert (len(table), table.address.tolist(), table.end.tolist()) == (1, [0x1234], [90_000])


MISTAKES = [
    ("CS ~\\_\nWE ~~", "WE must have 3 characters, not 2"),
    ("CS ~_", "CS: no edge is drawn at column 1"),
    ("CS _~", "CS: no edge is drawn at column 1"),
    ("CS ~/", "CS: nothing to rise from at column 1"),
    ("CS _\\", "CS: nothing to fall from at column 1"),
    ("CS \\_", "CS: nothing to fall from at column 0"),
    ("CS ~#/", "CS: nothing to rise from at column 2"),
    ("CS ~=", "CS: a line cannot show '=' at column 1"),
    ("CS ~~  1", "CS: a single line takes no values"),
    ("XY ~~", "XY: sram has no line XY"),
    ("A[15:0] X  1", "A[15:0]: sram has no line A15"),
    ("A[14:0] XX  1", "A[14:0]: no value is left for the X at column 1"),
    ("A[14:0] X=  1 2 A", "A[14:0]: values left over: 2, A"),
    ("A[14:0] X=  8000", "A[14:0]: 8000 has bits that are none of its lines"),
    ("A[14:1] X=  1", "A[14:1]: 1 has bits that are none of its lines"),
    ("A[14:0] =X  1", "A[14:0]: a bundle cannot show '=' at column 0"),
    ("A[14:0] X?=  1", "A[14:0]: a bundle cannot show '=' at column 2"),
    ("A[14:0] X_  1", "A[14:0]: a bundle cannot show '_' at column 1"),
    ("CS ~#~\nWE ~~~", "WE: column 1 must be off in all rows or in none"),
    ("CS ~~\nCS ~~", "CS must be drawn once, not twice"),
    ("at 0....6\nCS ~~~~~~", "the ruler shows 6 at column 5"),
]


@pytest.mark.parametrize(("drawing", "message"), MISTAKES, ids=[case[1] for case in MISTAKES])
def test_a_mistake_in_a_drawing_is_told(drawing: str, message: str) -> None:
    """Where it is, and what is wrong."""
    with pytest.raises(ValueError, match=re.escape(message)) as caught:
        drawn(SRAM, drawing)
    assert str(caught.value) == message
