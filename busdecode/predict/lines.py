"""What lines show in each transfer, for many candidate faults at once.

At the moments at which the card takes the address and the data of writes, and the host that of
reads. Lines that a fault does not touch show what a healthy bus shows; its own follow from the
node tables; what the card drives follows from whether the transfer comes to it.
"""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from busdecode.capture import words_for
from busdecode.cycles import MOMENTS
from busdecode.faults import (
    Absent,
    Bridge,
    EarlyAcknowledge,
    LateData,
    NoAcknowledge,
    Open,
    Stuck,
    Swapped,
)
from busdecode.predict.answers import Outcome
from busdecode.predict.nodes import UNKNOWN, shown
from busdecode.predict.returns import Foretold
from busdecode.predict.states import ANY, CARD, HOST, RELEASED
from busdecode.protocol import event_lines

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

    from busdecode.predict.returns import Course, Foreteller
    from busdecode.predict.rows import FaultRows
    from busdecode.protocol import Bus

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    States = NDArray[np.uint8]
    Words = NDArray[np.uint64]

__all__ = ["LineForeteller"]

_CELLS = 1 << 19
"""Fault times transfer: so much at once."""

_ONE = np.uint64(1)
_OF_BEATS = ("acknowledge", "wait", "error")
_OF_CARD = (CARD, CARD + 1, 6)


class _Plain(NamedTuple):
    """What lines show at a moment without a fault, shape (T, W), and what of it is known.

    And the same where no card takes part.
    """

    levels: Words
    known: Words
    levels_without: Words
    known_without: Words


class LineForeteller:
    """Foretells what lines show at one place.

    Parameters
    ----------
    foreteller : Foreteller
        Of the transfers; T of them.
    place : str
        ``host`` or ``card``.
    is_crossed : bool
        The transfers are what the lines showed at the card: beyond where lines may be swapped.
    """

    def __init__(self, foreteller: Foreteller, place: str, *, is_crossed: bool = False) -> None:
        self._foreteller, self._place, self.is_crossed = foreteller, place, is_crossed
        self._bus = bus = foreteller.model.bus
        self._width = words_for(len(bus.lines))
        self._at = {name: at for at, name in enumerate(bus.line_names)}
        self._data = [(self._at[line], bit) for line, bit in foreteller.model.data_bits.items()]
        self._is_data = np.zeros(len(bus.lines) + 1, dtype=bool)
        self._is_data[[at for at, _ in self._data]] = True
        pulls = [line.pull for line in bus.lines]
        self._pulled_high = np.array([pull == "up" for pull in pulls])
        self._pulled = np.array([pull in ("up", "down") for pull in pulls])
        # Lines that a card may drive where it should not.
        self._of_card = np.array(
            [line.driver == "card" or self._is_data[at] for at, line in enumerate(bus.lines)]
        )
        marks = bus.marking_lines | {line.name for line in bus.lines if line.role == "direction"}
        self._marks = self._flags(marks)
        self._lingering = {
            line
            for step in bus.steps
            if step.by == "card" and step.waits is not None
            for verb, line in step.actions
            if verb == "negate"
        }
        first = {line for event in bus.cycle_begins for line in event_lines(event)}
        last = {
            line
            for event in (*bus.cycle_ends, *bus.beat_begins, *bus.beat_ends)
            for line in event_lines(event)
        }
        later = self._flags(first | last | set(bus.lane_lines))
        self._telling = {"address": self._flags(first), "write": later, "read": later}
        self._of_moment = {name: self._told_at(name) for name in MOMENTS}
        self._of_reads = ~foreteller.states.is_write
        self._able = _packed(self._of_card[:, None], self._width)[0]
        self._data_lines = _packed(self._is_data[:-1, None], self._width)[0]
        self._plains: dict[str, _Plain] = {}
        self._last: tuple[FaultRows, Foretold] | None = None

    def _flags(self, lines: Iterable[str]) -> Bools:
        """Mark some lines among all, and that there is none."""
        flags = np.zeros(len(self._bus.lines) + 1, dtype=bool)
        flags[[self._at[line] for line in lines]] = True
        return flags

    def _told_at(self, moment: str) -> Words:
        """Give the lines that show what belongs to this transfer at a moment, shape (W,).

        Data lines may still have what came before where the address is taken, and address lines
        what comes next where data is, if cycles overlap.
        """
        bus = self._bus
        data, address = set(bus.data), set(bus.address)
        told = [
            (name not in data or name in address)
            if moment == "address"
            else not bus.pipelined or name in data or bus.line(name).role in _OF_BEATS
            for name in bus.line_names
        ]
        words: Words = _packed(np.array(told)[:, None], self._width)[0]
        return words

    @property
    def bus(self) -> Bus:
        """The bus of the transfers."""
        return self._bus

    @property
    def words(self) -> int:
        """How many words a transfer has: for each of `MOMENTS` one or more."""
        return len(MOMENTS) * self._width

    def cut(self, count: int) -> LineForeteller:
        """Give one for so many of the first transfers."""
        some = self._foreteller.cut(count)
        return LineForeteller(some, self._place, is_crossed=self.is_crossed)

    def over(self, faults: FaultRows) -> Iterator[tuple[slice, Foretold]]:
        """Foretell with each fault, some of them at a time.

        Shape (F, T * words): for each transfer the levels at the address, at the data of a write,
        at the data of a read; line k of the bus is bit ``k % 64`` of word ``k // 64``.
        """
        count = len(self._of_reads)
        step = max(1, _CELLS // max(1, count * self.words))
        if len(faults) <= step:
            # Asked again for the same rows, as for captures of the same run, it is the same.
            if self._last is None or self._last[0] is not faults:
                self._last = faults, self._of(faults)
            yield slice(0, len(faults)), self._last[1]
            return
        for first in range(0, len(faults), step):
            part = slice(first, min(first + step, len(faults)))
            yield part, self._of(faults.part(part))

    def _of(self, rows: FaultRows) -> Foretold:
        course = self._foreteller.course(rows)
        shape = len(rows), len(self._of_reads), len(MOMENTS), self._width
        levels, known = np.zeros(shape, dtype=np.uint64), np.zeros(shape, dtype=np.uint64)
        outcomes = self._with_special(rows, course.outcomes)
        silent = _silent_lines(rows, self._at)
        is_held = np.array([isinstance(fault, Bridge | Stuck) for fault in rows.faults], dtype=bool)
        lines = np.stack([rows.a, rows.b])
        for number, moment in enumerate(MOMENTS):
            mine = self._of_reads if moment == "read" else ~self._of_reads
            if moment == "address":
                mine = np.ones_like(self._of_reads)
            self._fill(rows, course, outcomes, moment, levels[:, :, number], known[:, :, number])
            self._own(rows, course, outcomes, moment, levels[:, :, number], known[:, :, number])
            for row, line in silent:
                bit = _ONE << np.uint64(line % 64)
                level = bit if self._pulled_high[line] else np.uint64(0)
                word = levels[row, :, number, line // 64]
                levels[row, :, number, line // 64] = (word & ~bit) | level
                known[row, :, number, line // 64] |= bit if self._pulled[line] else np.uint64(0)
            known[:, ~mine, number] = 0
            # Where the host's own strobes are at fault, so are the moments that they tell.
            known[is_held & self._telling[moment][lines].any(axis=0), :, number] = 0
            known[:, :, number] &= self._of_moment[moment]
        levels &= known
        flat = len(rows), -1
        return Foretold(levels.reshape(flat), known.reshape(flat))

    def _with_special(self, rows: FaultRows, outcomes: States) -> States:
        """Give what becomes of transfers as far as lines go.

        A card that takes a transfer for one of another kind is not silent, and where lines that
        mark kinds are bent at the host too, cycles are other ones than were meant. A card that may
        be at work after it has answered may be so still in the next transfer, if the host cannot
        see that.
        """
        told = outcomes.copy()
        told[told == Outcome.MISTAKEN] = Outcome.UNSURE
        is_bent = np.array([not isinstance(fault, Open) for fault in rows.faults], dtype=bool)
        is_bent &= self._marks[rows.a] | self._marks[rows.b]
        told[is_bent[:, None] & (told == Outcome.UNSEEN)] = Outcome.UNSURE
        for row, fault in enumerate(rows.faults):
            if isinstance(fault, Absent):
                told[row] = Outcome.UNSEEN
            elif isinstance(fault, EarlyAcknowledge):
                told[row] = Outcome.UNSURE
            elif isinstance(fault, NoAcknowledge) and fault.line in self._lingering:
                told[row, 1:] = Outcome.UNSURE
        return told

    def _fill(
        self,
        rows: FaultRows,
        course: Course,
        outcomes: States,
        moment: str,
        levels: Words,
        known: Words,
    ) -> None:
        """Put in what lines show that the fault does not touch, shape (F, T, W)."""
        plain = self._plain(moment)
        levels[:], known[:] = plain.levels, plain.known
        # A card that does not take part drives nothing; one that does otherwise, what it can.
        odd = np.flatnonzero((outcomes != Outcome.SEEN).any(axis=1))
        is_unseen = (outcomes[odd] == Outcome.UNSEEN)[:, :, None]
        is_unsure = (outcomes[odd] >= Outcome.UNSURE)[:, :, None]
        levels[odd] = np.where(is_unseen, plain.levels_without, plain.levels)
        sure = np.where(is_unseen, plain.known_without, plain.known)
        known[odd] = np.where(is_unsure, sure & ~self._able, sure)
        if moment == "read":
            self._put_data(course, outcomes, levels, known)
        data = self._data_lines
        for row, fault in enumerate(rows.faults):
            if isinstance(fault, LateData) and fault.direction == moment:
                known[row] &= ~data
            elif isinstance(fault, Absent) and self._place == "card":
                known[row] = 0
            elif isinstance(fault, Absent) and moment == "read":
                floats = {"high": data, "low": np.zeros_like(data)}.get(fault.floats)
                levels[row] = levels[row] & ~data | (data if floats is None else floats)
                known[row] = known[row] & ~data if floats is None else known[row] | data

    def _plain(self, moment: str) -> _Plain:
        """Give what lines show at a moment that no fault touches."""
        if moment not in self._plains:
            stack = self._foreteller.stack(moment)[:-1]
            is_high = np.isin(stack, (HOST + 1, CARD + 1))
            is_known = np.isin(stack, (HOST, HOST + 1, CARD, CARD + 1))
            released = stack == RELEASED
            is_high |= released & self._pulled_high[:, None]
            is_known |= released & self._pulled[:, None]
            by_card = np.isin(stack, _OF_CARD)
            levels, known = _packed(is_high, self._width), _packed(is_known, self._width)
            away = _packed(by_card, self._width)
            self._plains[moment] = _Plain(
                levels,
                known,
                (levels & ~away) | _packed(by_card & self._pulled_high[:, None], self._width),
                (known & ~away) | _packed(by_card & self._pulled[:, None], self._width),
            )
        return self._plains[moment]

    def _put_data(self, course: Course, outcomes: States, levels: Words, known: Words) -> None:
        """Put in what the card drives on data lines in reads."""
        reads = self._foreteller.reads
        is_seen = outcomes[:, reads] == Outcome.SEEN
        here = np.where(is_seen, course.known & self._stored, np.uint64(0))
        high = (course.words ^ np.uint64(self._bus.data_low)) & here
        for word in range(self._width):
            levels[:, reads, word] |= self._spread(high, word)
            known[:, reads, word] |= self._spread(here, word)

    def _spread(self, bits: Words, word: int) -> Words:
        """Put data bits where their lines are in one of the words of a transfer."""
        tables = self._places[:, :, word]
        spread = np.zeros_like(bits)
        for byte in np.flatnonzero(tables.any(axis=1)).tolist():
            spread |= tables[byte, bits >> np.uint64(8 * byte) & np.uint64(255)]
        return spread

    @cached_property
    def _places(self) -> Words:
        """For each byte of data and what is in it: the lines that are high, shape (8, 256, W)."""
        tables = np.zeros((8, 256, self._width), dtype=np.uint64)
        for line, bit in self._data:
            is_on = (np.arange(256) >> bit % 8 & 1).astype(np.uint64)
            tables[bit // 8, :, line // 64] |= is_on << np.uint64(line % 64)
        return tables

    @cached_property
    def _stored(self) -> Words:
        """The data bits that show in each read what the card has stored, shape (R,)."""
        states, reads = self._foreteller.states, self._foreteller.reads
        bits = np.zeros(len(reads), dtype=np.uint64)
        for line, bit in self._data:
            is_stored = states.is_stored(self._bus.line_names[line])[reads]
            bits |= is_stored.astype(np.uint64) << np.uint64(bit)
        return bits

    def _own(
        self,
        rows: FaultRows,
        course: Course,
        outcomes: States,
        moment: str,
        levels: Words,
        known: Words,
    ) -> None:
        """Put in what the faults' own lines show."""
        none = len(self._bus.lines)
        at = np.flatnonzero(rows.a < none)
        if not len(at):
            return
        stack = self._foreteller.stack(moment)
        states = [
            self._state(rows, at, lines, bits, stack, course, outcomes, moment)
            for lines, bits in ((rows.a, rows.a_bit), (rows.b, rows.b_bit))
        ]
        codes = rows.tables[rows.table[at][:, None], states[0], states[1]]
        is_swap = [isinstance(rows.faults[row], Swapped) for row in at.tolist()]
        for which, lines in enumerate((rows.a[at], rows.b[at])):
            level = shown(codes, self._place, which)
            if self.is_crossed:
                level[is_swap] = UNKNOWN
            for line in np.unique(lines[lines < none]).tolist():
                here = np.flatnonzero(lines == line)
                bit = _ONE << np.uint64(line % 64)
                row = at[here]
                value = np.where(level[here] == 1, bit, np.uint64(0))
                sure = np.where(level[here] != UNKNOWN, bit, np.uint64(0))
                word = line // 64
                levels[row, :, word] = (levels[row, :, word] & ~bit) | value
                known[row, :, word] = (known[row, :, word] & ~bit) | sure

    def _state(
        self,
        rows: FaultRows,
        at: Ints,
        lines: Ints,
        bits: Ints,
        stack: States,
        course: Course,
        outcomes: States,
        moment: str,
    ) -> States:
        """Give the state of one line of each fault in each transfer, shape (len(at), T)."""
        line = lines[at]
        state = stack[line]
        mine = outcomes[at]
        by_card = np.isin(state, _OF_CARD)
        able = np.append(self._of_card, False)[line][:, None]
        if moment == "read":
            here = np.flatnonzero(bits[at] >= 0)
            reads = self._foreteller.reads
            bit = bits[at][here].astype(np.uint64)[:, None]
            flip = np.uint64(self._bus.data_low)
            level = ((course.words[at[here]] ^ flip) >> bit & _ONE).astype(np.uint8)
            is_known = (course.known[at[here]] >> bit & _ONE).astype(bool)
            stored = state[here][:, reads] == 6
            driven = np.where(is_known, CARD + level, 6)
            part = state[here]
            part[:, reads] = np.where(stored, driven, part[:, reads])
            state[here] = part
        state = np.where(by_card & (mine == Outcome.UNSEEN), RELEASED, state)
        state = np.where(able & (mine >= Outcome.UNSURE), ANY, state)
        return state.astype(np.uint8)


def _packed(bits: Bools, width: int) -> Words:
    """Pack a row a line, a column a transfer, shape (L, T), into words, shape (T, W)."""
    packed = np.zeros((bits.shape[1], width), dtype=np.uint64)
    for line in np.flatnonzero(bits.any(axis=1)).tolist():
        packed[:, line // 64] |= bits[line].astype(np.uint64) << np.uint64(line % 64)
    return packed


def _silent_lines(rows: FaultRows, at: dict[str, int]) -> list[tuple[int, int]]:
    """Give the rows of acknowledges that never come, and their lines."""
    return [
        (row, at[fault.line])
        for row, fault in enumerate(rows.faults)
        if isinstance(fault, NoAcknowledge)
    ]
