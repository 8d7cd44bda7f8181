"""Captures of any length to read, made fast, and what a right reader must find in them.

A logic analyzer of 100 MS/s on 70 wires of the bundled ``mc68020``: all address lines, all data
lines but D0 (nobody had a probe left), and seven control lines. Addresses run on in loops and
jump among four regions; a third of the cycles write; 7 of 10 move four bytes, the others two or
one. Every file of one kind is the beginning of the same capture.

What is in a file is counted here from the values that went in, with the byte lanes of a 32-bit
port worked out by hand; nothing of busdecode takes part in that. Run:
``python benchmarks/material.py KIND MB FILE``.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from typing import BinaryIO

    from numpy.typing import NDArray

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]
    Octets = NDArray[np.uint8]

CONTROL = ("AS", "DS", "R/W", "DSACK1", "DSACK0", "SIZ1", "SIZ0")
WIRES = (
    *(f"A{bit}" for bit in range(31, -1, -1)),
    *(f"D{bit}" for bit in range(31, 0, -1)),
    *CONTROL,
)
AS, DS, READ, DSACK1, DSACK0, SIZ1, SIZ0 = (1 << at for at in range(len(CONTROL)))
IDLE = AS | DS | READ | DSACK1 | DSACK0
"""The control word between cycles; bit k is the k-th of `CONTROL`, all five active low."""

TICK_NS = 10
STAMPS = 10
"""Moments of one cycle; where nothing changes at one, the files do not have it."""

BYTES = {"vcd": 170.0, "csv": 1440.0}
"""Bytes of a cycle, about; once there are cycles, theirs are counted."""

SEED = 20
CYCLES_AT_ONCE = 4096
REGIONS = (0x0000_0000, 0x0040_0000, 0x00F8_0000, 0x4000_0000)
LATE_DATA = 0xAAAA_AAAA
"""Data lines that change one tick after the others."""


@dataclass
class Content:
    """What a file holds; `checksum` as `checksum_of` counts it, bytes and lines as written."""

    bytes: int = 0
    lines: int = 0
    stamps: int = 0
    changes: int = 0
    cycles: int = 0
    writes: int = 0
    checksum: int = 0
    wires: int = len(WIRES)


@dataclass(frozen=True)
class Cycles:
    """Bus cycles: what each moved, and the ten moments of each, in ticks after its begin."""

    address: Words
    data: Words
    moved: Ints
    is_write: NDArray[np.bool_]
    ticks: Ints
    lasts: Ints

    def first(self, count: int) -> Cycles:
        """Give the first of the cycles."""
        return Cycles(*(getattr(self, each.name)[:count] for each in fields(self)))


def checksum_of(numbers: Words, addresses: Words, data: Words) -> int:
    """Sum cycles up, each weighted by an odd number of its own; a swap of two is seen."""
    return int(((2 * numbers + 1) * (addresses ^ (data << np.uint64(32)))).sum())


def draw_cycles(number: int) -> Cycles:
    """Draw the cycles of one block; the same number gives the same block."""
    rng = np.random.default_rng([SEED, number])
    count = CYCLES_AT_ONCE
    at = np.arange(count)
    jumps = rng.random(count) < 0.25
    jumps[0] = True
    since = np.maximum.accumulate(np.where(jumps, at, 0))
    targets = rng.choice(REGIONS, count) + rng.integers(0, 1 << 12, count) * 4
    moved = rng.choice([4, 2, 1], count, p=[0.7, 0.2, 0.1])
    offset = rng.integers(0, 4, count) // moved * moved % 4
    address = (targets[since] + 4 * (at - since) + offset).astype(np.uint64)

    data = rng.integers(0, 1 << 32, count)
    data = np.where(rng.random(count) < 0.3, data & 0xFF, data)
    data = np.where(rng.random(count) < 0.15, np.roll(data, 1), data)

    is_write = rng.random(count) < 0.33
    waits = rng.integers(6, 40, count) * (rng.random(count) < 0.3)
    spans = rng.integers(
        #  address AS  1st 2nd late DSACK DSACK off AS  answer
        [[0, 3, 1, 2, 1, 1, 1, 8, 1, 2]],
        [[1, 5, 2, 9, 2, 4, 2, 14, 2, 6]],
        (count, STAMPS),
    )
    # A read strobes DS, then the card drives data. A write drives data, then strobes DS.
    spans[is_write, 2] = rng.integers(2, 5, count)[is_write]
    spans[is_write, 3] = 1
    spans[is_write, 4] = rng.integers(3, 5, count)[is_write]
    spans[:, 5] += np.where(is_write, 2, 0) + waits
    ticks = np.cumsum(spans, axis=1)
    return Cycles(
        address, data.astype(np.uint64), moved, is_write, ticks, rng.integers(2, 16, count)
    )


def rows_of(cycles: Cycles, begin: int, bus_before: int) -> tuple[Ints, Words, Words, int]:
    """Give the rows of cycles that follow a moment, and where the next block begins.

    Parameters
    ----------
    cycles : Cycles
    begin : int, ticks
    bus_before : int
        Address and data lines as the cycle before left them, data above.

    Returns
    -------
    times : ndarray of int64, shape (N,), ticks
    bus : ndarray of uint64, shape (N,)
        Address lines, and above them the data lines.
    control : ndarray of uint64, shape (N,)
    next : int, ticks
    """
    lengths = cycles.ticks[:, -1] + cycles.lasts
    starts = begin + np.cumsum(lengths) - lengths
    times = (starts[:, None] + cycles.ticks).reshape(-1)

    count = len(cycles.address)
    before = np.append(np.uint64(bus_before >> 32), cycles.data[:-1])
    early = np.uint64(0xFFFF_FFFF ^ LATE_DATA)
    late = np.uint64(LATE_DATA)
    half = (cycles.data & early) | (before & late)
    is_write = cycles.is_write[:, None]
    stamp = np.arange(STAMPS)[None, :]
    first = np.where(is_write, 2, 3)  # the stamp at which data begins to change
    data = np.where(
        stamp < first,
        before[:, None],
        np.where(stamp == first, half[:, None], cycles.data[:, None]),
    )
    bus = cycles.address[:, None] | (data << np.uint64(32))

    # SIZ tells the bytes to move; four are 0.
    held = np.where(cycles.moved & 2, SIZ1, 0) | np.where(cycles.moved & 1, SIZ0, 0)
    held = np.where(cycles.is_write, held, held | READ)[:, None]
    control = np.broadcast_to(held, (count, STAMPS)).copy()
    strobe = np.where(is_write, 4, 2)
    control |= np.where((stamp >= 1) & (stamp < 8), 0, AS)
    control |= np.where((stamp >= strobe) & (stamp < 7), 0, DS)
    control |= np.where((stamp >= 5) & (stamp < 9), 0, DSACK1)
    control |= np.where((stamp >= 6) & (stamp < 9), 0, DSACK0)
    return (
        times,
        bus.reshape(-1),
        control.reshape(-1).astype(np.uint64),
        int(starts[-1] + lengths[-1]),
    )


def moved_data(cycles: Cycles) -> Words:
    """Give the data on the lanes that took part, D0 left out: big-endian, 32-bit port."""
    moved, offset = cycles.moved.astype(np.uint64), cycles.address & np.uint64(3)
    eight = np.uint64(8)
    ones = (np.uint64(1) << (eight * moved)) - np.uint64(1)
    mask = ones << (eight * (np.uint64(4) - offset - moved))
    return cycles.data & mask & np.uint64(0xFFFF_FFFE)


@njit(nogil=True)
def put_number(value: int, out: Octets, at: int) -> int:
    """Write a number in decimal digits; give the place after it."""
    size = 1
    rest = value
    while rest >= 10:
        rest //= 10
        size += 1
    for place in range(at + size - 1, at - 1, -1):
        out[place] = 48 + value % 10
        value //= 10
    return at + size


@njit(nogil=True)
def put_vcd(
    times: Ints, rows: Words, before: Words, places: Octets, out: Octets
) -> tuple[int, int, int]:
    """Write time stamps and changes; give bytes, stamps, changes. `before` is brought on.

    `places` tells for each wire its bit of a row (64 and up: of the second word).
    """
    at = stamps = changes = 0
    for row in range(len(times)):
        one, two = rows[row, 0] ^ before[0], rows[row, 1] ^ before[1]
        if one == 0 and two == 0:
            continue
        out[at] = 35  # '#'
        at = put_number(times[row], out, at + 1)
        out[at] = 10
        at += 1
        stamps += 1
        for wire in range(len(places)):
            word, bit = places[wire] >> 6, np.uint64(places[wire] & 63)
            if ((two if word else one) >> bit) & np.uint64(1):
                out[at] = 48 + ((rows[row, word] >> bit) & np.uint64(1))
                out[at + 1] = 33 + wire
                out[at + 2] = 10
                at += 3
                changes += 1
        before[0], before[1] = rows[row, 0], rows[row, 1]
    return at, stamps, changes


@njit(nogil=True)
def put_csv(
    times: Ints, rows: Words, before: Words, places: Octets, out: Octets
) -> tuple[int, int, int]:
    """Write a line of cells for each row that differs from the one before; as `put_vcd`."""
    at = stamps = changes = 0
    for row in range(len(times)):
        one, two = rows[row, 0] ^ before[0], rows[row, 1] ^ before[1]
        if one == 0 and two == 0:
            continue
        at = put_number(times[row], out, at)
        stamps += 1
        for wire in range(len(places)):
            word, bit = places[wire] >> 6, np.uint64(places[wire] & 63)
            changes += ((two if word else one) >> bit) & np.uint64(1)
            out[at] = 44  # ','
            out[at + 1] = 48 + ((rows[row, word] >> bit) & np.uint64(1))
            at += 2
        out[at] = 10
        at += 1
        before[0], before[1] = rows[row, 0], rows[row, 1]
    return at, stamps, changes


def head_of(kind: str) -> str:
    """Give the head of a file, with the levels at its begin: all low but what is idle."""
    levels = {name: IDLE >> at & 1 for at, name in enumerate(CONTROL)}
    first = [levels.get(wire, 0) for wire in WIRES]
    if kind == "csv":
        return f"Time (ns),{','.join(WIRES)}\n0,{','.join(map(str, first))}\n"
    wires = "".join(f"$var wire 1 {chr(33 + at)} {wire} $end\n" for at, wire in enumerate(WIRES))
    values = "".join(f"{level}{chr(33 + at)}\n" for at, level in enumerate(first))
    return (
        f"$timescale 1 ns $end\n$scope module card $end\n{wires}$upscope $end\n"
        f"$enddefinitions $end\n#0\n$dumpvars\n{values}$end\n"
    )


def places_of() -> Octets:
    """Give for each wire its bit of a row."""

    def place(wire: str) -> int:
        if wire in CONTROL:
            return 64 + CONTROL.index(wire)
        return int(wire[1:]) + 32 * (wire[0] == "D")

    return np.array([place(wire) for wire in WIRES], dtype=np.uint8)


def make(kind: str, size: int, stream: BinaryIO) -> Content:
    """Write a capture of about `size` bytes, as ``vcd`` or ``csv``, and tell what it holds."""
    head = head_of(kind).encode()
    stream.write(head)
    content = Content(bytes=len(head), lines=head.count(b"\n"), stamps=1, changes=len(WIRES))
    places = places_of()
    put = put_csv if kind == "csv" else put_vcd
    out = np.zeros(CYCLES_AT_ONCE * STAMPS * (20 + 3 * len(WIRES)), dtype=np.uint8)
    before = np.array([0, IDLE], dtype=np.uint64)
    begin, rate = 10, BYTES[kind]
    while content.bytes < size:
        count = min(CYCLES_AT_ONCE, int((size - content.bytes) / rate) + 1)
        cycles = draw_cycles(content.cycles // CYCLES_AT_ONCE).first(count)
        times, bus, control, begin = rows_of(cycles, begin, int(before[0]))
        # D0 has no probe, so a change of it alone is no change of a row.
        rows = np.stack([bus & ~np.uint64(1 << 32), control], axis=1)
        written, stamps, changes = put(times * TICK_NS, rows, before, places, out)
        stream.write(out[:written].data)

        numbers = np.arange(content.cycles, content.cycles + count, dtype=np.uint64)
        summed = checksum_of(numbers, cycles.address, moved_data(cycles))
        content.bytes += written
        content.stamps += stamps
        content.changes += changes
        content.lines += stamps + (changes if kind == "vcd" else 0)
        content.cycles += count
        content.writes += int(cycles.is_write.sum())
        content.checksum = (content.checksum + summed) % (1 << 64)
        rate = written / count
        if count < CYCLES_AT_ONCE:
            break
    if kind == "vcd":
        end = f"#{begin * TICK_NS}\n".encode()
        stream.write(end)
        content.bytes += len(end)
        content.lines += 1
    return content


def main() -> None:
    """Make one file and, beside it, ``FILE.json`` with what it holds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kind", choices=["vcd", "csv"])
    parser.add_argument("size", type=float, help="MB, of 1 000 000 bytes")
    parser.add_argument("file", type=Path)
    asked = parser.parse_args()
    start = perf_counter()
    part = asked.file.with_suffix(".part")
    with part.open("wb") as stream:
        content = make(asked.kind, int(asked.size * 1_000_000), stream)
    took = perf_counter() - start
    part.replace(asked.file)
    asked.file.with_name(f"{asked.file.name}.json").write_text(json.dumps(asdict(content)))
    print(
        f"{asked.file}: {content.bytes / 1e6:,.1f} MB in {took:.1f} s; {content.cycles:,} cycles, "
        f"{content.changes / content.cycles:.1f} changes and {content.stamps / content.cycles:.1f} "
        f"time stamps a cycle"
    )


if __name__ == "__main__":
    main()
