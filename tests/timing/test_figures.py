"""Grades, named times, and the user's own figures."""

from __future__ import annotations

from pathlib import Path

import pytest

from busdecode.errors import DescriptionError, RequestError
from busdecode.protocol import Bound, load_bus, parse_bound
from busdecode.timing import Figures, overridden
from tests.timing.small import bus_with

TIMING = """
[timing]
grades = ["slow", "fast"]
usual = "fast"

[timing.times]
T = { values = ["100 ns", "50 ns"] }
U = { values = "30 ns", status = "from memory" }
"""

LIMITS = """
[[limits]]
number = "1"
name = "strobe width"
source = "none"
from = "address"
to = "release"
min = "2*T - 20 ns"
max = ["none", "1.5*T + U"]
"""


def figures(grade: str | None = None) -> Figures:
    """Give the figures of the small bus at a grade."""
    return Figures.of(bus_with(LIMITS, TIMING), grade)


@pytest.mark.parametrize(
    ("text", "ps"),
    [
        ("30 ns", 30_000),
        ("2*T - 75 ns", 325_000),
        ("T", 200_000),
        ("-T + 1 us", 800_000),
        ("0.5*T+U", 130_000),
        ("T - 2*U - 10 ns", 130_000),
    ],
)
def test_a_figure_may_be_a_sum_of_multiples(text: str, ps: int) -> None:
    """At T = 200 ns, U = 30 ns; worked by hand."""
    assert parse_bound(text, ["T", "U"]).ps({"T": 200_000, "U": 30_000}) == ps


def test_each_grade_has_its_own_figures() -> None:
    """The usual one, and another by its name."""
    usual, slow = figures(), figures("slow")

    assert usual.at(usual.limits[0]) == (80_000, 105_000)
    assert slow.at(slow.limits[0]) == (180_000, None)


def test_a_figure_of_a_time_from_memory_is_unverified_where_it_counts() -> None:
    """U has a part at the grade fast only."""
    usual, slow = figures(), figures("slow")

    assert usual.is_unverified(usual.limits[0])
    assert not slow.is_unverified(slow.limits[0])


def test_a_grade_that_is_not_there_is_refused_with_the_near_one() -> None:
    """Expected and near grades are named."""
    with pytest.raises(RequestError) as caught:
        figures("fats")

    assert str(caught.value) == (
        "small has no grade called 'fats'\n  expected: one of slow, fast\n"
        "  do:       did you mean fast?"
    )


def test_a_bus_without_limits_cannot_be_replayed() -> None:
    """What to do is said."""
    with pytest.raises(RequestError, match=r"the description of \w+ has no limits"):
        Figures.of(bus_with(""))


def own(tmp_path: Path, text: str) -> Figures:
    """Give the figures with a user's own in a file."""
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return overridden(figures(), path)


def test_own_figures_take_the_place_of_the_descriptions(tmp_path: Path) -> None:
    """A limit's figure, a figure taken away, a named time; and where they were had."""
    changed = own(tmp_path, '[times]\nT = "70 ns"\nU = "10 ns"\n[limits]\n1 = { max = "none" }\n')

    assert changed.at(changed.limits[0]) == (120_000, None)
    assert changed.limits[0].status == "your own"
    assert not changed.is_unverified(changed.limits[0])


OWN_MISTAKES = [
    ("[limit]\n", "own.toml:1: limit: no table of this name is known here"),
    ("limits = 5\n", "own.toml:1: limits: must be a table, not 5"),
    (
        '[limits]\n11 = { min = "5 ns" }\n',
        "own.toml:2: limits.11: small has no limit '11'",
    ),
    ('[limits]\n1 = { mim = "5 ns" }\n', "own.toml:2: limits.1: no key 'mim' is known here"),
    ('[limits]\n1 = "5 ns"\n', "own.toml:2: limits.1: must be a table, not 5 ns"),
    (
        '[limits]\n1 = { min = "5" }\n',
        "own.toml:2: limits.1: a limit must be a time such as '30 ns' or a sum",
    ),
    ('[limits]\n1 = { min = "9 us" }\n', "own.toml:2: limits.1: min is above max"),
    ('[times]\nV = "5 ns"\n', "own.toml:2: times.V: small has no named time 'V'"),
    ("[times]\nT = 5\n", "own.toml:2: times.T: a time must be a number and one of"),
    ("[times\n", "own.toml:1:7: this is not TOML: expected ']'"),
]


@pytest.mark.parametrize(("text", "message"), OWN_MISTAKES)
def test_a_mistake_in_own_figures_is_named_with_its_place(
    tmp_path: Path, text: str, message: str
) -> None:
    """File, line, key and what was found."""
    with pytest.raises(DescriptionError) as caught:
        own(tmp_path, text)

    assert str(caught.value).startswith(f"{tmp_path}/{message}")


def test_own_figures_in_no_text_are_refused(tmp_path: Path) -> None:
    """A file that is not UTF-8, and a file that is not there."""
    path = tmp_path / "own.toml"
    path.write_bytes(b"\xff")
    with pytest.raises(DescriptionError, match="this is not a text file in UTF-8"):
        overridden(figures(), path)
    with pytest.raises(DescriptionError, match="cannot be read: No such file or directory"):
        overridden(figures(), tmp_path / "none.toml")


def test_the_clock_period_of_a_grade_is_one_over_its_frequency() -> None:
    """MC68000 10.9: the period of 10 MHz is 100 ns; RESET's width of 10 periods is 1 us."""
    bus = load_bus("mc68000")
    found = Figures.of(bus, "10 MHz")
    (width,) = [limit for limit in found.limits if limit.number == "56"]

    assert width.least[1] == Bound(0, (("T", 10),))
    assert found.at(width) == (1_000_000, None)
