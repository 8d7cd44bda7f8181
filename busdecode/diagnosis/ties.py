"""Which lines of a capture are never seen to differ, as evidence of what is tied to what."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, ClassVar, Literal, NamedTuple

import numpy as np

from busdecode.compare import WholeRecording
from busdecode.cycles import DecodedPlace, Sampling, decode, synthesise
from busdecode.diagnosis.evidence import Evidence
from busdecode.faults import RAILS, Bridge, Stuck
from busdecode.predict import Foretold, lines_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from numpy.typing import NDArray

    from busdecode.access import Transfer
    from busdecode.compare import PlaceSurvey
    from busdecode.faults import Fault
    from busdecode.predict import FaultRows, Model

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Healthy", "Ties", "expected_to_differ", "pairs_apart", "ties_in"]

APART = 3
"""Settled rows in which two lines must differ before they count as seen to: a row may be a
glitch."""

_MOST_TRANSFERS = 300
"""A healthy run of so many transfers tells which lines should differ."""

_RUNS: tuple[tuple[int, Literal[0, 1]], ...] = ((1, 0), (2, 1))
"""Seeds of such runs, and what each bit is there that nothing decides: what a card holds that
nobody wrote to may be the same everywhere."""


@dataclass(frozen=True, eq=False)
class Ties(Evidence):
    """Whether each two lines of one place were seen to differ, a bit a pair.

    Ground and supply count as two lines more, L in all: a line that is never high never differs
    from ground.

    Parameters
    ----------
    place : str
    lines : tuple of str
        Those that were captured.
    levels : ndarray of bool, shape (L, 2)
        Whether each is low, and high, for many rows on a healthy bus.
    is_still : ndarray of bool, shape (L,)
        Whether each never moves there.
    """

    unit: ClassVar[str] = "pair"
    is_by_bit: ClassVar[bool] = True

    place: str
    lines: tuple[str, ...]
    levels: Bools
    is_still: Bools

    def over(self, rows: FaultRows) -> Iterator[tuple[slice, Foretold]]:
        """Foretell every pair with each fault.

        Lines that are tied never differ, nor does one that is held from those that the host keeps
        at its level. Of a fault that touches lines of control, no other pair
        is foretold; of others, pairs without the fault's own lines are as on a healthy bus.
        """
        words = np.tile(self.expected, (len(rows), 1))
        known = np.tile(self.known, (len(rows), 1))
        known[rows.controls | rows.special] = 0
        place, count = self._place, len(self._place)
        touching = _touching(count)
        for row, fault in enumerate(rows.faults):
            at = [
                place[line] for line in (() if fault is None else lines_of(fault)) if line in place
            ]
            for line in at:
                known[row] &= ~touching[line]
            if isinstance(fault, Bridge) and len(at) == 2:
                word, bit = _bit_of(at[0], at[1], count)
                words[row, word] &= ~bit
                known[row, word] |= bit
            if isinstance(fault, Stuck) and at:
                for still in (place[RAILS[fault.level]], *self._still_at[fault.level]):
                    if still != at[0]:
                        word, bit = _bit_of(at[0], still, count)
                        words[row, word] &= ~bit
                        known[row, word] |= bit
            if fault is None or rows.controls[row]:
                continue
            for line, level, other in self._held(fault):
                # It differs from those that are at the other level; the other line is as ever.
                differs = np.zeros((count, count), dtype=bool)
                differs[line] = differs[:, line] = self.levels[:, 1 - level]
                words[row] = (words[row] & ~touching[line]) | (_packed(differs) & touching[line])
                known[row] |= touching[line]
                if other is not None:
                    known[row] |= self.known & touching[other]
        yield slice(0, len(rows)), Foretold(words & known, known)

    @cached_property
    def _still_at(self) -> tuple[list[int], list[int]]:
        """Give the lines that the host keeps at low all the time, and at high, whatever comes."""
        by_host = [self.model.bus.line(line).driver == "host" for line in self.lines]
        still = np.flatnonzero(self.is_still[: len(self.lines)] & by_host).tolist()
        low = [at for at in still if not self.levels[at, 1]]
        return low, [at for at in still if at not in low]

    @cached_property
    def _place(self) -> dict[str, int]:
        """Where each line, and each rail, stands among all."""
        return {line: at for at, line in enumerate((*self.lines, *RAILS))}

    def _held(self, fault: Fault) -> list[tuple[int, int, int | None]]:
        """Give the lines that a fault holds at one level all the time, the level, and by what.

        Being tied to a line that never moves is like being held, where that line has its way.
        """
        place = self._place
        if isinstance(fault, Stuck):
            return [(place[fault.line], fault.level, None)] if fault.line in place else []
        held: list[tuple[int, int, int | None]] = []
        if not isinstance(fault, Bridge) or not {fault.a, fault.b} <= place.keys():
            return held
        a, b = place[fault.a], place[fault.b]
        for mine, other, wins in ((a, b, "b-wins"), (b, a, "a-wins")):
            level = int(self.levels[other, 1])
            if self.is_still[other] and fault.rule in (wins, ("low-wins", "high-wins")[level]):
                held.append((mine, level, other))
        return held

    def where(self) -> list[tuple[str, int]]:
        """Give the pairs that should have differed and never did."""
        names, wrong = tuple(self._place), self.wrong
        return [
            (f"{names[a]} with {names[b]}", 1)
            for number, (a, b) in enumerate(zip(*map(list, _above(len(names))), strict=True))
            if wrong[number // 64] >> np.uint64(number % 64) & np.uint64(1)
        ]

    def first(self, count: int) -> Ties:
        """Give all of it: it does not grow with the capture."""
        return self


def ties_in(
    model: Model,
    survey: PlaceSurvey,
    healthy: Healthy,
    notes: tuple[str, ...] = (),
    *,
    name: str = "pairs of lines",
    untold: Collection[str] = (),
) -> Ties:
    """Take from all rows of a place which lines differ.

    Parameters
    ----------
    model : Model
    survey : PlaceSurvey
    healthy : Healthy
        Of the survey's lines.
    notes : tuple of str
    name : str
    untold : collection of str
        Lines that were not captured there, or of which nobody knows what was driven on them: no
        pair with one of them tells anything.
    """
    lines = survey.lines
    # A pair of which one line is hardly ever known tells nothing, nor one that differed once.
    seen, looked = pairs_apart(survey)
    for at, touching in enumerate(_touching(len(lines) + len(RAILS))):
        if at < len(lines) and lines[at] in untold:
            looked &= ~touching
    return Ties(
        model=model,
        seen=seen,
        looked=looked,
        expected=_packed(healthy.differ),
        known=_packed(healthy.differ),
        of_lines=np.ones(len(seen), dtype=bool),
        notes=notes,
        name=name,
        place=survey.place,
        lines=lines,
        levels=healthy.levels,
        is_still=healthy.is_still,
    )


class Healthy(NamedTuple):
    """Which of L lines differ for many rows on a healthy bus, (L, L), and at which levels each is.

    Ground and supply are the last two. `levels` has a row a line: low, high. `is_still`, shape
    (L,), tells which never move.
    """

    differ: Bools
    levels: Bools
    is_still: Bools


def pairs_apart(survey: PlaceSurvey) -> tuple[Words, Words]:
    """Give which pairs of lines are seen to differ, a bit a pair, and for which that is told."""
    differ = _with_rails(survey, range(len(survey.lines)))
    known = np.pad(survey.pairs.both_known(), (0, len(RAILS)), mode="constant")
    for at in range(len(survey.lines)):
        known[at, -len(RAILS) :] = known[-len(RAILS) :, at] = known[at, at]
    is_told = (known >= APART) & ((differ == 0) | (differ >= APART))
    return _packed(differ >= APART), _packed(is_told)


def _with_rails(survey: PlaceSurvey, at: Sequence[int]) -> Ints:
    """Count the rows in which some lines differ from each other, and from ground and supply."""
    differ = np.pad(survey.pairs.differing()[np.ix_(at, at)], (0, len(RAILS)), mode="constant")
    for rail, level in enumerate((1, 0), len(at)):
        rows = np.diagonal(survey.pairs.counts(level, level))[list(at)]
        differ[: len(at), rail] = differ[rail, : len(at)] = rows
    return differ


def expected_to_differ(
    model: Model, transfers: Sequence[Transfer], side: str, lines: Sequence[str], period: int
) -> Healthy:
    """Tell which lines differ, for many rows, in healthy runs of transfers.

    Parameters
    ----------
    model : Model
    transfers : sequence of Transfer
    side : str
        ``host``, ``card`` or ``other``.
    lines : sequence of str
    period : int, ps
        At which the capture was sampled.

    Returns
    -------
    Healthy
    """
    count = len(lines) + len(RAILS)
    differs = np.ones((count, count), dtype=bool)
    levels = np.ones((count, 2), dtype=bool)
    # Of a line that does not move in so many, the rest is not known.
    is_still = np.full(count, len(transfers) <= _MOST_TRANSFERS)
    is_still[-len(RAILS) :] = True
    levels[-len(RAILS) :] = np.eye(len(RAILS), dtype=bool)
    for survey in _surveys(model, tuple(transfers[:_MOST_TRANSFERS]), side, period):
        at = [survey.index[line] for line in lines]
        differs &= _with_rails(survey, at) >= 2 * APART
        rows = np.stack([np.diagonal(survey.pairs.counts(bit, bit))[at] for bit in (0, 1)], axis=1)
        levels[: len(at)] &= rows >= 2 * APART
        is_still[: len(at)] &= (rows == 0).any(axis=1) & (rows > 0).any(axis=1)
    return Healthy(differs, levels, is_still)


@lru_cache(maxsize=4)
def _surveys(
    model: Model, transfers: tuple[Transfer, ...], side: str, period: int
) -> tuple[PlaceSurvey, ...]:
    """Survey healthy runs: once, where several captures are of the same stimulus."""
    bus, found = model.bus, []
    for seed, undecided in _RUNS:
        made = synthesise(
            bus,
            transfers,
            seed=seed,
            sampling=Sampling(period=period),
            places=(side,),
            undecided=undecided,
        )
        capture = made.places[side]
        table, _ = decode(bus, [capture])
        recording = WholeRecording({side: DecodedPlace(bus, side, capture, table, 0, ())})
        found.append(recording.surveys[side])
    return tuple(found)


def _bit_of(one: int, other: int, count: int) -> tuple[int, np.uint64]:
    """Give the word and the bit of a pair among all pairs of so many lines."""
    a, b = sorted((one, other))
    number = a * count - a * (a + 1) // 2 + b - a - 1
    return number // 64, np.uint64(1 << number % 64)


@lru_cache(maxsize=16)
def _above(count: int) -> tuple[Ints, ...]:
    """Give the places of all pairs of so many lines, each once."""
    return np.triu_indices(count, 1)


def _packed(pairs: Bools) -> Words:
    """Pack what is told of each pair, shape (L, L), a bit a pair."""
    bits = pairs[_above(len(pairs))]
    padded = np.zeros(-(-len(bits) // 64) * 64, dtype=np.uint8)
    padded[: len(bits)] = bits
    words: Words = np.packbits(padded, bitorder="little").view("<u8").astype(np.uint64)
    return words


@lru_cache(maxsize=16)
def _touching(count: int) -> list[Words]:
    """Give for each line the bits of the pairs that it is in."""
    masks = []
    for line in range(count):
        pairs = np.zeros((count, count), dtype=bool)
        pairs[line] = pairs[:, line] = True
        masks.append(_packed(pairs))
    return masks
