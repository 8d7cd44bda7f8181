"""Healthy captures of many seeds: no finding may come of any of them.

For each bundled bus and sampling, prints seeds run, seeds with a finding (which must be 0),
seeds at which it could not be told, and logged transfers without a beat. Run:
``python benchmarks/healthy_seeds.py [SEEDS]``.
"""

from __future__ import annotations

import sys
from random import Random
from typing import TYPE_CHECKING

from busdecode.access import Access, AccessLog
from busdecode.compare import compare
from busdecode.cycles import DecodedPlace, Sampling, decode, synthesise_log
from busdecode.protocol import bundled_buses, load_bus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.compare import Comparison
    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = ["compared", "random_accesses"]


def random_accesses(bus: Bus, count: int, rng: Random) -> list[Access]:
    """Draw writes, and reads of what was written, of every size that fits a word."""
    made: list[Access] = []
    written: list[tuple[int, int]] = []
    for _ in range(count):
        if written and rng.random() < 0.5:
            address, size = rng.choice(written)
            made.append(Access("read", address, size, None))
            continue
        size = rng.choice([each for each in (1, 2, 4) if each <= bus.word_bytes])
        address = rng.getrandbits(bus.address_width) // size * size
        if written and rng.random() < 0.5:
            address = rng.choice(written)[0] // size * size
        made.append(Access("write", address, size, rng.getrandbits(8 * size)))
        written.append((address, size))
    return made


def compared(
    bus: Bus,
    accesses: Sequence[Access],
    *,
    seed: int,
    faults: Sequence[Fault] = (),
    sampling: Sampling | None = None,
) -> Comparison:
    """Synthesise accesses, decode both places, and compare with what the host read."""
    sampling = sampling or Sampling()
    made, log = synthesise_log(bus, accesses, seed=seed, faults=faults, sampling=sampling)
    skew = sampling.skew + sampling.jitter
    places = {}
    for name, capture in made.places.items():
        table, decoder = decode(bus, [capture], skew=skew)
        places[name] = DecodedPlace(bus, name, capture, table, skew, tuple(decoder.notes))
    return compare(places, AccessLog(tuple(log), 0, "made", ()))


def main() -> None:
    """Run every bus at every sampling."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    print(f"{'bus':10}{'period':>10}{'seeds':>8}{'findings':>10}{'cannot tell':>13}{'lost':>7}")
    for name in bundled_buses():
        bus = load_bus(name)
        for period in (5_000, bus.shortest_pulse // 4, bus.shortest_pulse // 2, 100_000, 200_000):
            found = cannot = lost = 0
            for seed in range(seeds):
                accesses = random_accesses(bus, 40, Random(seed))
                try:
                    result = compared(
                        bus, accesses, seed=seed, sampling=Sampling(period, 3_000, 3_000)
                    )
                except ValueError:  # too coarse for anything to align
                    cannot += 1
                    continue
                found += bool(result.findings)
                cannot += result.cannot_tell is not None
                lost += result.unmatched_log
            print(f"{name:10}{period:>7} ps{seeds:>8}{found:>10}{cannot:>13}{lost:>7}")


if __name__ == "__main__":
    main()
