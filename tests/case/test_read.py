"""Case files: what a good one says, and every mistake of a bad one with its message whole."""

from __future__ import annotations

import datetime
import re
from pathlib import Path

import pytest

from busdecode.case import Case, CaseNote, Measured, read_case
from busdecode.errors import CaseError, DescriptionError

GOOD = """\
bus = "z80"
title = "Relay board"
machine = "lift of the mill"
channels = 8
fixed = ["MREQ", "RD"]

[[logs]]
file = "walk.csv"
date = 2026-03-01
note = "typed by hand"

[[logs]]
file = "walk.csv"
name = "console"
pattern = "(?P<op>R|W) (?P<address>[0-9A-F]+) (?P<data>[0-9A-F]+)"
address-offset = -16
state = "after"

[[captures]]
file = "data.vcd"
probes = "probes.toml"
log = "walk"
date = 2026-03-01T14:30:00

[[captures]]
file = "data.vcd"
name = "again"

[[notes]]
text = "It works when it is cold."
date = 2026-02-28

[[measured]]
lines = ["D2", "D5"]
tied = true
note = "4 ohms"
"""

BUS = 'bus = "z80"\n'
LOG = '[[logs]]\nfile = "walk.csv"\n'
CAPTURE = '[[captures]]\nfile = "data.vcd"\n'
MEASURED = '[[measured]]\nlines = ["D2", "D5"]\ntied = true\n'
SEE = "  do:       see docs/reading-a-verdict.md, A case"
LONG = "a" * 300  # more than the 255 bytes of NAME_MAX on Linux, from memory
CUT = repr("a" * 37 + "...")
BESIDE = "  expected: a file; its path starts at the folder of the case, ."


@pytest.fixture(autouse=True)
def _files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Put the files that cases name, and a folder, into the folder of the test."""
    monkeypatch.chdir(tmp_path)
    for name in ("walk.csv", "data.vcd", "probes.toml"):
        Path(name).write_text("", encoding="ascii")
    Path("box").mkdir()


def read(text: str | bytes) -> Case:
    """Read a case of this text."""
    Path("case.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_case(Path("case.toml"))


def test_a_case_is_read_to_values() -> None:
    """Check every key, the names that follow from files, and that times of day are kept."""
    case = read(GOOD)

    assert (case.bus.name, case.title, case.machine) == ("z80", "Relay board", "lift of the mill")
    assert (case.channels, case.fixed) == (8, ("MREQ", "RD"))
    walk, console = case.logs
    day = datetime.date(2026, 3, 1)
    assert (walk.name, walk.file, walk.pattern) == ("walk", Path("walk.csv"), None)
    assert (walk.address_offset, walk.state, walk.date) == (0, "before", day)
    assert walk.note == "typed by hand"
    assert (console.name, console.address_offset, console.state) == ("console", -16, "after")
    assert console.pattern.match("W 8000 AA")["data"] == "AA"
    data, again = case.captures
    assert (data.name, data.probes, data.log) == ("data", Path("probes.toml"), "walk")
    assert data.date == datetime.datetime(2026, 3, 1, 14, 30)
    assert (again.name, again.probes, again.log, again.date) == ("again", None, None, None)
    assert case.notes == (CaseNote("It works when it is cold.", datetime.date(2026, 2, 28)),)
    assert case.measured == (Measured(("D2", "D5"), True, "before", None, "4 ohms"),)


def test_how_a_capture_is_read_is_told_as_by_options() -> None:
    """Check each key against the option of its name; times are ps."""
    text = (
        'capture-format = "csv"\ntime-column = "t"\ntime-unit = "us"\nseparator = ";"\n'
        'header-line = 3\nsample-period = "10 ns"\nfrom = "1 us"\nto = "2 ms"\n'
        'layout = "data.vcd"\nallow-truncated = true\n'
    )
    case = read(BUS + LOG + CAPTURE + text)

    assert read(BUS + LOG + CAPTURE).captures[0].told == {}
    assert case.captures[0].told == {
        "format": "csv", "time_column": "t", "time_unit": "us", "separator": ";",
        "header_line": 3, "sample_period": 10_000, "start": 1_000_000, "stop": 2_000_000_000,
        "layout": Path("data.vcd"), "allow_truncated": True,
    }  # fmt: skip


def test_the_example_of_the_documents_is_a_case(checkout: Path) -> None:
    """Check that the section to which errors send the reader is there, and its example holds."""
    page = (checkout / "docs" / "reading-a-verdict.md").read_text(encoding="utf-8")
    section = re.split(r"^## [0-9]+\. ", page, flags=re.MULTILINE)
    (told,) = [each for each in section if each.startswith("A case\n")]
    text = told.split("```toml\n")[1].split("```")[0].replace("data-low.vcd", "data.vcd")

    case = read(text)

    assert (case.logs[0].name, case.captures[0].log, case.fixed) == (
        "walk",
        "walk",
        ("PHI2", "R/W"),
    )
    assert case.measured[0].lines == ("D1", "A3")


def test_entries_know_their_line() -> None:
    """Check the line at which each entry begins, counted by hand in the text above."""
    case = read(GOOD)

    assert [each.line for each in case.logs] == [7, 12]
    assert [each.line for each in case.captures] == [19, 25]
    assert [each.line for each in case.notes] == [29]
    assert [each.line for each in case.measured] == [33]


def test_files_are_looked_for_beside_the_case() -> None:
    """Check that a case can be read from anywhere, its pattern and its own bus too."""
    Path("box/walk.csv").write_text("", encoding="ascii")
    Path("box/pattern.toml").write_text(
        "pattern = '(?P<op>.) (?P<address>.+) (?P<data>.+)'", encoding="ascii"
    )
    bundled = read(BUS + LOG).bus.path
    Path("box/mine.toml").write_bytes(Path(str(bundled)).read_bytes())
    Path("box/case.toml").write_text(
        f'bus = "mine.toml"\n{LOG}pattern = "pattern.toml"\n', encoding="ascii"
    )

    case = read_case(Path("box/case.toml"))

    assert (case.logs[0].file, case.bus.path) == (Path("box/walk.csv"), Path("box/mine.toml"))
    assert "address" in case.logs[0].pattern.groupindex


MISTAKES: list[tuple[str | bytes, str]] = [
    (
        "bus = z80\n",
        "case.toml:1:7: this is not TOML: invalid value\n"
        "  1 | bus = z80\n"
        "    |       ^\n"
        "  expected: a case in TOML: bus, and [[logs]] or [[captures]] with file = '...'",
    ),
    (
        b'bus = "z80"\n# \xff\n',
        "case.toml: byte 14: this is not a text file in UTF-8\n"
        "  expected: a case in TOML: bus, and [[logs]] or [[captures]] with file = '...'",
    ),
    (LOG, f"case.toml: bus: this key is missing\n{SEE}"),
    (
        'bus = "z81"\n' + LOG,
        "case.toml:1: bus: there is no bus and no file called 'z81'\n"
        '  1 | bus = "z81"\n'
        "  expected: one of 6502, 8255, ata-pio, hd44780-nibble, hd44780, i8086, ieee1284-epp, "
        "mc68000, mc68020, orlop32, sram, vmebus, z80, or the path of a description\n"
        "  do:       did you mean z80?",
    ),
    (
        BUS,
        "case.toml:1: bus: the case names no log and no capture\n"
        '  1 | bus = "z80"\n'
        "  expected: a case in TOML: bus, and [[logs]] or [[captures]] with file = '...'",
    ),
    (
        BUS + "chanels = 8\n" + LOG,
        "case.toml:2: chanels: no key of this name is known here\n"
        "  2 | chanels = 8\n"
        "  do:       did you mean channels?",
    ),
    (
        BUS + LOG + 'colour = "red"\n',
        "case.toml:4: logs[0].colour: no key of this name is known here\n"
        '  4 | colour = "red"\n' + SEE,
    ),
    (
        BUS + LOG + "address_offset = 16\n",
        "case.toml:4: logs[0].address_offset: no key of this name is known here\n"
        "  4 | address_offset = 16\n"
        "  do:       did you mean address-offset?",
    ),
    (
        BUS + '[[log]]\nfile = "walk.csv"\n',
        "case.toml:2: log: no key of this name is known here\n"
        "  2 | [[log]]\n"
        "  do:       did you mean logs?",
    ),
    (
        BUS + '[logs]\nfile = "walk.csv"\n',
        "case.toml:2: logs: must be [[logs]] with two brackets, a table for each, not a table\n"
        "  2 | [logs]",
    ),
    (
        BUS + 'logs = ["walk.csv"]\n',
        "case.toml:2: logs[0]: must be a table, not 'walk.csv'\n  2 | logs = [\"walk.csv\"]",
    ),
    (
        BUS + '[[logs]]\nname = "walk"\n',
        f"case.toml:2: logs[0].file: this key is missing\n  2 | [[logs]]\n{SEE}",
    ),
    (
        BUS + '[[logs]]\nfile = "wlak.csv"\n',
        "case.toml:3: logs[0].file: there is no such file: 'wlak.csv'\n"
        f'  3 | file = "wlak.csv"\n{BESIDE}',
    ),
    (
        BUS + '[[captures]]\nfile = "box"\n',
        f"case.toml:3: captures[0].file: this is a folder: 'box'\n  3 | file = \"box\"\n{BESIDE}",
    ),
    (
        BUS + CAPTURE + 'probes = "probe.toml"\n',
        "case.toml:4: captures[0].probes: there is no such file: 'probe.toml'\n"
        f'  4 | probes = "probe.toml"\n{BESIDE}',
    ),
    (
        BUS + '[[logs]]\nfile = ""\n',
        "case.toml:3: logs[0].file: must be some text, not ''\n  3 | file = \"\"",
    ),
    (
        BUS + "title = 4\n" + LOG,
        "case.toml:2: title: must be text in quotes, not 4\n  2 | title = 4",
    ),
    (
        BUS + "channels = 0\n" + LOG,
        "case.toml:2: channels: must be 1 or more, not 0\n  2 | channels = 0",
    ),
    (
        BUS + 'channels = "8"\n' + LOG,
        "case.toml:2: channels: must be a whole number, not '8'\n  2 | channels = \"8\"",
    ),
    (
        BUS + 'channels = 1\nfixed = ["MREQ", "RD"]\n' + LOG,
        "case.toml:3: fixed: 2 lines stay clipped on, but the analyzer has 1 channel\n"
        '  3 | fixed = ["MREQ", "RD"]\n'
        "  expected: 1 at most, or more channels",
    ),
    (
        BUS + 'fixed = ["RD", "MREQ", "RD"]\n' + LOG,
        "case.toml:2: fixed: 'RD' stands there 2 times\n"
        '  2 | fixed = ["RD", "MREQ", "RD"]\n'
        "  expected: each line once",
    ),
    (
        BUS + 'fixed = "MREQ"\n' + LOG,
        "case.toml:2: fixed: must be a list in [ ], not 'MREQ'\n  2 | fixed = \"MREQ\"",
    ),
    (
        BUS + "fixed = [3]\n" + LOG,
        "case.toml:2: fixed[0]: must be text in quotes, not 3\n  2 | fixed = [3]",
    ),
    (
        BUS + 'fixed = ["MRQ"]\n' + LOG,
        "case.toml:2: fixed: z80 has no line 'MRQ'\n"
        '  2 | fixed = ["MRQ"]\n'
        "  do:       did you mean MREQ?",
    ),
    (
        BUS + LOG + 'date = "2026-03-01"\n',
        "case.toml:4: logs[0].date: must be a date without quotes, such as 2026-03-01, "
        "not '2026-03-01'\n"
        '  4 | date = "2026-03-01"',
    ),
    (
        BUS + LOG + "date = 14:30:00\n",
        "case.toml:4: logs[0].date: must be a date without quotes, such as 2026-03-01, "
        "not 14:30:00\n"
        "  4 | date = 14:30:00",
    ),
    (
        BUS + LOG + 'state = "befor"\n',
        "case.toml:4: logs[0].state: found 'befor'\n"
        '  4 | state = "befor"\n'
        "  expected: 'before' or 'after'\n"
        "  do:       did you mean before?",
    ),
    (
        BUS + LOG + 'pattern = "(?P<op>.) (?P<data>.+)"\n',
        "case.toml:4: logs[0].pattern: the log pattern names no group 'address'\n"
        '  4 | pattern = "(?P<op>.) (?P<data>.+)"\n'
        "  expected: groups (?P<op>...), (?P<address>...), (?P<data>...) and, where the digits of "
        "data do not tell it, (?P<size>...)",
    ),
    (
        BUS + LOG + 'pattern = "absent.toml"\n',
        "case.toml:4: logs[0].pattern: absent.toml: there is no such file\n"
        '  4 | pattern = "absent.toml"',
    ),
    (
        BUS + LOG + f"address-offset = {'9' * 5000}\n",
        "case.toml: this cannot be read: a number is too long\n"
        "  expected: a case in TOML: bus, and [[logs]] or [[captures]] with file = '...'",
    ),
    (
        BUS + f"fixed = {'[' * 5000}\n",
        "case.toml: this cannot be read: lists or tables in it are nested too deep\n"
        "  expected: a case in TOML: bus, and [[logs]] or [[captures]] with file = '...'",
    ),
    (
        f'bus = "{LONG}"\n' + LOG,
        f"case.toml:1: bus: the file cannot be opened: File name too long: {CUT}\n"
        f'  1 | bus = "{LONG[:69]}\n'
        "  expected: a bundled bus, or a description",
    ),
    (
        BUS + f'[[logs]]\nfile = "{LONG}"\n',
        f"case.toml:3: logs[0].file: the file cannot be opened: File name too long: {CUT}\n"
        f'  3 | file = "{LONG[:68]}\n{BESIDE}',
    ),
    (
        BUS + LOG + f'pattern = "{LONG}.toml"\n',
        f"case.toml:4: logs[0].pattern: the file cannot be opened: File name too long: {CUT}\n"
        f'  4 | pattern = "{LONG[:65]}\n'
        "  expected: a TOML file with the key 'pattern'",
    ),
    (
        BUS + LOG + CAPTURE + 'log = "walk.csv"\n',
        "case.toml:6: captures[0].log: there is no log called 'walk.csv'\n"
        '  6 | log = "walk.csv"\n'
        "  expected: one of walk\n"
        "  do:       did you mean walk?",
    ),
    (
        BUS + CAPTURE + 'log = "walk"\n',
        "case.toml:4: captures[0].log: there is no log called 'walk'\n"
        '  4 | log = "walk"\n'
        "  expected: a log under [[logs]]",
    ),
    (
        BUS + LOG + LOG,
        "case.toml:5: logs[1].file: 2 logs are called 'walk'\n"
        '  5 | file = "walk.csv"\n'
        "  expected: a name of its own for each: name = '...'",
    ),
    (
        BUS + CAPTURE + CAPTURE + 'name = "data"\n',
        "case.toml:6: captures[1].name: 2 captures are called 'data'\n"
        '  6 | name = "data"\n'
        "  expected: a name of its own for each: name = '...'",
    ),
    (
        BUS + LOG + MEASURED.replace("D5", "D55"),
        "case.toml:5: measured[0].lines: z80 has no line 'D55'\n"
        '  5 | lines = ["D2", "D55"]\n'
        "  do:       did you mean D5?",
    ),
    (
        BUS + LOG + MEASURED.replace("D5", "PUMP"),
        "case.toml:5: measured[0].lines: z80 has no line 'PUMP'\n"
        '  5 | lines = ["D2", "PUMP"]\n'
        "  do:       see: busdecode buses z80",
    ),
    (
        BUS + LOG + '[[measured]]\nlines = ["D2"]\ntied = true\n',
        "case.toml:5: measured[0].lines: must be two lines, such as ['D2', 'D5'], not ['D2']\n"
        '  5 | lines = ["D2"]',
    ),
    (
        BUS + LOG + '[[measured]]\nlines = ["D2", "D3", "D4"]\ntied = true\n',
        "case.toml:5: measured[0].lines: must be two lines, such as ['D2', 'D5'], "
        "not ['D2', 'D3', 'D4']\n"
        '  5 | lines = ["D2", "D3", "D4"]',
    ),
    (
        BUS + LOG + MEASURED.replace("true", '"yes"'),
        "case.toml:6: measured[0].tied: must be true or false, not 'yes'\n  6 | tied = \"yes\"",
    ),
    (
        BUS + LOG + CAPTURE + 'sample-period = "10"\n',
        "case.toml:6: captures[0].sample-period: a time must be a number and one of s, ms, us, "
        "ns, ps, not '10'\n"
        '  6 | sample-period = "10"\n'
        "  expected: a time with its unit, such as '10 ns'",
    ),
    (
        BUS + LOG + CAPTURE + 'capture-format = "vdc"\n',
        "case.toml:6: captures[0].capture-format: the format must be one of vcd, csv, numpy, "
        "packed, not 'vdc'\n"
        '  6 | capture-format = "vdc"\n'
        "  do:       did you mean vcd?",
    ),
    (
        BUS + LOG + MEASURED.replace("D2", "supply").replace("D5", "ground"),
        "case.toml:5: measured[0].lines: supply is measured against ground\n"
        '  5 | lines = ["supply", "ground"]\n'
        "  expected: two lines of the bus, one line and ground or supply, or one line twice: "
        "from end to end",
    ),
    (
        BUS + LOG + MEASURED + '[[measured]]\nlines = ["D5", "D2"]\ntied = false\n',
        "case.toml:9: measured[1].tied: D2 and D5 were measured before, with the other outcome\n"
        "  9 | tied = false\n"
        "  expected: one reading of two lines in each state\n"
        "  do:       keep the one that is sure; tell of the other under [[notes]]",
    ),
]


@pytest.mark.parametrize(("text", "message"), MISTAKES)
def test_a_mistake_is_told_with_its_place(text: str | bytes, message: str) -> None:
    """Check the message whole."""
    with pytest.raises(CaseError) as raised:
        read(text)

    assert str(raised.value) == message


@pytest.mark.parametrize(
    ("name", "why"), [("absent.toml", "No such file or directory"), ("box", "Is a directory")]
)
def test_a_case_that_cannot_be_opened(name: str, why: str) -> None:
    """Check what a folder, and a file that is not there, are told as."""
    with pytest.raises(CaseError) as raised:
        read_case(Path(name))

    assert str(raised.value).splitlines()[0] == f"{name}: the file cannot be opened: {why}"


def test_mistakes_of_shape_are_told_together() -> None:
    """Check several wrong keys of several tables: one error, in the order of the file."""
    with pytest.raises(CaseError) as raised:
        read(BUS + "channels = 0\n" + LOG + 'state = "now"\n' + CAPTURE + "date = 3\n")

    rows = str(raised.value).splitlines()
    assert [row for row in rows if row.startswith("case.toml")] == [
        "case.toml:2: channels: must be 1 or more, not 0",
        "case.toml:5: logs[0].state: found 'now'",
        "case.toml:8: captures[0].date: must be a date without quotes, such as 2026-03-01, not 3",
    ]


def test_mistakes_of_names_are_told_together() -> None:
    """Check a bus, files and names that are not there: all of them, in the order of the file."""
    text = 'bus = "z81"\n[[logs]]\nfile = "a.csv"\n' + CAPTURE + 'log = "b"\nprobes = "p.toml"\n'
    with pytest.raises(CaseError) as raised:
        read(text)

    rows = str(raised.value).splitlines()
    assert [row for row in rows if row.startswith("case.toml")] == [
        "case.toml:1: bus: there is no bus and no file called 'z81'",
        "case.toml:3: logs[0].file: there is no such file: 'a.csv'",
        "case.toml:6: captures[0].log: there is no log called 'b'",
        "case.toml:7: captures[0].probes: there is no such file: 'p.toml'",
    ]


def test_a_mistake_in_the_bus_is_told_where_it_is() -> None:
    """Check that the description is named with its line, not the case."""
    Path("mine.toml").write_text('nmae = "mine"\n', encoding="ascii")

    with pytest.raises(DescriptionError) as raised:
        read('bus = "mine.toml"\n' + LOG)

    assert "mine.toml:1: nmae: no key of this name is known here" in str(raised.value)


def test_a_reading_may_change_with_the_mend() -> None:
    """Check that the same two lines may be tied before, and free after."""
    case = read(BUS + LOG + MEASURED + MEASURED.replace("true", 'false\nstate = "after"'))

    assert [(each.tied, each.state) for each in case.measured] == [
        (True, "before"),
        (False, "after"),
    ]
