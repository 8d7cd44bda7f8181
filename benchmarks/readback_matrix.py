"""Every description with a memory, every kind of fault, several lines: read-backs against truth.

Run: ``python -m benchmarks.readback_matrix [SEEDS [BUS ...]]``; ``--noise``: bits flipped by
chance; ``--two``: two faults at once. ``--show`` prints each case that is wrong or undetermined.

Planned accesses are made on a synthesised target, and nothing but what they returned is judged.

first        the first group names the lines of the fault, and no others
twins        they are among the lines of the first group, which nothing read tells apart, or of
             what is told not to be excluded beside it
undetermined no single cause is given: more than one, not settled, in doubt
unseen       every read was right, though the fault was there
wrong        a settled cause with other lines
invented     something is found on a healthy target
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace
from random import Random
from typing import TYPE_CHECKING

from benchmarks.fault_matrix import cases
from busdecode.cycles import synthesise_log
from busdecode.diagnosis import judge, read_back
from busdecode.errors import RequestError
from busdecode.faults import NoAcknowledge, parse_fault
from busdecode.plan import make_plan, open_window
from busdecode.predict import Model, candidates, lines_of
from busdecode.protocol import bundled_buses, load_bus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.access import Access
    from busdecode.diagnosis import Judgement
    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = ["METHODS", "buses", "judged", "plan_for", "returned", "truth_of"]

METHODS = ("walking-both", "strobe-bridges", "address-powers", "lanes")


def buses() -> list[str]:
    """Give the bundled buses on which a read returns what was written."""
    found = []
    for name in bundled_buses():
        try:
            open_window(load_bus(name), 0, 64)
        except RequestError:
            continue
        found.append(name)
    return found


def plan_for(bus: Bus, methods: Sequence[str] = METHODS) -> tuple[Access, ...]:
    """Give the accesses of methods in a window of the bus."""
    span = min(4096, 1 << bus.address_width - 1)
    return make_plan(open_window(bus, span, span), methods).accesses


def returned(
    bus: Bus, accesses: Sequence[Access], faults: Sequence[Fault], seed: int
) -> list[Access]:
    """Make accesses on a target with faults; give them with what the reads returned."""
    return synthesise_log(bus, accesses, seed=seed, faults=faults)[1]


def truth_of(text: str, bus: Bus) -> frozenset[str]:
    """Give the lines of a fault."""
    return frozenset(word for word in text.split() if word in bus.line_names)


def judged(verdict: Judgement, truth: frozenset[str]) -> str:
    """Hold a judgement against the lines of the fault that was there."""
    if verdict.healthy:
        return "unseen"
    if verdict.more_than_one_cause:
        return "undetermined"
    named = (*verdict.groups[0].faults, *verdict.akin)
    names = {frozenset(lines_of(fault)) for fault in named}
    if truth in names:
        return "first" if len(names) == 1 else "twins"
    return "wrong" if verdict.is_settled else "undetermined"


def _noisy(log: Sequence[Access], share: float, rng: Random) -> list[Access]:
    noisy = []
    for access in log:
        if access.op == "read" and access.data is not None:
            flips = sum(1 << bit for bit in range(8 * access.size) if rng.random() < share)
            access = replace(access, data=access.data ^ flips)
        noisy.append(access)
    return noisy


def _matrix(name: str, seeds: int, *, shows: bool) -> Counter[str]:
    bus = load_bus(name)
    model, faults, plan = Model(bus), candidates(bus), plan_for(bus)
    table: dict[str, Counter[str]] = {}
    for seed in range(seeds):
        rows = [("healthy", "")] * 2 + cases(bus, Random(f"{name} {seed}"))
        for number, (kind, text) in enumerate(rows):
            if text.endswith(" hangs"):
                continue  # the machine hangs: there is no log
            fault = [parse_fault(text, bus)] if text else []
            log = returned(bus, plan, fault, 1000 * seed + number)
            verdict = judge(read_back(model, log), faults)
            said = judged(verdict, truth_of(text, bus))
            if not text:
                said = "healthy" if verdict.healthy else "invented"
            table.setdefault(kind, Counter())[said] += 1
            if said in ("wrong", "invented") or (shows and said == "undetermined"):
                print(f"  {said}: {name} {text}: {verdict.groups[0]}")
    for kind, counts in sorted(table.items()):
        print(f"  {kind:28} " + ", ".join(f"{n} {said}" for said, n in sorted(counts.items())))
    total = sum(table.values(), Counter[str]())
    print(
        f"{name}: {sum(total.values())} cases, {len(faults):,} candidates: {dict(total)}",
        flush=True,
    )
    return total


def _noise(name: str, seeds: int) -> None:
    """Count in how many cases the true cause is in the first group, with bits flipped."""
    bus = load_bus(name)
    model, faults = Model(bus), candidates(bus)
    data, address = list(bus.data), [line for line in bus.address if line not in bus.data]
    plan = plan_for(bus, ("true-complement", "address-powers"))
    for share in (0.01, 0.05, 0.1):
        for times in (1, 3, 5):
            right = total = 0
            for seed in range(seeds):
                rng = Random(f"{share} {times} {seed}")
                d, e = rng.sample(data, 2)
                texts = [f"stuck {d} low", f"bridge {d} {e} low-wins", f"bridge {d} {e} a-wins"]
                texts += [f"open {e} high"] + ([f"stuck {address[-4]} high"] if address else [])
                for text in texts:
                    fault = parse_fault(text, bus)
                    log = _noisy(returned(bus, plan * times, [fault], seed), share, rng)
                    verdict = judge(read_back(model, log), faults)
                    total += 1
                    if verdict.groups:
                        lines = {frozenset(lines_of(each)) for each in verdict.groups[0].faults}
                        right += truth_of(text, bus) in lines
            print(f"{name}: p = {share:4}, k = {times}: first in {right} of {total}", flush=True)


def _two(name: str, seeds: int) -> None:
    """Count what is said of two faults at once."""
    bus = load_bus(name)
    model, faults, plan = Model(bus), candidates(bus), plan_for(bus)
    said: Counter[str] = Counter()
    for seed in range(seeds):
        rng = Random(f"{name} two {seed}")
        texts = [text for _, text in rng.sample(cases(bus, rng), 2)]
        given = [parse_fault(text, bus) for text in texts]
        if any(isinstance(each, NoAcknowledge) for each in given):
            continue
        verdict = judge(read_back(model, returned(bus, plan, given, seed)), faults)
        lines = [truth_of(text, bus) for text in texts]
        if not verdict.groups:
            said["unseen"] += 1
            continue
        named = [{frozenset(lines_of(f)) for f in group.faults} for group in verdict.groups]
        found = [any(each in names for names in named[: verdict.together]) for each in lines]
        if verdict.together > 1 and all(found):
            said["both"] += 1
        elif verdict.more_than_one_cause:
            said["more than one cause"] += 1
        elif any(found):
            said["one of them, which alone explains every read"] += 1
        elif not verdict.is_settled:
            said["not settled"] += 1
        else:
            said["another single cause without a contradiction"] += 1
            print(f"  {texts}: {verdict.groups[0]}")
    print(f"{name}: two faults at once: {dict(said)}", flush=True)


def _main(arguments: list[str]) -> None:
    words = [each for each in arguments if not each.startswith("--")]
    seeds = int(words[0]) if words else 2
    total: Counter[str] = Counter()
    for name in words[1:] or buses():
        if "--noise" in arguments:
            _noise(name, seeds)
        elif "--two" in arguments:
            _two(name, seeds)
        else:
            total += _matrix(name, seeds, shows="--show" in arguments)
    if total:
        print(f"in all {sum(total.values())}: {dict(total)}")


if __name__ == "__main__":
    _main(sys.argv[1:])
