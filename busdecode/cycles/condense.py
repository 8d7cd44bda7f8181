"""Rows of a chunk to the rows that decoding looks at: all levels known, those between dropped."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles.occurrences import Rows, mask_of, take

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import ModuleType

    from numpy.typing import NDArray

    from busdecode.protocol import Bus

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["FOREVER", "Condenser", "hold_last", "pulled"]

FOREVER = np.iinfo(np.int64).max // 2
"""A moment, in ps, later than any of a capture, to which a reach can still be added."""

_FREED_BYTES = 1 << 24
"""A block of memory of that size, freed unused, has the C library of Linux keep for the process
smaller ones that are freed: else each chunk's arrays are fetched anew (a quarter of the time)."""


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


def hold_last(states: Words, unknown: Words, at: int, before: Words) -> None:
    """Give a line, where it is not known, its last known level.

    Parameters
    ----------
    states : ndarray of uint64, shape (N, W)
        Changed in place.
    unknown : ndarray of uint64, shape (N, W)
    at : int
        The line's bit in a row.
    before : ndarray of uint64, shape (W,)
        A row with its level before the first known one.
    """
    word, bit = at // 64, np.uint64(1 << (at % 64))
    lost = (unknown[:, word] & bit) != 0
    if not lost.any():
        return
    level = (states[:, word] & bit) != 0
    last = np.maximum.accumulate(np.where(lost, -1, np.arange(len(states))))
    held = np.where(last < 0, (before[word] & bit) != 0, level[last])
    states[:, word] = np.where(held, states[:, word] | bit, states[:, word] & ~bit)


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

    Attributes
    ----------
    kernels : module or None
        The compiled loops, or None where whole-array code does the same.
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
        self.kernels: ModuleType | None = None
        self._columns: Words = np.empty(0, dtype=np.uint64)
        self._moments: Ints = np.empty(0, dtype=np.int64)
        self._numbers: Ints = np.empty(0, dtype=np.int64)

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

        Released lines show their pull; control lines that are not known, their last level. The
        rows given before are lost, but for copies of them.
        """
        states, unknown = self._known(states, unknown)
        if tail is None:
            none = np.empty((0, states.shape[1]), dtype=np.uint64)
            tail = Rows(np.empty(0, dtype=np.int64), none, None, self._index)
        chosen = self._compiled(tail, times, states) if self.kernels else None
        found, at, columns = chosen or self._plain(tail, times, states)
        if unknown is not None or tail.unknown is not None:
            before = np.zeros_like(tail.states) if tail.unknown is None else tail.unknown
            after = np.zeros_like(states) if unknown is None else unknown
            unknown = np.concatenate([before, after])
            unknown = unknown if at is None else take(unknown, at)
            unknown = unknown if unknown.any() else None
        return Rows(found, columns.T, unknown, self._index, self.kernels)

    def _plain(self, tail: Rows, times: Ints, states: Words) -> tuple[Ints, Ints | None, Words]:
        """Give times, numbers and columns of the rows to look at, by whole arrays.

        Where that is all rows there are no numbers.
        """
        times = np.concatenate([tail.times, times])
        columns = self._room(len(times))[0]
        np.concatenate([tail.states.T, states.T], axis=1, out=columns)
        if len(times) <= 4:
            return times, None, columns
        at = np.flatnonzero(self._kept(times, columns))
        return times.take(at), at, take(columns.T, at).T

    def _compiled(self, tail: Rows, times: Ints, states: Words) -> tuple[Ints, Ints | None, Words]:
        """Give the same by the compiled loop."""
        assert self.kernels is not None
        times = np.require(times, requirements=["C", "W"])
        states = np.require(states, requirements=["C", "W"])
        columns, found, at = self._room(len(tail) + len(times))
        count = self.kernels.condense(
            tail.times, tail.states.T, times, states, self._mask,
            self._reach_back, self._reach_on, self._has_reach, found, columns, at,
        )  # fmt: skip
        return found[:count], at[:count] if count < len(at) else None, columns[:, :count]

    def _room(self, count: int) -> tuple[Words, Ints, Ints]:
        """Give memory that was used before: columns of words, moments and row numbers.

        Fresh memory for each chunk costs more than what is done in it (measured).
        """
        if count > len(self._moments):
            np.empty(_FREED_BYTES, dtype=np.uint8)
            words = len(self._mask)
            self._columns = np.empty(words * count, dtype=np.uint64)
            self._moments = np.empty(count, dtype=np.int64)
            self._numbers = np.empty(count, dtype=np.int64)
        words = len(self._mask)
        columns = self._columns[: words * count].reshape(words, count)
        return columns, self._moments[:count], self._numbers[:count]

    def _known(self, states: Words, unknown: Words | None) -> tuple[Words, Words | None]:
        if unknown is not None and not unknown.any():
            unknown = None
        if unknown is not None:
            states, unknown = pulled(self._bus, self._lines, states, unknown)
            if (unknown & self._mask).any():
                states = states.copy()
                for line in self._control:
                    hold_last(states, unknown, self._index[line], self._last)
                unknown = unknown & ~self._mask
        if len(states):
            self._last = states[-1].copy()
        return states, unknown

    def _kept(self, times: Ints, columns: Words) -> NDArray[np.bool_]:
        """Tell which rows are near a change, or at the end, where a change may follow."""
        count = len(times)
        moved = np.zeros(count - 1, dtype=np.bool_)
        for column, mask in zip(columns, self._mask, strict=True):
            if mask:
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
