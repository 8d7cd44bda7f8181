"""Transfers to events on the lines: host and card follow the description's steps.

Every step waits for other steps and for levels as its own party sees them, so a fault makes
the parties react: a strobe that does not reach the card gets no acknowledge.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.access import port_of, rows_for
from busdecode.cycles.card import Card
from busdecode.cycles.host import Host
from busdecode.cycles.wires import History, Wires
from busdecode.responder import Memory

if TYPE_CHECKING:
    from collections.abc import Sequence
    from random import Random

    from busdecode.access import Transfer
    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = ["History", "Simulation", "without_port"]


class Simulation:
    """One run of a bus: the host makes transfers, the card answers.

    Parameters
    ----------
    bus : Bus
    rng : random.Random
        Draws every delay, within the description's ranges.
    faults : sequence of Fault
    wait_share : float
        Share of beats in which the card asks for wait states.
    memory : Memory
        Behind the card.
    wires : Wires, optional
        The lines, where they are not to be made anew; `faults` are then theirs.
    """

    def __init__(
        self,
        bus: Bus,
        rng: Random,
        faults: Sequence[Fault] = (),
        wait_share: float = 0.3,
        memory: Memory | None = None,
        wires: Wires | None = None,
    ) -> None:
        self._wires = Wires(bus, rng, faults) if wires is None else wires
        self._returned: list[int | None] = []
        # Two, since the next cycle's address may be out before the last one's data is.
        self._hosts = (Host(self._wires, self._returned), Host(self._wires, self._returned))
        self._card = Card(self._wires, Memory() if memory is None else memory, wait_share)
        for host, other in zip(self._hosts, reversed(self._hosts), strict=True):
            host.follow(other, self._begin_next)
        # The card answers first where both see a change.
        self._wires.listeners += [self._card.look, *(host.look for host in self._hosts)]
        self._cycles: list[list[tuple[int, Transfer]]] = []
        self._begun = 0
        self._number = 0

    @property
    def history(self) -> History:
        """Levels at both places over time."""
        return self._wires.history

    @property
    def returned(self) -> list[int | None]:
        """For each transfer the word that the host took; None for writes."""
        return self._returned

    @property
    def notes(self) -> list[str]:
        """What went otherwise than a bus should."""
        return self._wires.notes

    @property
    def now(self) -> int:
        """The moment reached, ps."""
        return self._wires.now

    def run(self, transfers: Sequence[Transfer]) -> None:
        """Make the transfers, one after the other.

        Raises
        ------
        ValueError
            If a transfer names a kind that the bus does not have, or two transfers ask for
            ports of different sizes at one word.
        """
        wires = self._wires
        first = len(self._returned)
        self._returned += [None] * len(transfers)
        self._card.take_ports(ports_of(wires.bus, transfers))
        self._cycles, self._begun = [], 0
        for at, transfer in enumerate(transfers, first):
            if transfer.joined and self._cycles:
                self._cycles[-1].append((at, transfer))
            else:
                self._cycles.append([(at, transfer)])
        idle = wires.bus.idle
        if not idle[1]:
            # A clock that never rests: what came before the first cycle is seen as well.
            wires.rest(wires.bus.shortest_pulse)
        for at in range(len(self._cycles)):
            host = self._hosts[at % 2]
            if at == self._begun:
                wires.rest(wires.draw(idle))
                self._begin(at)
            if not wires.run_until(host.is_idle):
                for each in self._hosts:
                    each.give_up()
                self._card.give_up()
                self._begun = at + 1
            if wires.hangs:
                break
        if self._cycles and not wires.hangs:
            self._number += 1
            self._hosts[0].end_run(self._cycles[-1], self._number)
            wires.run_until(self._hosts[0].is_idle)
        wires.rest(wires.draw(idle) + max(idle[1], wires.bus.shortest_pulse))

    def _begin(self, at: int) -> None:
        self._begun = at + 1
        self._number += 1
        self._hosts[at % 2].begin(self._cycles[at], self._number)

    def _begin_next(self) -> None:
        """Put the next cycle's address out while the last one's data is still on its way."""
        if self._begun < len(self._cycles) and self._wires.rng.random() < _PIPELINED_SHARE:
            self._begin(self._begun)


_PIPELINED_SHARE = 0.5
"""Share of cycles of a pipelined bus that begin before the last one is over."""


def ports_of(bus: Bus, transfers: Sequence[Transfer]) -> dict[int, dict[str, int]]:
    """Give the port that the card must have at each word for the transfers to move their lanes.

    Raises
    ------
    ValueError
        If no port does, or two transfers need different ones at one word.
    """
    ports, odd = _sorted_ports(bus, transfers)
    if odd:
        word = transfers[odd[0]].address // bus.word_bytes * bus.word_bytes
        raise ValueError(f"no one port at 0x{word:X} moves the lanes of all its transfers")
    return {word: fitting[0] for word, fitting in ports.items()}


def without_port(bus: Bus, transfers: Sequence[Transfer]) -> list[int]:
    """Give the places of transfers that no port moves together with those before at its word.

    No healthy bus has them; a capture of one that is bent may seem to.
    """
    return _sorted_ports(bus, transfers)[1]


def _sorted_ports(
    bus: Bus, transfers: Sequence[Transfer]
) -> tuple[dict[int, list[dict[str, int]]], list[int]]:
    """Give the ports that there may be at each word, and the places of what none moves."""
    ports: dict[int, list[dict[str, int]]] = {}
    odd: list[int] = []
    for at, transfer in enumerate(transfers if bus.port_lines else ()):
        word = transfer.address // bus.word_bytes * bus.word_bytes
        rows = rows_for(
            bus,
            transfer.address,
            lanes=transfer.lanes,
            asked=transfer.asked,
            kind=transfer.kind,
        )
        fitting = [port_of(bus, row) for row in rows]
        if left := [each for each in ports.get(word, fitting) if each in fitting]:
            ports[word] = left
        else:
            odd.append(at)
    return ports, odd
