"""A capture with what was done while it was taken: its evidence, and how a candidate would look.

Most candidates are foretold for thousands at once. What follows from a tied strobe, from the card
to the host and back, is not: for a few candidates the whole run is made again with the fault in
it, and looked at just as the capture was.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from busdecode.capture import words_for
from busdecode.compare import WholeRecording, matched
from busdecode.cycles import ENDINGS, MOMENTS, DecodedPlace, Sampling, decode, synthesise
from busdecode.diagnosis.evidence import Evidence, Joint, ReadBack
from busdecode.diagnosis.shown import (
    Shown,
    seen_by_beats,
    seen_in,
    shown_of,
    stimulus_of,
    sure_beats,
)
from busdecode.diagnosis.ties import Ties, expected_to_differ, pairs_apart, ties_in
from busdecode.errors import DescriptionError
from busdecode.faults import Bridge, Swapped
from busdecode.predict import FaultRows, Foretold, lines_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.access import AccessLog, Transfer
    from busdecode.compare import Place, PlaceSurvey, Recording
    from busdecode.cycles import CycleTable, Looks, Synthesis
    from busdecode.faults import Fault
    from busdecode.predict import Model

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Recorded", "Tried", "record", "record_joined"]


class _Run(NamedTuple):
    """How a run is made again.

    Its seed; what each bit is that nothing decides, or None where it is drawn; and the share of
    beats in which the card makes the host wait: where that is not heeded, data comes too late.
    """

    seed: int
    undecided: Literal[0, 1] | None
    wait_share: float


_RUNS = (_Run(1, 0, 0.0), _Run(2, 1, 1.0), _Run(3, None, 0.3))
"""What differs from run to run is not foretold."""

_LEAST_TRANSFERS, _MOST_TRANSFERS, _ENOUGH_WRONG = 48, 128, 24
"""Of a long stimulus only the first transfers are made again, until so many were wrong."""

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

    def tried(self, fault: Fault) -> dict[int, tuple[Words, Words]]:
        """Make the run again with a fault, and look at it as at the capture.

        Returns
        -------
        dict of int to (ndarray of uint64, ndarray of uint64)
            For each piece and for the stimulus, by identity: what it would show, and the bits
            that it shows in every run.
        """
        runs = [self._run(fault, how) for how in _RUNS]
        found = {}
        for key in runs[0]:
            words, known = runs[0][key]
            for others, others_known in (run[key] for run in runs[1:]):
                known = known & others_known & ~(words ^ others)
            found[key] = (words & known, known)
        if FaultRows(self.stimulus.model, [fault]).acknowledges[0]:
            self._open_what_may_be_late(runs, found)
        return found

    def _open_what_may_be_late(
        self,
        runs: Sequence[dict[int, tuple[Words, Words]]],
        found: dict[int, tuple[Words, Words]],
    ) -> None:
        """Foretell nothing that is read where the host does not wait for data: chance decides.

        In a few runs it may well have come in time to the same reads.
        """
        words, known = zip(*(run[id(self.stimulus)] for run in runs), strict=True)
        differs = (np.bitwise_or.reduce(words) ^ np.bitwise_and.reduce(words)) & self.stimulus.known
        if not (differs & np.bitwise_and.reduce(known)).any():
            return
        bus = self.stimulus.model.bus
        data = np.zeros((len(MOMENTS), words_for(len(bus.lines))), dtype=np.uint64)
        for line in bus.data:
            at = bus.line_names.index(line)
            data[MOMENTS.index("read"), at // 64] |= np.uint64(1 << at % 64)
        for piece in (self.stimulus, *self.shown):
            if id(piece) in found:
                mask = np.uint64(0) if piece is self.stimulus else ~data.reshape(-1)
                shown, told = found[id(piece)]
                told = (told.reshape(-1, np.size(mask)) & mask).reshape(-1)
                found[id(piece)] = shown & told, told

    def _run(self, fault: Fault, how: _Run) -> dict[int, tuple[Words, Words]]:
        model, transfers = self.stimulus.model, self.stimulus.foreteller.transfers
        made = synthesise(
            model.bus,
            transfers[: self.made_again],
            seed=how.seed,
            faults=[fault],
            wait_share=how.wait_share,
            sampling=Sampling(period=self.period),
            places=tuple(dict.fromkeys(_side(place) for place in self._places())),
            undecided=how.undecided,
        )
        found = {id(self.stimulus): self._returned(made)}
        places = {each.place: each.lines for each in self.shown}
        recording = self._decoded(made, places)
        if recording is None:
            return found
        found.update(self._shown(recording))
        for ties in self.ties:
            own = recording
            if places.get(ties.place) != ties.lines:
                own = self._with_cycles(made, {ties.place: ties.lines}, recording.table)
            differ, known = pairs_apart(own.surveys[ties.place])
            # Lines that do not differ in a part of the run may do so later.
            is_whole = self.made_again == len(transfers)
            found[id(ties)] = differ, known if is_whole else known & differ
        return found

    @cached_property
    def made_again(self) -> int:
        """How many of the first transfers are made again: until enough was wrong."""
        transfers = len(self.stimulus.foreteller.transfers)
        if transfers <= _MOST_TRANSFERS:
            return transfers
        is_wrong = np.zeros(transfers, dtype=bool)
        for shown in self.shown:
            is_wrong |= (shown.wrong != 0).reshape(transfers, -1).any(axis=1)
        is_wrong[self.stimulus.foreteller.reads] |= self.stimulus.wrong != 0
        at = np.flatnonzero(is_wrong)[:_ENOUGH_WRONG]
        last = int(at[-1]) + 1 if len(at) else 0
        return min(max(last, _LEAST_TRANSFERS), _MOST_TRANSFERS)

    def _places(self) -> list[str]:
        return [each.place for each in self.shown] + [each.place for each in self.ties]

    def _decoded(
        self, made: Synthesis, places: Mapping[str, tuple[str, ...]]
    ) -> WholeRecording | None:
        """Look at places of a run made again; None where no place shows cycles by itself."""
        for place, lines in places.items():
            try:
                table, _ = decode(
                    self.stimulus.model.bus, [made.places[_side(place)].select(lines)]
                )
            except DescriptionError:
                continue
            return self._with_cycles(made, places, table)
        return None

    def _with_cycles(
        self, made: Synthesis, places: Mapping[str, tuple[str, ...]], table: CycleTable
    ) -> WholeRecording:
        bus = self.stimulus.model.bus
        return WholeRecording(
            {
                place: DecodedPlace(
                    bus, place, made.places[_side(place)].select(lines), table, 0, ()
                )
                for place, lines in places.items()
            }
        )

    def _returned(self, made: Synthesis) -> tuple[Words, Words]:
        foreteller = self.stimulus.foreteller
        returned = [
            made.returned[at] if at < self.made_again else None for at in foreteller.reads.tolist()
        ]
        words = np.array([each or 0 for each in returned], dtype=np.uint64)
        is_there = np.array([each is not None for each in returned], dtype=bool)
        return words & foreteller.moved, np.where(is_there, foreteller.moved, np.uint64(0))

    def _shown(self, recording: WholeRecording) -> dict[int, tuple[Words, Words]]:
        beats = self._beats(recording)
        views = recording.look(beats[beats >= 0], beats[:0]).views
        found: dict[int, tuple[Words, Words]] = {}
        for shown in self.shown:
            view = views.get(shown.place)
            if view is not None:
                seen = seen_in(view, recording.table, beats)
                # What a healthy bus leaves open, such as what lines still carry, stays so.
                words, known = np.zeros_like(shown.seen), np.zeros_like(shown.seen)
                words[: seen.levels.size] = seen.levels.reshape(-1)
                known[: seen.looked.size] = seen.looked.reshape(-1)
                found[id(shown)] = words, known & shown.known
        return found

    def _beats(self, recording: Recording) -> Ints:
        """Give the beat that each transfer is in a run made again."""
        table, count = recording.table, self.made_again
        whole = np.flatnonzero((table.ended != ENDINGS.index("cut-off")) & (table.kind >= 0))
        if len(whole) == count:
            return whole
        if self.log is None or not len(table):
            return np.full(count, -1, dtype=np.int64)
        lines = next(iter(recording.places.values())).lines
        meant, aligned = matched(table, lines, self.log, offset=self.offset)
        return sure_beats(table.bus, meant, aligned)[:count]


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
            seen_in(view, table, beats, recording.places[place].borrowed),
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


def _side(place: str) -> str:
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
        healthy = expected_to_differ(model, transfers, _side(place), survey.lines, period)
        if not is_told:
            lines = len(survey.lines)
            healthy.differ[:lines, :lines] |= _should_differ(model, survey, transfers)
        found.append(
            ties_in(
                model,
                survey,
                healthy,
                name=f"{name}, pairs of lines at the {place}",
                borrowed=recording.places[place].borrowed,
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


@dataclass(frozen=True, eq=False)
class Tried(Evidence):
    """Evidence of which some candidates were tried: the run was made again with them.

    Parameters
    ----------
    joint : Joint
    found : dict of Fault to (ndarray of uint64, ndarray of uint64)
        What each would show, and the bits that are known of it, shape (R,).
    """

    joint: Joint
    found: dict[Fault, tuple[Words, Words]]

    @classmethod
    def of(
        cls,
        joint: Joint,
        recorded: Sequence[Recorded],
        faults: Sequence[Fault],
        done: Mapping[Fault, tuple[Words, Words]],
    ) -> Tried:
        """Try some candidates on every capture, besides those that were tried before.

        What no run tells stays as it was foretold.
        """
        found = dict(done)
        for fault in faults:
            rows = FaultRows(joint.model, [fault])
            _, foretold = next(joint.over(rows))
            words, known = foretold.words[0].copy(), foretold.known[0].copy()
            shows: dict[int, tuple[Words, Words]] = {}
            for each in recorded:
                if each.can_try(fault):
                    shows.update(each.tried(fault))
            at = 0
            for piece in joint.pieces:
                part = slice(at, at + len(piece))
                at = part.stop
                if id(piece) in shows:
                    shown, told = shows[id(piece)]
                    words[part] = (words[part] & ~told) | (shown & told)
                    known[part] |= told
            found[fault] = words, known
        return cls(
            model=joint.model,
            seen=joint.seen,
            looked=joint.looked,
            expected=joint.expected,
            known=joint.known,
            of_lines=joint.of_lines,
            notes=joint.notes,
            name=joint.name,
            joint=joint,
            found=found,
        )

    def over(self, rows: FaultRows) -> Iterator[tuple[slice, Foretold]]:
        """Foretell every observation with each fault, some faults at a time."""
        for part, foretold in self.joint.over(rows):
            words, known = foretold.words, foretold.known
            for row, fault in enumerate(rows.faults[part]):
                if fault in self.found:
                    words[row], known[row] = self.found[fault]
            yield part, Foretold(words, known)

    def first(self, count: int) -> Joint:
        """Give about so many of the first observations alone, without what was tried."""
        return self.joint.first(count)
