"""Captures of few channels joined: of the same stimulus, and of others, over many seeds.

Random accesses of each bus are run once with all lines captured, and once more, with other delays
and wait states, for each group of lines: all strobes, the direction and one data line in every
group, and other lines up to eight channels, but three at least. Columns:

groups          captures joined
runs differ     the whole runs do not show the same themselves: a fault that delays decide
equal           joined, and as the capture with all lines has it, but for times
unlike          joined, but not so: must be 0
refused         refused, though it is the same stimulus
then the last capture is of another stimulus: one access more in the middle, one with all of its
data inverted, two neighbours that changed places
other refused   as it should be
joined wrongly  joined, though the lines in common show the difference: must be 0
not shown       joined; the lines in common show no difference, or one that cannot be told from
                beats cut off at the ends

``--idle`` has a pause before and after, so that nothing can have been cut off; ``--faults``
bridges two lines of different groups in all runs. Run:
``python -m benchmarks.joining [--idle] [--faults] [SEEDS [BUS ...]]``.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, fields, replace
from random import Random
from typing import TYPE_CHECKING

import numpy as np

from benchmarks.stimulus import random_accesses
from busdecode.cycles import ENDINGS, decode, joined, looks_of, synthesise_log
from busdecode.cycles.looks import strobes_of
from busdecode.errors import JoinError
from busdecode.faults import parse_fault
from busdecode.protocol import bundled_buses, load_bus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.access import Access
    from busdecode.capture import Capture
    from busdecode.cycles import CycleTable
    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = ["Setting", "other_stimuli", "same_values", "setting", "shows_difference"]

ACCESSES = 16
CHANNELS = 8
LEAST_OTHERS = 3
PAUSE = 1_000_000_000
"""Longer than any pause between cycles, ps."""

_TIMES = ("start", "end", "phases", "unsure")
COLUMNS = (
    "runs differ",
    "equal",
    "unlike",
    "refused",
    "other refused",
    "joined wrongly",
    "not shown",
)


@dataclass(frozen=True)
class Setting:
    """A stimulus and the groups of lines in which it is captured; the common ones come first."""

    bus: Bus
    accesses: tuple[Access, ...]
    common: tuple[str, ...]
    groups: tuple[tuple[str, ...], ...]
    faults: tuple[Fault, ...]

    def captured(self, accesses: Sequence[Access], seed: int, *, idle: bool) -> Capture:
        """Run accesses, and capture all lines."""
        made, _ = synthesise_log(
            self.bus, accesses, seed=seed, faults=self.faults, places=("host",)
        )
        capture = made.places["host"]
        if not idle:
            return capture
        later = np.where(np.arange(len(capture)) > 0, PAUSE, 0)
        return replace(capture, times=capture.times + later, end=capture.end + 2 * PAUSE)


def setting(bus: Bus, seed: int, *, is_faulty: bool = False) -> Setting:
    """Draw accesses, of which none reads what nobody wrote, and groups of lines."""
    rng = Random(seed)
    accesses = tuple(
        each
        for each in random_accesses(bus, ACCESSES, rng)
        if each.data is not None or bus.kind(each.op).space != "none"
    )
    strobes = strobes_of(bus, bus.line_names)
    turns = [line.name for line in bus.lines if line.role == "direction"]
    common = tuple(dict.fromkeys((*strobes, *turns, rng.choice(bus.data))))
    rest = [line for line in bus.line_names if line not in common]
    rng.shuffle(rest)
    width = max(LEAST_OTHERS, CHANNELS - len(common))
    groups = [(*common, *rest[at : at + width]) for at in range(0, len(rest), width)]
    faults: tuple[Fault, ...] = ()
    if is_faulty and len(groups) > 1:
        one, other = rest[0], rng.choice(rest[width:])
        faults = (parse_fault(f"bridge {one} {other} low-wins", bus),)
    return Setting(bus, accesses, common, tuple(groups), faults)


def other_stimuli(accesses: Sequence[Access], rng: Random) -> list[list[Access]]:
    """Give one access more in the middle, other data in one, and two that changed places."""
    more, value, order = list(accesses), list(accesses), list(accesses)
    more.insert(rng.randrange(1, len(accesses)), rng.choice(accesses))
    written = [at for at, each in enumerate(accesses) if each.data is not None]
    at = rng.choice(written)
    value[at] = replace(value[at], data=(value[at].data or 0) ^ (1 << 8 * value[at].size) - 1)
    at = rng.randrange(len(accesses) - 1)
    order[at : at + 2] = order[at + 1], order[at]
    return [more, value, order]


def same_values(one: CycleTable, other: CycleTable) -> bool:
    """Tell whether two tables agree in all columns that are no times."""
    return all(
        np.array_equal(getattr(one, each.name), getattr(other, each.name))
        for each in fields(one)[1:]
        if each.name not in _TIMES
    )


def shows_difference(one: Setting, first: Capture, second: Capture, *, idle: bool) -> bool:
    """Tell whether the common lines of two whole captures show that these differ.

    They are decoded on their own. Without a pause around them, which a clock that never rests
    does not have, leaving out beats at the ends, up to half of the shorter one, may not make them
    equal either.
    """
    kept = []
    for capture in (first, second):
        table, _ = decode(one.bus, [capture.select(one.common)])
        table = table.take(table.ended != ENDINGS.index("cut-off"))
        columns = (table.kind, table.direction, table.lanes, table.data, table.data_known)
        columns = (*columns, table.address, table.beat, table.ended)
        kept.append(list(zip(*(each.tolist() for each in columns), strict=True)))
    ours, theirs = kept
    if idle and one.bus.cycle_begins != one.bus.cycle_ends:
        return ours != theirs
    least = (min(len(ours), len(theirs)) + 1) // 2
    for shift in range(least - len(theirs), len(ours) - least + 1):
        low, high = max(0, shift), min(len(ours), len(theirs) + shift)
        if ours[low:high] == theirs[low - shift : high - shift]:
            return False
    return True


def one_seed(bus: Bus, seed: int, *, idle: bool, is_faulty: bool) -> Counter[str]:
    """Join captures of one stimulus, and of three with the last capture of another."""
    one, found = setting(bus, seed, is_faulty=is_faulty), Counter[str]()
    wholes = [
        one.captured(one.accesses, 1_000 * seed + at, idle=idle)
        for at in range(len(one.groups) + 1)
    ]
    whole, meant = wholes[-1], decode(bus, wholes[-1:])[0]
    if not all(same_values(decode(bus, [run])[0], meant) for run in wholes):
        found["runs differ"] += 1
        return found
    parts = [
        looks_of(bus, run.select(lines)) for run, lines in zip(wholes, one.groups, strict=False)
    ]
    try:
        is_same = same_values(joined(parts).table, meant)
        found["equal" if is_same else "unlike"] += 1
    except JoinError as error:
        found["refused"] += 1
        found[str(error).split("\n")[0]] += 1
    if len(parts) < 2:
        return found
    for accesses in other_stimuli(one.accesses, Random(seed)):
        run = one.captured(accesses, seed + 700_000, idle=idle)
        last = looks_of(bus, run.select(one.groups[-1]))
        try:
            joined([*parts[:-1], last])
        except JoinError:
            found["other refused"] += 1
            continue
        is_shown = shows_difference(one, whole, run, idle=idle)
        found["joined wrongly" if is_shown else "not shown"] += 1
    return found


def main() -> None:
    """Run every bus."""
    told = [each for each in sys.argv[1:] if not each.startswith("--")]
    idle, is_faulty = "--idle" in sys.argv, "--faults" in sys.argv
    seeds = int(told[0]) if told else 100
    print(f"{'bus':16}{'seeds':>6}{'groups':>8}" + "".join(f"{each:>16}" for each in COLUMNS))
    for name in told[1:] or bundled_buses():
        bus = load_bus(name)
        found = Counter[str]()
        for seed in range(seeds):
            found += one_seed(bus, seed, idle=idle, is_faulty=is_faulty)
        counts = "".join(f"{found[each]:>16}" for each in COLUMNS)
        print(f"{name:16}{seeds:>6}{len(setting(bus, 0).groups):>8}{counts}", flush=True)
        for reason, count in found.items():
            if reason not in COLUMNS:
                print(f"  {count}: {reason}")


if __name__ == "__main__":
    main()
