"""Marches against figures had elsewhere: lengths, what they find, backgrounds; see SOURCE.md."""

from __future__ import annotations

import tomllib
from itertools import combinations, permutations, product
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from busdecode.faults import (
    IdempotentCoupling,
    InversionCoupling,
    NoTransition,
    WrongCells,
    store_faults,
)
from busdecode.plan import (
    MARCHES,
    backgrounds,
    is_always_found,
    march_coverage,
    open_window,
    parse_march,
    plan_march,
)
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from busdecode.faults import StoreFault

CASES: dict[str, Any] = tomllib.loads((Path(__file__).parent / "cases.toml").read_text("utf-8"))
TEXTS = {case["name"]: case["text"] for case in CASES["march"]}
BITS = (0, 1)


def named(case: dict[str, Any]) -> str:
    """Name a case by its march."""
    return str(case["name"])


@pytest.mark.parametrize("case", CASES["march"], ids=named)
def test_length(case: dict[str, Any]) -> None:
    """Each word gets so many operations."""
    assert parse_march(case["text"]).per_word == case["per_word"]


def test_marches_of_the_program_are_those_of_the_sources() -> None:
    """Every march that has a name in the program has the elements of its source."""
    assert {name: parse_march(TEXTS[name]) for name in MARCHES} == dict(MARCHES)


@pytest.mark.parametrize("case", [case for case in CASES["march"] if "found" in case], ids=named)
def test_single_faults_found(case: dict[str, Any]) -> None:
    """So many of each class are found from every beginning and in either order."""
    coverage = march_coverage(parse_march(case["text"]))
    decoder = [of for name, of in coverage.items() if name.startswith("decoder")]
    cells = ["stuck", "transition", "inversion", "idempotent", "state"]
    found = [coverage[name][0] for name in cells]
    found.insert(1, sum(found for found, _ in decoder))

    assert found == case["found"]
    assert [coverage[name][1] for name in cells] == [8, 8, 24, 48, 48]
    assert [total for _, total in decoder] == [8, 48, 12, 36]


def linked() -> list[list[tuple[StoreFault, StoreFault]]]:
    """Give pairs of faults of one victim that may mask each other, by class."""
    idempotent, inversion = IdempotentCoupling, InversionCoupling
    pairs = list(permutations(range(4), 2))
    triples = [
        (a, b, v) for v in range(4) for a, b in combinations([c for c in range(4) if c != v], 2)
    ]
    return [
        [
            (idempotent(a, v, edge, y), idempotent(b, v, other, 1 - y))
            for a, b, v in triples
            for edge, other, y in product(BITS, BITS, BITS)
        ],
        [(idempotent(a, v, 1, y), idempotent(a, v, 0, 1 - y)) for a, v in pairs for y in BITS],
        [
            (NoTransition(v, to), idempotent(a, v, edge, to))
            for a, v in pairs
            for to, edge in product(BITS, BITS)
        ],
        [
            (NoTransition(v, to), inversion(a, v, edge))
            for a, v in pairs
            for to, edge in product(BITS, BITS)
        ],
        [
            (inversion(a, v, edge), inversion(b, v, other))
            for a, b, v in triples
            for edge, other in product(BITS, BITS)
        ],
    ]


def test_numbers_of_linked_faults() -> None:
    """There are so many of each class on four cells."""
    assert [len(faults) for faults in linked()] == [96, 24, 48, 48, 48]


@pytest.mark.parametrize("case", [case for case in CASES["march"] if "linked" in case], ids=named)
def test_linked_faults_found(case: dict[str, Any]) -> None:
    """Couplings of two aggressors, of one, with a transition fault, and inversions of two."""
    march = parse_march(case["text"])

    assert [sum(is_always_found(march, 4, pair) for pair in faults) for faults in linked()] == case[
        "linked"
    ]


@pytest.mark.parametrize("name", ["mats+", "mats++"])
def test_inversion_on_the_fall_of_a_lower_cell_is_missed(name: str) -> None:
    """The exact six of 24 that both miss."""
    missed = [
        fault
        for fault in store_faults(4)["inversion"]
        if not is_always_found(MARCHES[name], 4, [fault])
    ]

    assert missed == [InversionCoupling(a, v, 0) for a, v in combinations(range(4), 2)]


def test_last_write_without_a_read_misses_a_coupling() -> None:
    """The exact six of 48 that the march without a last read misses."""
    march = parse_march(TEXTS["pmovi"])
    missed = [
        fault for fault in store_faults(4)["idempotent"] if not is_always_found(march, 4, [fault])
    ]

    assert missed == [IdempotentCoupling(a, v, 0, 1) for a, v in combinations(range(4), 2)]


def test_two_cells_read_as_their_and_are_missed_by_mats_alone() -> None:
    """The exact twelve of class D, and its complement finds them."""
    wrong = store_faults(4)["decoder D"]
    missed = [each for each in wrong if not is_always_found(MARCHES["mats"], 4, [each])]
    complement = parse_march("*(w1); *(r1,w0); *(r0)")

    assert missed == [WrongCells(((a, (a, b)),), "and") for a, b in permutations(range(4), 2)]
    assert all(is_always_found(complement, 4, [each]) for each in missed)


@pytest.mark.parametrize("name", TEXTS)
def test_dead_addresses_of_a_bus_that_keeps_its_value(name: str) -> None:
    """Where one dead address is found, and whether a memory that is missing is."""
    march = parse_march(TEXTS[name])
    every = tuple((cell, ()) for cell in range(4))
    found = [
        cell
        for cell in range(4)
        if is_always_found(march, 4, [WrongCells(((cell, ()),), floats="keep")])
    ]
    missing = is_always_found(march, 4, [WrongCells(every, floats="keep")])

    assert [found, missing] == CASES["dead"].get(name, CASES["dead"]["every_other"])


@pytest.mark.parametrize("name", TEXTS)
def test_dead_addresses_of_a_bus_with_pull_ups(name: str) -> None:
    """Where a dead address reads as ones, every march finds it."""
    march = parse_march(TEXTS[name])
    every = tuple((cell, ()) for cell in range(4))

    assert all(
        is_always_found(march, 4, [WrongCells(((cell, ()),), floats="high")]) for cell in range(4)
    )
    assert is_always_found(march, 4, [WrongCells(every, floats="high")])


@pytest.mark.parametrize("bits", CASES["backgrounds"])
def test_backgrounds(bits: str) -> None:
    """The words of the standard set, widest stripes first."""
    expected = [int(word, 16) for word in CASES["backgrounds"][bits].split()]

    assert backgrounds(int(bits)) == expected


def test_march_over_words_runs_once_a_background() -> None:
    """March C- over W words of 16 bits takes five times 10 W accesses."""
    plan = plan_march(open_window(load_bus("mc68000"), 0, 32), "march-c-", MARCHES["march-c-"])

    assert len(plan.steps) == 50 * 16
