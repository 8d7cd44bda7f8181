"""Rows as a reader finds them, before they are cut into the chunks of a capture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Block"]


@dataclass(frozen=True)
class Block:
    """Rows as a reader found them, of any number; laid out as in a Capture.

    Parameters
    ----------
    times : ndarray of int64, shape (N,), ps
    states : ndarray of uint64, shape (N, W)
    unknown : ndarray of uint64, shape (N, W), or None
    gaps : ndarray of bool, shape (N,), or None
        None where all is 0.
    """

    times: NDArray[np.int64]
    states: NDArray[np.uint64]
    unknown: NDArray[np.uint64] | None = None
    gaps: NDArray[np.bool_] | None = None

    def rows(self, first: int, beyond: int) -> Block:
        """Give rows `first` up to, not with, `beyond`."""
        span = slice(first, beyond)
        return Block(
            self.times[span],
            self.states[span],
            None if self.unknown is None else self.unknown[span],
            None if self.gaps is None else self.gaps[span],
        )
