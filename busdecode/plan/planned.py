"""Plans: accesses to make, each with what it should return and what it is for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from busdecode.access import Access

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

__all__ = ["MOST_ACCESSES", "Plan", "Planned", "joined", "read", "write"]

MOST_ACCESSES = 1_000_000
"""A plan that would have more is refused."""


@dataclass(frozen=True)
class Planned:
    """One access to make.

    Parameters
    ----------
    access : Access
        Of a read, `expected` is what a healthy card returns, and `data` None.
    purpose : str
    unit : int
        Accesses of one unit tell something together only: a write and the read of it.
    """

    access: Access
    purpose: str
    unit: int


@dataclass(frozen=True)
class Plan:
    """Accesses to make, in order.

    Parameters
    ----------
    name : str
    steps : tuple of Planned
    notes : tuple of str
        What the plan cannot tell, and what was left out.
    """

    name: str
    steps: tuple[Planned, ...]
    notes: tuple[str, ...]

    @property
    def accesses(self) -> tuple[Access, ...]:
        """The accesses alone."""
        return tuple(step.access for step in self.steps)


def write(address: int, size: int, data: int, purpose: str, unit: int) -> Planned:
    """Plan a write."""
    return Planned(Access("write", address, size, data), purpose, unit)


def read(address: int, size: int, expected: int, purpose: str, unit: int) -> Planned:
    """Plan a read that should return `expected`."""
    return Planned(Access("read", address, size, None, expected), purpose, unit)


def joined(plans: Sequence[Plan]) -> Plan:
    """Put plans one after the other; units stay apart, and what two of them note stands once.

    Examples
    --------
    >>> one = Plan("a", (write(0, 1, 5, "", 0), read(0, 1, 5, "", 0)), ("n",))
    >>> [step.unit for step in joined([one, one]).steps]
    [0, 0, 1, 1]
    """
    notes = dict.fromkeys(note for plan in plans for note in plan.notes)
    return Plan(" + ".join(plan.name for plan in plans), tuple(_steps(plans)), tuple(notes))


def _steps(plans: Sequence[Plan]) -> Iterator[Planned]:
    first = 0
    for plan in plans:
        for step in plan.steps:
            yield replace(step, unit=step.unit + first)
        first += 1 + max((step.unit for step in plan.steps), default=-1)
