"""Pairs of lines that are never seen to differ; truth is what the synthesised target had."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdecode.access import Access
from busdecode.diagnosis import gather
from busdecode.diagnosis.ties import Ties, _bit_of, _packed, _touching
from busdecode.faults import RAILS
from tests.diagnosis.readbacks import BASE, fault_of, model_of
from tests.diagnosis.runs import foretold_by, off_by, run

SIZES = st.integers(2, 20)


def ties_of(fault: str | None, seed: int = 5) -> Ties:
    """Give what pairs of lines of a z80 show."""
    made = run("z80", fault, seed=seed)
    (ties,) = made.gathered(made.capture()).recorded[0].ties
    return ties


def wrong_pairs(ties: Ties) -> set[frozenset[str]]:
    """Give the pairs that should differ and were not seen to."""
    found = set()
    names = (*ties.lines, *RAILS)
    for one, other in combinations(range(len(names)), 2):
        word, bit = _bit_of(one, other, len(names))
        if ties.wrong[word] & bit:
            found.add(frozenset({names[one], names[other]}))
    return found


def test_a_tied_pair_does_not_differ_and_all_others_do() -> None:
    """Of D3 and D5 that are tied only this pair is wrong; a healthy bus has none."""
    assert wrong_pairs(ties_of(None)) == set()
    assert wrong_pairs(ties_of("bridge D3 D5 low-wins")) == {frozenset({"D3", "D5"})}


def test_lines_that_differ_speak_against_their_bridge() -> None:
    """With D3 and D5 tied, D2 and D4 are seen to differ, and so are not tied too."""
    ties = ties_of("bridge D3 D5 low-wins")

    assert off_by(ties, fault_of("bridge D3 D5 high-wins")) == []
    assert off_by(ties, fault_of("bridge D2 D4 low-wins")) != []
    assert off_by(ties, None) != []


def test_a_line_that_is_held_never_differs_from_those_at_its_level() -> None:
    """D3 stuck low is not contradicted; D3 stuck high, or D4 stuck low, is."""
    ties = ties_of("stuck D3 low")

    assert off_by(ties, fault_of("stuck D3 low")) == []
    assert off_by(ties, fault_of("stuck D3 high")) != []
    assert off_by(ties, fault_of("stuck D4 low")) != []


def test_a_line_that_is_held_is_never_at_the_other_level() -> None:
    """D3 stuck low never differs from ground; of a strobe, too, that moves, it is excluded."""
    ties = ties_of("stuck D3 low")

    assert frozenset({"D3", "ground"}) in wrong_pairs(ties)
    assert frozenset({"D3", "supply"}) not in wrong_pairs(ties)
    for strobe in ("stuck MREQ high", "stuck MREQ low", "stuck RD high"):
        assert off_by(ties, fault_of(strobe)) != []


@pytest.mark.parametrize("level", ["low", "high"])
@pytest.mark.parametrize(
    ("name", "strobe"),
    [("z80", "MREQ"), ("z80", "RD"), ("sram", "CS"), ("mc68000", "AS"), ("mc68000", "UDS")],
)
def test_a_strobe_that_is_held_never_differs_from_lines_that_the_host_keeps_there(
    name: str, strobe: str, level: str
) -> None:
    """Whatever the card does then: a rail is one of these, and here so are high address lines."""
    fault = fault_of(f"stuck {strobe} {level}", name)
    made = run(name, fault, seed=5)
    capture = made.capture()
    (ties,) = gather(model_of(name), [made.log], [capture]).recorded[0].ties
    foretold = foretold_by(ties, fault)

    assert off_by(ties, fault) == []
    told = int(np.bitwise_count(foretold.known[0] & ~foretold.words[0]).sum())
    assert told >= (2 if level == "low" else 1)


def test_a_line_tied_to_one_that_never_moves_is_as_if_held() -> None:
    """BUSRQ rests high: D3 tied to it, where it wins, does as one stuck high, but for BUSRQ."""
    ties = ties_of("stuck D3 high")
    at = [number for number in range(len(ties.lines)) if ties.is_still[number]]
    rails = ties.is_still[len(ties.lines) :].tolist(), ties.levels[len(ties.lines) :].tolist()

    assert at
    assert rails == ([True, True], [[True, False], [False, True]])
    for still in at:
        level = int(ties.levels[still, 1])
        rule = ("low-wins", "high-wins")[level]
        other = ("high-wins", "low-wins")[level]
        held = ties._held(fault_of(f"bridge D3 {ties.lines[still]} {rule}"))
        assert held == [(ties.lines.index("D3"), level, still)]
        assert ties._held(fault_of(f"bridge D3 {ties.lines[still]} {other}")) == []


def test_what_a_card_holds_that_nobody_wrote_to_need_not_differ() -> None:
    """Reads of a card that holds the same everywhere show no bridge, though lines go together."""
    reads = [Access("read", BASE + at, 1, None) for at in range(40)]
    made = run("z80", seed=1, accesses=reads)
    expected = made.gathered(made.capture()).recorded[0].ties[0]
    data = [f"D{bit}" for bit in range(8)]
    pairs = [(expected.lines.index(a), expected.lines.index(b)) for a, b in combinations(data, 2)]
    found = [_bit_of(a, b, len(expected.lines) + len(RAILS)) for a, b in pairs]

    assert not any(expected.expected[word] & bit for word, bit in found)


@settings(derandomize=True, database=None, deadline=None, max_examples=60)
@given(SIZES, st.randoms(use_true_random=False))
def test_pairs_are_numbered_in_the_order_of_a_plain_loop(size: int, rng: object) -> None:
    """Bit k of the words is the k-th pair of lines, the first line first."""
    pairs = np.array([[rng.random() < 0.5 for _ in range(size)] for _ in range(size)])
    pairs |= pairs.T
    words = _packed(pairs)
    number = 0
    for one in range(size):
        for other in range(one + 1, size):
            word, bit = _bit_of(other, one, size)
            assert (word, int(bit)) == (number // 64, 1 << number % 64)
            assert bool(words[word] & bit) is bool(pairs[one, other])
            number += 1
    assert sum(int(word).bit_count() for word in words) == int(np.triu(pairs, 1).sum())


@settings(derandomize=True, database=None, deadline=None, max_examples=30)
@given(SIZES)
def test_each_pair_touches_two_lines(size: int) -> None:
    """Of the masks of all lines each pair is in two, those of its own."""
    masks = _touching(size)
    for one, other in combinations(range(size), 2):
        word, bit = _bit_of(one, other, size)
        assert [at for at in range(size) if masks[at][word] & bit] == [one, other]
