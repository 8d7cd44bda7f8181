"""`busdecode draw` as a user runs it."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest

from busdecode.capture.stream import CaptureFile
from tests.conftest import HAND

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from busdecode.capture import Capture
    from tests.conftest import Outcome

    Run = Callable[..., Outcome]

pytest.importorskip("matplotlib", reason="pictures are drawn by matplotlib")


@pytest.fixture(autouse=True)
def demo(tmp_path: Path, checkout: Path) -> None:
    """Put the bundled captures into the folder in which the commands run."""
    for name in ("saltmere.vcd", "saltmere-log.csv", "saltmere-probes.toml"):
        (tmp_path / name).write_bytes((checkout / "captures" / name).read_bytes())
    (tmp_path / "hand.csv").write_text(HAND, encoding="ascii")
    (tmp_path / "kept.svg").write_text("mine", encoding="ascii")


DEMO = ("draw", "saltmere.vcd", "--bus", "orlop32", "--probes", "saltmere-probes.toml")


def test_a_cycle_of_a_capture_is_drawn_with_the_lines_asked_for(
    busdecode: Run, tmp_path: Path
) -> None:
    """What was drawn is told, and where 0 ns is."""
    outcome = busdecode(*DEMO, "--cycle", "5", "--lines", "AS,AD,AD[23:16],ACK", "-o", "five.svg")

    assert outcome.status == 0
    assert outcome.err == ""
    rows = outcome.out.splitlines()
    assert rows[0] == "five.svg: saltmere.vcd: cycle 5 at card, 4 lanes"
    assert "  0 ns is 3.91 us of saltmere.vcd" in rows
    assert ElementTree.parse(tmp_path / "five.svg").getroot().tag.endswith("svg")


def test_with_a_log_the_first_failing_cycle_is_drawn_and_marked(busdecode: Run) -> None:
    """The bundled fault: cycle 5, in which BS2 does not assert. Draw passes no verdict."""
    outcome = busdecode(*DEMO, "--log", "saltmere-log.csv", "-o", "demo.png", "--json")

    assert outcome.status == 0
    told = json.loads(outcome.out)
    assert told["title"] == "saltmere.vcd: cycle 5 at card"
    assert told["marks"] == ["BS2 high, meant low: lane strobe, cycle 5"]
    assert "cycle 5 was meant as write 0x00C04004, 0xFFFFFFFF" in told["notes"]
    assert any(note.startswith("found: AD22 and BS2 always show") for note in told["notes"])


def test_wrong_bits_get_lanes_of_their_own(busdecode: Run) -> None:
    """Cycle 6 reads back FFA5FFFF where FFFFFFFF was written."""
    outcome = busdecode(
        *DEMO, "--log", "saltmere-log.csv", "--cycles", "6..7", "-o", "x.pdf", "--json"
    )

    told = json.loads(outcome.out)
    assert told["lanes"][:5] == ["AD[31:0]", "AD22", "AD20", "AD19", "AD17"]
    assert told["title"] == "saltmere.vcd: cycles 6 to 7 at card"
    assert told["marks"] == [
        f"AD{bit} low, meant high: read data, cycle 6" for bit in (22, 20, 19, 17)
    ]


def test_the_first_cycle_of_a_kind_is_drawn(busdecode: Run) -> None:
    """The demonstration's first read is cycle 2."""
    outcome = busdecode(*DEMO, "--kind", "read", "-o", "read.svg")

    assert outcome.out.startswith("read.svg: saltmere.vcd: cycle 2 at card, 9 lanes\n")


def test_without_a_capture_the_ideal_cycle_is_drawn(busdecode: Run) -> None:
    """From the description alone; a clock that it does not drive is left out, which is told."""
    outcome = busdecode("draw", "--bus", "mc68000", "--kind", "write", "-o", "write.svg", "--json")

    told = json.loads(outcome.out)
    assert told["title"] == "MC68000 16-bit asynchronous bus: a write cycle"
    assert told["lanes"] == [
        "A[23:1]", "D[15:0]", "AS", "UDS", "LDS", "R/W", "DTACK", "BERR", "FC[2:0]",
    ]  # fmt: skip
    assert "left out, since they stand still: CLK, VPA" in told["notes"]
    every = busdecode("draw", "--bus", "z80", "-o", "all.svg")
    assert every.out.startswith("all.svg: Z80 8-bit bus: one cycle of each kind, 9 lanes\n")


def test_a_capture_is_read_chunk_by_chunk_and_no_further_than_needed(
    busdecode: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Chunks of 16 rows give the same picture; of 60 chunks few are read for cycle 5."""
    read: list[int] = []
    whole = CaptureFile.chunks

    def chunks(self: CaptureFile, rows: int = 16) -> Iterator[Capture]:
        for chunk in whole(self, 16):
            read.append(len(chunk))
            yield chunk

    first = busdecode(*DEMO, "--cycle", "5", "-o", "whole.svg")
    monkeypatch.setattr(CaptureFile, "chunks", chunks)
    second = busdecode(*DEMO, "--cycle", "5", "-o", "parts.svg")

    assert max(read) == 16
    assert len(read) < 30
    assert first.out.splitlines()[1:] == second.out.splitlines()[1:]
    assert (tmp_path / "whole.svg").read_bytes() == (tmp_path / "parts.svg").read_bytes()


def test_without_matplotlib_nothing_is_read_before_it_is_said(
    busdecode: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not even that the capture is not there."""
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    outcome = busdecode("draw", "absent.vcd", "--bus", "z80", "-o", "x.svg")

    assert outcome.status == 2
    assert outcome.err == (
        "pictures are drawn by matplotlib, which is not installed\n"
        "  do:       install it: pip install 'busdecode[figures]'\n"
    )


MISTAKES = [
    (
        (*DEMO, "--cycle", "500", "-o", "x.svg"),
        "saltmere.vcd: there is no cycle 500 in the capture\n"
        "  expected: a cycle from 0 to 63\n"
        "  do:       list the cycles with busdecode decode\n",
    ),
    (
        (*DEMO, "--cycles", "62..70", "-o", "x.svg"),
        "saltmere.vcd: there is no cycle 64 in the capture\n"
        "  expected: a cycle from 0 to 63\n"
        "  do:       list the cycles with busdecode decode\n",
    ),
    (
        (*DEMO, "--lines", "AS,ACKK", "-o", "x.svg"),
        "orlop32 has no line or bundle 'ACKK'\n"
        "  expected: one of AD, AS, WR, BS3, BS2, BS1, BS0, ACK, ERR, or a line of a bundle\n"
        "  do:       did you mean ACK?\n",
    ),
    (
        (*DEMO, "--kind", "reed", "-o", "x.svg"),
        "orlop32 has no kind 'reed'\n"
        "  expected: one of write, read\n"
        "  do:       did you mean read?\n",
    ),
    (
        (*DEMO, "--cycle", "1", "--kind", "read", "-o", "x.svg"),
        "--cycle and --kind contradict each other\n  do:       give one\n",
    ),
    (
        (*DEMO, "--cycles", "1..99", "-o", "x.svg"),
        "busdecode draw: '--cycles': a picture has room for 50 cycles, not 99\n"
        "  do:       see: busdecode draw --help\n",
    ),
    (
        (*DEMO, "--cycles", "5", "-o", "x.svg"),
        "busdecode draw: '--cycles': cycles must be such as 10..12, not '5'\n"
        "  do:       see: busdecode draw --help\n",
    ),
    (
        (*DEMO, "-o", "kept.svg"),
        "kept.svg: the file exists, and is kept\n"
        "  do:       name another file, or give --overwrite to replace it\n",
    ),
    (
        (*DEMO, "-o", "x.gif"),
        "x.gif: the suffix '.gif' names no form of picture\n"
        "  expected: a file named .svg, .png or .pdf\n",
    ),
    (
        (*DEMO, "--address-offset", "4", "-o", "x.svg"),
        "--log-pattern and --address-offset are for a log\n  do:       give --log\n",
    ),
    (
        ("draw", "--bus", "orlop32", "--cycle", "3", "-o", "x.svg"),
        "--cycle is for a capture, and none was named\n"
        "  do:       name the capture, or leave the option out\n",
    ),
    (
        ("draw", "hand.csv", "--bus", "z80", "--kind", "write", "-o", "x.svg"),
        "hand.csv: there is no write cycle in the capture\n",
    ),
]


@pytest.mark.parametrize(("arguments", "message"), MISTAKES)
def test_a_mistake_is_one_clear_error(
    arguments: tuple[str, ...], message: str, busdecode: Run, tmp_path: Path
) -> None:
    """Status 2, nothing printed, nothing written."""
    outcome = busdecode(*arguments)

    assert (outcome.status, outcome.out) == (2, "")
    assert outcome.err == message
    assert not (tmp_path / "x.svg").exists()
    assert (tmp_path / "kept.svg").read_text(encoding="ascii") == "mine"


def test_limits_are_drawn_as_dimensions(busdecode: Run) -> None:
    """Of the ideal write: R/W stands low 105 ns before the strobes, as its delays say."""
    outcome = busdecode(
        "draw", "--bus", "mc68000", "--kind", "write", "--measure", "11,22", "--grade", "10 MHz",
        "-o", "w.svg", "--json",
    )  # fmt: skip
    measures = json.loads(outcome.out)["measures"]

    assert [
        (each["limit"], each["outcome"], each["to_ps"] - each["from_ps"]) for each in measures
    ] == [
        ("at least 20 ns (11)", "met", 110_000),
        ("at least 50 ns (22)", "met", 105_000),
    ]
    assert measures[0]["lanes"] == ["A[23:1]", "AS"]


def test_broken_limits_are_drawn_unasked(busdecode: Run) -> None:
    """AD22 moves with the strobes of cycle 0: two limits of the demo bus are broken."""
    shown = busdecode(*DEMO, "--cycle", "0", "-o", "a.svg", "--json")
    none = busdecode(*DEMO, "--cycle", "0", "--measure", "none", "-o", "b.svg", "--json")

    limits = [each["limit"] for each in json.loads(shown.out)["measures"]]
    assert limits == ["at least 30 ns (O3)", "at least 20 ns (O4)"]
    assert json.loads(none.out)["measures"] == []


@pytest.mark.parametrize(
    ("options", "found"),
    [
        (("--measure", "11B"), "mc68000 has no limit '11B'"),
        (("--measure", "11", "--grade", "9 MHz"), "mc68000 has no grade called '9 MHz'"),
    ],
)
def test_a_limit_or_grade_that_is_not_there_is_refused(
    busdecode: Run, tmp_path: Path, options: tuple[str, ...], found: str
) -> None:
    """One clear error, and no picture."""
    outcome = busdecode("draw", "--bus", "mc68000", *options, "-o", "w.svg")

    assert outcome.status == 2
    assert found in outcome.err
    assert not (tmp_path / "w.svg").exists()
