"""Begins and ends of cycles and beats, paired one after the other as the decoder defines it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdecode.cycles.decode import _alternate

ROWS = st.lists(st.integers(1, 30), unique=True, max_size=12).map(sorted)


def one_by_one(
    begins: list[int], ends: list[int], *, already_open: bool, joined: bool
) -> tuple[list[int], list[int]]:
    """Pair by walking over all rows; in one row the end comes first."""
    first, last = [], []
    is_open, closed_at = already_open, 0
    for row in range(1, 31):
        if row in ends and is_open:
            last.append(row)
            is_open, closed_at = False, row
        if row in begins and not is_open and (joined or row != closed_at):
            first.append(row)
            is_open = True
    return first, last


@given(begins=ROWS, ends=ROWS, already_open=st.booleans(), joined=st.booleans())
def test_first_end_after_a_begin_and_first_begin_after_that(
    begins: list[int], ends: list[int], already_open: bool, joined: bool
) -> None:
    """Whole arrays and compiled code pair as a walk over all rows does."""
    expected = one_by_one(begins, ends, already_open=already_open, joined=joined)
    arrays = np.array(begins, dtype=np.int64), np.array(ends, dtype=np.int64)

    paired = _alternate(*arrays, already_open=already_open, joined=joined)
    assert (paired[0].tolist(), paired[1].tolist()) == expected


def test_a_begin_after_one_that_does_not_count() -> None:
    """A begin in the row of an end is dropped; the next begin, before any end, counts."""
    begins, ends = np.array([1, 10, 15]), np.array([10, 20])

    first, last = _alternate(begins, ends, already_open=False, joined=False)

    assert (first.tolist(), last.tolist()) == ([1, 15], [10, 20])


@given(begins=ROWS, ends=ROWS, already_open=st.booleans(), joined=st.booleans())
def test_compiled_pairing_is_the_same(
    begins: list[int], ends: list[int], already_open: bool, joined: bool
) -> None:
    """The compiled walk gives what the whole arrays give."""
    kernels = pytest.importorskip(
        "busdecode.cycles.compiled_rows", reason="numba compiles the walk; it is not installed"
    )
    expected = one_by_one(begins, ends, already_open=already_open, joined=joined)
    arrays = np.array(begins, dtype=np.int64), np.array(ends, dtype=np.int64)

    paired = kernels.alternate(*arrays, already_open, joined)
    assert (paired[0].tolist(), paired[1].tolist()) == expected
