"""What is worked out once for a bus, whatever the log: healthy runs, nodes, answers."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import lane_mask
from busdecode.faults import Lane
from busdecode.predict.answers import Answer, Answers
from busdecode.predict.candidates import lines_of
from busdecode.predict.nodes import node_table
from busdecode.predict.states import STATES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busdecode.cycles import Form, Run
    from busdecode.faults import Fault
    from busdecode.predict.states import Carried
    from busdecode.protocol import Bus

    Codes = NDArray[np.uint16]

__all__ = ["Model"]

_RUNS = 6
"""So many healthy runs of one form and levels are led through a fault."""


class Model:
    """What is worked out once for a bus, whatever the log: healthy runs, nodes, answers.

    Parameters
    ----------
    bus : Bus
    """

    def __init__(self, bus: Bus) -> None:
        self.bus = bus
        self.runs: dict[Form, list[Run]] = {}
        self.carried: dict[tuple[Form, str, str], Carried] = {}
        self._answers = Answers(bus)
        self._tables: list[Codes] = []
        self._table_of: dict[tuple[object, ...], int] = {}
        self._answer_of: dict[tuple[object, ...], tuple[Answer, ...]] = {}
        self._line = {line.name: line for line in bus.lines}
        self.data_bits = {line: bit for bit, line in enumerate(reversed(bus.data))}
        low = (bus.word_bytes - 1).bit_length()
        self.address_bits = {
            line: bit for line, bit in zip(bus.address, bus.address_bits, strict=True) if bit >= low
        }

        self._lanes = set(bus.address) - self.address_bits.keys()

    def is_number(self, line: str) -> bool:
        """Tell whether a line carries nothing but data, or the address of a word."""
        return (line in self.data_bits or line in self.address_bits) and line not in self._lanes

    def controls(self, fault: Fault) -> bool:
        """Tell whether a fault touches lines that control transfers."""
        return isinstance(fault, Lane) or any(not self.is_number(n) for n in lines_of(fault))

    def tables(self) -> Codes:
        """Give the node tables made so far, stacked."""
        return np.stack(self._tables or [np.zeros((STATES, STATES), dtype=np.uint16)])

    def table(self, fault: Fault) -> int:
        """Give the number of the node table of a fault; faults that act alike share one."""
        lines = lines_of(fault)
        pulls = tuple(self._line[line].pull for line in lines)
        how = (getattr(fault, "rule", None), getattr(fault, "level", None))
        floats = getattr(fault, "floats", None)
        alike: tuple[object, ...] = (type(fault), *how, floats, pulls)
        if isinstance(fault, Lane):
            alike = (fault,)
        if alike not in self._table_of:
            self._table_of[alike] = len(self._tables)
            self._tables.append(node_table(self.bus, fault, lines))
        return self._table_of[alike]

    def answers(self, fault: Fault, form: Form) -> tuple[Answer, ...]:
        """Give what becomes of transfers of a form.

        Returns
        -------
        tuple of Answer
            By the level, in the address and as data, of the line that is not one of control:
            the address as bit 0, data as bit 1.
        """
        other = self.other(fault)
        alike = (*self.stands_for(fault), form)
        if alike not in self._answer_of:
            bit = self.data_bits.get(other or "")
            # What a data line shows on a lane that does not move, or an address line without
            # use, is drawn anew in each run.
            runs = self.runs[form]
            address_bit = self.address_bits.get(other or "")
            is_open = (
                other is None
                or (bit is not None and not lane_mask(self.bus, form.lanes) >> bit & 1)
                or (address_bit is not None and not runs[0].used >> address_bit & 1)
            )
            known: dict[tuple[int, ...], Answer] = {}
            given = []
            for address, data in ((0, 0), (1, 0), (0, 1), (1, 1)):
                at = [n for n, run in enumerate(runs) if self._is_at(run, other, address, data)]
                chosen = tuple(at if is_open else at[:_RUNS])
                if chosen not in known:
                    known[chosen] = self._answers.joined(fault, [runs[n] for n in chosen])
                given.append(known[chosen])
            self._answer_of[alike] = tuple(given)
        return self._answer_of[alike]

    def other(self, fault: Fault | None) -> str | None:
        """Give the line of a fault that carries address or data, if one does."""
        lines = () if fault is None else lines_of(fault)
        return next((line for line in lines if self.is_number(line)), None)

    def is_own_strobe(self, fault: Fault | None) -> bool:
        """Tell whether a fault ties a data line to the strobe of its own lane."""
        lines = set() if fault is None else set(lines_of(fault))
        return any(
            line in self.data_bits
            and strobes[-1 - self.data_bits[line] // self.bus.lane_bits] in lines
            for line in lines
            if (strobes := self.bus.lane_strobes)
        )

    def stands_for(self, fault: Fault | None) -> tuple[object, ...]:
        """Give what faults on lines of control have in common that are answered alike."""
        other = self.other(fault)
        stands = None if other is None else self._class(other)
        lines = () if fault is None else lines_of(fault)
        return (
            type(fault),
            tuple(line if line != other else stands for line in lines),
            getattr(fault, "rule", None),
            getattr(fault, "level", None),
            getattr(fault, "floats", None),
            getattr(fault, "is_on", None),
        )

    def _class(self, line: str) -> tuple[object, ...]:
        lane = self.data_bits[line] // self.bus.lane_bits if line in self.data_bits else None
        marks = line in self.bus.marking_lines
        # Cycles of some kinds may leave an address line without use.
        bit = self.address_bits.get(line)
        used = tuple(bit is not None and used >> bit & 1 for _, used in self.bus.address_used)
        return (lane, bit is not None, used, self._line[line].pull, line if marks else None)

    def _is_at(self, run: Run, line: str | None, address: int, data: int) -> bool:
        """Tell whether a line has these levels in a run, where it takes part at all."""
        bus = self.bus
        if line in self.address_bits and run.used >> self.address_bits[line] & 1:
            word = run.transfer.address ^ bus.address_low
            if word >> self.address_bits[line] & 1 != address:
                return False
        if (
            line in self.data_bits
            and lane_mask(bus, run.transfer.lanes) >> self.data_bits[line] & 1
        ):
            return (run.data ^ bus.data_low) >> self.data_bits[line] & 1 == data
        return True
