"""Bad input at the command line: each message whole, status 2, nothing on the standard output."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from busdecode.protocol import load_bus
from tests.conftest import HAND

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.conftest import Outcome

VCD = """\
$timescale 1 ns $end
$scope module top $end
$var wire 1 ! MREQ $end
$var wire 1 # RD $end
"""

FILES: dict[str, bytes] = {
    "empty.vcd": b"",
    "picture.png": b"\x89PNG\r\n\x1a\n\0\0",
    "cut.vcd": VCD.encode(),
    "late.vcd": (VCD + "$upscope $end\n$enddefinitions $end\n#0\n1!\n#10\n0%\n").encode(),
    "hole.csv": HAND.replace("\n200,1,", "\n200,,", 1).encode(),
    "short.csv": HAND.replace("\n200,1,", "\n200,", 1).encode(),
    "words.txt": b"The board hangs when the card is in.\n",
    "absent.toml": b'[channels]\n"probe 3" = "D3"\n',
    "wrong.toml": b'[channels]\nD3 = "D33"\n',
    "mine.toml": Path(str(load_bus("z80").path))
    .read_bytes()
    .replace(b'"any of (MREQ, IORQ) asserts"', b'"any of (MREQ, IORQ) aserts"'),
    "kept.csv": b"mine\n",
}

MISTAKES: list[tuple[str, str]] = [
    (
        "decode empty.vcd --bus z80",
        "empty.vcd: the file is empty\n"
        "  expected: a capture, plain or packed by gzip, zstd, xz, bzip2 or zip\n"
        "  do:       export the capture again\n",
    ),
    (
        "decode picture.png --bus z80",
        "picture.png: byte 0: the format is not known; the file is binary\n"
        "  expected: VCD, CSV with a header line that names a time or sample column, or a NumPy"
        " file\n"
        "  do:       describe packed samples in a TOML file, and name it with --layout\n",
    ),
    (
        "decode cut.vcd --bus z80",
        "cut.vcd:4:18: the file ends inside its header\n"
        "  4 | $var wire 1 # RD $end\n"
        "    |                  ^\n"
        "  expected: $enddefinitions $end after the declarations\n"
        "  do:       export the capture again; it looks cut short\n",
    ),
    (
        "decode hole.csv --bus z80",
        "hole.csv:4: column A15: the cell is empty\n"
        "  4 | 200,,0,0,0,0,0,0,0,0,0,0,0,0,0,0,1,0,0,0,0,0,0,0,0,0,0,1,1,1,1,1\n"
        "  expected: a value in every cell\n"
        "  do:       write x for a level that is not known\n",
    ),
    (
        "decode short.csv --bus z80",
        "short.csv:4: column WAIT: 31 cells in this row\n"
        "  4 | 200,0,0,0,0,0,0,0,0,0,0,0,0,0,0,1,0,0,0,0,0,0,0,0,0,0,1,1,1,1,1\n"
        "  expected: 32 cells as in the header (line 1)\n"
        "  do:       write x for a level that is not known; no cell may be missing\n",
    ),
    (
        "decode none.vcd --bus z80",
        "none.vcd: there is no such file\n  do:       check the name and the folder\n",
    ),
    (
        "decode . --bus z80",
        ".: this is a folder, not a file\n  do:       name one capture file in it\n",
    ),
    (
        "decode hand.csv --bus mine.toml",
        "mine.toml:42:31: cycle.begins: the event stops making sense at 'aserts'\n"
        '  42 | begins = "any of (MREQ, IORQ) aserts"\n'
        "     |                               ^\n"
        "  expected: an event such as 'X asserts', 'X asserted', "
        "'first of (X asserted, Y asserted)' or 'all of (X, Y) negated'\n",
    ),
    (
        "decode hand.csv --bus z80 --probes absent.toml",
        "absent.toml:2: channels.\"probe 3\": the capture has no channel called 'probe 3'\n"
        "  expected: a channel of the capture\n",
    ),
    (
        "decode hand.csv --bus z80 --probes wrong.toml",
        "wrong.toml:2: channels.D3: the bus has no line called 'D33'\n"
        "  expected: one of A15, A14, A13, A12, A11, A10, A9, A8, ...\n"
        "  do:       did you mean D3?\n",
    ),
    (
        "decode hand.csv --bus mc68000",
        "the capture does not show where a cycle begins: no channel for AS\n"
        "  expected: a channel for AS\n"
        "  do:       probe the line, or name its channel in a probe list\n",
    ),
    (
        "decode hand.csv --bus z80 --place slot3",
        "nothing was probed at 'slot3'\n  expected: one of host\n",
    ),
    (
        "decode hand.csv --bus z80 -o kept.csv",
        "kept.csv: the file exists, and is kept\n"
        "  do:       name another file, or give --overwrite to replace it\n",
    ),
    (
        "decode hand.csv --bus z80 -o hand.csv --overwrite",
        "hand.csv: the output is also an input\n  do:       name another file\n",
    ),
    (
        "decode hand.csv --bus z80 -o none/o.csv",
        "none/o.csv: there is no folder 'none'\n  do:       make the folder, or name another\n",
    ),
    (
        "decode hand.csv --bus z80 -o .",
        ".: this is a folder\n  expected: the name of a file\n",
    ),
    (
        "decode hand.csv --bus z80 --capture-format vdc",
        "the format must be one of vcd, csv, numpy, packed, not 'vdc'\n"
        "  do:       did you mean vcd?\n",
    ),
    (
        "decode hand.csv --bus z80 --sample-period -5ns",
        "busdecode decode: '--sample-period': a time must be 0 or more, not '-5ns'\n"
        "  do:       see: busdecode decode --help\n",
    ),
    (
        "decode hand.csv",
        "busdecode decode: missing option '--bus'\n  do:       see: busdecode decode --help\n",
    ),
    (
        "decode hand.csv --bus z80 --format xml",
        "busdecode decode: '--format': 'xml' is not one of 'table', 'csv', 'json', 'parquet'\n"
        "  do:       see: busdecode decode --help\n",
    ),
]


@pytest.fixture(autouse=True)
def _files(tmp_path: Path, hand: Path) -> None:
    for name, content in FILES.items():
        (tmp_path / name).write_bytes(content)


@pytest.mark.parametrize(("line", "message"), MISTAKES, ids=[line for line, _ in MISTAKES])
def test_mistake_is_told_whole_and_nothing_else(
    busdecode: Callable[..., Outcome], line: str, message: str
) -> None:
    """Check message and status; the user's files stay as they were, and none is added."""
    outcome = busdecode(*line.split())

    assert (outcome.status, outcome.out, outcome.err) == (2, "", message)
    assert {path.name for path in Path().iterdir()} == {*FILES, "hand.csv"}
    assert all(Path(name).read_bytes() == content for name, content in FILES.items())


@pytest.mark.parametrize(("line", "message"), MISTAKES, ids=[line for line, _ in MISTAKES])
def test_with_json_the_mistake_is_one_object(
    busdecode: Callable[..., Outcome], line: str, message: str
) -> None:
    """Check that the object has the fields of the error, and the message as people get it."""
    if "--format" in line:
        line = line.replace("--format xml", "--format json --nonsense")
    outcome = busdecode(*line.split(), "--json")
    error = json.loads(outcome.out)["error"]

    assert (outcome.status, outcome.err) == (2, "")
    assert list(error) == [
        *("kind", "path", "line", "column", "byte", "key"),
        *("found", "text", "expected", "action", "message"),
    ]
    if "--format" not in line:
        assert error["message"] + "\n" == message
    assert error["found"] in error["message"]


def test_file_that_cannot_be_read_on_gives_what_was_read_and_status_2(
    busdecode: Callable[..., Outcome],
) -> None:
    """Check a capture that breaks off after its header: named by line and column."""
    outcome = busdecode("decode", "late.vcd", "--bus", "z80", "--format", "csv")

    assert outcome.status == 2
    assert outcome.err.startswith("late.vcd:10:2: value for an undeclared code '%'\n")


def test_half_an_output_file_is_not_left(busdecode: Callable[..., Outcome]) -> None:
    """Check that a capture that breaks off leaves no file, and an old one as it was."""
    for more in ((), ("--overwrite",)):
        name = "kept.csv" if more else "new.csv"
        assert busdecode("decode", "late.vcd", "--bus", "z80", "-o", name, *more).status == 2

    assert Path("kept.csv").read_bytes() == b"mine\n"
    assert {path.name for path in Path().iterdir()} == {*FILES, "hand.csv"}


def test_overwrite_replaces(busdecode: Callable[..., Outcome]) -> None:
    """Check that the file is replaced where that is asked for."""
    outcome = busdecode("decode", "hand.csv", "--bus", "z80", "-o", "kept.csv", "--overwrite")

    assert outcome.status == 0
    assert Path("kept.csv").read_text(encoding="utf-8").startswith("cycle,beat,")


@pytest.mark.parametrize("line", ["decode empty.vcd --bus z80", "decode", "frobnicate"])
def test_process_gives_status_2_without_traceback(tmp_path: Path, line: str) -> None:
    """Check the same through the process that a user starts."""
    run = subprocess.run(
        [sys.executable, "-m", "busdecode", *line.split()],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )

    assert (run.returncode, run.stdout) == (2, "")
    assert run.stderr
    assert "Traceback" not in run.stderr
