"""Transfers to captures: legal random timing, sampled as a logic analyzer does."""

from __future__ import annotations

from dataclasses import dataclass, replace
from random import Random
from typing import TYPE_CHECKING, Literal

import numpy as np

from busdecode.access import Access, Transfer, kind_of, split_access, taken_out
from busdecode.capture import Capture, pack_levels
from busdecode.cycles.simulate import Simulation
from busdecode.cycles.table import ENDINGS, CycleTable
from busdecode.protocol import Bus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.cycles.simulate import History
    from busdecode.faults import Fault

__all__ = ["Sampling", "Synthesis", "sampled", "synthesise", "synthesise_log", "transfers_of"]

_WORD = (1 << 64) - 1


@dataclass(frozen=True)
class Sampling:
    """How the analyzer samples.

    Parameters
    ----------
    period : int, ps
        0 records every edge at its very moment, 1 ps fine.
    jitter : int, ps
        Each edge is seen up to this much later.
    skew : int, ps
        Each channel is late by a constant drawn from 0 to this.
    """

    period: int = 10_000
    jitter: int = 0
    skew: int = 0


@dataclass(frozen=True, eq=False)
class Synthesis:
    """Captures of both places of one run, and what the host really read.

    Parameters
    ----------
    places : dict of str to Capture
        Lines by the bus's names.
    returned : tuple of (int or None)
        For each transfer the word that the host took; None for writes.
    notes : tuple of str
    """

    bus: Bus
    places: dict[str, Capture]
    returned: tuple[int | None, ...]
    notes: tuple[str, ...]

    def scoped(self, lines: Sequence[str] | None = None) -> Capture:
        """Give one capture of both places, channels named ``host.LINE`` and ``card.LINE``."""
        host, card = self.places["host"], self.places["card"]
        times = np.union1d(host.times, card.times)
        names: list[str] = []
        columns: list[NDArray[np.uint8]] = []
        for place, capture in self.places.items():
            rows = np.searchsorted(capture.times, times, "right") - 1
            for line in capture.lines if lines is None else lines:
                names.append(f"{place}.{line}")
                columns.append(capture.levels(line)[rows])
        return Capture(
            lines=tuple(names),
            times=times,
            states=pack_levels(np.stack(columns, axis=1)),
            unknown=None,
            gaps=None,
            end=host.end,
            resolution=host.resolution,
            resolution_inferred=False,
            source="synthesised",
            notes=(),
        )


class _Undecided(Random):
    """Draws delays, but no bits: they are all 0 or all 1."""

    def __init__(self, seed: int, bit: int) -> None:
        super().__init__(seed)
        self._bit = bit

    def getrandbits(self, k: int, /) -> int:
        """Give bits that are all alike."""
        return ((1 << k) - 1) * self._bit

    def randint(self, a: int, b: int) -> int:
        """Draw from a range, both ends among it."""
        return a + int(self.random() * (b - a + 1))


def synthesise(
    bus: Bus,
    transfers: Sequence[Transfer],
    *,
    seed: int = 0,
    faults: Sequence[Fault] = (),
    sampling: Sampling | None = None,
    wait_share: float = 0.3,
    places: Sequence[str] = ("host", "card"),
    undecided: Literal[0, 1] | None = None,
) -> Synthesis:
    """Make captures of transfers, with legal random timing and, where wanted, faults.

    Parameters
    ----------
    bus : Bus
    transfers : sequence of Transfer
    seed : int
        The same seed gives the same captures.
    faults : sequence of Fault
    sampling : Sampling, optional
    wait_share : float
        Share of beats with wait states.
    places : sequence of str
        Of ``host``, ``card`` and ``other``: another slot of the backplane, before what breaks
        or ties lines at the card's.
    undecided : 0 or 1, optional
        What each bit is that nothing decides, such as what a memory holds that nobody wrote to;
        drawn where not given. What a run with 0 and one with 1 both show follows from the rest.

    Raises
    ------
    ValueError
        If the description says nothing about making captures.
    """
    if not bus.steps:
        raise ValueError(f"{bus.name} has no [[making.steps]]: no captures can be made")
    rng = Random(seed) if undecided is None else _Undecided(seed, undecided)
    run = Simulation(bus, rng, faults, wait_share)
    run.run(transfers)
    sampling = Sampling() if sampling is None else sampling
    draw = np.random.default_rng(seed)
    captures = {
        place: sampled(bus, run.history, place, run.now, sampling, draw) for place in places
    }
    return Synthesis(bus, captures, tuple(run.returned), tuple(run.notes))


def synthesise_log(
    bus: Bus,
    accesses: Sequence[Access],
    *,
    seed: int = 0,
    faults: Sequence[Fault] = (),
    sampling: Sampling | None = None,
    wait_share: float = 0.3,
    places: Sequence[str] = ("host", "card"),
) -> tuple[Synthesis, list[Access]]:
    """Make captures of accesses; give them with the log of what the host really read.

    Parameters as `synthesise`.

    Raises
    ------
    LogError
        If the bus has no cycle for an access.
    """
    transfers: list[Transfer] = []
    owners: list[int] = []
    for at, access in enumerate(accesses):
        for transfer, _, _ in split_access(bus, access):
            transfers.append(transfer)
            owners.append(at)
    made = synthesise(
        bus,
        transfers,
        seed=seed,
        faults=faults,
        sampling=sampling,
        wait_share=wait_share,
        places=places,
    )
    log: list[Access] = []
    parts: dict[int, list[tuple[Transfer, int | None]]] = {}
    for owner, transfer, word in zip(owners, transfers, made.returned, strict=True):
        parts.setdefault(owner, []).append((transfer, word))
    for at, access in enumerate(accesses):
        kind = kind_of(bus, access.op)
        if kind is None or kind.direction != "read":
            log.append(access)
            continue
        data = 0
        for count, (transfer, word) in enumerate(parts[at]):
            part = count % bus.operand.beats
            data |= taken_out(bus, access, transfer, word or 0, part)
        log.append(replace(access, data=data))
    return made, log


def sampled(
    bus: Bus,
    history: History,
    place: str,
    end: int,
    sampling: Sampling,
    draw: np.random.Generator,
) -> Capture:
    """Give what an analyzer shows of one place of a run that ended at `end`, ps."""
    moments = np.array(history.times, dtype=np.int64)
    levels = {"host": history.host, "card": history.card, "other": history.other}[place]
    packed = [
        np.array([each >> first & _WORD for each in levels], dtype=np.uint64)
        for first in range(0, len(bus.lines), 64)
    ]
    period = max(1, sampling.period)
    last = -(-end // period)
    columns = []
    ticks = []
    for at in range(len(bus.lines)):
        level = (packed[at // 64] >> np.uint64(at % 64) & np.uint64(1)).astype(np.uint8)
        moved = np.flatnonzero(np.diff(level)) + 1
        seen = moments[moved]
        if sampling.skew:
            seen = seen + int(draw.integers(0, sampling.skew + 1))
        if sampling.jitter and len(seen):
            seen = np.maximum.accumulate(seen + draw.integers(0, sampling.jitter + 1, len(seen)))
        ticks.append(np.append(0, -(-seen // period)))
        columns.append(np.append(level[0], level[moved]))
    every = np.unique(np.concatenate(ticks))
    every = every[every <= last]
    columns = [
        column[np.searchsorted(tick, every, "right") - 1]
        for tick, column in zip(ticks, columns, strict=True)
    ]
    return Capture(
        lines=bus.line_names,
        times=every * period,
        states=pack_levels(np.stack(columns, axis=1)),
        unknown=None,
        gaps=None,
        end=int(max(last, every[-1])) * period,
        resolution=period,
        resolution_inferred=False,
        source="synthesised",
        notes=(),
    )


def transfers_of(table: CycleTable) -> list[Transfer]:
    """Give the transfers that a cycle table shows; cut-off rows are left out."""
    found = []
    seen = -1
    for row in range(len(table)):
        if table.ended[row] == ENDINGS.index("cut-off") or table.kind[row] < 0:
            continue
        index = int(table.kind[row])
        kind = table.bus.kinds[index].name if index < len(table.bus.kinds) else "address-only"
        has_data = table.direction[row] > 0
        found.append(
            Transfer(
                kind,
                int(table.address[row]),
                int(table.lanes[row]),
                int(table.data[row]) if has_data else None,
                joined=int(table.cycle[row]) == seen,
                asked=int(table.asked[row]) or None,
                modifier=int(table.modifier[row]) if table.has_modifier[row] else None,
            )
        )
        seen = int(table.cycle[row])
    return found
