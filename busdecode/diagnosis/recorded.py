"""A capture with what was done while it was taken, as evidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdecode.diagnosis.evidence import Evidence, ReadBack
from busdecode.diagnosis.shown import (
    Shown,
    seen_by_beats,
    seen_in,
    shown_of,
    stimulus_of,
)
from busdecode.diagnosis.ties import Ties, expected_to_differ, ties_in
from busdecode.faults import Bridge, Swapped
from busdecode.predict import lines_of

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.access import AccessLog, Transfer
    from busdecode.compare import Place, PlaceSurvey, Recording
    from busdecode.cycles import Looks
    from busdecode.faults import Fault
    from busdecode.predict import Model

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Recorded", "record", "record_joined", "side_of"]


_HOST = "host"

_MOVES, _MANY_WORDS, _FEW = 8, 12, 3
"""Without a log, two data lines that each moved so often should have differed at some time, and so
should a data line and one of the address: common practice, no source. So many different numbers
were on them, and so many of these at least have a 0 there, and so many a 1; words that repeat a
pattern of two or four bits are fewer. Where the address itself is written, lines do not change at
one time still."""


@dataclass(frozen=True, eq=False)
class Recorded:
    """A capture, or several of one stimulus joined, as evidence.

    Parameters
    ----------
    stimulus : ReadBack
        What was done, and what reads returned.
    log : AccessLog or None
        That was aligned with it.
    offset : int
    period : int, ps
        At which it was sampled.
    shown : tuple of Shown
        For each place; the first tells the moments.
    ties : tuple of Ties
        For each place of each capture.
    notes : tuple of str
    doubt : str or None
        Why the log may be of another run.
    """

    stimulus: ReadBack
    log: AccessLog | None
    offset: int
    period: int
    shown: tuple[Shown, ...]
    ties: tuple[Ties, ...]
    notes: tuple[str, ...]
    doubt: str | None = None

    @property
    def pieces(self) -> tuple[Evidence, ...]:
        """What the lines tell; not what reads returned."""
        return (*self.shown, *self.ties)

    def can_try(self, fault: Fault) -> bool:
        """Tell whether what a run with a fault shows is what any run with it would.

        It is not where the fault leaves to chance which line wins, nor where it is about a line of
        which nobody knows what was driven on it.
        """
        is_drawn = isinstance(fault, Bridge) and fault.rule == "undetermined"
        is_crossed = any(each.foreteller.is_crossed for each in self.shown)
        is_swap = isinstance(fault, Swapped)
        return not (is_drawn or self.hides(fault) or (is_crossed and is_swap))

    def hides(self, fault: Fault) -> bool:
        """Tell whether a fault is about a line of which nobody knows what was driven on it."""
        return bool(self.stimulus.foreteller.hidden & set(lines_of(fault)))


def record(
    model: Model,
    recording: Recording,
    log: AccessLog | None = None,
    *,
    offset: int = 0,
    name: str = "capture",
) -> Recorded:
    """Take a capture as evidence.

    Parameters
    ----------
    model : Model
    recording : Recording
    log : AccessLog, optional
        Of what was done while it was taken; without it that is taken from the lines.
    offset : int
        Added to every logged address.
    name : str
        What the capture is called.

    Raises
    ------
    LogError
        If the log does not fit the bus.
    """
    lines = next(iter(recording.places.values())).lines
    table = recording.table

    def addresses(rows: Ints) -> Words:
        moment = model.bus.take["address"]
        view = next(iter(recording.look(rows, rows[:0]).views.values()))
        return view.address(view.sample(moment, table.phase(moment.phase)[rows]).states)

    stimulus, beats, notes, doubt = stimulus_of(
        model,
        table,
        lines,
        log,
        offset=offset,
        name=f"reads in {name}",
        addresses=addresses if "address" in model.bus.take else None,
    )
    views = recording.look(beats[beats >= 0], beats[:0]).views
    is_crossed = log is None and next(iter(recording.places)) == "card"
    shown = tuple(
        shown_of(
            stimulus,
            place,
            _own(recording.places[place]),
            seen_in(view, table, beats, lines, recording.places[place].borrowed),
            name=f"{name}, levels at the {place}",
            is_crossed=is_crossed,
        )
        for place, view in views.items()
    )
    period = _period([recording])
    ties = _ties(stimulus, recording, name, period, is_told=log is not None)
    return Recorded(
        stimulus, log, offset, period, shown, ties, _named(name, notes), _doubted(name, doubt)
    )


def record_joined(
    model: Model,
    looks: Looks,
    recordings: Mapping[str, Recording],
    log: AccessLog | None = None,
    *,
    offset: int = 0,
    name: str = "captures",
) -> Recorded:
    """Take captures of one stimulus, joined, as evidence.

    Parameters
    ----------
    model : Model
    looks : Looks
        What they show together, at the host.
    recordings : mapping of str to Recording
        Each of them, by its name.
    log, offset, name
        As for `record`.
    """
    stimulus, beats, notes, doubt = stimulus_of(
        model, looks.table, looks.lines, log, offset=offset, name=f"reads in {name}"
    )
    seen = seen_by_beats(looks, beats)
    shown = shown_of(stimulus, _HOST, looks.lines, seen, name=f"{name}, levels")
    period = _period(list(recordings.values()))
    ties = tuple(
        each
        for own, it in recordings.items()
        for each in _ties(stimulus, it, own, period, is_told=log is not None)
    )
    notes = (*looks.notes, *notes)
    return Recorded(
        stimulus, log, offset, period, (shown,), ties, _named(name, notes), _doubted(name, doubt)
    )


def _named(name: str, notes: Sequence[str]) -> tuple[str, ...]:
    return tuple(f"{name}: {note}" for note in notes)


def _doubted(name: str, doubt: str | None) -> str | None:
    return None if doubt is None else f"{name}: {doubt}"


def _period(recordings: Sequence[Recording]) -> int:
    return max(place.resolution for each in recordings for place in each.places.values())


def side_of(place: str) -> str:
    """Give the part of the bus that a place is on: the host's, the card's, or another slot."""
    return place if place in ("host", "card") else "other"


def _ties(
    stimulus: ReadBack, recording: Recording, name: str, period: int, *, is_told: bool
) -> tuple[Ties, ...]:
    """Take what pairs of lines show at each place of a capture."""
    model, transfers = stimulus.model, stimulus.foreteller.transfers
    found = []
    for place, survey in recording.surveys.items():
        if not transfers or not survey.rows:
            continue
        healthy = expected_to_differ(model, transfers, side_of(place), survey.lines, period)
        if not is_told:
            lines = len(survey.lines)
            healthy.differ[:lines, :lines] |= _should_differ(model, survey, transfers)
        found.append(
            ties_in(
                model,
                survey,
                healthy,
                name=f"{name}, pairs of lines at the {place}",
                untold={*recording.places[place].borrowed, *stimulus.foreteller.hidden},
            )
        )
    return tuple(found)


def _should_differ(
    model: Model, survey: PlaceSurvey, transfers: Sequence[Transfer]
) -> NDArray[np.bool_]:
    """Tell which pairs of lines should have differed, by how often they moved, shape (L, L)."""
    moved = np.array([survey.changes(line) >= _MOVES for line in survey.lines], dtype=bool)
    words = {each.data for each in transfers if each.data is not None}
    data = moved & _varied(survey.lines, model.data_bits, words)
    others = {line: bit for line, bit in model.address_bits.items() if line not in model.data_bits}
    address = moved & _varied(survey.lines, others, {each.address for each in transfers})
    should = np.outer(data, data | address) | np.outer(address, data)
    np.fill_diagonal(should, val=False)
    return should


def _varied(
    lines: Sequence[str], bits: Mapping[str, int], numbers: Collection[int]
) -> NDArray[np.bool_]:
    """Tell which lines carry a bit that is often 0, and often 1, among many numbers."""
    if len(numbers) < _MANY_WORDS:
        return np.zeros(len(lines), dtype=bool)
    ones = [
        sum(number >> bits[line] & 1 for number in numbers) if line in bits else 0 for line in lines
    ]
    return np.array([_FEW <= count <= len(numbers) - _FEW for count in ones], dtype=bool)


def _own(place: Place) -> tuple[str, ...]:
    """Give the lines that were captured at a place itself."""
    return tuple(line for line in place.lines if line not in place.borrowed)
