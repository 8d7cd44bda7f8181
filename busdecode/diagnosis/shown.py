"""What lines show in the cycles of a capture, as evidence."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, ClassVar, NamedTuple

import numpy as np

from busdecode.access import lane_mask
from busdecode.capture import words_for
from busdecode.compare import doubt_of, matched
from busdecode.cycles import (
    DIRECTIONS,
    ENDINGS,
    MOMENTS,
    ends_by_others,
    moment_name,
    moment_of,
    transfers_of,
    without_port,
)
from busdecode.diagnosis.evidence import (
    Evidence,
    ReadBack,
    Returned,
    counted_lines,
    kinds_taken,
    notes_on_kinds,
    read_back,
    returned,
)
from busdecode.predict import FaultRows, LineForeteller
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Sequence

    from numpy.typing import NDArray

    from busdecode.access import AccessLog
    from busdecode.compare import Alignment, Meant, PlaceView
    from busdecode.cycles import CycleTable, Looks
    from busdecode.predict import Foreteller, Foretold, Model
    from busdecode.protocol import Bus

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = [
    "Seen",
    "Shown",
    "Stimulus",
    "seen_by_beats",
    "seen_in",
    "shown_of",
    "stimulus_of",
    "sure_beats",
]


_SAID = ("at the address", "in writes", "in reads")
"""How each of `MOMENTS` is told."""


@dataclass(frozen=True, eq=False)
class Shown(Evidence):
    """What lines of one place showed in T transfers, a word or more at each of `MOMENTS`.

    Parameters
    ----------
    place : str
    lines : tuple of str
        Those that were captured.
    foreteller : LineForeteller
    """

    unit: ClassVar[str] = "level"
    is_by_bit: ClassVar[bool] = True

    place: str
    lines: tuple[str, ...]
    foreteller: LineForeteller

    def over(self, rows: FaultRows) -> Iterator[tuple[slice, Foretold]]:
        """Foretell every observation with each fault, some faults at a time."""
        return self.foreteller.over(rows)

    def where(self) -> list[tuple[str, int]]:
        """Give the lines that are wrong, and when in a cycle, and in how many cycles."""
        wrong = self.wrong.reshape(-1, self.foreteller.words)
        width = words_for(len(self.foreteller.bus.lines))
        found = [
            each
            for at, said in enumerate(_SAID)
            for word in range(width)
            for each in counted_lines(
                wrong[:, at * width + word],
                {
                    number % 64: f"{line} {said}"
                    for number, line in enumerate(self.foreteller.bus.line_names)
                    if number // 64 == word
                },
            )
        ]
        return sorted(found, key=lambda each: -each[1])

    def first(self, count: int) -> Shown:
        """Give the evidence of the first transfers alone."""
        transfers = max(1, count // self.foreteller.words)
        count = min(len(self), transfers * self.foreteller.words)
        return self._cut(count, foreteller=self.foreteller.cut(transfers))


class Seen(NamedTuple):
    """The levels of lines in T transfers, shape (T, M, W), and those that were looked at.

    Line k of the bus is bit ``k % 64`` of word ``k // 64``; moments as in `MOMENTS`.
    """

    levels: Words
    looked: Words


def shown_of(
    stimulus: ReadBack,
    place: str,
    lines: Sequence[str],
    seen: Seen,
    notes: tuple[str, ...] = (),
    *,
    name: str = "levels",
    is_crossed: bool = False,
) -> Shown:
    """Take what lines showed as evidence.

    Parameters
    ----------
    stimulus : ReadBack
        The transfers in which they showed it.
    place : str
        ``host`` or ``card``; what is probed elsewhere is taken as the host's.
    lines : sequence of str
        Those that were captured.
    seen : Seen
    notes : tuple of str
    name : str
    is_crossed : bool
        As `LineForeteller` has it.
    """
    side = "card" if place == "card" else "host"
    foreteller = _line_foreteller(stimulus.foreteller, side, is_crossed=is_crossed)
    healthy = next(foreteller.over(FaultRows(stimulus.model, [None])))[1]
    return Shown(
        model=stimulus.model,
        seen=(seen.levels & seen.looked).reshape(-1),
        looked=seen.looked.reshape(-1),
        expected=healthy.words[0],
        known=healthy.known[0],
        of_lines=np.ones(seen.looked.size, dtype=bool),
        notes=notes,
        name=name,
        place=place,
        lines=tuple(lines),
        foreteller=foreteller,
    )


@lru_cache(maxsize=4)
def _line_foreteller(foreteller: Foreteller, side: str, *, is_crossed: bool) -> LineForeteller:
    """Make one, once for captures of the same run."""
    return LineForeteller(foreteller, side, is_crossed=is_crossed)


def seen_in(
    view: PlaceView,
    table: CycleTable,
    beats: Ints,
    lines: Sequence[str],
    borrowed: Collection[str] = (),
) -> Seen:
    """Take from a capture what lines show in beats.

    Parameters
    ----------
    view : PlaceView
    table : CycleTable
        Of the place that tells the moments.
    beats : ndarray of int64, shape (T,)
        The row of the table that each transfer is; -1 where there is none.
    lines : sequence of str
        Those that were captured where the table comes from.
    borrowed : collection of str
        Lines that were not captured there: what they show elsewhere tells nothing of this place.
    """
    bus = view.bus
    width = words_for(len(bus.lines))
    levels = np.zeros((len(beats), len(MOMENTS), width), dtype=np.uint64)
    looked = np.zeros_like(levels)
    there = np.flatnonzero(beats >= 0)
    for at, name in enumerate(MOMENTS):
        moment = moment_of(bus, name)
        if moment.phase == "release" and ends_by_others(bus, lines):
            continue
        sample = view.sample(moment, table.phase(moment.phase)[beats[there]])
        for number, line in enumerate(bus.line_names):
            place = view.index.get(line)
            if place is None or line in borrowed:
                continue
            shift, bit = np.uint64(place % 64), np.uint64(number % 64)
            for words, into in ((sample.states, levels), (sample.sure, looked)):
                one = (words[:, place // 64] >> shift) & np.uint64(1)
                into[there, at, number // 64] |= one << bit
    return Seen(levels, looked)


def seen_by_beats(looks: Looks, beats: Ints) -> Seen:
    """Take from captures that were joined what lines show in beats; else as `seen_in`."""
    bus = looks.bus
    width = looks.levels.shape[2]
    levels = np.zeros((len(beats), len(MOMENTS), width), dtype=np.uint64)
    looked = np.zeros_like(levels)
    there = np.flatnonzero(beats >= 0)
    for at, name in enumerate(MOMENTS):
        moment = moment_name(moment_of(bus, name))
        if moment in looks.moments:
            plane, rows = looks.plane(moment), beats[there]
            levels[there, at] = looks.levels[rows, plane]
            looked[there, at] = looks.known[rows, plane] & ~looks.moving[rows, plane]
    return Seen(levels, looked)


class Stimulus(NamedTuple):
    """What was done while a capture was taken.

    Parameters
    ----------
    reads : ReadBack
        What reads returned, with the transfers.
    beats : ndarray of int64, shape (T,)
        Rows of the table that each transfer is; -1 where it has none that is sure.
    notes : tuple of str
    doubt : str or None
        Why the log may be of another run.
    """

    reads: ReadBack
    beats: Ints
    notes: tuple[str, ...]
    doubt: str | None = None


def stimulus_of(
    model: Model,
    table: CycleTable,
    lines: Sequence[str],
    log: AccessLog | None,
    *,
    offset: int = 0,
    name: str = "read-backs",
    addresses: Callable[[Ints], Words] | None = None,
) -> Stimulus:
    """Give what was done while a capture was taken, and the beat that each transfer is.

    Without a log it is what the lines themselves show: then a fault that bends what is written
    shows in what lines have in common, and in what is read, but not in what is written.

    Parameters
    ----------
    model : Model
    table : CycleTable
    lines : sequence of str
        Those that were captured where the table comes from.
    log : AccessLog, optional
    offset : int
        Added to every logged address.
    name : str
        What the read-backs are called.
    addresses : callable, optional
        Gives what the captured address lines show in rows of the table, the others 0: for
        captures without a log that do not have all of them.

    Raises
    ------
    LogError
        If the log does not fit the bus.
    """
    if log is None:
        return _of_beats(model, table, lines, name, addresses)
    bus = model.bus
    meant, aligned, port, guesses = matched(table, lines, log, offset=offset)
    stimulus = read_back(model, log.accesses, offset=offset, path=log.source, port=port, name=name)
    beats = sure_beats(bus, meant, aligned)
    lost = int((beats < 0).sum())
    if lost and not (aligned.beats >= 0).any():
        doubt: str | None = (
            f"none of the {counted(lost, 'logged transfer')} is found in the capture: its lines "
            "are held against nothing; the log may be of another run"
        )
        return Stimulus(stimulus, beats, guesses, doubt)
    found = counted(lost, "logged transfer")
    notes = (f"{found} of {len(beats)} not found in the capture for sure",) if lost else ()
    return Stimulus(stimulus, beats, (*guesses, *notes), doubt_of(aligned))


def sure_beats(bus: Bus, meant: Meant, aligned: Alignment) -> Ints:
    """Give the beat that each transfer that counts is, shape (T,); -1 where none is for sure."""
    beats = np.where((aligned.beats >= 0) & ~aligned.is_ambiguous, aligned.beats, -1)
    sure: Ints = beats[_is_taken(bus, meant.kind)]
    return sure


def _counted_kinds(bus: Bus, kinds: NDArray[np.int16]) -> dict[str, int]:
    """Count what is of each kind that moves data, by the number of each one's kind."""
    counts = {
        kind.name: int((kinds == at).sum())
        for at, kind in enumerate(bus.kinds)
        if kind.direction != "none"
    }
    return {name: count for name, count in counts.items() if count}


def _is_taken(bus: Bus, kinds: NDArray[np.int16]) -> NDArray[np.bool_]:
    """Tell which transfers are of `kinds_taken`, by the number of each one's kind."""
    taken = kinds_taken(bus, _counted_kinds(bus, kinds))
    return np.isin(kinds, [at for at, kind in enumerate(bus.kinds) if kind.name in taken])


def _of_beats(
    model: Model,
    table: CycleTable,
    lines: Sequence[str],
    name: str,
    addresses: Callable[[Ints], Words] | None,
) -> Stimulus:
    """Take what was done from the lines; what is not captured is not known of it."""
    bus = model.bus
    hidden = [line for line in dict.fromkeys((*bus.address, *bus.data)) if line not in lines]
    rows = np.flatnonzero(
        (table.ended != ENDINGS.index("cut-off"))
        & _is_taken(bus, table.kind)
        & table.has_lanes
        & (table.lanes != 0)
    )
    some = table.take(rows)
    if addresses is not None and not some.has_address.all():
        # Below the word lanes tell where data is, but for where address lines do.
        word = 1 if bus.address_from_lines else bus.word_bytes
        free = [
            bit
            for line, bit in zip(bus.address, bus.address_bits, strict=True)
            if line in hidden and 1 << bit >= word
        ]
        # Where in its word a beat is follows from its lanes.
        inside = some.address & np.uint64(word - 1)
        # No address is met twice by chance; where there are too few bits for that, reads are
        # left out, since nobody knows what they should return.
        if 1 << len(free) < len(rows):
            is_read = some.direction == DIRECTIONS.index("read")
            rows, some, inside = rows[~is_read], some.take(~is_read), inside[~is_read]
        some = replace(some, address=_apart(addresses(rows), free, word) | inside)
    odd = without_port(bus, transfers_of(some))
    some, rows = some.take(np.delete(np.arange(len(rows)), odd)), np.delete(rows, odd)
    transfers, reads = [], []
    for at, transfer in enumerate(transfers_of(some)):
        if bus.kind(transfer.kind).direction == "read":
            known = int(some.data_known[at]) & lane_mask(bus, transfer.lanes)
            reads.append(Returned(at, int(some.data[at]) & known, known))
            transfer = replace(transfer, data=None)
        transfers.append(transfer)
    notes: tuple[str, ...] = ("without a log, what was written is taken from the lines",)
    notes += notes_on_kinds(bus, _counted_kinds(bus, table.kind))
    if odd:
        notes += (f"{counted(len(odd), 'cycle')} left out: no port moves the lanes that they show",)
    told = returned(model, transfers, None, reads, name=name, hidden=hidden)
    return Stimulus(told, rows, notes)


def _apart(addresses: Words, free: Sequence[int], word: int) -> Words:
    """Give addresses of words that differ from row to row, in bits that are free."""
    number = np.arange(len(addresses), dtype=np.uint64)
    out = addresses & ~np.uint64(word - 1)
    for at, bit in enumerate(free):
        out = (out & ~np.uint64(1 << bit)) | (
            (number >> np.uint64(at) & np.uint64(1)) << np.uint64(bit)
        )
    return out
