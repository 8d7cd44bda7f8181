"""Sets of candidates that nothing seen contradicts: small cases by hand, and laws."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdecode.diagnosis import count, joined, read_back, shares, together
from busdecode.errors import RequestError
from busdecode.predict import FaultRows, Foretold
from tests.diagnosis.readbacks import at_once, fault_of, log_of, model_of
from tests.diagnosis.told import Told

# Written and seen, a digit a bit; candidates, ``?`` where they leave a bit open; the sets.
CASES = [
    # Nothing was wrong: no candidate is needed.
    ("0000", "0000", ["0001", "????"], []),
    # One does.
    ("0000", "0001", ["0001", "0010", "0000"], [(0,)]),
    # Two, each with its own bit; a third that changes another bit is contradicted with any.
    ("0000", "0011", ["0001", "0010", "0100"], [(0, 1)]),
    # One that may do anything fits alone, and so in no pair.
    ("0000", "0011", ["????", "0001", "0010"], [(1, 2), (0,)]),
    # What one changes wrongly another may undo only where it leaves the bit open.
    ("0000", "0001", ["0011", "0010", "00?0"], [(0, 2)]),
    # One that leaves open all but what is wrong does not help.
    ("0000", "0011", ["000?", "1???"], []),
]


@pytest.mark.parametrize(("meant", "seen", "candidates", "expected"), CASES)
def test_smallest_sets_by_hand(
    meant: str, seen: str, candidates: list[str], expected: list[tuple[int, ...]]
) -> None:
    """Each set leaves nothing contradicted, and no part of it does."""
    evidence = Told.of([meant], [seen])
    found = together(evidence, evidence.foretell([[each] for each in candidates]))

    assert expected == [tuple(each for (each,) in one.members) for one in found]
    assert not found or sum(one.share for one in found) == pytest.approx(1)


def test_candidates_that_foretell_the_same_are_one_member() -> None:
    """The first and the third of four are alike, and so in the set together."""
    evidence = Told.of(["0000"], ["0011"])
    found = together(evidence, evidence.foretell([["0001"], ["0010"], ["0001"], ["1000"]]))

    assert [one.members for one in found] == [((0, 2), (1,))]
    assert found[0].explained == 1


def test_sets_that_must_explain_what_was_wrong() -> None:
    """The one that may do anything explains nothing."""
    evidence = Told.of(["0000"], ["0011"])
    rows = evidence.foretell([["????"], ["0001"], ["0010"]])

    assert [each.members for each in together(evidence, rows, explaining=True)] == [((1,), (2,))]


def test_chances_decide_between_one_rare_cause_and_two_common_ones() -> None:
    """One at 0.001 has odds of 1 to 999, two at 0.5 together of 1 to 1."""
    evidence = Told.of(["0000"], ["0011"])
    rows = evidence.foretell([["0011"], ["0001"], ["0010"]])
    chances = [np.array([0.001, 0.5, 0.5]), np.array([0.5, 0.001, 0.5])]
    found = [together(evidence, rows, chance=chance) for chance in chances]

    assert [[len(each.members) for each in sets] for sets in found] == [[2, 1], [1, 2]]
    assert [round(sets[0].share, 6) for sets in found] == [0.999, 0.999]


@pytest.mark.parametrize("chance", [0.0, 1.0])
def test_chances_of_candidates_are_neither_0_nor_1(chance: float) -> None:
    """What is out of the question, or certain, is no candidate."""
    evidence = Told.of(["0000"], ["0011"])
    with pytest.raises(RequestError, match=r"chances of candidates go from 0(\.5)? to (0\.5|1)"):
        together(evidence, evidence.foretell([["0011"], ["0001"]]), chance=np.array([0.5, chance]))


WORDS = st.text("01", min_size=3, max_size=3)
CANDIDATES = st.lists(st.text("01?", min_size=3, max_size=3), min_size=1, max_size=7)


@settings(derandomize=True, database=None, deadline=None, max_examples=150)
@given(st.tuples(WORDS, WORDS), st.tuples(WORDS, WORDS), st.data())
def test_found_are_all_the_smallest_sets_that_fit(
    meant: tuple[str, str], seen: tuple[str, str], data: st.DataObject
) -> None:
    """Held against every set of one or two, by the definition, bit by bit."""
    one, other = data.draw(CANDIDATES), data.draw(CANDIDATES)
    rows = [first + second for first, second in zip(one, other, strict=False)]
    healthy, shown = "".join(meant), "".join(seen)

    def is_left(some: tuple[str, ...]) -> bool:
        for at, (level, is_seen) in enumerate(zip(healthy, shown, strict=True)):
            told = {row[at] for row in some} - {level}
            if "?" not in told and (told.pop() if told else level) != is_seen:
                return False
        return True

    expected = set()
    if not is_left(()):
        alone = {row for row in rows if is_left((row,))}
        expected = {frozenset([row]) for row in alone}
        expected |= {
            frozenset(pair) for pair in combinations(sorted(set(rows) - alone), 2) if is_left(pair)
        }
    evidence = Told.of(meant, seen)
    found = together(evidence, evidence.foretell([[row[:3], row[3:]] for row in rows]), most=100)

    assert expected == {frozenset(rows[each[0]] for each in one.members) for one in found}
    assert len(expected) == len(found)


def test_one_candidate_joined_with_nothing_is_as_it_is() -> None:
    """Also where a healthy bus tells nothing: D3 is held high in a word that nobody wrote."""
    model = model_of("z80")
    evidence = read_back(model, log_of("w0=00 r0=08 r1=FF r1=F7"))
    faults = ["stuck D3 high", "bridge D2 D3 high-wins", "absent high", "stuck A0 low"]
    alone = evidence.foreteller.all(FaultRows(model, [fault_of(text) for text in faults]))
    sets = np.array([[at, -1] for at in range(len(faults))])
    found = joined(evidence, alone, sets)

    assert np.array_equal(alone.known & evidence.looked, found.known)
    assert np.array_equal(alone.words & found.known, found.words)
    assert (
        count(evidence, found).contradicted.tolist() == count(evidence, alone).contradicted.tolist()
    )


def test_two_held_lines_read_like_a_pair_that_is_tied() -> None:
    """After six words both fit; the tied pair is one cause, the held lines are two."""
    model = model_of("z80")
    words = (0xAA, 0xCC, 0xF0, 0x55, 0x33, 0x0F)
    evidence = read_back(model, at_once(words, (0x8A, 0xC8, 0xD0, 0x51, 0x13, 0x0B)))
    faults = ["bridge D2 D5 low-wins", "stuck D2 low", "stuck D5 low", "stuck D0 low"]
    rows = FaultRows(model, [fault_of(text) for text in faults])

    assert [each.members for each in together(evidence, rows)] == [((0,),), ((1,), (2,))]


def test_shares_of_nothing() -> None:
    """None has a share where there is none."""
    evidence = Told.of(["0000"], ["0001"])
    empty = Foretold(np.zeros((0, 1), dtype=np.uint64), np.zeros((0, 1), dtype=np.uint64))

    assert shares(np.zeros(0)).tolist() == []
    assert together(evidence, empty) == ()
