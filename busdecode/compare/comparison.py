"""The whole comparison: align, observe, find; and what could not be told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busdecode.compare.align import align
from busdecode.compare.between import observe_places
from busdecode.compare.meant import meant_by
from busdecode.compare.observe import observe_log
from busdecode.compare.ports import ports_seen
from busdecode.compare.predict import beats_that_matter, foretold
from busdecode.compare.recording import WholeRecording
from busdecode.compare.records import records_of
from busdecode.compare.tabulate import BitPhase, Example, bit_phase, first_examples
from busdecode.compare.told import address_told, lanes_told
from busdecode.compare.vanished import (
    hung_cycle,
    lost_kinds,
    misread_lines,
    short_pulses,
    still_strobes,
)
from busdecode.compare.verdict import Finding, find
from busdecode.cycles import ENDINGS, begins_by_all, why_too_coarse
from busdecode.errors import LogError, RequestError
from busdecode.protocol import event_lines

if TYPE_CHECKING:
    from collections.abc import Container, Mapping

    from numpy.typing import NDArray

    from busdecode.access import AccessLog, Port
    from busdecode.compare.align import Alignment
    from busdecode.compare.meant import Meant
    from busdecode.compare.recording import Recording
    from busdecode.cycles import CycleTable, DecodedPlace
    from busdecode.protocol import Bus

    Ints = NDArray[np.int64]

__all__ = ["Comparison", "compare", "compare_recording", "doubt_of", "matched"]

_LEAST_SHARE = 0.05
"""Where fewer of the logged transfers than this find a beat, the log is of another run."""


@dataclass(frozen=True, eq=False)
class Comparison:
    """What was compared, and what was found.

    Parameters
    ----------
    bus : Bus
    places : tuple of str
    beats : int
        Rows of the cycle table.
    compared : int
        Beats compared.
    unmatched_log, unmatched_beats, ambiguous : int
        Logged transfers without a beat; beats without a logged transfer (other traffic);
        transfers for which two beats fit as well.
    findings : tuple of Finding
        Most telling first.
    columns : tuple of str
        Of the bit x phase table.
    table : tuple of BitPhase
    examples : tuple of Example
        The first three beats of the first finding.
    cannot_tell : str or None
        Why nothing can be said, where that is so.
    doubt : str or None
        Why the findings may be of no worth, where log and capture fit badly.
    notes : tuple of str
    """

    bus: Bus
    places: tuple[str, ...]
    beats: int
    compared: int
    unmatched_log: int
    unmatched_beats: int
    ambiguous: int
    findings: tuple[Finding, ...]
    columns: tuple[str, ...]
    table: tuple[BitPhase, ...]
    examples: tuple[Example, ...]
    cannot_tell: str | None
    doubt: str | None
    notes: tuple[str, ...]


def compare(
    places: Mapping[str, DecodedPlace], log: AccessLog | None = None, *, offset: int = 0
) -> Comparison:
    """Compare what was meant with what the lines show.

    Parameters
    ----------
    places : mapping of str to DecodedPlace
        Every place that was probed, the first being the one whose cycle table counts.
    log : AccessLog, optional
        Without it, the places are held against each other.
    offset : int
        Added to every logged address.

    Raises
    ------
    LogError
        If the log does not fit the bus, or nothing of it is in the capture.
    RequestError
        If there is neither a log nor a second place.
    """
    return compare_recording(WholeRecording(places), log, offset=offset)


class Matched(NamedTuple):
    """What a log meant, which beat each of its transfers is, and by which ports it was read so.

    `notes` tell of a guess.
    """

    meant: Meant
    aligned: Alignment
    port: Port | None
    notes: tuple[str, ...]


def matched(
    table: CycleTable, lines: Container[str], log: AccessLog, *, offset: int = 0
) -> Matched:
    """Say what a log meant, and which beat each of its transfers is.

    Where no beat tells which port the card has, it is taken to be the one with which most
    transfers have a beat, and fewest have none.

    Parameters
    ----------
    table : CycleTable
    lines : container of str
        Those that were captured where the table comes from.
    log : AccessLog
    offset : int
        Added to every logged address.

    Raises
    ------
    LogError
        If the log does not fit the bus.
    """
    found = [_matched_by(port, table, lines, log, offset) for port in ports_seen(table)]
    best = max(found, key=lambda each: np.where(each.aligned.beats >= 0, 1, -1).sum())
    if len(found) == 1 or best.port is None:
        return best
    levels = ", ".join(f"{line} {['low', 'high'][at]}" for line, at in best.port(0).items())
    note = f"no beat shows what port the card has; with {levels} most of the log has a beat"
    return best._replace(notes=(note,))


def _matched_by(
    port: Port | None, table: CycleTable, lines: Container[str], log: AccessLog, offset: int
) -> Matched:
    bus = table.bus
    meant = meant_by(log.accesses, bus, offset=offset, port=port, path=log.source)
    bits = sum(
        1 << bit for line, bit in zip(bus.address, bus.address_bits, strict=True) if line in lines
    )
    bits &= int(np.bitwise_or.reduce(table.used, initial=0))
    kinds = np.unique(meant.kind)
    reach = np.full(len(kinds), np.bitwise_or.reduce(meant.address, initial=0), dtype=np.uint64)
    bits &= int(np.bitwise_and.reduce(address_told(bus, lines, kinds, reach), initial=bits))
    shown = _shown(bus, lines, meant)
    aligned = align(meant.take(shown), table, bits).spread(shown)
    return Matched(meant, aligned, port, ())


def _shown(bus: Bus, lines: Container[str], meant: Meant) -> NDArray[np.bool_]:
    """Tell which transfers have a beat that can be seen, shape (T,).

    Where lane strobes begin beats, one without a captured strobe shows none.
    """
    strobes = event_lines(bus.beat_begins[0])
    if not bus.lane_strobes or not strobes <= set(bus.lane_strobes):
        return np.ones(len(meant), dtype=np.bool_)
    shown: NDArray[np.bool_] = (meant.lanes & np.uint64(lanes_told(bus, lines))) != 0
    return shown


def compare_recording(
    recording: Recording, log: AccessLog | None, *, offset: int = 0
) -> Comparison:
    """Compare what was meant with what a recording shows; else as `compare`."""
    places, table, surveys = recording.places, recording.table, recording.surveys
    first = next(iter(places))
    bus = table.bus
    notes = list(dict.fromkeys(note for place in places.values() for note in place.notes))
    meant: Meant | None = None
    pairs = np.zeros(0, dtype=np.int64)
    unmatched = ambiguous = 0
    hung: Finding | None = None
    doubt: str | None = None
    aligned: Alignment | None = None
    still = still_strobes(surveys)
    if log is None:
        if len(places) < 2:
            raise RequestError(
                "there is no log, and only one place was probed",
                expected="an access log, or channels at two places",
                action="give --log FILE, or name the place of each channel in a probe list",
            )
        beats = np.flatnonzero((table.ended != ENDINGS.index("cut-off")) & (table.kind >= 0))
        looked = recording.look(beats, beats[:0])
        observations = observe_places(looked.views, table, beats)
        notes.append("without a log, a fault that looks alike at every place is not seen")
    else:
        notes += log.notes
        meant, aligned, _, guesses = matched(table, places[first].lines, log, offset=offset)
        notes += guesses
        found = aligned.beats >= 0
        hung = hung_cycle(surveys[first], table)
        likely = int(aligned.is_likely.sum())
        if hung is None and (not likely or likely < _LEAST_SHARE * len(meant)):
            raise LogError(
                f"nothing aligns: {likely} of {len(meant)} logged transfers are in the "
                f"capture's {len(table)} beats" + (f"; {still}" if still else ""),
                path=log.source,
                expected="a log of the run that was captured",
                action="check the files, the bus, the probe list, and --address-offset",
            )
        if aligned.was_cut:
            notes.append(
                "a long stretch of the log had no cycle of its own to hold on to and was aligned "
                "in parts: accesses may count as without a beat"
            )
        ambiguous = int((found & aligned.is_ambiguous).sum())
        unmatched = int((~found).sum())
        pairs = np.where(found & ~aligned.is_ambiguous, aligned.beats, -1)
        beats = pairs[pairs >= 0]
        doubt = doubt_of(aligned)
        looked = recording.look(beats, beats_that_matter(table, meant, pairs))
        told = foretold(
            looked.card,
            table,
            meant,
            pairs,
            captured=places.get("card", places[first]).lines,
            shows_all=begins_by_all(bus, places[first].lines),
        )
        observations = observe_log(looked.views, table, meant, pairs, told)
        observations += observe_places(looked.views, table, beats)
    views = looked.views
    records = records_of(observations, views)
    findings = find(records, views, {name: surveys[name] for name in views}, table)
    if aligned is not None and meant is not None:
        # A bus that hangs loses what would have come after: no line of it is at fault for that.
        lost = [] if hung is not None else lost_kinds(surveys[first], meant, aligned)
        known = {line for each in findings for line in each.lines}
        findings = [each for each in lost if not known & set(each.lines)] + findings
        doubt = None if lost else doubt or short_pulses(surveys)
        misread = misread_lines(first, table, meant, aligned)
        if misread is not None and not findings:
            findings.append(misread)
    if hung is not None and not any(set(hung.lines) <= set(each.lines) for each in findings):
        findings.append(hung)
    unchecked = [
        line
        for line in bus.line_names
        if any(line in view.index for view in views.values())
        and not (line in records and records[line].is_told)
        and bus.line(line).role not in ("clock", "strobe")
    ]
    if unchecked and len(beats) and log is not None:
        notes.append(f"not checked, since nothing tells what they should show: {_few(unchecked)}")
    resolution = max(place.resolution for place in places.values())
    cannot_tell = why_too_coarse(bus, resolution, max(place.skew for place in places.values()))
    if cannot_tell is not None:
        if findings:
            lines = list(dict.fromkeys(line for each in findings for line in each.lines))
            notes.append(f"differences that may come of the sampling: {', '.join(lines[:8])}")
        findings = []
    if not len(beats) and not findings:
        why = f"no beat could be compared{f'; {still}' if still else ''}"
        cannot_tell = cannot_tell or f"cannot tell: {why}"
    columns, rows = bit_phase(records, bus, meant, pairs)
    return Comparison(
        bus=bus,
        places=tuple(places),
        beats=len(table),
        compared=len(beats),
        unmatched_log=unmatched,
        unmatched_beats=len(table) - len(np.unique(beats)),
        ambiguous=ambiguous,
        findings=tuple(findings),
        columns=columns,
        table=rows,
        examples=first_examples(findings, table, views, meant, pairs, log),
        cannot_tell=cannot_tell,
        doubt=doubt,
        notes=(*notes, *recording.notes),
    )


def _few(lines: list[str]) -> str:
    return (
        ", ".join(lines) if len(lines) <= 8 else f"{', '.join(lines[:7])} and {len(lines) - 7} more"
    )


def doubt_of(aligned: Alignment) -> str | None:
    """Tell where log and capture fit so badly that the log may be of another run."""
    found = np.flatnonzero(aligned.beats >= 0)
    if not len(found):
        return None
    inside = aligned.beats[found[0] : found[-1] + 1]
    lost = int((inside < 0).sum())
    if not aligned.is_exact.any():
        return (
            f"none of the {len(found)} logged transfers that were aligned agrees with its beat in "
            "every bit; the log may be of another run, or its addresses may need an offset"
        )
    if lost * 5 > len(inside):
        return (
            f"{lost} of {len(inside)} logged transfers have no beat between the first and the last "
            "that were aligned; the log may be of another run"
        )
    return None
