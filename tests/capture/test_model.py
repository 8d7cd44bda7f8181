"""The Capture itself: packing, slices, chunks, and what it refuses."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from busdecode.capture import Capture, from_levels, join, pack_levels, split, words_for


def small() -> Capture:
    """Make two lines and four rows with x, z and a gap."""
    return from_levels(
        [-5, 0, 10, 20],
        {"AS": "1010", "D[0]": "01xz"},
        gaps=[False, False, True, False],
        end=30,
    )


def test_levels_come_back_as_given() -> None:
    """0, 1, x and z are coded 0, 1, 2, 3."""
    assert small().levels("D[0]").tolist() == [0, 1, 2, 3]
    assert small().levels("AS").tolist() == [1, 0, 1, 0]


def test_lines_are_packed_from_bit_0() -> None:
    """Line k is bit k of the row, and line 64 begins the next word."""
    names = [f"L{k}" for k in range(66)]
    capture = from_levels([0], {name: [int(k in (1, 64))] for k, name in enumerate(names)})
    assert capture.states.tolist() == [[2, 1]]
    assert capture.unknown is None
    assert (words_for(0), words_for(64), words_for(65)) == (1, 1, 2)
    assert pack_levels(np.array([[1, 1, 0]], dtype=np.uint8)).tolist() == [[3]]


def test_select_moves_lines_across_words() -> None:
    """Chosen lines are packed anew with their unknown bits."""
    levels = {f"L{k}": "01xz" if k == 65 else "0110" for k in range(70)}
    chosen = from_levels([0, 1, 2, 3], levels).select(["L65", "L2"])
    assert chosen.lines == ("L65", "L2")
    assert chosen.levels("L65").tolist() == [0, 1, 2, 3]
    assert chosen.levels("L2").tolist() == [0, 1, 1, 0]
    assert chosen.states.shape == (4, 1)


def test_rows_end_where_the_next_row_begins() -> None:
    """A slice holds until the row that follows it."""
    part = small().rows(1, 3)
    assert (part.times.tolist(), part.end) == ([0, 10], 20)
    assert small().rows(2, 4).end == 30


@pytest.mark.parametrize("rows", [1, 2, 3, 4, 9])
def test_join_undoes_split(rows: int) -> None:
    """Chunks of any size join to the capture they came from."""
    whole = small()
    parts = list(split(whole, rows))
    assert [len(part) for part in parts][:-1] == [rows] * (len(parts) - 1)
    again = join(parts)
    for field in ("times", "states", "unknown", "gaps"):
        assert np.array_equal(getattr(again, field), getattr(whole, field))
    for field in ("lines", "end", "resolution", "resolution_inferred", "source", "notes"):
        assert getattr(again, field) == getattr(whole, field)


def test_join_refuses_what_does_not_follow() -> None:
    """Other lines, a hole in time and another told resolution are no chunks of one capture."""
    one, two = split(small(), 2)
    with pytest.raises(ValueError, match="must begin at 30 ps, not -5"):
        join([two, one])
    with pytest.raises(ValueError, match="same lines"):
        join([one, two.select(["AS"])])
    with pytest.raises(ValueError, match="same resolution"):
        join([one, from_levels([10, 20], {"AS": "00", "D[0]": "00"}, 7)])
    with pytest.raises(ValueError, match="at least one"):
        join([])


def test_repr_is_one_short_line() -> None:
    """Size, span, resolution with units, and the source."""
    assert repr(small()) == (
        "Capture(2 lines, 4 rows, -5 ps .. 30 ps, resolution 5 ps inferred, 1 gaps, 'by hand')"
    )


def good() -> dict[str, Any]:
    """Give the fields of a capture that is right."""
    return {
        "lines": ("AS",),
        "times": np.array([0, 5], dtype=np.int64),
        "states": np.zeros((2, 1), dtype=np.uint64),
        "unknown": None,
        "gaps": None,
        "end": 5,
        "resolution": 5,
        "resolution_inferred": True,
        "source": "by hand",
        "notes": (),
    }


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("lines", ("AS", "AS"), "'AS' twice"),
        ("times", np.array([0, 5], dtype=np.int32), "times must be int64"),
        ("times", np.array([5, 5], dtype=np.int64), "times must rise strictly, not 5 then 5"),
        ("states", np.zeros((2, 2), dtype=np.uint64), r"states must be uint64 of shape \(2, 1\)"),
        ("unknown", np.zeros((1, 1), dtype=np.uint64), "unknown must be"),
        ("gaps", np.zeros(2, dtype=np.uint8), "gaps must be bool"),
        ("end", 4, "end must be 5 ps or later, not 4"),
        ("resolution", 0, "resolution must be 1 ps or more, not 0"),
    ],
)
def test_a_capture_that_does_not_fit_is_refused(field: str, value: object, said: str) -> None:
    """Each field is checked against the others."""
    Capture(**good())
    with pytest.raises(ValueError, match=said):
        Capture(**(good() | {field: value}))


def test_an_unknown_line_name_has_a_near_match() -> None:
    """A name that is not there names the one that was likely meant."""
    with pytest.raises(KeyError, match=r"no line is called 'D\[1\]'; did you mean 'D\[0\]'"):
        small().index("D[1]")


@pytest.mark.parametrize(("levels", "said"), [("01", "must have 1 levels"), ("q", "not 'q'")])
def test_levels_by_hand_are_checked(levels: str, said: str) -> None:
    """One level a row, and only 0, 1, x, z."""
    with pytest.raises(ValueError, match=said):
        from_levels([0], {"AS": levels})
