"""Faults of what stores, not of lines: cells that fail, and addresses that reach wrong cells.

A memory here has cells of one bit, one an address. A fault is a value; `finds` runs a sequence
of writes and reads over the memory with faults in it, from every content that it may begin
with. Only operations that reach the cells of the fault are looked at, whatever the size.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, permutations, product
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

__all__ = [
    "CellStuck",
    "IdempotentCoupling",
    "InversionCoupling",
    "NoTransition",
    "Operations",
    "StateCoupling",
    "StoreFault",
    "WrongCells",
    "finds",
    "store_faults",
]

Bit = Literal[0, 1]
_BITS: tuple[Bit, Bit] = (0, 1)


@dataclass(frozen=True)
class CellStuck:
    """A cell that holds one value, whatever is written."""

    cell: int
    value: Bit


@dataclass(frozen=True)
class NoTransition:
    """A cell that a write cannot bring from the other value to `to`."""

    cell: int
    to: Bit


@dataclass(frozen=True)
class InversionCoupling:
    """A write that changes the aggressor to `edge` inverts the victim."""

    aggressor: int
    victim: int
    edge: Bit


@dataclass(frozen=True)
class IdempotentCoupling:
    """A write that changes the aggressor to `edge` makes the victim `forces`."""

    aggressor: int
    victim: int
    edge: Bit
    forces: Bit


@dataclass(frozen=True)
class StateCoupling:
    """While the aggressor holds `state`, the victim is `forces`."""

    aggressor: int
    victim: int
    state: Bit
    forces: Bit


@dataclass(frozen=True)
class WrongCells:
    """Addresses that reach other cells than their own.

    Parameters
    ----------
    reaches : tuple of (int, tuple of int)
        For each address that is wrong, the cells that it reaches; none where it is dead.
    joins : str
        What a read of several cells returns: ``and`` or ``or`` of them.
    floats : str
        What a read of a dead address returns: ``low``, ``high``, or, for ``keep``, the value
        of the operation before it, which the bus still holds.
    """

    reaches: tuple[tuple[int, tuple[int, ...]], ...]
    joins: Literal["and", "or"] = "and"
    floats: Literal["low", "high", "keep"] = "low"


StoreFault = (
    CellStuck | NoTransition | InversionCoupling | IdempotentCoupling | StateCoupling | WrongCells
)


@dataclass(frozen=True)
class Operations:
    """Writes and reads in order; T of them.

    Parameters
    ----------
    addresses : ndarray of int64, shape (T,)
    is_write : ndarray of bool, shape (T,)
    values : ndarray of int64, shape (T,)
        0 or 1: what is written, or what the read must return.
    """

    addresses: NDArray[np.int64]
    is_write: NDArray[np.bool_]
    values: NDArray[np.int64]


def finds(operations: Operations, faults: Sequence[StoreFault]) -> NDArray[np.bool_]:
    """Tell from which beginnings a sequence of operations finds faults that are there together.

    Parameters
    ----------
    operations : Operations
    faults : sequence of StoreFault
        At most one `WrongCells` among them.

    Returns
    -------
    ndarray of bool, shape (S,)
        One for each content that the cells of the faults may have at first, and, where a dead
        address keeps the bus's value, for each value that the bus may have.

    Notes
    -----
    A write to several cells changes all of them before couplings act. A cell that a coupling
    changes is no aggressor by that.

    Examples
    --------
    A cell written and read with 1 only is found to be stuck at 0, and not at 1:

    >>> once = Operations(np.array([5, 5]), np.array([True, False]), np.array([1, 1]))
    >>> [bool(finds(once, [CellStuck(5, value)]).any()) for value in (0, 1)]
    [True, False]
    """
    return _Run(faults).over(operations)


class _Run:
    def __init__(self, faults: Sequence[StoreFault]) -> None:
        self._faults = [fault for fault in faults if not isinstance(fault, WrongCells)]
        wrong = [fault for fault in faults if isinstance(fault, WrongCells)]
        self._reach = {address: cells for fault in wrong for address, cells in fault.reaches}
        self._decoder = wrong[0] if wrong else WrongCells(())
        cells = {cell for fault in self._faults for cell in _cells_of(fault)}
        cells.update(cell for reached in self._reach.values() for cell in reached)
        self._place = {cell: at for at, cell in enumerate(sorted(cells))}
        self._addresses = sorted({*self._reach, *cells})
        keeps = self._decoder.floats == "keep"
        levels = [*product((False, True), repeat=len(cells) + keeps)]
        starts = np.array(levels, dtype=bool).reshape(len(levels), -1).T
        self._bus = starts[len(cells)] if keeps else np.zeros(starts.shape[1], dtype=bool)
        self._state = starts[: len(cells)].copy()

    def over(self, operations: Operations) -> NDArray[np.bool_]:
        state, bus = self._state, self._bus
        found = np.zeros(len(bus), dtype=bool)
        taken_at = np.flatnonzero(np.isin(operations.addresses, self._addresses))
        addresses = operations.addresses.tolist()
        writes, values = operations.is_write.tolist(), operations.values.astype(bool).tolist()
        self._settle()
        last = -1
        for at in taken_at.tolist():
            if at and last != at - 1:  # what came between is healthy
                bus = np.full(len(bus), values[at - 1])
            cells = self._reach.get(addresses[at], (addresses[at],))
            places = [self._place[cell] for cell in cells]
            if writes[at]:
                self._write(cells, values[at])
                bus = np.full(len(bus), values[at])
            else:
                bus = self._read(state, places, bus)
                found |= bus != values[at]
            last = at
        return found

    def _read(
        self, state: NDArray[np.bool_], places: list[int], bus: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        if places:
            joined = np.all if self._decoder.joins == "and" else np.any
            return np.asarray(joined(state[places], axis=0))
        if self._decoder.floats == "keep":
            return bus
        return np.full(len(bus), self._decoder.floats == "high")

    def _write(self, cells: tuple[int, ...], value: bool) -> None:
        changed = {}
        for cell in cells:
            old = self._state[self._place[cell]].copy()
            new = np.full(len(old), value)
            for fault in self._faults:
                if isinstance(fault, NoTransition) and fault.cell == cell and fault.to == value:
                    new = old
                if isinstance(fault, CellStuck) and fault.cell == cell:
                    new = np.full(len(old), bool(fault.value))
            self._state[self._place[cell]] = new
            changed[cell] = old != new
        for fault in self._faults:
            if not isinstance(fault, InversionCoupling | IdempotentCoupling):
                continue
            if fault.aggressor in changed and fault.edge == value:
                acts = changed[fault.aggressor]
                victim = self._state[self._place[fault.victim]]
                if isinstance(fault, InversionCoupling):
                    victim ^= acts
                else:
                    victim[acts] = bool(fault.forces)
        self._settle()

    def _settle(self) -> None:
        for fault in self._faults:
            if isinstance(fault, CellStuck):
                self._state[self._place[fault.cell]] = bool(fault.value)
            elif isinstance(fault, StateCoupling):
                acts = self._state[self._place[fault.aggressor]] == bool(fault.state)
                self._state[self._place[fault.victim]][acts] = bool(fault.forces)


def _cells_of(fault: StoreFault) -> tuple[int, ...]:
    if isinstance(fault, CellStuck | NoTransition):
        return (fault.cell,)
    if isinstance(fault, WrongCells):
        return ()
    return fault.aggressor, fault.victim


def store_faults(cells: int) -> Mapping[str, tuple[StoreFault, ...]]:
    """Give every single fault of a small memory, by class.

    With as many cells as addresses, decoder faults come in these forms only: a dead address
    whose cell no one reaches (A), or whose cell another address reaches too (B); an address
    that reaches another cell in place of its own (C), or besides it (D, one of a pair or both).

    Parameters
    ----------
    cells : int

    Returns
    -------
    mapping of str to tuple of StoreFault
        ``stuck``, ``transition``, ``inversion``, ``idempotent``, ``state``; ``decoder A`` to
        ``decoder D``.

    Examples
    --------
    >>> {name: len(faults) for name, faults in store_faults(4).items()}["idempotent"]
    48
    """
    pairs = list(permutations(range(cells), 2))
    joins: tuple[Literal["and", "or"], ...] = ("and", "or")
    floats: tuple[Literal["low", "high"], ...] = ("low", "high")
    return {
        "stuck": tuple(CellStuck(cell, bit) for cell in range(cells) for bit in _BITS),
        "transition": tuple(NoTransition(cell, bit) for cell in range(cells) for bit in _BITS),
        "inversion": tuple(InversionCoupling(a, v, edge) for a, v in pairs for edge in _BITS),
        "idempotent": tuple(
            IdempotentCoupling(a, v, edge, forces)
            for a, v in pairs
            for edge, forces in product(_BITS, _BITS)
        ),
        "state": tuple(
            StateCoupling(a, v, state, forces)
            for a, v in pairs
            for state, forces in product(_BITS, _BITS)
        ),
        "decoder A": tuple(
            WrongCells(((cell, ()),), floats=level) for cell in range(cells) for level in floats
        ),
        "decoder B": tuple(
            WrongCells(((dead, ()), (other, (other, dead))), join, level)
            for dead, other in pairs
            for join, level in product(joins, floats)
        ),
        "decoder C": tuple(WrongCells(((a, (b,)),)) for a, b in pairs),
        "decoder D": tuple(WrongCells(((a, (a, b)),), join) for a, b in pairs for join in joins)
        + tuple(
            WrongCells(((a, (a, b)), (b, (a, b))), join)
            for a, b in combinations(range(cells), 2)
            for join in joins
        ),
    }
