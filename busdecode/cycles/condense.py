"""Rows of a chunk to the rows that decoding looks at: all levels known, those between dropped."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles.occurrences import Rows, mask_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.protocol import Bus

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["FOREVER", "Condenser", "pulled"]

FOREVER = np.iinfo(np.int64).max // 2
"""A moment, in ps, later than any of a capture, to which a reach can still be added."""


def pulled(bus: Bus, lines: Sequence[str], states: Words, unknown: Words) -> tuple[Words, Words]:
    """Give released lines that have a pull its level.

    Parameters
    ----------
    bus : Bus
    lines : sequence of str
        The lines of the rows, in order.
    states, unknown : ndarray of uint64, shape (N, W)

    Returns
    -------
    states, unknown : ndarray of uint64, shape (N, W)
    """
    index = {line: at for at, line in enumerate(lines)}
    words = states.shape[1]
    up = mask_of([line.name for line in bus.lines if line.pull == "up"], index, words)
    down = mask_of([line.name for line in bus.lines if line.pull == "down"], index, words)
    released = unknown & states
    return states & ~(released & down), unknown & ~(released & (up | down))


class Condenser:
    """Drop the rows that are not near a change of a control line.

    Parameters
    ----------
    bus : Bus
    lines, control : tuple of str
        The captured lines, and those of them that events look at.
    reach : (int, int), ps
        How far before and after a change of a control line rows are looked at.
    has_reach : bool
        Whether events or moments reach beyond the uncertainty of edges.
    """

    def __init__(
        self,
        bus: Bus,
        lines: tuple[str, ...],
        control: tuple[str, ...],
        reach: tuple[int, int],
        *,
        has_reach: bool,
    ) -> None:
        self._bus = bus
        self._lines = lines
        self._index = {line: at for at, line in enumerate(lines)}
        self._control = control
        self._mask = mask_of(control, self._index, max(1, -(-len(lines) // 64)))
        self._reach_back, self._reach_on = reach
        self._has_reach = has_reach
        self._last = self._idle()

    def _idle(self) -> Words:
        """Give the levels that control lines are taken to have before the first known one."""
        idle = [0] * len(self._mask)
        for at, name in enumerate(self._lines):
            line = self._bus.line(name)
            is_high = line.pull == "up" or (line.pull == "none" and line.active_low)
            idle[at // 64] |= int(is_high) << (at % 64)
        return np.array(idle, dtype=np.uint64)

    def rows(self, tail: Rows | None, times: Ints, states: Words, unknown: Words | None) -> Rows:
        """Give the rows to look at: those kept before, and those of a chunk.

        Released lines show their pull; control lines that are not known, their last level.
        """
        states, unknown = self._known(states, unknown)
        if tail is not None and len(tail):
            times = np.concatenate([tail.times, times])
            if unknown is not None or tail.unknown is not None:
                before = np.zeros_like(tail.states) if tail.unknown is None else tail.unknown
                after = np.zeros_like(states) if unknown is None else unknown
                unknown = np.concatenate([before, after])
            states = np.concatenate([tail.states, states])
        if len(times) > 4:
            keep = self._kept(times, states)
            times, states = times[keep], states[keep]
            unknown = None if unknown is None else unknown[keep]
        return Rows(times, states, unknown, self._index)

    def _known(self, states: Words, unknown: Words | None) -> tuple[Words, Words | None]:
        if unknown is not None and unknown.any():
            states, unknown = pulled(self._bus, self._lines, states, unknown)
            if (unknown & self._mask).any():
                states = states.copy()
                for line in self._control:
                    self._hold_last(states, unknown, self._index[line])
                unknown = unknown & ~self._mask
        if len(states):
            self._last = states[-1].copy()
        return states, unknown

    def _hold_last(self, states: Words, unknown: Words, at: int) -> None:
        word, bit = at // 64, np.uint64(1 << (at % 64))
        lost = (unknown[:, word] & bit) != 0
        if not lost.any():
            return
        level = (states[:, word] & bit) != 0
        last = np.maximum.accumulate(np.where(lost, -1, np.arange(len(states))))
        held = np.where(last < 0, (self._last[word] & bit) != 0, level[last])
        states[:, word] = np.where(held, states[:, word] | bit, states[:, word] & ~bit)

    def _kept(self, times: Ints, states: Words) -> NDArray[np.bool_]:
        """Tell which rows are near a change, or at the end, where a change may follow."""
        count = len(times)
        moved = np.zeros(count - 1, dtype=np.bool_)
        for word, mask in enumerate(self._mask):
            if mask:
                column = states[:, word]
                moved |= ((column[1:] ^ column[:-1]) & mask) != 0
        near = np.append(False, moved)
        if self._has_reach or int((times[1:] - times[:-1]).min()) < self._reach_on:
            at = times[1:][moved]
            spans_to = np.append(times[1:], FOREVER)
            low = np.searchsorted(at, times - self._reach_on - 1, "left")
            high = np.searchsorted(at, spans_to + self._reach_back + 1, "right")
            near |= high > low
            near |= times >= times[-1] - self._reach_on - self._reach_back - 1
        keep = near.copy()
        keep[:-1] |= near[1:]
        keep[1:] |= near[:-1]
        keep[0] = True
        keep[-4:] = True
        return keep
