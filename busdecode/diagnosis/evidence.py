"""What was observed, as evidence: what a healthy bus gives, and what was seen.

An observation is a word of up to 64 bits: what a read returned, or what lines showed at a moment of
a cycle. All evidence is judged alike, whatever it came from.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import Counter
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple, Self

import numpy as np

from busdecode.access import kind_of, split_logged
from busdecode.errors import quoted
from busdecode.predict import Foreteller, Foretold

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from busdecode.access import Access, Port, Transfer
    from busdecode.predict import FaultRows, Model
    from busdecode.protocol import Bus

    Bools = NDArray[np.bool_]
    Words = NDArray[np.uint64]

__all__ = [
    "Evidence",
    "Joint",
    "ReadBack",
    "Returned",
    "counted_lines",
    "kinds_taken",
    "notes_on_kinds",
    "read_back",
    "returned",
]

_ONE = np.uint64(1)


@dataclass(frozen=True, eq=False)
class Evidence(ABC):
    """What was observed; R observations.

    Parameters
    ----------
    model : Model
    seen, looked : ndarray of uint64, shape (R,)
        What was seen, and the bits that were looked at.
    expected, known : ndarray of uint64, shape (R,)
        What a healthy bus gives, and the bits of it that are known.
    of_lines : ndarray of bool, shape (R,)
        Observations of lines in cycles, not of what reads returned.
    notes : tuple of str
    name : str
        What it is called where it is told of.

    Attributes
    ----------
    unit : str
        What it is counted in where it is told of.
    is_by_bit : bool
        Whether each bit is one of these; else each observation is.
    """

    unit: ClassVar[str] = "read"
    is_by_bit: ClassVar[bool] = False

    model: Model
    seen: Words
    looked: Words
    expected: Words
    known: Words
    of_lines: Bools
    notes: tuple[str, ...]
    name: str

    @abstractmethod
    def over(self, rows: FaultRows) -> Iterator[tuple[slice, Foretold]]:
        """Foretell every observation with each fault, some faults at a time."""

    @abstractmethod
    def first(self, count: int) -> Evidence:
        """Give about so many of the first observations alone."""

    def _cut(self, count: int, **own: Any) -> Self:
        """Give the first observations alone; `own` has what a kind of evidence keeps besides."""
        return replace(
            self,
            seen=self.seen[:count],
            looked=self.looked[:count],
            expected=self.expected[:count],
            known=self.known[:count],
            of_lines=self.of_lines[:count],
            **own,
        )

    def __len__(self) -> int:
        return len(self.seen)

    @property
    def wrong(self) -> Words:
        """The bits of each observation that are not as on a healthy bus, shape (R,)."""
        return (self.seen ^ self.expected) & self.known & self.looked

    @property
    def judged(self) -> int:
        """How many observations can be judged: something of what they should be is known."""
        return int((self.known & self.looked != 0).sum())

    def where(self) -> list[tuple[str, int]]:
        """Give where what is wrong lies, as it is said of a piece, and how often."""
        return []

    @property
    def is_judged_read(self) -> Bools:
        """Whether each observation is of a read that can be judged, shape (R,)."""
        is_judged: Bools = ~self.of_lines & (self.known & self.looked != 0)
        return is_judged

    def units(self, bits: Words) -> int:
        """Count in the evidence's own unit what has any of some bits, shape (R,)."""
        return int((np.bitwise_count(bits) if self.is_by_bit else bits != 0).sum())


@dataclass(frozen=True, eq=False)
class Joint(Evidence):
    """Several pieces of evidence of one bus, all counting together.

    Parameters
    ----------
    pieces : tuple of Evidence
    """

    pieces: tuple[Evidence, ...]

    @classmethod
    def of(cls, pieces: Sequence[Evidence]) -> Joint:
        """Join pieces, one at least."""
        return cls(
            model=pieces[0].model,
            seen=np.concatenate([piece.seen for piece in pieces]),
            looked=np.concatenate([piece.looked for piece in pieces]),
            expected=np.concatenate([piece.expected for piece in pieces]),
            known=np.concatenate([piece.known for piece in pieces]),
            of_lines=np.concatenate([piece.of_lines for piece in pieces]),
            notes=tuple(dict.fromkeys(note for piece in pieces for note in piece.notes)),
            name="all evidence",
            pieces=tuple(pieces),
        )

    def over(self, rows: FaultRows) -> Iterator[tuple[slice, Foretold]]:
        """Foretell every observation with each fault, some faults at a time."""
        # As many as each piece takes at once: what is common to pieces is worked out once.
        step = max(1, _CELLS // max([1, *map(len, self.pieces)]))
        for first in range(0, len(rows), step):
            part = slice(first, min(first + step, len(rows)))
            some = rows.part(part)
            words = np.zeros((len(some), len(self)), dtype=np.uint64)
            known = np.zeros_like(words)
            at = 0
            for piece in self.pieces:
                columns = slice(at, at + len(piece))
                for which, found in piece.over(some):
                    words[which, columns], known[which, columns] = found.words, found.known
                at = columns.stop
            yield part, Foretold(words, known)

    def first(self, count: int) -> Joint:
        """Give about so many of the first observations, of each piece its share."""
        every = max(1, len(self))
        return Joint.of([p.first(max(1, count * len(p) // every)) for p in self.pieces])


_CELLS = 1 << 18
"""Fault times observation: so much at once."""


@dataclass(frozen=True, eq=False)
class ReadBack(Evidence):
    """What software wrote and what it read back; R reads.

    Parameters
    ----------
    foreteller : Foreteller
        For the transfers of the log.
    access : ndarray of int64, shape (R,)
        Which access of the log each read belongs to.
    """

    foreteller: Foreteller
    access: NDArray[np.int64]

    def over(self, rows: FaultRows) -> Iterator[tuple[slice, Foretold]]:
        """Foretell every read with each fault, some faults at a time."""
        return self.foreteller.over(rows)

    def where(self) -> list[tuple[str, int]]:
        """Give the data lines of which bits are wrong, and in how many reads."""
        return counted_lines(self.wrong, dict(enumerate(reversed(self.model.bus.data))))

    def first(self, count: int) -> ReadBack:
        """Give the evidence of the first reads alone."""
        return self._cut(count, foreteller=self.foreteller.first(count), access=self.access[:count])


def counted_lines(wrong: Words, names: Mapping[int, str]) -> list[tuple[str, int]]:
    """Count the words in which a bit is set, for each bit that has a name; most first.

    Examples
    --------
    >>> counted_lines(np.array([0b110, 0b100], dtype=np.uint64), {0: "D0", 1: "D1", 2: "D2"})
    [('D2', 2), ('D1', 1)]
    """
    counts = [(name, int((wrong >> np.uint64(bit) & _ONE).sum())) for bit, name in names.items()]
    return sorted((each for each in counts if each[1]), key=lambda each: -each[1])


def kinds_taken(bus: Bus, present: Collection[str]) -> frozenset[str]:
    """Give the kinds of a stimulus that count: those that a memory answers, if any.

    Others may be answered by another card. Where there are only others, the card in question
    answers them: what is written shows on the lines, though what is read is not known before.

    Parameters
    ----------
    bus : Bus
    present : collection of str
        The kinds that the stimulus has.
    """
    data = {kind.name: kind for kind in bus.kinds if kind.direction != "none"}
    there = data.keys() & present
    return frozenset({name for name in there if data[name].is_of_memory} or there)


def notes_on_kinds(bus: Bus, counts: Mapping[str, int]) -> tuple[str, ...]:
    """Say which kinds of a stimulus do not count, or that nothing is known of what it reads.

    Parameters
    ----------
    bus : Bus
    counts : mapping of str to int
        How many there are of each kind that moves data.
    """
    taken = kinds_taken(bus, counts)
    if taken and not any(bus.kind(name).is_of_memory for name in taken):
        return ("no memory answers: what reads should return is not known, lines alone tell",)
    return tuple(
        f"left out, as no memory answers: accesses of kind {quoted(name)}, {count} of them"
        for name, count in counts.items()
        if name not in taken
    )


def read_back(
    model: Model,
    accesses: Sequence[Access],
    *,
    offset: int = 0,
    path: Path | str | None = None,
    port: Port | None = None,
    name: str = "read-backs",
) -> ReadBack:
    """Take a log as evidence.

    Parameters
    ----------
    model : Model
    accesses : sequence of Access
        In the order in which they were made; a read without data tells nothing.
    offset : int
        Added to every address: where software and bus disagree.
    path : path or str, optional
        Named in errors.
    port : callable, optional
        Where the card decides which lanes move: its answer at a word address.
    name : str
        What the log is called.

    Raises
    ------
    LogError
        If the bus has no cycle for an access, or its address is outside the bus.
    """
    bus = model.bus
    transfers: list[Transfer] = []
    parts: list[int] = []
    rows: list[Returned] = []
    kinds = (kind_of(bus, each.op) for each in accesses)
    counts = Counter(kind.name for kind in kinds if kind is not None)
    taken = kinds_taken(bus, counts)
    for at, access in enumerate(accesses):
        split = split_logged(bus, access, offset=offset, port=port, path=path)
        kind = kind_of(bus, access.op)
        assert kind is not None
        if kind.name not in taken:
            continue
        for count, (transfer, moved, expected) in enumerate(split):
            transfers.append(transfer)
            parts.append(count % bus.operand.beats)
            if kind.direction == "read":
                told = 0 if access.data is None else (1 << 64) - 1
                rows.append(Returned(at, moved, told, expected))
    return returned(
        model,
        transfers,
        parts,
        rows,
        notes_on_kinds(bus, counts),
        name=name,
    )


class Returned(NamedTuple):
    """What one read returned.

    `access` is its number in the log; `word` as it stood on the data lines, and the bits of it that
    are told; `expected` is what the log says it should have been, or -1.
    """

    access: int
    word: int
    told: int
    expected: int = -1


def returned(
    model: Model,
    transfers: Sequence[Transfer],
    parts: Sequence[int] | None,
    reads: Sequence[Returned],
    notes: tuple[str, ...] = (),
    *,
    name: str = "read-backs",
    hidden: Collection[str] = (),
) -> ReadBack:
    """Take what transfers returned as evidence.

    Parameters
    ----------
    model : Model
    transfers : sequence of Transfer
        Of `kinds_taken`, in order.
    parts : sequence of int, optional
        Which part of a byte each moves, where the data lines are narrower.
    reads : sequence of Returned
        For each read among them.
    notes : tuple of str
    name : str
    hidden : collection of str
        As `Foreteller` has them.
    """
    foreteller, (words, known), (seen, looked) = _observed(
        model,
        tuple(transfers),
        None if parts is None else tuple(parts),
        tuple((each.word, each.told) for each in reads),
        frozenset(hidden),
    )
    told = np.array([each.expected for each in reads], dtype=np.int64)
    # What nobody wrote is as the log expects it.
    is_told = (told >= 0) & (known == 0)
    return ReadBack(
        model=model,
        seen=seen,
        looked=looked,
        expected=np.where(is_told, told.astype(np.uint64) & looked, words),
        known=np.where(is_told, looked, known),
        of_lines=np.zeros(len(reads), dtype=bool),
        notes=notes,
        name=name,
        foreteller=foreteller,
        access=np.array([each.access for each in reads], dtype=np.int64),
    )


@lru_cache(maxsize=4)
def _observed(
    model: Model,
    transfers: tuple[Transfer, ...],
    parts: tuple[int, ...] | None,
    reads: tuple[tuple[int, int], ...],
    hidden: frozenset[str],
) -> tuple[Foreteller, tuple[Words, Words], tuple[Words, Words]]:
    """Foretell a run, once for captures of the same one.

    Returns
    -------
    Foreteller
        That was told what the reads returned.
    two ndarrays of uint64, shape (R,)
        What they return on a healthy bus, and the bits of it that are known.
    two ndarrays of uint64, shape (R,)
        What they returned, and the bits of it that are told.
    """
    foreteller = Foreteller(model, transfers, parts, hidden)
    healthy = foreteller.healthy()
    looked = foreteller.moved & np.array([told for _, told in reads], dtype=np.uint64)
    seen = np.array([word for word, _ in reads], dtype=np.uint64) & looked
    foreteller.observe(seen, looked)
    return foreteller, (healthy.words[0], healthy.known[0]), (seen, looked)
