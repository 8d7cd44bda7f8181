"""`busdecode buses` as a user runs it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from busdecode.protocol import bundled_buses, load_bus

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.conftest import Outcome


WIDEST = 100


def test_lists_every_bundled_description(busdecode: Callable[..., Outcome]) -> None:
    """Check that each description has a row with its lanes and title, and its kinds below."""
    outcome = busdecode("buses")
    rows = outcome.out.splitlines()

    assert outcome.status == 0
    assert [row.split()[0] for row in rows if row[0] != " "] == ["name", *bundled_buses()]
    at = rows.index("mc68000         2 x 8  MC68000 16-bit asynchronous bus")
    assert rows[at + 1] == f"{'':23}interrupt-acknowledge, write, read"
    assert max(map(len, rows)) <= WIDEST


def test_lists_as_json(busdecode: Callable[..., Outcome]) -> None:
    """Check that only the invented bus is called invented."""
    given = json.loads(busdecode("buses", "--json").out)["buses"]

    assert [bus["name"] for bus in given] == list(bundled_buses())
    assert [bus["name"] for bus in given if bus["invented"]] == ["orlop32"]
    assert next(bus for bus in given if bus["name"] == "vmebus")["lanes"] == 4


@pytest.mark.parametrize("name", bundled_buses())
def test_shows_what_a_description_says(busdecode: Callable[..., Outcome], name: str) -> None:
    """Check that every phase, kind and source of the description is on the page, in its width."""
    bus = load_bus(name)
    outcome = busdecode("buses", name)
    flowing = " ".join(outcome.out.split())

    assert outcome.status == 0
    assert max(map(len, outcome.out.splitlines())) <= WIDEST
    for phase in bus.phase_names:
        assert f"\n  {phase} " in outcome.out
    for kind in bus.kinds:
        assert f"\n  {kind.name} " in outcome.out
    for source in bus.sources:
        assert f"{source.status} {source.document}: {source.section}" in flowing
    assert ("This bus is invented" in outcome.out) == bus.invented


def section(out: str, title: str) -> list[str]:
    """Give the rows of a section, blanks between words made one."""
    _, _, after = out.partition(f"\n\n{title}\n")
    return [" ".join(row.split()) for row in after.partition("\n\n")[0].splitlines()]


# Bus, section, and a row of it that the description's text gives.
ROWS = [
    ("vmebus", "address", "used A[3:1] alone, when IACK = 0"),
    ("vmebus", "address", "A[15:1] alone, when AM = 0x29, 0x2C or 0x2D"),
    ("vmebus", "address", "lowest byte told by the lanes that take part"),
    ("vmebus", "address", "modifier AM[5:0]"),
    ("mc68020", "address", "lowest byte told by the address lines"),
    ("mc68020", "address", "modifier FC[2:0]"),
    ("i8086", "address", "lines A[19:16], AD[15:0]"),
    ("hd44780", "address", "lines none"),
    (
        "vmebus",
        "phases",
        "pipelined the next address may be out before the data of this one is over",
    ),
    ("6502", "phases", "joined one event may end a cycle and begin the next"),
    ("6502", "phases", "cycle ends when PHI2 falls while RDY high"),
    ("vmebus", "lanes", "taken DS1, DS0 at any time in the beat"),
    ("vmebus", "lanes", "taken A1, LWORD at address"),
    (
        "vmebus",
        "lanes",
        "0001 when DS1 = 1, DS0 = 0, A1 = 1, LWORD = 1; lowest byte is byte 3 of the word",
    ),
    ("mc68020", "lanes", "taken DSACK1, DSACK0 before release, told by the card"),
    ("mc68020", "lanes", "1100 when DSACK1 = 0, DSACK0 = 1, A0 = 0, SIZ = 0, 2 or 3"),
    ("i8086", "lanes", "01 always; for interrupt-acknowledge alone"),
    ("mc68000", "lanes", "taken UDS, LDS during data"),
    ("z80", "lanes", "table none: every lane always takes part"),
    (
        "mc68020",
        "operands",
        "SIZ[1:0] tells how many bytes are still to move: 0 for 4, 1 for 1, 2 for 2, 3 for 3",
    ),
    ("hd44780-nibble", "operands", "2 beats make one byte, the high part first"),
    (
        "vmebus",
        "kinds, the first that fits",
        "block-of-64-bits none AM = 0x00, 0x08, 0x0C, 0x38 or 0x3C",
    ),
    (
        "vmebus",
        "kinds, the first that fits",
        "address-only none whatever the levels; has no data phase",
    ),
    (
        "z80",
        "kinds, the first that fits",
        "io-read read IORQ = 0, RD = 0; in a memory of its own, io",
    ),
    (
        "hd44780",
        "kinds, the first that fits",
        "status read RS = 0, R/W = 1; reads do not return what was written",
    ),
]


@pytest.mark.parametrize(("name", "title", "row"), ROWS)
def test_shows_in_its_section(
    busdecode: Callable[..., Outcome], name: str, title: str, row: str
) -> None:
    """Check what the words of the language that few buses need come out as."""
    assert row in section(busdecode("buses", name).out, title)


def test_words_that_a_description_does_not_use_are_not_shown(
    busdecode: Callable[..., Outcome],
) -> None:
    """Check that a plain bus has neither their rows nor their sections."""
    out = busdecode("buses", "z80").out

    assert [row.split()[0] for row in section(out, "phases")] == [
        *("address", "data", "acknowledge", "release", "cycle")
    ]
    assert section(out, "address") == ["lines A[15:0]"]
    assert "\noperands\n" not in out


def test_a_row_that_is_too_wide_goes_on_below(busdecode: Callable[..., Outcome]) -> None:
    """Check that the last column is broken between words, and keeps its place."""
    rows = busdecode("buses", "vmebus").out.splitlines()
    (at,) = (at for at, row in enumerate(rows) if row.startswith("  block-write "))

    assert rows[at].endswith("  AM = 0x0B, 0x0F, 0x3B or 0x3F, WRITE = 0; later beats at the next")
    assert rows[at + 1] == f"{'':{rows[at].index('AM')}}address"


def test_shows_as_json_what_a_description_says(busdecode: Callable[..., Outcome]) -> None:
    """Check that levels stay as the description has them, and that usual values are filled in."""
    vmebus = json.loads(busdecode("buses", "vmebus", "--json").out)
    nibbles = json.loads(busdecode("buses", "hd44780-nibble", "--json").out)

    assert vmebus["address"]["used"][0] == {"levels": {"IACK": 0}, "lines": "A[3:1]"}
    assert (vmebus["modifier"], vmebus["pipelined"], vmebus["joined"]) == ("AM[5:0]", True, False)
    assert vmebus["lane_table"][1]["first"] == 1
    assert vmebus["lanes_taken"] == [
        {"lines": ["DS1", "DS0"], "taken": "at any time in the beat"},
        {"lines": ["A1", "LWORD"], "taken": "at address"},
    ]
    block = next(kind for kind in vmebus["kinds"] if kind["name"] == "block-write")
    assert block["levels"] == {"AM": [0x0B, 0x0F, 0x3B, 0x3F], "WRITE": 0}
    assert (block["later_beats"], block["beats"], block["space"]) == ("next", True, "memory")
    assert vmebus["operand"] == {"lines": None, "bytes": [], "beats": 1}
    assert nibbles["operand"] == {"lines": None, "bytes": [], "beats": 2}
    assert (nibbles["address"]["lines"], nibbles["modifier"]) == ([], None)


def test_shows_lines_with_their_levels(busdecode: Callable[..., Outcome]) -> None:
    """Check one line of each sort against the description's text."""
    rows = [row.split() for row in busdecode("buses", "mc68000").out.splitlines()]

    assert ["A[23:1]", "address", "active", "high", "driven", "by", "host"] in rows
    assert ["AS", "strobe", "active", "low", "driven", "by", "host", "pulled", "up"] in rows
    vpa = next(row for row in rows if row[:1] == ["VPA"])
    assert " ".join(vpa[1:]) == "acknowledge active low driven by card pulled up may be absent"
    assert ["address", "begins", "when", "AS", "asserts"] in rows
    assert ["or", "else", "AS", "negates"] in rows


def test_shows_a_description_of_the_users(
    busdecode: Callable[..., Outcome], checkout: Path
) -> None:
    """Check that a path will do for a name."""
    text = Path(str(load_bus("z80").path)).read_text(encoding="utf-8")
    Path("mine.toml").write_text(text.replace('name = "z80"', 'name = "mine"'), encoding="utf-8")

    outcome = busdecode("buses", "mine.toml", "--json")

    assert json.loads(outcome.out)["name"] == "mine"
    assert json.loads(outcome.out)["path"] == "mine.toml"


def test_unknown_name_is_told_with_the_names_there_are(busdecode: Callable[..., Outcome]) -> None:
    """Check the whole message, and the near match."""
    outcome = busdecode("buses", "z8")

    assert outcome == type(outcome)(
        2,
        "",
        "there is no bus and no file called 'z8'\n"
        f"  expected: one of {', '.join(bundled_buses())}, or the path of a description\n"
        "  do:       did you mean z80?\n",
    )


def test_writes_a_page_for_a_handbook(busdecode: Callable[..., Outcome], tmp_path: Path) -> None:
    """Figures of both cycles, every limit, step and pin; nothing fetched, nothing replaced."""
    outcome = busdecode("buses", "orlop32", "--page", "page.html")
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    again = busdecode("buses", "orlop32", "--page", "page.html")

    assert (outcome.status, again.status) == (0, 2)
    assert page.count("<svg") == 2
    assert "the ideal write cycle" in page
    bus = load_bus("orlop32")
    for limit in bus.limits:
        assert f"<bdi>{limit.number}</bdi>" in page
    assert "a23 AD22" in page.replace("\u00a0", " ")
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert not re.search(r"\bsrc=|@import|url\(['\"]?http|href=\"(?!#)", page)


def test_a_page_is_one_of_one_bus(busdecode: Callable[..., Outcome]) -> None:
    """Without a name there is nothing to write."""
    outcome = busdecode("buses", "--page", "page.html")

    assert outcome.status == 2
    assert "a page is one of one bus" in outcome.err


def test_a_page_shows_limits_of_all_grades_and_their_sources(
    busdecode: Callable[..., Outcome],
) -> None:
    """As JSON: figures a grade, points, source and status of each limit."""
    told = json.loads(busdecode("buses", "mc68000", "--json").out)
    (limit,) = [each for each in told["limits"] if each["number"] == "11"]

    assert told["grades"][1] == "10 MHz"
    assert limit["min"][:2] == ["30 ns", "20 ns"]
    assert (limit["from"], limit["status"]) == ("last A changes before address", "read")
