"""Captures that the project's own synthesiser had no part in, with the bundled descriptions.

The figure captures were typed by hand from the sources' timing figures. The bench captures come
from small Verilog benches run by a logic simulator; each bench writes the expected rows itself,
from what its host model meant and latched. A description that is wrong in both directions, so
that decoding undoes what synthesis did, fails here.
"""

from __future__ import annotations

import csv
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from vcdvcd import VCDVCD

from busdecode.capture import read_capture
from busdecode.cycles import decode_capture
from busdecode.protocol import load_bus

HERE = Path(__file__).parent
PROTOCOLS = HERE.parents[1] / "protocols"
BUSES = (
    "6502",
    "hd44780",
    "hd44780-nibble",
    "i8086",
    "ieee1284-epp",
    "mc68000",
    "mc68020",
    "sram",
    "vmebus",
    "z80",
)
CAPTURES = [(bus, f"{bus}_{how}") for bus in BUSES for how in ("figure", "bench")]
LEAST_BENCH_ROWS = 30

# Bus, how the description has one fact, and the same fact wrongly.
BROKEN = [
    ("6502", 'direction = "at data"', 'direction = "at address"'),
    ("6502", "joined = true", "joined = false"),
    ("6502", 'begins = "PHI2 rises"', 'begins = "PHI2 falls"'),
    ("hd44780", 'read = "before release"', 'read = "at data"'),
    ("hd44780", 'levels = { RS = 0, "R/W" = 0 }', 'levels = { RS = 1, "R/W" = 0 }'),
    ("hd44780-nibble", 'write = "before release"', 'write = "at data"'),
    ("hd44780-nibble", 'levels = { RS = 0, "R/W" = 1 }', 'levels = { RS = 1, "R/W" = 1 }'),
    ("i8086", 'lanes = "before address"', 'lanes = "at data"'),
    ("i8086", 'read = "before release"', 'read = "at data"'),
    ("i8086", 'kind = "at data"', 'kind = "before address"'),
    (
        "ieee1284-epp",
        "levels = { nAddrStb = 0, nWrite = 0 }",
        "levels = { nAddrStb = 0, nWrite = 1 }",
    ),
    ("ieee1284-epp", 'timeout = "10 us"', 'timeout = "13 us"'),
    ("ieee1284-epp", 'read = "before release"', 'read = "at release"'),
    ("mc68000", 'strobes = ["UDS", "LDS"]', 'strobes = ["LDS", "UDS"]'),
    ("mc68000", 'direction = "at data"', 'direction = "at address"'),
    ("mc68020", 'port = "before release"', 'port = "at acknowledge"'),
    ("mc68020", "bytes = [4, 1, 2, 3]", "bytes = [4, 2, 1, 3]"),
    ("mc68020", 'lowest = "lines"', 'lowest = "lanes"'),
    ("sram", "joined = true", "joined = false"),
    ("sram", 'address = "before release"', 'address = "at data"'),
    ("sram", "levels = { CS = 0, OE = 0, WE = 1 }", "levels = { CS = 0, OE = 0, WE = 0 }"),
    ("vmebus", "pipelined = true", "pipelined = false"),
    ("vmebus", 'lanes = "at address"', 'lanes = "at data"'),
    ("vmebus", 'read = "before taking"', 'read = "before release"'),
    ("vmebus", "[0x29, 0x2C, 0x2D]", "[0x2C, 0x2D]"),
    ("z80", "levels = { M1 = 0, MREQ = 0, RD = 0 }", "levels = { M1 = 1, MREQ = 0, RD = 0 }"),
    ("z80", 'write = "before release"', 'write = "at data"'),
]


def expected_rows(path: Path) -> list[dict[str, str]]:
    """Read the rows that a capture must give."""
    with path.open(newline="", encoding="ascii") as lines:
        return list(csv.DictReader(lines))


def disagreements(name: str, bus: str | Path) -> list[str]:
    """List where the decoded table differs from the expected rows; empty where it does not.

    A cell that the expected rows leave empty must be empty, but for `rmw`, which says nothing of a
    cycle that was cut off.
    """
    expected = expected_rows(HERE / f"{name}.csv")
    decoded = decode_capture(read_capture(HERE / f"{name}.vcd"), load_bus(bus)).as_text()
    found = decoded[list(expected[0])].to_dict("records")
    differences = [
        f"row {row}, {column}: expected {want[column]!r}, found {got[column]!r}"
        for row, (want, got) in enumerate(zip(expected, found, strict=False))
        for column in want
        if want[column] != got[column] and not (column == "rmw" and want[column] == "")
    ]
    if len(found) != len(expected):
        differences.append(f"expected {len(expected)} rows, found {len(found)}")
    return differences


@pytest.mark.parametrize(("bus", "name"), CAPTURES)
def test_decodes_to_the_rows_that_the_evidence_itself_tells(bus: str, name: str) -> None:
    """Every cell of every row agrees with the figure, or with what the bench's host did."""
    assert disagreements(name, bus) == []


@pytest.mark.parametrize("how", ["figure", "bench"])
@pytest.mark.parametrize(("bus", "right", "wrong"), BROKEN)
def test_a_description_with_one_wrong_fact_is_found_out(
    bus: str, right: str, wrong: str, how: str, tmp_path: Path
) -> None:
    """The evidence tells a right description from one that is wrong in both directions."""
    text = (PROTOCOLS / f"{bus}.toml").read_text(encoding="utf-8")
    assert text.count(right) == 1
    description = tmp_path / f"{bus}.toml"
    description.write_text(text.replace(right, wrong), encoding="utf-8")
    assert disagreements(f"{bus}_{how}", description) != []


@pytest.mark.parametrize("bus", BUSES)
def test_bench_mixes_enough_cycles(bus: str) -> None:
    """The bench's own rows hold every kind that its host can make."""
    rows = expected_rows(HERE / f"{bus}_bench.csv")
    kinds = {kind.name for kind in load_bus(bus).kinds} - {"block-of-64-bits"}
    found = {row["kind"] for row in rows if row["ended"] != "cut-off"}
    assert found - {"address-only"} == kinds - {"address-only"}
    assert len({row["cycle"] for row in rows}) >= LEAST_BENCH_ROWS


def value_changes(path: Path) -> dict[str, list[tuple[int, str]]]:
    """Give the changes of every signal of a VCD file, without its date, version and codes."""
    recorded = VCDVCD(str(path))
    return {name: recorded[name].tv for name in recorded.signals}


@pytest.mark.parametrize("bus", BUSES)
def test_bench_runs_again_to_the_same_capture(bus: str, tmp_path: Path) -> None:
    """The stored capture and rows are what the simulator makes of the stored bench today."""
    compiler = shutil.which("iverilog")
    if compiler is None and os.environ.get("CI") != "true":
        pytest.skip("iverilog is not installed")
    assert compiler is not None, "iverilog must be installed where CI=true"
    source = HERE / f"{bus}_bench.v"
    subprocess.run(
        [compiler, "-g2005", "-Wall", "-o", "bench", str(source)],
        cwd=tmp_path,
        check=True,
        timeout=60,
    )
    run = subprocess.run(
        ["vvp", "bench"], cwd=tmp_path, check=True, timeout=60, capture_output=True, text=True
    )
    assert "FAULT" not in run.stdout
    name = f"{bus}_bench"
    assert value_changes(tmp_path / f"{name}.vcd") == value_changes(HERE / f"{name}.vcd")
    assert (tmp_path / f"{name}.csv").read_bytes() == (HERE / f"{name}.csv").read_bytes()
