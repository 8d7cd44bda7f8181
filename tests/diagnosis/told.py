"""Evidence of which everything is told by hand, a digit a bit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdecode.diagnosis.evidence import Evidence
from busdecode.predict import Foretold

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

__all__ = ["Told"]


@dataclass(frozen=True, eq=False)
class Told(Evidence):
    """Observations of words; candidates are rows of what they foretell, ``?`` for an open bit."""

    @classmethod
    def of(cls, meant: Sequence[str], seen: Sequence[str]) -> Told:
        """Give the evidence of words that were meant, and seen."""
        looked = np.array([(1 << len(word)) - 1 for word in seen], dtype=np.uint64)
        return cls(
            model=None,
            seen=np.array([int(word, 2) for word in seen], dtype=np.uint64),
            looked=looked,
            expected=np.array([int(word.replace("?", "0"), 2) for word in meant], dtype=np.uint64),
            known=_known(meant),
            of_lines=np.zeros(len(seen), dtype=bool),
            notes=(),
            name="told",
        )

    def foretell(self, rows: Sequence[Sequence[str]]) -> Foretold:
        """Read what candidates foretell, a word an observation."""
        words = [[int(word.replace("?", "0"), 2) for word in row] for row in rows]
        return Foretold(np.array(words, dtype=np.uint64), np.stack([_known(row) for row in rows]))

    def over(self, rows: Sequence[Sequence[str]]) -> Iterator[tuple[slice, Foretold]]:
        """Foretell all at once."""
        yield slice(0, len(rows)), self.foretell(rows)

    def first(self, count: int) -> Told:
        """Give all: there is little."""
        return self


def _known(words: Sequence[str]) -> np.ndarray:
    bits = ["".join("01"[digit != "?"] for digit in word) for word in words]
    return np.array([int(each, 2) for each in bits], dtype=np.uint64)
