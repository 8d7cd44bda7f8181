"""Lines that were beeped against each other, as evidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from busdecode.diagnosis.evidence import Evidence
from busdecode.faults import Bridge
from busdecode.predict import Foretold, lines_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from busdecode.predict import FaultRows, Model

__all__ = ["Beeped", "beeped"]


@dataclass(frozen=True, eq=False)
class Beeped(Evidence):
    """Whether pairs of lines are tied, as a meter tells with the power off; an observation a pair.

    Parameters
    ----------
    pairs : tuple of (str, str)
    """

    unit: ClassVar[str] = "pair"

    pairs: tuple[tuple[str, str], ...]

    def over(self, rows: FaultRows) -> Iterator[tuple[slice, Foretold]]:
        """Foretell each pair with each fault: tied where the fault ties it, and else not."""
        words = np.zeros((len(rows), len(self.pairs)), dtype=np.uint64)
        ties = [
            frozenset(lines_of(fault)) if isinstance(fault, Bridge) else None
            for fault in rows.faults
        ]
        for at, pair in enumerate(self.pairs):
            words[:, at] = [tied == frozenset(pair) for tied in ties]
        yield slice(0, len(rows)), Foretold(words, np.ones_like(words))

    def first(self, count: int) -> Beeped:
        """Give all of it: there is little."""
        return self


def beeped(
    model: Model, readings: Sequence[tuple[str, str, bool]], *, name: str = "meter"
) -> Beeped:
    """Take meter readings as evidence.

    Parameters
    ----------
    model : Model
    readings : sequence of (str, str, bool)
        Two lines, and whether they are tied.
    name : str
    """
    seen = np.array([is_tied for _, _, is_tied in readings], dtype=np.uint64)
    return Beeped(
        model=model,
        seen=seen,
        looked=np.ones_like(seen),
        expected=np.zeros_like(seen),
        known=np.ones_like(seen),
        of_lines=np.ones(len(seen), dtype=bool),
        notes=(),
        name=name,
        pairs=tuple((one, other) for one, other, _ in readings),
    )
