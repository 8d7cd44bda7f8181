"""How fast a log is aligned with a cycle table, and how much of it rightly.

Log and table are made as arrays, with what a fault makes of the table; which beat each logged
transfer is, is known. Prints for each case the seconds of `align`; the share of logged transfers
that get their own beat (or none, where it vanished), that get that or a beat with the very same
content, that are called ambiguous, and that count as likely; and the ratio to a named reference
measured in the same run: one `pandas.merge` of log and table on kind, address, data and the
number of equal ones before, which knows neither order nor faults.

Then the seconds in which reads are foretold on a capture of as many beats, one in ten logged;
its reference is `Memory`, told each write of the table and asked for each logged read.

Run: ``python benchmarks/align_speed.py [PART OF A CASE'S NAME ...]``.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, fields, replace
from random import Random
from time import perf_counter
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from decode_speed import tiled

from busdecode.access import Access
from busdecode.compare.align import align
from busdecode.compare.meant import Meant, meant_by
from busdecode.compare.predict import SeenBeats
from busdecode.compare.predict import foretold as predict
from busdecode.compare.view import view_place
from busdecode.cycles import (
    DIRECTIONS,
    ENDINGS,
    CycleTable,
    DecodedPlace,
    decode,
    lane_bits_of,
    synthesise_log,
)
from busdecode.cycles.table import empty
from busdecode.protocol import load_bus
from busdecode.responder import Memory

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from busdecode.protocol import Bus

    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]
    Fault = Callable[["Run"], "Run"]
    Case = Callable[[], tuple["Run", "Run", bool]]

LOGGED, BEATS = 100_000, 1_000_000
READ, WRITE = DIRECTIONS.index("read"), DIRECTIONS.index("write")


@dataclass(frozen=True, eq=False)
class Run:
    """Cycles as columns; `number` is the logged transfer that each is, -1 for other traffic."""

    bus: Bus
    direction: Ints
    word: Ints
    data: Ints
    lanes: Ints
    number: Ints

    def take(self, rows: Ints) -> Run:
        """Give some of the cycles."""
        return Run(self.bus, *(getattr(self, each.name)[rows] for each in fields(self)[1:]))

    def __len__(self) -> int:
        return len(self.word)

    @property
    def mask(self) -> Ints:
        """Data bits that take part."""
        return lane_bits_of(self.bus, self.lanes.astype(np.uint64)).astype(np.int64)

    @property
    def kind(self) -> Ints:
        """Index into the kinds of the bus."""
        kinds = [kind.name for kind in self.bus.kinds]
        return np.where(self.direction == WRITE, kinds.index("write"), kinds.index("read"))


def made(
    bus: Bus,
    logged: Run,
    beats: int,
    rng: np.random.Generator,
) -> Run:
    """Strew logged cycles among fetches of a loop of 2048 words, until there are so many."""
    other = beats - len(logged)
    at = np.arange(other) % 2048
    fetched = Run(
        bus,
        np.full(other, READ),
        0x1000 * bus.word_bytes + at * bus.word_bytes,
        (at * 40503 + 7) % (1 << len(bus.data)),
        np.full(other, (1 << bus.lane_count) - 1),
        np.full(other, -1),
    )
    place = np.sort(rng.permutation(beats)[: len(logged)])
    rows = np.full(beats, -1)
    rows[place] = other + np.arange(len(logged))
    rows[rows < 0] = np.arange(other)
    both = Run(
        bus,
        *(
            np.concatenate([getattr(fetched, each.name), getattr(logged, each.name)])
            for each in fields(Run)[1:]
        ),
    )
    return both.take(rows)


def at_random(
    bus: Bus, count: int, rng: np.random.Generator, *, words: int = 1 << 15, lanes: bool = False
) -> Run:
    """Write random data to random words, and read some of it back."""
    size, full = bus.word_bytes, (1 << bus.lane_count) - 1
    word = 0x8000 * (size > 1) + rng.integers(0, words, count) * size
    data = rng.integers(0, 1 << len(bus.data), count)
    strobes = rng.integers(1, full + 1, count) if lanes else np.full(count, full)
    direction = np.where(rng.random(count) < 0.5, READ, WRITE)
    at = np.arange(count)
    back = np.where(direction == READ, np.maximum(at - rng.integers(1, 50, count), 0), at)
    run = Run(bus, direction, word[back], data[back], strobes[back], at)
    return replace(run, data=run.data & run.mask)


def memory_test(bus: Bus, count: int) -> Run:
    """Fill a range with a pattern and read it back, over and over: no content stands alone."""
    words = count // 8
    at = np.tile(np.arange(words), 8)
    turn = np.repeat(np.arange(8), words)
    pattern = np.array([0x55, 0x55, 0xAA, 0xAA])[turn % 4] * (0x0101 if len(bus.data) > 8 else 1)
    full = np.full(len(at), (1 << bus.lane_count) - 1)
    direction = np.where(turn % 2, READ, WRITE)
    return Run(bus, direction, 0x8000 + at * bus.word_bytes, pattern, full, np.arange(len(at)))


def polls(bus: Bus, count: int, rng: np.random.Generator) -> Run:
    """Read one register over and over: two values."""
    full = np.full(count, (1 << bus.lane_count) - 1)
    return Run(
        bus,
        np.full(count, READ),
        np.full(count, 0x8000),
        rng.integers(0, 2, count),
        full,
        np.arange(count),
    )


def log_of(run: Run, count: int, *, reads_told: bool = True) -> Meant:
    """Give the log of a run."""
    rows = np.flatnonzero(run.number >= 0)
    assert len(rows) == count
    run = run.take(rows)
    known = run.mask if reads_told else np.where(run.direction == WRITE, run.mask, 0)
    values = {
        "access": run.number,
        "asked": np.zeros(len(rows)),
        "part": np.zeros(len(rows)),
        "kind": run.kind,
        "direction": run.direction,
        "word": run.word,
        "address": run.word,
        "lanes": run.lanes,
        "moved": run.data & known,
        "moved_known": known,
        "data": run.data,
        "data_known": run.mask,
    }
    whole = dict.fromkeys(("access", "asked", "part"), np.int64)
    types = {**whole, "kind": np.int16, "direction": np.int8}
    return Meant(
        **{
            each.name: np.asarray(values[each.name], dtype=types.get(each.name, np.uint64))
            for each in fields(Meant)
            if each.name in values
        }
    )


def table_of(run: Run) -> CycleTable:
    """Give the cycle table of a run."""
    table = empty(run.bus, len(run))
    table.cycle[:] = np.arange(len(run))
    table.start[:] = np.arange(len(run)) * 1000
    table.end[:] = table.start + 500
    table.kind[:] = run.kind
    table.direction[:] = run.direction
    table.address[:] = run.word
    table.has_address[:] = True
    table.lanes[:] = run.lanes
    table.lanes_known[:] = (1 << run.bus.lane_count) - 1
    table.data[:] = run.data & run.mask
    table.data_known[:] = run.mask
    table.ended[:] = ENDINGS.index("acknowledged")
    return table


def on(name: str, change: Callable[[Ints], Ints]) -> Fault:
    """Change one column of what the lines show."""
    return lambda run: replace(run, **{name: change(getattr(run, name))})  # type: ignore[arg-type]


def tied(a: int, b: int) -> Callable[[Ints], Ints]:
    """Tie two bits together; low wins."""

    def change(values: Ints) -> Ints:
        both = (values >> a) & (values >> b) & 1
        return (values & ~(1 << a | 1 << b)) | both << a | both << b

    return change


def crossed(a: int, b: int) -> Callable[[Ints], Ints]:
    """Swap two bits."""

    def change(values: Ints) -> Ints:
        one, other = (values >> a) & 1, (values >> b) & 1
        return (values & ~(1 << a | 1 << b)) | other << a | one << b

    return change


def without(lost: Callable[[Run], Bools]) -> Fault:
    """Let some cycles vanish."""
    return lambda run: run.take(np.flatnonzero(~lost(run)))


def by_lot(share: float) -> Callable[[Run], Bools]:
    """Draw a share of the cycles."""
    return lambda run: np.random.default_rng(3).random(len(run)) < share


def doubled(share: float) -> Fault:
    """Let a share of the cycles come twice."""

    def change(run: Run) -> Run:
        times = 1 + (np.random.default_rng(5).random(len(run)) < share)
        return run.take(np.repeat(np.arange(len(run)), times))

    return change


def halved(share: float) -> Fault:
    """Split a share of the cycles: each lane in a cycle of its own."""

    def change(run: Run) -> Run:
        is_split = (np.random.default_rng(6).random(len(run)) < share) & (run.lanes == 3)
        rows = np.repeat(np.arange(len(run)), 1 + is_split)
        second = np.concatenate(([False], rows[1:] == rows[:-1]))
        split = run.take(rows)
        return replace(split, lanes=np.where(is_split[rows], np.where(second, 1, 2), split.lanes))

    return change


def right(run: Run, shown: Run, pairs: Ints, count: int) -> tuple[float, float]:
    """Give the share of logged transfers with their own beat, and with the same content."""
    there = np.zeros(count, dtype=np.bool_)
    there[shown.number[shown.number >= 0]] = True
    to = np.maximum(pairs, 0)
    is_found = pairs >= 0
    own = np.where(is_found, shown.number[to] == np.arange(count), ~there)
    first = np.zeros(count, dtype=np.int64)
    numbered = np.flatnonzero(shown.number >= 0)
    first[shown.number[numbered]] = numbered
    alike = is_found & there
    for name in ("word", "data", "lanes", "direction"):
        values = getattr(shown, name)
        alike &= values[to] == values[first]
    return float(own.mean()), float((own | alike).mean())


def reference(meant: Meant, table: CycleTable) -> float:
    """Merge log and table on their content, s."""
    frames = [
        pd.DataFrame({"kind": meant.kind, "word": meant.word, "data": meant.moved}),
        pd.DataFrame({"kind": table.kind, "word": table.address, "data": table.data}),
    ]
    start = perf_counter()
    for frame in frames:
        frame["turn"] = frame.groupby(["kind", "word", "data"]).cumcount()
        frame["row"] = np.arange(len(frame))
    frames[0].merge(frames[1], on=["kind", "word", "data", "turn"], how="left")
    return perf_counter() - start


def cases(bus: Bus) -> dict[str, Case]:
    """Give by name how the run is made, what the lines show of it, and whether reads are told."""
    rng = np.random.default_rng(1)
    full = (1 << len(bus.data)) - 1

    def case(logged: Callable[[], Run], fault: Fault | None = None, is_told: bool = True) -> Case:
        def make() -> tuple[Run, Run, bool]:
            run = made(bus, logged(), BEATS, rng)
            return run, fault(run) if fault else run, is_told

        return make

    def usual() -> Run:
        return at_random(bus, LOGGED, rng)

    def low() -> Run:
        return at_random(bus, LOGGED, rng, words=1 << 12)

    def few() -> Run:
        return at_random(bus, LOGGED, rng, words=16)

    def parts() -> Run:
        return at_random(bus, LOGGED, rng, lanes=True)

    def tested() -> Run:
        return memory_test(bus, LOGGED)

    def polled() -> Run:
        return polls(bus, LOGGED, rng)

    def noise(run: Run) -> Run:
        return replace(run, data=rng.integers(0, full + 1, len(run)))

    def noisy_reads(run: Run) -> Run:
        is_bad = (run.direction == READ) & (run.number >= 0)
        return replace(run, data=np.where(is_bad, noise(run).data, run.data))

    def other_data(run: Run) -> Run:
        data = np.where(run.number >= 0, noise(run).data, run.data)
        return replace(run, data=data, number=np.full(len(run), -1))

    d3, a6 = on("data", lambda v: v & ~0x08), on("word", lambda v: v & ~0x40)
    found = {
        "healthy": case(usual),
        "healthy, reads without data": case(usual, is_told=False),
        "healthy, words and their parts": case(parts),
        "healthy, a thousand between": case(lambda: at_random(bus, BEATS // 1000, rng)),
        "data line stuck": case(usual, d3),
        "data line stuck, reads without data": case(usual, d3, is_told=False),
        "address line stuck": case(usual, a6),
        "address line stuck, all moved": case(low, on("word", lambda v: v & ~0x8000)),
        "all addresses inverted": case(usual, on("word", lambda v: v ^ 0xFFFE)),
        "four bits of all addresses inverted": case(usual, on("word", lambda v: v ^ 0x5A00)),
        "data inverted": case(usual, on("data", lambda v: v ^ full)),
        "data lines bridged": case(usual, on("data", tied(2, 7))),
        "address lines bridged": case(usual, on("word", tied(4, 9))),
        "address lines crossed": case(usual, on("word", crossed(3, 7))),
        "eight address lines dead": case(usual, on("word", lambda v: v & ~0xFF0)),
        "data of reads is noise": case(usual, noisy_reads),
        "cycles of some data vanish": case(usual, without(lambda run: (run.data & 0xF) == 5)),
        "a third of the cycles vanish": case(usual, without(by_lot(0.33))),
        "a long stretch vanishes": case(
            usual, without(lambda run: (run.number > 30_000) & (run.number < 60_000))
        ),
        "one in twenty doubled": case(usual, doubled(0.05)),
        "all doubled": case(usual, doubled(1.0)),
        "direction stuck": case(usual, on("direction", lambda v: np.full_like(v, READ))),
        "memory test": case(tested),
        "memory test, data line stuck": case(tested, d3),
        "memory test, address line stuck": case(tested, a6),
        "memory test, address lines crossed": case(tested, on("word", crossed(3, 7))),
        "memory test, all moved": case(tested, on("word", lambda v: v ^ 0x2000)),
        "memory test, one in a hundred vanishes": case(tested, without(by_lot(0.01))),
        "polls of one register": case(polled),
        "polls, one in a thousand vanishes": case(polled, without(by_lot(0.001))),
        "log of another run": case(usual, lambda run: of_another(run, usual())),
        "log of another run, 16 addresses": case(few, lambda run: of_another(run, few())),
        "log shuffled": case(usual, shuffled),
        "same addresses, other data": case(usual, other_data),
    }
    if bus.lane_count > 1:
        found |= {
            "a lane never moves": case(parts, on("lanes", lambda v: v & ~1)),
            "a lane always moves": case(parts, on("lanes", lambda v: v | 1)),
            "lanes crossed": case(parts, on("lanes", crossed(0, 1))),
            "one in twenty split in two": case(usual, halved(0.05)),
        }
    return found


def of_another(run: Run, other: Run) -> Run:
    """Put the cycles of another run in the place of the logged ones."""
    at = np.flatnonzero(run.number >= 0)
    columns = {each.name: getattr(run, each.name).copy() for each in fields(Run)[1:]}
    for name, column in columns.items():
        column[at] = getattr(other, name)[: len(at)]
    columns["number"][:] = -1
    return Run(run.bus, **columns)


def shuffled(run: Run) -> Run:
    """Put the logged cycles in another order; none is any more what it was."""
    at = np.flatnonzero(run.number >= 0)
    order = np.arange(len(run))
    order[at] = np.random.default_rng(4).permutation(at)
    mixed = run.take(order)
    return replace(mixed, number=np.full(len(run), -1))


def foretold(bus: Bus) -> tuple[float, float, int, int]:
    """Measure how reads are foretold on a capture that is repeated; and `Memory`, told the same."""
    random = Random(1)
    asked = [
        Access(random.choice(["read", "write"]), 0x2000 + random.randrange(64) * size, size, data)
        for size in [min(2, bus.word_bytes)]
        for data in (random.getrandbits(8) for _ in range(1000))
    ]
    asked = [replace(each, data=None) if each.op == "read" else each for each in asked]
    made, log = synthesise_log(bus, asked, seed=1)
    capture = tiled(made.places["card"], len(asked), BEATS)
    table, decoder = decode(bus, [capture])
    view = view_place(DecodedPlace(bus, "card", capture, table, 0, tuple(decoder.notes)))
    logged = np.flatnonzero(np.arange(len(table)) % 10 == 3)
    one = meant_by(log, bus)
    meant = Meant(*(getattr(one, each.name)[logged % len(log)] for each in fields(Meant)))
    start = perf_counter()
    predicted, known = predict(SeenBeats(view, table), table, meant, logged)
    took = perf_counter() - start

    number = np.full(len(table), -1)
    number[logged] = np.arange(len(logged))
    columns = (table.address, table.data, table.data_known, number, table.direction)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    memory, told = Memory(), {}
    start = perf_counter()
    for address, data, mask, at, direction in rows:
        word = address // bus.word_bytes * bus.word_bytes
        if direction == WRITE:
            memory.write(word, mask, data)
        elif at >= 0:
            told[at] = memory.read(word)
    beside = perf_counter() - start
    agrees = sum(
        int(known[at] == 0 or predicted[at] == value & known[at]) for at, (value, _) in told.items()
    )
    assert agrees == len(told)
    return took, beside, len(logged), len(table)


def main() -> None:
    """Measure every case."""
    asked = sys.argv[1:]
    print("reference: pandas.merge of log and table on kind, address, data and count")
    print(
        f"{'bus, case':46}{'log':>9}{'beats':>11}{'align':>9}{'own beat':>10}{'or alike':>10}"
        f"{'doubt':>8}{'likely':>8}{'x merge':>9}"
    )
    for bus in (load_bus("mc68000"), load_bus("z80")):
        for name, make in cases(bus).items():
            if asked and not any(each in f"{bus.name}, {name}" for each in asked):
                continue
            run, shown, reads_told = make()
            count = int((run.number >= 0).sum())
            meant, table = log_of(run, count, reads_told=reads_told), table_of(shown)
            beside = reference(meant, table)
            start = perf_counter()
            aligned = align(meant, table, (1 << bus.address_width) - 1)
            took = perf_counter() - start
            own, alike = right(run, shown, aligned.beats, count)
            print(
                f"{bus.name + ', ' + name:46}{count:>9,}{len(table):>11,}{took:>7.2f} s"
                f"{own:>10.2%}{alike:>10.2%}{aligned.is_ambiguous.mean():>8.2%}"
                f"{aligned.is_likely.mean():>8.2%}{took / beside:>9.1f}"
                f"{'  cut' if aligned.was_cut else ''}",
                flush=True,
            )
    print("foretold; reference: busdecode.responder.Memory, told each write in turn")
    print(f"{'bus':46}{'log':>9}{'beats':>11}{'seconds':>11}{'x Memory':>9}")
    for bus in (load_bus("mc68000"), load_bus("z80")):
        if asked and "foretold" not in asked:
            continue
        took, beside, count, beats = foretold(bus)
        print(f"{bus.name:46}{count:>9,}{beats:>11,}{took:>9.2f} s{took / beside:>9.2f}")


if __name__ == "__main__":
    main()
