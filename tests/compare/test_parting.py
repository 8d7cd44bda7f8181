"""What flagged beats have in common: counts by plain loops, chances by another program."""

from __future__ import annotations

from itertools import product
from math import comb, log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from busdecode.capture import pack_levels
from busdecode.compare.chances import bits_told, log_chance, log_factorial
from busdecode.compare.parting import parting_of

NAMES = tuple(f"L{at}" for at in range(70))

tables = st.lists(
    st.tuples(*[st.integers(0, 60) | st.integers(0, 3)] * 4).filter(any), min_size=1, max_size=20
)


@given(tables)
def test_chances_are_those_of_fishers_exact_test(counts: list[tuple[int, ...]]) -> None:
    """SciPy's one-sided `fisher_exact`, table by table, ties and empty rows among them."""
    found = np.exp(log_chance(np.array(counts)))
    expected = [
        stats.fisher_exact(np.reshape(each, (2, 2)), alternative="greater").pvalue
        for each in counts
    ]

    np.testing.assert_allclose(found, expected, rtol=1e-9)


@pytest.mark.parametrize(
    "table",
    [
        (700_000, 1000, 1200, 300_000),
        (5000, 495_000, 4900, 495_100),
        (0, 9, 40, 99_999),
        (1000, 499_000, 499_000, 1000),
    ],
)
def test_chances_of_many_beats_are_those_of_the_distribution(table: tuple[int, ...]) -> None:
    """SciPy's tail of the hypergeometric distribution, also where the chance itself is 0."""
    a, b, c, d = table
    found = float(log_chance(np.array(table)))
    expected = float(stats.hypergeom.logsf(a - 1, a + b + c + d, a + c, a + b))

    assert found == pytest.approx(expected, rel=1e-6, abs=1e-9)


def test_four_cups_of_four_is_one_chance_in_seventy() -> None:
    """The tea tasting in R. A. Fisher, The Design of Experiments, chapter 2 (from memory)."""
    assert float(log_chance(np.array([4, 0, 0, 4]))) == pytest.approx(-log(comb(8, 4)))


@given(st.lists(st.integers(0, 10**9), min_size=1))
def test_factorials_are_those_of_the_gamma_function(numbers: list[int]) -> None:
    """SciPy's `gammaln`."""
    expected = special.gammaln(np.array(numbers, dtype=float) + 1)

    np.testing.assert_allclose(log_factorial(numbers), expected, rtol=1e-13, atol=1e-12)


@given(tables)
def test_bits_are_the_likelihood_ratio(counts: list[tuple[int, ...]]) -> None:
    """SciPy's G statistic, which is in nats and doubled: where no row or column is empty."""
    for each in counts:
        table = np.reshape(each, (2, 2))
        if (table.sum(axis=0) > 0).all() and (table.sum(axis=1) > 0).all():
            told = stats.chi2_contingency(table, correction=False, lambda_="log-likelihood")
            assert bits_told(np.array(each)) * 2 * log(2) == pytest.approx(told.statistic, abs=1e-9)


@given(st.integers(0, 2**32), st.integers(2, 70), st.integers(1, 40), st.sampled_from([0.0, 0.3]))
def test_beats_are_counted_as_a_plain_loop_counts_them(
    seed: int, lines: int, beats: int, lost: float
) -> None:
    """Every line at every level, and every pair, where both are known."""
    random = np.random.default_rng(seed)
    levels = random.integers(0, 2, (beats, lines))
    known = random.random((beats, lines)) >= lost
    flagged = random.integers(0, 2, beats) == 1
    parting = parting_of(
        flagged,
        pack_levels(levels.astype(np.uint8)),
        pack_levels(known.astype(np.uint8)),
        NAMES[:lines],
    )

    assert (parting.flagged, parting.beats) == (flagged.sum(), beats)
    found, pairs = parting.tables(), parting.pair_tables()
    for line, level in product(range(lines), (0, 1)):
        expected = [
            sum(
                bool(flagged[beat]) is is_flagged
                and bool(known[beat, line])
                and (levels[beat, line] == level) is np.bool_(is_at)
                for beat in range(beats)
            )
            for is_flagged, is_at in product((True, False), (True, False))
        ]
        assert found[line, level].tolist() == expected
    one, two = random.integers(0, lines, 2)
    both = known[:, one] & known[:, two]
    a, b = levels[:, one], levels[:, two]
    marks = [(a == i) & (b == j) for i, j in product((0, 1), repeat=2)] + [a == b]
    for sort, mark in enumerate(marks):
        expected = [
            int((both & (flagged == is_flagged) & (mark == is_at)).sum())
            for is_flagged, is_at in product((True, False), (True, False))
        ]
        assert pairs[sort, one, two].tolist() == expected


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ("level", "L7 is low"),
        ("both", "L7 is low and L40 is high"),
        ("either", "L7 is high or L40 is high"),
        ("equal", "L7 and L40 are equal"),
        ("opposed", "L7 and L40 differ"),
    ],
)
@pytest.mark.parametrize("noise", [0.0, 0.02])
@pytest.mark.parametrize("seed", range(4))
def test_the_mark_that_parts_is_named_first(how: str, said: str, noise: float, seed: int) -> None:
    """Of 70 lines in 400 beats, exactly and with one flag in fifty turned over."""
    random = np.random.default_rng(seed)
    levels = random.integers(0, 2, (400, 70))
    one, two = levels[:, 7] == 1, levels[:, 40] == 1
    marks = {"level": ~one, "both": ~one & two, "either": one | two}
    marks |= {"equal": one == two, "opposed": one != two}
    flips = random.random(400) < noise
    flagged = marks[how] ^ flips
    parting = parting_of(flagged, pack_levels(levels.astype(np.uint8)), None, NAMES)
    clue = parting.clues()[0]

    assert (str(clue), clue.how) == (said, how)
    assert clue.against == flips.sum()
    assert clue.chance < 1e-20


def test_luck_is_seldom_taken_for_a_mark() -> None:
    """Flags by chance: marks of one line and of two pass for one in 5 of 100 runs each at most."""
    told = 0
    for seed in range(100):
        random = np.random.default_rng(seed)
        levels = pack_levels(random.integers(0, 2, (60, 40)).astype(np.uint8))
        clues = parting_of(random.random(60) < 0.3, levels, None, NAMES[:40]).clues()
        told += bool(clues and clues[0].chance < 0.05)

    assert told <= 10


def test_nothing_parts_beats_that_are_all_flagged() -> None:
    """Without both sorts of beat, or without lines that move, there is no clue."""
    levels = pack_levels(np.tile(np.array([[0, 1]], dtype=np.uint8), (20, 1)))
    flags = np.arange(20) < 5

    assert parting_of(flags | True, levels, None, ("P", "Q")).clues() == []
    assert parting_of(flags, levels, None, ("P", "Q")).clues() == []
