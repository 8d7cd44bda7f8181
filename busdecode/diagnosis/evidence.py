"""A log of writes and reads as evidence: what each read should have returned, and what it did."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import kind_of, split_logged
from busdecode.errors import quoted
from busdecode.predict import Foreteller

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from busdecode.access import Access, Transfer
    from busdecode.predict import Model

    Words = NDArray[np.uint64]

__all__ = ["ReadBack", "read_back"]


@dataclass(frozen=True, eq=False)
class ReadBack:
    """What software wrote and what it read back; R reads.

    Parameters
    ----------
    foreteller : Foreteller
        For the transfers of the log.
    access : ndarray of int64, shape (R,)
        Which access of the log each read belongs to.
    seen, looked : ndarray of uint64, shape (R,)
        What was read, as it stood on the data lines, and the bits that the read moved.
    expected, known : ndarray of uint64, shape (R,)
        What a healthy bus returns, and the bits of it that are known.
    notes : tuple of str
    """

    foreteller: Foreteller
    access: NDArray[np.int64]
    seen: Words
    looked: Words
    expected: Words
    known: Words
    notes: tuple[str, ...]

    @property
    def wrong(self) -> Words:
        """The bits that each read returned wrong, shape (R,)."""
        return (self.seen ^ self.expected) & self.known & self.looked

    def first(self, reads: int) -> ReadBack:
        """Give the evidence of the first reads alone."""
        return ReadBack(
            self.foreteller.first(reads),
            self.access[:reads],
            self.seen[:reads],
            self.looked[:reads],
            self.expected[:reads],
            self.known[:reads],
            self.notes,
        )

    @property
    def judged(self) -> int:
        """How many reads can be judged: something of what they should return is known."""
        return int((self.known & self.looked != 0).sum())


def read_back(
    model: Model,
    accesses: Sequence[Access],
    *,
    offset: int = 0,
    path: Path | str | None = None,
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

    Raises
    ------
    LogError
        If the bus has no cycle for an access, or its address is outside the bus.
    """
    bus = model.bus
    transfers: list[Transfer] = []
    parts: list[int] = []
    rows: list[tuple[int, int, int, int, int]] = []
    skipped: dict[str, int] = {}
    for at, access in enumerate(accesses):
        split = split_logged(bus, access, offset=offset, path=path)
        kind = kind_of(bus, access.op)
        assert kind is not None
        if kind.space == "none" or kind.direction == "none":
            skipped[kind.name] = skipped.get(kind.name, 0) + 1
            continue
        for count, (transfer, moved, expected) in enumerate(split):
            transfers.append(transfer)
            parts.append(count % bus.operand.beats)
            if kind.direction == "read":
                rows.append((at, moved, int(access.data is not None), expected, len(transfers)))
    foreteller = Foreteller(model, transfers, parts)
    healthy = foreteller.healthy()
    known, words = healthy.known[0], healthy.words[0]
    looked = foreteller.moved * np.array([row[2] for row in rows], dtype=np.uint64)
    seen = np.array([row[1] for row in rows], dtype=np.uint64) & looked
    foreteller.observe(seen, looked)
    told = np.array([row[3] for row in rows], dtype=np.int64)
    # What nobody wrote is as the log expects it.
    is_told = (told >= 0) & (known == 0)
    return ReadBack(
        foreteller,
        np.array([row[0] for row in rows], dtype=np.int64),
        seen,
        looked,
        np.where(is_told, told.astype(np.uint64) & looked, words),
        np.where(is_told, looked, known),
        tuple(
            f"left out, as no memory answers: accesses of kind {quoted(name)}, {count} of them"
            for name, count in skipped.items()
        ),
    )
