"""Beats put together to operands, against what the benches' hosts asked for.

Whoever wrote the rows had no part in the decoder: each bench prints one row an operand from what
its host model meant and latched; see SOURCE.md.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from busdecode.capture import read_capture
from busdecode.cycles import decode_capture, has_operands, operands
from busdecode.protocol import load_bus

HERE = Path(__file__).parent
PROTOCOLS = HERE.parents[1] / "protocols"
BUSES = ("mc68020", "hd44780-nibble")
LEAST_OPERANDS = 30

# Bus, how the description has one fact of its operands, and the same fact wrongly.
BROKEN = [
    ("mc68020", "bytes = [4, 1, 2, 3]", "bytes = [4, 2, 1, 3]"),
    ("mc68020", 'lowest = "lines"', 'lowest = "lanes"'),
    ("hd44780-nibble", "beats = 2", "beats = 3"),
]


def expected_rows(bus: str) -> list[dict[str, str]]:
    """Read the operands that the bench's host asked for."""
    with (HERE / f"{bus}_bench_operands.csv").open(newline="", encoding="ascii") as lines:
        return list(csv.DictReader(lines))


def disagreements(bus: str, description: str | Path) -> list[str]:
    """List where the operands found differ from those asked for; empty where they do not."""
    expected = expected_rows(bus)
    capture = read_capture(HERE / f"{bus}_bench.vcd")
    table = decode_capture(capture, load_bus(description)).table
    assert has_operands(table)
    found = operands(table)[list(expected[0])].to_dict("records")
    differences = [
        f"row {row}, {column}: expected {want[column]!r}, found {got[column]!r}"
        for row, (want, got) in enumerate(zip(expected, found, strict=False))
        for column in want
        if want[column] != got[column]
    ]
    if len(found) != len(expected):
        differences.append(f"expected {len(expected)} operands, found {len(found)}")
    return differences


@pytest.mark.parametrize("bus", BUSES)
def test_operands_are_those_that_the_host_asked_for(bus: str) -> None:
    """Every cell of every row agrees with what the bench's host did."""
    assert disagreements(bus, bus) == []


@pytest.mark.parametrize(("bus", "right", "wrong"), BROKEN)
def test_a_description_that_says_operands_wrongly_is_found_out(
    bus: str, right: str, wrong: str, tmp_path: Path
) -> None:
    """The rows tell a right description from one with a wrong fact."""
    text = (PROTOCOLS / f"{bus}.toml").read_text(encoding="utf-8")
    assert text.count(right) == 1
    description = tmp_path / f"{bus}.toml"
    description.write_text(text.replace(right, wrong), encoding="utf-8")
    assert disagreements(bus, description) != []


@pytest.mark.parametrize("bus", BUSES)
def test_bench_asks_for_enough_operands(bus: str) -> None:
    """The rows hold operands of one beat and of several, and some that came to no end."""
    rows = expected_rows(bus)
    assert len(rows) >= LEAST_OPERANDS
    assert len({row["kind"] for row in rows}) >= 3
    if bus == "mc68020":
        assert {row["size"] for row in rows} == {"1", "2", "4"}
        assert {"1", "2", "3", "4"} == {row["beats"] for row in rows}
        assert {row["whole"] for row in rows} == {"true", "false"}
