"""Who drives which line at the moments that count: learnt from a healthy run of the description."""

from __future__ import annotations

from dataclasses import dataclass, replace
from random import Random
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busdecode.access import Transfer, kind_of, rows_for
from busdecode.cycles.decode import decode
from busdecode.cycles.simulate import Simulation
from busdecode.cycles.synthesise import Sampling, sampled
from busdecode.cycles.table import ENDINGS
from busdecode.cycles.wires import Wires
from busdecode.protocol import Moment

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busdecode.faults import Drive
    from busdecode.protocol import Bus

__all__ = ["MOMENTS", "Form", "Run", "healthy_runs", "moment_of"]

MOMENTS = ("address", "write", "read")
"""The moments at which the card takes the address and the data of a write, the host that of a
read."""

_RANDOM, _DRAWN = 8, 100

_STORED = Moment("before", "release")
"""Cards that are made take a lane where its strobe goes away, whatever the description looks at."""


class Form(NamedTuple):
    """What transfers that move alike have in common.

    `low` is the address inside its word.
    """

    kind: str
    lanes: int
    low: int
    asked: int | None

    @classmethod
    def of(cls, bus: Bus, transfer: Transfer) -> Form:
        """Give the form of a transfer."""
        return cls(transfer.kind, transfer.lanes, transfer.address % bus.word_bytes, transfer.asked)


@dataclass(frozen=True)
class Run:
    """One healthy transfer.

    Parameters
    ----------
    transfer : Transfer
    data : int
        The word on the data lines as it was taken, its meaning, not its levels.
    used : int
        The bits of an address that the transfer uses; the lines of others carry anything.
    drives : tuple of (Drive, Drive)
        What host and card drove, from before the transfer until after it, in order.
    moments : dict of str to int
        For each of `MOMENTS` that the transfer has, which of `drives` stood then.
    around : dict of str to range
        The same, for an eighth of the bus's shortest pulse before, and after where lines may
        move then: not where a value is taken just before strobes go away.
    """

    transfer: Transfer
    data: int
    used: int
    drives: tuple[tuple[Drive, Drive], ...]
    moments: dict[str, int]
    around: dict[str, range]


class _Watched(Wires):
    """Lines that keep what was driven."""

    def __init__(self, bus: Bus, rng: Random) -> None:
        self.seen: list[tuple[int, Drive, Drive]] = []
        super().__init__(bus, rng)

    def _settle(self) -> None:
        self.seen.append((self.now, self._drives["host"], self._drives["card"]))
        super()._settle()


def moment_of(bus: Bus, name: str) -> Moment:
    """Give when in a beat one of `MOMENTS` is."""
    return _STORED if name == "write" and bus.lane_strobes else bus.take[name]


def healthy_runs(bus: Bus, form: Form, seed: int = 0) -> list[Run]:
    """Run transfers of one form on a healthy bus.

    Addresses and data are all zeros, all ones and both mixed, then random; where the address
    tells lanes, another that tells those of the form.

    Parameters
    ----------
    bus : Bus
    form : Form
    seed : int

    Returns
    -------
    list of Run
    """
    rng = Random(seed)
    every = (1 << bus.address_width) - bus.word_bytes
    full = (1 << len(bus.data)) - 1
    given = [(address, data) for address in (0, every) for data in (0, full)]
    given += [(rng.getrandbits(64) & every, rng.getrandbits(64) & full) for _ in range(_RANDOM)]
    given = [(_fitting(bus, form, address, rng), data) for address, data in given]
    writing = kind_of(bus, "write")
    assert writing is not None
    mask = sum(
        ((1 << bus.lane_bits) - 1) << lane * bus.lane_bits
        for lane in range(bus.lane_count)
        if form.lanes >> lane & 1
    )
    writes = bus.kind(form.kind).direction == "write"
    transfers: list[Transfer] = []
    for address, data in given:
        write = Transfer(
            writing.name, address | form.low, form.lanes, data & mask, asked=form.asked
        )
        transfers.append(write)
        if form.kind != writing.name:
            transfers.append(replace(write, kind=form.kind, data=data & mask if writes else None))
    wires = _Watched(bus, rng)
    run = Simulation(bus, rng, wires=wires)
    run.run(transfers)
    capture = sampled(
        bus, run.history, "host", run.now, Sampling(period=0), np.random.default_rng(seed)
    )
    table, _ = decode(bus, [capture])
    rows = np.flatnonzero((table.ended != ENDINGS.index("cut-off")) & (table.kind >= 0))
    if len(rows) != len(transfers):
        raise ValueError(f"{bus.name}: {len(transfers)} transfers are decoded as {len(rows)}")
    times = np.array([time for time, _, _ in wires.seen])
    phases = {name: table.phase(name)[rows] for name in bus.phase_names}
    addressed, released = phases["address"], phases["release"]
    runs = []
    for row, transfer in enumerate(transfers):
        if transfer.kind != form.kind:
            continue
        # From the end of the one before to the address of the one after.
        first = _at(times, int(released[row - 1])) if row else 0
        first = min(first, max(_before(times, int(addressed[row])), 0))
        last = len(times)
        if row + 1 < len(transfers):
            last = max(
                _before(times, int(addressed[row + 1])) + 1, _at(times, int(released[row])) + 1
            )
        names = ("address", "write" if transfer.data is not None else "read")
        moments, around = {}, {}
        for name in names:
            moment = moment_of(bus, name)
            time = int(phases[moment.phase][row]) + moment.offset
            moments[name] = max((_at if moment.how == "at" else _before)(times, time), 0)
            margin = bus.shortest_pulse // 8
            until = time + margin if moment.how == "at" else time - 1
            around[name] = range(
                max(_at(times, time - margin), 0), min(_at(times, until) + 1, last)
            )
        first = min(first, *moments.values(), *(each.start for each in around.values()))
        returned = run.returned[row]
        runs.append(
            Run(
                transfer,
                (transfer.data or 0) if returned is None else returned,
                int(table.used[rows[row]]),
                tuple((host, card) for _, host, card in wires.seen[first:last]),
                {name: at - first for name, at in moments.items()},
                {name: range(at.start - first, at.stop - first) for name, at in around.items()},
            )
        )
    return runs


def _fitting(bus: Bus, form: Form, address: int, rng: Random) -> int:
    """Give a word's address at which the lane table has the form's lanes: this one, if it does."""
    every = (1 << bus.address_width) - bus.word_bytes
    tried = address
    for _ in range(_DRAWN if bus.address_from_lines else 0):
        told = tried | form.low
        if any(rows_for(bus, told, lanes=form.lanes, asked=form.asked, kind=form.kind)):
            return tried
        tried = rng.getrandbits(64) & every
    return address


def _at(times: NDArray[np.int64], time: int) -> int:
    return int(np.searchsorted(times, time, "right")) - 1


def _before(times: NDArray[np.int64], time: int) -> int:
    return int(np.searchsorted(times, time, "left")) - 1
