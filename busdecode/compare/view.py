"""One place of a capture, to be looked at line by line and moment by moment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles import MISSING, Rows, gather, mask_of, pulled

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.capture import Capture
    from busdecode.cycles import DecodedPlace
    from busdecode.protocol import Bus, Levels, Moment

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Observation", "PlaceView", "Sample", "view_of", "view_place"]


@dataclass(frozen=True, eq=False)
class Observation:
    """Lines of one place at one moment of M beats.

    Parameters
    ----------
    place, phase, path : str
    beats : ndarray of int64, shape (M,)
        Rows of the cycle table.
    meant, seen : ndarray of uint64, shape (M, W)
        Levels, packed as in the place's capture.
    care : ndarray of uint64, shape (M, W)
        Lines for which a level is expected, known, and not changing at the moment.
    is_between : bool
        What was meant is what the other place shows.
    """

    place: str
    phase: str
    path: str
    beats: Ints
    meant: Words
    seen: Words
    care: Words
    is_between: bool = False

    @property
    def wrong(self) -> Words:
        """Lines that differ, packed, shape (M, W)."""
        return (self.meant ^ self.seen) & self.care


@dataclass(frozen=True, eq=False)
class Sample:
    """Levels at one moment of each beat; `sure` has the lines known and not changing then."""

    states: Words
    sure: Words


@dataclass(frozen=True, eq=False)
class PlaceView:
    """One place's rows, ready to be looked at.

    `uncertainty` is how far, in ps, an edge may be from where the capture shows it.
    """

    place: str
    bus: Bus
    rows: Rows
    index: Mapping[str, int]
    uncertainty: int

    @property
    def words(self) -> int:
        """Words of a row."""
        return int(self.rows.states.shape[1])

    def sample(self, moment: Moment, times: Ints) -> Sample:
        """Take the lines at a moment, given when its phase begins; MISSING is never sure."""
        is_there = times != MISSING
        moments = np.where(is_there, times, self.rows.times[0]) + moment.offset
        at = self.rows.row_at(moments - 1 if moment.how == "before" else moments)
        event_rows = np.maximum(self.rows.row_at(moments), 0)
        is_there = is_there & (at >= 0)
        at = np.maximum(at, 0)
        sure = ~self.rows.changed_near(event_rows, moments, self.uncertainty)
        if self.rows.unknown is not None:
            sure &= ~self.rows.unknown[at]
        sure[~is_there] = 0
        return Sample(self.rows.states[at], sure)

    def differs(self, meant: Words, since: Ints, until: Ints) -> tuple[Words, Words]:
        """Give the lines that differ from what was meant in any row of a window.

        Parameters
        ----------
        meant : ndarray of uint64, shape (M, W)
        since, until : ndarray of int64, shape (M,), ps
            Half-open; a window that is empty, or MISSING at an end, is not looked at.

        Returns
        -------
        ndarray of uint64, shape (M, W)
            Lines that differ.
        ndarray of uint64, shape (M, W)
            Lines that were looked at and known throughout.
        """
        is_there = (since != MISSING) & (until != MISSING) & (until > since)
        is_there &= since >= self.rows.times[0]
        differs = np.zeros_like(meant)
        known = np.zeros_like(meant)
        which = np.flatnonzero(is_there)
        if not len(which):
            return differs, known
        first = self.rows.row_at(since[which])
        last = self.rows.row_at(until[which] - 1)
        lengths = last - first + 1
        starts = np.cumsum(lengths) - lengths
        rows = np.repeat(first - starts, lengths) + np.arange(int(lengths.sum()))
        moved = self.rows.states[rows] ^ np.repeat(meant[which], lengths, axis=0)
        known[which] = np.uint64(0xFFFF_FFFF_FFFF_FFFF)
        if self.rows.unknown is not None:
            lost = np.bitwise_or.reduceat(self.rows.unknown[rows], starts, axis=0)
            known[which] &= ~lost
        differs[which] = np.bitwise_or.reduceat(moved, starts, axis=0)
        return differs, known

    def pack(self, numbers: Words, lines: Sequence[str], bits: Iterable[int]) -> Words:
        """Spread numbers over the lines: the line gets the number's bit."""
        rows = np.zeros((len(numbers), self.words), dtype=np.uint64)
        for line, bit in zip(lines, bits, strict=True):
            at = self.index.get(line)
            if at is not None:
                one = (numbers >> np.uint64(bit)) & np.uint64(1)
                rows[:, at // 64] |= one << np.uint64(at % 64)
        return rows

    def pack_data(self, numbers: Words) -> Words:
        """Spread data words over the data lines, as the levels that show them."""
        shown = numbers ^ np.uint64(self.bus.data_low)
        return self.pack(shown, self.bus.data, range(len(self.bus.data) - 1, -1, -1))

    def pack_address(self, numbers: Words) -> Words:
        """Spread addresses over the address lines, as the levels that show them."""
        shown = numbers ^ np.uint64(self.bus.address_low)
        return self.pack(shown, self.bus.address, self.bus.address_bits)

    def data(self, states: Words) -> Words:
        """Read data words off the levels of rows, shape (M, W)."""
        bits = range(len(self.bus.data) - 1, -1, -1)
        return self.number(states, self.bus.data, bits) ^ np.uint64(self.bus.data_low)

    def address(self, states: Words) -> Words:
        """Read addresses off the levels of rows, shape (M, W)."""
        number = self.number(states, self.bus.address, self.bus.address_bits)
        return number ^ np.uint64(self.bus.address_low)

    def number(self, words: Words, lines: Sequence[str], bits: Sequence[int]) -> Words:
        """Collect lines into numbers: `pack` undone."""
        return gather(words, lines, self.index, bits)

    def mask(self, lines: Iterable[str]) -> Words:
        """Give the packed mask of some lines, shape (1, W)."""
        return mask_of(lines, self.index, self.words)[None, :]

    def asserted_during(self, lines: Sequence[str], begins: Ints, ends: Ints) -> Words:
        """Give which of the lines were asserted at any moment of [begin, end), packed, (M, W)."""
        idle = np.zeros((len(begins), self.words), dtype=np.uint64)
        idle |= self.mask(line for line in lines if not self.bus.asserted_level(line))
        moved, known = self.differs(idle, begins, ends)
        asserted: Words = moved & known & self.mask(lines)
        return asserted

    def lanes_seen(self, begins: Ints, ends: Ints) -> Words:
        """Give the lanes whose strobe asserted in [begin, end), one bit a lane."""
        bus = self.bus
        asserted = self.asserted_during(bus.lane_strobes, begins, ends)
        bits = [bus.lane_count - 1 - lane for lane in range(bus.lane_count)]
        return self.number(asserted, bus.lane_strobes, bits)

    def shows(self, states: Words, levels: Levels) -> NDArray[np.bool_]:
        """Tell in which rows of levels, packed (M, W), every group of lines shows its values."""
        fits = np.ones(len(states), dtype=np.bool_)
        for lines, values in levels:
            bits = range(len(lines) - 1, -1, -1)
            number = self.number(states, lines, bits)
            fits &= np.isin(number, np.array(values, dtype=np.uint64))
            fits &= all(line in self.index for line in lines)
        return fits


def view_place(decoded: DecodedPlace) -> PlaceView:
    """Make one place ready to be looked at; released lines with a pull show its level."""
    uncertainty = decoded.capture.resolution + decoded.skew
    return view_of(decoded.bus, decoded.place, decoded.capture, uncertainty)


def view_of(bus: Bus, place: str, capture: Capture, uncertainty: int) -> PlaceView:
    """Make rows of a place, of lines by the bus's names, ready to be looked at."""
    index = {line: at for at, line in enumerate(capture.lines)}
    states, unknown = capture.states, capture.unknown
    if unknown is not None:
        states, unknown = pulled(bus, capture.lines, states, unknown)
    if capture.gaps is not None and capture.gaps.any():
        whole = np.zeros_like(states) if unknown is None else unknown.copy()
        whole[capture.gaps] = np.uint64(0xFFFF_FFFF_FFFF_FFFF)
        unknown = whole
    rows = Rows(capture.times, states, unknown, index)
    return PlaceView(place, bus, rows, index, uncertainty)
