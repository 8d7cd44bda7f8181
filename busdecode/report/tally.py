"""What a decoded capture holds, counted, and what of it could not be decoded, and why."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles import ENDINGS
from busdecode.units import counted, format_time

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from busdecode.cycles import CycleTable

__all__ = ["Tally"]

_NOT_KNOWN = "not known"

_REASONS = {
    "cut_off": "cut off: begun before the capture, or unfinished at its end or at a gap",
    "kind_not_known": "of unknown kind: no kind has these levels, or they were not captured",
    "address_not_known": "without address: an address line was not captured or not known",
    "lanes_not_known": "with lanes not known: a lane line was not captured or not known",
    "data_not_known": "with data not known in a bit: its line was not captured or not known",
    "ending_not_known": "with ending not known: the lines that tell it were not captured",
    "unsure": "unsure: a value changes within the uncertainty of the moment it is taken",
    "strays": "outside any cycle: a beat begins where no cycle is open",
}
"""Why something could not be decoded, or is doubted; keys as in the JSON."""


class Tally:
    """Count the beats of one place as its tables come.

    Parameters
    ----------
    has_address : bool
        Whether the bus has address lines; where not, no beat lacks its address.

    Examples
    --------
    >>> from busdecode.capture import from_levels
    >>> from busdecode.cycles import decode
    >>> from busdecode.protocol import load_bus
    >>> lines = {"MREQ": "1001", "RD": "1001", "WR": "1111", "IORQ": "1111", "M1": "1111"}
    >>> table, _ = decode(load_bus("z80"), [from_levels([0, 10, 20, 30], lines, resolution=1)])
    >>> tally = Tally()
    >>> tally.add(table)
    >>> tally.as_object()["by_kind"]
    {'read': 1}
    """

    def __init__(self, *, has_address: bool = True) -> None:
        self._has_address = has_address
        self.beats = 0
        self.cycles = 0
        self.by_kind: Counter[str] = Counter()
        self.by_ending: Counter[str] = Counter()
        self.doubts: Counter[str] = Counter()
        self.span: tuple[int, int] | None = None
        self._last_cycle: int | None = None

    def add(self, table: CycleTable) -> None:
        """Count the rows of the next table."""
        if not len(table):
            return
        cut = table.ended == ENDINGS.index("cut-off")
        self.beats += len(table)
        self.cycles += len(np.unique(table.cycle)) - int(table.cycle[0] == self._last_cycle)
        self._last_cycle = int(table.cycle[-1])
        kinds = table.kind_names()
        _count(self.by_kind, kinds[~cut].tolist())
        _count(self.by_ending, np.array([*ENDINGS, ""], dtype=object)[table.ended].tolist())
        self.doubts["cut_off"] += int(cut.sum())
        for doubt, is_so in (
            ("kind_not_known", kinds == ""),
            ("address_not_known", ~table.has_address & self._has_address),
            ("lanes_not_known", ~table.has_lanes),
            ("data_not_known", table.unknown_digits()),
            ("ending_not_known", table.ended < 0),
            ("unsure", table.unsure),
        ):
            self.doubts[doubt] += int((is_so & ~cut).sum())
        first, last = int(table.start.min()), int(table.end.max())
        was = self.span
        self.span = (first, last) if was is None else (min(first, was[0]), max(last, was[1]))

    def add_strays(self, strays: int) -> None:
        """Count beats that begin where no cycle is open."""
        self.doubts["strays"] += strays

    def as_object(self) -> dict[str, object]:
        """Give the counts for JSON."""
        return {
            "beats": self.beats,
            "cycles": self.cycles,
            "start_ps": None if self.span is None else self.span[0],
            "end_ps": None if self.span is None else self.span[1],
            "by_kind": dict(self.by_kind.most_common()),
            "by_ending": dict(self.by_ending.most_common()),
            "not_decoded": {name: self.doubts[name] for name in _REASONS},
        }

    def lines(self) -> list[str]:
        """Give the counts as lines for people."""
        if not self.beats:
            told = ["no cycle was found: no event that begins one stands in the capture"]
        else:
            start, end = self.span or (0, 0)
            told = [
                f"{counted(self.beats, 'beat')} in {counted(self.cycles, 'cycle')}, "
                f"{format_time(start)} .. {format_time(end)}"
            ]
            if self.by_kind:
                told.append(f"by kind    {_listed(self.by_kind)}")
            told.append(f"by ending  {_listed(self.by_ending)}")
        doubts = [(self.doubts[name], text) for name, text in _REASONS.items()]
        width = max(len(str(count)) for count, _ in doubts)
        found = [f"  {count:>{width}} {text}" for count, text in doubts if count]
        if found:
            told += ["not decoded, or in doubt:", *found]
        return told


def _count(counter: Counter[str], names: Iterable[str]) -> None:
    counter.update(name or _NOT_KNOWN for name in names)


def _listed(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{name} {count}" for name, count in Counter(counts).most_common())
