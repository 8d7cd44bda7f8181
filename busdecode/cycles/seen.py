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
        self._kinds: dict[int, Kind | None] = {}
        self._used: dict[int, int] = {}
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
        marks = levels & self._marks
        if marks not in self._kinds:
            self._kinds[marks] = next(
                (
                    kind
                    for kind in self.bus.kinds
                    if kind.beats and shows(self._wires, levels, kind.levels)
                ),
                None,
            )
        return self._kinds[marks]

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
        marks = levels & self._marks
        if marks not in self._used:
            self._used[marks] = next(
                (
                    used
                    for levels_of, used in self.bus.address_used
                    if shows(self._wires, levels, levels_of)
                ),
                -1,
            )
        return self._used[marks]

    def lane_inputs(self, levels: int) -> int:
        """Give the levels of the lines by which a lane table tells lanes."""
        return levels & self._lane_inputs

    def lane_strobes(self, levels: int) -> int:
        """Give the levels of the lines that strobe byte lanes."""
        return levels & self._lane_strobes

    def answers(self, levels: int) -> int:
        """Give the levels of the lines with which a card answers."""
        return levels & self._answers
