"""`busdecode buses` as a user runs it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from busdecode.protocol import bundled_buses, load_bus

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.conftest import Outcome


def test_lists_every_bundled_description(busdecode: Callable[..., Outcome]) -> None:
    """Check that each description has a row with its lanes, title and kinds."""
    outcome = busdecode("buses")
    rows = outcome.out.splitlines()

    assert outcome.status == 0
    assert [row.split()[0] for row in rows] == ["name", *bundled_buses()]
    assert rows[1] == (
        "mc68000  2 x 8  MC68000 16-bit asynchronous bus                     "
        "interrupt-acknowledge, write, read"
    )


def test_lists_as_json(busdecode: Callable[..., Outcome]) -> None:
    """Check that only the invented bus is called invented."""
    given = json.loads(busdecode("buses", "--json").out)

    assert {bus["name"]: bus["invented"] for bus in given["buses"]} == {
        "mc68000": False,
        "orlop32": True,
        "z80": False,
    }
    assert given["buses"][1]["lanes"] == 4


@pytest.mark.parametrize("name", bundled_buses())
def test_shows_what_a_description_says(busdecode: Callable[..., Outcome], name: str) -> None:
    """Check that every phase, kind and source of the description is on the page."""
    bus = load_bus(name)
    outcome = busdecode("buses", name)

    assert outcome.status == 0
    for phase in bus.phase_names:
        assert f"\n  {phase} " in outcome.out
    for kind in bus.kinds:
        assert f"\n  {kind.name} " in outcome.out
    for source in bus.sources:
        assert f"{source.status} " in outcome.out
        assert f"{source.document}: {source.section}\n" in outcome.out
    assert ("This bus is invented" in outcome.out) == bus.invented


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
