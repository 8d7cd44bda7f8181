"""Broken files without end: no crash, no hang, no growth, and both ways of reading agree.

Files are drawn from words that mean something to the format, then cut, doubled, spliced and
flipped. Each is read by plain Python and by compiled code, in buffers of a drawn size: both
must give the same capture or the same error, and the error must be one of the package's own.
Packed samples, which are read one way only, are held against integers taken bit by bit.

Run: ``python -m benchmarks.fuzz SECONDS [SEED [vcd|csv|packed ...]]``. Prints how many inputs
were read, how many of them were captures, and peak memory after a tenth and at the end; stops
with status 1 at the first difference, which it writes to a file.
"""

from __future__ import annotations

import faulthandler
import os
import resource
import sys
import tempfile
from collections import Counter
from pathlib import Path
from random import Random
from time import monotonic
from typing import TYPE_CHECKING, Any, Literal

from busdecode.capture import SWITCH, open_capture
from busdecode.capture.tables import file as csv_table
from busdecode.capture.vcd import compiled as vcd_compiled
from busdecode.capture.vcd import file as vcd
from busdecode.capture.vcd import tokens as vcd_tokens
from busdecode.errors import BusdecodeError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

HANGS_AFTER = 60
"""Seconds for one input; then a trace is written and the process ends."""

VCD_WORDS = [
    "$timescale", "1", "ns", "fs", "$end", "$scope", "module", "top", "$upscope", "$var", "wire",
    "reg", "real", "event", "string", "4", "70", "!", "#", "ab", "abc", "D", "[3:0]", "[0:3]",
    "$enddefinitions", "$dumpvars", "$dumpall", "$dumpoff", "$dumpon", "$comment", "$date",
    "#0", "#5", "#10", "#11", "#123456789012", "#99999999999999999999", "#-1", "#1.5", "#",
    "0!", "1!", "x!", "z!", "X!", "Z!", "1ab", "0abc", "1#", "b0 #", "b1 #", "bx #", "bz01 #",
    "B0101 #", "b10101 #", "b2 #", "b", "r1.5 ab", "r0 !", "sTEXT abc", "p", "1", "\0", "\ufeff",
]  # fmt: skip
VCD_HEADER = (
    "$timescale 1 ns $end\n$scope module top $end\n$var wire 1 ! AS $end\n"
    "$var reg 4 # D [3:0] $end\n$var wire 1 ab W $end\n$var real 64 abc V $end\n"
    "$var wire 70 cdef wide $end\n$var wire 1 ! alias $end\n$enddefinitions $end\n"
)
CSV_WORDS = [
    "0", "1", "x", "z", "-1", "10", "20", "1.5", "1e-9", "2,5", "0x1F", "1F", "FF", "0b01", "8'h3",
    "", " ", '"0"', '"', "Time (ns)", "Time", "Time [s]", "Sample", "AS", "D[3:0]", "D[7:0] (dec)",
    "2026-03-01 10:11:12.5", "Sample rate: 100 MHz", "\0", "\ufeff", "99999999999999999999",
]  # fmt: skip


def vcd_text(rng: Random) -> bytes:
    """Draw a VCD, most of them with a whole header."""
    parts = [VCD_HEADER] if rng.random() < 0.85 else []
    now = 0
    for _ in range(rng.randrange(1, 40)):
        if rng.random() < 0.96:
            now += rng.choice([0, 1, 5, 10, 1000])
            parts.append(f"#{now}")
            for _ in range(rng.randrange(4)):
                parts.append(
                    rng.choice("01xzXZ") + rng.choice(["!", "ab"])
                    if rng.random() < 0.6
                    else "b"
                    + "".join(rng.choices("01xz", k=rng.randrange(1, 5)))
                    + rng.choice([" #", " cdef"])
                )
        else:
            parts.append(rng.choice(VCD_WORDS))
    between = rng.choice(["\n", "\n", "\r\n", " ", "\t"])
    return (between.join(parts) + rng.choice(["\n", "\n", ""])).encode()


def csv_text(rng: Random) -> bytes:
    """Draw a table, most of them with a header and rows that fit it."""
    separator = rng.choice([",", ",", ";", "\t", " "])
    width = rng.randrange(1, 6)
    bus = rng.random() < 0.4
    names = ["Time (ns)", *(f"L{at}" for at in range(width))] + ["D[7:0]"] * bus
    rows = [separator.join(names)]
    if rng.random() < 0.2:
        rows.insert(0, rng.choice(["made by hand", "Sample rate: 100 MHz", "", "# note"]))
    now = rng.choice([0, -50])
    for _ in range(rng.randrange(12)):
        now += rng.choice([1, 10, 10, 10])
        cells = [str(now), *rng.choices("01", k=width)] + ([f"{rng.randrange(256):X}"] * bus)
        if rng.random() < 0.1:
            cells[rng.randrange(len(cells))] = rng.choice(CSV_WORDS)
        rows.append(separator.join(cells))
    text = rng.choice(["\n", "\n", "\r\n"]).join(rows) + rng.choice(["\n", ""])
    return text.encode(rng.choice(["utf-8", "utf-8", "utf-8", "utf-16", "latin-1"]), "replace")


def broken(data: bytes, rng: Random) -> bytes:
    """Break a file in a few places, or leave it whole."""
    octets = bytearray(data)
    for _ in range(rng.choice([0, 0, 1, 1, 2, 4])):
        at = rng.randrange(len(octets) + 1)
        how = rng.randrange(6)
        if how == 0 and at < len(octets):
            octets[at] = rng.randrange(256)
        elif how == 1:
            del octets[at : at + rng.randrange(1, 6)]
        elif how == 2:
            del octets[at:]
        elif how == 3:
            octets[at:at] = octets[at : at + rng.randrange(1, 30)]
        elif how == 4:
            octets[at:at] = rng.choice(VCD_WORDS + CSV_WORDS).encode()
        elif at < len(octets):
            octets[at] ^= 1 << rng.randrange(8)
    return bytes(octets)


def outcome(data: bytes, options: dict[str, Any], plain: bool) -> tuple[object, ...]:
    """Read, and give all of what came of it."""
    os.environ[SWITCH] = "1" if plain else "0"
    try:
        opened = open_capture(data, **options)
        capture = opened.read()
    except BusdecodeError as error:
        return ("error", type(error).__name__, str(error))
    return (
        "capture",
        capture.lines,
        capture.times.tobytes(),
        capture.states.tobytes(),
        b"" if capture.unknown is None else capture.unknown.tobytes(),
        b"" if capture.gaps is None else capture.gaps.tobytes(),
        capture.end,
        capture.resolution,
        capture.notes,
        opened.understood,
    )


def two_ways(
    name: str, make: Callable[[Random], bytes]
) -> Callable[[Random], tuple[bytes, str, str | None]]:
    """Give a trial that reads a drawn file both ways."""

    def trial(rng: Random) -> tuple[bytes, str, str | None]:
        data = broken(make(rng), rng)
        options: dict[str, Any] = {"allow_truncated": rng.random() < 0.3, "threads": 1}
        if rng.random() < 0.9:
            options["format"] = name
        for module in (vcd_tokens, vcd_compiled, csv_table):
            module.BUFFER_BYTES = rng.choice([7, 64, 300, 4096])  # type: ignore[attr-defined]
        vcd.HEADER_BYTES = rng.choice([16, 4096])
        one, two = outcome(data, options, plain=True), outcome(data, options, plain=False)
        apart = [f"plain {a!r}\ncompiled {b!r}\n" for a, b in zip(one, two, strict=False) if a != b]
        return data, str(one[0]), "\n".join(apart) or None

    return trial


def packed(rng: Random, folder: Path) -> tuple[bytes, str, str | None]:
    """Read drawn bytes as packed samples; where these are whole bytes, also by hand."""
    bits = rng.choice([1, 3, 7, 8, 12, 16, 24, 32])
    msb_first = rng.random() < 0.5
    order: Literal["little", "big"] = rng.choice(["little", "big"])
    rows = [
        f"channels = {[f'c{at}' for at in range(bits)]}",
        f'order = "{"msb first" if msb_first else "lsb first"}"',
        f"bits = {bits}",
        'period = "10 ns"',
    ]
    if bits % 8:
        rows.append(f'bit_order = "{rng.choice(["lsb first", "msb first"])}"')
    elif bits > 8:
        rows.append(f'byte_order = "{order}"')
    layout = folder / "layout.toml"
    layout.write_text("\n".join(rows), encoding="utf-8")
    data = rng.randbytes(rng.randrange(1, 60))
    found = outcome(data, {"layout": layout, "allow_truncated": True, "threads": 1}, plain=True)
    if found[0] != "capture" or bits % 8:
        # Back to back, what is left of the last byte may hold samples more: see the tests.
        return data, str(found[0]), None
    size = bits // 8
    samples = [
        int.from_bytes(data[at : at + size], order) for at in range(0, len(data) - size + 1, size)
    ]
    mine = [s for at, s in enumerate(samples) if not at or s != samples[at - 1]]
    octets = b"".join(
        (int(f"{s:0{bits}b}"[::-1], 2) if msb_first else s).to_bytes(8, sys.byteorder) for s in mine
    )
    return data, "capture", None if found[3] == octets else f"packed {found!r}\n\nby hand {mine!r}"


def main(arguments: Iterable[str]) -> int:
    """Read drawn files until the time is up."""
    given = [*arguments, *("60", "1")[len(list(arguments)) :]]
    seconds, seed = float(given[0]), int(given[1])
    rng = Random(seed)
    counts: Counter[tuple[str, str]] = Counter()
    began = monotonic()
    early = 0
    with tempfile.TemporaryDirectory() as folder:
        trials: dict[str, Callable[[Random], tuple[bytes, str, str | None]]] = {
            "vcd": two_ways("vcd", vcd_text),
            "csv": two_ways("csv", csv_text),
            "packed": lambda rng: packed(rng, Path(folder)),
        }
        wanted = given[2:] or list(trials)
        status = 0
        while status == 0 and monotonic() - began < seconds:
            name = wanted[counts.total() % len(wanted)]
            faulthandler.dump_traceback_later(HANGS_AFTER, exit=True)
            data, what, difference = trials[name](rng)
            faulthandler.cancel_dump_traceback_later()
            counts[name, what] += 1
            if difference is not None:
                path = Path(tempfile.gettempdir()) / f"fuzz-{name}-{seed}-{counts.total()}"
                path.write_bytes(data)
                print(f"{name}: the two differ on {path}\n{difference}")
                status = 1
            if not early and monotonic() - began > seconds / 10:
                early = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    late = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for (name, what), count in sorted(counts.items()):
        print(f"{name:8}{what:10}{count:>10,}")
    print(f"in all {counts.total():,} inputs, seed {seed}, in {monotonic() - began:.0f} s")
    print(f"peak memory {early // 1024} MB after a tenth of the time, {late // 1024} MB at the end")
    return status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
