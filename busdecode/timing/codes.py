"""Codes that a bus does not have: of lanes, of modifiers, of kinds of cycle."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from busdecode.cycles import CycleTable

__all__ = ["Code", "CodeCounter"]


@dataclass(frozen=True)
class Code:
    """A code that should not be: what kind of code, its value as text, in how many beats.

    `cycle` and `beat` are those of the first.
    """

    what: str
    value: str
    count: int
    cycle: int
    beat: int


class CodeCounter:
    """Count beats with codes that their bus does not have."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, str], Code] = {}

    def add(self, table: CycleTable) -> None:
        """Look at some beats, each of them whole."""
        bus = table.bus
        moves = table.direction > 0
        if bus.lane_rows or bus.lane_strobes:
            none = moves & (table.lanes == 0) & table.has_lanes
            text = "none" if bus.lane_strobes else "in no row"
            self._count(table, "lanes", none, table.lanes, lambda _: text)
        if bus.modifier_codes:
            codes = np.array(sorted(bus.modifier_codes), dtype=np.uint64)
            strange = table.has_modifier & ~np.isin(table.modifier, codes)
            self._count(table, "modifier", strange, table.modifier, "0x{:X}".format)

    def _count(
        self,
        table: CycleTable,
        what: str,
        chosen: NDArray[np.bool_],
        codes: NDArray[np.uint64],
        shown: Callable[[int], str],
    ) -> None:
        rows = np.flatnonzero(chosen)
        values, firsts, counts = np.unique(codes[rows], return_index=True, return_counts=True)
        for at in firsts.argsort():
            text = shown(int(values[at]))
            row = rows[firsts[at]]
            fresh = Code(what, text, 0, int(table.cycle[row]), int(table.beat[row]))
            before = self._found.get((what, text), fresh)
            self._found[what, text] = replace(before, count=before.count + int(counts[at]))

    def found(self) -> Iterator[Code]:
        """Give the codes in the order in which they were first seen."""
        yield from self._found.values()
