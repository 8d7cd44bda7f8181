"""`busdecode export` as a user runs it, on the bundled repair and on bad input."""

from __future__ import annotations

import csv
import io
import json
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.report.documents.reading import READERS

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.conftest import Outcome

ENDINGS = {
    "csv": "csv", "md": "markdown", "html": "html", "tex": "latex", "json": "json",
    "parquet": "parquet",
}  # fmt: skip
NAMES = 'address,name\n0x00C04000..0x00C0401F,BUF\n0x00C04004,"=<b>|$x_1"\n'


@pytest.fixture
def saltmere(checkout: Path, tmp_path: Path) -> list[str]:
    """Put the bundled repair and names into the folder of the commands; give the arguments."""
    for name in ("saltmere.vcd", "saltmere-log.csv", "saltmere-probes.toml"):
        shutil.copy(checkout / "captures" / name, tmp_path / name)
    (tmp_path / "names.csv").write_text(NAMES, encoding="ascii")
    return ["saltmere.vcd", "--bus", "orlop32", "--probes", "saltmere-probes.toml"]


def decoded(busdecode: Callable[..., Outcome], saltmere: list[str]) -> list[list[str]]:
    """Give the cycles of the repair as decode prints them, header first."""
    return list(csv.reader(io.StringIO(busdecode("decode", *saltmere, "--format", "csv").out)))


@pytest.mark.parametrize("ending", ENDINGS)
def test_every_format_has_the_cycles_that_decode_lists(
    busdecode: Callable[..., Outcome], saltmere: list[str], ending: str
) -> None:
    """Check that the whole table reads back as decode's CSV, and that it is told."""
    expected = decoded(busdecode, saltmere)
    outcome = busdecode("export", *saltmere, "-o", f"o.{ending}")
    found = READERS[ENDINGS[ending]](Path(f"o.{ending}").read_bytes())

    assert (outcome.status, outcome.out) == (0, "")
    assert outcome.err.startswith(f"o.{ending}: 64 rows\nnotes:\n  64 beats in 64 cycles, ")
    assert [found.columns, *found.rows] == expected
    assert found.title in (None, "saltmere.vcd: cycles of Orlop-32, an invented multiplexed "
                                 "32-bit backplane, at card")  # fmt: skip
    if found.notes is not None:
        assert outcome.err == f"o.{ending}: 64 rows\nnotes:\n" + "".join(
            f"  {note}\n" for note in found.notes
        )


@pytest.mark.parametrize("ending", ENDINGS)
def test_names_and_ranges_and_columns(
    busdecode: Callable[..., Outcome], saltmere: list[str], ending: str
) -> None:
    """Check a cut of the table, with a name that would be markup or a formula."""
    outcome = busdecode(
        "export", *saltmere, "-o", f"o.{ending}", "--names", "names.csv", "--cycles", "2..8",
        "--addresses", "0x00C04004..0xC04008", "--columns", "register,cycle,data",
    )  # fmt: skip
    found = READERS[ENDINGS[ending]](Path(f"o.{ending}").read_bytes())

    assert outcome.status == 0
    assert found.columns == ["register", "cycle", "data"]
    assert found.rows == [
        ["=<b>|$x_1", "4", "0xA5A5A5A5"],
        ["=<b>|$x_1", "5", "0xFF--FFFF"],
        ["=<b>|$x_1", "6", "0xFFA5FFFF"],
        ["BUF+0x8", "7", "0xA5A5A5A5"],
        ["BUF+0x8", "8", "0xAAAAAAAA"],
    ]
    assert "  shown are 5 of 64 beats: cycles 2..8, addresses 0xC04004..0xC04008\n" in outcome.err


def test_names_add_a_column_beside_the_addresses(
    busdecode: Callable[..., Outcome], saltmere: list[str]
) -> None:
    """Check place and cells of the column, and that the others stay as they were."""
    expected = decoded(busdecode, saltmere)
    busdecode("export", *saltmere, "-o", "o.csv", "--names", "names.csv")
    found = READERS["csv"](Path("o.csv").read_bytes())
    at = found.columns.index("register")

    assert found.columns[at - 1] == "address"
    assert [[*row[:at], *row[at + 1 :]] for row in [found.columns, *found.rows]] == expected
    assert [row[at] for row in found.rows[:3]] == ["BUF", "BUF", ""]


def test_a_cut_that_leaves_nothing_is_an_empty_table_and_told(
    busdecode: Callable[..., Outcome], saltmere: list[str]
) -> None:
    """Check the file and the note."""
    outcome = busdecode("export", *saltmere, "-o", "o.md", "--addresses", "0x0..0xF")
    found = READERS["markdown"](Path("o.md").read_bytes())

    assert outcome.status == 0
    assert outcome.err.startswith("o.md: 0 rows\nnotes:\n  no beat of 64 is left: addresses 0x0..")
    assert found.rows == []
    assert found.notes is not None
    assert found.notes[0] == "no beat of 64 is left: addresses 0x0..0xF"


def test_comparison_is_what_compare_tells(
    busdecode: Callable[..., Outcome], saltmere: list[str]
) -> None:
    """Check lines by phase, and the findings, against the object of compare --json."""
    arguments = [*saltmere, "--log", "saltmere-log.csv"]
    told = json.loads(busdecode("compare", *arguments, "--json").out)
    first = busdecode("export", *arguments, "-o", "o.json", "--what", "comparison")
    second = busdecode("export", *arguments, "-o", "f.json", "--what", "findings")
    lines, findings = (json.loads(Path(name).read_text()) for name in ("o.json", "f.json"))

    assert (first.status, second.status) == (0, 0)
    assert [
        (row["line"], row["phase"], row["wrong"], row["compared"]) for row in lines["rows"]
    ] == [
        (row["line"], phase, cell["wrong"], cell["compared"])
        for row in told["table"]
        for phase, cell in row["phases"].items()
        if cell is not None
    ]
    assert {row["line"] for row in lines["rows"] if row["finding"] == 1} == {"AD22", "BS2"}
    assert lines["notes"][0] == "finding 1: " + told["findings"][0]["sentence"]
    (row,), (finding,) = findings["rows"], told["findings"]
    assert row["lines"].split() == finding["lines"]
    assert row["places"].split() == finding["places"]
    for name in ("phase", "path", "wrong", "compared", "condition", "determined", "sentence"):
        assert row[name] == finding[name]


def test_a_comparison_without_a_finding_says_so(
    busdecode: Callable[..., Outcome], saltmere: list[str]
) -> None:
    """Check a healthy run: an empty table, and how many beats were compared."""
    rows = "".join(f"write,{0x4000 + at:04x},1,{at:02x}\n" for at in range(20))
    Path("meant.csv").write_text("op,address,size,data\n" + rows, encoding="ascii")
    made = busdecode(
        "synthesise", "--bus", "z80", "--log", "meant.csv", "-o", "good.vcd",
        "--probes-out", "good.toml",
    )  # fmt: skip
    outcome = busdecode(
        "export", "good.vcd", "--bus", "z80", "--log", "meant.csv", "--probes", "good.toml",
        "--what", "comparison", "-o", "o.html",
    )  # fmt: skip
    found = READERS["html"](Path("o.html").read_bytes())

    assert (made.status, outcome.status) == (0, 0), outcome.err
    assert found.rows == []
    assert found.notes is not None
    assert found.notes[0] == "nothing found, 20 beats compared"


def test_json_tells_what_was_written(
    busdecode: Callable[..., Outcome], saltmere: list[str]
) -> None:
    """Check the object on the standard output."""
    outcome = busdecode("export", *saltmere, "-o", "o.tex", "--cycles", "0..1", "--json")
    told = json.loads(outcome.out)
    notes = told.pop("notes")

    assert (outcome.status, outcome.err) == (0, "")
    assert told == {"what": "cycles", "output": "o.tex", "format": "latex", "rows": 2}
    assert notes[0] == "shown are 2 of 64 beats: cycles 0..1"


def test_format_can_be_told_and_latex_can_stand_alone(
    busdecode: Callable[..., Outcome], saltmere: list[str]
) -> None:
    """Check a name that tells nothing, with and without a preamble."""
    busdecode("export", *saltmere, "-o", "fragment", "--format", "latex")
    busdecode("export", *saltmere, "-o", "whole", "--format", "latex", "--standalone")
    fragment, whole = Path("fragment").read_text(), Path("whole").read_text()

    assert READERS["latex"](fragment.encode()).columns[:2] == ["cycle", "beat"]
    assert whole.startswith("\\documentclass")
    assert fragment in whole


def test_a_capture_that_ends_early_is_told_in_the_document(
    busdecode: Callable[..., Outcome], hand: Path
) -> None:
    """Check that what is whole is written, with a note, and that the status is 2."""
    text = hand.read_text(encoding="ascii")
    hand.write_text(text[:-20], encoding="ascii")
    outcome = busdecode("export", "hand.csv", "--bus", "z80", "-o", "o.json")
    told = json.loads(Path("o.json").read_text())
    as_json = busdecode(
        "export", "hand.csv", "--bus", "z80", "-o", "o.json", "--json", "--overwrite"
    )

    assert outcome.status == 2
    assert len(told["rows"]) == 2
    assert told["notes"][0].startswith("not the whole run: ")
    assert told["notes"][0].removeprefix("not the whole run: ") in outcome.err
    assert as_json.status == 2
    assert json.loads(as_json.out)["error"]["kind"] == "TruncatedError"


MISTAKES = [
    (
        "-o o.csv --cycles 20..10",
        "busdecode export: '--cycles': a range must begin with the lower number, not '20..10'\n"
        "  do:       see: busdecode export --help\n",
    ),
    (
        "-o o.csv --cycles 0x1..0x2",
        "busdecode export: '--cycles': a range must be such as 10..20, not '0x1..0x2'\n"
        "  do:       see: busdecode export --help\n",
    ),
    (
        "-o o.csv --addresses 100..1FF",
        "busdecode export: '--addresses': a range must be such as 0x100..0x1FF, not '100..1FF'\n"
        "  do:       see: busdecode export --help\n",
    ),
    (
        "-o o.csv --addresses 0x0..0x1FFFF",
        "z80 has no address 0x1FFFF\n  expected: addresses up to 0xFFFF\n",
    ),
    (
        "-o o.csv --columns cycle,kin",
        "no column is called 'kin'\n"
        "  expected: some of cycle, beat, start_ps, end_ps, kind, address, lanes, data, ended, "
        "rmw, unsure, address_ps, data_ps, acknowledge_ps, release_ps\n"
        "  do:       did you mean kind?\n",
    ),
    (
        "-o o.csv --columns kind,kind",
        "column kind is named twice\n  do:       name it once\n",
    ),
    (
        "-o o.csv --columns ,",
        "no column is named\n"
        "  expected: some of cycle, beat, start_ps, end_ps, kind, address, lanes, data, ended, "
        "rmw, unsure, address_ps, data_ps, acknowledge_ps, release_ps\n",
    ),
    (
        "-o o.xlsx",
        "o.xlsx: the ending '.xlsx' tells no format\n"
        "  expected: a name that ends in .csv, .md, .markdown, .html, .htm, .tex, .json, "
        ".parquet\n"
        "  do:       name the file so, or give --format csv|markdown|html|latex|json|parquet\n",
    ),
    (
        "-o o",
        "o: the name has no ending\n"
        "  expected: a name that ends in .csv, .md, .markdown, .html, .htm, .tex, .json, "
        ".parquet\n"
        "  do:       name the file so, or give --format csv|markdown|html|latex|json|parquet\n",
    ),
    ("-o o.md --standalone", "--standalone is for LaTeX, not markdown\n  do:       leave it out\n"),
    (
        "-o o.csv --log hand.csv",
        "--log is not for --what cycles\n"
        "  expected: --log with --what comparison or findings\n"
        "  do:       leave it out, or ask for the other table\n",
    ),
    (
        "-o o.csv --what comparison --names kept.csv",
        "--names is not for --what comparison\n"
        "  expected: --names with --what cycles\n"
        "  do:       leave it out, or ask for the other table\n",
    ),
    (
        "-o o.csv --names kept.csv",
        "kept.csv:1: the header is 'mine'\n"
        "  expected: the header address,name\n"
        "  do:       add it as the first line\n",
    ),
    (
        "-o kept.csv",
        "kept.csv: the file exists, and is kept\n"
        "  do:       name another file, or give --overwrite to replace it\n",
    ),
    (
        "-o kept.csv --overwrite --names kept.csv",
        "kept.csv: the output is also an input\n  do:       name another file\n",
    ),
]


@pytest.mark.parametrize(("line", "message"), MISTAKES, ids=[line for line, _ in MISTAKES])
def test_mistake_is_told_whole_and_no_file_is_left(
    busdecode: Callable[..., Outcome], hand: Path, line: str, message: str
) -> None:
    """Check message and status; the user's files stay as they were, and none is added."""
    kept = hand.with_name("kept.csv")
    kept.write_text("mine\n", encoding="ascii")
    outcome = busdecode("export", "hand.csv", "--bus", "z80", *line.split())

    assert (outcome.status, outcome.out, outcome.err) == (2, "", message)
    assert {path.name for path in Path().iterdir()} == {"hand.csv", "kept.csv"}
    assert kept.read_text(encoding="ascii") == "mine\n"


def test_a_file_is_replaced_where_that_is_asked_for(
    busdecode: Callable[..., Outcome], hand: Path
) -> None:
    """Check --overwrite."""
    hand.with_name("kept.csv").write_text("mine\n", encoding="ascii")
    outcome = busdecode("export", "hand.csv", "--bus", "z80", "-o", "kept.csv", "--overwrite")

    assert outcome.status == 0
    assert Path("kept.csv").read_text().startswith("cycle,beat,")


def test_parquet_without_pyarrow_is_refused(
    busdecode: Callable[..., Outcome], hand: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Check the advice, and that nothing is left."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    outcome = busdecode("export", "hand.csv", "--bus", "z80", "-o", "o.parquet")

    assert (outcome.status, outcome.err) == (
        2,
        "a Parquet file cannot be written without pyarrow\n"
        "  do:       pip install 'busdecode[parquet]', or write JSON\n",
    )
    assert not Path("o.parquet").exists()


def test_a_bus_without_addresses_has_no_range_of_them(
    busdecode: Callable[..., Outcome], checkout: Path
) -> None:
    """Check the refusal on a bus that has only data."""
    capture = checkout / "tests" / "independent" / "hd44780_figure.vcd"
    outcome = busdecode(
        "export", str(capture), "--bus", "hd44780", "-o", "o.csv", "--addresses", "0x0..0x1"
    )

    assert (outcome.status, outcome.err) == (
        2, "hd44780 has no address lines\n  do:       leave out the range of addresses\n"
    )  # fmt: skip


@pytest.mark.parametrize("ending", ENDINGS)
def test_every_format_has_the_limits_that_replay_lists(
    busdecode: Callable[..., Outcome], tmp_path: Path, ending: str
) -> None:
    """Check that the table of limits reads back as the JSON of replay."""
    log = "op,address,size,data\nw,0x1000,2,0x1234\nr,0x1000,2,0x1234\n"
    (tmp_path / "log.csv").write_text(log, encoding="ascii")
    busdecode("synthesise", "--bus", "mc68000", "--log", "log.csv", "-o", "made.vcd")
    options = ("made.vcd", "--bus", "mc68000", "--grade", "10 MHz")
    told = json.loads(busdecode("replay", *options, "--json").out)["limits"]
    columns = ["limit", "min_ps", "max_ps", "checked", "met", "lowest_ps", "verdict"]
    outcome = busdecode(
        "export", *options, "--what", "replay", "--columns", ",".join(columns), "-o", f"o.{ending}"
    )
    found = READERS[ENDINGS[ending]](Path(f"o.{ending}").read_bytes())

    assert outcome.status == 0
    assert found.columns == columns
    assert found.rows == [
        ["" if each[name] is None else str(each[name]) for name in columns] for each in told
    ]
