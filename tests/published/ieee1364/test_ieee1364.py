"""VCD figures of IEEE Std 1364-2005, clause 18; see SOURCE.md."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from busdecode.capture import Capture, read_capture

CASES: dict[str, Any] = tomllib.loads((Path(__file__).parent / "cases.toml").read_text("utf-8"))


def digits(capture: Capture, name: str, width: int, row: int) -> str:
    """Write a vector's levels in one row, msb first."""
    bits = range(width - 1, -1, -1)
    return "".join("01xz"[capture.levels(f"{name}[{bit}]")[row]] for bit in bits)


@pytest.mark.parametrize("case", CASES["extension"], ids=lambda case: case["written"])
def test_a_shortened_value_is_extended_to_the_left(case: dict[str, Any], tmp_path: Path) -> None:
    """A value written short is the full value of the table."""
    path = tmp_path / "made.vcd"
    path.write_text(
        f"$timescale 1 ns $end $var reg {case['width']} ! v $end $enddefinitions $end\n"
        f"#0\n{case['written']} !\n"
    )
    assert digits(read_capture(path), "v", case["width"], 0) == case["full"]


def test_the_dump_commands_of_the_example(tmp_path: Path) -> None:
    """Dump commands make the rows of the example, the off time is a gap, and 1500 is no row."""
    path = tmp_path / "made.vcd"
    path.write_text(CASES["example"]["text"].lstrip())
    capture = read_capture(path)
    assert capture.gaps is not None
    found = [
        {
            "at": int(at) // 1000,
            "gap": bool(gap),
            **{name: "01xz"[capture.levels(f"top.{name}")[row]] for name in "zwvu"},
            "data": digits(capture, "top.data", 32, row),
        }
        for row, (at, gap) in enumerate(zip(capture.times, capture.gaps, strict=True))
    ]
    assert found == CASES["example"]["rows"]
