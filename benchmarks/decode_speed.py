"""How fast a loaded capture is decoded, and how that grows.

Prints, for each bus and size, beats a second and the ratio to a named reference measured in
the same run: one whole-array pass of numpy over the same rows (neighbours XORed, and the
changed rows counted). Run: ``python benchmarks/decode_speed.py``.
"""

from __future__ import annotations

import sys
from random import Random
from time import perf_counter

import numpy as np

from busdecode.access import Access
from busdecode.capture import Capture
from busdecode.cycles import decode, synthesise_log
from busdecode.protocol import bundled_buses, load_bus

SIZES = (125_000, 250_000, 500_000, 1_000_000)


def tiled(capture: Capture, beats: int, wanted: int) -> Capture:
    """Repeat a capture of some beats until it has those wanted."""
    times = -(-wanted // beats)
    shift = np.arange(times, dtype=np.int64)[:, None] * (capture.end + capture.resolution)
    return Capture(
        lines=capture.lines,
        times=(capture.times[None, :] + shift).reshape(-1),
        states=np.tile(capture.states, (times, 1)),
        unknown=None,
        gaps=None,
        end=int(capture.end + shift[-1, 0]),
        resolution=capture.resolution,
        resolution_inferred=False,
        source="tiled",
        notes=(),
    )


def best_of(runs: int, action: object) -> float:
    """Give the least time of some runs, s."""
    assert callable(action)
    least = float("inf")
    for _ in range(runs):
        start = perf_counter()
        action()
        least = min(least, perf_counter() - start)
    return least


def main() -> None:
    """Measure every bundled bus."""
    sizes = [int(size) for size in sys.argv[1:]] or SIZES
    print(f"{'bus':10}{'beats':>10}{'rows':>12}{'decode':>10}{'beats/s':>13}{'x one pass':>12}")
    for name in bundled_buses():
        bus = load_bus(name)
        rng = Random(1)
        size = min(2, bus.word_bytes)
        accesses = [
            Access(
                rng.choice(["read", "write"]), rng.getrandbits(14) * size, size, rng.getrandbits(8)
            )
            for _ in range(1000)
        ]
        made, _ = synthesise_log(bus, accesses, seed=1)
        for wanted in sizes:
            capture = tiled(made.places["card"], len(accesses), wanted)
            states = capture.states
            reference = best_of(
                3, lambda states=states: np.count_nonzero((states[1:] ^ states[:-1]).any(axis=1))
            )
            table, _ = decode(bus, [capture])
            assert len(table) >= wanted, (len(table), wanted)
            took = best_of(3, lambda bus=bus, capture=capture: decode(bus, [capture]))
            print(
                f"{name:10}{len(table):>10,}{len(capture):>12,}{took:>8.2f} s"
                f"{len(table) / took:>13,.0f}{took / reference:>12.1f}"
            )


if __name__ == "__main__":
    main()
