"""Store faults: each kind by hand, and sizes at which only the cells of the fault count."""

from __future__ import annotations

import numpy as np
import pytest

from busdecode.faults import (
    CellStuck,
    IdempotentCoupling,
    InversionCoupling,
    NoTransition,
    Operations,
    StateCoupling,
    StoreFault,
    WrongCells,
    finds,
)
from busdecode.plan import MARCHES, march_operations


def done(text: str) -> Operations:
    """Read operations such as ``w0:1 r0:1``: what, address, value."""
    words = text.split()
    return Operations(
        np.array([int(word[1]) for word in words]),
        np.array([word[0] == "w" for word in words]),
        np.array([int(word[3]) for word in words]),
    )


CASES: list[tuple[str, StoreFault, list[bool]]] = [
    ("w0:1 r0:1", CellStuck(0, 0), [True, True]),
    ("w0:1 r0:1", CellStuck(0, 1), [False, False]),
    # From 0 it cannot rise; from 1 there is nothing to rise.
    ("w0:1 r0:1", NoTransition(0, 1), [True, False]),
    ("w0:1 w0:0 r0:0", NoTransition(0, 0), [True, True]),
    # Beginnings are 00, 01, 10, 11 of cells 0 and 1; the aggressor 0 rises from 0 only.
    ("w1:0 w0:1 r1:0", InversionCoupling(0, 1, 1), [True, True, False, False]),
    ("w1:0 w0:1 r1:0", IdempotentCoupling(0, 1, 1, 0), [False] * 4),
    ("w1:0 w0:1 r1:0", IdempotentCoupling(0, 1, 1, 1), [True, True, False, False]),
    ("w1:0 r1:0", StateCoupling(0, 1, 1, 1), [False, False, True, True]),
    ("w0:1 r0:1", WrongCells(((0, ()),), floats="low"), [True]),
    ("w0:1 r0:1", WrongCells(((0, ()),), floats="high"), [False]),
    # The bus keeps what was written last, here to another address.
    ("w0:1 r0:1", WrongCells(((0, ()),), floats="keep"), [False, False]),
    ("w0:1 w1:0 r0:1", WrongCells(((0, ()),), floats="keep"), [True, True]),
    ("w0:1 w1:0 r0:1", WrongCells(((0, (1,)),)), [True, True]),
    ("w0:1 w1:0 r0:1", WrongCells(((0, (0, 1)),), "and"), [True] * 4),
    ("w0:1 w1:0 r0:1", WrongCells(((0, (0, 1)),), "or"), [False] * 4),
]


@pytest.mark.parametrize(("text", "fault", "expected"), CASES)
def test_what_operations_find(text: str, fault: StoreFault, expected: list[bool]) -> None:
    """Check each beginning."""
    assert finds(done(text), [fault]).tolist() == expected


def test_first_read_of_a_dead_address_returns_what_the_bus_had() -> None:
    """Check both levels that the bus may have had."""
    found = finds(done("r0:1"), [WrongCells(((0, ()),), floats="keep")])

    assert found.tolist() == [True, False]


@pytest.mark.parametrize("size", [4, 1000])
def test_size_of_the_memory_does_not_matter(size: int) -> None:
    """Check faults of the first and the last cell, which MATS+ finds in one direction only."""
    operations = march_operations(MARCHES["mats+"], size, [1])
    last = size - 1
    found = [
        finds(operations, [InversionCoupling(a, v, edge)]).all()
        for a, v in ((0, last), (last, 0))
        for edge in (1, 0)
    ]

    assert found == [True, False, True, True]
