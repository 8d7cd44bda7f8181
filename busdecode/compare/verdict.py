"""Observations to findings: which lines fail, first in which phase, on which path, and when."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture import pack_levels
from busdecode.compare.alike import looks_alike, mutually_crossed, tied_strobes
from busdecode.compare.observe import TAKEN
from busdecode.compare.parting import parting_of
from busdecode.compare.records import LineRecord, union
from busdecode.compare.relate import Behaviour, behaviour_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.compare.survey import PlaceSurvey
    from busdecode.compare.view import PlaceView
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

__all__ = ["Finding", "find"]

_PATHS = ("address", "control", "acknowledge", "write", "read", "stored", "undetermined")
_LEVEL = {0: "low", 1: "high"}
_PAIRS = ("tied", "crossed", "exchanged")
"""How lines behave that are one finding together."""


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong.

    Parameters
    ----------
    lines : tuple of str
        Names as in the description.
    twins : tuple of tuple of str
        Other sets of lines that the evidence cannot tell from `lines`.
    phase, path : str
        Where it shows first.
    places : tuple of str
    wrong, compared : int
        Beats.
    condition : str or None
        For which values it happens.
    sentence : str
    beats : tuple of int
        Rows of the cycle table that fail, in order.
    is_determined : bool
        False where the lines only show a wrong level, and nothing tells why.
    """

    lines: tuple[str, ...]
    twins: tuple[tuple[str, ...], ...]
    phase: str
    path: str
    places: tuple[str, ...]
    wrong: int
    compared: int
    condition: str | None
    sentence: str
    beats: tuple[int, ...]
    is_determined: bool = True


@dataclass
class _Group:
    lines: list[str]
    behaviour: Behaviour
    how: str
    twins: list[tuple[str, ...]] = field(default_factory=list)
    at: str | None = None
    """The one place that shows how the lines behave; None where all do."""


def find(
    records: Mapping[str, LineRecord],
    views: Mapping[str, PlaceView],
    surveys: Mapping[str, PlaceSurvey],
    table: CycleTable,
) -> list[Finding]:
    """Make findings of the failing lines, most telling first.

    Lines that are tied or crossed come before what may be a consequence of it.
    """
    bus = next(iter(views.values())).bus
    failing = [record for record in records.values() if record.failing()]
    order = {record.line: _first(record, bus)[0] for record in failing}
    failing.sort(key=lambda record: (order[record.line], -len(record.wrong_beats())))
    groups: list[_Group] = []
    taken: set[str] = set()
    for record in failing:
        if record.line in taken:
            continue
        group = _group(record, records, surveys, bus)
        group.lines = [line for line in group.lines if line not in taken or line == record.line]
        if group.how in _PAIRS and len(group.lines) < 2:
            group = _Group(group.lines, Behaviour(), "differs")
        taken.update(group.lines)
        groups.append(group)
    groups = _merged(groups, records, bus)
    for group in groups:
        group.twins += looks_alike(group.lines, group.how, records, views, surveys, table)
    findings = [_finding(group, records, bus, tuple(views)) for group in groups]
    known = frozenset(line for group in groups if group.how in _PAIRS for line in group.lines)
    tied = [_tied_only(pair, table, tuple(views)) for pair in tied_strobes(surveys, known)]
    findings += tied
    related = {frozenset(group.lines) for group in groups if group.how in _PAIRS}
    related |= {frozenset(each.lines) for each in tied}
    names = bus.phase_names
    findings.sort(
        key=lambda each: (
            frozenset(each.lines) not in related,
            names.index(each.phase),
            _PATHS.index(each.path),
            -each.wrong,
            each.lines,
        )
    )
    return findings


_NEVER = "though one of them is a strobe"


def _tied_only(pair: tuple[str, str], table: CycleTable, places: tuple[str, ...]) -> Finding:
    """Make the finding of a strobe that is never seen to differ from another line."""
    lines = tuple(sorted(pair, key=table.bus.line_names.index))
    where = "" if len(places) < 2 else " at the " + " and the ".join(places)
    count = len(table)
    return Finding(
        lines=lines,
        twins=(),
        phase="address",
        path="control",
        places=places,
        wrong=count,
        compared=count,
        condition=_NEVER,
        sentence=f"{_listed(lines)} always show the same level{where}: in all {count} beats, "
        f"{_NEVER}; first in the address phase, on the control lines.",
        beats=(),
    )


def _first(record: LineRecord, bus: Bus) -> tuple[int, str, str]:
    """Give the index of the first failing phase, its path, and the place."""
    names = bus.phase_names
    best: tuple[int, int, str, str] | None = None
    for look in record.failing():
        at = len(names) - 2 if look.phase == TAKEN else names.index(look.phase)
        key = (at, _PATHS.index(look.path), look.path, look.place)
        if best is None or key < best:
            best = key
    assert best is not None
    return best[0], best[2], best[3]


def _is_late(record: LineRecord) -> bool:
    """Tell whether the line is wrong only before its data is taken, and right then."""
    failing = record.failing()
    if any(look.path not in ("write", "read") for look in failing):
        return False
    if any(look.phase in (TAKEN, "release") for look in failing):
        return False
    wrong = record.wrong_beats()
    sure = [look.beats for look in record.looks if look.phase == TAKEN]
    return bool(np.isin(wrong, union(sure)).all())


def _group(
    record: LineRecord,
    records: Mapping[str, LineRecord],
    surveys: Mapping[str, PlaceSurvey],
    bus: Bus,
) -> _Group:
    line = record.line
    places = list(dict.fromkeys(look.place for look in record.failing()))
    if _is_late(record):
        return _Group([line], Behaviour(), "late")
    everywhere = {place: behaviour_of(line, place, surveys) for place in surveys}
    behaviours = [everywhere[place] for place in places]
    for behaviour in behaviours:
        if behaviour.crossed:
            mutual = [
                other
                for other in behaviour.crossed
                if any(line in behaviour_of(other, place, surveys).crossed for place in surveys)
            ]
            chosen = mutual or list(behaviour.crossed)
            twins: list[tuple[str, ...]] = [(line, other) for other in chosen[1:]]
            return _Group([line, chosen[0]], behaviour, "crossed", twins)
    # One node shows at every place.
    partners = [
        other
        for other in behaviours[0].equal
        if all(other in each.equal for each in everywhere.values())
        and _could_tell(line, other, records)
    ]
    if partners:
        failing_too = [other for other in partners if other in records and records[other].failing()]
        if failing_too:
            return _Group([line, *failing_too], behaviours[0], "tied")
        ties: list[tuple[str, ...]] = [(line, other) for other in partners[1:]]
        return _Group([line, partners[0]], behaviours[0], "tied", ties)
    crossed_with = mutually_crossed(line, records)
    if crossed_with is not None:
        return _Group([line, crossed_with], Behaviour(), "exchanged")
    for place, behaviour in zip(places, behaviours, strict=True) if record.is_apart else ():
        # A tie behind one slot's buffers shows at that place only.
        nearby = [
            other
            for other in behaviour.equal
            if other in records and records[other].failing() and _could_tell(line, other, records)
        ]
        if nearby:
            return _Group([line, nearby[0]], behaviour, "tied", at=place)
    constant = [each for each in behaviours if each.constant is not None]
    if constant and (len(constant) == len(behaviours) or not record.is_apart):
        return _Group([line], constant[0], "constant")
    perhaps: list[tuple[str, ...]] = [
        (line, other)
        for other in behaviours[0].perhaps
        if all(other in each.perhaps for each in everywhere.values())
        and _could_tell(line, other, records)
    ]
    how = "apart" if record.is_apart else "differs"
    return _Group([line], Behaviour(), how, perhaps)


def _could_tell(line: str, other: str, records: Mapping[str, LineRecord]) -> bool:
    """Tell whether the two were ever meant to differ, as far as is known."""
    if other not in records:
        return True
    levels: dict[int, set[bool]] = {}
    told, theirs = records[line].looks, records[other].looks
    if all(look.path == "acknowledge" for look in (*told, *theirs)):
        # That a beat was answered at all is no level of one line.
        told = [look for look in told if look.is_quiet]
        theirs = [look for look in theirs if look.is_quiet]
    for look in told:
        for beat, level in zip(look.beats.tolist(), look.meant.tolist(), strict=True):
            levels.setdefault(beat, set()).add(level)
    for look in theirs:
        for beat, level in zip(look.beats.tolist(), look.meant.tolist(), strict=True):
            if beat in levels and levels[beat] != {level}:
                return True
    return False


def _merged(groups: Sequence[_Group], records: Mapping[str, LineRecord], bus: Bus) -> list[_Group]:
    """Join lines that are late in the same way, and many lines that fail alike."""
    out: list[_Group] = []
    together: dict[tuple[object, ...], list[_Group]] = {}
    for group in groups:
        record = records[group.lines[0]]
        at, path, place = _first(record, bus)
        if group.how == "late":
            together.setdefault(("late", path), []).append(group)
        elif group.how == "differs":
            together.setdefault(("differs", at, path, place), []).append(group)
        else:
            out.append(group)
    for key, members in together.items():
        if key[0] == "late" or len(members) >= 4:
            lines = [member.lines[0] for member in members]
            out.append(_Group(lines, Behaviour(), str(key[0])))
        else:
            out += members
    return out


def _finding(
    group: _Group, records: Mapping[str, LineRecord], bus: Bus, places: tuple[str, ...]
) -> Finding:
    mine = [records[line] for line in group.lines if line in records]
    failing = [record for record in mine if record.failing()]
    at, path, _ = min(
        (_first(record, bus) for record in failing),
        key=lambda each: (each[0], _PATHS.index(each[1])),
    )
    phase = bus.phase_names[at]
    wrong = union([record.wrong_beats() for record in failing])
    compared = union([record.compared_beats() for record in mine])
    shown = tuple(
        name
        for name in places
        if any(name == look.place for record in failing for look in record.failing())
    )
    shown = shown if group.at is None else (group.at,)
    also = {look.path for record in failing for look in record.failing()}
    if path == "read" and group.how not in ("late", *_PAIRS) and also == {"read"}:
        path = _stored(failing, places)
    condition = _condition(group, records, bus)
    twins = tuple(tuple(sorted(pair, key=bus.line_names.index)) for pair in group.twins)
    lines = tuple(sorted(group.lines, key=bus.line_names.index))
    sentence = _sentence(
        lines, group, bus, phase, path, shown, places, condition, len(wrong), len(compared), also
    )
    return Finding(
        lines,
        twins,
        phase,
        path,
        shown,
        len(wrong),
        len(compared),
        condition,
        sentence,
        tuple(int(beat) for beat in wrong),
        group.how != "differs" or condition is not None or path in ("stored", "undetermined"),
    )


def _stored(failing: Sequence[LineRecord], places: tuple[str, ...]) -> str:
    """Say whether wrong reads come from what was stored, or from the way back."""
    at = {look.place for record in failing for look in record.failing()}
    if len(places) > 1 and "card" in places and "card" not in at:
        return "read"
    is_written = any(look.path == "write" for record in failing for look in record.looks)
    return "stored" if is_written else "undetermined"


def _condition(group: _Group, records: Mapping[str, LineRecord], bus: Bus) -> str | None:
    if group.how == "tied" and len(group.lines) == 2:
        return _rule(group.lines[0], group.lines[1], records)
    if group.how in ("late", *_PAIRS) or len(group.lines) != 1:
        return None
    record = records[group.lines[0]]
    path = _first(record, bus)[1]
    mine = [look for look in record.looks if look.path == path and not look.is_between]
    mine = mine or [look for look in record.looks if look.path == path]
    meant = np.concatenate([look.meant for look in mine])
    wrong = np.concatenate([look.is_wrong for look in mine])
    if bus.line(record.line).role not in ("address", "data", "address and data"):
        return _other_line(record, records)
    if wrong.any() and (wrong == meant).all():
        return "whenever it should be high"
    if wrong.any() and (wrong == ~meant).all():
        return "whenever it should be low"
    return _other_line(record, records)


def _rule(line: str, other: str, records: Mapping[str, LineRecord]) -> str:
    """Say who decides where two tied lines are meant to differ."""
    shown: dict[str, set[bool]] = {}
    for name in (line, other):
        if name in records:
            for look in records[name].failing():
                levels_shown = ~look.meant[look.is_wrong]
                shown.setdefault(name, set()).update(levels_shown.tolist())
    levels = set().union(*shown.values())
    if len(shown) == 1 and len(levels) == 2:
        loser = next(iter(shown))
        winner = other if loser == line else line
        return f"where {line} and {other} should differ; {winner} decides"
    if levels == {False}:
        return f"where {line} and {other} should differ; low wins"
    if levels == {True}:
        return f"where {line} and {other} should differ; high wins"
    return f"where {line} and {other} should differ"


def _other_line(record: LineRecord, records: Mapping[str, LineRecord]) -> str | None:
    """Find the one other line whose meant level parts failing beats from right ones."""
    beats, wrong = record.compared_beats(), record.wrong_beats()
    names = [name for name in records if name != record.line]
    if len(wrong) < 3 or len(beats) - len(wrong) < 3 or not names:
        return None
    levels = np.zeros((len(beats), len(names)), dtype=np.uint8)
    known = np.zeros_like(levels)
    for at, name in enumerate(names):
        for look in records[name].looks:
            _, theirs, rows = np.intersect1d(look.beats, beats, return_indices=True)
            levels[rows, at] = look.meant[theirs]
            known[rows, at] = 1
    parting = parting_of(np.isin(beats, wrong), pack_levels(levels), pack_levels(known), names)
    exact = np.array([len(wrong), 0, 0, len(beats) - len(wrong)])
    fits = np.argwhere((parting.tables() == exact).all(axis=2)).tolist()
    if len(fits) != 1:
        return None
    line, level = fits[0]
    return f"when {names[line]} is {_LEVEL[level]}"


_WHILE = {
    "address": "on the address",
    "control": "on the control lines",
    "acknowledge": "on the way of the acknowledge",
    "write": "while the host drives",
    "read": "while the card drives",
    "stored": "in what was stored",
    "undetermined": "in what was stored or on its way back, since no write was compared",
}


def _sentence(
    lines: Sequence[str],
    group: _Group,
    bus: Bus,
    phase: str,
    path: str,
    shown: Sequence[str],
    places: Sequence[str],
    condition: str | None,
    wrong: int,
    compared: int,
    also: set[str],
) -> str:
    name = _listed(lines)
    many = len(lines) > 1
    where = "" if len(places) < 2 else " at the " + " and the ".join(shown)
    if group.how == "tied":
        start = f"{name} always show the same level{where}"
    elif group.how == "crossed":
        start = f"{name} are crossed between {' and '.join(places)}"
    elif group.how == "exchanged":
        start = f"{name} each show what the other should{where}"
    elif group.how == "apart":
        start = f"{name} differs between {' and '.join(places)}"
    elif group.how == "late":
        start = f"data on {name} {'come' if many else 'comes'} late{where}, but before it is taken"
    elif group.how == "constant":
        assert group.behaviour.constant is not None
        level = group.behaviour.constant
        role = bus.line(lines[0]).role
        start = f"{name} stays {_LEVEL[level]}{where}"
        if role in ("lane", "strobe", "acknowledge", "error", "wait"):
            asserted = level == bus.asserted_level(lines[0])
            start = f"{name} {'is always' if asserted else 'never becomes'} asserted{where}"
    elif path == "acknowledge":
        verb = "do" if many else "does"
        start = f"{name} {verb} not stay negated and then end the beat{where}"
    else:
        start = f"{name} {'show' if many else 'shows'} a wrong level{where}"
    text = f"{start}: wrong in {wrong} of {compared} beats"
    if condition is not None:
        text += f", {condition}"
    text += f"; first in the {phase} phase, {_WHILE[path]}"
    if path == "address" and wrong == compared:
        text += " (or software counts addresses otherwise: then give the offset)"
    if path == "stored":
        if len(places) > 1:
            text += (
                " (the lines were right when it was written: the card's receiver, cell or driver)"
            )
        else:
            text += " (or beyond the probe: the lines were right when it was written)"
    if group.how == "differs" and condition is None and path not in ("stored", "undetermined"):
        text += "; why is not determined"
    if group.twins:
        others = " or ".join(_listed(pair) for pair in group.twins)
        text += f"; the evidence cannot tell this from {others}"
    return text + "."


def _listed(lines: Sequence[str]) -> str:
    if len(lines) == 1:
        return lines[0]
    if len(lines) > 8:
        return f"{', '.join(lines[:4])} and {len(lines) - 4} more lines"
    return f"{', '.join(lines[:-1])} and {lines[-1]}"
