"""VCD figures of IEEE Std 1364-2005, clause 18; see SOURCE.md."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from busdecode.capture import Capture, read_capture

pytestmark = pytest.mark.usefixtures("both_ways")

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


@pytest.mark.parametrize("case", CASES["file"], ids=lambda case: case["where"])
def test_words_mean_what_the_clause_says(case: dict[str, Any], tmp_path: Path) -> None:
    """A file made for one sentence of the clause has the lines, moments and levels it asks for."""
    path = tmp_path / "made.vcd"
    path.write_bytes(case["text"].encode("ascii"))
    capture = read_capture(path)
    assert list(capture.lines) == case["lines"]
    assert (capture.times // 1000).tolist() == case["times"]
    found = ["".join("01xz"[level] for level in capture.levels(name)) for name in capture.lines]
    assert found == case["levels"]


@pytest.mark.parametrize("unit", CASES["timescale"]["units"])
@pytest.mark.parametrize("number", CASES["timescale"]["numbers"])
def test_a_time_scale_is_a_number_and_a_unit(number: int, unit: str, tmp_path: Path) -> None:
    """A thousand units of the time scale are that many picoseconds, however it is written."""
    path = tmp_path / "made.vcd"
    for written in (f"{number}{unit}", f"{number} {unit}", f"\n\t{number}\n{unit}\n"):
        path.write_text(
            f"$timescale {written} $end $var wire 1 ! a $end $enddefinitions $end\n"
            "#0\n1!\n#1000\n0!\n"
        )
        times = read_capture(path).times.tolist()
        assert times == [0, number * CASES["timescale"]["units"][unit]]


@pytest.mark.parametrize("kind", CASES["types"]["variables"])
def test_every_type_with_levels_makes_lines(kind: str, tmp_path: Path) -> None:
    """Types of scopes and variables leave names and levels alone."""
    path = tmp_path / "made.vcd"
    for scope in CASES["types"]["scopes"]:
        path.write_text(
            f"$timescale 1 ns $end $scope {scope} s $end $var {kind} 2 ! v $end $upscope $end"
            " $enddefinitions $end\n#0\nb1 !\n"
        )
        capture = read_capture(path)
        assert capture.lines == ("s.v[1]", "s.v[0]")
        assert [capture.levels(name).tolist() for name in capture.lines] == [[0], [1]]
