"""`busdecode decode` as a user runs it."""

from __future__ import annotations

import csv
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.conftest import Outcome

INDEPENDENT = Path(__file__).parents[1] / "independent"
FIRST_COLUMNS = ["cycle", "beat", "start_ps", "end_ps", "kind", "address", "lanes", "data", "ended"]

TABLE = """\
hand.csv: Z80 8-bit bus, at host

cycle  beat         start       took  kind                   address  lanes  data  ended         remarks
    0     0        200 ns     200 ns  read                   0x8001   1      0x55  acknowledged
    1     0        600 ns     100 ns                                               cut-off

2 beats in 2 cycles, 200 ns .. 700 ns
by kind    read 1
by ending  acknowledged 1, cut-off 1
not decoded, or in doubt:
  1 cut off: begun before the capture, or unfinished at its end or at a gap
notes:
  columns: time 'time (ns)', 31 lines; separator ','; header in line 1
  times: ns, a row a sample, smallest step 100 ns
  times are uncertain by 100 ns, the capture's resolution, inferred from its times
"""  # noqa: E501


def test_table_for_people_is_aligned_and_counted(
    busdecode: Callable[..., Outcome], hand: Path
) -> None:
    """Check that two beats, one of them cut off, print as written here by hand."""
    outcome = busdecode("decode", "hand.csv", "--bus", "z80")

    assert outcome.out == TABLE
    assert (outcome.status, outcome.err) == (0, "")


@pytest.mark.parametrize("name", ["z80_figure", "mc68000_figure"])
def test_csv_agrees_with_rows_typed_from_the_figures_of_the_manuals(
    busdecode: Callable[..., Outcome], name: str
) -> None:
    """Check the CSV against rows that were typed by hand, see tests/independent/SOURCE.md."""
    bus = name.removesuffix("_figure")
    with (INDEPENDENT / f"{name}.csv").open(encoding="ascii", newline="") as stream:
        expected = list(csv.DictReader(stream))

    outcome = busdecode("decode", str(INDEPENDENT / f"{name}.vcd"), "--bus", bus, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(outcome.out)))

    assert outcome.status == 0
    assert expected
    assert [{key: row[key] for key in expected[0] if key != "rmw"} for row in rows] == [
        {key: value for key, value in row.items() if key != "rmw"} for row in expected
    ]
    assert list(rows[0])[:9] == FIRST_COLUMNS
    assert outcome.err.startswith(f"{len(expected)} beats in ")


def test_json_is_one_object_with_beats_summary_and_notes(
    busdecode: Callable[..., Outcome], hand: Path
) -> None:
    """Check the object, its types, and that what is missing is null."""
    outcome = busdecode("decode", "hand.csv", "--bus", "z80", "--json")
    given = json.loads(outcome.out)

    assert (outcome.status, outcome.err) == (0, "")
    assert list(given) == ["bus", "capture", "place", "beats", "summary", "notes"]
    assert given["beats"][0] == {
        "cycle": 0,
        "beat": 0,
        "start_ps": 200_000,
        "end_ps": 400_000,
        "kind": "read",
        "address": "0x8001",
        "lanes": "1",
        "data": "0x55",
        "ended": "acknowledged",
        "rmw": False,
        "unsure": False,
        "address_ps": 200_000,
        "data_ps": 200_000,
        "acknowledge_ps": given["beats"][0]["acknowledge_ps"],
        "release_ps": 400_000,
    }
    assert given["beats"][1]["data"] is None
    assert given["summary"]["by_ending"] == {"acknowledged": 1, "cut-off": 1}
    assert given["summary"]["not_decoded"]["cut_off"] == 1
    assert given["notes"] == [
        "columns: time 'time (ns)', 31 lines; separator ','; header in line 1",
        "times: ns, a row a sample, smallest step 100 ns",
        "times are uncertain by 100 ns, the capture's resolution, inferred from its times",
    ]


@pytest.mark.parametrize(
    ("name", "starts"), [("o.csv", "cycle,beat,"), ("o.json", '{"bus": '), ("o.txt", "hand.csv: ")]
)
def test_output_file_takes_its_format_from_its_name(
    busdecode: Callable[..., Outcome], hand: Path, name: str, starts: str
) -> None:
    """Check that -o writes the file, and nothing to the standard output."""
    outcome = busdecode("decode", "hand.csv", "--bus", "z80", "-o", name)

    assert (outcome.status, outcome.out) == (0, "")
    assert Path(name).read_text(encoding="utf-8").startswith(starts)
    assert [path.name for path in Path().iterdir() if path.name.startswith(".")] == []


def test_long_capture_is_printed_chunk_by_chunk_with_one_header(
    busdecode: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch, hand: Path
) -> None:
    """Check that chunks of two rows give the same table as one chunk."""
    from busdecode.capture import CaptureFile

    whole = CaptureFile.chunks
    monkeypatch.setattr(CaptureFile, "chunks", lambda opened: whole(opened, 2))

    assert busdecode("decode", "hand.csv", "--bus", "z80").out == TABLE


@pytest.mark.parametrize("bus", ["mc68020", "hd44780-nibble"])
def test_operands_agree_with_what_the_bench_told(
    busdecode: Callable[..., Outcome], bus: str
) -> None:
    """Check the CSV against rows of a bench's host, see tests/independent/SOURCE.md."""
    with (INDEPENDENT / f"{bus}_bench_operands.csv").open(encoding="ascii", newline="") as stream:
        expected = list(csv.DictReader(stream))

    capture = str(INDEPENDENT / f"{bus}_bench.vcd")
    outcome = busdecode("decode", capture, "--bus", bus, "--operands", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(outcome.out)))

    assert outcome.status == 0
    assert expected
    assert [{key: row[key] for key in expected[0]} for row in rows] == expected


def test_json_has_the_bytes_still_to_move_as_a_number(busdecode: Callable[..., Outcome]) -> None:
    """Check a beat of three of four bytes against the row typed from the manual's figure."""
    outcome = busdecode(
        "decode", str(INDEPENDENT / "mc68020_figure.vcd"), "--bus", "mc68020", "--json"
    )
    beats = json.loads(outcome.out)["beats"]

    assert [beat["asked"] for beat in beats[:4]] == [None, 4, 3, 1]


NIBBLES = """\
nibbles.csv: HD44780 display controller, 4-bit bus, at host

operand  first_cycle  beats  kind     size  data  whole
      0            0      2  command     1  0x28  true
      1            2      1  write       1  0x4?  false

3 beats in 3 cycles, 1 us .. 8 us
by kind    command 2, write 1
by ending  unacknowledged 3
notes:
  columns: time 'time (us)', 7 lines; separator ','; header in line 1
  times: us, a row a sample, smallest step 1 us
  times are uncertain by 1 us, the capture's resolution, inferred from its times
  1 bytes are not whole: an odd number of beats of one kind came in a row; where bytes begin is \
not known there, and the first beat was taken as the high part
"""


@pytest.fixture
def nibbles(tmp_path: Path) -> Path:
    """Give a capture of the command 28 in two halves, and of the high half of a character.

    Common practice of the controller: data stands while E is high, the high half comes first.
    """
    rows = ["time (us),RS,R/W,E,DB7,DB6,DB5,DB4"]
    for at, (rs, half) in enumerate([("0", "0010"), ("0", "1000"), ("1", "0100")]):
        for step, enable in enumerate("010"):
            rows.append(",".join([str(3 * at + step), rs, "0", enable, *half]))
    path = tmp_path / "nibbles.csv"
    path.write_text("\n".join(rows) + "\n", encoding="ascii")
    return path


def test_operands_for_people(busdecode: Callable[..., Outcome], nibbles: Path) -> None:
    """Check a whole byte and half a one, the counts of beats, and what is not sure."""
    outcome = busdecode("decode", "nibbles.csv", "--bus", "hd44780-nibble", "--operands")

    assert (outcome.status, outcome.out, outcome.err) == (0, NIBBLES, "")


def test_operands_are_put_together_over_chunks(
    busdecode: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch, nibbles: Path
) -> None:
    """Check that a byte whose halves come in two tables is one operand."""
    from busdecode.capture import CaptureFile

    whole = CaptureFile.chunks
    monkeypatch.setattr(CaptureFile, "chunks", lambda opened: whole(opened, 2))
    outcome = busdecode("decode", "nibbles.csv", "--bus", "hd44780-nibble", "--operands")

    assert outcome.out == NIBBLES


def test_operands_as_json(busdecode: Callable[..., Outcome], nibbles: Path) -> None:
    """Check the object, which has operands in place of beats, and its types."""
    outcome = busdecode("decode", "nibbles.csv", "--bus", "hd44780-nibble", "--operands", "--json")
    given = json.loads(outcome.out)

    assert (outcome.status, outcome.err) == (0, "")
    assert list(given) == ["bus", "capture", "place", "operands", "summary", "notes"]
    assert given["operands"][0] == {
        "operand": 0,
        "first_cycle": 0,
        "beats": 2,
        "kind": "command",
        "address": None,
        "size": 1,
        "data": "0x28",
        "whole": True,
    }
    assert [each["whole"] for each in given["operands"]] == [True, False]
    assert given["summary"]["beats"] == 3
    assert given["summary"]["not_decoded"]["address_not_known"] == 0
    assert given["notes"][-1].startswith("1 bytes are not whole: ")


def test_operands_written_to_a_file(busdecode: Callable[..., Outcome], nibbles: Path) -> None:
    """Check that -o takes the form from the name, with the counts on the standard error."""
    arguments = ("decode", "nibbles.csv", "--bus", "hd44780-nibble", "--operands", "-o", "o.csv")
    outcome = busdecode(*arguments)

    assert outcome.out == ""
    assert outcome.err.startswith("3 beats in 3 cycles, ")
    assert Path("o.csv").read_text(encoding="utf-8").splitlines() == [
        "operand,first_cycle,beats,kind,address,size,data,whole",
        "0,0,2,command,,1,0x28,true",
        "1,2,1,write,,1,0x4?,false",
    ]


def test_operands_of_a_bus_without_them_are_refused(
    busdecode: Callable[..., Outcome], hand: Path
) -> None:
    """Check that nothing is made up where the description does not say how."""
    outcome = busdecode("decode", "hand.csv", "--bus", "z80", "--operands")

    assert (outcome.status, outcome.out) == (2, "")
    assert outcome.err == (
        "z80 does not say how beats make up operands\n"
        "  expected: a bus whose description has [operand]\n"
        "  do:       leave out --operands: each beat has a row of its own\n"
    )


def test_operands_without_the_lines_that_tell_sizes_are_refused(
    busdecode: Callable[..., Outcome],
) -> None:
    """Check that a size is not guessed: without it no beat can be said to end an operand."""
    text = (INDEPENDENT / "mc68020_figure.vcd").read_text(encoding="ascii")
    Path("board.vcd").write_text(text.replace(" SIZ [1:0] ", " SPARE [1:0] "), encoding="ascii")

    outcome = busdecode("decode", "board.vcd", "--bus", "mc68020", "--operands")

    assert (outcome.status, outcome.out) == (2, "")
    assert outcome.err == (
        "lines that tell how many bytes are still to move were not captured at host: SIZ1, SIZ0\n"
        "  expected: channels for SIZ1, SIZ0\n"
        "  do:       probe the lines, or leave out --operands\n"
    )


def test_capture_without_operands_has_counts_only(
    busdecode: Callable[..., Outcome], nibbles: Path
) -> None:
    """Check that no header stands over no row."""
    rows = nibbles.read_text(encoding="ascii").splitlines()[:2]
    nibbles.write_text("\n".join([*rows, rows[1].replace("0,", "1,", 1)]) + "\n", encoding="ascii")
    outcome = busdecode("decode", "nibbles.csv", "--bus", "hd44780-nibble", "--operands")

    assert outcome.status == 0
    assert outcome.out.splitlines()[:3] == [
        "nibbles.csv: HD44780 display controller, 4-bit bus, at host",
        "",
        "no cycle was found: no event that begins one stands in the capture",
    ]


def test_a_bus_without_address_lines_has_no_column_for_them(
    busdecode: Callable[..., Outcome], nibbles: Path
) -> None:
    """Check that no beat is said to lack an address, and no cell says that it is not known."""
    outcome = busdecode("decode", "nibbles.csv", "--bus", "hd44780-nibble")

    assert outcome.out.splitlines()[2:4] == [
        "cycle  beat         start       took  kind     lanes  data  ended           remarks",
        "    0     0       1000 ns    1000 ns  command  1      0x2   unacknowledged",
    ]
    assert "without address" not in outcome.out


def test_lines_that_were_not_captured_are_told_and_not_guessed(
    busdecode: Callable[..., Outcome], hand: Path
) -> None:
    """Check that a digit with an unknown bit is ?, and that the summary says why."""
    text = hand.read_text(encoding="ascii").replace(",D0,", ",Q0,").replace(",A0,", ",Q1,")
    hand.write_text(text, encoding="ascii")

    outcome = busdecode("decode", "hand.csv", "--bus", "z80")

    assert outcome.out.splitlines()[3].split() == (
        ["0", "0", "200", "ns", "200", "ns", "read", "?", "1", "0x5?", "acknowledged"]
    )
    assert "  1 without address: an address line was not captured or not known\n" in outcome.out
    assert "  1 with data not known in a bit: its line was not captured" in outcome.out
    assert "  lines not captured at host: A0, D0\n" in outcome.out
    assert "  channels that are no line of the bus: Q1, Q0\n" in outcome.out


def test_beat_outside_any_cycle_is_counted(busdecode: Callable[..., Outcome]) -> None:
    """Check that a data strobe without an address strobe is told, since it is no cycle."""
    rows = ["time (ns),AS,UDS,LDS,R/W,DTACK", "0,1,1,1,1,1", "100,1,0,1,1,1", "200,1,1,1,1,1"]
    rows += ["300,0,1,1,1,1", "400,0,0,0,1,1", "500,0,0,0,1,0", "600,1,1,1,1,1"]
    Path("stray.csv").write_text("\n".join(rows) + "\n", encoding="ascii")

    outcome = busdecode("decode", "stray.csv", "--bus", "mc68000")

    assert "  1 outside any cycle: a beat begins where no cycle is open\n" in outcome.out
    assert "\n1 beat in 1 cycle, 400 ns .. 600 ns\n" in outcome.out


def test_cycle_that_goes_over_tables_is_counted_once() -> None:
    """Check the count of cycles where two beats of one cycle come in two tables."""
    from busdecode.access import Transfer
    from busdecode.cycles import decode, synthesise
    from busdecode.protocol import load_bus
    from busdecode.report import Tally

    bus = load_bus("mc68000")
    both = [Transfer("read", 0x1000, 3, None), Transfer("write", 0x1000, 3, 5, joined=True)]
    table, _ = decode(bus, [synthesise(bus, both).places["host"]])
    tally = Tally()
    tally.add(table.take(slice(0, 1)))
    tally.add(table.take(slice(1, 2)))

    assert (tally.beats, tally.cycles) == (2, 1)


def test_capture_without_a_cycle_says_so(busdecode: Callable[..., Outcome], hand: Path) -> None:
    """Check that a quiet bus is no error and no empty table."""
    rows = hand.read_text(encoding="ascii").splitlines()[:3]
    hand.write_text("\n".join(rows) + "\n", encoding="ascii")

    outcome = busdecode("decode", "hand.csv", "--bus", "z80")

    assert outcome.status == 0
    assert "no cycle was found: no event that begins one stands in the capture\n" in outcome.out


def test_sample_period_told_is_the_resolution(
    busdecode: Callable[..., Outcome], hand: Path
) -> None:
    """Check that the period of the instrument replaces the inferred one."""
    outcome = busdecode("decode", "hand.csv", "--bus", "z80", "--sample-period", "50 ns")

    assert "uncertain by 50 ns, the capture's resolution, as told\n" in outcome.out


def test_reader_of_the_output_may_go_away(hand: Path) -> None:
    """Check that a closed pipe ends the command quietly."""
    command = [sys.executable, "-m", "busdecode", "decode", str(hand), "--bus", "z80"]
    environment = {**os.environ, "PYTHONUNBUFFERED": ""}
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        err = process.stderr.read()

    assert (process.returncode, err) == (141, "")


def test_output_through_a_pipe_is_plain_and_the_same_each_time(hand: Path) -> None:
    """Check that nothing is coloured, and no progress is shown, where nobody watches."""
    command = [sys.executable, "-m", "busdecode", "decode", "hand.csv", "--bus", "z80"]
    runs = [
        subprocess.run(command, capture_output=True, text=True, check=False, cwd=hand.parent)
        for _ in range(2)
    ]

    assert [(run.returncode, run.stdout, run.stderr) for run in runs] == [(0, TABLE, "")] * 2
