"""What beats tell, in numbers of which each bit is known or not, so that two can be compared."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import reduce
from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles.looks import remade
from busdecode.cycles.occurrences import MISSING, Number
from busdecode.cycles.sight import moment_name
from busdecode.cycles.table import ENDINGS

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from busdecode.cycles.looks import Looks

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Facts", "facts_of"]

_FIRST_LOOK = 64
"""Beats compared first: where two differ it mostly shows early."""


@dataclass(frozen=True)
class Facts:
    """What beats tell: values, and which of their bits are known, uint64 of shape (B, K)."""

    values: Words
    known: Words

    def __len__(self) -> int:
        return len(self.values)

    def take(self, rows: Ints | slice) -> Facts:
        """Give some of the rows."""
        return Facts(self.values[rows], self.known[rows])

    def differ(self, other: Facts) -> Bools:
        """Tell in which beats something known of both differs, shape (B,)."""
        known = self.known & other.known
        differs: Bools = (((self.values ^ other.values) & known) != 0).any(axis=1)
        return differs

    def fits(self, other: Facts) -> bool:
        """Tell whether nothing differs."""
        early = slice(_FIRST_LOOK)
        if self.take(early).differ(other.take(early)).any():
            return False
        return not self.differ(other).any()


def facts_of(looks: Looks, lines: Iterable[str]) -> Facts:
    """Give what beats tell by some of their lines; what is in doubt is not known.

    Only what makes a difference to the table counts: not the levels of lines that the cycle
    does not use, of lanes that take no part, or at the moment for writes in a read.

    Parameters
    ----------
    looks : Looks
    lines : iterable of str
    """
    bus, chosen = looks.bus, frozenset(lines)
    sure = looks.sure
    table = remade(replace(looks, known=sure), chosen)
    every = np.uint64(0xFFFF_FFFF_FFFF_FFFF)
    none = np.zeros(len(table), dtype=np.uint64)
    whole = np.full(len(table), every)
    is_seen = table.ended != ENDINGS.index("cut-off")
    index = {line: at for at, line in enumerate(bus.line_names) if line in chosen}

    def shown(name: str, wanted: tuple[str, ...], bits: Iterable[int]) -> tuple[Words, Words]:
        number, at = Number(wanted, index, bits), looks.plane(moment_name(bus.take[name]))
        return number.of(looks.levels[:, at]), number.of(sure[:, at])

    address, address_known = shown("address", bus.address, bus.address_bits)
    marks = {line for levels, _ in bus.address_used for group, _ in levels for line in group}
    used = table.used
    if not marks <= chosen:
        masks = (np.uint64(mask) for _, mask in bus.address_used)
        used = reduce(np.bitwise_and, masks, used)
    modifier = shown("kind", bus.modifier, range(len(bus.modifier) - 1, -1, -1))
    pairs = [(address, address_known & used), modifier]
    if looks.has_beats:
        # How long a beat took is not compared, so neither is whether the master gave up.
        timeout, given_up = ENDINGS.index("timeout"), ENDINGS.index("unacknowledged")
        ended = np.where(table.ended == timeout, given_up, table.ended)
        pairs += [(table.lanes, table.lanes_known), (table.data, table.data_known)]
        pairs += [
            (numbers.astype(np.uint64), np.where(numbers < 0, none, whole))
            for numbers in (table.kind.astype(np.int64), table.direction.astype(np.int64), ended)
        ]
        pairs.append((table.asked.astype(np.uint64), np.where(table.asked > 0, whole, none)))
        pairs.append((table.beat.astype(np.uint64), whole))
        pairs.append(((table.phase("data") == MISSING).astype(np.uint64), whole))
    values = np.stack([value for value, _ in pairs], axis=1)
    known = np.stack([known for _, known in pairs], axis=1)
    return Facts(values, np.where(is_seen[:, None], known, np.uint64(0)))
