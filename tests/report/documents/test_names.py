"""Addresses to names, with ranges inside ranges, against a search without cleverness."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from busdecode.protocol import load_bus
from busdecode.report.documents import RegisterNames, read_names

if TYPE_CHECKING:
    from pathlib import Path


def names_of(names: RegisterNames, addresses: list[int]) -> list[str]:
    """Name addresses that are all known."""
    return names.of(np.array(addresses, dtype=np.uint64), np.ones(len(addresses), dtype=np.bool_))


@st.composite
def nested(draw: st.DrawFn, first: int = 0, last: int = 60) -> list[tuple[int, int, str]]:
    """Ranges apart or inside one another, each with a name of its own."""
    found: list[tuple[int, int, str]] = []
    while first <= last and draw(st.booleans()):
        begin = draw(st.integers(first, last))
        end = draw(st.integers(begin, last))
        found.append((begin, end, f"N{begin}_{end}"))
        if end - begin > 1:
            inner = draw(nested(begin, end))
            found += [each for each in inner if each[:2] != (begin, end)]
        first = end + 1
    return found


@given(nested().flatmap(st.permutations))
def test_the_narrowest_range_gives_the_name(entries: list[tuple[int, int, str]]) -> None:
    """Check every address against a search through all ranges."""
    expected = []
    for address in range(64):
        around = [each for each in entries if each[0] <= address <= each[1]]
        if not around:
            expected.append("")
            continue
        first, _, name = min(around, key=lambda each: each[1] - each[0])
        expected.append(name if address == first else f"{name}+0x{address - first:X}")

    assert names_of(RegisterNames(entries), list(range(64))) == expected


def test_an_address_not_known_has_no_name() -> None:
    """Check that the 0 which stands for an unknown address is not looked up."""
    names = RegisterNames([(0, 0, "ZERO")])

    assert names.of(np.zeros(2, dtype=np.uint64), np.array([True, False])) == ["ZERO", ""]


def test_a_file_is_read_as_people_write_it(tmp_path: Path) -> None:
    """Check digits with and without a prefix, blanks, comments, quotes, a mark at the start."""
    path = tmp_path / "names.csv"
    path.write_text(
        '\ufeff# board 2\n\nAddress, Name\n0x8000 .. 0x800F,BUF\n$9000, CTRL \nA000,"a, b"\n'
        "# more\n0xFFFF,LAST\n",
        encoding="utf-8",
    )

    found = names_of(read_names(path, load_bus("z80")), [0x8000, 0x800F, 0x9000, 0xA000, 0xFFFF, 1])

    assert found == ["BUF", "BUF+0xF", "CTRL", "a, b", "LAST", ""]
