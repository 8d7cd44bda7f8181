"""VCD files that simulators write, held to what the simulated design printed; see SOURCE.md."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from busdecode.capture import Capture, join, open_capture, read_capture
from busdecode.capture.compilation import SWITCH

HERE = Path(__file__).parent
NAME = re.compile(r"(?P<name>[^\[]+)(\[(?P<first>\d+):(?P<last>\d+)\])?")


@dataclass(frozen=True)
class Producer:
    """A simulator: the programs it needs, and the commands that make and run a design.

    Parameters
    ----------
    design : str
        File in this folder.
    needs : tuple of str
    commands : tuple of tuple of str
        Run in an empty folder in which the design lies.
    alphabet : str
        The levels that occur.
    above : str
        Scope that the simulator puts around the design.
    """

    design: str
    needs: tuple[str, ...]
    commands: tuple[tuple[str, ...], ...]
    alphabet: str
    above: str = ""


PRODUCERS = {
    "icarus": Producer(
        "four_states.v",
        ("iverilog", "vvp"),
        (("iverilog", "-g2005", "-o", "simulate", "four_states.v"), ("vvp", "simulate")),
        "01xz",
    ),
    "ghdl": Producer(
        "std_logic.vhd",
        ("ghdl",),
        (
            ("ghdl", "-a", "--std=08", "std_logic.vhd"),
            ("ghdl", "-e", "--std=08", "bench"),
            ("ghdl", "-r", "--std=08", "bench", "--vcd=made.vcd"),
        ),
        "01xz",
    ),
    "verilator": Producer(
        "two_states.v",
        ("verilator", "g++", "make"),
        (
            (
                "verilator", "--binary", "--trace", "--timing", "-Wno-fatal", "-Wno-lint",
                "-MAKEFLAGS", "OPT_GLOBAL=-O0 OPT_FAST=-O0 OPT_SLOW=-O0",
                "--top-module", "bench", "-o", "simulate", "two_states.v",
            ),
            ("obj_dir/simulate",),
        ),
        "01",
        "TOP.",
    ),
}  # fmt: skip


@dataclass
class Printed:
    """What a design printed: its lines, their levels by moment (ps), and where dumping was off."""

    lines: list[str] = field(default_factory=list)
    rows: dict[int, str] = field(default_factory=dict)
    off: list[tuple[int, int]] = field(default_factory=list)
    end: int = 0


def expanded(column: str) -> list[str]:
    """Name a line for each bit of a column, in the order of its digits."""
    match = NAME.fullmatch(column)
    assert match is not None, column
    if match["first"] is None:
        return [column]
    first, last = int(match["first"]), int(match["last"])
    step = 1 if last >= first else -1
    return [f"{match['name']}[{bit}]" for bit in range(first, last + step, step)]


def understood(output: str, above: str) -> Printed:
    """Read the words of a design out of what its simulator printed."""
    printed = Printed()
    for line in output.splitlines():
        word, *rest = line.split() or [""]
        if word == "lines":
            printed.lines = [above + each for column in rest for each in expanded(column)]
        elif word == "row":
            printed.rows[int(rest[0])] = "".join(rest[1:]).lower()
        elif word == "off":
            printed.off.append((int(rest[0]), 2**63))
        elif word == "on":
            printed.off[-1] = (printed.off[-1][0], int(rest[0]))
        elif word == "end":
            printed.end = int(rest[0])
    return printed


def run(producer: Producer, folder: Path) -> str:
    """Run a simulator in this folder; give what it printed last."""
    shutil.copy(HERE / producer.design, folder)
    output = ""
    for command in producer.commands:
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
        output = done.stdout
    return output


Row = tuple[int, str, bool]


def differing(rows: list[Row]) -> list[Row]:
    """Leave out the rows that repeat the levels before them."""
    kept = rows[:1]
    for row in rows[1:]:
        if row[1:] != kept[-1][1:]:
            kept.append(row)
    return kept


def read(capture: Capture, lines: list[str]) -> list[Row]:
    """Give moment (ps), levels of these lines, and whether nothing was dumped, row by row."""
    levels = [capture.levels(name) for name in lines]
    gaps = [False] * len(capture) if capture.gaps is None else capture.gaps.tolist()
    return differing(
        [
            (moment, "".join("01xz"[level[row]] for level in levels), gaps[row])
            for row, moment in enumerate(capture.times.tolist())
        ]
    )


def expected(printed: Printed) -> list[Row]:
    """Give the rows that a VCD of what was printed has: x from off to on, then what holds."""
    rows = {
        moment: (moment, levels, False)
        for moment, levels in printed.rows.items()
        if not any(off <= moment < on for off, on in printed.off)
    }
    for off, on in printed.off:
        rows[off] = (off, "x" * len(printed.lines), True)
        rows[on] = (on, printed.rows[max(each for each in printed.rows if each <= on)], False)
    return differing([rows[moment] for moment in sorted(rows)])


@pytest.mark.parametrize("name", PRODUCERS)
def test_rows_are_what_the_design_printed(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every moment and level is one that the design printed, and none lacks, up to its end."""
    producer = PRODUCERS[name]
    absent = [each for each in producer.needs if shutil.which(each) is None]
    if absent:
        pytest.skip(f"not installed: {', '.join(absent)}")
    printed = understood(run(producer, tmp_path), producer.above)
    wanted = expected(printed)
    assert len(wanted) > 60
    assert set("".join(levels for _, levels, _ in wanted)) == set(producer.alphabet)
    path = tmp_path / "made.vcd"
    for switch in ("1", "0"):  # by plain Python; by compiled code, where numba is installed
        monkeypatch.setenv(SWITCH, switch)
        whole = read_capture(path)
        assert whole.end == printed.end
        assert "1 real set aside: it has no levels." in whole.notes
        for capture in (whole, *(join(open_capture(path).chunks(rows)) for rows in (1, 7))):
            assert read(capture, printed.lines) == wanted
