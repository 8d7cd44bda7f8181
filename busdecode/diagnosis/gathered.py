"""Logs and captures of one repair, put together: what belongs to one stimulus is joined."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from busdecode.cycles import joined
from busdecode.diagnosis.evidence import read_back
from busdecode.diagnosis.recorded import record, record_joined
from busdecode.errors import JoinError
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from busdecode.access import AccessLog
    from busdecode.compare import Recording
    from busdecode.cycles import Looks
    from busdecode.diagnosis.evidence import ReadBack
    from busdecode.diagnosis.recorded import Recorded
    from busdecode.predict import Model

__all__ = ["Gathered", "NamedCapture", "NamedLog", "gather"]


class NamedLog(NamedTuple):
    """An access log: what it is called, and what is added to every logged address."""

    name: str
    log: AccessLog
    offset: int = 0


class NamedCapture(NamedTuple):
    """A capture, decoded: what it is called, and the log of what was done, by its name.

    `looks` is what it shows beat by beat, for joining; None where it has more than one place.
    """

    name: str
    recording: Recording
    log: str | None = None
    looks: Looks | None = None


@dataclass
class Gathered:
    """Evidence of one bus, each log and each stimulus once.

    Parameters
    ----------
    logs : list of ReadBack
    recorded : list of Recorded
    notes : list of str
    """

    logs: list[ReadBack] = field(default_factory=list)
    recorded: list[Recorded] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def gather(
    model: Model,
    logs: Sequence[NamedLog],
    captures: Sequence[NamedCapture],
    begin: Callable[[str], None] = lambda what: None,
) -> Gathered:
    """Take logs and captures as evidence.

    Captures of the same log are of the same stimulus: where none has all lines of the others,
    they are joined, cycle by cycle. Where that cannot be, each counts on its own, and the reason
    is told.

    Parameters
    ----------
    model : Model
    logs : sequence of NamedLog
    captures : sequence of NamedCapture
    begin : callable
        Told what is done next.

    Raises
    ------
    LogError
        If a log does not fit the bus.
    """
    found = Gathered()
    known = {each.name: each for each in logs}
    counted_logs: set[str] = set()
    for group in _groups(captures):
        log = known.get(group[0].log or "")
        begin(", ".join(each.name for each in group))
        if log is not None:
            found.notes += [f"{log.name}: {note}" for note in log.log.notes]
        for recorded in _recorded(model, group, log, found.notes):
            found.recorded.append(recorded)
            found.notes += recorded.notes
            # The reads of a log count once, however many captures there are of it.
            if log is None or log.name not in counted_logs:
                found.logs.append(recorded.stimulus)
            if log is not None:
                counted_logs.add(log.name)
    for log in logs:
        if log.name not in counted_logs:
            found.notes += [f"{log.name}: {note}" for note in log.log.notes]
            found.logs.append(
                read_back(
                    model,
                    log.log.accesses,
                    offset=log.offset,
                    path=log.log.source,
                    name=f"reads in {log.name}",
                )
            )
    found.notes += [note for each in found.logs for note in each.notes if note not in found.notes]
    return found


def _groups(captures: Sequence[NamedCapture]) -> list[list[NamedCapture]]:
    """Put captures together that are to be joined."""
    of_log: dict[str, list[NamedCapture]] = {}
    groups: list[list[NamedCapture]] = []
    for each in captures:
        if each.log is None or each.looks is None:
            groups.append([each])
        elif each.log in of_log:
            of_log[each.log].append(each)
        else:
            of_log[each.log] = [each]
            groups.append(of_log[each.log])
    return [part for group in groups for part in _parts(group)]


def _parts(group: list[NamedCapture]) -> list[list[NamedCapture]]:
    every = {line for each in group if each.looks for line in each.looks.lines}
    if len(group) < 2 or any(set(each.looks.lines) == every for each in group if each.looks):
        return [[each] for each in group]
    return [group]


def _recorded(
    model: Model, group: list[NamedCapture], log: NamedLog | None, notes: list[str]
) -> list[Recorded]:
    own = None if log is None else log.log
    offset = 0 if log is None else log.offset
    if len(group) > 1:
        names = [each.name for each in group]
        try:
            looks = joined([each.looks for each in group if each.looks is not None], names)
        except JoinError as error:
            notes.append(f"{', '.join(names)} are not joined: {error.found}")
        else:
            together = f"{counted(len(group), 'capture')} of {log.name if log else 'one stimulus'}"
            return [
                record_joined(
                    model,
                    looks,
                    {each.name: each.recording for each in group},
                    own,
                    offset=offset,
                    name=together,
                )
            ]
    return [record(model, each.recording, own, offset=offset, name=each.name) for each in group]
