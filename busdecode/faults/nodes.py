"""The node model: what the host and the card drive, to the levels at each place.

Lines are bits of Python integers, line k of the bus at bit k. The network holds one memory:
the last level of every node, for parts that no one drives.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from busdecode.faults.kinds import Bridge, Lane, Open, ReadDriver, Stuck, Swapped, WriteReceiver

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from busdecode.faults.kinds import Fault
    from busdecode.protocol import Bus

__all__ = ["Drive", "Levels", "Network"]


@dataclass(frozen=True)
class Drive:
    """What one party drives: `mask` has the lines that it drives, `levels` to what."""

    mask: int = 0
    levels: int = 0

    def put(self, mask: int, levels: int) -> Drive:
        """Drive some more lines, or the same ones otherwise."""
        return Drive(self.mask | mask, (self.levels & ~mask) | (levels & mask))

    def release(self, mask: int) -> Drive:
        """Let some lines go."""
        return Drive(self.mask & ~mask, self.levels & ~mask)


@dataclass(frozen=True)
class Levels:
    """Levels at the two places, and what the card's receivers make of its own."""

    host: int
    card: int
    received: int


class Network:
    """The lines of a bus with faults in them.

    Parameters
    ----------
    bus : Bus
    faults : sequence of Fault
        Those that are not about levels (late data, missing acknowledge) are passed over.
    choose : callable
        Gives 0 or 1 where a conflict is undetermined.

    Notes
    -----
    Two drivers of one healthy line that disagree make it low: outputs of the TTL families sink
    far more than they source (engineering rule; common practice).

    A lane that is always on takes part in every beat of the card: a beat begins and ends with
    the strobes that the host asserts, and does not last for ever.
    """

    def __init__(
        self, bus: Bus, faults: Sequence[Fault], choose: Callable[[], int] = lambda: 0
    ) -> None:
        self._bits = {name: 1 << at for at, name in enumerate(bus.line_names)}
        self._up = sum(self._bits[line.name] for line in bus.lines if line.pull == "up")
        self._down = sum(self._bits[line.name] for line in bus.lines if line.pull == "down")
        self._asserted = {line.name: int(not line.active_low) for line in bus.lines}
        self._lanes = bus.lane_strobes
        self._choose = choose
        self._faults = tuple(faults)
        self._last = Levels(self._up, self._up, self._up)
        self._chosen: dict[Bridge, int | None] = {}

    def resolve(self, host: Drive, card: Drive) -> Levels:
        """Give the levels that these drives make now."""
        for fault in self._faults:
            if isinstance(fault, Swapped):
                card = Drive(self._crossed(fault, card.mask), self._crossed(fault, card.levels))
            elif isinstance(fault, ReadDriver):
                bit = self._bits[fault.line]
                if card.mask & bit:
                    card = card.put(bit, bit * fault.level)
        loose = self._last.host
        pulled = (self._up | (loose & ~self._down)) & ~(host.mask | card.mask)
        only_host, only_card = host.mask & ~card.mask, card.mask & ~host.mask
        both = host.mask & card.mask
        node = pulled | (host.levels & only_host) | (card.levels & only_card)
        node |= host.levels & card.levels & both
        at_host = at_card = node
        for fault in self._faults:
            if isinstance(fault, Stuck):
                bit = self._bits[fault.line]
                at_host = at_host & ~bit | bit * fault.level
                at_card = at_card & ~bit | bit * fault.level
            elif isinstance(fault, Bridge):
                level = self._bridged(fault, host, card)
                pair = self._bits[fault.a] | self._bits[fault.b]
                at_host = at_host & ~pair | pair * level
                at_card = at_card & ~pair | pair * level
            elif isinstance(fault, Open):
                bit = self._bits[fault.line]
                at_host = at_host & ~bit | self._open_part(fault, host, bit, self._last.host)
                at_card = at_card & ~bit | self._open_part(fault, card, bit, self._last.card)
        received = at_card
        for fault in self._faults:
            if isinstance(fault, Swapped):
                at_card = self._crossed(fault, at_card)
                received = at_card
        for fault in self._faults:
            if isinstance(fault, Lane):
                bit = self._bits[fault.line]
                level = self._asserted[fault.line] ^ int(not fault.is_on)
                if not fault.is_on or self._any_lane(received):
                    received = received & ~bit | bit * level
                at_card = at_card & ~bit | bit * level
            elif isinstance(fault, WriteReceiver):
                bit = self._bits[fault.line]
                received = received & ~bit | bit * fault.level
        self._last = Levels(at_host, at_card, received)
        return self._last

    def _any_lane(self, levels: int) -> bool:
        return any(
            int(bool(levels & self._bits[line])) == self._asserted[line] for line in self._lanes
        )

    def _crossed(self, fault: Swapped, levels: int) -> int:
        a, b = self._bits[fault.a], self._bits[fault.b]
        swapped = levels & ~(a | b)
        if levels & a:
            swapped |= b
        if levels & b:
            swapped |= a
        return swapped

    def _open_part(self, fault: Open, drive: Drive, bit: int, last: int) -> int:
        if drive.mask & bit:
            return drive.levels & bit
        if fault.floats == "keep":
            return last & bit
        return bit if fault.floats == "high" else 0

    def _bridged(self, fault: Bridge, host: Drive, card: Drive) -> int:
        """Give the level of the one node that two lines have become."""
        a, b = self._bits[fault.a], self._bits[fault.b]

        def driven(bit: int, *drives: Drive) -> set[int]:
            return {int(bool(each.levels & bit)) for each in drives if each.mask & bit}

        on_a, on_b = driven(a, host, card), driven(b, host, card)
        every = on_a | on_b
        if len(every) == 1:
            self._chosen[fault] = None
            return every.pop()
        if not every:
            self._chosen[fault] = None
            if (a | b) & self._up:
                return 1
            if (a | b) & self._down:
                return 0
            return int(bool(self._last.host & a))
        if fault.rule == "low-wins":
            return 0
        if fault.rule == "high-wins":
            return 1
        winner: set[int] = set()
        if fault.rule == "a-wins":
            winner = on_a or on_b
        elif fault.rule == "b-wins":
            winner = on_b or on_a
        elif fault.rule == "host-wins":
            winner = driven(a, host) | driven(b, host)
        if len(winner) == 1:
            return winner.pop()
        if len(winner) == 2 and fault.rule != "host-wins":
            return 0
        chosen = self._chosen.get(fault)
        if chosen is None:
            chosen = self._chosen[fault] = self._choose()
        return chosen
