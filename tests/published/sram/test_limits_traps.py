"""Which edges the limits of a write run to, where CS and WE do not go together.

Rule: HT6116-70 data sheet, page 4, write list and its notes 1 to 5; figures from the same list.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.timing.typed import Lines, found, replayed_at, result, typed_capture

if TYPE_CHECKING:
    from busdecode.timing import Replayed

WIRES = {"A": range(14, -1, -1), "D": range(7, -1, -1)}
END_OF_WRITE = {
    "tAW": 110_000,
    "tCW": 100_000,
    "tWP": 60_000,
    "tDW": 30_000,
    "tDH": 12_000,
    "tWR": 17_000,
}
"""What runs to or from the end at 200 ns, in ps, of the write that `replayed` has."""


def replayed(
    low: dict[str, tuple[int, int]],
    *,
    address: tuple[int, int] = (90, 217),
    data: tuple[int, int] = (170, 212),
) -> Replayed:
    """Replay one write: fall and rise of CS and WE, and where address and data stand, ns."""
    now: Lines = {"CS": 1, "WE": 1, "OE": 1, "A": 0x2CA8, "D": 0xD2}
    changes: list[tuple[int, Lines]] = [
        (address[0], {"A": 0x1357}),
        (address[1], {"A": 0x2CA8}),
        (data[0], {"D": 0x2D}),
        (data[1], {"D": 0xD2}),
    ]
    for line, (fall, rise) in low.items():
        changes += [(fall, {line: 0}), (rise, {line: 1})]
    in_ps = [(moment * 1_000, lines) for moment, lines in changes]
    capture = typed_capture(now, WIRES, in_ps, first=0, end=400_000)
    return replayed_at(capture, "sram", "HT6116-70")


@pytest.mark.parametrize(
    "low",
    [
        pytest.param({"CS": (100, 210), "WE": (140, 200)}, id="WE rises first"),
        pytest.param({"CS": (100, 200), "WE": (140, 210)}, id="CS rises first"),
        pytest.param({"CS": (100, 200), "WE": (140, 200)}, id="both rise together"),
    ],
)
def test_the_end_of_a_write_is_the_earlier_rise(low: dict[str, tuple[int, int]]) -> None:
    """Notes 3 to 5: CS raised 10 ns before WE moves every check of the end to CS."""
    whole = replayed(low)
    measured = {number: result(whole, number) for number in END_OF_WRITE}

    assert {number: each.lowest for number, each in measured.items()} == END_OF_WRITE
    assert {number: each.met for number, each in measured.items()} == dict.fromkeys(END_OF_WRITE, 1)


@pytest.mark.parametrize(
    ("address", "data", "named"),
    [
        # tDW, at least 20: 15 before CS, though 25 before WE.
        pytest.param((90, 217), (185, 217), {"tDW"}, id="set-up of the data"),
        # tDH, at least 5: 2 after CS; of WE it would be 8 before the end.
        pytest.param((90, 217), (170, 202), {"tDH"}, id="hold of the data"),
        # tWR, at least 5: 2 after CS.
        pytest.param((90, 202), (170, 217), {"tWR"}, id="hold of the address"),
        # Data and address may go between the two rises, once tDH and tWR are over.
        pytest.param((90, 207), (170, 207), set(), id="gone before WE rises"),
    ],
)
def test_cs_ends_the_write_where_it_rises_first(
    address: tuple[int, int], data: tuple[int, int], named: set[str]
) -> None:
    """CS rises at 200 ns, WE at 210: limits are broken, or met, by CS."""
    whole = replayed({"CS": (100, 200), "WE": (140, 210)}, address=address, data=data)

    assert found(whole) == named


@pytest.mark.parametrize(
    ("low", "address", "named"),
    [
        # 25 ns before the later fall, 15 after the earlier one.
        pytest.param({"CS": (140, 210), "WE": (100, 200)}, 115, set(), id="CS falls last"),
        pytest.param({"CS": (100, 210), "WE": (140, 200)}, 115, set(), id="WE falls last"),
        # 10 ns before the later fall.
        pytest.param({"CS": (140, 210), "WE": (100, 200)}, 130, {"tAS"}, id="too late for CS"),
        pytest.param({"CS": (100, 210), "WE": (140, 200)}, 130, {"tAS"}, id="too late for WE"),
    ],
)
def test_the_address_is_set_up_to_the_later_fall(
    low: dict[str, tuple[int, int]], address: int, named: set[str]
) -> None:
    """Note 1 and tAS, at least 20: from the address to where CS and WE are both low."""
    whole = replayed(low, address=(address, 217))

    assert result(whole, "tAS").lowest == (140 - address) * 1000
    assert found(whole) == named
