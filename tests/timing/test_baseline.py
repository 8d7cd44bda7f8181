"""What a good machine did, kept in a file, and a suspect one held against it."""

from __future__ import annotations

from pathlib import Path

import pytest

from busdecode.errors import DescriptionError, RequestError
from busdecode.protocol import Bus, load_bus
from busdecode.timing import Figures, Replay, departures, kept_baseline, read_baseline
from tests.timing.small import TWO_CYCLES, bus_with, capture_of, replay

LIMITS = """
[[limits]]
number = "wait"
name = "strobe to acknowledge"
source = "none"
from = "data"
to = "acknowledge"
max = "500 ns"

[[limits]]
number = "set-up"
name = "address before strobe"
source = "none"
from = "last A changes before address"
to = "address"
min = "10 ns"
"""


def bus() -> Bus:
    """Give the small bus with a delay and a set-up."""
    return bus_with(LIMITS)


def kept(tmp_path: Path, capture: str = "good.vcd") -> Path:
    """Keep the baseline of the two cycles in a file."""
    path = tmp_path / "good.toml"
    path.write_text(kept_baseline(replay(bus(), capture_of(TWO_CYCLES)), capture), "utf-8")
    return path


def moved(ns: int, by: int) -> dict[int, str]:
    """Give the two cycles with all rows from a moment on later by some ns."""
    return {at + (by if at >= ns else 0): row for at, row in TWO_CYCLES.items()}


def test_a_baseline_is_read_back_as_it_was_kept(tmp_path: Path) -> None:
    """Strobe to acknowledge took 100 ns in both cycles; the set-up 50 and 100 ns."""
    baseline = read_baseline(kept(tmp_path))

    assert (baseline.bus, baseline.place, baseline.uncertainty) == ("small", "host", 1_000)
    assert {number: (each.lowest, each.highest, each.beats) for number, each in
            baseline.limits.items()} == {
        "wait": (100_000, 100_000, 2),
        "set-up": (50_000, 100_000, 2),
    }  # fmt: skip


@pytest.mark.parametrize("name", ['a"b.vcd', "a\\b.vcd", "line\nbreak\x7f.vcd", "пульс.vcd"])
def test_any_name_of_a_capture_can_be_kept(tmp_path: Path, name: str) -> None:
    """Quotes, backslashes, control signs and letters of any script."""
    assert read_baseline(kept(tmp_path, name)).capture == name


def test_the_good_machine_itself_departs_in_nothing(tmp_path: Path) -> None:
    """Held against its own baseline."""
    baseline = read_baseline(kept(tmp_path))

    assert departures(replay(bus(), capture_of(TWO_CYCLES)), baseline) == ()


def test_a_later_acknowledge_is_longer(tmp_path: Path) -> None:
    """The read's acknowledge comes 60 ns later than any did; far below the limit of 500 ns."""
    baseline = read_baseline(kept(tmp_path))
    (found,) = departures(replay(bus(), capture_of(moved(750, 60))), baseline)

    assert (found.how, found.result.limit.number, found.beats) == ("longer", "wait", 1)
    assert found.result.highest == 160_000


def test_a_shorter_set_up_is_told_and_a_longer_is_not(tmp_path: Path) -> None:
    """30 ns less than ever before; 300 ns more harms nothing."""
    baseline = read_baseline(kept(tmp_path))
    shorter = departures(replay(bus(), capture_of(moved(650, -30))), baseline)
    longer = departures(replay(bus(), capture_of(moved(650, 300))), baseline)

    assert [(each.how, each.result.limit.number) for each in shorter] == [("shorter", "set-up")]
    assert longer == ()


def test_what_differs_by_no_more_than_both_uncertainties_is_no_departure(tmp_path: Path) -> None:
    """2 ns at 1 ns each."""
    baseline = read_baseline(kept(tmp_path))

    assert departures(replay(bus(), capture_of(moved(750, 2))), baseline) == ()
    assert len(departures(replay(bus(), capture_of(moved(750, 3))), baseline)) == 1


def test_an_acknowledge_that_is_there_no_more_is_missing(tmp_path: Path) -> None:
    """It never asserts on the suspect machine."""
    baseline = read_baseline(kept(tmp_path))
    rows = {at: row[:4] + "1" + row[5:] for at, row in TWO_CYCLES.items()}
    (found,) = departures(replay(bus(), capture_of(rows)), baseline)

    assert (found.how, found.result.limit.number, found.kept.beats) == ("missing", "wait", 2)


def test_a_baseline_of_another_bus_is_refused(tmp_path: Path) -> None:
    """Both names are told."""
    other = load_bus("mc68000")
    replayed = Replay(Figures.of(other), other.line_names, 1_000).replayed("host")
    with pytest.raises(RequestError, match="the baseline is one of small, and the capture is"):
        departures(replayed, read_baseline(kept(tmp_path)))


MISTAKES = [
    (
        'bus = "small"',
        "bus = 5",
        "good.toml:3: bus: must be text in quotes, not 5\n  3 | bus = 5",
    ),
    (
        'uncertainty = "1 ns"',
        'uncertainty = "1"',
        "good.toml:6: uncertainty: a time must be a number and one of s, ms, us, ns, ps, not '1'\n"
        '  6 | uncertainty = "1"',
    ),
    (
        'place = "host"\n',
        "",
        "good.toml: place: this key is missing",
    ),
    (
        'min = "100 ns", ',
        "",
        "good.toml:9: limits.wait.min: this key is missing\n"
        '  9 | "wait" = { max = "100 ns", beats = 2 }',
    ),
    (
        "[limits]",
        "[limit]",
        "good.toml: limits: this key is missing",
    ),
    (
        "[limits]",
        "[limits",
        "good.toml:8:8: this is not TOML: expected ']' at the end of a table declaration",
    ),
]


@pytest.mark.parametrize(
    ("good", "bad", "message"), MISTAKES, ids=[f"{bad!r}" for _, bad, _ in MISTAKES]
)
def test_a_mistake_in_a_baseline_is_named_with_its_place(
    tmp_path: Path, good: str, bad: str, message: str
) -> None:
    """File, line, key, what was found; and how to have it written anew."""
    path = kept(tmp_path)
    text = path.read_text("utf-8")
    assert text.count(good) == 1
    path.write_text(text.replace(good, bad), "utf-8")
    with pytest.raises(DescriptionError) as caught:
        read_baseline(path)

    assert str(caught.value) == (
        f"{tmp_path}/{message}\n  expected: a baseline, as replay --keep writes it\n"
        "  do:       write it anew from the good machine's capture: busdecode replay ... "
        "--keep FILE"
    )
