"""Line faults that a plan may meet, and what each read of a plan returns with each of them.

All faults are predicted at once: arrays have one entry a fault, F of them. A line fault changes
a word in the same way on its way out and back; an address fault lets several addresses reach
one word.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, fields
from itertools import combinations
from typing import TYPE_CHECKING, Self

import numpy as np

from busdecode.access import lane_mask, word_shift
from busdecode.plan.lanes import strobe_rest

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.plan.planned import Planned
    from busdecode.plan.window import Window

    Words = NDArray[np.uint64]

__all__ = ["Candidates", "Prediction", "line_candidates", "separated"]

_BEFORE = 0x5A5A5A5A5A5A5A5A
"""What the memory is taken to hold where a plan reads what it has not written."""

# What two lines show, (a, b) of the levels that they should: by rule, then a, then b.
_NONE, _LOW, _HIGH, _AND, _OR, _A_WINS, _B_WINS = range(7)
_SHOWN = np.array(
    [
        [[(0, 0), (0, 1)], [(1, 0), (1, 1)]],
        [[(0, 0), (0, 0)], [(0, 0), (0, 0)]],
        [[(1, 1), (1, 1)], [(1, 1), (1, 1)]],
        [[(0, 0), (0, 0)], [(0, 0), (1, 1)]],
        [[(0, 0), (1, 1)], [(1, 1), (1, 1)]],
        [[(0, 0), (0, 0)], [(1, 1), (1, 1)]],
        [[(0, 0), (1, 1)], [(0, 0), (1, 1)]],
    ],
    dtype=np.uint64,
)
_BRIDGES = {_AND: "low-wins", _OR: "high-wins", _A_WINS: "a-wins", _B_WINS: "b-wins"}


@dataclass(frozen=True)
class _Fault:
    """One fault, as numbers: what it does to data, to addresses, and to lanes."""

    name: str
    a: int = 0
    b: int = 0
    data: int = _NONE
    address: int = _NONE
    lost: int = 0
    on: int = 0
    holder: int = 0
    held: int = 0


@dataclass(frozen=True)
class Candidates:
    """Single faults of a window's lines, no fault at all the first of them; F of them.

    Parameters
    ----------
    names : tuple of str
        As `busdecode.faults.written_fault` writes them; ``none``, and ``no effect LINE`` for
        an address line that is stuck or open.
    a, b : ndarray of uint64, shape (F,)
        The two lines of the fault, as bits of a data word or of an address.
    data, address : ndarray of uint64, shape (F,)
        The rule by which they act.
    lost, on : ndarray of uint64, shape (F,)
        Data bits of a lane that never, or always, takes part.
    holder, held : ndarray of uint64, shape (F,)
        A data bit that holds back a strobe, and the data bits that are then not written.
    """

    names: tuple[str, ...]
    a: Words
    b: Words
    data: Words
    address: Words
    lost: Words
    on: Words
    holder: Words
    held: Words

    @classmethod
    def _of(cls, faults: Sequence[_Fault]) -> Self:
        columns = {
            field.name: np.array([getattr(fault, field.name) for fault in faults], dtype=np.uint64)
            for field in fields(_Fault)[1:]
        }
        return cls(tuple(fault.name for fault in faults), **columns)


def line_candidates(window: Window) -> Candidates:
    """Give the single faults of the lines that a window reaches.

    Data lines stuck or bridged; address lines without effect or bridged; lanes lost or always
    on; data lines that hold back a strobe.

    Examples
    --------
    >>> from busdecode.plan import open_window
    >>> from busdecode.protocol import load_bus
    >>> found = line_candidates(open_window(load_bus("z80"), 0, 1)).names
    >>> found[:3], len(found)
    (('none', 'stuck D0 low', 'stuck D0 high'), 137)
    """
    bus = window.bus
    names = bus.data[::-1]
    at = {line: names.index(line) for line in window.data_lines}
    faults = [_Fault("none")]
    for line, bit in at.items():
        faults.append(_Fault(f"stuck {line} low", bit, bit, data=_LOW))
        faults.append(_Fault(f"stuck {line} high", bit, bit, data=_HIGH))
    for (one, a), (other, b) in combinations(at.items(), 2):
        for rule, how in _BRIDGES.items():
            faults.append(_Fault(f"bridge {one} {other} {how}", a, b, data=rule))
    bits = dict(zip(bus.address, bus.address_bits, strict=True))
    tried = {line: bits[line] for line in window.address_lines}
    for line, bit in tried.items():
        faults.append(_Fault(f"no effect {line}", bit, bit, address=_LOW))
    for (one, a), (other, b) in combinations(tried.items(), 2):
        for rule in (_AND, _OR):
            faults.append(_Fault(f"bridge {one} {other} {_BRIDGES[rule]}", a, b, address=rule))
    held = {"the strobe": (1 << len(names)) - 1}
    if bus.lane_count > 1:
        lanes = {
            _lane_name(window, lane): lane_mask(bus, 1 << lane) for lane in range(bus.lane_count)
        }
        held |= lanes
        for name, mask in lanes.items():
            faults.append(_Fault(f"lane-lost {name}", lost=mask))
            faults.append(_Fault(f"lane-on {name}", on=mask))
    for line, bit in at.items():
        for name, mask in held.items():
            faults.append(_Fault(f"bridge {line} {name} a-wins", holder=1 << bit, held=mask))
    return Candidates._of(faults)


def _lane_name(window: Window, lane: int) -> str:
    """Name a lane, from the least significant one, by its strobe or its data lines."""
    bus = window.bus
    if bus.lane_strobes:
        return bus.lane_strobes[bus.lane_count - 1 - lane]
    lines = bus.data[::-1][lane * bus.lane_bits : (lane + 1) * bus.lane_bits]
    return f"lane {lines[-1]}-{lines[0]}"


def _seen(candidates: Candidates, rules: Words, words: Words) -> Words:
    """Give words as the two lines of each fault make them."""
    one = np.uint64(1)
    a, b = words >> candidates.a & one, words >> candidates.b & one
    shown = _SHOWN[rules, a, b]
    kept = words & ~(one << candidates.a | one << candidates.b)
    seen: Words = kept | shown[:, 0] << candidates.a | shown[:, 1] << candidates.b
    return seen


def _moved(words: Words, shift: int) -> Words:
    return words << np.uint64(shift) if shift >= 0 else words >> np.uint64(-shift)


class Prediction:
    """What the reads of a plan, or of some of its accesses, return with each candidate.

    Parameters
    ----------
    window : Window
    candidates : Candidates
    steps : sequence of Planned

    Notes
    -----
    A lane that is lost reads as ones; one that is always on is written with what its lines
    carry, taken as 0. A read does not see that a strobe is held back.
    """

    def __init__(self, window: Window, candidates: Candidates, steps: Sequence[Planned]) -> None:
        self._candidates = candidates
        self._bus = window.bus
        self._every = np.arange(len(candidates.names))
        self._words: dict[int, int] = {}
        self._is_write = [step.access.op == "write" for step in steps]
        self._transfers = [window.transfer(step.access) for step in steps]
        self._lanes = [np.uint64(lane_mask(window.bus, each.lanes)) for each in self._transfers]
        self._shifts = [word_shift(window.bus, t.address, t.lanes) for t in self._transfers]
        reached: dict[int, NDArray[np.int64]] = {}
        self._at = []
        for transfer in self._transfers:
            word = transfer.address // window.bus.word_bytes * window.bus.word_bytes
            if word not in reached:
                reached[word] = self._reached(word)
            self._at.append(reached[word])
        self._stored = [
            self._written(at) if is_write else None for at, is_write in enumerate(self._is_write)
        ]

    def _reached(self, word: int) -> NDArray[np.int64]:
        """Give where each fault has the word that an address reaches."""
        full = np.full(len(self._every), word, dtype=np.uint64)
        reached = _seen(self._candidates, self._candidates.address, full)
        return np.array([self._words.setdefault(n, len(self._words)) for n in reached.tolist()])

    def _written(self, at: int) -> tuple[Words, Words]:
        """Give what a write stores with each fault: which bits, and what."""
        given = self._candidates
        data = np.full(len(self._every), self._transfers[at].data or 0, dtype=np.uint64)
        is_held = data & given.holder != 0
        if not strobe_rest(self._bus):
            is_held = (given.holder != 0) & ~is_held
        mask = (self._lanes[at] | given.on) & ~given.lost
        mask = np.where(is_held, mask & ~given.held, mask)
        mask = _moved(mask, self._shifts[at])
        return mask, _moved(_seen(given, given.data, data), self._shifts[at]) & mask

    def reads(self, chosen: Sequence[int] | None = None) -> NDArray[np.uint64]:
        """Predict what the data lines show in each read; lanes that take no part are 0.

        Parameters
        ----------
        chosen : sequence of int, optional
            The steps that are made, by their number, rising; without it, all.

        Returns
        -------
        ndarray of uint64, shape (R, F)
            One row a read.
        """
        given, every = self._candidates, self._every
        memory = np.full((len(self._words), len(every)), _BEFORE, dtype=np.uint64)
        rows = []
        for at in range(len(self._at)) if chosen is None else chosen:
            word = memory[self._at[at], every]
            written = self._stored[at]
            if written is not None:
                memory[self._at[at], every] = word & ~written[0] | written[1]
            else:
                shown = _moved(word, -self._shifts[at]) & self._lanes[at]
                rows.append((_seen(given, given.data, shown) | given.lost) & self._lanes[at])
        return np.stack(rows) if rows else np.empty((0, len(every)), dtype=np.uint64)


def separated(seen: NDArray[np.uint64]) -> int:
    """Count the pairs of faults that reads tell apart.

    Parameters
    ----------
    seen : ndarray of uint64, shape (R, F)

    Examples
    --------
    >>> separated(np.array([[5, 5, 7], [0, 0, 0]], dtype=np.uint64))
    2
    """
    every = len(seen.T)
    alike = Counter(row.tobytes() for row in np.ascontiguousarray(seen.T)).values()
    return (every * every - sum(count * count for count in alike)) // 2
