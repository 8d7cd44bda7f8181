"""How long read-backs take to judge, how it grows, and how much memory it takes.

Run: ``python -m benchmarks.readback_speed [BUS [ACCESSES ...]]``

The reference, in the same run: the same candidates foretold one at a time by a plain loop over
a dictionary, which knows faults of data lines only; a sample of them, the rest extrapolated.
"""

from __future__ import annotations

import resource
import sys
from random import Random
from time import perf_counter

from busdecode.access import Access
from busdecode.diagnosis import judge, read_back
from busdecode.faults import Bridge, Fault, Stuck
from busdecode.predict import Model, candidates
from busdecode.protocol import load_bus

__all__ = ["accesses", "plain"]


def accesses(count: int, size: int, seed: int = 1) -> list[Access]:
    """Give writes of random words and reads of them, D3 read low all the time."""
    rng = Random(seed)
    stored: dict[int, int] = {}
    made = []
    for _ in range(count):
        if stored and rng.random() < 0.5:
            address = rng.choice(list(stored)) if len(stored) < 64 else _some(stored, rng)
            made.append(Access("read", address, size, stored[address] & ~8))
            continue
        address = 0x10000 + rng.randrange(0, count) * size
        stored[address] = rng.getrandbits(8 * size)
        made.append(Access("write", address, size, stored[address]))
    return made


def _some(stored: dict[int, int], rng: Random) -> int:
    while True:
        address = 0x10000 + rng.randrange(0, 4 * len(stored)) * 4
        if address in stored:
            return address


def plain(log: list[Access], fault: Fault) -> int:
    """Foretell a log with one fault of data lines, one access after the other; count what fits."""
    memory: dict[int, int] = {}
    fits = 0

    def seen(word: int) -> int:
        if isinstance(fault, Stuck):
            bit = 1 << int(fault.line[1:])
            return word | bit if fault.level else word & ~bit
        assert isinstance(fault, Bridge)
        a, b = (1 << int(line[1:]) for line in (fault.a, fault.b))
        if fault.rule == "low-wins":
            return word if bool(word & a) == bool(word & b) else word & ~(a | b)
        return word if bool(word & a) == bool(word & b) else word | a | b

    for access in log:
        if access.op == "write":
            memory[access.address] = seen(access.data or 0)
        elif access.address in memory:
            fits += seen(memory[access.address]) == access.data
    return fits


def _main(name: str, counts: list[int]) -> None:
    bus = load_bus(name)
    faults = candidates(bus)
    print(f"{name}: {len(bus.lines)} lines, {len(faults):,} candidates")
    for count in counts:
        log = accesses(count, 4)
        model = Model(bus)
        began = perf_counter()
        evidence = read_back(model, log)
        verdict = judge(evidence, faults)
        took = perf_counter() - began
        sample = [Stuck("D3", 0), Bridge("D3", "D4", "low-wins"), Bridge("D1", "D9", "high-wins")]
        began = perf_counter()
        for fault in sample:
            plain(log, fault)
        each = (perf_counter() - began) / len(sample)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        print(
            f"{count:>9,} accesses {took:8.2f} s, {took / len(faults) * 1e6:7.0f} us a candidate; "
            f"plain loop {each * 1e6:9.0f} us: {each * len(faults) / took:6.1f} times; "
            f"peak {peak:.0f} MB; {verdict.groups[0].faults[0]}"
        )


if __name__ == "__main__":
    _main(
        sys.argv[1] if len(sys.argv) > 1 else "vmebus",
        [int(each) for each in sys.argv[2:]] or [100, 1000, 10_000],
    )
