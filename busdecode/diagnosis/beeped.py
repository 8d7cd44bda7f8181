"""Points that were beeped against each other, as evidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from busdecode.diagnosis.evidence import Evidence
from busdecode.diagnosis.probing import telling_points
from busdecode.faults import Stuck
from busdecode.predict import Foretold

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from busdecode.predict import FaultRows, Model

__all__ = ["Beeped", "beeped"]


_READING = np.uint64(0b11)
"""A reading is two bits that are alike, where it is not as on a healthy bus: it is wrong as seldom
as two bits are at once, by `NOISE`, since one looks twice then (proposed). Else it is one bit."""


@dataclass(frozen=True, eq=False)
class Beeped(Evidence):
    """Whether points are tied, as a meter tells with the power off; an observation a pair.

    Parameters
    ----------
    pairs : tuple of (str, str)
        Two lines; a line and one of `RAILS`; or a line twice: its ends at host and card, which are
        tied on a healthy bus.
    """

    unit: ClassVar[str] = "pair"

    pairs: tuple[tuple[str, str], ...]

    def over(self, rows: FaultRows) -> Iterator[tuple[slice, Foretold]]:
        """Foretell each pair with each fault: otherwise than healthy where the fault tells.

        What holds a line may be a part that does so with the power on alone: then nothing is
        foretold of its rail.
        """
        tells = [set(map(frozenset, telling_points(fault))) for fault in rows.faults]
        holds = np.array([isinstance(fault, Stuck) for fault in rows.faults], dtype=bool)
        is_told = np.array([[frozenset(pair) in each for pair in self.pairs] for each in tells])
        is_told = is_told.reshape(len(rows), len(self.pairs))
        known = ~(is_told & holds[:, None])
        words = (_healthy(self.pairs) ^ is_told) & known
        yield slice(0, len(rows)), Foretold(words * _READING, known * _READING)

    def where(self) -> list[tuple[str, int]]:
        """Give the points that read otherwise than on a healthy bus."""
        return [
            (f"{one} with {other}" if one != other else f"{one} from end to end", 1)
            for (one, other), wrong in zip(self.pairs, self.wrong.tolist(), strict=True)
            if wrong
        ]

    def first(self, count: int) -> Beeped:
        """Give all of it: there is little."""
        return self


def beeped(
    model: Model, readings: Sequence[tuple[str, str, bool]], *, name: str = "meter"
) -> Beeped:
    """Take readings of a meter as evidence.

    Parameters
    ----------
    model : Model
    readings : sequence of (str, str, bool)
        Two points, as `Beeped.pairs` has them, and whether they are tied.
    name : str
    """
    seen = np.array([is_tied for _, _, is_tied in readings], dtype=bool) * _READING
    pairs = tuple((one, other) for one, other, _ in readings)
    expected = _healthy(pairs) * _READING
    looked = np.where(seen == expected, np.uint64(1), _READING)
    return Beeped(
        model=model,
        seen=seen & looked,
        looked=looked,
        expected=expected,
        known=np.full(len(seen), _READING),
        of_lines=np.ones(len(seen), dtype=bool),
        notes=(),
        name=name,
        pairs=pairs,
    )


def _healthy(pairs: Sequence[tuple[str, str]]) -> NDArray[np.bool_]:
    """Tell which points are tied on a healthy bus: the two ends of one line."""
    return np.array([one == other for one, other in pairs], dtype=bool)
