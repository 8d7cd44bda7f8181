"""A bus's ideal cycles: made from its description alone, every delay at the middle of its range."""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import Transfer, lane_mask, rows_for
from busdecode.cycles.decode import decode
from busdecode.cycles.simulate import Simulation
from busdecode.cycles.synthesise import Sampling, sampled
from busdecode.errors import RequestError, nearest, quoted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.capture import Capture
    from busdecode.cycles.table import CycleTable
    from busdecode.protocol import Bus

__all__ = ["ideal_cycles"]

_ADDRESS = 0x5A34_1230
_WRITTEN = 0x0123_4567_89AB_CDEF
_READ = 0xFEDC_BA98_7654_3210
"""Values that are easily told apart; nothing depends on them."""


class _Middle(Random):
    """Draws the middle of each range; what happens now and then never does."""

    def randint(self, a: int, b: int) -> int:
        """Give the middle of a range."""
        return (a + b) // 2

    def random(self) -> float:
        """Give more than any share of cases asks for."""
        return 1 - 2**-53

    def getrandbits(self, k: int, /) -> int:
        """Give what a memory holds that nobody wrote to."""
        return _READ & ((1 << k) - 1)


def ideal_cycles(bus: Bus, kinds: Sequence[str] | None = None) -> tuple[Capture, CycleTable]:
    """Make one cycle of each kind as the description has it, without faults and waits.

    Every delay is the middle of its range, so the same description always gives the same cycles.

    Parameters
    ----------
    bus : Bus
    kinds : sequence of str, optional
        Names of kinds, one cycle each, in this order; all of the bus where not given.

    Returns
    -------
    Capture
        Every edge at its moment, at the host; lines by the bus's names.
    CycleTable

    Raises
    ------
    RequestError
        If the description has no steps for making captures, or no kind of that name.

    Examples
    --------
    >>> from busdecode.protocol import load_bus
    >>> _, table = ideal_cycles(load_bus("sram"), ["write"])
    >>> table.as_text()[["kind", "address", "data"]].values.tolist()
    [['write', '0x1230', '0xEF']]
    """
    names = [kind.name for kind in bus.kinds]
    for name in kinds or ():
        if name not in names:
            near = nearest(name, names)
            raise RequestError(
                f"{bus.name} has no kind {quoted(name)}",
                expected=f"one of {', '.join(names)}",
                action=f"did you mean {near}?" if near else None,
            )
    if not bus.steps:
        raise RequestError(
            f"{bus.name} has no [[making.steps]]: nothing tells how its cycles go",
            path=bus.path,
            action="add the steps, as docs/describing-a-bus.md tells, or draw a capture",
        )
    run = Simulation(bus, _Middle(), wait_share=0)
    run.run([_transfer(bus, name) for name in kinds or names])
    every_edge = Sampling(period=0)
    capture = sampled(bus, run.history, "host", run.now, every_edge, np.random.default_rng(0))
    table, _ = decode(bus, [capture])
    return capture, table


def _transfer(bus: Bus, name: str) -> Transfer:
    """Give a transfer of a kind that moves as many lanes as the bus can."""
    kind = bus.kind(name)
    word = _ADDRESS & ((1 << bus.address_width) - 1)
    word = word // bus.word_bytes * bus.word_bytes if bus.address else 0
    asked = max(bus.operand.sizes) if bus.operand.lines else None
    if not kind.beats:
        return Transfer(name, word, 0, None)
    lanes = (1 << bus.lane_count) - 1
    if bus.lane_rows:
        own = [row for row in bus.lane_rows if row.kinds and name in row.kinds]
        fitting = own or list(rows_for(bus, word, asked=asked, kind=name))
        lanes = max(fitting, key=lambda row: row.number.bit_count()).number
    data = _WRITTEN & lane_mask(bus, lanes) if kind.direction == "write" else None
    return Transfer(name, word, lanes, data, asked=asked)
