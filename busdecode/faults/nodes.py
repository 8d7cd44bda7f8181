"""The node model: what the host and the card drive, to the levels at each place.

Lines are bits of Python integers, line k of the bus at bit k. The network holds one memory:
the last level of every node, for parts that no one drives.
"""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING, NamedTuple

from busdecode.faults.kinds import Intermittent, OnlyWhen
from busdecode.faults.wiring import crossed, wired

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from busdecode.faults.kinds import Fault
    from busdecode.faults.wiring import Node, Wiring
    from busdecode.protocol import Bus

__all__ = ["Drive", "Levels", "Network"]

_MOST_TURNS = 64


class Drive(NamedTuple):
    """What one party drives: `mask` has the lines that it drives, `levels` to what."""

    mask: int = 0
    levels: int = 0

    def put(self, mask: int, levels: int) -> Drive:
        """Drive some more lines, or the same ones otherwise."""
        return Drive(self.mask | mask, (self.levels & ~mask) | (levels & mask))

    def release(self, mask: int) -> Drive:
        """Let some lines go."""
        return Drive(self.mask & ~mask, self.levels & ~mask)


class Levels(NamedTuple):
    """Levels at the places, and what the card's receivers make of its own.

    `other` is another slot of the backplane: it has the host's part of an open line, and
    neither the card's swaps nor what lies behind the card's buffers.
    """

    host: int
    card: int
    received: int
    other: int


class Network:
    """The lines of a bus with faults in them.

    Parameters
    ----------
    bus : Bus
    faults : sequence of Fault
        In any order; one given twice counts once. Those that are not about levels (late data,
        missing acknowledge) change none.
    choose : callable
        Gives 0 or 1 where a conflict is undetermined, once a conflict.

    Notes
    -----
    Two drivers of one healthy line that disagree make it low: outputs of the TTL families sink
    far more than they source (engineering rule; common practice).

    The order of the faults never matters. Lines tied together by any number of bridges are one
    node, and its level is found so:

    1. A rail in the node holds all of it. Of two rails, low.
    2. Drivers that agree give the level.
    3. Without a driver a pull gives it, up before down; without a pull the last level stays, and
       where the lines were apart before, low if one of them was.
    4. Of drivers that disagree, a line that is driven wins over those that give way to it (line a
       wins, line b wins), through other lines too; two that win over each other draw. Then the
       host wins over the card where a bridge of the node says so. If those left still
       disagree: low where a bridge says low wins, else high where one says high wins, else
       undetermined where one leaves it so or lets the host win, else low.

    An open line has two parts that each float as the open says, in place of the line's pull; a
    rail or a bridge of that line is at the host's part. Of two opens that float differently
    low counts before high, high before keep.

    Swapped lines cross at the card's contacts: rails, bridges and opens lie on the host's side of
    it. Of swaps that share a line, the one whose lines stand first in the description is
    nearest to the host.

    Behind the card's buffers (`CardSide`) the same rules hold, with the buffers as the host:
    they drive every line that the card does not. What the card drives goes out with the level
    of its inner node. Where the way out and the way in close a loop, it rests as it does from
    what the card drives; where it would oscillate from there, as from low, and `is_restless`
    tells.

    A lane that is always on takes part in every beat of the card: a beat begins and ends with
    the strobes that the host asserts, and does not last for ever. A lane that is lost too is
    lost. Of two levels that a driver or receiver is to give, low.
    """

    def __init__(
        self, bus: Bus, faults: Sequence[Fault], choose: Callable[[], int] = lambda: 0
    ) -> None:
        bits = {name: 1 << at for at, name in enumerate(bus.line_names)}
        self._bus = bus
        self._up = sum(bits[line.name] for line in bus.lines if line.pull == "up")
        self._down = sum(bits[line.name] for line in bus.lines if line.pull == "down")
        self._lanes = sum(bits[line] for line in bus.lane_strobes)
        self._asserted = sum(bits[line] for line in bus.lane_strobes if bus.asserted_level(line))
        self._choose = choose
        every: list[Fault] = sorted(set(faults), key=repr)
        self._steady: tuple[Fault, ...] = tuple(
            each for each in every if not isinstance(each, Intermittent)
        )
        self._loose = tuple(each for each in every if isinstance(each, Intermittent))
        self._at_host = self._at_card = self._healthy = self._up
        self._is_restless = False
        self._chosen: dict[Node, int] = {}
        self._conditions: dict[Fault, int] = {
            each: bits[each.line]
            for each in (*self._steady, *(loose.fault for loose in self._loose))
            if isinstance(each, OnlyWhen)
        }
        self._wirings: dict[frozenset[Fault], Wiring] = {}
        self._present: frozenset[Fault] = frozenset(self._steady)

    @property
    def is_restless(self) -> bool:
        """Whether a loop through the card's buffers oscillated at the last drives."""
        return self._is_restless

    @property
    def present(self) -> frozenset[Fault]:
        """The faults there in this beat; those inside an intermittent one are given bare.

        Those that hold only while a line is at a level are there, whatever that level is.
        """
        return self._present

    def redraw(self, draw: Callable[[], float]) -> bool:
        """Draw anew which intermittent faults are there; none is before the first time.

        Parameters
        ----------
        draw : callable
            Gives a number from 0 up to 1, 1 not included; called once for each of them.

        Returns
        -------
        bool
            Whether other faults are there now.
        """
        before = self._present
        there: list[Fault] = [each.fault for each in self._loose if draw() * 100 < each.percent]
        self._present = frozenset([*self._steady, *there])
        return self._present != before

    def resolve(self, host: Drive, card: Drive) -> Levels:
        """Give the levels that these drives make now."""
        wiring = self._wiring(host, card)
        card = self._through_drivers(wiring, card)
        disputed: set[Node] = set()
        at_host, at_slot, inside = self._at_rest(wiring, host, card, disputed)
        if self._chosen:
            self._chosen = {node: self._chosen[node] for node in disputed & self._chosen.keys()}
        self._at_host, self._at_card = at_host, at_slot
        pins = crossed(inside, wiring.inner_swaps)
        pins = pins & ~wiring.lanes_lost | wiring.lanes_lost & ~self._asserted
        on, received = wiring.lanes_on, pins
        if on and ~(pins ^ self._asserted) & self._lanes:
            received = received & ~on | on & self._asserted
        received = received & ~wiring.write_low | wiring.write_high
        return Levels(at_host, pins & ~on | on & self._asserted, received, at_host)

    def _at_rest(
        self, wiring: Wiring, host: Drive, card: Drive, disputed: set[Node]
    ) -> tuple[int, int, int]:
        """Give the levels at host and slot, and behind the buffers, once all has settled."""
        behind = card.mask & wiring.inner_lines
        sent = card
        self._is_restless = False
        for turn in count():
            if turn == _MOST_TURNS:
                # More lines that are high never make a line low, so from here it does rest.
                self._is_restless = True
                sent = card.put(behind, 0)
            disputed.clear()
            outside = self._crossed(sent, wiring.swaps[::-1])
            at_host, at_slot = self._on_backplane(wiring.nodes, host, outside, disputed)
            inside = crossed(at_slot, wiring.swaps)
            if not wiring.inner:
                break
            buffers = Drive(~card.mask, inside)
            for node in wiring.inner:
                level = self._level(node, buffers, card, disputed)
                inside = inside & ~node.card | node.card * level
            out = card.put(behind, inside)
            if out == sent:
                break
            sent = out
        return at_host, at_slot, inside

    def _wiring(self, host: Drive, card: Drive) -> Wiring:
        """Give what the faults that are there now make of the lines."""
        there = self._present
        if self._conditions:
            self._healthy = self._joined(host, card, self._healthy)
            there = frozenset(
                fault.fault if isinstance(fault, OnlyWhen) else fault
                for fault in there
                if not isinstance(fault, OnlyWhen)
                or bool(self._healthy & self._conditions[fault]) == bool(fault.level)
            )
        known = self._wirings.get(there)
        if known is None:
            known = self._wirings[there] = wired(self._bus, there)
        return known

    def _joined(self, host: Drive, card: Drive, last: int) -> int:
        """Give the levels of healthy lines."""
        pulled = (self._up | (last & ~self._down)) & ~(host.mask | card.mask)
        only_host, only_card = host.mask & ~card.mask, card.mask & ~host.mask
        both = host.mask & card.mask
        node = pulled | (host.levels & only_host) | (card.levels & only_card)
        return node | host.levels & card.levels & both

    def _on_backplane(
        self, nodes: Sequence[Node], host: Drive, card: Drive, disputed: set[Node]
    ) -> tuple[int, int]:
        at_host = at_card = self._joined(host, card, self._at_host)
        for node in nodes:
            level = self._level(node, host, card, disputed)
            at_host = at_host & ~node.host | node.host * level
            at_card = at_card & ~node.card | node.card * level
        return at_host, at_card

    def _through_drivers(self, wiring: Wiring, card: Drive) -> Drive:
        """Give what comes out of the card's own drivers, as its inner lines carry it."""
        if wiring.read_low | wiring.read_high:
            levels = card.levels & ~wiring.read_low | wiring.read_high & card.mask
            card = Drive(card.mask, levels)
        return self._crossed(card, wiring.inner_swaps[::-1])

    def _crossed(self, drive: Drive, swaps: Sequence[tuple[int, int]]) -> Drive:
        return Drive(crossed(drive.mask, swaps), crossed(drive.levels, swaps)) if swaps else drive

    def _level(self, node: Node, host: Drive, card: Drive, disputed: set[Node]) -> int:
        """Give the level of one node."""
        if node.held is not None:
            return node.held
        by_host, by_card = host.mask & node.host, card.mask & node.card
        is_high = bool(by_host & host.levels or by_card & card.levels)
        is_low = bool(by_host & ~host.levels or by_card & ~card.levels)
        if is_high and is_low:
            disputed.add(node)
            won = node.winner(by_host, host.levels, by_card, card.levels)
            if won is not None:
                return won
            if node not in self._chosen:
                self._chosen[node] = self._choose()
            return self._chosen[node]
        if is_high or is_low:
            return int(is_high)
        if node.pull is not None:
            return node.pull
        rests = self._at_host & node.host == node.host and self._at_card & node.card == node.card
        return int(rests)
