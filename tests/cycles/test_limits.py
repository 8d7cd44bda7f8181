"""Healthy made captures against published limits, measured by a loop that decodes nothing."""

from __future__ import annotations

import tomllib
from collections import defaultdict
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest

from busdecode.access import Access, Transfer, lane_mask, split_access
from busdecode.capture import Capture
from busdecode.cycles import Sampling, synthesise
from busdecode.protocol import Bus, bundled_buses, load_bus, parse_bus
from tests.strategies import forced_address, modifiers, port_at, used_bits

CASES = tomllib.loads((Path(__file__).parent / "mc68000_limits.toml").read_text(encoding="ascii"))
LIMITS = {case["number"]: case for case in CASES["limits"]}
EVERY_EDGE = Sampling(period=0)


def some_transfers(bus: Bus, count: int, rng: Random) -> list[Transfer]:
    """Draw single transfers of every kind, and read-modify-writes where the bus has them."""
    repeats = any(("another", "beat") in step.actions for step in bus.steps)
    found: list[Transfer] = []
    for _ in range(count):
        kind = rng.choice(bus.kinds)
        modifier = rng.choice(modifiers(bus, kind))
        address = rng.getrandbits(bus.address_width) & used_bits(bus, kind, modifier)
        address = forced_address(bus, kind.levels, address) if bus.address else 0
        if not kind.beats:
            word = address // bus.word_bytes * bus.word_bytes
            found.append(Transfer(kind.name, word, 0, None, modifier=modifier))
            continue
        size = rng.choice([each for each in (1, 2, 4) if each <= bus.word_bytes])
        data = rng.getrandbits(8 * size) if kind.direction == "write" else None
        access = Access(kind.name, address // size * size, size, data)
        parts = split_access(bus, access, lambda word: port_at(bus, word))
        found += [replace(part, modifier=modifier) for part, _, _ in parts]
        if repeats and not kind.steps and kind.name == "read" and rng.random() < 0.3:
            last = found[-1]
            written = rng.getrandbits(len(bus.data)) & lane_mask(bus, last.lanes)
            found.append(replace(last, kind="write", data=written, joined=True))
    return found


class Wires:
    """What each line of a capture did: its level and the moment of its last change."""

    def __init__(self, names: tuple[str, ...]) -> None:
        self.level = dict.fromkeys(names, 1)
        self.since = dict.fromkeys(names, -(10**12))


def measured(capture: Capture) -> dict[str, list[int]]:
    """Measure each limit's interval at every place where it applies, ps."""
    data = [f"D{bit}" for bit in range(16)]
    address = [f"A{bit}" for bit in range(1, 24)]
    strobes = ("UDS", "LDS")
    columns = {name: capture.levels(name).tolist() for name in capture.lines}
    wires = Wires(capture.lines)
    found: dict[str, list[int]] = defaultdict(list)
    owed: list[tuple[str, int, tuple[str, ...]]] = []  # limits on the next change of lines
    is_write = False
    for at, now in enumerate(capture.times.tolist()):
        moved = {
            name for name in capture.lines if at and columns[name][at] != columns[name][at - 1]
        }
        fell = {name for name in moved if columns[name][at] == 0}
        rose = moved - fell

        def stood(names: list[str], now: int = now) -> int:
            return now - max(wires.since[name] for name in names)

        width = {name: now - wires.since[name] for name in moved}
        for number, moment, lines in list(owed):
            if moved & set(lines):
                found[number].append(now - moment)
                owed.remove((number, moment, lines))
        if "AS" in fell:
            found["11"].append(stood(address))
            found["15"].append(width["AS"])
        for name in fell & set(strobes):
            is_write = wires.level["R/W"] == 0 or "R/W" in fell
            found["15"].append(width[name])
            if is_write:
                found["22"].append(stood(["R/W"]))
                found["26"].append(stood(data))
            else:
                found["11"].append(stood(address))
        if "R/W" in fell and wires.level["AS"] == 0 and now - wires.since["AS"] < 270_000:
            found["20A"].append(now - wires.since["AS"])
        if "AS" in rose:
            found["14"].append(width["AS"])
            owed.append(("13", now, (*address, "FC0", "FC1", "FC2")))
        for name in rose & set(strobes):
            found["14A" if is_write else "14"].append(width[name])
            owed.append(("25" if is_write else "29", now, tuple(data)))
            owed.append(("28", now, ("DTACK",)))
        if "DTACK" in fell and not is_write:
            # Data may come before DTACK, or follow it until the processor takes them.
            found["31"].append(0)
            owed.append(("31", now, tuple(data)))
        if rose & {"AS", *strobes}:
            owed = [each for each in owed if each[0] != "31"]
        for name in moved:
            wires.level[name] = columns[name][at]
            wires.since[name] = now
    return found


def terminated() -> Bus:
    """Give the bundled bus with pull-ups on address, data and function code.

    A line without a pull keeps its level when it is released, and a capture of levels does not
    show that. With a pull the moment of the release is seen; the delays are the same.
    """
    text = Path(str(load_bus("mc68000").path)).read_text(encoding="utf-8")
    for role, driver in (("address", "host"), ("data", "both"), ("function", "host")):
        plain = f'role = "{role}", driver = "{driver}" }}'
        assert text.count(plain) == 1
        text = text.replace(plain, plain.replace(" }", ', pull = "up" }'))
    return parse_bus(text)


@pytest.fixture(scope="module")
def intervals() -> dict[str, list[int]]:
    """Every interval of 40 runs, both places."""
    bus = terminated()
    found: dict[str, list[int]] = defaultdict(list)
    for seed in range(40):
        transfers = some_transfers(bus, 8, Random(seed))
        made = synthesise(bus, transfers, seed=seed, sampling=EVERY_EDGE)
        for capture in made.places.values():
            for number, each in measured(capture).items():
                found[number] += each
    return found


@pytest.mark.parametrize("number", LIMITS)
def test_made_captures_keep_the_published_limit(
    number: str, intervals: dict[str, list[int]]
) -> None:
    """M68000UM 10.10: no interval of any healthy cycle lies beyond the limit."""
    limit, found = LIMITS[number], intervals[number]
    assert len(found) > 40
    if "least" in limit:
        assert min(found) >= limit["least"] * 1_000
    if "greatest" in limit:
        assert max(found) <= limit["greatest"] * 1_000


def test_every_measured_interval_has_a_limit(intervals: dict[str, list[int]]) -> None:
    """Nothing is measured in vain."""
    assert set(intervals) == set(LIMITS)


CONTROL = ("strobe", "lane", "acknowledge", "error", "wait")


@pytest.mark.parametrize("name", bundled_buses())
def test_no_pulse_of_a_control_line_is_shorter_than_the_description_says(name: str) -> None:
    """The figure by which a user chooses the sample period holds over 200 seeds."""
    bus = load_bus(name)
    lines = [line.name for line in bus.lines if line.role in CONTROL]
    shortest: dict[str, int] = {}
    for seed in range(200):
        transfers = some_transfers(bus, 3, Random(seed))
        capture = synthesise(bus, transfers, seed=seed, sampling=EVERY_EDGE).places["host"]
        times = capture.times.tolist()
        for line in lines:
            levels = capture.levels(line).tolist()
            edges = [times[at] for at in range(1, len(times)) if levels[at] != levels[at - 1]]
            for first, second in pairwise(edges):
                shortest[line] = min(shortest.get(line, second - first), second - first)
    assert shortest
    assert min(shortest.values()) >= bus.shortest_pulse, shortest
