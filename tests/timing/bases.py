"""Captures that limits are met and broken in, a few for each bus: together they show all limits.

A made capture shows neither clocks nor every answer that a card may give; what is missing is
added here, beside what it belongs to.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tests.timing.mutants import Clock, Mutant, Pulse, base_waves, mutant

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from busdecode.protocol import Bus, Limit
    from busdecode.timing import Figures

Extra = Pulse | Clock

NS = 1_000

MC68000_CLOCK = Clock(
    "CLK",
    125 * NS,
    rises=(("address", -30 * NS, ()), ("data", -30 * NS, ("write",))),
    falls=(("release", -30 * NS, ()),),
)

Z80_CLOCK = Clock(
    "CLK",
    250 * NS,
    falls=(("address", -30 * NS, ()), ("release", -30 * NS, ("read", "write"))),
    rises=(("release", -30 * NS, ("fetch",)),),
)

MC68020_CLOCK = Clock(
    "CLK",
    60 * NS,
    falls=(("address", -12 * NS, ()), ("release", -12 * NS, ())),
)

I8086_CLOCK = Clock(
    "CLK",
    200 * NS,
    rises=(("address", -40 * NS, ()),),
    falls=(("data", -60 * NS, ()), ("release", -60 * NS, ())),
)

BASES: dict[str, tuple[tuple[Extra, ...], ...]] = {
    "mc68000": (
        (),
        (MC68000_CLOCK,),
        (MC68000_CLOCK, Pulse("BERR", ("acknowledge", 40 * NS), ("release", 30 * NS))),
        (Pulse("BERR", ("acknowledge", -40 * NS), ("release", 30 * NS)),),
        (Pulse("VPA", ("acknowledge", 5 * NS), ("release", 30 * NS)),),
    ),
    "8255": (
        (),
        (
            Pulse("WR", ("data", 50 * NS), ("release", -20 * NS), ("read",)),
            Pulse("RD", ("release", 40 * NS), ("release", 250 * NS), ("write",)),
        ),
    ),
    "i8086": ((), (I8086_CLOCK,)),
    "mc68020": (
        (),
        (MC68020_CLOCK,),
        (MC68020_CLOCK, Pulse("BERR", ("acknowledge", 20 * NS), ("release", 30 * NS))),
        (Pulse("BERR", ("acknowledge", 20 * NS), ("release", 30 * NS)),),
        (Pulse("DBEN", ("address", 20 * NS), ("release", 20 * NS)),),
    ),
    "z80": (
        (),
        (Z80_CLOCK,),
        (
            Z80_CLOCK,
            Pulse("RFSH", ("release", 40 * NS), ("release", 320 * NS), ("fetch",)),
            Pulse("MREQ", ("release", 165 * NS), ("release", 280 * NS), ("fetch",)),
        ),
    ),
}
"""What is added to the made capture of each bus; a bus that is not here has what is made."""


@dataclass(frozen=True)
class Shown:
    """What came of one side of one limit.

    Parameters
    ----------
    limit : Limit
    side : str
        ``min`` or ``max``.
    met, broken : Mutant or None
        The captures in which it is just met and just broken; None where no base shows it.
    """

    limit: Limit
    side: str
    met: Mutant | None
    broken: Mutant | None

    @property
    def is_right(self) -> bool:
        """Whether it is named where it is broken, not where it is met, and nothing besides it.

        What no choice of moments could have met at the same time may be named too.
        """
        if self.met is None or self.broken is None:
            return False
        number = self.limit.number
        return (
            self.met.named <= self.met.unmeetable - {number}
            and number in self.broken.named
            and self.broken.named - {number} <= self.broken.unmeetable
        )

    @property
    def beside(self) -> tuple[str, ...]:
        """The other limits that are named where it is broken."""
        named = frozenset() if self.broken is None else self.broken.named
        return tuple(sorted(named - {self.limit.number}))


def sides(figures: Figures) -> Iterator[tuple[Limit, str]]:
    """Give each limit that can be measured, and each side of it that has a figure."""
    for limit in figures.limits:
        if limit.unseen is not None:
            continue
        for side, figure in zip(("min", "max"), figures.at(limit), strict=True):
            if figure is not None:
                yield limit, side


def shown(bus: Bus, figures: Figures) -> list[Shown]:
    """Meet and break each side of each limit, in the base that shows it best."""
    waves = [base_waves(bus, extra) for extra in BASES.get(bus.name, ((),))]
    found = []
    for limit, side in sides(figures):
        best = Shown(limit, side, None, None)
        for base in waves:
            each = Shown(
                limit,
                side,
                mutant(base, figures, limit, side, "meet"),
                mutant(base, figures, limit, side, "break"),
            )
            if _better(each, best):
                best = each
            if best.is_right and not best.beside:
                break
        found.append(best)
    return found


def _better(one: Shown, other: Shown) -> bool:
    return _rank(one) < _rank(other)


def _rank(each: Shown) -> Sequence[int]:
    return (not each.is_right, each.broken is None, len(each.beside))
