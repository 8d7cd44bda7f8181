"""Codes that a bus does not have: of lanes, of modifiers, of kinds of cycle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

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
            every = np.uint64((1 << bus.lane_count) - 1)
            none = moves & (table.lanes == 0) & (table.lanes_known == every)
            self._count(table, "lanes", none, ["none" if bus.lane_strobes else "in no row"])
        if bus.modifier_codes:
            codes = np.array(sorted(bus.modifier_codes), dtype=np.uint64)
            strange = table.has_modifier & ~np.isin(table.modifier, codes)
            self._count(
                table, "modifier", strange, [f"0x{int(each):X}" for each in table.modifier[strange]]
            )

    def _count(
        self, table: CycleTable, what: str, chosen: NDArray[np.bool_], values: list[str]
    ) -> None:
        at = np.flatnonzero(chosen)
        if not len(at):
            return
        texts = values if len(values) == len(at) else values * len(at)
        for text in dict.fromkeys(texts):
            mine = [row for row, each in zip(at.tolist(), texts, strict=True) if each == text]
            before = self._found.get((what, text))
            first = (int(table.cycle[mine[0]]), int(table.beat[mine[0]]))
            cycle, beat = first if before is None else (before.cycle, before.beat)
            count = len(mine) + (0 if before is None else before.count)
            self._found[what, text] = Code(what, text, count, cycle, beat)

    def found(self) -> Iterator[Code]:
        """Give the codes in the order in which they were first seen."""
        yield from self._found.values()
