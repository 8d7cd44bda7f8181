"""What lines show in beats at the moments that count: taken from rows, or kept from before."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import numpy as np

from busdecode.capture import words_for
from busdecode.cycles.occurrences import Snapshot, gather, mask_of, shows_any
from busdecode.protocol import Holds, Is, Moment
from busdecode.units import format_time

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.cycles.occurrences import Rows
    from busdecode.protocol import Bus

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = [
    "ANSWERED",
    "AT_ADDRESS",
    "BEFORE_RELEASE",
    "DURING",
    "FIRST_ANSWER",
    "BeatSight",
    "KeptSight",
    "Planes",
    "RowSight",
    "moment_name",
]

AT_ADDRESS = Moment("at", "address")
BEFORE_RELEASE = Moment("before", "release")
DURING = "during the beat"
ANSWERED = "by the release"
FIRST_ANSWER = "at the first answer"


def moment_name(moment: Moment) -> str:
    """Name a moment as descriptions do; a level taken `during` a phase is that at its begin.

    Examples
    --------
    >>> moment_name(Moment("before", "release", -15_000))
    'before release - 15 ns'
    """
    name = f"{'before' if moment.how == 'before' else 'at'} {moment.phase}"
    if not moment.offset:
        return name
    return f"{name} {'-' if moment.offset < 0 else '+'} {format_time(abs(moment.offset))}"


class BeatSight(Protocol):
    """What is asked of beats, B of them, when the columns of the table are made."""

    def taken(self, name: str) -> Snapshot:
        """Give the lines at the moment at which the description takes something."""

    def during(self, line: str) -> Bools:
        """Tell in which beats a line was asserted at any moment before the release."""

    def answered(self, lines: Sequence[str]) -> Ints | None:
        """Give when the first of these lines asserts, by numbers that rise; -1 where none does.

        None where none of the lines was captured.
        """

    def is_free(self, line: str) -> Bools:
        """Tell in which beats a line is negated just before the release."""


class RowSight:
    """Beats as rows show them.

    Parameters
    ----------
    bus : Bus
    rows : Rows
    of_cycles : dict of Moment to Snapshot
        What the address phases gave, one row a cycle.
    finds : dict of str to (rows, times)
        The row and the moment, in ps, at which each phase begins, of each beat.
    of_cycle : ndarray of int64, shape (B,)
        Each beat's row in `of_cycles`.
    uncertainty : int, ps
    """

    def __init__(
        self,
        bus: Bus,
        rows: Rows,
        of_cycles: Mapping[Moment, Snapshot],
        finds: Mapping[str, tuple[Ints, Ints]],
        of_cycle: Ints,
        uncertainty: int,
    ) -> None:
        self.bus = bus
        self.rows = rows
        self._captured = frozenset(rows.index)
        self._of_cycles = of_cycles
        self._finds = finds
        self._of_cycle = of_cycle
        self._uncertainty = uncertainty
        self._begins, self._ends = finds["data"][0], finds["release"][0]
        self._shots: dict[Moment, Snapshot] = {}
        cycles = len(next(iter(of_cycles.values())).states) if of_cycles else -1
        self._is_each_once = (
            len(of_cycle) == cycles and of_cycle[0] == 0 and bool((np.diff(of_cycle) == 1).all())
        )

    def taken(self, name: str) -> Snapshot:
        """Give the lines at the moment at which the description takes something."""
        return self.at(self.bus.take[name])

    def at(self, moment: Moment) -> Snapshot:
        """Give the lines at a moment."""
        if moment not in self._shots:
            if moment.phase != "address":
                at_rows, at_times = self._finds[moment.phase]
                shot = self.rows.snapshot(moment, at_rows, at_times, self._uncertainty)
            elif self._is_each_once:
                shot = self._of_cycles[moment]
            else:
                shot = self._of_cycles[moment].take(self._of_cycle)
            self._shots[moment] = shot
        return self._shots[moment]

    def _first(self, line: str, limits: Ints) -> Ints:
        """Give the row at which a line asserts or is asserted, up to a limit; -1 for none."""
        event = Holds(Is((line,), self.bus.asserted_level(line)))
        return self.rows.find(event, self._begins, limits).rows

    def during(self, line: str) -> Bools:
        """Tell in which beats a line was asserted at any moment before the release."""
        return self._first(line, np.maximum(self._ends - 1, self._begins)) >= 0

    def answered(self, lines: Sequence[str]) -> Ints | None:
        """Give the row at which the first of the lines asserts, -1 where none does.

        Where the description names the moment at which they count, that stands for all.
        """
        seen = [line for line in lines if line in self._captured]
        if not seen:
            return None
        if "ending" in self.bus.take:
            shows = _asserted(self.bus, self.taken("ending"), seen, self.rows.index)
            return np.where(shows, self._ends, -1)
        never = np.iinfo(np.int64).max
        found = [self._first(line, self._ends) for line in seen]
        earliest = np.minimum.reduce([np.where(part < 0, never, part) for part in found])
        return np.where(earliest == never, -1, earliest)

    def is_free(self, line: str) -> Bools:
        """Tell in which beats a line is negated just before the release."""
        at = self.rows.index[line]
        before = np.maximum(self._ends - 1, 0)
        level = (self.rows.states[:, at // 64].take(before) & np.uint64(1 << (at % 64))) != 0
        free: Bools = level != bool(self.bus.asserted_level(line))
        return free

    def asserted(self, name: str) -> dict[str, Bools]:
        """Tell of each line of a plane of assertions in which beats it was asserted then."""
        limits = np.maximum(self._ends - 1, self._begins) if name == DURING else self._ends
        found = {
            line: self._first(line, limits)
            for line in lines_asserted(self.bus, name)
            if line in self._captured
        }
        if name != FIRST_ANSWER or not found:
            return {line: rows >= 0 for line, rows in found.items()}
        never = np.iinfo(np.int64).max
        first = np.minimum.reduce([np.where(rows < 0, never, rows) for rows in found.values()])
        return {line: rows == first for line, rows in found.items()}


class KeptSight:
    """Beats as kept levels show them: planes of levels, one for each moment.

    Parameters
    ----------
    bus : Bus
    index : mapping of str to int
        The lines that were captured, with their bits.
    moments : sequence of str
        M names, as `Planes.names` has them.
    levels, known, moving : ndarray of uint64, shape (B, M, W)
        Line k is bit ``k % 64`` of word ``k // 64``.
    """

    def __init__(
        self,
        bus: Bus,
        index: Mapping[str, int],
        moments: Sequence[str],
        levels: Words,
        known: Words,
        moving: Words,
    ) -> None:
        self.bus = bus
        self._index = index
        self._places = {name: at for at, name in enumerate(moments)}
        self._levels, self._known, self._moving = levels, known, moving

    def taken(self, name: str) -> Snapshot:
        """Give the lines at the moment at which the description takes something."""
        return self.at(moment_name(self.bus.take[name]))

    def at(self, moment: str) -> Snapshot:
        """Give the lines at a moment, by its name."""
        at = self._places[moment]
        return Snapshot(self._levels[:, at], ~self._known[:, at], self._moving[:, at])

    def shows(self, moment: str, lines: Sequence[str]) -> Bools:
        """Tell in which beats one of the lines is known to be asserted at a moment."""
        return _asserted(self.bus, self.at(moment), lines, self._index)

    def during(self, line: str) -> Bools:
        """Tell in which beats a line was asserted at any moment before the release."""
        return self.shows(DURING, [line])

    def answered(self, lines: Sequence[str]) -> Ints | None:
        """Give 0 where one of the lines was the first answer, 1 where it came later, else -1."""
        seen = [line for line in lines if line in self._index]
        if not seen:
            return None
        if "ending" in self.bus.take:
            ending = moment_name(self.bus.take["ending"])
            return np.where(self.shows(ending, seen), 0, -1)
        later = np.where(self.shows(ANSWERED, seen), 1, -1)
        return np.where(self.shows(FIRST_ANSWER, seen), 0, later)

    def is_free(self, line: str) -> Bools:
        """Tell in which beats a line is negated just before the release."""
        return ~self.shows(moment_name(BEFORE_RELEASE), [line])


class Planes:
    """The moments at which levels are kept, and the levels of all lines of the bus then.

    Levels are kept as uint64 of shape (B, 3, M, W): levels, what is known of them, and what
    changes within one resolution of the moment; line k of ``bus.lines`` is bit ``k % 64`` of
    word ``k // 64``.

    Parameters
    ----------
    bus : Bus
    lines : tuple of str
        The lines that were captured, in the order of their bits in rows.
    """

    def __init__(self, bus: Bus, lines: Sequence[str]) -> None:
        self.bus = bus
        self.names = planes_of(bus)
        self._index = {line: at for at, line in enumerate(lines)}
        self._of_all = {line: at for at, line in enumerate(bus.line_names)}
        self._words = words_for(len(bus.lines))

    def none(self, rows: int) -> Words:
        """Give rows of which nothing is known."""
        return np.zeros((rows, 3, len(self.names), self._words), dtype=np.uint64)

    def of_beats(self, sight: RowSight, beats: int) -> Words:
        """Keep what the first so many beats show."""
        kept = self.none(beats)
        taken = {moment_name(moment): moment for moment in self.bus.take.values()}
        if self.bus.ending.wait:
            taken.setdefault(moment_name(BEFORE_RELEASE), BEFORE_RELEASE)
        for name, moment in taken.items():
            self._put(kept, name, sight.at(moment))
        for name in (DURING, ANSWERED, FIRST_ANSWER):
            if name in self.names:
                for line, is_on in sight.asserted(name).items():
                    self._put_line(kept[:, :2, self.names.index(name)], line, is_on[:beats])
        return kept

    def of_cycles(self, begin: Snapshot, address: Snapshot) -> Words:
        """Keep what cycles without beats show at their begin, and where the address is taken."""
        kept = self.none(len(begin.states))
        self._put(kept, moment_name(AT_ADDRESS), begin)
        self._put(kept, moment_name(self.bus.take["address"]), address)
        return kept

    def _put(self, kept: Words, name: str, shot: Snapshot) -> None:
        plane = kept[:, :, self.names.index(name)]
        unknown = np.zeros_like(shot.states) if shot.unknown is None else shot.unknown
        for word in range(self._words):
            lines = self.bus.line_names[64 * word : 64 * (word + 1)]
            for at, words in enumerate((shot.states, ~unknown, shot.moving)):
                plane[:, at, word] = gather(words, lines, self._index, range(len(lines)))[
                    : len(kept)
                ]
        plane[:, 0] &= plane[:, 1]
        plane[:, 2] &= plane[:, 1]

    def _put_line(self, plane: Words, line: str, is_on: Bools) -> None:
        at = self._of_all[line]
        level = is_on if self.bus.asserted_level(line) else ~is_on
        plane[:, 0, at // 64] |= level.astype(np.uint64) << np.uint64(at % 64)
        plane[:, 1, at // 64] |= np.uint64(1 << at % 64)


def planes_of(bus: Bus) -> tuple[str, ...]:
    """Name the moments at which levels are kept: all at which the description takes something.

    Three more stand for what happens in a beat: lines that strobe lanes at any moment of it,
    and the lines that end it up to the release, and as the first of them is asserted.
    """
    names = dict.fromkeys(map(moment_name, (AT_ADDRESS, *bus.take.values())))
    if bus.ending.wait:
        names[moment_name(BEFORE_RELEASE)] = None
    if bus.lane_lines:
        names[DURING] = None
    if "ending" not in bus.take and (bus.ending.acknowledged or bus.ending.error):
        names |= dict.fromkeys((ANSWERED, FIRST_ANSWER))
    return tuple(names)


def lines_asserted(bus: Bus, name: str) -> tuple[str, ...]:
    """Give the lines of which a plane tells that they were asserted."""
    return bus.lane_lines if name == DURING else (*bus.ending.acknowledged, *bus.ending.error)


def _asserted(bus: Bus, shot: Snapshot, lines: Sequence[str], index: Mapping[str, int]) -> Bools:
    """Tell in which rows one of the lines is known to be asserted."""
    words = shot.states.shape[1]
    mask = mask_of(lines, index, words)
    low = mask_of([line for line in lines if not bus.asserted_level(line)], index, words)
    asserted = (shot.states ^ low) & mask
    if shot.unknown is not None:
        asserted &= ~shot.unknown
    return shows_any(asserted, mask)
