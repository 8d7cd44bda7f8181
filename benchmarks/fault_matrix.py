"""Every description, every kind of fault, every place probed, many seeds: verdict against truth.

Run: ``python -m benchmarks.fault_matrix [SEEDS [BUS ...]]``; ``--mismatch`` instead of the
matrix: bridges whose rule nobody assumed, faults that come and go, causes outside the model.
``--wrong`` prints each case that is wrong or invented.

Verdicts, by the first finding:

right        it names the lines of the fault
twins        the lines of the fault are among those that the tool itself says it cannot tell apart
undetermined no cause is named: no finding, cannot tell, the log is refused, the findings are
             told to be in doubt, or the finding says that why is not determined or that the
             cause lies beyond the probes
wrong        other lines are named, though the fault shows
invented     lines are named though nothing on the lines and in the log differs from a healthy run
"""

from __future__ import annotations

import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from random import Random
from typing import TYPE_CHECKING

import numpy as np

from benchmarks.stimulus import address_bits, decoded, logged_kinds, made, random_accesses
from busdecode.compare import compare
from busdecode.errors import BusdecodeError
from busdecode.faults import parse_fault
from busdecode.protocol import bundled_buses, load_bus

if TYPE_CHECKING:
    from busdecode.capture import Capture
    from busdecode.compare import Comparison
    from busdecode.cycles import Synthesis
    from busdecode.protocol import Bus

__all__ = ["VERDICTS", "cases", "judged", "mismatches", "one_case"]

VERDICTS = ("right", "twins", "undetermined", "wrong", "invented")
PLACES = (("host",), ("card",), ("host", "card"))
RULES = ("low-wins", "high-wins", "host-wins", "a-wins", "b-wins", "undetermined")


def cases(bus: Bus, rng: Random) -> list[tuple[str, str]]:
    """Give (kind of case, fault as text) for every kind of fault that the bus can have."""
    data = list(bus.data)
    d, e = rng.sample(data, 2)
    # Lines that no access of the stimulus uses cannot show anything.
    used = [address_bits(bus, kind) for kind in logged_kinds(bus)]
    bit_of = dict(zip(bus.address, bus.address_bits, strict=True))
    address = [
        line
        for line, bit in bit_of.items()
        if line not in data and 1 << bit >= bus.word_bytes and all(mask >> bit & 1 for mask in used)
    ]
    shared = [line for line in bus.address if line in data]
    found: list[tuple[str, str]] = []

    def add(kind: str, text: str) -> None:
        found.append((kind, text))

    def line_faults(what: str, one: str, other: str) -> None:
        for level in ("low", "high"):
            add(f"{what} stuck", f"stuck {one} {level}")
        for rule in RULES:
            add(f"{what} bridged", f"bridge {one} {other} {rule}")
        for floats in ("high", "low", "keep"):
            add(f"{what} open", f"open {one} {floats}")
        add(f"{what} swapped", f"swapped {one} {other}")

    line_faults("data", d, e)
    if address:
        a, b = rng.sample(address, 2)
        line_faults("address", a, b)
        for rule in RULES[:2]:
            add("data to address", f"bridge {d} {a} {rule}")
    if len(shared) > 1:
        a, b = rng.sample(shared, 2)
        for rule in RULES:
            add("multiplexed bridged", f"bridge {a} {b} {rule}")
    roles: dict[str, list[str]] = {}
    for line in bus.lines:
        roles.setdefault(line.role, []).append(line.name)
    for role, kind in (("strobe", "strobe"), ("lane", "lane strobe"), ("direction", "direction")):
        for line in roles.get(role, [])[:1] if role == "direction" else _some(rng, roles.get(role)):
            for rule in ("low-wins", "high-wins", "a-wins", "b-wins"):
                add(f"data to {kind}", f"bridge {d} {line} {rule}")
            for level in ("low", "high"):
                add(f"{kind} stuck", f"stuck {line} {level}")
            add(f"{kind} open", f"open {line} high")
    for line in bus.lane_strobes:
        add("lane lost or on", f"lane-lost {line}")
        add("lane lost or on", f"lane-on {line}")
    ends = [line for line in bus.ending.acknowledged if bus.line(line).role == "acknowledge"]
    for line in ends[:1]:
        for rule in ("low-wins", "high-wins"):
            add("data to acknowledge", f"bridge {d} {line} {rule}")
        for level in ("low", "high"):
            add("acknowledge tied", f"stuck {line} {level}")
        for then in ("error", "ends", "hangs"):
            add("acknowledge missing", f"no-acknowledge {line} {then}")
        add("acknowledge late", f"late-acknowledge {line} 3 us")
        add("acknowledge early", f"early-acknowledge {line}")
    for level in ("low", "high"):
        add("read driver", f"read-driver {d} {level}")
        add("write receiver", f"write-receiver {d} {level}")
    late = max(bus.shortest_pulse * 2, 150_000) // 1000
    for direction in ("read", "write"):
        add("data late", f"late-data {direction} {late} ns")
        add("overlap at turn-around", f"slow-release {direction} {late} ns")
    add("when a line is high", f"when {e} high stuck {d} low")
    add("intermittent 30 %", f"intermittent 30 stuck {d} low")
    add("card side", f"card-side stuck {d} high")
    add("card side", f"card-side bridge {d} {e} low-wins")
    return found


def mismatches(bus: Bus, rng: Random) -> list[tuple[str, str]]:
    """Give cases that the comparison does not assume: rules, shares, causes outside the model."""
    d, e = rng.sample(list(bus.data), 2)
    strobe = next(line.name for line in bus.lines if line.role in ("strobe", "lane"))
    found = [("bridge, either may win", f"bridge {d} {e} undetermined")]
    for percent in (1, 2, 5):
        found += [
            (f"stuck, {percent} % of the time", f"intermittent {percent} stuck {d} low"),
            (f"bridge, {percent} % of the time", f"intermittent {percent} bridge {d} {e} low-wins"),
            (f"open, {percent} % of the time", f"intermittent {percent} open {d} high"),
        ]
    found += [
        ("slow edge on a data line", f"slow-edge {d}"),
        ("slow edge on a strobe", f"slow-edge {strobe}"),
        ("noisy strobe", f"noise {strobe}"),
        ("noisy data line", f"noise {d}"),
    ]
    return found


def _some(rng: Random, lines: list[str] | None) -> list[str]:
    return rng.sample(lines, min(2, len(lines))) if lines else []


def one_case(
    name: str, kind: str, text: str, places: tuple[str, ...], seed: int, count: int = 60
) -> tuple[str, str, str, str]:
    """Run one case; give the bus, the kind of case, the verdict, and what was said."""
    bus = load_bus(name)
    asked = random_accesses(bus, count, Random(seed))
    word, *lines = text.split()
    if word in ("slow-edge", "noise"):
        synthesis, log = made(bus, asked, seed=seed)
        spoilt = _chattering if word == "slow-edge" else _noisy
        captures = {
            place: spoilt(capture, lines[0], seed) for place, capture in synthesis.places.items()
        }
        truth, shows = {lines[0]}, True
    else:
        fault = parse_fault(text, bus)
        synthesis, log = made(bus, asked, seed=seed, faults=[fault])
        healthy, healthy_log = made(bus, asked, seed=seed)
        captures = dict(synthesis.places)
        truth = {each for each in text.split() if each in bus.line_names}
        if word == "when":
            truth -= {lines[0]}
        if word in ("late-data", "slow-release"):
            truth = set(bus.data)
        shows = not _same(synthesis, healthy, places) or log.accesses != healthy_log.accesses
    try:
        result = compare(decoded(bus, {place: captures[place] for place in places}), log)
    except BusdecodeError as error:
        return name, kind, "undetermined", f"refused: {error.found}"
    return name, kind, *judged(result, truth, shows=shows, is_data=word in _OF_DATA)


_OF_DATA = ("late-data", "slow-release")
"""Faults of all data lines at once: any of them may be named."""


def judged(
    result: Comparison, truth: set[str], *, shows: bool, is_data: bool = False
) -> tuple[str, str]:
    """Hold a comparison's first finding against the lines of the fault."""
    if not result.findings:
        return "undetermined", result.cannot_tell or "nothing found"
    first = result.findings[0]
    groups = [set(first.lines), *map(set, first.twins)]
    said = first.sentence
    if groups[0] == truth or (is_data and groups[0] <= truth):
        return "right", said
    if truth in groups:
        return "twins", said
    if not shows:
        return "invented", said
    if first.path in ("stored", "undetermined") or result.doubt or not first.is_determined:
        return "undetermined", said
    return "wrong", said


def _same(one: Synthesis, other: Synthesis, places: tuple[str, ...]) -> bool:
    return all(
        np.array_equal(one.places[place].times, other.places[place].times)
        and np.array_equal(one.places[place].states, other.places[place].states)
        for place in places
    )


def _flipped(capture: Capture, line: str, times: np.ndarray, width: int) -> Capture:
    """Turn a line's level over from each of some moments, for a time."""
    at = capture.lines.index(line)
    moments = np.union1d(capture.times, np.concatenate([times, times + width]))
    moments = moments[(moments >= capture.times[0]) & (moments < capture.end)]
    states = capture.states[np.searchsorted(capture.times, moments, "right") - 1].copy()
    for time in times.tolist():
        rows = (moments >= time) & (moments < time + width)
        states[rows, at // 64] ^= np.uint64(1 << at % 64)
    return replace(capture, times=moments, states=states)


def _noisy(capture: Capture, line: str, seed: int) -> Capture:
    """Give a line a glitch of one sample now and then."""
    draw = np.random.default_rng(seed)
    ticks = capture.end // capture.resolution
    times = np.unique(draw.integers(1, ticks, max(4, len(capture) // 100))) * capture.resolution
    return _flipped(capture, line, times, capture.resolution)


def _chattering(capture: Capture, line: str, seed: int) -> Capture:
    """Let every third edge of a line be slow: its level comes and goes for some samples."""
    draw = np.random.default_rng(seed)
    levels = capture.levels(line)
    edges = capture.times[1:][np.diff(levels.astype(np.int8)) != 0]
    chosen = edges[draw.random(len(edges)) < 0.34]
    return _flipped(capture, line, chosen + capture.resolution, capture.resolution)


def main() -> None:
    """Run all and print the table."""
    words = [word for word in sys.argv[1:] if not word.startswith("--")]
    make = mismatches if "--mismatch" in sys.argv else cases
    seeds = int(words[0]) if words else 5
    names = words[1:] or list(bundled_buses())
    jobs = [
        (name, kind, text, places, seed)
        for name in names
        for seed in range(seeds)
        for kind, text in make(load_bus(name), Random(f"{name} {seed}"))
        for places in PLACES
    ]
    counts: dict[tuple[str, str], Counter[str]] = {}
    told: list[str] = []
    with ProcessPoolExecutor() as pool:
        for job, (name, kind, verdict, said) in zip(
            jobs, pool.map(one_case, *zip(*jobs, strict=True), chunksize=8), strict=True
        ):
            for key in ((name, ""), ("", kind), ("", "")):
                counts.setdefault(key, Counter())[verdict] += 1
            if verdict in ("wrong", "invented"):
                told.append(
                    f"{verdict}: {name}, {job[2]}, at {'+'.join(job[3])}, seed {job[4]}: {said}"
                )
    print(f"{'':32}" + "".join(f"{verdict:>14}" for verdict in VERDICTS))
    keys = [key for key in counts if key[0]] + sorted(
        key for key in counts if not key[0] and key[1]
    )
    for key in [*keys, ("", "")]:
        row = "".join(f"{counts[key][verdict]:>14}" for verdict in VERDICTS)
        print(f"{key[0] or key[1] or 'all':32}{row}")
    if "--wrong" in sys.argv:
        print("\n".join(told))


if __name__ == "__main__":
    main()
