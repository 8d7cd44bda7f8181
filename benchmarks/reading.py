"""How fast capture files are read and decoded, beside other readers and beside plain loops.

Every run is a process of its own, so its peak memory is its own; rounds go through all runs in
turn, so a machine that drifts drifts under all of them; each figure is the median of the rounds
and each ratio that of the ratios within a round. The seconds are those of the work alone: a run
first does the same with a file of 3 MB (0.2 MB for slow readers), in which it imports and
compiles, and tells that time apart. Files are read once before, so they come from memory. MB
are 1 000 000 bytes.

The captures are those of `material.py`, kept in ``busdecode-reading`` under the system's
temporary directory; their sizes are about 20 MB, 300 MB and, with ``--large``, 3 GB (VCD only).
Slow readers get the small files only. What is in a file is known from its making: each run tells
a count (rows, changes, lines or cycles) that must be right, and at the end the cycle tables are
compared with the cycles that went in, by number and checksum.

Run: ``python benchmarks/reading.py [--sizes 20,300] [--large] [--rounds 3] [--only NAME ...]``.
Needs numba, pandas, polars, pyarrow, pyvcd, pywellen and vcdvcd.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import zlib
from collections import defaultdict
from dataclasses import dataclass
from functools import cache
from importlib.metadata import version
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import TYPE_CHECKING, Any

# The process that measures stays small and imports no library: until a child has loaded its own
# program, its peak counts the memory of the process that started it.

if TYPE_CHECKING:
    from collections.abc import Callable

    from busdecode.capture import CaptureFile

FOLDER = Path(tempfile.gettempdir()) / "busdecode-reading"
MAKER = Path(__file__).with_name("material.py")
LARGE_MB = 3000.0
WARMING_MB, SLOW_WARMING_MB = 3.0, 0.2
"""Enough for several buffers, so that all is compiled; a slow reader has nothing to compile."""

BUFFER_BYTES = 1 << 20
LIBRARIES = ("numpy", "numba", "pandas", "polars", "pyarrow", "pyvcd", "pywellen", "vcdvcd")


# What is measured. Each takes a file and gives a count; imports stand inside, so that a process
# holds only what its own run needs.


def opened(path: Path, threads: int) -> CaptureFile:
    """Open a capture to be read in some threads."""
    from busdecode.capture import open_capture

    return open_capture(path, threads=threads)


def to_states(path: Path, threads: int) -> int:
    """Read all rows with busdecode; count them."""
    return sum(len(chunk) for chunk in opened(path, threads).chunks())


@cache
def the_bus() -> Any:
    """Load the description of the bus, apart from the timed part."""
    from busdecode.protocol import load_bus

    return load_bus("mc68020")


def tables_of(path: Path, threads: int) -> Any:
    """Give the cycle table in parts."""
    from busdecode.cycles.places import bind, stream_tables

    capture = opened(path, threads)
    binding = bind(capture.lines, the_bus(), None, None)
    place = binding.places[0]
    capture.only(binding.channels_at(place, the_bus().row_order))
    for table, _ in stream_tables(capture.chunks(), the_bus(), binding, place):
        yield table


def to_table(path: Path, threads: int) -> int:
    """Read and decode with busdecode; count the beats, one a cycle here."""
    return sum(len(table) for table in tables_of(path, threads))


@cache
def kernel(name: str) -> Any:
    """Compile a loop over octets that brings `state` on; `state[0]` is the count."""
    from numba import njit

    def newlines(octets: Any, state: Any) -> None:
        count = 0
        for octet in octets:
            count += octet == 10
        state[0] += count

    def walk(octets: Any, state: Any) -> None:
        """Tell time stamps, changes and other lines apart, octet for octet; count changes."""
        changes, stamps, inside = state[0], state[1], state[2]
        at, beyond = 0, len(octets)
        while at < beyond:
            if inside == 0:
                octet = octets[at]
                at += 1
                if octet == 48 or octet == 49 or octet == 120 or octet == 122:  # 0 1 x z
                    inside = 2
                elif octet == 35:  # '#'
                    inside = 1
                elif octet != 10:
                    inside = 3
            if inside == 2:
                while at < beyond and octets[at] != 10:
                    at += 1
                if at < beyond:
                    changes += 1
                    inside = 0
                    at += 1
            elif inside == 1:
                while at < beyond and 48 <= octets[at] <= 57:
                    at += 1
                if at < beyond and octets[at] == 10:
                    stamps += 1
                    inside = 0
                    at += 1
                elif at < beyond:
                    inside = 3
            elif inside == 3:
                while at < beyond and octets[at] != 10:
                    at += 1
                if at < beyond:
                    inside = 0
                    at += 1
        state[0], state[1], state[2] = changes, stamps, inside

    return njit(nogil=True)({"newlines": newlines, "walk": walk}[name])


def through_buffer(path: Path, name: str) -> int:
    """Read a file into one buffer, over and over, with a compiled loop over what is in it."""
    import numpy as np

    loop = kernel(name)
    octets, state = np.zeros(BUFFER_BYTES, dtype=np.uint8), np.zeros(3, dtype=np.int64)
    with path.open("rb", buffering=0) as stream:
        while size := stream.readinto(octets.data):
            loop(octets[:size], state)
    return int(state[0])


def vcdvcd_store(path: Path) -> int:
    """Parse with vcdvcd, which keeps every change; count them."""
    from vcdvcd import VCDVCD

    return sum(len(signal.tv) for signal in VCDVCD(str(path)).data.values())


def pyvcd_tokens(path: Path) -> int:
    """Tokenise with pyvcd; count the changes."""
    from vcd.reader import TokenKind, tokenize

    with path.open("rb") as stream:
        return sum(token.kind is TokenKind.CHANGE_SCALAR for token in tokenize(stream))


def pywellen_parse(path: Path, *, threads: bool) -> int:
    """Parse with pywellen, which reads the body once a signal is asked for; count the wires."""
    import pywellen

    wires = list(pywellen.Waveform(str(path), multi_threaded=threads).all_vars())
    return len(wires) if wires[0].signal is not None else 0


def pywellen_values(path: Path) -> int:
    """Parse with pywellen and hand out every change as a value; count them."""
    import pywellen

    return sum(len(list(wire.tv)) for wire in pywellen.Waveform(str(path)).all_vars())


def header_of(path: Path) -> list[str]:
    """Read the column names of a CSV table."""
    with path.open() as stream:
        return stream.readline().rstrip("\n").split(",")


def pandas_rows(path: Path) -> int:
    """Read a CSV table with pandas, types declared."""
    import pandas as pd

    time, *wires = header_of(path)
    return len(pd.read_csv(path, engine="c", dtype={time: "int64"} | dict.fromkeys(wires, "uint8")))


def polars_rows(path: Path) -> int:
    """Read a CSV table with polars, types declared."""
    import polars as pl

    time, *wires = header_of(path)
    return len(pl.read_csv(path, schema={time: pl.Int64} | dict.fromkeys(wires, pl.UInt8)))


def pyarrow_rows(path: Path) -> int:
    """Read a CSV table with pyarrow, types declared."""
    import pyarrow as pa
    from pyarrow import csv

    time, *wires = header_of(path)
    types = {time: pa.int64()} | dict.fromkeys(wires, pa.uint8())
    options = csv.ConvertOptions(column_types=types)
    return int(csv.read_csv(path, convert_options=options).num_rows)


@dataclass(frozen=True)
class Contender:
    """One way to read a file.

    `counts` names the field of what is known of the file that the run must give. Files beyond
    `most` MB are left out; `part` MB are read instead of the sizes asked for.
    """

    name: str
    title: str
    kind: str
    counts: str
    run: Callable[[Path], int]
    most: float = float("inf")
    part: float | None = None

    def files(self, sizes: list[float]) -> list[Path]:
        """Give the files to read, of the sizes asked for."""
        mine = [size for size in sizes if size <= self.most] if self.part is None else [self.part]
        return [file_of(self.kind, size) for size in mine]

    @property
    def warming(self) -> Path:
        """The file read before the one that counts."""
        is_slow = self.part is not None or self.most <= 20
        return file_of(self.kind, SLOW_WARMING_MB if is_slow else WARMING_MB)


CONTENDERS = (
    Contender("newlines", "count newlines, compiled loop, 1 MiB buffer", "vcd", "lines",
              lambda path: through_buffer(path, "newlines")),
    Contender("walk", "walk every byte with branches, compiled loop", "vcd", "changes",
              lambda path: through_buffer(path, "walk")),
    Contender("states-1", "busdecode, file to states, 1 thread", "vcd", "stamps",
              lambda path: to_states(path, 1)),
    Contender("states-2", "busdecode, file to states, 2 threads", "vcd", "stamps",
              lambda path: to_states(path, 2)),
    Contender("table-1", "busdecode, file to cycle table, 1 thread", "vcd", "cycles",
              lambda path: to_table(path, 1)),
    Contender("table-2", "busdecode, file to cycle table, 2 threads", "vcd", "cycles",
              lambda path: to_table(path, 2)),
    Contender("pywellen-1", "pywellen, parse only, 1 thread", "vcd", "wires",
              lambda path: pywellen_parse(path, threads=False), most=300),
    Contender("pywellen-all", "pywellen, parse only, its own threads", "vcd", "wires",
              lambda path: pywellen_parse(path, threads=True), most=300),
    Contender("pywellen-values", "pywellen, every change as a value", "vcd", "changes",
              pywellen_values, most=20),
    Contender("vcdvcd", "vcdvcd, full store", "vcd", "changes", vcdvcd_store, most=20),
    Contender("pyvcd", "pyvcd, tokens (4 MB only: slow)", "vcd", "changes",
              pyvcd_tokens, part=4),
    Contender("csv-states-1", "busdecode, file to states, 1 thread", "csv", "stamps",
              lambda path: to_states(path, 1), most=300),
    Contender("csv-states-2", "busdecode, file to states, 2 threads", "csv", "stamps",
              lambda path: to_states(path, 2), most=300),
    Contender("pandas", "pandas, C engine, declared types", "csv", "stamps",
              pandas_rows, most=300),
    Contender("polars", "polars, declared types, its own threads", "csv", "stamps",
              polars_rows, most=300),
    Contender("pyarrow", "pyarrow, declared types, its own threads", "csv", "stamps",
              pyarrow_rows, most=300),
)  # fmt: skip
NAMED = {contender.name: contender for contender in CONTENDERS}
REFERENCE = {"vcd": "walk", "csv": "pandas"}
"""What the ratios of the table stand against, for each kind of file."""


@dataclass(frozen=True)
class Target:
    """A ratio of speeds to reach: `over` against the fastest of `under`."""

    title: str
    over: str
    under: tuple[str, ...]
    least: float


TARGETS = (
    Target("VCD to cycle table, 1 thread : vcdvcd", "table-1", ("vcdvcd",), 60),
    Target("VCD to cycle table, 1 thread : pywellen, 1 thread", "table-1", ("pywellen-1",), 2.5),
    Target("VCD to cycle table, 1 thread : pywellen, its threads", "table-1",
           ("pywellen-all",), 2.5),
    Target("VCD to cycle table, 1 thread : byte walk", "table-1", ("walk",), 0.4),
    Target("VCD to cycle table, 2 threads : 1 thread", "table-2", ("table-1",), 1.3),
    Target("CSV to states, 1 thread : fastest table reader", "csv-states-1",
           ("pandas", "polars", "pyarrow"), 4),
    Target("CSV to states, 2 threads : fastest table reader", "csv-states-2",
           ("pandas", "polars", "pyarrow"), 4),
)  # fmt: skip
GROWTH_MOST, PEAK_MOST_MB = 1.2, 400.0
"""Peak memory of file to cycle table at 3 GB: against that at 300 MB, and in MB."""


@dataclass(frozen=True)
class Run:
    """What one process measured; `why` stands alone where it failed."""

    seconds: float = 0.0
    first_use: float = 0.0
    peak_mb: float = 0.0
    count: int = 0
    why: str = ""


def run_here(contender: Contender, path: Path) -> Run:
    """Measure one run in this process."""
    start = perf_counter()
    contender.run(contender.warming)
    first_use = perf_counter() - start
    start = perf_counter()
    count = contender.run(path)
    seconds = perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    unit = 1 if sys.platform == "darwin" else 1024
    return Run(seconds, first_use, peak * unit / 1e6, count)


def checked_here(path: Path) -> dict[str, int]:
    """Count and sum up the cycles that busdecode finds in a file."""
    import numpy as np
    from material import checksum_of

    from busdecode.cycles import DIRECTIONS

    cycles = writes = checksum = 0
    for table in tables_of(path, 1):
        numbers = table.cycle.astype(np.uint64)
        cycles += len(table)
        writes += int((table.direction == DIRECTIONS.index("write")).sum())
        checksum += checksum_of(numbers, table.address, table.data & table.data_known)
    return {"cycles": cycles, "writes": writes, "checksum": checksum % (1 << 64)}


# The process that measures.


def file_of(kind: str, size: float) -> Path:
    """Name the file of a kind and of some MB."""
    return FOLDER / f"{size:g}MB.{kind}"


def known_of(path: Path) -> dict[str, int]:
    """Read what is known of a file."""
    found: dict[str, int] = json.loads(path.with_name(f"{path.name}.json").read_text())
    return found


def in_child(*arguments: str) -> dict[str, Any]:
    """Run this file with arguments in a process of its own; give what it tells."""
    done = subprocess.run(
        [sys.executable, __file__, *arguments], capture_output=True, text=True, check=False
    )
    if done.returncode:
        lines = done.stderr.strip().splitlines() or [f"status {done.returncode}"]
        named = [line for line in lines if "Error" in line.partition(":")[0]]
        return {"why": f"failed: {(named or lines)[-1]}"}
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def make_files(paths: set[Path]) -> None:
    """Make the files that are not there yet, or were made by another maker; read each once."""
    FOLDER.mkdir(exist_ok=True)
    mark = FOLDER / "maker"
    maker = str(zlib.crc32(MAKER.read_bytes()))
    if not mark.exists() or mark.read_text() != maker:
        for kept in FOLDER.iterdir():
            kept.unlink()
        mark.write_text(maker)
    buffer = memoryview(bytearray(BUFFER_BYTES))
    for path in sorted(paths, key=lambda path: (path.suffix, float(path.stem[:-2]))):
        if not path.with_name(f"{path.name}.json").exists():
            size = path.stem[:-2]
            subprocess.run([sys.executable, MAKER, path.suffix[1:], size, path], check=True)
        with path.open("rb", buffering=0) as stream:
            while stream.readinto(buffer):
                pass


Runs = dict[tuple[str, Path], list[Run]]


def measure(contenders: list[Contender], sizes: list[float], rounds: int) -> Runs:
    """Go through all runs in turn, some rounds; check what each counted."""
    found: Runs = defaultdict(list)
    files = {path for each in contenders for path in each.files(sizes)}
    order = sorted(files, key=lambda path: path.stat().st_size)
    for turn in range(rounds):
        for path in order:
            for contender in contenders:
                if path not in contender.files(sizes):
                    continue
                run = Run(**in_child("--run", contender.name, str(path)))
                wanted = known_of(path)[contender.counts]
                if not run.why and run.count != wanted:
                    run = Run(why=f"failed: {run.count} {contender.counts}, not {wanted}")
                found[contender.name, path].append(run)
                said = run.why or f"{run.seconds:.3f} s"
                print(f"  {turn + 1}: {path.name} {contender.name}: {said}", file=sys.stderr)
    return found


def speeds(runs: Runs, name: str, path: Path) -> list[float]:
    """Give MB/s in each round; empty where a contender was not run or failed."""
    mine = runs.get((name, path), [])
    if not mine or any(run.why for run in mine):
        return []
    size = known_of(path)["bytes"] / 1e6
    return [size / run.seconds for run in mine]


def peak(runs: Runs, name: str, path: Path) -> float | None:
    """Give the median of the peaks, MB; None where a contender was not run or failed."""
    return median(run.peak_mb for run in runs[name, path]) if speeds(runs, name, path) else None


def ratios(runs: Runs, over: str, under: tuple[str, ...], path: Path) -> list[float]:
    """Give in each round the speed of one against the fastest of others, if all were run."""
    others = [speeds(runs, name, path) for name in under]
    if not all(others):
        return []
    rounds = zip(speeds(runs, over, path), *others, strict=False)
    return [mine / max(theirs) for mine, *theirs in rounds]


def print_table(runs: Runs, contenders: list[Contender]) -> None:
    """Print speed, memory and ratio of every contender and file."""
    print(
        f"\n{'':48}{'MB':>7}{'MB/s':>9}{'least':>8}{'most':>8}{'peak MB':>9}{'first use':>11}"
        f"{'x reference':>13}"
    )
    for kind, reference in REFERENCE.items():
        title = NAMED[reference].title
        print(f"{kind.upper()}; reference: {title}")
        for contender in contenders:
            if contender.kind != kind:
                continue
            mine = [path for name, path in runs if name == contender.name]
            for path in sorted(mine, key=lambda path: path.stat().st_size):
                row = f"  {contender.title:46}{known_of(path)['bytes'] / 1e6:>7,.0f}"
                rate = speeds(runs, contender.name, path)
                if not rate:
                    whys = [run.why for run in runs[contender.name, path] if run.why]
                    print(f"{row}  {whys[0]}")
                    continue
                first = max(run.first_use for run in runs[contender.name, path])
                to = ratios(runs, contender.name, (reference,), path)
                print(
                    f"{row}{median(rate):>9,.1f}{min(rate):>8,.1f}{max(rate):>8,.1f}"
                    f"{peak(runs, contender.name, path):>9,.0f}{first:>9,.1f} s"
                    f"{f'{median(to):.3g}' if to else '-':>13}"
                )


def verdict(is_met: bool) -> str:
    """Say whether a target is met."""
    return "met" if is_met else "SHORT"


def print_targets(runs: Runs, sizes: list[float]) -> None:
    """Print each target beside what was measured; what was not is said to be so."""
    print(f"\n{'target':54}{'at MB':>7}{'wanted':>10}{'measured':>10}   least .. most")
    for target in TARGETS:
        shown = False
        for size in sizes:
            path = file_of(NAMED[target.over].kind, size)
            found = ratios(runs, target.over, target.under, path)
            if found:
                shown = True
                print(
                    f"{target.title:54}{size:>7,.0f}{f'>= {target.least:g}':>10}"
                    f"{median(found):>10.3g}   {min(found):.3g} .. {max(found):.3g}"
                    f"  {verdict(median(found) >= target.least)}"
                )
        if not shown:
            print(f"{target.title:54}{'':>7}{f'>= {target.least:g}':>10}{'not run':>10}")
    for name in ("table-1", "table-2"):
        most, less = (peak(runs, name, file_of("vcd", size)) for size in (LARGE_MB, 300.0))
        title = f"peak memory, {NAMED[name].title.removeprefix('busdecode, ')}"
        row = f"{title + ' : at 300 MB':54}{LARGE_MB:>7,.0f}{f'<= {GROWTH_MOST:g}':>10}"
        if most is None or less is None:
            print(f"{row}{'not run':>10}")
        else:
            print(f"{row}{most / less:>10.3g}   {verdict(most / less <= GROWTH_MOST)}")
        row = f"{title + ', MB':54}{LARGE_MB:>7,.0f}{f'<= {PEAK_MOST_MB:g}':>10}"
        if most is None:
            print(f"{row}{'not run':>10}")
        else:
            print(f"{row}{most:>10,.0f}   {verdict(most <= PEAK_MOST_MB)}")


def print_check(paths: list[Path]) -> bool:
    """Compare the cycles that busdecode finds in each file with those that went in."""
    print("\ncycles found, and their checksum, beside those that went in")
    all_right = True
    for path in paths:
        known, found = known_of(path), in_child("--check", str(path))
        right = all(found.get(name) == known[name] for name in ("cycles", "writes", "checksum"))
        all_right &= right
        made = f"{known['cycles']:,} cycles, {known['writes']:,} writes, {known['checksum']:#018x}"
        said = "the same" if right else f"NOT THE SAME: {found}"
        print(f"  {path.name:12}{made}: {said}", flush=True)
    return all_right


def main() -> int:
    """Measure what was asked for; status 1 where a run failed or a count is wrong."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--sizes", default="20,300", help="MB of the files, with commas between")
    parser.add_argument("--large", action="store_true", help="a VCD of 3 GB too")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--only", action="append", metavar="NAME", choices=list(NAMED),
                        help=f"one of these, again for more: {', '.join(NAMED)}")  # fmt: skip
    parser.add_argument("--run", nargs=2, metavar=("NAME", "FILE"), help="one run; prints JSON")
    parser.add_argument("--check", metavar="FILE", help="decode one file; prints JSON")
    asked = parser.parse_args()
    if asked.run:
        print(json.dumps(vars(run_here(NAMED[asked.run[0]], Path(asked.run[1])))))
        return 0
    if asked.check:
        print(json.dumps(checked_here(Path(asked.check))))
        return 0

    sizes = sorted(
        {float(size) for size in asked.sizes.split(",")} | ({LARGE_MB} if asked.large else set())
    )
    contenders = [each for each in CONTENDERS if not asked.only or each.name in asked.only]
    files = {path for each in contenders for path in each.files(sizes)}
    make_files(files | {each.warming for each in contenders})
    print(f"{os.cpu_count()} cores, Python {sys.version.split()[0]},", end=" ")
    print(", ".join(f"{library} {version(library)}" for library in LIBRARIES), flush=True)

    runs = measure(contenders, sizes, asked.rounds)
    print_table(runs, contenders)
    print_targets(runs, sizes)
    ours = {path for name, path in runs if NAMED[name].title.startswith("busdecode")}
    is_right = print_check(sorted(ours, key=lambda path: (path.suffix, path.stat().st_size)))
    has_failed = any(run.why for each in runs.values() for run in each)
    return int(has_failed or not is_right)


if __name__ == "__main__":
    sys.exit(main())
