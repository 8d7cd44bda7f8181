"""The stretches of time in which beats are looked at, and the rows of a capture that show them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles import MISSING

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busdecode.capture import Capture
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

__all__ = ["Spans", "chosen", "margin_of", "reaches_of"]

_NEVER = np.iinfo(np.int64).max // 2


@dataclass(frozen=True, eq=False)
class Spans:
    """Stretches of time, S of them.

    Parameters
    ----------
    begins, ends : ndarray of int64, shape (S,), ps
        Half-open, rising, apart from one another.
    """

    begins: Ints
    ends: Ints

    @staticmethod
    def joined(begins: Ints, ends: Ints) -> Spans:
        """Join stretches that touch or overlap, in any order; empty ones are left out."""
        begins, ends = begins[ends > begins], ends[ends > begins]
        order = np.argsort(begins, kind="stable")
        begins, ends = begins[order], np.maximum.accumulate(ends[order])
        is_first = np.concatenate(([True], begins[1:] > ends[:-1]))[: len(begins)]
        is_last = np.concatenate((is_first[1:], [True]))[: len(begins)]
        return Spans(begins[is_first], ends[is_last])

    def shown_by(self, capture: Capture) -> Bools:
        """Tell which rows hold at any moment of a stretch, shape (N,)."""
        times = capture.times
        low = int(np.searchsorted(self.ends, times[0], "right"))
        high = int(np.searchsorted(self.begins, capture.end, "left"))
        first = np.searchsorted(times, self.begins[low:high], "right") - 1
        beyond = np.searchsorted(times, self.ends[low:high], "left")
        edges = np.zeros(len(times) + 1, dtype=np.int64)
        np.add.at(edges, np.maximum(first, 0), 1)
        np.add.at(edges, beyond, -1)
        shown: Bools = np.cumsum(edges[:-1]) > 0
        return shown


def margin_of(bus: Bus, uncertainty: int) -> int:
    """Give how far from the phases of a beat, in ps, the comparison looks at most."""
    validity = bus.validity
    moments = [*bus.take.values(), validity.write, validity.read]
    moments += [each for each in (bus.lanes_quiet, bus.endings_quiet) if each is not None]
    furthest = max(abs(moment.offset) for moment in moments)
    # Places are told apart twice the uncertainty before the address phase; lines must not change
    # within one more.
    return max(furthest, validity.write_hold, validity.read_hold) + 4 * uncertainty + 1


def reaches_of(table: CycleTable, beats: Ints, margin: int) -> tuple[Ints, Ints]:
    """Give from when to when each beat is looked at, a margin around its phases included.

    Returns
    -------
    begins, ends : ndarray of int64, shape (M,), ps
        The end is before the begin for a beat of which no phase was seen.
    """
    phases = table.phases[beats]
    begins = np.where(phases == MISSING, _NEVER, phases).min(axis=1, initial=_NEVER)
    ends = phases.max(axis=1, initial=-_NEVER)
    return begins - margin, ends + margin


def chosen(capture: Capture, rows: Bools) -> Capture:
    """Give some rows of a capture, each at its own moment."""
    return replace(
        capture,
        times=capture.times[rows],
        states=capture.states[rows],
        unknown=None if capture.unknown is None else capture.unknown[rows],
        gaps=None if capture.gaps is None else capture.gaps[rows],
    )
