"""The cycle table: one row a beat, as arrays; to pandas, and to text."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from busdecode.cycles.occurrences import MISSING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.protocol import Bus

__all__ = ["DIRECTIONS", "ENDINGS", "CycleTable", "concatenate", "empty", "lane_bits_of"]

ENDINGS = ("acknowledged", "error", "timeout", "unacknowledged", "cut-off")
"""How a beat can end; the table holds the index, -1 where the lines that tell were not captured."""

_TRUTH = np.array(["false", "true"], dtype=object)

DIRECTIONS = ("none", "read", "write")
"""Which way a beat's data goes; the table holds the index, -1 where it is not known."""


@dataclass(frozen=True, eq=False)
class CycleTable:
    """Decoded cycles, one row a beat, B rows.

    Parameters
    ----------
    cycle, beat : ndarray of int64, shape (B,)
        Counted from 0; beats within their cycle.
    start, end : ndarray of int64, shape (B,), ps
        The beat's own data phase; of a cycle without beats, the cycle's.
    kind : ndarray of int16, shape (B,)
        Index into ``bus.kinds``, -1 where not known.
    direction : ndarray of int8, shape (B,)
        Index into `DIRECTIONS`, -1 where not known.
    address : ndarray of uint64, shape (B,)
        Byte address of the lowest byte that took part.
    has_address : ndarray of bool, shape (B,)
    used : ndarray of uint64, shape (B,)
        The bits of a byte address that the cycle uses; the others are 0 in `address`.
    lanes, lanes_known : ndarray of uint64, shape (B,)
        One bit a lane, the most significant lane at the highest bit.
    data, data_known : ndarray of uint64, shape (B,)
        `data_known` has a bit for every data bit that took part and is known.
    ended : ndarray of int8, shape (B,)
        Index into `ENDINGS`, -1 where not known.
    rmw, unsure : ndarray of bool, shape (B,)
        Beats of a read-modify-write; beats with a value that changes within one resolution
        of the moment at which it was taken.
    modifier : ndarray of uint64, shape (B,)
        Value of ``bus.modifier``.
    has_modifier : ndarray of bool, shape (B,)
    asked : ndarray of int64, shape (B,)
        Bytes still to move, this beat's among them, where the bus tells that; else 0.
    phases : ndarray of int64, shape (B, P), ps
        Begin of each of ``bus.phase_names``, `MISSING` where it did not come.
    """

    bus: Bus
    cycle: NDArray[np.int64]
    beat: NDArray[np.int64]
    start: NDArray[np.int64]
    end: NDArray[np.int64]
    kind: NDArray[np.int16]
    direction: NDArray[np.int8]
    address: NDArray[np.uint64]
    has_address: NDArray[np.bool_]
    used: NDArray[np.uint64]
    lanes: NDArray[np.uint64]
    lanes_known: NDArray[np.uint64]
    data: NDArray[np.uint64]
    data_known: NDArray[np.uint64]
    ended: NDArray[np.int8]
    rmw: NDArray[np.bool_]
    unsure: NDArray[np.bool_]
    modifier: NDArray[np.uint64]
    has_modifier: NDArray[np.bool_]
    asked: NDArray[np.int64]
    phases: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.cycle)

    def __repr__(self) -> str:
        cycles = len(np.unique(self.cycle))
        return f"CycleTable({self.bus.name}: {len(self)} beats in {cycles} cycles)"

    def take(self, rows: NDArray[np.int64] | NDArray[np.bool_] | slice) -> CycleTable:
        """Give some of the rows."""
        return CycleTable(self.bus, *(getattr(self, each.name)[rows] for each in fields(self)[1:]))

    def phase(self, name: str) -> NDArray[np.int64]:
        """Give the begin of a phase, shape (B,), ps; KeyError where the bus has none such."""
        if name not in self.bus.phase_names:
            raise KeyError(name)
        moments: NDArray[np.int64] = self.phases[:, self.bus.phase_names.index(name)]
        return moments

    def count(self, ending: str) -> int:
        """Count the rows that ended so."""
        return int((self.ended == ENDINGS.index(ending)).sum())

    def kind_names(self) -> NDArray[np.object_]:
        """Give each row's kind as text, empty where not known, ``address-only`` as such."""
        names = np.array(
            [*(kind.name for kind in self.bus.kinds), "address-only", ""], dtype=object
        )
        named: NDArray[np.object_] = names[self.kind]
        return named

    def as_frame(self) -> pd.DataFrame:
        """Give the table as numbers: pandas columns, missing values ``<NA>``."""
        nullable = {"address": self.has_address}
        columns: dict[str, object] = {
            "cycle": self.cycle,
            "beat": self.beat,
            "start_ps": self.start,
            "end_ps": self.end,
            "kind": pd.Categorical.from_codes(
                np.where(self.kind < 0, -1, self.kind).astype(np.int64),
                categories=pd.Index(
                    dict.fromkeys([*(kind.name for kind in self.bus.kinds), "address-only"])
                ),
            ),
            "address": pd.arrays.IntegerArray(self.address.copy(), ~nullable["address"]),
            "lanes": self._lanes_text(),
            "data": pd.arrays.IntegerArray(self.data.copy(), self.data_known == 0),
            "ended": pd.Categorical.from_codes(
                self.ended.astype(np.int64), categories=pd.Index(ENDINGS)
            ),
            "data_known": self.data_known,
            "rmw": self.rmw,
            "unsure": self.unsure,
        }
        if self.bus.modifier:
            columns["modifier"] = pd.arrays.IntegerArray(self.modifier.copy(), ~self.has_modifier)
        if self.bus.operand.lines:
            columns["asked"] = pd.arrays.IntegerArray(self.asked.copy(), self.asked == 0)
        for at, name in enumerate(self.bus.phase_names):
            moments = self.phases[:, at]
            columns[f"{name}_ps"] = pd.arrays.IntegerArray(moments.copy(), moments == MISSING)
        return pd.DataFrame(columns)

    def _lanes_text(self) -> NDArray[np.object_]:
        count = self.bus.lane_count
        key = (self.lanes_known << np.uint64(count)) | self.lanes
        distinct, inverse = np.unique(key, return_inverse=True)
        texts = []
        for value in distinct.tolist():
            known, lanes = value >> count, value & ((1 << count) - 1)
            texts.append(
                "".join(
                    str(lanes >> bit & 1) if known >> bit & 1 else "?"
                    for bit in reversed(range(count))
                )
            )
        text: NDArray[np.object_] = np.array(texts, dtype=object)[inverse]
        cut = self.ended == ENDINGS.index("cut-off")
        return np.where(cut, "", text)

    def _data_text(self) -> list[str]:
        bits = len(self.bus.data)
        digits = -(-bits // 4)
        part, known = self._data_parts()
        cells = np.empty((len(self), digits), dtype="U1")
        alphabet = np.array(list("0123456789ABCDEF"))
        for digit in range(digits):
            shift = np.uint64(4 * (digits - 1 - digit))
            valid = min(4, bits - 4 * (digits - 1 - digit))
            full = np.uint64((1 << valid) - 1)
            here = (part >> shift) & full
            sure = (known >> shift) & full
            value = (self.data >> shift) & full
            cells[:, digit] = np.where(
                here == 0, "-", np.where(sure == here, alphabet[value.astype(np.int64)], "?")
            )
        if not len(self):
            return []
        texts = np.char.add("0x", np.ascontiguousarray(cells).view(f"U{digits}")[:, 0])
        return [
            text if has else ""
            for text, has in zip(texts.tolist(), self._has_data().tolist(), strict=True)
        ]

    def unknown_digits(self) -> NDArray[np.bool_]:
        """Tell in which beats a data digit is not known, shape (B,)."""
        part, known = self._data_parts()
        unknown: NDArray[np.bool_] = self._has_data() & ((part & ~known) != 0)
        return unknown

    @property
    def has_lanes(self) -> NDArray[np.bool_]:
        """Whether all lanes of a beat are known, shape (B,)."""
        known: NDArray[np.bool_] = self.lanes_known == np.uint64((1 << self.bus.lane_count) - 1)
        return known

    def _data_parts(self) -> tuple[NDArray[np.uint64], NDArray[np.uint64]]:
        """Give the data bits that took part, or may have, and those of them that are known."""
        part = lane_bits_of(self.bus, self.lanes | ~self.lanes_known)
        return part, self.data_known & lane_bits_of(self.bus, self.lanes_known)

    def _has_data(self) -> NDArray[np.bool_]:
        has: NDArray[np.bool_] = (self.direction != 0) & (self.ended != ENDINGS.index("cut-off"))
        return has

    def text_columns(self) -> dict[str, list[str]]:
        """Give the table as text, column by column, as `decode` prints it.

        Address and data are hexadecimal at full width with 0x; a digit of a lane without part
        is ``-``, a digit with a bit not known ``?``; what is missing is empty.
        """
        columns = {
            "cycle": _decimal(self.cycle),
            "beat": _decimal(self.beat),
            "start_ps": _decimal(self.start),
            "end_ps": _decimal(self.end),
            "kind": self.kind_names().tolist(),
            "address": _hexadecimal(self.address, self.bus.address_width, self.has_address),
            "lanes": self._lanes_text().tolist(),
            "data": self._data_text(),
            "ended": np.array([*ENDINGS, ""], dtype=object)[self.ended].tolist(),
            "rmw": _TRUTH[self.rmw.astype(np.int64)].tolist(),
            "unsure": _TRUTH[self.unsure.astype(np.int64)].tolist(),
        }
        if self.bus.modifier:
            columns["modifier"] = _hexadecimal(
                self.modifier, len(self.bus.modifier), self.has_modifier
            )
        if self.bus.operand.lines:
            columns["asked"] = [str(each) if each else "" for each in self.asked.tolist()]
        for at, name in enumerate(self.bus.phase_names):
            columns[f"{name}_ps"] = [
                "" if value == MISSING else str(value) for value in self.phases[:, at].tolist()
            ]
        return columns

    def as_text(self) -> pd.DataFrame:
        """Give what `text_columns` gives as a table, every column of type str."""
        return pd.DataFrame(self.text_columns(), dtype=str)


def _decimal(numbers: NDArray[np.int64]) -> list[str]:
    return list(map(str, numbers.tolist()))


def _hexadecimal(numbers: NDArray[np.uint64], bits: int, known: NDArray[np.bool_]) -> list[str]:
    form = f"0x%0{-(-bits // 4)}X"
    cells = [form % number for number in numbers.tolist()]
    for row in np.flatnonzero(~known).tolist():
        cells[row] = ""
    return cells


def lane_bits_of(bus: Bus, lanes: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Give the data bits of each row's lanes.

    Parameters
    ----------
    bus : Bus
    lanes : ndarray of uint64, shape (B,)
        One bit a lane, the most significant lane at the highest bit.

    Returns
    -------
    ndarray of uint64, shape (B,)
    """
    bits = np.zeros(len(lanes), dtype=np.uint64)
    lane_mask = (1 << bus.lane_bits) - 1
    for lane in range(bus.lane_count):
        is_on = (lanes >> np.uint64(lane)) & np.uint64(1)
        bits |= is_on * np.uint64(lane_mask << lane * bus.lane_bits)
    return bits


def concatenate(bus: Bus, tables: Sequence[CycleTable]) -> CycleTable:
    """Join tables of one place in order."""
    if len(tables) == 1:
        return tables[0]
    if not tables:
        return empty(bus)
    return CycleTable(
        bus,
        *(
            np.concatenate([getattr(table, each.name) for table in tables])
            for each in fields(CycleTable)[1:]
        ),
    )


def empty(bus: Bus, rows: int = 0) -> CycleTable:
    """Give a table of rows of which nothing is known but that they were cut off."""
    whole = np.zeros(rows, dtype=np.int64)
    none = np.zeros(rows, dtype=np.uint64)
    false = np.zeros(rows, dtype=np.bool_)
    return CycleTable(
        bus=bus,
        cycle=whole.copy(),
        beat=whole.copy(),
        start=whole.copy(),
        end=whole.copy(),
        kind=np.full(rows, -1, dtype=np.int16),
        direction=np.full(rows, -1, dtype=np.int8),
        address=none.copy(),
        has_address=false.copy(),
        used=none.copy(),
        lanes=none.copy(),
        lanes_known=none.copy(),
        data=none.copy(),
        data_known=none.copy(),
        ended=np.full(rows, ENDINGS.index("cut-off"), dtype=np.int8),
        rmw=false.copy(),
        unsure=false.copy(),
        modifier=none.copy(),
        has_modifier=false.copy(),
        asked=whole.copy(),
        phases=np.full((rows, len(bus.phase_names)), MISSING, dtype=np.int64),
    )
