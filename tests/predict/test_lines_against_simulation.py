"""What lines are foretold to show, held against captures made with the same fault.

The captures are made by host and card that act on what they see; nothing of them is foretold.
"""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchmarks.stimulus import random_accesses
from busdecode.access import split_access
from busdecode.cycles import ENDINGS, MOMENTS, Sampling, decode, moment_of, synthesise
from busdecode.faults import written_fault
from busdecode.predict import FaultRows, Foreteller, LineForeteller
from tests.diagnosis.readbacks import bus_of, fault_of, log_of, model_of
from tests.predict.test_against_simulation import BUSES, at_random, drawn_of_each_kind, planned

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.access import Transfer
    from busdecode.faults import Fault
    from busdecode.protocol import Bus


WITHOUT_MEMORY = ("8255", "hd44780", "hd44780-nibble", "ieee1284-epp", "ata-pio")
"""Buses of which nothing that is read follows from what was written."""


def shown(
    bus: Bus, transfers: Sequence[Transfer], fault: Fault | None, seed: int
) -> dict[str, NDArray[np.uint64]] | None:
    """Give what each place shows of each transfer, shape (T, M, W); None if cycles are missing."""
    faults = [] if fault is None else [fault]
    made = synthesise(bus, transfers, seed=seed, faults=faults, sampling=Sampling(period=0))
    table, _ = decode(bus, [made.places["host"]])
    rows = np.flatnonzero((table.ended != ENDINGS.index("cut-off")) & (table.kind >= 0))
    if len(rows) != len(transfers):
        return None
    found = {}
    for place, capture in made.places.items():
        levels = []
        for name in MOMENTS:
            moment = moment_of(bus, name)
            times = table.phase(moment.phase)[rows] + moment.offset
            side = "right" if moment.how == "at" else "left"
            at = np.searchsorted(capture.times, times, side) - 1
            levels.append(capture.states[np.maximum(at, 0)])
        found[place] = np.stack(levels, axis=1)
    return found


def disagreements(
    name: str, transfers: Sequence[Transfer], faults: Sequence[Fault | None], seed: int
) -> tuple[list[str], int]:
    """Give what was foretold otherwise than it was shown, and how many levels were foretold."""
    bus = bus_of(name)
    foreteller = Foreteller(model_of(name), transfers)
    wrong, told = [], 0
    for fault in faults:
        for place, levels in (shown(bus, transfers, fault, seed) or {}).items():
            rows = FaultRows(model_of(name), [fault])
            _, found = next(iter(LineForeteller(foreteller, place).over(rows)))
            words, known = (each.reshape(levels.shape) for each in (found.words, found.known))
            off = (words ^ levels) & known
            wrong += [
                f"{'none' if fault is None else written_fault(fault)} at {place}: "
                f"transfer {at}, {MOMENTS[moment]}"
                for at, moment in np.argwhere(off.any(axis=2)).tolist()
            ]
            told += int(np.bitwise_count(known).sum())
    return wrong, told


def transfers_of(name: str, seed: int) -> list[Transfer]:
    """Give the transfers of some thirty accesses, planned or at random."""
    bus, rng = bus_of(name), Random(f"{name} {seed} lines")
    log = (
        (planned if seed == 1 else at_random)(bus, BUSES[name], rng)
        if name in BUSES
        else random_accesses(bus, 60, rng)
    )
    return [transfer for access in log for transfer, _, _ in split_access(bus, access)]


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("name", [*BUSES, *WITHOUT_MEMORY])
def test_what_lines_are_foretold_to_show_is_what_captures_show(name: str, seed: int) -> None:
    """Every level that is known, at host and card, with no fault and with many kinds of it."""
    faults = [None, *drawn_of_each_kind(bus_of(name), Random(f"{name} {seed}"), 10)]
    wrong, told = disagreements(name, transfers_of(name, seed), faults, seed)

    assert wrong == []
    # The rest is not known, or this would show nothing.
    assert told > (10_000 if name in BUSES else 3_000)


# Fault, place, moment, line, and its levels in a write of 24 and a read of it.
BY_HAND = [
    ("none", "host", "write", "D2", "1"),
    ("stuck D2 low", "host", "write", "D2", "0"),
    ("bridge D2 D3 low-wins", "host", "write", "D2", "0"),
    ("bridge D2 D3 high-wins", "card", "write", "D3", "1"),
    # A break shows on the card's side alone, and what was stored comes back.
    ("open D2 low", "host", "write", "D2", "1"),
    ("open D2 low", "card", "write", "D2", "0"),
    ("read-driver D2 low", "host", "read", "D2", "0"),
    ("read-driver D2 low", "host", "write", "D2", "1"),
    ("write-receiver D2 low", "card", "write", "D2", "1"),
    ("write-receiver D2 low", "host", "read", "D2", "0"),
    ("absent high", "host", "read", "D2", "1"),
    ("absent low", "host", "read", "D2", "0"),
    ("absent any", "host", "read", "D2", "?"),
    ("stuck A0 high", "host", "address", "A0", "11"),
    ("open A0 high", "host", "address", "A0", "00"),
    ("open A0 high", "card", "address", "A0", "11"),
    # A strobe that is held low tells no moments.
    ("stuck MREQ low", "host", "address", "A0", "??"),
]


@pytest.mark.parametrize(("fault", "place", "moment", "line", "levels"), BY_HAND)
def test_levels_worked_out_by_hand(
    fault: str, place: str, moment: str, line: str, levels: str
) -> None:
    """One write and one read of 0x24 on an eight-bit bus."""
    bus, model = bus_of("z80"), model_of("z80")
    parts = [split_access(bus, access) for access in log_of("w0=24 r0")]
    foreteller = Foreteller(model, [transfer for each in parts for transfer, _, _ in each])
    rows = FaultRows(model, [None if fault == "none" else fault_of(fault)])
    _, found = next(iter(LineForeteller(foreteller, place).over(rows)))
    words, known = (each.reshape(2, len(MOMENTS)) for each in (found.words, found.known))
    bit = 1 << bus.line_names.index(line)
    at = {"address": [0, 1], "write": [0], "read": [1]}[moment]
    number = MOMENTS.index(moment)
    said = [
        ("1" if int(words[each, number]) & bit else "0") if int(known[each, number]) & bit else "?"
        for each in at
    ]

    assert "".join(said) == levels
