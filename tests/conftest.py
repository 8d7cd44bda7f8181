"""What all tests share: the command line in-process, and a small capture made by hand."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

from busdecode.capture.compilation import SWITCH
from busdecode.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

# How long one example takes says nothing on a machine shared with others. Where a whole change is
# judged, examples are the same each time; elsewhere each run looks for new ones.
settings.register_profile(
    "busdecode", deadline=None, print_blob=True, derandomize="CI" in os.environ
)
settings.load_profile("busdecode")


@dataclass(frozen=True)
class Outcome:
    """What a command gave."""

    status: int
    out: str
    err: str


@pytest.fixture(scope="module", params=["plain", "compiled"])
def both_ways(request: pytest.FixtureRequest) -> Iterator[str]:
    """Have all files read by plain Python, then all by compiled code."""
    if request.param == "compiled":
        pytest.importorskip("numba", reason="numba compiles the reader; it is not installed")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(SWITCH, "1" if request.param == "plain" else "0")
        yield request.param


@pytest.fixture(scope="session")
def checkout() -> Path:
    """The folder with pyproject.toml; told where the tests run apart from it."""
    return Path(os.environ.get("BUSDECODE_CHECKOUT") or Path(__file__).parents[1])


@pytest.fixture
def busdecode(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Outcome]:
    """Run the command line in an empty folder, as a user would, but in this process."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")

    def run(*arguments: str) -> Outcome:
        capsys.readouterr()
        status = main(arguments)
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return Outcome(status, out, err)

    return run


def _hand_capture() -> str:
    """Write a Z80 memory read of 55 at 8001, and a refresh cut off by the end of the capture.

    Common practice of the bus: MREQ and RD low together, data taken before RD goes high.
    """
    lines = ["MREQ", "RD", "WR", "IORQ", "M1", "RFSH", "WAIT"]
    rows = [
        # ns, address, data, MREQ RD WR IORQ M1 RFSH WAIT
        (0, 0x0000, 0x00, "1111111"),
        (100, 0x8001, 0x00, "1111111"),
        (200, 0x8001, 0x00, "0011111"),
        (300, 0x8001, 0x55, "0011111"),
        (400, 0x8001, 0x55, "1111111"),
        (500, 0x0002, 0x00, "1111111"),
        (600, 0x0002, 0x00, "0111101"),
        (700, 0x0002, 0x00, "0111101"),
    ]
    names = [f"A{bit}" for bit in range(15, -1, -1)] + [f"D{bit}" for bit in range(7, -1, -1)]
    text = ",".join(["time (ns)", *names, *lines]) + "\n"
    for ns, address, data, control in rows:
        text += ",".join([str(ns), *f"{address:016b}", *f"{data:08b}", *control]) + "\n"
    return text


HAND = _hand_capture()


@pytest.fixture
def hand(tmp_path: Path) -> Path:
    """Give the capture made by hand as a file ``hand.csv`` in the folder of the commands."""
    path = tmp_path / "hand.csv"
    path.write_text(HAND, encoding="ascii")
    return path
