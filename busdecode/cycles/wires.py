"""The lines between host and card as time passes: who drives what, and the levels of it."""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from functools import reduce
from itertools import count
from operator import or_
from typing import TYPE_CHECKING

from busdecode.faults import (
    Absent,
    Drive,
    EarlyAcknowledge,
    LateAcknowledge,
    LateData,
    Levels,
    Network,
    NoAcknowledge,
    SlowRelease,
)
from busdecode.protocol import All, Any_, Is, Not

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from random import Random

    from busdecode.faults import Fault
    from busdecode.protocol import Bus, Condition

    Test = Callable[[int], bool]

__all__ = ["Bundle", "History", "Wires"]

_MOST_EVENTS_A_TRANSFER = 4000
_MOST_CHANGES_A_MOMENT = 64
_RESTLESS = "a loop through the card's buffers oscillates: its lines are taken as low"


@dataclass
class History:
    """Levels at the places over time: one entry a moment at which any line moved.

    `other` is another slot of the backplane.
    """

    times: list[int] = field(default_factory=list)
    host: list[int] = field(default_factory=list)
    card: list[int] = field(default_factory=list)
    other: list[int] = field(default_factory=list)


def _both(one: Test, other: Test) -> Test:
    return lambda levels: one(levels) and other(levels)


def _either(one: Test, other: Test) -> Test:
    return lambda levels: one(levels) or other(levels)


class Bundle:
    """Lines that together show a number.

    Parameters
    ----------
    places : iterable of (int, int)
        Of each line the bit that it is among the levels, and its bit in the number.
    """

    def __init__(self, places: Iterable[tuple[int, int]]) -> None:
        # Lines that stand as far apart in both move together.
        runs: dict[int, int] = {}
        for at, place in places:
            runs[at - place] = runs.get(at - place, 0) | 1 << at
        self._runs = tuple(runs.items())

    def value(self, levels: int) -> int:
        """Read the number that levels show."""
        number = 0
        for shift, mask in self._runs:
            part = levels & mask
            number |= part >> shift if shift >= 0 else part << -shift
        return number

    def spread(self, number: int) -> int:
        """Give the levels that show a number."""
        levels = 0
        for shift, mask in self._runs:
            levels |= (number << shift if shift >= 0 else number >> -shift) & mask
        return levels


@dataclass
class _Held:
    """Lines that a party lets go late, but for those that it drives anew before."""

    party: str
    mask: int


class Wires:
    """The lines between host and card, what each drives, and the time that passes.

    Parameters
    ----------
    bus : Bus
    rng : random.Random
        Draws every delay, within the description's ranges.
    faults : sequence of Fault

    Notes
    -----
    Several faults of one kind on one line or direction count as the one that delays most; of
    acknowledges that never come, a master that hangs counts before one that signals an error.

    A bus that oscillates is told in `notes`: too many events in a transfer, or too many changes
    in one moment.
    """

    def __init__(self, bus: Bus, rng: Random, faults: Sequence[Fault] = ()) -> None:
        self.bus = bus
        self.rng = rng
        self.history = History()
        self.notes: list[str] = []
        self._bits = {name: 1 << at for at, name in enumerate(bus.line_names)}
        self._network = Network(bus, faults, lambda: rng.getrandbits(1))
        self._now = 0
        self._queue: list[tuple[int, int, Callable[[], None]]] = []
        self._tick = count()
        self._tests: dict[Condition, Test] = {}
        self._bundles: dict[tuple[str, ...], Bundle] = {}
        self._idle = self._idle_drive()
        self._drives = {"host": self._idle, "card": Drive()}
        every = (1 << len(bus.lines)) - 1
        self._owned = {"host": {0: every}, "card": {0: every}}
        self._held: list[_Held] = []
        self._coming: dict[str, int] = {}
        self._data = self.bits(bus.data)
        self._changes = 0
        self._changed_at = 0
        self._levels = self._network.resolve(self._drives["host"], self._drives["card"])
        self._record()
        self.hangs = False
        self.listeners: list[Callable[[Levels], None]] = []

    def _idle_drive(self) -> Drive:
        mask = levels = 0
        for line in self.bus.lines:
            if line.driver == "host" and line.pull != "none":
                mask |= self._bits[line.name]
                levels |= self._bits[line.name] * int(line.pull == "up")
        return Drive(mask, levels)

    @property
    def now(self) -> int:
        """The moment reached, ps."""
        return self._now

    @property
    def levels(self) -> Levels:
        """The levels now."""
        return self._levels

    def idle(self, line: str) -> int:
        """Give the level that a line takes when no one drives it, or that of being negated."""
        known = self.bus.line(line)
        if known.pull != "none":
            return int(known.pull == "up")
        return int(known.active_low)

    def draw(self, span: tuple[int, int]) -> int:
        """Draw a delay from a range, ps."""
        return self.rng.randint(*span)

    def bit(self, line: str) -> int:
        """Give the mask of one line."""
        return self._bits[line]

    def bits(self, lines: Iterable[str]) -> int:
        """Give the mask of some lines."""
        return sum(map(self._bits.__getitem__, lines))

    def bundle(self, places: Iterable[tuple[str, int]]) -> Bundle:
        """Give lines as a bundle, each with the place of its bit in the number that they show."""
        return Bundle((self._bits[line].bit_length() - 1, place) for line, place in places)

    def value(self, levels: int, lines: tuple[str, ...]) -> int:
        """Read a bundle, most significant line first."""
        return self._bundle(lines).value(levels)

    def spread(self, number: int, lines: tuple[str, ...]) -> int:
        """Give the levels that show a number on a bundle, most significant line first."""
        return self._bundle(lines).spread(number)

    def _bundle(self, lines: tuple[str, ...]) -> Bundle:
        known = self._bundles.get(lines)
        if known is None:
            places = ((line, place) for place, line in enumerate(reversed(lines)))
            known = self._bundles[lines] = self.bundle(places)
        return known

    def test(self, condition: Condition) -> Test:
        """Compile a condition to a test of levels."""
        known = self._tests.get(condition)
        if known is None:
            self._tests[condition] = known = self._compile(condition)
        return known

    def _compile(self, condition: Condition) -> Test:
        if isinstance(condition, Is):
            mask, wanted = self.bits(condition.lines), self.spread(condition.value, condition.lines)
            return lambda levels: levels & mask == wanted
        if isinstance(condition, Not):
            inner = self.test(condition.condition)
            return lambda levels: not inner(levels)
        first, *rest = [self.test(each) for each in condition.conditions]
        if isinstance(condition, All):
            return reduce(_both, rest, first)
        assert isinstance(condition, Any_)
        return reduce(_either, rest, first)

    def new_beat(self) -> None:
        """Begin a beat: which intermittent faults are there is drawn anew."""
        if self._network.redraw(self.rng.random):
            self._settle()

    def drive(self, party: str, mask: int, levels: int, owner: int = 0) -> None:
        """Let a party drive some lines.

        Parameters
        ----------
        party : str
        mask, levels : int
        owner : int
            In whose name: an older owner, of a lower number, cannot release the lines.
        """
        owned = self._owned[party]
        for each in [each for each in owned if each != owner]:
            owned[each] &= ~mask
            if not owned[each]:
                del owned[each]
        owned[owner] = owned.get(owner, 0) | mask
        for held in self._held:
            if held.party == party:
                held.mask &= ~mask
        self._put(party, self._drives[party].put(mask, levels))

    def _put(self, party: str, drive: Drive) -> None:
        """Let a party drive lines so; where it did already, nothing comes of it."""
        if drive != self._drives[party]:
            self._drives[party] = drive
            self._settle()

    def release(self, party: str, mask: int, owner: int = 0) -> None:
        """Let a party release some lines; lines with a pull that it drives when idle go there.

        Lines that a younger owner drove last stay as they are: the next cycle's address may be
        out before the last one's is let go. Data lines with a slow release go
        later, and not at all where the party drives them anew before.
        """
        younger = (lines for each, lines in self._owned[party].items() if each > owner)
        mask &= ~reduce(or_, younger, 0)
        late = self.release_late_by("read" if party == "card" else "write")
        if late and mask & self._data:
            held = _Held(party, mask & self._data)
            self._held.append(held)
            self.after(late, lambda: self._let_go(held))
            mask &= ~self._data
        self._release(party, mask)

    def _let_go(self, held: _Held) -> None:
        self._held.remove(held)
        self._release(held.party, held.mask)

    def _release(self, party: str, mask: int) -> None:
        drive = self._drives[party]
        if party == "host":
            idle = self._idle
            self._put(party, drive.release(mask & ~idle.mask).put(mask & idle.mask, idle.levels))
        else:
            self._put(party, drive.release(mask))

    def line_drive(self, party: str, line: str, *, asserted: bool, owner: int = 0) -> None:
        """Assert or negate a line; a card's negated line goes back to its pull.

        An acknowledge that a fault keeps from coming is not asserted, one that comes late is
        asserted later, unless it is negated before.
        """
        if party == "card":
            if not asserted:
                self._coming.pop(line, None)
            elif line in self._coming or self._silent(line):
                return
            elif late := self.acknowledge_late_by(line):
                turn = self._coming[line] = next(self._tick)
                self.after(late, lambda: self._come(line, turn, owner))
                return
        bit = self._bits[line]
        level = self.bus.asserted_level(line) ^ int(not asserted)
        if not asserted and (party == "card" or self.bus.line(line).driver == "card"):
            self.release(party, bit, owner)
        else:
            self.drive(party, bit, bit * level, owner)

    def _come(self, line: str, turn: int, owner: int) -> None:
        if self._coming.get(line) == turn:
            del self._coming[line]
            bit = self._bits[line]
            self.drive("card", bit, bit * self.bus.asserted_level(line), owner)

    def late_by(self, direction: str) -> int:
        """Give how much later than described data is driven in a direction in this beat, ps."""
        wanted = "write" if direction == "write" else "read"
        delays = [
            fault.delay
            for fault in self._network.present
            if isinstance(fault, LateData) and fault.direction == wanted
        ]
        return max(delays, default=0)

    def release_late_by(self, direction: str) -> int:
        """Give how much later data is let go in a direction in this beat, ps."""
        wanted = "write" if direction == "write" else "read"
        delays = [
            fault.delay
            for fault in self._network.present
            if isinstance(fault, SlowRelease) and fault.direction == wanted
        ]
        return max(delays, default=0)

    def acknowledge_late_by(self, line: str) -> int:
        """Give how much later the card asserts a line in this beat, ps."""
        delays = [
            fault.delay
            for fault in self._network.present
            if isinstance(fault, LateAcknowledge) and fault.line == line
        ]
        return max(delays, default=0)

    def is_early(self, line: str) -> bool:
        """Tell whether the card asserts a line as soon as this beat begins."""
        return EarlyAcknowledge(line) in self._network.present

    def has_card(self) -> bool:
        """Tell whether a card is there in this beat."""
        return not any(isinstance(fault, Absent) for fault in self._network.present)

    def _silent(self, line: str) -> bool:
        return any(
            isinstance(fault, NoAcknowledge) and fault.line == line
            for fault in self._network.present
        )

    def on_watchdog(self) -> bool:
        """Do what the master does when nothing comes; False where it hangs."""
        thens = {fault.then for fault in self._network.present if isinstance(fault, NoAcknowledge)}
        if "hangs" in thens:
            self.hangs = True
            return False
        if "error" in thens and self.bus.ending.error:
            self.line_drive("host", self.bus.ending.error[0], asserted=True)
        return True

    def end_error(self) -> None:
        """Let the watchdog's error go once the beat is over."""
        for line in self.bus.ending.error:
            if self._drives["host"].mask & self._bits[line]:
                self.line_drive("host", line, asserted=False)

    def after(self, delay: int, action: Callable[[], None]) -> None:
        """Do something a delay from now."""
        self._at(self._now + delay, action)

    def _at(self, time: int, action: Callable[[], None]) -> None:
        heapq.heappush(self._queue, (time, next(self._tick), action))

    def rest(self, time: int) -> None:
        """Let a time pass, in which what was set off goes on."""
        is_over: list[bool] = []
        self.after(time, lambda: is_over.append(True))
        self.run_until(lambda: bool(is_over))

    def run_until(self, is_over: Callable[[], bool]) -> bool:
        """Let time pass until something is over, or nothing is left to happen.

        Returns
        -------
        bool
            False where the bus oscillates: too much happened, and all that was left is dropped.
        """
        left = _MOST_EVENTS_A_TRANSFER
        while left and not self._oscillates():
            if not self._queue or is_over() or self.hangs:
                return True
            left -= 1
            self._now, _, action = heapq.heappop(self._queue)
            action()
        self._give_up()
        return False

    def _oscillates(self) -> bool:
        """Tell whether too much changed in this one moment."""
        return self._changed_at == self._now and self._changes > _MOST_CHANGES_A_MOMENT

    def _give_up(self) -> None:
        """Drop all that was to come; lines that were still to be let go are so now."""
        self.notes.append("the bus oscillates: a transfer was given up")
        for held in list(self._held):
            self._let_go(held)
        self._coming.clear()
        self._queue.clear()
        self._changes = 0

    def _settle(self) -> None:
        before = self._levels
        self._levels = self._network.resolve(self._drives["host"], self._drives["card"])
        if self._network.is_restless and _RESTLESS not in self.notes:
            self.notes.append(_RESTLESS)
        if self._levels == before:
            return
        self._record()
        if self._changed_at != self._now:
            self._changed_at, self._changes = self._now, 0
        self._changes += 1
        if self._oscillates():
            return
        for listener in self.listeners:
            listener(before)

    def _record(self) -> None:
        history, levels = self.history, self._levels
        if not history.times or history.times[-1] != self._now:
            history.times.append(self._now)
            for place in (history.host, history.card, history.other):
                place.append(0)
        history.host[-1], history.card[-1] = levels.host, levels.card
        history.other[-1] = levels.other
