"""In how many rows lines stand beside others: held against the plain loop over pairs and rows."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdecode.capture import SWITCH, pack_levels, planes
from busdecode.compare import pairs as pairs_module
from busdecode.compare.pairs import Pairs

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Levels = list[list[int]]

LOST = 2


@pytest.fixture(params=["0", "1"], ids=["compiled", "plain"], autouse=True)
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Count both ways."""
    if request.param == "0":
        pytest.importorskip("numba", reason="numba compiles the loop; it is not installed")
    monkeypatch.setenv(SWITCH, request.param)
    return str(request.param)


@st.composite
def captures(draw: st.DrawFn, most: int = 140) -> Levels:
    """Levels of lines, 0, 1 or not known, row by row; few or many rows, often with ties."""
    lines = draw(st.integers(1, most))
    rows = draw(st.sampled_from([0, 1, 2, 63, 64, 65, 130]))
    random = np.random.default_rng(draw(st.integers(0, 2**32)))
    levels = random.integers(0, 2, (rows, lines))
    # Of two lines, each pair of levels alone, or all but one.
    for _ in range(draw(st.integers(0, 6))):
        one, two = random.integers(0, lines, 2)
        levels[:, one] = random.choice(
            [levels[:, two], 1 - levels[:, two], levels[:, two] | levels[:, one]]
        )
    share = draw(st.sampled_from([0.0, 0.0, 0.02, 0.5]))
    levels[random.random((rows, lines)) < share] = LOST
    return [row.tolist() for row in levels]


def packed(levels: Levels) -> tuple[NDArray[np.uint64], NDArray[np.uint64] | None]:
    """Pack levels as a capture has them; what is not known stands high as often as low."""
    array = np.array(levels, dtype=np.uint8)
    lost = array == LOST
    shown = np.where(lost, np.arange(array.size).reshape(array.shape) % 2, array)
    unknown = pack_levels(lost.astype(np.uint8)) if lost.any() else None
    return pack_levels(shown.astype(np.uint8)), unknown


def counted(some: Levels, others: Levels, level: int, other: int) -> list[list[int]]:
    """Count by a plain loop over pairs and rows."""
    return [
        [
            sum(one[a] == level and two[b] == other for one, two in zip(some, others, strict=True))
            for b in range(len(others[0]))
        ]
        for a in range(len(some[0]))
    ]


@given(captures(24), st.sampled_from([3, 64, 1 << 16]))
def test_rows_are_counted_as_a_plain_loop_counts_them(levels: Levels, at_once: int) -> None:
    """Within one place: every pair of lines and levels, however the rows come."""
    if not levels:
        return
    pairs = Pairs(len(levels[0]))
    for first in range(0, len(levels), at_once):
        pairs.feed(*packed(levels[first : first + at_once]))

    assert pairs.rows == len(levels)
    for level, other in product((0, 1), repeat=2):
        assert pairs.counts(level, other).tolist() == counted(levels, levels, level, other)


@given(captures(16), captures(70))
def test_two_places_are_counted_as_a_plain_loop_counts_them(here: Levels, there: Levels) -> None:
    """Lines of one place by lines of another, whatever is not known at either."""
    count = min(len(here), len(there))
    if not count:
        return
    here, there = here[:count], there[:count]
    pairs = Pairs(len(here[0]), len(there[0]))
    pairs.feed(*packed(here), *packed(there))

    for level, other in product((0, 1), repeat=2):
        assert pairs.counts(level, other).tolist() == counted(here, there, level, other)


def test_blocks_make_no_difference(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows counted in blocks of 100 give what all at once give."""
    random = np.random.default_rng(3)
    states = random.integers(0, 2**63, (1000, 2), dtype=np.uint64)
    unknown = states & random.integers(0, 2**63, (1000, 2), dtype=np.uint64)
    unknown[:500] = 0
    whole, parts = Pairs(128), Pairs(128)
    whole.feed(states, unknown)
    monkeypatch.setattr(pairs_module, "_ROWS_AT_ONCE", 100)
    parts.feed(states, unknown)

    for level, other in product((0, 1), repeat=2):
        np.testing.assert_array_equal(parts.counts(level, other), whole.counts(level, other))


def test_what_follows_and_what_differs_is_told() -> None:
    """Line 0 is low whenever line 1 is; line 2 always opposes line 0, but once is not known."""
    # Rows of the lines 0, 1, 2.
    pairs = Pairs(3)
    pairs.feed(*packed([[0, 0, 1], [0, 1, 1], [1, 1, 0], [1, 1, LOST]]))

    assert pairs.follows(0, 0)[1, 0]
    assert not pairs.follows(0, 0)[0, 1]
    assert pairs.follows(1, 0)[0, 2]
    assert pairs.differing().tolist() == [[0, 1, 3], [1, 0, 2], [3, 2, 0]]
    assert pairs.equal().tolist() == [
        [True, False, False],
        [False, True, False],
        [False] * 2 + [True],
    ]


def test_nothing_follows_from_what_was_never_seen() -> None:
    """Lines of which one is never known are neither equal nor does one follow the other."""
    pairs = Pairs(2)
    pairs.feed(*packed([[0, LOST], [1, LOST]]))

    assert not pairs.equal()[0, 1]
    assert not any(pairs.follows(*each)[0, 1] for each in product((0, 1), repeat=2))


@given(captures(130))
def test_planes_are_the_rows_turned(levels: Levels) -> None:
    """Bit i of a line's plane is the line's level in row i; nothing is set beyond the rows."""
    if not levels:
        return
    states, _ = packed(levels)
    turned = planes(states, len(levels[0]))
    bits = np.unpackbits(turned.astype("<u8").view(np.uint8), axis=1, bitorder="little")
    rows = np.unpackbits(states.astype("<u8").view(np.uint8), axis=1, bitorder="little")

    np.testing.assert_array_equal(bits[:, : len(levels)], rows[:, : len(levels[0])].T)
    assert not bits[:, len(levels) :].any()
