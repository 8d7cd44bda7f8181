"""The whole comparison: align, observe, find; and what could not be told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdecode.compare.align import align
from busdecode.compare.between import observe_places
from busdecode.compare.meant import meant_by
from busdecode.compare.observe import TAKEN, observe_log
from busdecode.compare.verdict import Finding, LineRecord, find, records_of
from busdecode.compare.view import view_place
from busdecode.cycles import DIRECTIONS, ENDINGS
from busdecode.errors import LogError, RequestError
from busdecode.units import format_time

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from busdecode.access import AccessLog
    from busdecode.compare.align import Alignment
    from busdecode.compare.meant import Meant
    from busdecode.compare.view import PlaceView
    from busdecode.cycles import CycleTable, DecodedPlace
    from busdecode.protocol import Bus

    Ints = NDArray[np.int64]

__all__ = ["BitPhase", "Comparison", "Example", "compare"]

_LEAST_SHARE = 0.05
"""Where fewer of the logged transfers than this find a beat, the log is of another run."""


@dataclass(frozen=True)
class BitPhase:
    """One line's row of the bit x phase table: for each column (wrong, compared) or None."""

    line: str
    cells: tuple[tuple[int, int] | None, ...]


@dataclass(frozen=True)
class Example:
    """One failing beat: when, what was meant, what the failing place showed.

    `address_seen` is the address on the lines, where its word is not the one meant.
    """

    cycle: int
    beat: int
    start: int
    op: str
    address: int
    address_seen: int | None
    meant: str
    seen: str
    lines: tuple[str, ...]
    log_line: int


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
    first = next(iter(places.values()))
    bus, table = first.bus, first.table
    notes = list(dict.fromkeys(note for place in places.values() for note in place.notes))
    views = {name: view_place(place) for name, place in places.items() if len(place.capture)}
    meant: Meant | None = None
    pairs = np.zeros(0, dtype=np.int64)
    unmatched = ambiguous = 0
    hung: Finding | None = None
    doubt: str | None = None
    aligned: Alignment | None = None
    still = _still(places)
    if log is None:
        if len(places) < 2:
            raise RequestError(
                "there is no log, and only one place was probed",
                expected="an access log, or channels at two places",
                action="give --log FILE, or name the place of each channel in a probe list",
            )
        beats = np.flatnonzero((table.ended != ENDINGS.index("cut-off")) & (table.kind >= 0))
        observations = observe_places(views, table, beats)
        notes.append("without a log, a fault that looks alike at every place is not seen")
    else:
        notes += log.notes
        meant = meant_by(log.accesses, bus, offset=offset, path=log.source)
        captured = sum(
            1 << bit
            for line, bit in zip(bus.address, bus.address_bits, strict=True)
            if line in first.capture.lines
        )
        aligned = align(meant, table, captured)
        found = aligned.beats >= 0
        hung = _hung(first)
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
        doubt = _doubt(aligned)
        observations = observe_log(views, table, meant, pairs)
        observations += observe_places(views, table, beats)
    records = records_of(observations, views)
    findings = find(records, views)
    if aligned is not None and meant is not None:
        lost = _lost_kinds(first, meant, aligned)
        known = {line for each in findings for line in each.lines}
        findings = [each for each in lost if not known & set(each.lines)] + findings
        doubt = None if lost else doubt
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
    cannot_tell = None
    resolution = max(place.capture.resolution for place in places.values())
    if resolution * 2 > bus.shortest_pulse:
        needed = format_time(bus.shortest_pulse // 2)
        cannot_tell = (
            f"cannot tell at this sample period: {format_time(resolution)} is more than half "
            f"of the shortest pulse of {bus.name}, {format_time(bus.shortest_pulse)}; "
            f"sample every {needed} or faster"
        )
        if findings:
            lines = list(dict.fromkeys(line for each in findings for line in each.lines))
            notes.append(f"differences that may come of the sample period: {', '.join(lines[:8])}")
        findings = []
    skew = max(place.skew for place in places.values())
    if cannot_tell is None and skew * 2 > bus.shortest_pulse:
        cannot_tell = (
            f"cannot tell: the channels' skew of {format_time(skew)} is more than half of the "
            f"shortest pulse of {bus.name}, {format_time(bus.shortest_pulse)}"
        )
        findings = []
    if not len(beats) and not findings:
        why = f"no beat could be compared{f'; {still}' if still else ''}"
        cannot_tell = cannot_tell or f"cannot tell: {why}"
    columns, rows = _bit_phase(records, bus, meant, pairs)
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
        examples=_examples(findings, table, views, meant, pairs, log),
        cannot_tell=cannot_tell,
        doubt=doubt,
        notes=tuple(notes),
    )


def _few(lines: list[str]) -> str:
    return (
        ", ".join(lines) if len(lines) <= 8 else f"{', '.join(lines[:7])} and {len(lines) - 7} more"
    )


def _still(places: Mapping[str, DecodedPlace]) -> str | None:
    """Tell which strobes never move in the capture; None where all that were captured do."""
    told: dict[str, list[str]] = {}
    for name, place in places.items():
        bus, capture = place.bus, place.capture
        for line in capture.lines:
            if bus.line(line).role != "strobe" or not len(capture):
                continue
            levels = capture.levels(line)
            if (levels == levels[0]).all() and levels[0] < 2:
                told.setdefault(f"{line} stays {'high' if levels[0] else 'low'}", []).append(name)
    parts = [f"{what} at {' and '.join(where)}" for what, where in told.items()]
    return f"in the whole capture {', '.join(parts)}" if parts else None


def _doubt(aligned: Alignment) -> str | None:
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


def _lost_kinds(place: DecodedPlace, meant: Meant, aligned: Alignment) -> list[Finding]:
    """Find lines that never leave one level, and so keep all cycles of a logged kind away."""
    bus, capture = place.bus, place.capture
    found: list[Finding] = []
    for at in np.unique(meant.kind).tolist():
        mine = meant.kind == at
        lost = int((aligned.beats[mine] < 0).sum())
        if lost < max(3, 0.9 * int(mine.sum())):
            continue
        kind = bus.kinds[at]
        wanted = {
            line: value >> bit & 1
            for lines, value in kind.levels
            for bit, line in enumerate(reversed(lines))
        }
        rivals = {
            line: 1 - (value >> bit & 1)
            for other in bus.kinds[:at]
            if other.direction == kind.direction
            for lines, value in other.levels
            for bit, line in enumerate(reversed(lines))
            if line not in wanted
        }
        for line, level in (*wanted.items(), *rivals.items()):
            role = bus.line(line).role
            if line not in capture.lines or role in ("address", "data", "address and data"):
                continue
            levels = capture.levels(line)
            if not (levels == 1 - level).all():
                continue
            shown = "high" if levels[0] else "low"
            phase = bus.take["direction" if role == "direction" else "kind"].phase
            found.append(
                Finding(
                    lines=(line,),
                    twins=(),
                    phase=phase,
                    path="control",
                    places=(place.place,),
                    wrong=lost,
                    compared=int(mine.sum()),
                    condition=None,
                    sentence=f"{line} stays {shown} in the whole capture at the {place.place}: "
                    f"{lost} of {int(mine.sum())} logged cycles of kind {kind.name} are not "
                    f"there; first in the {phase} phase, on the control lines.",
                    beats=(),
                )
            )
    return found


def _hung(place: DecodedPlace) -> Finding | None:
    """Find a last cycle that waits for its acknowledge until the capture ends."""
    bus, table, capture = place.bus, place.table, place.capture
    lines = [line for line in bus.ending.acknowledged if line in capture.lines]
    if not len(table) or not lines or bus.ending.timeout is None:
        return None
    if table.ended[-1] != ENDINGS.index("cut-off"):
        return None
    open_for = int(table.end[-1] - table.start[-1])
    since = np.searchsorted(capture.times, table.start[-1], "right") - 1
    asserted = [
        bool((capture.levels(line)[since:] == bus.asserted_level(line)).any()) for line in lines
    ]
    if open_for < bus.ending.timeout or any(asserted):
        return None
    return Finding(
        lines=(lines[0],),
        twins=tuple((line,) for line in lines[1:]),
        phase="acknowledge",
        path="acknowledge",
        places=(place.place,),
        wrong=1,
        compared=1,
        condition=None,
        sentence=f"{lines[0]} never becomes asserted in the last cycle, which has been open for "
        f"{format_time(open_for)} when the capture ends; first in the acknowledge phase, on the "
        "way of the acknowledge.",
        beats=(len(table) - 1,),
    )


def _bit_phase(
    records: Mapping[str, LineRecord],
    bus: Bus,
    meant: Meant | None,
    pairs: Ints,
) -> tuple[tuple[str, ...], tuple[BitPhase, ...]]:
    """Sum the observations: one row a failing line, one column a phase, and the read-back."""
    phases = [*bus.phase_names[:-1], TAKEN, "release"]
    columns = [*phases, "read back"]
    back: dict[str, tuple[int, int]] = {}
    if meant is not None:
        compared = meant.moved_known & meant.data_known
        compared[meant.direction != 1] = 0
        wrong = (meant.moved ^ meant.data) & compared
        for bit, line in enumerate(reversed(bus.data)):
            one = np.uint64(1)
            asked = int(((compared >> np.uint64(bit)) & one).sum())
            if asked:
                back[line] = (int(((wrong >> np.uint64(bit)) & one).sum()), asked)
    rows = []
    for line in bus.line_names:
        record = records.get(line)
        has_failed = record is not None and record.failing()
        if not has_failed and not back.get(line, (0, 0))[0]:
            continue
        cells: list[tuple[int, int] | None] = []
        for phase in phases:
            mine = [look for look in record.looks if look.phase == phase] if record else []
            if not mine:
                cells.append(None)
                continue
            bad = np.unique(np.concatenate([look.wrong for look in mine]))
            asked_beats = np.unique(np.concatenate([look.beats for look in mine]))
            cells.append((len(bad), len(asked_beats)))
        cells.append(back.get(line))
        rows.append(BitPhase(line, tuple(cells)))
    return tuple(columns), tuple(rows)


def _examples(
    findings: list[Finding],
    table: CycleTable,
    views: Mapping[str, PlaceView],
    meant: Meant | None,
    pairs: Ints,
    log: AccessLog | None,
) -> tuple[Example, ...]:
    """Describe the first failing beats of the first finding, as the place that fails shows them."""
    if not findings or not findings[0].places:
        return ()
    bus = table.bus
    view = views[findings[0].places[-1]]
    found = []
    which = np.array(findings[0].beats[:3], dtype=np.int64)
    text = table.take(which).as_text()
    addresses, data = _as_shown(view, table, which)
    digits = -(-len(bus.data) // 4)
    for at, row in enumerate(which.tolist()):
        transfers = np.flatnonzero(pairs == row)
        intended, op, line = "", str(text["kind"].iloc[at]), 0
        address, seen = addresses[at], str(text["data"].iloc[at])
        if meant is not None and log is not None and len(transfers):
            transfer = int(transfers[0])
            access = log.accesses[int(meant.access[transfer])]
            op, line = access.op, access.line
            address = int(meant.address[transfer])
            intended = _word(int(meant.data[transfer]), int(meant.data_known[transfer]), digits)
        if seen:
            seen = _word(data[at], int(table.data_known[row]), digits)
        word = addresses[at] // bus.word_bytes
        found.append(
            Example(
                int(table.cycle[row]),
                int(table.beat[row]),
                int(table.start[row]),
                op,
                address,
                None if word == address // bus.word_bytes else addresses[at],
                intended,
                seen,
                findings[0].lines,
                line,
            )
        )
    return tuple(found)


def _as_shown(view: PlaceView, table: CycleTable, which: Ints) -> tuple[list[int], list[int]]:
    """Give address and data of beats as the lines of one place showed them."""
    bus = table.bus
    moment = bus.take["address"]
    shot = view.sample(moment, table.phase(moment.phase)[which])
    addresses = view.number(shot.states, bus.address, bus.address_bits)
    addresses = np.where(table.beat[which] == 0, addresses, table.address[which])
    data = np.zeros(len(which), dtype=np.uint64)
    for path in ("read", "write"):
        mine = table.direction[which] == DIRECTIONS.index(path)
        moment = bus.take[path]
        shot = view.sample(moment, table.phase(moment.phase)[which])
        numbers = view.number(shot.states, bus.data, range(len(bus.data) - 1, -1, -1))
        data = np.where(mine, numbers, data)
    return addresses.tolist(), data.tolist()


def _word(data: int, known: int, digits: int) -> str:
    """Write a word; digits of which nothing is meant are ``-``, partly meant ``?``."""
    if not known:
        return ""
    text = ""
    for digit in range(digits - 1, -1, -1):
        here = known >> 4 * digit & 0xF
        text += "-" if not here else f"{data >> 4 * digit & 0xF:X}" if here == 0xF else "?"
    return f"0x{text}"
