"""Faults as arrays: their lines, their node tables, and what they touch."""

from __future__ import annotations

from copy import copy
from typing import TYPE_CHECKING

import numpy as np

from busdecode.faults import Absent, EarlyAcknowledge, LateData, NoAcknowledge, Open, Stuck
from busdecode.predict.candidates import lines_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.faults import Fault
    from busdecode.predict.model import Model

__all__ = ["FaultRows"]


class FaultRows:
    """Some faults as arrays, F of them; None among them is no fault.

    Parameters
    ----------
    model : Model
    faults : sequence of Fault or None

    Attributes
    ----------
    a, b : ndarray of int64, shape (F,)
        The places of the lines among the bus's; one beyond the last where there is none.
    a_bit, b_bit : ndarray of int64, shape (F,)
        The bits of a data word that they carry, or -1.
    table : ndarray of int64, shape (F,)
        Which of `tables` tells their levels.
    addresses, data, controls : ndarray of bool, shape (F,)
        Whether a line carries the address of a word, or data, or controls transfers.
    still : ndarray of bool, shape (F,)
        The line stands still, wherever it does.
    special : ndarray of bool, shape (F,)
        What reads return does not follow from levels alone.
    own_strobe : ndarray of bool, shape (F,)
        A data line is tied to the strobe of its own lane.
    own_change, all_change : ndarray of bool, shape (F,)
        Its own data bits, or all, need not be read as they were before, though nothing was
        written.
    acknowledges : ndarray of bool, shape (F,)
        A line with which the card answers takes part.
    alike : ndarray of int64, shape (F,)
        Faults with one number let transfers come to the card alike.
    other_bit, other_address_bit : ndarray of int64, shape (F,)
        The bits of data, and of an address, that the line carries that does not control; or -1.
    """

    def __init__(self, model: Model, faults: Sequence[Fault | None]) -> None:
        bus = model.bus
        place = {name: at for at, name in enumerate(bus.line_names)}
        numbers: dict[tuple[object, ...], int] = {}
        rows = []
        for fault in faults:
            lines = () if fault is None else lines_of(fault)
            is_node = bool(lines) and not isinstance(fault, NoAcknowledge | EarlyAcknowledge)
            a, b = (*lines, None, None)[:2] if is_node else (None, None)
            is_control = is_node and fault is not None and model.controls(fault)
            other = model.other(fault)
            keeps = isinstance(fault, Open) and fault.floats == "keep"
            is_data = any(line in model.data_bits for line in lines)
            rows.append(
                (
                    len(place) if a is None else place[a],
                    len(place) if b is None else place[b],
                    model.data_bits.get(a or "", -1),
                    model.data_bits.get(b or "", -1),
                    model.table(fault) if is_node and fault is not None else 0,
                    is_node and any(line in model.address_bits for line in lines),
                    is_node and is_data,
                    is_control,
                    isinstance(fault, Stuck) or (keeps and not is_data),
                    isinstance(fault, Absent | LateData | NoAcknowledge | EarlyAcknowledge)
                    or (keeps and is_data),
                    model.is_own_strobe(fault),
                    is_node and not _is_steady(model, fault),
                    is_control and len(lines) == 2 and other is None,
                    any(bus.line(line).role in ("acknowledge", "wait") for line in lines),
                    numbers.setdefault(model.stands_for(fault), len(numbers)) if is_control else -1,
                    model.data_bits.get(other or "", -1),
                    model.address_bits.get(other or "", -1),
                )
            )
        self.faults = tuple(faults)
        self.tables = model.tables()
        columns = np.array(rows, dtype=np.int64).reshape(len(faults), 17).T
        self._take(columns)

    def _take(self, columns: NDArray[np.int64]) -> None:
        self._columns = columns
        self.a, self.b, self.a_bit, self.b_bit, self.table = columns[:5]
        flags = columns[5:14].astype(bool)
        self.addresses, self.data, self.controls, self.still, self.special = flags[:5]
        self.own_strobe, self.own_change, self.all_change, self.acknowledges = flags[5:]
        self.alike, self.other_bit, self.other_address_bit = columns[14:]

    def __len__(self) -> int:
        return len(self.faults)

    def part(self, which: slice | NDArray[np.int64]) -> FaultRows:
        """Give some of them."""
        some = copy(self)
        if isinstance(which, slice):
            some.faults = self.faults[which]
        else:
            some.faults = tuple(self.faults[at] for at in which.tolist())
        some._take(self._columns[:, which])
        return some


def _is_steady(model: Model, fault: Fault | None) -> bool:
    """Tell whether a fault makes of the same stored bits always the same."""
    lanes = {
        model.data_bits[line] // model.bus.lane_bits if line in model.data_bits else -1
        for line in (() if fault is None else lines_of(fault))
    }
    is_sure = getattr(fault, "rule", None) not in ("undetermined", "host-wins")
    return is_sure and len(lanes) == 1 and lanes != {-1}
