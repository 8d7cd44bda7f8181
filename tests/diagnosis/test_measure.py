"""The next thing to do: by hand what can tell two candidates apart."""

from __future__ import annotations

from dataclasses import replace

import pytest

from busdecode.diagnosis import Measure, diagnose, next_measures
from tests.diagnosis.readbacks import fault_of
from tests.diagnosis.runs import candidates_of, run, without

RIVALS = ["stuck D3 low", "bridge D3 A15 low-wins"]


def measures(channels: int | None = None) -> list[Measure]:
    """Say what is next where D3 was always low, at 0x1000 on, and A15 was not captured."""
    made = run("z80", "stuck D3 low", seed=4)
    gathered = made.gathered(made.capture(without("z80", "A15", "A14")))
    faults = [fault_of(each) for each in RIVALS]
    evidence, judgement = diagnose(gathered.logs, gathered.recorded, faults)
    both = {fault for group in judgement.groups for fault in group.faults}
    assert both == set(faults)
    return next_measures(evidence, judgement, gathered.recorded, None, channels=channels)


def test_two_that_differ_in_one_tied_pair_are_told_apart_by_beeping_it() -> None:
    """All that is open, one bit at most, is told by beeping the tie or the rail."""
    best = measures()[0]

    assert best.how == "beep"
    assert best.lines in {("D3", "A15"), ("A15", "D3"), ("D3", "ground")}
    assert best.gain == pytest.approx(max(each.gain for each in measures()))
    assert 0.1 < best.gain <= 1


def test_only_one_that_is_left_needs_no_more_than_proof() -> None:
    """Nothing is open, so all that is proposed is what reads otherwise with it; once."""
    made = run("z80", "bridge D3 D5 low-wins", seed=4)
    gathered = made.gathered(made.capture())
    tied = fault_of("bridge D3 D5 low-wins")
    evidence, judgement = diagnose(gathered.logs, gathered.recorded, [tied])
    (proof,) = next_measures(evidence, judgement, gathered.recorded, None)
    again = next_measures(
        evidence, judgement, gathered.recorded, None, beeped=[frozenset(proof.lines)]
    )

    assert (proof.how, proof.gain, set(proof.lines)) == ("beep", 0.0, {"D3", "D5"})
    assert proof.sentence == "to prove it, beep D3 against D5; short if that is it"
    assert again == []


@pytest.mark.parametrize("free", [0, 1, 3])
def test_as_many_lines_are_taken_off_as_channels_are_missing(free: int) -> None:
    """Some lines at once, where that tells more; no strobe is taken off for them."""
    made = run("z80", "bridge D3 A0 low-wins", seed=4)
    lines = without("z80", "A0", "A1", "D3")
    gathered = made.gathered(made.capture(lines))
    evidence, judgement = diagnose(gathered.logs, gathered.recorded, candidates_of("z80"))
    judgement = replace(judgement, akin=())
    clips = [
        each
        for each in next_measures(
            evidence, judgement, gathered.recorded, None, channels=len(lines) + free
        )
        if each.how == "clip"
    ]

    assert clips
    assert clips[0].gain == max(each.gain for each in clips)
    for each in clips:
        assert len(each.instead) == max(0, len(each.lines) - free)
        assert ("in place of" in each.sentence) == bool(each.instead)
        assert all(f"{line}" in each.sentence for line in each.lines)
        assert not {line for _, line in each.instead} & {"MREQ", "IORQ", "RD", "WR"}


def test_lines_are_proposed_together_where_channels_are_free() -> None:
    """With 12 channels, 5 of them for strobes, the best choice is of several lines at once."""
    made = run("z80", "bridge D4 A11 low-wins", seed=4)
    lines = ["M1", "MREQ", "IORQ", "RD", "WR", "D0"]
    gathered = made.gathered(made.capture(lines))
    evidence, judgement = diagnose(gathered.logs, gathered.recorded, candidates_of("z80"))
    best = next(
        each
        for each in next_measures(evidence, judgement, gathered.recorded, None, channels=12)
        if each.how == "clip"
    )

    assert len(best.lines) > 1
    assert len(set(best.lines)) == len(best.lines) <= 12 - 5
    assert not set(best.lines) & set(lines)


def test_where_no_candidate_fits_lines_of_which_nothing_was_seen_are_next() -> None:
    """As many as channels are free, in the description's order, and no strobe goes for them."""
    made = run("z80", "bridge D3 A0 low-wins", seed=4)
    lines = ("D7", "D6", "MREQ", "IORQ", "M1", "RD", "WR")
    gathered = made.gathered(made.capture(lines))
    evidence, judgement = diagnose(gathered.logs, gathered.recorded, candidates_of("z80"))
    none = replace(judgement, groups=(), akin=(), healthy=False, more_than_one_cause=True)
    (clip,) = next_measures(evidence, none, gathered.recorded, None, channels=8)

    assert (clip.how, clip.place, clip.gain) == ("clip", "host", 0.0)
    assert not set(clip.lines) & set(lines)
    assert {line for _, line in clip.instead} == {"D7", "D6"}
    assert len(lines) - len(clip.instead) + len(clip.lines) == 8
    assert list(clip.lines) == without("z80", *lines)[: len(clip.lines)]
