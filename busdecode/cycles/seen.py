"""What a card makes of the levels on its lines: whether it is addressed, and how."""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

from busdecode.cycles.card import condition_of, shows
from busdecode.cycles.wires import Wires
from busdecode.protocol import event_lines

if TYPE_CHECKING:
    from busdecode.protocol import Bus, Kind

__all__ = ["CardView"]


class CardView:
    """The conditions of a description, held against levels as the card receives them.

    Parameters
    ----------
    bus : Bus

    Attributes
    ----------
    lines : int
        Mask of the lines that have a part in any of it.
    """

    def __init__(self, bus: Bus) -> None:
        self.bus = bus
        self._wires = Wires(bus, Random(0))
        self._in_cycle = self._wires.test(condition_of(bus.cycle_begins[0]))
        self._in_beat = self._wires.test(condition_of(bus.beat_begins[0]))
        self._is_loose = bus.pipelined or bus.joined
        inputs = {line for row in bus.lane_rows for lines, _ in row.levels for line in lines}
        self._lane_inputs = self._wires.bits(sorted(inputs - bus.port_lines))
        self._lane_strobes = self._wires.bits(bus.lane_lines)
        self._answers = self._wires.bits(
            [
                line.name
                for line in bus.lines
                if line.driver == "card" and line.role in ("acknowledge", "wait", "error")
            ]
        )
        told_by = [kind.levels for kind in bus.kinds] + [levels for levels, _ in bus.address_used]
        marks = {line for levels in told_by for lines, _ in levels for line in lines}
        self._marks = self._wires.bits(marks)
        self._told: dict[int, tuple[Kind | None, int]] = {}
        begins = (bus.cycle_begins[0], bus.beat_begins[0])
        events = {line for event in begins for line in event_lines(event)}
        self.lines = self._answers | self._lane_inputs
        self.lines |= self._wires.bits(sorted(bus.marking_lines | events | set(bus.lane_strobes)))

    def in_cycle(self, levels: int) -> bool:
        """Tell whether a cycle is under way."""
        return self._in_cycle(levels)

    def in_beat(self, levels: int) -> bool:
        """Tell whether a beat is under way."""
        return self._in_beat(levels) and (self._is_loose or self._in_cycle(levels))

    def kind(self, levels: int) -> Kind | None:
        """Give the kind of cycle that the levels mark."""
        return self._marked(levels)[0]

    def _marked(self, levels: int) -> tuple[Kind | None, int]:
        """Give the kind of cycle, and the bits of an address it uses; each worked out once."""
        marks = levels & self._marks
        if marks not in self._told:
            bus, wires = self.bus, self._wires
            kinds = (each for each in bus.kinds if each.beats and shows(wires, marks, each.levels))
            masks = (used for told_by, used in bus.address_used if shows(wires, marks, told_by))
            self._told[marks] = next(kinds, None), next(masks, -1)
        return self._told[marks]

    def lanes(self, levels: int) -> int:
        """Give the lanes whose strobes are asserted."""
        bus = self.bus
        return sum(
            1 << bus.lane_count - 1 - lane
            for lane, line in enumerate(bus.lane_strobes)
            if bool(levels & self._wires.bit(line)) == bool(bus.asserted_level(line))
        )

    def used(self, levels: int) -> int:
        """Give the bits of an address that a cycle with these levels uses."""
        return self._marked(levels)[1]

    def lane_inputs(self, levels: int) -> int:
        """Give the levels of the lines by which a lane table tells lanes."""
        return levels & self._lane_inputs

    def lane_strobes(self, levels: int) -> int:
        """Give the levels of the lines that strobe byte lanes."""
        return levels & self._lane_strobes

    def answers(self, levels: int) -> int:
        """Give the levels of the lines with which a card answers."""
        return levels & self._answers
