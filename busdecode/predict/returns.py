"""What each read of a log returns, for every candidate fault at once.

Three steps, each on arrays with a row a fault and a column a transfer: which word every
address reaches; which write each byte of a read comes from; and what data lines make of it on
its way in and back out. A fault has one or two lines, so all other bits are the healthy bus's.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import moved
from busdecode.faults import Absent, NoAcknowledge, Open
from busdecode.predict.answers import ALL_LANES, Answer, Outcome
from busdecode.predict.layout import Pieces, last_writes, shifted
from busdecode.predict.nodes import UNKNOWN, shown
from busdecode.predict.rows import FaultRows
from busdecode.predict.states import ANY, CARD, HOST, LineStates

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from numpy.typing import NDArray

    from busdecode.access import Transfer
    from busdecode.predict.model import Model

    Bools = NDArray[np.bool_]
    Codes = NDArray[np.uint16]
    States = NDArray[np.uint8]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Foreteller", "Foretold"]

_CELLS = 1 << 18
"""Fault times transfer: so much at once."""

_ONE = np.uint64(1)


@dataclass(frozen=True)
class Foretold:
    """What reads return with each of F faults; R reads.

    Parameters
    ----------
    words : ndarray of uint64, shape (F, R)
        On the data lines; lanes that take no part are 0.
    known : ndarray of uint64, shape (F, R)
        The bits that are foretold; the others are 0 in `words`.
    """

    words: Words
    known: Words


class Foreteller:
    """Foretells what the reads among some transfers return.

    Parameters
    ----------
    model : Model
    transfers : sequence of Transfer
    parts : sequence of int, optional
        Which part of a byte each moves, where the data lines are narrower.
    hidden : collection of str
        Lines of which the transfers do not tell what is driven on them: addresses differ where
        they should, but their bits mean nothing there.
    """

    def __init__(
        self,
        model: Model,
        transfers: Sequence[Transfer],
        parts: Sequence[int] | None = None,
        hidden: Collection[str] = (),
    ) -> None:
        bus = model.bus
        self.model, self._bus = model, bus
        self._given = tuple(transfers), None if parts is None else tuple(parts)
        self._hidden = frozenset(hidden)
        self._address, self._data = model.address_bits, model.data_bits
        self._states = LineStates(bus, transfers, model.runs, model.carried, hidden)
        self._reads = np.flatnonzero(~self._states.is_write)
        self._writes = np.flatnonzero(self._states.is_write)
        self._pieces = Pieces.of(bus, transfers, parts)
        self._lane_pieces = Pieces.of(bus, transfers, parts, by_lane=True)
        draw = np.random.default_rng(0)
        self._salt = draw.integers(1, 1 << 62, (4, len(transfers)))
        self._known_sources: dict[int, dict[int, tuple[Ints, Ints]]] = {}
        self._words = (self._states.address // np.uint64(bus.word_bytes)).astype(np.int64)
        self._full = np.uint64((1 << len(bus.data)) - 1)
        self._lane = np.uint64((1 << bus.lane_bits) - 1)
        self._line_at = {name: at for at, name in enumerate(bus.line_names)}
        self._stacks: dict[str, States] = {}
        self._absents: dict[str, tuple[Words, Words]] = {}
        strobes = bus.lane_lines if bus.lane_count > 1 else ()
        self._strobes = np.array([self._line_at[name] for name in strobes], dtype=np.int64)
        self._moved = self._states.moved[self._reads]
        self._seen: Words | None = None
        self._last: tuple[FaultRows, Course] | None = None
        self._last_told: tuple[FaultRows, Foretold] | None = None
        self._looked = np.zeros(len(self._reads), dtype=np.uint64)

    def observe(self, seen: Words, looked: Words) -> None:
        """Tell what the reads returned, shape (R,), and the bits that were looked at.

        What nobody wrote is not known, but it should stay as it was read.
        """
        self._seen, self._looked = seen, looked
        self._known_sources.clear()
        self._last = self._last_told = None

    def first(self, reads: int) -> Foreteller:
        """Give one for the transfers up to and with so many reads."""
        if not len(self._reads):
            return self
        return self.cut(int(self._reads[min(reads, len(self._reads)) - 1]) + 1)

    def cut(self, count: int) -> Foreteller:
        """Give one for so many of the first transfers."""
        transfers, parts = self._given
        some = Foreteller(
            self.model, transfers[:count], None if parts is None else parts[:count], self._hidden
        )
        if self._seen is not None:
            reads = len(some.reads)
            some.observe(self._seen[:reads], self._looked[:reads])
        return some

    @property
    def transfers(self) -> tuple[Transfer, ...]:
        """The transfers that it was made for."""
        return self._given[0]

    @property
    def hidden(self) -> frozenset[str]:
        """The lines of which the transfers do not tell what is driven on them."""
        return self._hidden

    @property
    def states(self) -> LineStates:
        """The states of every line in the transfers."""
        return self._states

    @property
    def reads(self) -> Ints:
        """Which of the transfers are reads, shape (R,)."""
        return self._reads

    @property
    def moved(self) -> Words:
        """The data bits that each read moves, shape (R,)."""
        return self._moved

    def healthy(self) -> Foretold:
        """Foretell with no fault; F is 1."""
        return self._chunk(FaultRows(self.model, [None]))

    def over(self, faults: FaultRows) -> Iterator[tuple[slice, Foretold]]:
        """Foretell with each fault, some of them at a time."""
        step = max(1, _CELLS // max(1, len(self._states)))
        if len(faults) <= step:
            # Asked again for the same rows, as for captures of the same run, it is the same.
            if self._last_told is None or self._last_told[0] is not faults:
                self._last_told = faults, self._chunk(faults)
            yield slice(0, len(faults)), self._last_told[1]
            return
        for first in range(0, len(faults), step):
            part = slice(first, min(first + step, len(faults)))
            yield part, self._chunk(faults.part(part))

    def all(self, faults: FaultRows) -> Foretold:
        """Foretell with each fault, all at once."""
        shape = len(faults), len(self._reads)
        whole = Foretold(np.zeros(shape, dtype=np.uint64), np.zeros(shape, dtype=np.uint64))
        for part, found in self.over(faults):
            whole.words[part], whole.known[part] = found.words, found.known
        return whole

    def course(self, rows: FaultRows) -> Course:
        """Find what becomes of each transfer with each fault, and what the card drives in reads.

        Asked again for the same rows, as for each place of a capture, it is not worked out again.
        """
        if self._last is None or self._last[0] is not rows:
            self._last = rows, self._worked_out(rows)
        return self._last[1]

    def _worked_out(self, rows: FaultRows) -> Course:
        route = self._route(rows)
        written = self._written(rows)
        words = np.zeros((len(rows), len(self._reads)), dtype=np.uint64)
        known = np.zeros_like(words)
        seen, sure = np.zeros_like(words), np.zeros_like(words)
        self._fetch(route, np.arange(len(rows)), written, (words, known, seen, sure))
        again = np.flatnonzero(self._choose(rows, route, words, known))
        if len(again):
            self._fetch(route, again, written, (words, known, seen, sure))
        outcomes = route.outcomes[0]
        is_latched = np.maximum.accumulate(outcomes == Outcome.LATCHED, axis=1)
        outcomes = np.where(is_latched, np.uint8(Outcome.LATCHED), outcomes)
        is_lost = ((outcomes >= Outcome.UNSEEN) | route.stray)[:, self._reads]
        gone = (self._moved_lanes & ~route.lanes[0])[:, self._reads]
        for lane in range(self._bus.lane_count if gone.any() else 0):
            mask = self._lane << np.uint64(lane * self._bus.lane_bits)
            known = np.where(gone >> lane & 1, known & ~mask, known)
        known[is_lost] = 0
        return Course(outcomes, is_lost, words, known, seen, sure)

    def _chunk(self, rows: FaultRows) -> Foretold:
        course = self.course(rows)
        words, known = self._read(rows, course.words, course.known)
        # What nobody wrote is read again as it was read before.
        seen, sure = course.seen, course.sure.copy()
        for bits in (rows.a_bit, rows.b_bit):
            at = np.flatnonzero(rows.own_change & (bits >= 0))
            sure[at] &= ~(_ONE << bits[at].astype(np.uint64))[:, None]
        sure[rows.all_change] = 0
        sure &= ~known
        words, known = (words & ~sure) | (seen & sure), known | sure
        known[course.is_lost] = 0
        is_unseen = (course.outcomes[:, self._reads] == Outcome.UNSEEN).all(axis=1)
        self._put_special(rows, is_unseen, words, known)
        known &= self._moved
        return Foretold(words & known, known)

    def _fetch(
        self,
        route: _Route,
        some: Ints,
        written: tuple[Words, Words],
        into: tuple[Words, Words, Words, Words],
    ) -> None:
        """Put in, for some faults, the words that reads find, and what was read there before."""
        is_odd = (route.lanes[0, some] != self._moved_lanes).any(axis=1)
        for part, pieces in ((some[~is_odd], self._pieces), (some[is_odd], self._lane_pieces)):
            if not len(part):
                continue
            src, before, which = self._sources(route, part, pieces)
            alike = [np.flatnonzero(which == at) for at in range(len(src))]
            if len(src) > len(part) // 4:  # few are alike: all in one go
                alike, src, before = [np.arange(len(part))], src[which], before[which]
            for number, rows in enumerate(alike):
                own = slice(number, number + 1) if len(alike) > 1 else slice(None)
                found = (
                    *self._gathered(
                        src[own], written[0][part[rows]], written[1][part[rows]], pieces
                    ),
                    *self._read_before(before[own], pieces),
                )
                for array, values in zip(into, found, strict=True):
                    array[part[rows]] = values

    def _read_before(self, before: Ints, pieces: Pieces) -> tuple[Words, Words]:
        """Give what each read found when it was read before, and the bits of it."""
        seen = np.zeros((len(before), len(self._reads)), dtype=np.uint64)
        sure = np.zeros_like(seen)
        if self._seen is None or not (before >= 0).any():
            return seen, sure
        place = np.searchsorted(self._reads, pieces.transfer)
        for column in np.flatnonzero((before >= 0).any(axis=0)).tolist():
            rows = np.flatnonzero(before[:, column] >= 0)
            event = pieces.reads[column]
            mask = moved(int(pieces.mask[event]), -int(pieces.shift[event]))
            then = place[before[rows, column]]
            bits = self._looked[then] & np.uint64(mask)
            seen[rows, place[event]] |= self._seen[then] & bits
            sure[rows, place[event]] |= bits
        return seen, sure

    def stack(self, moment: str) -> States:
        """Give the states of all lines at a moment, shape (L + 1, T); the last row is no line's."""
        if moment not in self._stacks:
            rows = [self._states.at(moment, line) for line in self._bus.line_names]
            rows.append(np.zeros(len(self._states), dtype=np.uint8))
            self._stacks[moment] = np.stack(rows)
        return self._stacks[moment]

    # Which word, and which write.

    def _route(self, rows: FaultRows) -> _Route:
        """Find which word each address reaches, and what becomes of each transfer."""
        shape = len(rows), len(self._states)
        words, stray = np.broadcast_to(self._words, shape), np.zeros(shape, dtype=bool)
        at = np.flatnonzero(rows.addresses)
        if len(at):
            words = words.copy()
            words[at], stray[at] = self._reached(rows, at)
        outcomes = np.zeros((2, *shape), dtype=np.uint8)
        lanes = np.broadcast_to(self._moved_lanes, (2, *shape))
        at = np.flatnonzero(rows.controls)
        if len(at) and len(self._states):
            lanes = lanes.copy()
            self._answer(rows, at, outcomes, lanes)
        # A card whose cycle was ended before it had answered may still be at it in the next.
        at = np.flatnonzero(rows.controls & rows.acknowledges)
        if len(at):
            is_unsure = (outcomes[:, at, :-1] == Outcome.UNSURE).any(axis=0)
            late = np.where(is_unsure, np.uint8(Outcome.UNSURE), np.uint8(0))
            outcomes[:, at, 1:] = np.maximum(outcomes[:, at, 1:], late)
        return _Route(words, stray, outcomes, lanes)

    def _choose(self, rows: FaultRows, route: _Route, words: Words, known: Words) -> Bools:
        """Let what is stored decide what becomes of reads, where it does; tell for which faults."""
        differs = (route.outcomes[0] != route.outcomes[1]) | (route.lanes[0] != route.lanes[1])
        at = np.flatnonzero(differs.any(axis=1) & (rows.other_bit >= 0))
        is_changed = np.zeros(len(rows), dtype=bool)
        if len(at):
            bit = rows.other_bit[at].astype(np.uint64)[:, None]
            shows = words[at] ^ np.uint64(self._bus.data_low)
            is_high = (shows >> bit & _ONE).astype(bool)
            is_known = (known[at] >> bit & _ONE).astype(bool)
            low, high = route.outcomes[0, at][:, self._reads], route.outcomes[1, at][:, self._reads]
            either = np.where(low == high, low, np.maximum(np.maximum(low, high), Outcome.UNSURE))
            chosen = np.where(is_known, np.where(is_high, high, low), either)
            now = route.outcomes[0, at]
            now[:, self._reads] = chosen
            route.outcomes[0, at] = now
            lane = route.lanes[:, at][:, :, self._reads]
            now_lanes = route.lanes[0, at]
            now_lanes[:, self._reads] = np.where(is_known & is_high, lane[1], lane[0])
            route.lanes[0, at] = now_lanes
            is_changed[at] = True
        return is_changed

    def _sources(
        self, route: _Route, some: Ints, pieces: Pieces
    ) -> tuple[Ints, Ints, NDArray[np.intp]]:
        """Give for each piece read the piece written that it is, or -1, for different routes.

        The second: where the same piece was read before, and has not been written since at any
        time that is known; or -1. The third: which route each of some faults has.
        """
        words, outcomes = route.words[some], route.outcomes[0, some]
        lanes, stray = route.lanes[0, some], route.stray[some]
        with np.errstate(over="ignore"):
            marks = (words * self._salt[0] + lanes * self._salt[1]).sum(axis=1)
            marks += (outcomes * self._salt[2] + stray * self._salt[3]).sum(axis=1)
        _, first, which = np.unique(marks, return_index=True, return_inverse=True)
        known = self._known_sources.setdefault(id(pieces), {})
        fresh = [at for at in first.tolist() if int(marks[at]) not in known]
        step = max(1, _CELLS // max(1, len(pieces)))
        found: dict[int, tuple[Ints, Ints]] = {}
        for begin in range(0, len(fresh), step):
            part = fresh[begin : begin + step]
            src, before = self._sought(
                words[part], outcomes[part], lanes[part], stray[part], pieces
            )
            for row, at in enumerate(part):
                found[int(marks[at])] = src[row], before[row]
        every = [found.get(mark) or known[mark] for mark in marks[first].tolist()]
        room = max(16, 4 * _CELLS // max(1, len(pieces)))
        for mark, value in found.items():
            if len(known) < room:
                known[mark] = value
        src, before = (np.stack(column) for column in zip(*every, strict=True))
        return src, before, which

    @cached_property
    def _moved_lanes(self) -> Ints:
        lanes = np.array([form.lanes for form in self._states.forms], dtype=np.int64)
        return lanes[self._states.form]

    def _sought(
        self, words: Ints, outcomes: States, lanes: Ints, stray: Bools, pieces: Pieces
    ) -> tuple[Ints, Ints]:
        """Find where each piece that is read was written, and read before, (G, pieces read)."""
        transfer, reads = pieces.transfer, pieces.reads
        is_write = self._states.is_write
        keys = words[:, transfer] * pieces.places + pieces.place
        is_wild = (outcomes >= Outcome.UNSURE) | (stray & is_write)
        is_plain = (outcomes == Outcome.SEEN)[:, transfer] & ~stray[:, transfer]
        is_moved = is_plain
        if pieces is self._lane_pieces:
            is_moved = is_plain & (lanes[:, transfer] >> pieces.lane & 1).astype(bool)
        last = last_writes(keys, is_moved & is_write[transfer])[:, reads]
        before = np.full_like(last, -1)
        if self._seen is not None and (last < 0).any():
            before = last_writes(keys, is_plain & ~is_write[transfer])[:, reads]
            before[pieces.shift[before] != pieces.shift[reads]] = -1
            before[last >= 0] = -1
        if is_wild.any():
            since = np.maximum.accumulate(np.where(is_wild, np.arange(words.shape[1]), -1), axis=1)
            since = since[:, transfer[reads]]
            last = np.where((last >= 0) & (transfer[last] > since), last, -1)
            before = np.where((before >= 0) & (transfer[before] > since), before, -1)
        if pieces is self._lane_pieces:
            self._forget_extra(last, before, keys, lanes)
        return last, before

    def _forget_extra(self, last: Ints, before: Ints, keys: Ints, lanes: Ints) -> None:
        """Forget bytes on which a lane that had no part was written since."""
        extra = lanes & ~self._moved_lanes & -self._states.is_write.astype(np.int64)
        pieces = self._lane_pieces
        transfer, reads = pieces.transfer, pieces.reads
        words = keys // pieces.places
        read_at = transfer[reads]
        for row in np.flatnonzero(extra.any(axis=1)).tolist():
            for time in np.flatnonzero(extra[row]).tolist():
                byte = int(np.searchsorted(transfer, time))
                word = words[row, min(byte, len(transfer) - 1)]
                here = (words[row, reads] == word) & (read_at > time)
                here &= (extra[row, time] >> pieces.lane[reads] & 1).astype(bool)
                last[row, here & (transfer[last[row]] < time)] = -1
                before[row, here & (transfer[before[row]] < time)] = -1

    def _reached(self, rows: FaultRows, at: Ints) -> tuple[Ints, Bools]:
        """Give the word that each address reaches, and where that is not known."""
        stack = self.stack("address")
        codes = rows.tables[rows.table[at][:, None], stack[rows.a[at]], stack[rows.b[at]]]
        words = np.broadcast_to(self._words, codes.shape).copy()
        stray = np.zeros(codes.shape, dtype=bool)
        low = (self._bus.word_bytes - 1).bit_length()
        for which, lines in enumerate((rows.a[at], rows.b[at])):
            level = shown(codes, "received", which)
            for line in np.unique(lines).tolist():
                if line == len(self._bus.lines):
                    continue
                name = self._bus.line_names[line]
                if name not in self._address:
                    continue
                here = np.flatnonzero(lines == line)
                bit = self._address[name]
                used = self._states.is_used(name)
                if name in self._hidden:
                    # Which addresses meet where this line is bent is not told.
                    stray[here] |= used
                    continue
                is_high = (level[here] == 1) ^ bool(self._bus.address_low >> bit & 1)
                is_lost = (level[here] == UNKNOWN) & used
                weight = 1 << bit - low
                old = words[here]
                words[here] = np.where(used, (old & ~weight) | (is_high * weight), old)
                # A line that no one moves stands still, wherever it does.
                still = rows.still[at][here]
                stray[here] |= is_lost & ~still[:, None]
                words[here[still]] &= ~weight
        return words, stray

    def _answer(self, rows: FaultRows, at: Ints, outcomes: States, lanes: Ints) -> None:
        """Fill in what becomes of each transfer with faults on lines of control.

        For reads twice: with the other line of the fault low as data, and high.
        """
        states, model = self._states, self.model
        numbers = rows.alike[at]
        for number in np.unique(numbers).tolist():
            group = at[numbers == number]
            fault = rows.faults[group[0]]
            assert fault is not None
            outcome, lane = (
                np.array(column)
                for column in zip(
                    *(_told(model.answers(fault, form)) for form in states.forms), strict=True
                )
            )
            which = np.zeros((len(group), len(states)), dtype=np.int64)
            bits = rows.other_address_bit[group]
            if bits[0] >= 0:
                which += _levels(states.address ^ np.uint64(self._bus.address_low), bits)
            bits = rows.other_bit[group]
            for level in (0, 1):
                now = which
                if bits[0] >= 0:
                    is_told = _levels(states.moved, bits).astype(bool)
                    shows = _levels(states.data ^ np.uint64(self._bus.data_low), bits)
                    shows = np.where(states.is_write, shows, level)
                    now = which + np.where(is_told, 2 * shows, 4)
                outcomes[level, group] = outcome[states.form, now]
                told = lane[states.form, now]
                lanes[level, group] = np.where(told == ALL_LANES, self._moved_lanes, told)

    # What data lines make of words.

    def _written(self, rows: FaultRows) -> tuple[Words, Words]:
        """Give the word on the lines that each write stores, and the bits known of it."""
        states = self._states
        shape = (len(rows), len(states))
        words = np.broadcast_to(states.data, shape)
        known = np.broadcast_to(states.moved & states.told, shape)
        at = np.flatnonzero(rows.data)
        if not len(at):
            return words, known
        words, known = words.copy(), known.copy()
        stack = self.stack("write")
        codes = rows.tables[rows.table[at][:, None], stack[rows.a[at]], stack[rows.b[at]]]
        # Lane strobes do not go away all at once: with one gone already the bit must be the same,
        # unless it is the one with which the bit is taken.
        flipped = np.array([0, 2, 1, *range(3, 8)], dtype=np.uint8)
        strobes = np.isin(np.arange(len(stack)), self._strobes)[:, None]
        other = np.where(strobes, flipped[stack], stack)
        late = rows.tables[rows.table[at][:, None], other[rows.a[at]], other[rows.b[at]]]
        late = np.where(rows.own_strobe[at][:, None], codes, late)
        self._patch(rows, at, codes, "received", words, known, late)
        return words, known

    def _patch(
        self,
        rows: FaultRows,
        at: Ints,
        codes: Codes,
        place: str,
        words: Words,
        known: Words,
        late: Codes | None = None,
    ) -> None:
        """Put the levels of the faults' lines into words, where they stay if they are late."""
        low = np.uint64(self._bus.data_low)
        for which, bits in enumerate((rows.a_bit[at], rows.b_bit[at])):
            here = np.flatnonzero(bits >= 0)
            if not len(here):
                continue
            level = shown(codes[here], place, which)
            if late is not None:
                level = np.where(level == shown(late[here], place, which), level, UNKNOWN)
            bit = bits[here].astype(np.uint64)[:, None]
            mask = _ONE << bit
            is_known = level != UNKNOWN
            value = ((level == 1).astype(np.uint64) ^ (low >> bit & _ONE)) << bit
            row = at[here]
            words[row] = np.where(is_known, (words[row] & ~mask) | value, words[row])
            known[row] = np.where(is_known, known[row] | mask, known[row] & ~mask)

    def _gathered(
        self, src: Ints, words: Words, known: Words, pieces: Pieces
    ) -> tuple[Words, Words]:
        """Give the word that each read finds, as it stands on the lines."""
        out = np.zeros((len(words), len(self._reads)), dtype=np.uint64)
        out_known = np.zeros_like(out)
        read_of = np.searchsorted(self._reads, pieces.transfer[pieces.reads])
        masks = pieces.mask[pieces.reads]
        row = np.arange(len(words))[:, None]
        for mask in np.unique(masks).tolist():
            columns = np.flatnonzero(masks == mask)
            source = src[:, columns]
            bits = np.where(source >= 0, np.uint64(mask), np.uint64(0))
            transfer = pieces.transfer[source]
            place = read_of[columns]
            for given, into in ((words, out), (known, out_known)):
                # One route for all is taken as columns, which is much faster.
                stored = given[:, transfer[0]] if len(src) == 1 else given[row, transfer]
                if pieces.is_moved:
                    stored = shifted(stored, pieces.shift[source]) & bits
                    stored = shifted(stored, -pieces.shift[pieces.reads[columns]])
                else:
                    stored = stored & bits
                into[:, place] |= stored
        return out, out_known

    def _read(self, rows: FaultRows, words: Words, known: Words) -> tuple[Words, Words]:
        """Give what the host sees of the words that the card drives."""
        at = np.flatnonzero(rows.data)
        if not len(at):
            return words, known
        words, known = words.copy(), known.copy()
        stack = self.stack("read")[:, self._reads]
        low = np.uint64(self._bus.data_low)
        states = []
        for lines, bits in ((rows.a[at], rows.a_bit[at]), (rows.b[at], rows.b_bit[at])):
            state = stack[lines]
            here = np.flatnonzero(bits >= 0)
            bit = bits[here].astype(np.uint64)[:, None]
            stored = self._stored[lines[here]]
            level = ((words[at[here]] ^ low) >> bit & _ONE).astype(np.uint8)
            is_known = (known[at[here]] >> bit & _ONE).astype(bool)
            driven = np.where(is_known, CARD + level, 6)
            state[here] = np.where(stored, driven, state[here])
            states.append(state)
        codes = rows.tables[rows.table[at][:, None], states[0], states[1]]
        self._patch(rows, at, codes, "host", words, known)
        return words, known

    @cached_property
    def _stored(self) -> Bools:
        rows = np.zeros((len(self._bus.lines) + 1, len(self._reads)), dtype=bool)
        for line in self._bus.data:
            rows[self._line_at[line]] = self._states.is_stored(line)[self._reads]
        return rows

    def _put_special(self, rows: FaultRows, is_unseen: Bools, words: Words, known: Words) -> None:
        """Put in what faults show that are not about levels, or that keep a level.

        With a fault that lets no read reach the card, the data lines are as if none were there.
        """
        pulls = {self._bus.line(line).pull for line in self._bus.data}
        pull = pulls.pop() if len(pulls) == 1 else "none"
        floats = {"up": "high", "down": "low"}.get(pull, "keep")
        words[is_unseen], known[is_unseen] = self._absent(floats)
        for row in np.flatnonzero(rows.special & ~is_unseen).tolist():
            fault = rows.faults[row]
            if isinstance(fault, Absent):
                words[row], known[row] = self._absent(fault.floats)
            elif isinstance(fault, Open):
                mask = _ONE << np.uint64(self._data[fault.line])
                kept, is_known = self._kept(fault.line)
                words[row] = (words[row] & ~mask) | kept
                known[row] = (known[row] & ~mask) | is_known
            elif not isinstance(fault, NoAcknowledge):
                known[row] = 0

    def _absent(self, floats: str) -> tuple[Words, Words]:
        """Give what reads return where no card drives, and the bits that are known, shape (R,)."""
        if floats not in self._absents:
            if floats == "keep":
                kept = zip(*map(self._kept, self._bus.data), strict=True)
                words, known = (np.bitwise_or.reduce(each) for each in kept)
            else:
                level = np.uint64(0) if floats == "low" else self._full
                words = np.full(len(self._reads), level ^ np.uint64(self._bus.data_low))
                known = np.full_like(words, 0 if floats == "any" else self._full)
            self._absents[floats] = words, known
        return self._absents[floats]

    def _kept(self, line: str) -> tuple[Words, Words]:
        """Give what a line shows in each read if it keeps what the host last drove on it.

        Two words of its bit alone: what it shows, and whether that is known.
        """
        states = self._states
        driven = states.at("write", line)
        last = np.maximum.accumulate(np.where(states.is_write, np.arange(len(states)), -1))
        before = last[self._reads]
        state = np.where(before >= 0, driven[before], ANY)
        addressed = states.at("address", line)[self._reads]
        by_host = np.isin(addressed, (HOST, HOST + 1, 5))
        state = np.where(by_host, addressed, state)
        bit = np.uint64(self._data[line])
        is_known = np.isin(state, (HOST, HOST + 1))
        level = (state == HOST + 1).astype(np.uint64)
        value = (level ^ (np.uint64(self._bus.data_low) >> bit & _ONE)) << bit
        none = np.uint64(0)
        return np.where(is_known, value, none), np.where(is_known, _ONE << bit, none)


@dataclass(frozen=True, eq=False)
class Course:
    """What T transfers, R reads among them, come to with F faults.

    Parameters
    ----------
    outcomes : ndarray of uint8, shape (F, T)
        `Outcome`.
    is_lost : ndarray of bool, shape (F, R)
        What the card drives in a read is not known, if it drives anything.
    words, known : ndarray of uint64, shape (F, R)
        What the card drives in each read, and the bits of it that are known.
    seen, sure : ndarray of uint64, shape (F, R)
        What the same read returned before, where nothing was written there since.
    """

    outcomes: States
    is_lost: Bools
    words: Words
    known: Words
    seen: Words
    sure: Words


@dataclass
class _Route:
    """What becomes of T transfers with F faults.

    Parameters
    ----------
    words : ndarray of int64, shape (F, T)
        The word that each address reaches.
    stray : ndarray of bool, shape (F, T)
        It is not known which.
    outcomes : ndarray of uint8, shape (2, F, T)
        `Outcome`; of reads with the fault's data line low, and high.
    lanes : ndarray of int64, shape (2, F, T)
        The lanes that the card takes to move.
    """

    words: Ints
    stray: Bools
    outcomes: States
    lanes: Ints


def _told(answers: Sequence[Answer]) -> tuple[list[int], list[int]]:
    """Give outcomes and lanes by the other line's levels, then where data is not known."""
    either = [_worst(answers[a], answers[a + 2]) for a in (0, 1)]
    every = (*answers, *either)
    return [int(each.outcome) for each in every], [each.lanes for each in every]


def _levels(words: Words, bits: Ints) -> Ints:
    """Give one bit of each word for each of some faults."""
    shifts = bits.astype(np.uint64)[:, None]
    return (words >> shifts & _ONE).astype(np.int64)


def _worst(one: Answer, other: Answer) -> Answer:
    if one == other:
        return one
    return Answer(max(one.outcome, other.outcome, Outcome.UNSURE), 0)
