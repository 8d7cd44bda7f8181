"""``busdecode diagnose``: all evidence of one repair together, and what to measure next."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import click

from busdecode.cli.options import FILE, json_option, opened
from busdecode.cli.progress import Pace, showing_progress
from busdecode.cli.taught import Taught
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from busdecode.case import Case, CaseCapture
    from busdecode.compare import Recording
    from busdecode.cycles import Looks
    from busdecode.diagnosis import Evidence, NamedCapture, NamedLog, Oddity
    from busdecode.errors import CaptureError
    from busdecode.protocol import Bus

__all__ = ["command"]


@click.command(
    "diagnose",
    cls=Taught,
    help="""Name the cause by all evidence of a repair together: logs of writes and reads,
    captures of some or all lines, and readings of a meter. CASE is a TOML file that names
    them, with the bus. Every single fault of a line and every pair of lines foretells what
    each piece would show; candidates that foretell the same are one answer.

    Captures of the same log, each of a few lines, are joined cycle by cycle. What follows
    from tied strobes is worked out by making the run again, for the few candidates that need it.
    It says what to do next: accesses to make, a line to clip on, two points to beep.

    The writes that it proposes go to live addresses: they can destroy data, or hang the machine.
    Beep with the power off and capacitors discharged.""",
    example="""
    busdecode diagnose captures/brackenmoor/case.toml
    Weighs the log and the captures that the case names, and prints the cause, how each piece
    of evidence bears on it, and what to measure next.
    """,
    statuses={
        0: "nothing wrong was found, or it cannot be told (which is said)",
        1: "something is wrong on the bus",
        2: "the case, or a file that it names, could not be used",
    },
)
@click.argument("case_path", metavar="CASE", type=FILE)
@json_option
def command(case_path: Path, as_json: bool) -> int:
    """Weigh a case, and print the verdict."""
    # Imported here, so that help need not wait for them.
    from busdecode.case import read_case
    from busdecode.diagnosis import (
        beeped,
        diagnose,
        fares,
        gather,
        next_measures,
        pieces_of,
        reached_window,
        unseen_by,
    )
    from busdecode.predict import Model, candidates
    from busdecode.report import Diagnosis, diagnosis_object, diagnosis_text

    case = read_case(case_path)
    bus = case.bus
    model, faults = Model(bus), candidates(bus)
    _has_evidence(case)
    with showing_progress(str(case_path)) as show:
        logs = _logs(case)
        captures = _captures(case, bus, show)
        gathered = gather(model, logs, captures, show)
        evidence: list[Evidence] = [*gathered.logs]
        readings = [(*each.lines, each.tied) for each in case.measured if each.state == "before"]
        if readings:
            evidence.append(beeped(model, readings))
        seen, judgement = diagnose(evidence, gathered.recorded, faults, show)
        first = judgement.groups[0].faults[0] if judgement.groups else None
        odd, unseen = _odd(logs, captures)
        show("what to measure next")
        accesses = [
            replace(access, address=access.address + each.offset)
            for each in logs
            for access in each.log.accesses
        ]
        captured = list(
            dict.fromkeys(
                line
                for each in captures
                for place in each.recording.places.values()
                for line in place.lines
            )
        )
        measures = next_measures(
            seen,
            judgement,
            gathered.recorded,
            reached_window(bus, accesses),
            offset=logs[0].offset if logs else 0,
            channels=case.channels,
            fixed=case.fixed,
            beeped=[frozenset((one, other)) for one, other, _ in readings],
        )
    told = Diagnosis(
        judgement,
        bus,
        case.title or case_path.stem,
        pieces_of(seen),
        [] if first is None else fares(seen, first),
        odd,
        measures,
        [*unseen_by(bus, captured, accesses), *unseen],
        [*_left_out(case), *gathered.notes],
    )
    if as_json:
        print(json.dumps(diagnosis_object(told), indent=2))
    else:
        print(diagnosis_text(told), end="")
    return int(judgement.healthy is False or bool(odd))


def _has_evidence(case: Case) -> None:
    """Refuse a case of which nothing is left to judge."""
    from busdecode.errors import CaseError

    states = [
        *(each.state for each in case.logs),
        *(each.state for each in case.captures),
        *(each.state for each in case.measured),
    ]
    if "before" not in states:
        raise CaseError(
            "all that the case names was taken after the mend",
            path=case.path,
            expected="a log, a capture or a reading of the meter from before it",
            action="leave out state = 'after' where the fault was still there",
        )


def _logs(case: Case) -> list[NamedLog]:
    from busdecode.access import read_log
    from busdecode.diagnosis import NamedLog

    found = []
    for each in case.logs:
        if each.state == "before":
            log = read_log(each.file, each.pattern)
            found.append(NamedLog(each.name, log, each.address_offset))
    return found


def _captures(case: Case, bus: Bus, show: Callable[[str], None]) -> list[NamedCapture]:
    from busdecode.diagnosis import NamedCapture
    from busdecode.errors import CaptureError

    mine = [each for each in case.captures if each.state == "before"]
    shared = [each.log for each in mine if each.log is not None]
    found = []
    for each in mine:
        try:
            recording = _recording(each, bus, show)
        except CaptureError as error:
            raise _in_case(error) from None
        looks = None
        if each.log is not None and shared.count(each.log) > 1:
            looks = _looks(recording, bus)
        found.append(NamedCapture(each.name, recording, each.log, looks))
    return found


def _recording(each: CaseCapture, bus: Bus, show: Callable[[str], None]) -> Recording:
    from busdecode.capture import read_probes
    from busdecode.compare import read_recording
    from busdecode.cycles import bind

    capture = opened(each.file, None, each.told)
    probes = None if each.probes is None else read_probes(each.probes)
    binding = bind(capture.lines, bus, probes, None)
    capture.only(tuple(bound.channel for bound in binding.channels))

    def begin(what: str) -> Callable[[], None]:
        pace = Pace(capture.source)
        show(f"{each.name}, {what}")
        return lambda: show(f"{each.name}, {what}: {pace}")

    return read_recording(capture, bus, binding, begin=begin)


def _in_case(error: CaptureError) -> CaptureError:
    """Say how a case tells what other commands take as an option."""
    if error.action is None or "--" not in error.action:
        return error
    return error.doing(f"{error.action}; in a case it is a key of the capture, without --")


def _looks(recording: Recording, bus: Bus) -> Looks | None:
    """Give what a capture of one place shows beat by beat, where it is held in memory."""
    from busdecode.compare import WholeRecording
    from busdecode.cycles import looks_of

    if not isinstance(recording, WholeRecording) or len(recording.decoded) > 1:
        return None
    place = next(iter(recording.decoded.values()))
    return looks_of(bus, place.capture, skew=place.skew)


def _odd(
    logs: Sequence[NamedLog], captures: Sequence[NamedCapture]
) -> tuple[list[tuple[str, Oddity]], list[str]]:
    """Find what is odd in each capture, and what none of them can show."""
    from busdecode.diagnosis import oddities_of

    known = {each.name: each for each in logs}
    odd: list[tuple[str, Oddity]] = []
    unseen: list[set[str]] = []
    for each in captures:
        log = known.get(each.log or "")
        found = oddities_of(
            each.recording,
            None if log is None else log.log,
            offset=0 if log is None else log.offset,
        )
        odd += [(each.name, one) for one in found.found]
        unseen.append(set(found.unseen))
    return odd, sorted(set.intersection(*unseen)) if unseen else []


def _left_out(case: Case) -> list[str]:
    after = [each.name for each in case.logs if each.state == "after"]
    after += [each.name for each in case.captures if each.state == "after"]
    readings = sum(each.state == "after" for each in case.measured)
    after += [f"{counted(readings, 'reading')} of the meter"] * bool(readings)
    return [f"taken after the mend, and left out here: {', '.join(after)}"] if after else []
