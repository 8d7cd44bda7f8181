"""Several causes, and what to measure next, against a file on fault theory.

References: fault-theory, sections 4.2 and 4.3. The example of three multipliers and two adders is
J. de Kleer and B. C. Williams, *Diagnosing Multiple Faults*, Artificial Intelligence 32, 1987, its
numbers read at second hand; probabilities and entropies are marked in the file as computed, an
enumeration from the definitions. The code that ranks faults of a bus must come to the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import chain, combinations, product
from typing import TYPE_CHECKING

import numpy as np
import pytest

from busdecode.diagnosis import (
    Outcomes,
    Scores,
    Step,
    count,
    joined,
    next_steps,
    read_back,
    shares,
    together,
)
from busdecode.diagnosis.evidence import Evidence
from busdecode.predict import Foretold
from tests.diagnosis.readbacks import fault_of, model_of, returned
from tests.published.test_next_write_oracles import EIGHTEEN, eighteen

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

COMPONENTS = ("A1", "A2", "M1", "M2", "M3")
INPUTS = {"A": 3, "B": 2, "C": 2, "D": 3, "E": 3}
SEEN = {"F": 10, "G": 12}
CHANCE = 0.01
BITS = 8
UNTOLD = 255


def products() -> dict[str, int]:
    """Give what the multipliers make: X, Y and Z."""
    a, b, c, d, e = INPUTS.values()
    return {"M1": a * c, "M2": b * d, "M3": c * e}


@dataclass(frozen=True, eq=False)
class Box(Evidence):
    """What is seen of F = X + Y and G = Y + Z, the sums A1 and A2 of M1, M2 and M3."""

    @classmethod
    def seen_as(cls, f: int, g: int) -> Box:
        """Give the evidence of both outputs."""
        sums = products()
        full = np.full(2, (1 << BITS) - 1, dtype=np.uint64)
        healthy = [sums["M1"] + sums["M2"], sums["M2"] + sums["M3"]]
        return cls(
            model=None,
            seen=np.array([f, g], dtype=np.uint64),
            looked=full,
            expected=np.array(healthy, dtype=np.uint64),
            known=full,
            of_lines=np.zeros(2, dtype=bool),
            notes=(),
            name="told",
        )

    def over(self, rows: Sequence[str]) -> Iterator[tuple[slice, Foretold]]:
        """Foretell both outputs with each component at fault.

        A component whose output reaches one of them leaves that one open. M2 reaches both, and
        gives both the same: it has a row for each value that it may give, as ``M2=4``.
        """
        words = np.tile(self.expected, (len(rows), 1))
        known = np.tile(self.known, (len(rows), 1))
        for row, name in enumerate(rows):
            component, _, value = name.partition("=")
            if component == "M2":
                words[row] = [int(value) + products()[other] for other in ("M1", "M3")]
            else:
                known[row, 0 if component in ("M1", "A1") else 1] = 0
        words &= known
        yield slice(0, len(rows)), Foretold(words, known)

    def first(self, count: int) -> Box:
        """Give all of it."""
        return self


# What M2 may give, so that sums fit into their bits; at fault it may also give 6, which is right.
GIVEN = range(200)
ROWS = ["A1", "A2", "M1", "M3", *(f"M2={value}" for value in GIVEN)]
BOX = Box.seen_as(**{name.lower(): value for name, value in SEEN.items()})


def sets_by_name() -> dict[frozenset[str], float]:
    """Give the smallest sets of components that fit, and how likely each is of them.

    A1 and M1 foretell the same, and so do A2 and M3: twins, of which each is as likely.
    """
    found = {}
    for each in together(BOX, ROWS, chance=np.full(len(ROWS), CHANCE)):
        some = list(product(*each.members))
        names = [frozenset(ROWS[place].partition("=")[0] for place in places) for places in some]
        found |= dict.fromkeys(names, each.share / len(some))
    return found


def test_smallest_diagnoses() -> None:
    """Two components alone, and two pairs; every one fits what was seen."""
    assert set(sets_by_name()) == {
        frozenset(names.split()) for names in ("A1", "M1", "A2 M2", "M2 M3")
    }


def test_conflicts_follow_from_the_smallest_diagnoses() -> None:
    """What each diagnosis has one of at least: A1, M1, M2 and A1, A2, M1, M3, none smaller."""
    every = chain.from_iterable(combinations(COMPONENTS, size) for size in range(1, 6))
    meeting = [set(some) for some in every if all(set(some) & each for each in sets_by_name())]
    smallest = [some for some in meeting if not any(other < some for other in meeting)]

    assert smallest == [{"A1", "M1", "M2"}, {"A1", "A2", "M1", "M3"}]


@cache
def fitting() -> dict[frozenset[str], float]:
    """Give all sets of components, of any size, that fit, with their shares.

    A set fits as well as another: the example has no likelihood for what a component at fault
    gives, so that chances alone count, not `Scores.weight`.
    """
    _, foretold = next(BOX.over(ROWS))
    subsets = list(chain.from_iterable(combinations(COMPONENTS, size) for size in range(6)))
    fits = {}
    for some in subsets:
        values = [f"M2={value}" for value in GIVEN] if "M2" in some else [""]
        names = [[value if name == "M2" else name for name in some] for value in values]
        places = [[ROWS.index(name) for name in each] for each in names]
        sets = np.array([each + [-1] * (5 - len(each)) for each in places], dtype=np.int64)
        if (count(BOX, joined(BOX, foretold, sets)).contradicted == 0).any():
            fits[frozenset(some)] = CHANCE ** len(some) * (1 - CHANCE) ** (5 - len(some))
    share = shares(np.zeros(len(fits)), np.array(list(fits.values())))
    return dict(zip(fits, share.tolist(), strict=True))


def test_how_many_of_all_sets_fit() -> None:
    """27 of 32; the others are none, M2, M3, A2, and A2 with M3."""
    assert len(fitting()) == 27
    assert not {frozenset(each.split()) for each in ("", "M2", "M3", "A2", "A2 M3")} & set(
        fitting()
    )


def test_sets_that_fit_are_those_with_a_smallest_one_in_them() -> None:
    """Where components may do anything, more of them fit as well."""
    smallest = list(sets_by_name())

    assert all(any(small <= some for small in smallest) for some in fitting())
    assert sum(any(small <= set(some) for small in smallest) for some in fitting()) == 27


@pytest.mark.parametrize(
    ("names", "share"), [("M1", 0.478), ("A1", 0.478), ("A2 M2", 0.0048), ("M2 M3", 0.0048)]
)
def test_how_likely_a_diagnosis_is(names: str, share: float) -> None:
    """Among all that fit; among the smallest ones in the same proportion, 99 to 1."""
    some, single = frozenset(names.split()), frozenset(["M1"])
    smallest = sets_by_name()

    assert fitting()[some] == pytest.approx(share, abs=5e-4 if share > 0.1 else 5e-5)
    assert smallest[some] / smallest[single] == pytest.approx(fitting()[some] / fitting()[single])


def at_point(point: str, faults: frozenset[str]) -> int | None:
    """Work out X, Y or Z from what was seen and the components that are not at fault."""
    made = products()
    values = {
        name: made[component]
        for name, component in (("X", "M1"), ("Y", "M2"), ("Z", "M3"))
        if component not in faults
    }
    sums = {"A1": ("X", "Y", SEEN["F"]), "A2": ("Y", "Z", SEEN["G"])}
    for _ in sums:
        for adder, (one, other, total) in sums.items():
            for known, wanted in ((one, other), (other, one)):
                if adder not in faults and known in values and wanted not in values:
                    values[wanted] = total - values[known]
    return values.get(point)


def outcomes_of(sets: Iterable[frozenset[str]]) -> Outcomes:
    """Give what each probe shows with each set; where it is not foretold all bits are open."""
    points = ("X", "Y", "Z")
    told = [[at_point(point, each) for each in sets] for point in points]
    return Outcomes(
        tuple(Step((), point) for point in points),
        np.array(
            [[UNTOLD if each is None else each for each in row] for row in told], dtype=np.int32
        ),
        np.array([[BITS * (each is None) for each in row] for row in told], dtype=np.int64),
    )


SHOWN = [
    ("X", {4: 0.4926, 6: 0.5024, UNTOLD: 0.0051}),
    ("Y", {6: 0.9901}),
    ("Z", {6: 0.9949}),
]


@pytest.mark.parametrize(("point", "expected"), SHOWN)
def test_what_a_probe_would_show(point: str, expected: dict[int, float]) -> None:
    """Added up over all 27; the rest is not foretold."""
    number = outcomes_of(fitting()).number["XYZ".index(point)]
    share = np.array(list(fitting().values()))
    found = {value: float(share[number == value].sum()) for value in set(number.tolist())}

    assert {value: round(found[value], 4) for value in expected} == expected
    assert point != "X" or set(found) == set(expected)


def test_best_probe() -> None:
    """X, which tells about one bit, far before the others."""
    share = np.array(list(fitting().values()))
    (best, gain), (_, next_gain), *_ = next_steps(outcomes_of(fitting()), share)

    assert best.purpose == "X"
    assert gain == pytest.approx(1, abs=0.05)
    assert next_gain < 0.1


def test_what_each_probe_tells_of_the_smallest_diagnoses() -> None:
    """The entropies of what X, Y and Z show with these four alone."""
    sets = sets_by_name()
    gains = outcomes_of(sets).gains(np.array(list(sets.values())))

    assert gains.round(4).tolist() == [0.9999, 0.0808, 0.0454]


# 4.2: the rows of the table of counts in which one line holds another low only.

RANKS = [
    ["bridge D2 D5 low-wins"],
    ["D2 holds D5 low", "D5 holds D2 low"],
    ["bridge D2 D5 a-wins", "bridge D2 D5 b-wins"],
    ["stuck D2 low", "stuck D5 low"],
]
HOLDING = {"D2 holds D5 low": (2, 5), "D5 holds D2 low": (5, 2)}


def scores_of(names: Sequence[str]) -> Scores:
    """Count the 18 observations; what no candidate stands for is worked out by its definition."""
    evidence = read_back(model_of("z80"), eighteen())
    rows = [
        [word & ~((~word >> HOLDING[name][0] & 1) << HOLDING[name][1]) for word in EIGHTEEN]
        if name in HOLDING
        else returned("z80", eighteen(), [fault_of(name)])[0]
        for name in names
    ]
    words = np.array(rows, dtype=np.uint64)
    return count(evidence, Foretold(words, np.full_like(words, 0xFF)))


def test_counts_of_a_line_that_holds_another_low_only() -> None:
    """The other rows of the table are in `test_next_write_oracles`."""
    scores = scores_of(list(HOLDING))
    columns = ("explained", "unexplained", "refuted", "agrees", "matched", "missed", "invented")
    found = [getattr(scores, name).tolist() for name in columns]

    assert found == [[2, 2], [2, 2], [0, 0], [14, 14], [2, 2], [2, 2], [0, 0]]


def test_order_of_the_hypotheses() -> None:
    """The tied pair is first, lines that hold low second, one that decides fourth, held sixth."""
    weights = [set(scores_of(names).weight.round(9).tolist()) for names in RANKS]
    firsts = [min(each) for each in weights]

    assert [len(each) for each in weights] == [1, 1, 1, 1]
    assert firsts == sorted(set(firsts), reverse=True)
