"""Runs that are made again with a candidate in them, and what they would show.

Most candidates are foretold for thousands at once. What follows from a tied strobe, from the card
to the host and back, is not: for a few candidates the whole run is made again with the fault in
it, and looked at just as the capture was.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from busdecode.capture import words_for
from busdecode.compare import WholeRecording, matched
from busdecode.cycles import ENDINGS, MOMENTS, DecodedPlace, Sampling, decode, synthesise
from busdecode.diagnosis.evidence import Evidence, Joint
from busdecode.diagnosis.recorded import side_of
from busdecode.diagnosis.shown import seen_in, sure_beats
from busdecode.diagnosis.ties import pairs_apart
from busdecode.errors import DescriptionError
from busdecode.predict import FaultRows, Foretold

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.access import Transfer
    from busdecode.compare import Recording
    from busdecode.cycles import CycleTable, Synthesis
    from busdecode.diagnosis.recorded import Recorded
    from busdecode.faults import Fault
    from busdecode.predict import Model

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Remade", "Tried"]


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


class Remade:
    """The run of a capture, made again.

    Parameters
    ----------
    recorded : Recorded
    """

    def __init__(self, recorded: Recorded) -> None:
        self._recorded, self._stimulus = recorded, recorded.stimulus

    def with_fault(self, fault: Fault) -> dict[int, tuple[Words, Words]]:
        """Make the run again with a fault, and look at it as at the capture.

        Returns
        -------
        dict of int to (ndarray of uint64, ndarray of uint64)
            For each piece and for the stimulus, by identity: what it would show, and the bits
            that it shows in every run.
        """
        runs = [self._run(fault, how) for how in _RUNS]
        found = {}
        for key in runs[0].keys() & runs[1].keys() & runs[2].keys():
            words, known = runs[0][key]
            for others, others_known in (run[key] for run in runs[1:]):
                known = known & others_known & ~(words ^ others)
            found[key] = (words & known, known)
        if FaultRows(self._stimulus.model, [fault]).acknowledges[0]:
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
        words, known = zip(*(run[id(self._stimulus)] for run in runs), strict=True)
        differs = (
            np.bitwise_or.reduce(words) ^ np.bitwise_and.reduce(words)
        ) & self._stimulus.known
        if not (differs & np.bitwise_and.reduce(known)).any():
            return
        bus = self._stimulus.model.bus
        data = np.zeros((len(MOMENTS), words_for(len(bus.lines))), dtype=np.uint64)
        for line in bus.data:
            at = bus.line_names.index(line)
            data[MOMENTS.index("read"), at // 64] |= np.uint64(1 << at % 64)
        for piece in (self._stimulus, *self._recorded.shown):
            if id(piece) in found:
                mask = np.uint64(0) if piece is self._stimulus else ~data.reshape(-1)
                shown, told = found[id(piece)]
                told = (told.reshape(-1, np.size(mask)) & mask).reshape(-1)
                found[id(piece)] = shown & told, told

    def _run(self, fault: Fault, how: _Run) -> dict[int, tuple[Words, Words]]:
        transfers = self._stimulus.foreteller.transfers
        sides = tuple(dict.fromkeys(side_of(place) for place in self._places()))
        period = self._recorded.period
        made = _made(self._stimulus.model, transfers[: self.count], fault, how, period, sides)
        found = {id(self._stimulus): self._returned(made)}
        places = {each.place: each.lines for each in self._recorded.shown}
        recording = self._decoded(made, places)
        if recording is None:
            return found
        found.update(self._shown(recording))
        for ties in self._recorded.ties:
            own = recording
            if places.get(ties.place) != ties.lines:
                own = self._with_cycles(made, {ties.place: ties.lines}, recording.table)
            differ, known = pairs_apart(own.surveys[ties.place])
            # Lines that do not differ in a part of the run may do so later, and without a log in
            # cycles that the fault hid.
            is_whole = self.count == len(transfers) and self._recorded.log is not None
            found[id(ties)] = differ, known if is_whole else known & differ
        return found

    @cached_property
    def count(self) -> int:
        """How many of the first transfers are made again: until enough was wrong."""
        transfers = len(self._stimulus.foreteller.transfers)
        if transfers <= _MOST_TRANSFERS:
            return transfers
        is_wrong = np.zeros(transfers, dtype=bool)
        for shown in self._recorded.shown:
            is_wrong |= (shown.wrong != 0).reshape(transfers, -1).any(axis=1)
        is_wrong[self._stimulus.foreteller.reads] |= self._stimulus.wrong != 0
        at = np.flatnonzero(is_wrong)[:_ENOUGH_WRONG]
        last = int(at[-1]) + 1 if len(at) else 0
        return min(max(last, _LEAST_TRANSFERS), _MOST_TRANSFERS)

    @cached_property
    def outside(self) -> dict[int, int]:
        """Where in each piece what was not made again begins, by its identity; others are whole."""
        reads = int(np.searchsorted(self._stimulus.foreteller.reads, self.count))
        found = {id(self._stimulus): reads}
        found |= {id(each): self.count * each.foreteller.words for each in self._recorded.shown}
        if self.count < len(self._stimulus.foreteller.transfers):
            found |= {id(each): 0 for each in self._recorded.ties}
        return found

    def _places(self) -> list[str]:
        return [each.place for each in self._recorded.shown] + [
            each.place for each in self._recorded.ties
        ]

    def _decoded(
        self, made: Synthesis, places: Mapping[str, tuple[str, ...]]
    ) -> WholeRecording | None:
        """Look at places of a run made again; None where no place shows cycles by itself."""
        for place, lines in places.items():
            try:
                table, _ = decode(
                    self._stimulus.model.bus, [made.places[side_of(place)].select(lines)]
                )
            except DescriptionError:
                continue
            return self._with_cycles(made, places, table)
        return None

    def _with_cycles(
        self, made: Synthesis, places: Mapping[str, tuple[str, ...]], table: CycleTable
    ) -> WholeRecording:
        bus = self._stimulus.model.bus
        return WholeRecording(
            {
                place: DecodedPlace(
                    bus, place, made.places[side_of(place)].select(lines), table, 0, ()
                )
                for place, lines in places.items()
            }
        )

    def _returned(self, made: Synthesis) -> tuple[Words, Words]:
        foreteller = self._stimulus.foreteller
        returned = [
            made.returned[at] if at < self.count else None for at in foreteller.reads.tolist()
        ]
        words = np.array([each or 0 for each in returned], dtype=np.uint64)
        is_there = np.array([each is not None for each in returned], dtype=bool)
        return words & foreteller.moved, np.where(is_there, foreteller.moved, np.uint64(0))

    def _shown(self, recording: WholeRecording) -> dict[int, tuple[Words, Words]]:
        beats = self._beats(recording)
        views = recording.look(beats[beats >= 0], beats[:0]).views
        lines = next(iter(recording.places.values())).lines
        found: dict[int, tuple[Words, Words]] = {}
        for shown in self._recorded.shown:
            view = views.get(shown.place)
            if view is not None:
                seen = seen_in(view, recording.table, beats, lines)
                # What a healthy bus leaves open, such as what lines still carry, stays so.
                words, known = np.zeros_like(shown.seen), np.zeros_like(shown.seen)
                words[: seen.levels.size] = seen.levels.reshape(-1)
                known[: seen.looked.size] = seen.looked.reshape(-1)
                found[id(shown)] = words, known & shown.known
        return found

    def _beats(self, recording: Recording) -> Ints:
        """Give the beat that each transfer is in a run made again."""
        table, count = recording.table, self.count
        is_over = table.ended != ENDINGS.index("cut-off")
        # Where the lines that mark kinds were not captured, no kind is known.
        for is_whole in (is_over & (table.kind >= 0), is_over):
            if int(is_whole.sum()) == count:
                return np.flatnonzero(is_whole)
        if self._recorded.log is None or not len(table):
            return np.full(count, -1, dtype=np.int64)
        lines = next(iter(recording.places.values())).lines
        meant, aligned, *_ = matched(table, lines, self._recorded.log, offset=self._recorded.offset)
        return sure_beats(table.bus, meant, aligned)[:count]


@lru_cache(maxsize=len(_RUNS))
def _made(
    model: Model,
    transfers: tuple[Transfer, ...],
    fault: Fault,
    how: _Run,
    period: int,
    sides: tuple[str, ...],
) -> Synthesis:
    """Make a run, once for captures of the same one."""
    return synthesise(
        model.bus,
        transfers,
        seed=how.seed,
        faults=[fault],
        wait_share=how.wait_share,
        sampling=Sampling(period=period),
        places=sides,
        undecided=how.undecided,
    )


@dataclass(frozen=True, eq=False)
class Tried(Evidence):
    """Evidence of which some candidates were tried: the run was made again with them.

    Parameters
    ----------
    joint : Joint
    found : dict of Fault to (ndarray of uint64, ndarray of uint64)
        What each would show, and the bits that are known of it, shape (R,).
    within : ndarray of bool, shape (R,)
        What is of the part of a run that was made again, or of what is not made again at all.
    """

    joint: Joint
    found: dict[Fault, tuple[Words, Words]]
    within: NDArray[np.bool_]

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
        runs = [(each, Remade(each)) for each in recorded]
        for fault in faults:
            rows = FaultRows(joint.model, [fault])
            _, foretold = next(joint.over(rows))
            words, known = foretold.words[0].copy(), foretold.known[0].copy()
            shows: dict[int, tuple[Words, Words]] = {}
            for each, again in runs:
                if each.can_try(fault):
                    shows.update(again.with_fault(fault))
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
            within=_within(joint, [again for _, again in runs]),
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

    def of_what_was_made(self) -> Tried:
        """Give the same, as if nothing had been seen but what `within` tells."""
        return replace(self, looked=np.where(self.within, self.looked, np.uint64(0)))

    def of_the_rest(self) -> Tried:
        """Give the same, as if nothing had been seen but what `within` leaves out."""
        return replace(self, looked=np.where(self.within, np.uint64(0), self.looked))


def _within(joint: Joint, runs: Sequence[Remade]) -> NDArray[np.bool_]:
    """Tell which observations are of the parts of runs that were made again, shape (R,)."""
    outside = {key: at for again in runs for key, at in again.outside.items()}
    return np.concatenate(
        [np.arange(len(piece)) < outside.get(id(piece), len(piece)) for piece in joint.pieces]
    )
