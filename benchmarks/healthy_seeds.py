"""Healthy captures of many seeds: no finding may come of any of them.

For each bundled bus and sampling, prints seeds run, seeds with a finding (which must be 0),
seeds at which it could not be told, and logged transfers without a beat. Run:
``python -m benchmarks.healthy_seeds [SEEDS [BUS ...]]``.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from random import Random

from benchmarks.stimulus import compared, random_accesses
from busdecode.cycles import Sampling
from busdecode.errors import LogError
from busdecode.protocol import bundled_buses, load_bus

ACCESSES = 16
RATES = (10, 20, 50, 100, 200)
"""Megasamples a second, besides a quarter and a half of the shortest pulse."""


def one_run(name: str, seed: int, period: int) -> tuple[bool, bool, int, str]:
    """Give whether one seed had a finding, could not be told, transfers lost, and a sentence."""
    bus = load_bus(name)
    accesses = random_accesses(bus, ACCESSES, Random(seed))
    try:
        result = compared(bus, accesses, seed=seed, sampling=Sampling(period, 3_000, 3_000))
    except LogError:  # too coarse for anything to align
        return False, True, 0, ""
    told = result.findings[0].sentence if result.findings else ""
    return bool(told), result.cannot_tell is not None, result.unmatched_log, told


def main() -> None:
    """Run every bus at every sampling."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    print(f"{'bus':14}{'period':>10}{'seeds':>8}{'findings':>10}{'cannot tell':>13}{'lost':>7}")
    wanted = sys.argv[2:] or list(bundled_buses())
    with ProcessPoolExecutor() as pool:
        for name in wanted:
            pulse = load_bus(name).shortest_pulse
            periods = dict.fromkeys(
                (
                    *(1_000_000 // rate for rate in sorted(RATES, reverse=True)),
                    pulse // 4,
                    pulse // 2,
                )
            )
            for period in sorted(periods):
                runs = list(
                    pool.map(one_run, [name] * seeds, range(seeds), [period] * seeds, chunksize=10)
                )
                found, cannot, lost = (sum(each[at] for each in runs) for at in range(3))
                print(f"{name:14}{period:>7} ps{seeds:>8}{found:>10}{cannot:>13}{lost:>7}")
                for seed, run in list(enumerate(runs)):
                    if run[3]:
                        print(f"  seed {seed}: {run[3]}")
                        break


if __name__ == "__main__":
    main()
