"""Transfers to events on the lines: host and card follow the description's steps.

Every step waits for other steps and for levels as its own party sees them, so a fault makes
the parties react: a strobe that does not reach the card gets no acknowledge.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.cycles.parties import Card, Host
from busdecode.cycles.wires import History, Wires
from busdecode.responder import Memory

if TYPE_CHECKING:
    from collections.abc import Sequence
    from random import Random

    from busdecode.access import Transfer
    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = ["History", "Simulation"]


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
    """

    def __init__(
        self,
        bus: Bus,
        rng: Random,
        faults: Sequence[Fault] = (),
        wait_share: float = 0.3,
        memory: Memory | None = None,
    ) -> None:
        self._wires = Wires(bus, rng, faults)
        self._host = Host(self._wires)
        self._card = Card(self._wires, Memory() if memory is None else memory, wait_share)
        # The card answers first where both see a change.
        self._wires.listeners += [self._card.look, self._host.look]

    @property
    def history(self) -> History:
        """Levels at both places over time."""
        return self._wires.history

    @property
    def returned(self) -> list[int | None]:
        """For each transfer the word that the host took; None for writes."""
        return self._host.returned

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
            If a transfer names a kind that the bus does not have.
        """
        wires, host = self._wires, self._host
        first = len(host.returned)
        host.returned += [None] * len(transfers)
        cycles: list[list[tuple[int, Transfer]]] = []
        for at, transfer in enumerate(transfers, first):
            if transfer.joined and cycles:
                cycles[-1].append((at, transfer))
            else:
                cycles.append([(at, transfer)])
        idle = wires.bus.idle
        for cycle in cycles:
            wires.rest(wires.draw(idle))
            host.begin(cycle)
            if not wires.run_until(host.is_idle):
                host.give_up()
                self._card.give_up()
            if wires.hangs:
                break
        wires.rest(wires.draw(idle) + idle[1])
