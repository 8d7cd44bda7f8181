"""Plans as files: the CSV is an access log once filled in, the C compiles and runs."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from busdecode.access import Access, read_log
from busdecode.errors import LogError, RequestError
from busdecode.plan import Plan, as_c, as_csv, make_plan, open_window
from busdecode.plan.planned import read
from busdecode.protocol import load_bus


def test_filled_in_plan_is_an_access_log(tmp_path: Path) -> None:
    """Check that the log reader takes the file, with what was read in the empty column."""
    window = open_window(load_bus("mc68000"), 0x1000, 0x10)
    plan = make_plan(window, ["lanes", "address-powers"])
    rows = list(csv.DictReader(io.StringIO(as_csv(window, plan))))
    for row in rows:
        if row["op"] == "read":
            assert row["data"] == ""
            row["data"] = "0x5A"
    path = tmp_path / "filled.csv"
    with path.open("w", encoding="ascii", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    wanted = [
        (each.op, each.address, each.size, 0x5A if each.op == "read" else each.data, each.expected)
        for each in plan.accesses
    ]

    assert [
        (each.op, each.address, each.size, each.data, each.expected)
        for each in read_log(path).accesses
    ] == wanted


def test_plan_that_was_not_filled_in_is_no_log(tmp_path: Path) -> None:
    """Check that what was to be read is never taken for what was read."""
    window = open_window(load_bus("z80"), 0x1000, 1)
    path = tmp_path / "plan.csv"
    path.write_text(as_csv(window, make_plan(window, ["counting"])), encoding="ascii")

    with pytest.raises(LogError, match="data is ''"):
        read_log(path)


@pytest.mark.parametrize(("bus", "size"), [("z80", 1), ("mc68020", 4), ("i8086", 2)])
def test_c_compiles_without_a_warning_and_prints_the_log(
    bus: str, size: int, tmp_path: Path
) -> None:
    """Check the program on an array of the compiler's machine in place of the bus."""
    compiler = shutil.which("gcc")
    if compiler is None:
        pytest.skip("no gcc: the C source is not compiled")
    described = load_bus(bus)
    if described.big_endian != (sys.byteorder == "big"):
        names = ["true-complement", "address-powers", "mats+"]  # one size: no order of bytes
    else:
        names = ["lanes", "true-complement", "address-powers", "mats+"]
    window = open_window(described, 0x1000, 0x20, size)
    plan = make_plan(window, names, is_natural=True)
    source = tmp_path / "plan.c"
    source.write_text(as_c(window, plan), encoding="ascii")
    (tmp_path / "array.h").write_text(
        "#include <stdint.h>\nstatic uint64_t array[4];\n", encoding="ascii"
    )
    flags = ["-Wall", "-Wextra", "-Wpedantic", "-Werror", "-std=c99"]
    subprocess.run(
        [compiler, *flags, "-c", str(source), "-o", str(tmp_path / "plan.o")], check=True
    )
    subprocess.run(
        [
            *(compiler, *flags, "-include", str(tmp_path / "array.h")),
            *("-DBASE=((uintptr_t)array)", str(source), "-o", str(tmp_path / "plan")),
        ],
        check=True,
    )
    printed = tmp_path / "log.csv"
    printed.write_bytes(
        subprocess.run([str(tmp_path / "plan")], check=True, capture_output=True).stdout
    )
    wanted = [
        (each.op, each.address, each.size, each.expected if each.op == "read" else each.data)
        for each in plan.accesses
    ]

    assert [
        (each.op, each.address, each.size, each.data) for each in read_log(printed).accesses
    ] == wanted


def test_c_cannot_hold_everything() -> None:
    """Check an access that C has no type for, and a plan that is too long."""
    window = open_window(load_bus("mc68020"), 0, 0x2400)
    odd = Plan("odd", (read(1, 2, 0, "", 0),), ())

    with pytest.raises(RequestError, match="no plain C access moves 2 bytes at 0x1"):
        as_c(window, odd)
    with pytest.raises(RequestError, match="the plan has 69,120 accesses"):
        as_c(window, make_plan(window, ["mats+"]))
    assert odd.accesses == (Access("read", 1, 2, None, 0),)
