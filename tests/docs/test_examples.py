"""The examples of docs/describing-a-bus.md, section 12: each loads, and decodes as the page says.

The captures are written here by hand, level by level. A page whose description or rows are wrong
fails; so does one whose steps make something else than was meant.
"""

from __future__ import annotations

import csv
import io
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdecode.access import Transfer
from busdecode.cycles import (
    MISSING,
    Sampling,
    decode,
    operands,
    operands_note,
    synthesise,
    transfers_of,
)
from busdecode.errors import DescriptionError
from busdecode.protocol import load_bus
from tests.assertions import assert_sound, made_by_hand, meant
from tests.strategies import samplings, transfer_lists

if TYPE_CHECKING:
    from collections.abc import Mapping

    from busdecode.protocol import Bus

PAGE = (Path(__file__).parents[2] / "docs" / "describing-a-bus.md").read_text(encoding="utf-8")
FIXED = settings(derandomize=True, database=None, deadline=None, max_examples=30)

Tables = dict[str, Any]
Moments = dict[int, dict[str, int | str]]


@dataclass(frozen=True)
class Example:
    """A description of section 12, and the rows that the page says come out."""

    name: str
    tables: Tables
    is_whole: bool
    rows: list[dict[str, str]]


def slipway() -> Tables:
    """Put the blocks of sections 1 to 11 together."""
    return tomllib.loads("\n".join(re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)))


def examples() -> dict[str, Example]:
    """Find the examples of the page."""
    found = {}
    for how, name, text in re.findall(r"```toml (change|whole) (\w+)\n(.*?)```", PAGE, re.DOTALL):
        rows = re.findall(rf"```csv {name}\n(.*?)```", PAGE, re.DOTALL)
        assert len(rows) == 1, name
        read = list(csv.DictReader(io.StringIO(rows[0])))
        found[name] = Example(name, tomllib.loads(text), how == "whole", read)
    return found


ALL = examples()


def changed(base: Tables, change: Tables) -> Tables:
    """Hold a change against a description, as the page says."""
    tables = {**base, **{key: value for key, value in change.items() if key not in base}}
    for key, value in change.items():
        if key == "lines":
            stems = {name.split("[")[0] for name in value}
            kept = {
                name: line for name, line in base[key].items() if name.split("[")[0] not in stems
            }
            tables[key] = {**kept, **value}
        elif key == "kinds":
            tables[key] = by_name(base[key], value, new_first=True)
        elif key == "making":
            tables[key] = {**base[key], **value}
            tables[key]["steps"] = by_name(base[key]["steps"], value["steps"])
        elif key in base:
            tables[key] = {**base[key], **value}
    return with_new_kinds(base, tables)


def by_name(old: list[Tables], new: list[Tables], *, new_first: bool = False) -> list[Tables]:
    """Let entries take the place of those of their name, and add the others."""
    named = {each["name"]: each for each in new}
    kept = [named.get(each["name"], each) for each in old]
    names = {each["name"] for each in old}
    added = [each for each in new if each["name"] not in names]
    return added + kept if new_first else kept + added


def with_new_kinds(base: Tables, tables: Tables) -> Tables:
    """Add new kinds to the `for` lists of the steps for their direction."""
    old = {each["name"] for each in base["kinds"]}
    steps = []
    for step in tables["making"]["steps"]:
        directions = {
            kind["direction"] for kind in base["kinds"] if kind["name"] in step.get("for", ())
        }
        more = [
            kind["name"]
            for kind in tables["kinds"]
            if kind["name"] not in old and kind["direction"] in directions
        ]
        steps.append({**step, "for": [*step["for"], *more]} if more else step)
    return {**tables, "making": {**tables["making"], "steps": steps}}


def as_toml(value: object) -> str:
    """Write a value as TOML in one line."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f'"{key}" = {as_toml(each)}' for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(as_toml(each) for each in value) + "]"
    return str(value)


def loaded(tables: Tables, folder: Path) -> Bus:
    """Load a description from its tables, through a file as a user does."""
    text = "".join(f"{key} = {as_toml(value)}\n" for key, value in tables.items())
    path = folder / "example.toml"
    path.write_text(text, encoding="utf-8")
    return load_bus(path)


def described(name: str, folder: Path) -> Bus:
    """Load an example."""
    example = ALL[name]
    return loaded(
        example.tables if example.is_whole else changed(slipway(), example.tables), folder
    )


# What stands on the lines, by nanoseconds: levels, not meaning.
def beat(at: int, word: int, out: int, hi: int = 0, lo: int = 0, **done: int) -> Moments:
    """One beat of Slipway-16; `done` is what the card sets besides DONE."""
    data: dict[str, int | str] = {"D": word}
    return {
        at: {"OUT": out, "HI": hi, "LO": lo, **({} if out else data)},
        at + 100: {"DONE": 0, **done, **data},
        at + 200: {"HI": 1, "LO": 1},
        at + 250: {"DONE": 1, **dict.fromkeys(done, 1), "D": "z"},
    }


def cycle(at: int, address: int, *beats: Moments, **others: int) -> Moments:
    """One cycle of Slipway-16: its beats, and what the host sets with the address."""
    moments: Moments = {at: {"A": address, "REQ": 0, **others}}
    for each in beats:
        moments |= each
    moments[max(moments)]["REQ"] = 1
    return moments


def half(at: int, text: int, out: int, nibble: int) -> Moments:
    """One beat of Lantern-4."""
    return {
        at: {"TEXT": text, "OUT": out, "D": nibble},
        at + 100: {"EN": 1},
        at + 400: {"EN": 0, "D": 0},
    }


CAPTURES: Mapping[str, Moments] = {
    # The complement of address and data is on the lines; A[15:1] has no use here.
    "inverted": {
        0: {"ADR": 0x7FFFFF, "D": 0xFFFF},
        50: {"ADR": 0x7FFFFF - (0x812346 >> 1)},
        **cycle(100, 0, beat(150, 0xFFFF - 0xA5C3, 0)),
        600: {"ADR": 0x7FFFFF - (0x000011 >> 1), "REQ": 0},
        650: {"OUT": 1, "LO": 0, "D": 0xFFFF},
        1500: {"LO": 1},
        1550: {"REQ": 1},
    },
    "waiting": {
        100: {"A": 0x1234, "D": 0x5A},
        200: {"PUT": 0},
        450: {"PUT": 1},
        500: {"D": "z"},
        1000: {"A": 0x1234},
        1100: {"GET": 0},
        1150: {"WAIT": 0},
        1590: {"D": 0x5A},
        1600: {"WAIT": 1},
        1660: {"GET": 1},
        1700: {"D": "z"},
        2000: {"A": 0x1235},
        2100: {"GET": 0},
        2150: {"WAIT": 0},
        2250: {"D": 0x77},
        2350: {"GET": 1},
        2400: {"D": "z", "WAIT": 1},
    },
    "lanes": {
        0: {"LONG": 1},
        **cycle(100, 0x40 >> 1, beat(150, 0x12345678, 0), LONG=0),
        **cycle(600, 0x42 >> 1, beat(650, 0x7777ABCD, 0), LONG=1),
        **cycle(1100, 0x40 >> 1, beat(1150, 0x7777AB77, 0, lo=1), LONG=1),
        **cycle(1600, 0x42 >> 1, beat(1650, 0x777777CD, 0, hi=1), LONG=1),
    },
    "port": {
        0: {"A": 0},
        **cycle(100, 0x100, beat(150, 0x1234, 0, NARROW=0)),
        **cycle(600, 0x101, beat(650, 0x3434, 0, hi=1, NARROW=0)),
        **cycle(1100, 0x200, beat(1150, 0x1234, 0)),
    },
    "operand": {
        0: {"REST": 0},
        **cycle(100, 0x100 >> 1, beat(150, 0x1234, 0), REST=0),
        **cycle(600, 0x102 >> 1, beat(650, 0x5678, 0), REST=2),
        **cycle(1100, 0x204 >> 1, beat(1150, 0x77AB, 0, hi=1), REST=1),
    },
    "nibbles": {
        0: {"EN": 0},
        **half(100, 0, 0, 0x2),
        **half(600, 0, 0, 0x8),
        **half(1100, 1, 0, 0x4),
        **half(1600, 1, 0, 0x8),
        **half(2100, 0, 1, 0x8),
    },
    "spaces": {
        0: {"SPACE": 0},
        **cycle(100, 0x1234 >> 1, beat(150, 0xBEEF, 0), SPACE=5),
        **cycle(600, 0x1234 >> 1, beat(650, 0xBEEF, 0), SPACE=2),
        **cycle(1100, 0x1234 >> 1, beat(1150, 0xBEEF, 0), SPACE=3),
        **cycle(1600, 0xFFF6 >> 1, beat(1650, 0x7740, 1, hi=1), SPACE=7),
        **cycle(2100, 0xFFFE >> 1, beat(2150, 0x7742, 1, hi=1), SPACE=0),
    },
    "block": {
        0: {"A": 0},
        **cycle(
            *(100, 0x100 >> 1),
            *(beat(150, 0x1111, 0), beat(500, 0x2222, 0), beat(850, 0x3333, 0)),
            MANY=0,
        ),
        **cycle(1300, 0x200 >> 1, beat(1350, 0x4444, 1), beat(1700, 0x5555, 0), MANY=1),
    },
    "pipelined": {
        0: {"A": 0},
        100: {"A": 0x100 >> 1, "REQ": 0},
        200: {"OUT": 0, "HI": 0, "LO": 0, "D": 0x1111},
        250: {"DONE": 0},
        300: {"REQ": 1},
        400: {"A": 0x200 >> 1, "REQ": 0},
        500: {"HI": 1, "LO": 1},
        520: {"D": "z", "DONE": 1},
        600: {"OUT": 1, "HI": 0, "LO": 0},
        700: {"D": 0x2222, "DONE": 0},
        800: {"REQ": 1},
        900: {"HI": 1, "LO": 1},
        920: {"D": "z", "DONE": 1},
    },
    "clocked": {
        0: {"OUT": 1},
        250: {"TICK": 0, "A": 0x0FFF},
        280: {"A": 0x1000, "OUT": 0},
        500: {"TICK": 1, "READY": 0},
        550: {"D": 0x77},
        750: {"TICK": 0},
        1000: {"TICK": 1, "READY": 1},
        1050: {"D": 0x5A},
        1250: {"TICK": 0, "D": 0x00},
        1280: {"A": 0x1001, "OUT": 1},
        1500: {"TICK": 1},
        1600: {"D": 0xC3},
        1750: {"TICK": 0, "D": "z"},
        1780: {"A": 0x1002},
        2000: {"TICK": 1},
    },
    "burst": {
        0: {"A": 0},
        100: {"A": 0x100 >> 1, "REQ": 0, "HI": 0, "LO": 0, "OUT": 0, "MORE": 0},
        200: {"TICK": 0, "D": 0x1111},
        300: {"TICK": 1},
        400: {"TICK": 0, "D": 0x2222},
        500: {"TICK": 1},
        600: {"TICK": 0, "D": 0x3333},
        650: {"MORE": 1},
        700: {"TICK": 1},
        800: {"TICK": 0, "D": "z"},
        900: {"REQ": 1, "HI": 1, "LO": 1, "TICK": 1},
    },
    "chip": {
        0: {"A": 0},
        10: {"A": 0x10, "OE": 0},
        20: {"WE": 0},
        30: {"SEL": 0},
        40: {"D": 0xA5},
        80: {"WE": 1, "D": "z"},
        90: {"A": 0x11},
        100: {"D": 0xC3},
        120: {"SEL": 1},
        130: {"D": "z"},
    },
}


def test_every_example_has_a_capture() -> None:
    """An example that is added fails here until it is shown to be true."""
    assert len(ALL) >= 8
    assert set(ALL) == set(CAPTURES)


@pytest.mark.parametrize("name", ALL)
def test_example_decodes_to_what_the_page_says(name: str, tmp_path: Path) -> None:
    """Every cell of every row."""
    bus = described(name, tmp_path)
    table, decoder = decode(bus, [made_by_hand(bus, CAPTURES[name])])
    assert_sound(table)
    rows = ALL[name].rows
    text = operands(table) if "whole" in rows[0] else table.as_text()

    assert text[list(rows[0])].to_dict("records") == rows
    assert (decoder.notes, decoder.strays) == ([], 0)


MADE = [name for name, example in ALL.items() if "steps" in example.tables.get("making", {})]
MADE += ["inverted"]  # by the steps of Slipway-16 as they are


@pytest.mark.parametrize("name", MADE)
def test_the_law_holds_for_the_examples_that_can_be_made(name: str, tmp_path: Path) -> None:
    """Decode gives back what was put on the bus, every beat acknowledged."""
    bus = described(name, tmp_path)

    @FIXED
    @given(transfer_lists(bus), st.integers(0, 2**32), st.floats(0, 1), samplings(bus))
    def law(transfers: list[Transfer], seed: int, wait_share: float, sampling: Sampling) -> None:
        made = synthesise(bus, transfers, seed=seed, sampling=sampling, wait_share=wait_share)
        assert made.notes == ()
        for capture in made.places.values():
            table, decoder = decode(bus, [capture], skew=sampling.skew)
            assert_sound(table)
            assert transfers_of(table) == meant(bus, transfers, made.returned)
            assert table.count("acknowledged") == len(transfers)
            assert table.count("cut-off") == 2 * (name == "clocked")
            assert (decoder.notes, decoder.strays) == ([], 0)

    law()


def test_made_cycles_of_the_pipelined_example_overlap(tmp_path: Path) -> None:
    """An address is out before the data of the cycle before it is over; in others it is not."""
    bus = described("pipelined", tmp_path)
    transfers = [Transfer("write", 0x100 + 2 * at, 3, at) for at in range(20)]
    table, _ = decode(bus, [synthesise(bus, transfers, seed=1).places["card"]])
    overlaps = table.phase("address")[1:] < table.phase("release")[:-1]

    assert 0 < overlaps.sum() < len(overlaps)


def test_a_narrow_card_of_the_example_gets_each_byte_by_itself(tmp_path: Path) -> None:
    """What goes out byte by byte through the narrow port comes back so."""
    bus = described("port", tmp_path)
    upper = 0b10
    transfers = [
        Transfer("write", 0x100, upper, 0x1200),
        Transfer("write", 0x101, upper, 0x3400),
        Transfer("read", 0x100, upper, None),
        Transfer("read", 0x101, upper, None),
    ]
    made = synthesise(bus, transfers, seed=5)
    table, _ = decode(bus, [made.places["host"]])

    assert table.as_text()["data"].tolist() == ["0x12--", "0x34--"] * 2


def test_notes_say_that_the_first_half_is_a_guess(tmp_path: Path) -> None:
    """The page says that it is said."""
    bus = described("nibbles", tmp_path)
    table, _ = decode(bus, [made_by_hand(bus, CAPTURES["nibbles"])])

    assert "first beat was taken as the high part" in (operands_note(table) or "")


def test_made_blocks_of_the_example_rest_between_their_beats(tmp_path: Path) -> None:
    """Three beats under one address, each at the next one, with the strobes away between them."""
    bus = described("block", tmp_path)
    words = [0x1111, 0x2222, 0x3333]
    block = [
        Transfer("block-write", 0x100 + 2 * at, 3, word, joined=at > 0)
        for at, word in enumerate(words)
    ]
    reads = [Transfer("read", 0x100 + 2 * at, 3, None) for at in range(3)]
    made = synthesise(bus, block + reads, seed=2)
    table, _ = decode(bus, [made.places["card"]])
    rests = table.start[1:3] - table.end[:2]

    assert table.cycle.tolist() == [0, 0, 0, 1, 2, 3]
    assert table.address.tolist() == [0x100, 0x102, 0x104] * 2
    assert made.returned[3:] == tuple(words)
    assert (rests >= 60_000).all()


@pytest.mark.parametrize(
    ("take", "ended"),
    [({}, ["error", "acknowledged"]), ({"ending": "before release"}, ["acknowledged", "error"])],
)
def test_an_answer_counts_at_the_moment_that_is_named(
    take: Tables, ended: list[str], tmp_path: Path
) -> None:
    """Section 8: FAIL left over from before does not count then, FAIL after DONE does."""
    bus = loaded(changed(slipway(), {"take": take}), tmp_path)
    first = cycle(100, 0x100 >> 1, beat(150, 0x1111, 0))
    second = cycle(600, 0x200 >> 1, beat(650, 0x2222, 0))
    moments = {0: {"FAIL": 0}, **first, 200: {"FAIL": 1}, **second}
    moments |= {800: {"FAIL": 0}, 880: {"FAIL": 1}}
    table, _ = decode(bus, [made_by_hand(bus, moments)])

    assert table.as_text()["ended"].tolist() == ended


# Example, what the page has, and the same wrongly: the rows must tell the two apart.
BROKEN = [
    ("inverted", 'role = "address", active = "low"', 'role = "address"'),
    ("inverted", 'role = "data", active = "low"', 'role = "data"'),
    ("inverted", "ADR[17:1]", "ADR[18:2]"),
    ("waiting", 'wait = ["WAIT"]', "wait = []"),
    ("waiting", 'acknowledge = "WAIT negates"', 'acknowledge = "WAIT negated"'),
    ("lanes", "first = 2", "first = 0"),
    ("lanes", 'lanes = "0001"', 'lanes = "0100"'),
    ("port", "NARROW = 0, A0 = 1, HI = 1", "NARROW = 0, A0 = 1, HI = 0"),
    ("port", 'lowest = "lines"\n', ""),
    ("operand", "bytes = [4, 1, 2, 3]", "bytes = [4, 2, 1, 3]"),
    ("nibbles", "beats = 2", "beats = 3"),
    ("nibbles", "levels = { TEXT = 1, OUT = 0 }", "levels = { TEXT = 1, OUT = 1 }"),
    ("spaces", 'lines = "A[3:1]"', 'lines = "A[7:1]"'),
    ("spaces", "SPACE = [1, 2]", "SPACE = [1, 3]"),
    ("spaces", "lines = []", 'lines = "A[3:1]"'),
    ("spaces", "SPACE = [2, 3], OUT = 0", "SPACE = [1, 2], OUT = 0"),
    (
        "block",
        'levels = { MANY = 0, OUT = 0 }\nlater_beats = "next"',
        "levels = { MANY = 0, OUT = 0 }",
    ),
    ("pipelined", "pipelined = true", "pipelined = false"),
    ("clocked", "\njoined = true", ""),
    ("clocked", ' while READY high"', '"'),
    ("clocked", 'address = "at data"', 'address = "at address"'),
    ("burst", "joined = true", "joined = false"),
    ("burst", " while MORE asserted", ""),
    ("chip", "joined = true", "joined = false"),
    ("chip", 'address = "before release"\n', ""),
    ("chip", "(SEL asserted and WE asserted) becomes true", "WE asserts"),
]


@pytest.mark.parametrize(("name", "right", "wrong"), BROKEN)
def test_an_example_with_a_wrong_fact_is_found_out(
    name: str, right: str, wrong: str, tmp_path: Path
) -> None:
    """The rows of the page would not come out of another description."""
    example = ALL[name]
    (text,) = re.findall(rf"```toml \w+ {name}\n(.*?)```", PAGE, re.DOTALL)
    assert right in text
    tables = tomllib.loads(text.replace(right, wrong))
    bus = loaded(tables if example.is_whole else changed(slipway(), tables), tmp_path)
    table, _ = decode(bus, [made_by_hand(bus, CAPTURES[name])])
    shown = operands(table) if "whole" in example.rows[0] else table.as_text()
    found = shown.to_dict("records")
    columns = list(example.rows[0])

    assert [{column: row.get(column) for column in columns} for row in found] != example.rows


def test_a_description_may_end_before_making(tmp_path: Path) -> None:
    """Section 9 says that one can decode now: by what stands above it, with no [making] at all."""
    sections = PAGE[: PAGE.index("## 10.")]
    assert "You can decode now." in sections
    tables = tomllib.loads("\n".join(re.findall(r"```toml\n(.*?)```", sections, re.DOTALL)))
    assert "making" not in tables
    bus = loaded(tables, tmp_path)
    moments = {
        0: {"A": 0},
        **cycle(100, 0x100 >> 1, beat(150, 0x1234, 0)),
        **cycle(600, 0x102 >> 1, beat(650, 0x77AB, 1, hi=1)),
    }
    table, decoder = decode(bus, [made_by_hand(bus, moments)])
    assert_sound(table)

    columns = ["kind", "address", "lanes", "data", "ended"]
    assert table.as_text()[columns].to_numpy().tolist() == [
        ["write", "0x0100", "11", "0x1234", "acknowledged"],
        ["read", "0x0103", "01", "0x--AB", "acknowledged"],
    ]
    assert decoder.notes == []
    with pytest.raises(ValueError, match="no captures can be made"):
        synthesise(bus, transfers_of(table))


def test_a_made_wait_comes_before_the_host_looks(tmp_path: Path) -> None:
    """Section 12: the card's WAIT holds reads and writes alike; without it none is held."""
    bus = described("waiting", tmp_path)
    transfers = [Transfer("write", at, 1, at) for at in range(20)]
    transfers += [Transfer("read", at, 1, None) for at in range(20)]
    for share, waits in ((0.0, 0), (1.0, 40)):
        made = synthesise(bus, transfers, seed=3, wait_share=share)
        table, _ = decode(bus, [made.places["host"]])
        assert made.returned[20:] == tuple(range(20))
        assert (table.phase("acknowledge") != MISSING).sum() == waits
        assert ((table.end - table.start) > 310_000).sum() == waits


@pytest.mark.parametrize("name", ["D[f:0]", "D[F..0]", "D[G:0]", "D[15:0"])
def test_a_bracket_that_cannot_be_read_is_refused(name: str, tmp_path: Path) -> None:
    """Section 2: small letters, other signs, no end."""
    tables = changed(slipway(), ALL["inverted"].tables)
    tables["lines"] = {
        name if key == "D[F:0]" else key: line for key, line in tables["lines"].items()
    }

    with pytest.raises(DescriptionError, match=re.escape(f"'{name}' is no line and no range")):
        loaded(tables, tmp_path)


def test_hexadecimal_lines_are_named_and_numbered_as_the_page_says(tmp_path: Path) -> None:
    """Section 2: ADR10 carries bit 16."""
    bus = described("inverted", tmp_path)

    assert len(bus.address) == 23
    assert dict(zip(bus.address, bus.address_bits, strict=True))["ADR10"] == 16
    assert (bus.address[0], bus.address[7:9]) == ("ADR17", ("ADR10", "ADRF"))


def test_first_and_lowest_lines_together_are_refused(tmp_path: Path) -> None:
    """Section 6: one or the other."""
    tables = changed(slipway(), ALL["lanes"].tables)
    tables["address"] = {**tables["address"], "lowest": "lines"}

    with pytest.raises(DescriptionError, match="the address lines tell the lowest byte here"):
        loaded(tables, tmp_path)


def test_a_mistake_in_an_example_is_told(tmp_path: Path) -> None:
    """Check the check: a name that is no line is not passed over."""
    tables = changed(slipway(), ALL["spaces"].tables | {"modifier": {"lines": "SPCE"}})

    with pytest.raises(DescriptionError, match="no line is called 'SPCE'"):
        loaded(tables, tmp_path)
