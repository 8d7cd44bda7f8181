"""Limits measured in a capture whose every time can be read off its rows."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdecode.capture import split
from busdecode.timing import Figures, Outcome, Replay, measured_beats
from tests.timing.small import LINES, TWO_CYCLES, bus_with, capture_of, one_limit, replay

# The points of a limit, and what it measures in the write and in the read, ns.
POINTS = [
    ("last A changes before address", "address", [100, 50]),
    ("address", "STB negates nearest release", [200, 200]),
    ("last D changes before data", "data", [40, 220]),
    ("release", "first D changes after data", [30, -120]),
    ("release", "ACK negates nearest release", [40, 50]),
    ("acknowledge", "last D changes before release", [-140, -20]),
    ("last STB negates before address", "address", [250]),
    ("WR falls nearest address", "address", [100]),
    ("release", "first STB asserts after release", [250]),
    ("last A changes before it", "data", [100, 50]),
    ("address - 20 ns", "acknowledge + 10 ns", [130, 130]),
    ("release", "first WR changes after data", [60]),
    ("first ACK asserts after data", "first ACK negates after it", [140, 150]),
]


@pytest.mark.parametrize(("start", "stop", "wanted"), POINTS)
def test_each_way_to_name_a_point_measures_what_can_be_read_off(
    start: str, stop: str, wanted: list[int]
) -> None:
    """Phases, the last before, the first after, the nearest, and the limit's other point."""
    bus = bus_with(
        f'[[limits]]\nnumber = "1"\nname = "n"\nsource = "s"\nfrom = "{start}"\n'
        f'to = "{stop}"\nmin = "-1 us"'
    )
    capture = capture_of(TWO_CYCLES)
    found = measured_beats(capture, Figures.of(bus), (200_000, 650_000))

    assert wanted == [each.value // 1_000 for each in found if each.value is not None]


def test_a_broken_limit_names_cycle_time_and_margin() -> None:
    """Address set-up of 50 ns in cycle 1, where 80 ns are asked for."""
    result = one_limit('from = "last A changes before address"\nto = "address"\nmin = "80 ns"')

    assert (result.met, result.broken) == (1, 1)
    assert result.worst is not None
    assert (result.worst.cycle, result.worst.value, result.worst.margin) == (1, 50_000, -30_000)
    assert (result.lowest, result.highest) == (50_000, 100_000)
    assert result.is_finding


def test_the_lines_of_a_bundle_that_change_too_late_are_named() -> None:
    """A0 alone comes late in the read; where both lines move in time, none is named."""
    rows = {
        0: "001111", 100: "001011", 150: "101011", 200: "100011", 300: "100001", 400: "101001",
        450: "101011", 500: "001111",
    }  # fmt: skip
    text = 'from = "last any of (A, WR) changes before address"\nto = "address"\nmin = "{} ns"'
    late = one_limit(text.format(80), rows)
    early = one_limit(text.format(20), rows)

    assert (late.broken, late.lines) == (1, {"A0": 1})
    assert (early.broken, early.lines) == (0, {})


def test_a_difference_within_the_uncertainty_is_neither_met_nor_broken() -> None:
    """50 ns at a sample period of 50 ns may be 80 ns."""
    result = one_limit(
        'from = "last A changes before address"\nto = "address"\nmin = "80 ns"', resolution=50
    )

    assert (result.met, result.unsure, result.broken) == (0, 2, 0)


def test_a_limit_from_memory_can_only_warn() -> None:
    """It is broken, and told, but no finding."""
    result = one_limit(
        'from = "last A changes before address"\nto = "address"\nmin = "80 ns"\n'
        'status = "from memory"'
    )

    assert (result.broken, result.is_finding, result.is_warning) == (1, False, True)


def test_an_acknowledge_that_never_comes_breaks_the_step() -> None:
    """The read's acknowledge is taken away; the write's is there."""
    rows = {ns: row[:4] + "1" + row[5:] if ns >= 600 else row for ns, row in TWO_CYCLES.items()}
    rows |= {1_200: "101111", 1_260: "100111", 1_360: "100101", 1_460: "101101", 1_500: "101111"}
    result = one_limit('from = "data"\nto = "acknowledge"\nrequired = true\nstep = true', rows)

    assert (result.met, result.broken, result.missed) == (2, 1, 1)
    assert (result.first[0].cycle, result.first[0].value) == (1, None)


def test_a_limit_for_one_kind_is_measured_in_that_kind_alone() -> None:
    """Writes only: one beat of two."""
    result = one_limit(
        'from = "last D changes before data"\nto = "data"\nmin = "10 ns"\nfor = ["write"]'
    )

    assert (result.checked, result.lowest) == (1, 40_000)


def test_a_limit_for_some_levels_is_measured_where_these_show() -> None:
    """WR is high in the read alone."""
    result = one_limit(
        'from = "last D changes before data"\nto = "data"\nmin = "10 ns"\nlevels = { WR = 1 }'
    )

    assert (result.checked, result.lowest) == (1, 220_000)


CONDITIONAL = """
[[limits]]
number = "in"
name = "input set-up"
source = "none"
from = "acknowledge"
to = "release"
min = "{least}"
condition = true

[[limits]]
number = "out"
name = "data after the acknowledge"
source = "none"
from = "last A changes before address"
to = "address"
min = "80 ns"
{when} = "in"
"""


@pytest.mark.parametrize(
    ("least", "when", "broken", "is_finding"),
    [
        ("150 ns", "only_if_unmet", 1, True),
        ("50 ns", "only_if_unmet", 0, False),
        ("100 ns", "only_if_unmet", 0, False),
        ("50 ns", "only_if_met", 1, True),
        ("150 ns", "only_if_met", 0, False),
    ],
)
def test_a_limit_that_depends_on_another_binds_only_then(
    least: str, when: str, broken: int, is_finding: bool
) -> None:
    """Unmet, met, or too near to tell: then neither can be told of the other."""
    bus = bus_with(CONDITIONAL.format(least=least, when=when))
    condition, result = replay(bus, capture_of(TWO_CYCLES)).results

    assert (result.broken, result.is_finding) == (broken, is_finding)
    assert not condition.is_finding


def test_a_line_that_was_not_captured_leaves_its_limit_unmeasured() -> None:
    """Nothing is met or broken, and the reason is told."""
    result = one_limit('from = "release"\nto = "ERR negates nearest release"\nmin = "0 ns"')
    bus = bus_with(
        '[[limits]]\nnumber = "1"\nname = "n"\nsource = "s"\nfrom = "release"\n'
        'to = "first A changes after release"\nmin = "0 ns"'
    )
    lost = Replay(Figures.of(bus), LINES[1:], 1_000)

    assert result.unmeasured == "no beat in which both its points come"
    assert lost.replayed("host").results[0].unmeasured == "not captured: A3 to A0"


def test_a_bundle_of_which_some_lines_were_captured_says_nothing_of_the_others() -> None:
    """A0 alone is probed: measured, and the other lines named."""
    result = one_limit('from = "last A changes before address"\nto = "address"\nmin = "10 ns"')

    assert (result.met, result.absent) == (2, ("A3", "A2", "A1"))


def test_a_cycle_cut_off_by_the_capture_is_not_measured() -> None:
    """The read is not over when the capture ends."""
    rows = {ns: row for ns, row in TWO_CYCLES.items() if ns < 850}
    bus = bus_with(
        '[[limits]]\nnumber = "1"\nname = "n"\nsource = "s"\nfrom = "address"\n'
        'to = "acknowledge"\nmin = "10 ns"'
    )
    found = replay(bus, capture_of(rows))

    assert (found.beats, found.cut_off, found.results[0].checked) == (1, 1, 1)


def test_no_time_is_measured_over_a_gap() -> None:
    """What the strobe did before the gap is no rest before the read."""
    bus = bus_with(
        '[[limits]]\nnumber = "1"\nname = "n"\nsource = "s"\n'
        'from = "last STB negates before address"\nto = "address"\nmin = "10 ns"'
    )
    capture = capture_of(TWO_CYCLES)
    gaps = capture.times == 460_000
    whole, gapped = replay(bus, capture), replay(bus, replace(capture, gaps=gaps))

    assert [each.results[0].checked for each in (whole, gapped)] == [1, 0]


def test_sampled_too_coarsely_nothing_is_found() -> None:
    """More coarsely than half the shortest pulse of 100 ns."""
    bus = bus_with(
        '[[limits]]\nnumber = "1"\nname = "n"\nsource = "s"\nfrom = "address"\n'
        'to = "acknowledge"\nmax = "5 ns"'
    )
    found = replay(bus, capture_of(TWO_CYCLES, resolution=60))

    assert found.findings == 0
    assert (found.results[0].broken, found.results[0].unsure) == (0, 2)
    assert found.cannot_tell is not None


def test_codes_that_the_bus_does_not_have_are_found() -> None:
    """Modifier 1 is legal, modifier 0 is not; the read shows 0 where it is taken."""
    text = '[modifier]\nlines = "D0"\nlegal = [1]\n'
    bus = bus_with(
        '[[limits]]\nnumber = "1"\nname = "n"\nsource = "s"\nfrom = "address"\n'
        'to = "release"\nmin = "5 ns"',
        text,
    )
    (code,) = replay(bus, capture_of(TWO_CYCLES)).codes

    assert (code.what, code.value, code.count, code.cycle) == ("modifier", "0x0", 1, 1)


EVERY = "\n".join(
    f'[[limits]]\nnumber = "{at}"\nname = "n"\nsource = "s"\nfrom = "{start}"\nto = "{stop}"\n'
    f'min = "60 ns"\nmax = "150 ns"\n'
    for at, (start, stop, _) in enumerate(POINTS)
)


@given(st.data())
@settings(max_examples=60)
def test_any_cut_into_chunks_gives_the_same(data: st.DataObject) -> None:
    """Whole, or in pieces of any size: the same figures for every limit."""
    bus = bus_with(EVERY)
    rows: dict[int, str] = {}
    for at in range(3):
        rows |= {ns + 1_100 * at: row for ns, row in TWO_CYCLES.items()}
    capture = capture_of(rows)
    size = data.draw(st.integers(1, len(capture)))
    whole = replay(bus, capture)
    replaying = Replay(Figures.of(bus), capture.lines, capture.resolution)
    for part in split(capture, size):
        replaying.feed(part)
    replaying.finish(capture.end)
    found = replaying.replayed("host")

    assert [_told(each) for each in whole.results] == [_told(each) for each in found.results]


def _told(result: object) -> tuple[object, ...]:
    names = ("met", "unsure", "broken", "missed", "lowest", "median", "highest", "worst", "first")
    return tuple(getattr(result, name) for name in names)


def test_outcomes_are_told_for_each_beat_of_chosen_cycles() -> None:
    """Cycle 1 alone, with its two points."""
    bus = bus_with(
        '[[limits]]\nnumber = "1"\nname = "n"\nsource = "s"\nfrom = "address"\n'
        'to = "acknowledge"\nmax = "80 ns"'
    )
    (each,) = measured_beats(capture_of(TWO_CYCLES), Figures.of(bus), [650_000])

    assert (each.cycle, each.start, each.stop) == (1, 650_000, 750_000)
    assert (each.value, each.margin, each.outcome) == (100_000, -20_000, Outcome.BROKEN)
