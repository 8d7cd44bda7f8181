"""What is odd in captures made with a fault, and what the odd beats have in common.

What must be found follows from the fault and from what was asked of the bus, beat by beat.
"""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchmarks.stimulus import decoded, made, random_accesses
from busdecode.access import Access
from busdecode.compare import WholeRecording
from busdecode.cycles import DIRECTIONS, Sampling
from busdecode.diagnosis import oddities_of
from busdecode.faults import parse_fault
from busdecode.protocol import bundled_buses, load_bus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.access import AccessLog
    from busdecode.diagnosis import Oddities, Oddity


def recorded(
    name: str,
    fault: str | None,
    seed: int,
    *,
    count: int = 200,
    sampling: Sampling | None = None,
    places: Sequence[str] = ("host", "card"),
) -> tuple[WholeRecording, AccessLog]:
    """Make captures of random accesses with a fault, and the log of what was asked."""
    bus = load_bus(name)
    accesses = random_accesses(bus, count, Random(seed))
    faults = [] if fault is None else [parse_fault(fault, bus)]
    synthesis, log = made(bus, accesses, seed=seed, faults=faults, sampling=sampling)
    skew = 0 if sampling is None else sampling.skew + sampling.jitter
    captures = {place: synthesis.places[place] for place in places}
    return WholeRecording(decoded(bus, captures, skew=skew)), log


def one(found: Oddities, kind: str, place: str = "host") -> Oddity:
    """Give the one oddity of a kind at a place."""
    (only,) = [each for each in found.found if (each.kind, each.place) == (kind, place)]
    return only


@pytest.mark.parametrize("name", bundled_buses())
@pytest.mark.parametrize("seed", range(4))
def test_a_healthy_capture_has_nothing_odd(name: str, seed: int) -> None:
    """As it is and as an analyzer shows it, with a log of everything and without one."""
    pulse = load_bus(name).shortest_pulse
    for sampling in (None, Sampling(pulse // 4, 3_000, 3_000)):
        recording, log = recorded(name, None, seed, count=30, sampling=sampling)

        assert [str(each) for each in oddities_of(recording, log, alone=True).found] == []
        assert [str(each) for each in oddities_of(recording).found] == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_lane_strobe_that_fails_with_certain_data_is_told(seed: int) -> None:
    """UDS does not assert while D3 is high: in no beat with D3 low is it missing."""
    recording, log = recorded("mc68000", "when D3 high stuck UDS high", seed)
    odd = one(oddities_of(recording, log), "lane missing")

    assert odd.lines == ("UDS",)
    assert str(odd.clues[0]) == "D3 is high"
    flagged, flagged_without, _, _ = odd.clues[0].counts
    assert flagged == len(odd.odd) > 10
    assert flagged_without == 0


def test_lanes_that_a_table_decides_are_told_as_well() -> None:
    """On VMEbus DS1 tells lanes together with others: these lines are named together."""
    recording, log = recorded("vmebus", "when D3 high stuck DS1 high", 2)
    odd = [each for each in oddities_of(recording, log).found if each.kind == "lane missing"]

    assert odd
    assert {each.lines for each in odd} == {load_bus("vmebus").lane_lines}
    assert {str(each.clues[0]) for each in odd} == {"D3 is high"}


def test_a_lane_strobe_that_is_always_there_is_told() -> None:
    """UDS held asserted: every beat that asked for the lower byte alone has it."""
    recording, log = recorded("mc68000", "bridge D3 UDS low-wins", 2)
    odd = one(oddities_of(recording, log), "lane unasked")

    assert odd.lines == ("UDS",)
    asked_for_one = sum(access.size == 1 and access.address % 2 == 1 for access in log.accesses)
    assert 10 < len(odd.odd) <= len(odd.compared) <= asked_for_one


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_writes_that_vanish_with_certain_data_are_told(seed: int) -> None:
    """D3 holds WR high: writes with D3 high have no beat, and all others have one."""
    recording, log = recorded("z80", "bridge D3 WR high-wins", seed)
    odd = one(oddities_of(recording, log), "lost")

    assert odd.of == "transfers"
    assert "D3 is high" in str(odd.clues[0])
    assert odd.clues[0].counts[1] == 0
    for at in odd.odd.tolist():
        access = log.accesses[at]
        assert access.data is not None
        assert access.data & 8


def test_cycles_that_are_split_are_short_and_too_many() -> None:
    """D3 ends a strobe within its cycle: more beats than were asked for, and short ones."""
    recording, log = recorded("mc68000", "bridge D3 UDS high-wins", 2)
    found = oddities_of(recording, log, alone=True)
    extra, lost, short = (one(found, kind) for kind in ("extra", "lost", "short"))

    assert len(recording.table) > len(log.accesses)
    assert len(extra.odd) - len(lost.odd) == len(recording.table) - len(log.accesses)
    data, release = (recording.table.phase(name)[short.odd] for name in ("data", "release"))
    assert (release - data < load_bus("mc68000").shortest_pulse).all()
    assert str(short.clues[0]) == "R/W is high"


def test_traffic_that_is_not_in_the_log_is_not_odd() -> None:
    """Every other access is logged only: nothing is found, and that is said."""
    bus = load_bus("z80")
    accesses = [Access("write", 64 * at, 1, at * 37 % 256) for at in range(60)]
    synthesis, log = made(bus, accesses, seed=1)
    recording = WholeRecording(decoded(bus, synthesis.places))
    part = type(log)(log.accesses[::2], 0, "half", ())

    found = oddities_of(recording, part)
    assert found.found == ()
    assert any("beats too many: " in each for each in found.unseen)
    assert len(one(oddities_of(recording, part, alone=True), "extra").odd) == 29


@pytest.mark.parametrize("logged", [True, False])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_addresses_that_get_no_acknowledge_are_told_apart(seed: int, logged: bool) -> None:
    """DTACK does not reach the host while A5 is high: exactly those beats are unanswered."""
    recording, log = recorded("mc68000", "when A5 high open DTACK high", seed)
    odd = one(oddities_of(recording, log if logged else None), "unanswered")

    is_high = recording.table.address & np.uint64(1 << 5) != 0
    assert odd.odd.tolist() == np.flatnonzero(is_high).tolist()
    assert str(odd.clues[0]) == "A5 is high"
    assert odd.clues[0].against == 0


def test_an_acknowledge_that_never_comes_has_no_clue() -> None:
    """Where all beats are unanswered nothing parts them."""
    recording, log = recorded("mc68000", "no-acknowledge DTACK error", 1, count=40)
    odd = one(oddities_of(recording, log), "unanswered")

    assert (len(odd.odd), len(odd.compared), odd.clues) == (40, 40, ())


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        ("mc68000", "late-data read 200 ns"),
        ("orlop32", "late-data read 80 ns"),
        ("z80", "late-data write 400 ns"),
    ],
)
def test_data_that_moves_while_it_should_stand_is_told(name: str, fault: str) -> None:
    """Late data: only in the direction in which it is late, only on data lines, at both places."""
    recording, log = recorded(name, fault, 2)
    direction = DIRECTIONS.index(fault.split()[1])
    for place in ("host", "card"):
        odd = one(oddities_of(recording, log), "unsteady", place)

        assert set(odd.lines) <= set(load_bus(name).data)
        assert (recording.table.direction[odd.odd] == direction).all()


def test_a_line_that_two_places_show_differently_is_told() -> None:
    """AD5 is open and floats low at the card: wrong there where the host drives it high."""
    recording, _ = recorded("orlop32", "open AD5 low", 2)
    odd = one(oddities_of(recording), "apart", "card")

    assert odd.lines == ("AD5",)
    assert str(odd.clues[0]) == "AD5 is high"
    assert odd.clues[0].counts[2] == 0


def test_a_fault_that_comes_and_goes_has_no_clue() -> None:
    """UDS fails in a fifth of the beats, whatever they carry: missing, and nothing parts them."""
    recording, log = recorded("mc68000", "intermittent 20 stuck UDS high", 2)
    odd = one(oddities_of(recording, log), "lane missing")

    assert odd.lines == ("UDS",)
    assert odd.clues == ()


def test_what_cannot_be_seen_is_said() -> None:
    """Drivers that overlap leave no trace in levels; one place, and no log, show less."""
    recording, _ = recorded("mc68000", "slow-release read 100 ns", 2, places=("host",))
    found = oddities_of(recording)

    assert found.found == ()
    assert [each.partition(":")[0] for each in found.unseen] == [
        "drivers that overlap where the data lines turn around",
        "beats that are lost, too many, or on wrong lanes",
        "what differs between places",
    ]


def test_a_coarse_capture_shows_nothing_odd() -> None:
    """At more than half of the shortest pulse it cannot be told."""
    pulse = load_bus("z80").shortest_pulse
    recording, log = recorded("z80", "stuck D3 low", 1, count=40, sampling=Sampling(pulse * 2 // 3))
    found = oddities_of(recording, log)

    assert found.found == ()
    assert "cannot tell at this sample period" in found.unseen[0]
