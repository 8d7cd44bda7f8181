"""What to beep and what to clip next: gains by hand, and against captures that are made."""

from __future__ import annotations

from math import log2
from typing import TYPE_CHECKING

import numpy as np
import pytest

from busdecode.cycles import MOMENTS
from busdecode.diagnosis import Clips, lines_to_clip, pairs_to_beep, read_back
from busdecode.errors import RequestError
from busdecode.faults import Intermittent, OnlyWhen
from busdecode.predict import FaultRows, LineForeteller
from tests.diagnosis.readbacks import bus_of, fault_of, log_of, model_of
from tests.predict.test_lines_against_simulation import shown

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from busdecode.faults import Fault

BUS = bus_of("z80")


def faults_of(names: Sequence[str]) -> list[Fault | None]:
    """Read candidates; ``none`` is a healthy bus."""
    return [None if name == "none" else fault_of(name) for name in names]


def beeps(weights: Mapping[str, float], most: int = 9) -> list[tuple[str, str, str, float, float]]:
    """Give the measurements for candidates with weights."""
    share = np.array(list(weights.values()), dtype=np.float64)
    found = pairs_to_beep(BUS, faults_of(list(weights)), share / share.sum(), most)
    return [(*each.between, each.fault_reads, each.share, round(each.gain, 4)) for each in found]


@pytest.mark.parametrize(("count", "gain"), [(2, 1.0), (4, 0.8113), (8, 0.5436)])
def test_one_of_equally_likely_pairs(count: int, gain: float) -> None:
    """The entropy of one in k (references: fault-theory, 4.3, probe pair choice; computed)."""
    pairs = [("D0", "D1"), ("D2", "D3"), ("D4", "D5"), ("D6", "D7")]
    pairs += [("A0", "A1"), ("A2", "A3"), ("A4", "A5"), ("A6", "A7")]
    found = beeps({f"bridge {a} {b} low-wins": 1 for a, b in pairs[:count]})

    assert [each[3:] for each in found] == [(1 / count, gain)] * count


# Weights; then between what, what the fault reads, how likely, and the gain.
BEEPS = [
    # All rules of a pair count together: 3 of 4.
    (
        {"bridge D2 D5 low-wins": 2, "bridge D2 D5 a-wins": 1, "stuck D2 low": 1},
        [("D5", "D2", "short", 0.75, 0.8113), ("D2", "ground", "short", 0.25, 0.8113)],
    ),
    # High is the supply, whatever the line's active level.
    ({"stuck MREQ high": 1, "none": 1}, [("MREQ", "supply", "short", 0.5, 1.0)]),
    # A broken line is measured from end to end, however it floats.
    (
        {"open D3 high": 1, "open D3 keep": 1, "stuck D3 high": 2},
        [("D3", "D3", "open", 0.5, 1.0), ("D3", "supply", "short", 0.5, 1.0)],
    ),
    # Crossed lines read open from end to end, both.
    (
        {"swapped D0 D1": 1, "none": 3},
        [("D1", "D1", "open", 0.25, 0.8113), ("D0", "D0", "open", 0.25, 0.8113)],
    ),
    # Of a card's driver nothing is said, and what is sure tells nothing.
    ({"read-driver D3 low": 1, "none": 1}, []),
    ({"stuck D3 low": 1}, []),
]


@pytest.mark.parametrize(("weights", "expected"), BEEPS)
def test_what_a_meter_tells(
    weights: dict[str, float], expected: list[tuple[str, str, str, float, float]]
) -> None:
    """The entropy of one of two readings, by hand."""
    assert expected == beeps(weights)


def test_so_many_beeps_at_most_and_best_first() -> None:
    """One half, one quarter, two eighths."""
    weights = {f"stuck D{at} low": weight for at, weight in enumerate((1, 4, 2, 1))}

    assert [each[:2] for each in beeps(weights, 2)] == [("D1", "ground"), ("D2", "ground")]
    assert [each[0] for each in beeps(weights)] == ["D1", "D2", "D3", "D0"]


def test_a_fault_that_comes_and_goes_is_measured_as_itself() -> None:
    """If it is there; its own conditions are no matter to a meter."""
    short = fault_of("bridge D2 D5 low-wins")
    faults = [Intermittent(short, 10), OnlyWhen(short, "D0", 1), None]
    (found,) = pairs_to_beep(BUS, faults, np.array([0.25, 0.25, 0.5]))

    assert (found.between, found.gain) == (("D5", "D2"), 1.0)


def clips(
    log: str,
    weights: Mapping[str, float],
    captured: Sequence[tuple[str, str]] = (),
    *,
    places: Sequence[str] = ("host", "card"),
    channels: int | None = None,
    fixed: Sequence[tuple[str, str]] = (),
    most: int = 9,
) -> Clips:
    """Give what lines tell of candidates with weights, in the transfers of a log."""
    model = model_of("z80")
    foreteller = read_back(model, log_of(log)).foreteller
    share = np.array(list(weights.values()), dtype=np.float64)
    return lines_to_clip(
        {place: LineForeteller(foreteller, place) for place in places},
        FaultRows(model, faults_of(list(weights))),
        share / share.sum(),
        captured,
        channels=channels,
        fixed=fixed,
        most=most,
    )


def rounded(found: Clips) -> list[tuple[str, str, float]]:
    """Give places, lines and gains."""
    return [(each.place, each.line, round(each.gain, 4)) for each in found.clips]


FF = "w0=FF w1=00 r0 r1"
CLIPS = [
    # Held, low at both ends; broken, the host's end is high while it writes FF: one bit. The
    # card's end, and what it stores and drives, is low with both.
    (FF, {"stuck D3 low": 1, "open D3 low": 1}, [("host", "D3", 1.0)]),
    # With the same of D4: host D3 is held, broken, or right, 1/4, 1/4, 1/2; card D3 low or right.
    (
        FF,
        {"stuck D3 low": 1, "open D3 low": 1, "stuck D4 low": 1, "open D4 low": 1},
        [("host", "D4", 1.5), ("host", "D3", 1.5), ("card", "D4", 1.0), ("card", "D3", 1.0)],
    ),
    # The card's driver of D3 is wrong in reads alone, its receiver stores a 0 and D3 is 0 in reads
    # too; on the lines nothing tells the two apart.
    (FF, {"read-driver D3 low": 1, "write-receiver D3 low": 1}, []),
    # Where D3 and D4 differ the tied pair leaves both open: one bit of one write. Held lines tell
    # 3/4 of a bit, half of the pair's quarter is told apart: h(1/8) - 1/4, on D4 that alone.
    (
        "w0=08",
        {"bridge D3 D4 undetermined": 2, "stuck D3 low": 3, "stuck D3 high": 3},
        [
            ("host", "D3", 1.0436),
            ("card", "D3", 1.0436),
            ("host", "D4", 0.2936),
            ("card", "D4", 0.2936),
        ],
    ),
    # What most leave open is left aside: here D3 itself.
    ("w0=08", {"bridge D3 D4 undetermined": 2, "stuck D3 low": 1, "stuck D3 high": 1}, []),
    # The address stands on its lines in each transfer: A1 is high in one of four.
    ("w0=00 w1=00 w2=00 w4=00", {"stuck A1 low": 1, "none": 1}, [
        ("host", "A1", 1.0), ("card", "A1", 1.0)]),
    # A line that never moves tells nothing of one that is held where it stands.
    ("w0=00 w1=00", {"stuck A1 low": 1, "none": 1}, []),
]  # fmt: skip


@pytest.mark.parametrize(("log", "weights", "expected"), CLIPS)
def test_what_a_line_tells(
    log: str, weights: dict[str, float], expected: list[tuple[str, str, float]]
) -> None:
    """Worked out by hand from what each candidate shows."""
    assert expected == rounded(clips(log, weights))


def test_captured_lines_are_not_proposed() -> None:
    """Nor are places of which nothing is foretold."""
    weights = {"stuck D3 low": 1, "open D3 low": 1, "stuck D4 low": 1, "open D4 low": 1}
    found = clips(FF, weights, [("host", "D4")])

    assert rounded(found) == [("host", "D3", 1.5), ("card", "D4", 1.0), ("card", "D3", 1.0)]
    assert rounded(clips(FF, weights, places=("card",), most=1)) == [("card", "D4", 1.0)]
    assert found.spares == ()


@pytest.mark.parametrize(
    ("channels", "lines", "gain"),
    [(1, ["D4"], 1.5), (2, ["D4", "D3"], 2.0), (5, ["D4", "D3"], 2.0)],
)
def test_what_lines_tell_together(channels: int, lines: list[str], gain: float) -> None:
    """Of four that are equally likely one line tells 1.5 bits, as above, and both which it is."""
    weights = {"stuck D3 low": 1, "open D3 low": 1, "stuck D4 low": 1, "open D4 low": 1}
    found = clips(FF, weights, channels=channels)

    assert [(each.place, each.line) for each in found.together] == [("host", n) for n in lines]
    assert found.gain == gain


HELD = {"stuck D3 low": 1, "stuck D4 low": 1, "stuck D5 low": 0}
SPARES = [
    # All are taken: D6 tells nothing at all, D5 nothing as D5 is not at fault any more.
    (3, [], ("host", "D6")),
    (3, [("host", "D6")], ("host", "D5")),
    (3, [("host", "D6"), ("host", "D5")], ("host", "D3")),
    (3, [("host", "D6"), ("host", "D5"), ("host", "D3")], None),
]


@pytest.mark.parametrize(("channels", "fixed", "spare"), SPARES)
def test_which_line_to_take_off(
    channels: int, fixed: list[tuple[str, str]], spare: tuple[str, str] | None
) -> None:
    """The one that tells least; of equals, which would if all were as likely; none that stays."""
    captured = [("host", "D6"), ("host", "D5"), ("host", "D3")]
    found = clips(FF, HELD, captured, channels=channels, fixed=fixed)

    assert found.free == 0
    assert spare == next(((each.place, each.line) for each in found.spares), None)


def test_of_lines_that_would_never_tell_anything_the_last_is_taken_off() -> None:
    """D7 and D6 are right with every candidate."""
    found = clips(FF, HELD, [("host", "D7"), ("host", "D6")], channels=2).spares[0]

    assert (found.line, found.gain) == ("D6", 0.0)


def entropy_of(parts: Sequence[object]) -> float:
    """Give the entropy of which of equally likely ones is seen."""
    counts = [parts.count(each) for each in dict.fromkeys(parts)]
    return sum(count / len(parts) * log2(len(parts) / count) for count in counts)


def test_gains_are_those_of_captures_with_each_fault() -> None:
    """Captures are made with each candidate: as many kinds of columns as are foretold."""
    names = ["none", "stuck D3 low", "stuck D3 high", "open D3 low", "open D3 high"]
    names += ["bridge D3 D4 low-wins", "bridge D3 D4 high-wins", "bridge D3 D4 a-wins"]
    log = "w0=08 w1=10 w2=F7 r0 r1 r2"
    transfers = read_back(model_of("z80"), log_of(log)).foreteller.transfers
    made = [shown(BUS, transfers, fault, seed=3) for fault in faults_of(names)]
    found = {
        (each.place, each.line): each.gain for each in clips(log, dict.fromkeys(names, 1)).clips
    }

    for line in ("D3", "D4", "D5"):
        bit = np.uint64(BUS.line_names.index(line))
        for place in ("host", "card"):
            columns = [
                tuple(
                    int(levels[place][at, MOMENTS.index(transfer.kind), 0] >> bit & np.uint64(1))
                    for at, transfer in enumerate(transfers)
                )
                for levels in made
            ]
            assert found.get((place, line), 0) == pytest.approx(entropy_of(columns), abs=1e-6)


MISTAKES = [
    (
        lambda: pairs_to_beep(BUS, [None], np.array([0.5, 0.5])),
        "2 shares, together 1, are given for 1 candidates",
    ),
    (
        lambda: pairs_to_beep(BUS, [None], np.array([0.5])),
        "1 shares, together 0.5, are given for 1 candidates",
    ),
    (
        lambda: pairs_to_beep(BUS, [fault_of("stuck D9 low", "mc68000")], np.array([1.0])),
        "a candidate is about 'D9', which is no line of z80",
    ),
    (
        lambda: clips(FF, HELD, [("slot", "D3")]),
        "'D3' at 'slot' is captured, of which nothing is foretold",
    ),
    (
        lambda: clips(FF, HELD, [("host", "D9")]),
        "'D9' at 'host' is captured, of which nothing is foretold",
    ),
    (
        lambda: clips(FF, HELD, [("host", "D3")], fixed=[("host", "D4")]),
        "'D4' at 'host' must stay, but is not captured",
    ),
    (
        lambda: clips(FF, HELD, [("host", "D3"), ("host", "D4")], channels=1),
        "2 lines are captured on 1 channels",
    ),
]


@pytest.mark.parametrize(("call", "message"), MISTAKES)
def test_mistakes(call: object, message: str) -> None:
    """What was found, and what was expected."""
    with pytest.raises(RequestError) as caught:
        call()  # type: ignore[operator]

    assert str(caught.value).startswith(f"{message}\n")
    assert "expected:" in str(caught.value)
