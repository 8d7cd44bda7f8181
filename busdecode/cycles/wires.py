"""The lines between host and card as time passes: who drives what, and the levels of it."""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from itertools import count
from typing import TYPE_CHECKING

from busdecode.faults import Drive, LateData, Levels, Network, NoAcknowledge
from busdecode.protocol import All, Any_, Is, Not

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from random import Random

    from busdecode.faults import Fault
    from busdecode.protocol import Bus, Condition

    Test = Callable[[int], bool]

__all__ = ["History", "Wires"]

_MOST_EVENTS_A_TRANSFER = 4000


@dataclass
class History:
    """Levels at both places over time: one entry a moment at which any line moved."""

    times: list[int] = field(default_factory=list)
    host: list[int] = field(default_factory=list)
    card: list[int] = field(default_factory=list)


class Wires:
    """The lines between host and card, what each drives, and the time that passes.

    Parameters
    ----------
    bus : Bus
    rng : random.Random
        Draws every delay, within the description's ranges.
    faults : sequence of Fault
    """

    def __init__(self, bus: Bus, rng: Random, faults: Sequence[Fault] = ()) -> None:
        self.bus = bus
        self.rng = rng
        self.history = History()
        self.notes: list[str] = []
        self._bits = {name: 1 << at for at, name in enumerate(bus.line_names)}
        self._network = Network(bus, faults, lambda: rng.getrandbits(1))
        self._late = {f.direction: f.delay for f in faults if isinstance(f, LateData)}
        self._silent = {f.line: f.then for f in faults if isinstance(f, NoAcknowledge)}
        self._now = 0
        self._queue: list[tuple[int, int, Callable[[], None]]] = []
        self._tick = count()
        self._tests: dict[Condition, Test] = {}
        self._owners: dict[tuple[str, int], int] = {}
        self._drives = {"host": self._idle_drive(), "card": Drive()}
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

    def draw(self, span: tuple[int, int]) -> int:
        """Draw a delay from a range, ps."""
        return self.rng.randint(*span)

    def bits(self, lines: Sequence[str]) -> int:
        """Give the mask of some lines."""
        return sum(self._bits[line] for line in lines)

    def value(self, levels: int, lines: Sequence[str]) -> int:
        """Read a bundle, most significant line first."""
        number = 0
        for line in lines:
            number = number << 1 | int(bool(levels & self._bits[line]))
        return number

    def spread(self, number: int, lines: Sequence[str]) -> int:
        """Give the levels that show a number on a bundle, most significant line first."""
        return sum(
            self._bits[line] for bit, line in enumerate(reversed(lines)) if number >> bit & 1
        )

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
        parts = [self.test(each) for each in condition.conditions]
        if isinstance(condition, All):
            return lambda levels: all(part(levels) for part in parts)
        assert isinstance(condition, Any_)
        return lambda levels: any(part(levels) for part in parts)

    def drive(self, party: str, mask: int, levels: int, owner: int = 0) -> None:
        """Let a party drive some lines; they are then the owner's to release."""
        for bit in self._bits.values():
            if mask & bit:
                self._owners[party, bit] = owner
        self._drives[party] = self._drives[party].put(mask, levels)
        self._settle()

    def release(self, party: str, mask: int, owner: int = 0) -> None:
        """Let a party release some lines; lines with a pull that it drives when idle go there.

        A line that another owner has driven since stays as it is: the next cycle's address may
        be out before the last one's is let go.
        """
        for bit in self._bits.values():
            if mask & bit and self._owners.get((party, bit), owner) != owner:
                mask &= ~bit
        idle = self._idle_drive() if party == "host" else Drive()
        drive = self._drives[party].release(mask & ~idle.mask)
        self._drives[party] = drive.put(mask & idle.mask, idle.levels)
        self._settle()

    def is_early(self, line: str) -> bool:
        """Tell whether the card asserts a line as soon as the beat begins."""
        return False

    def new_beat(self) -> None:
        """Draw anew what comes and goes."""

    def line_drive(self, party: str, line: str, *, asserted: bool, owner: int = 0) -> None:
        """Assert or negate a line; a card's negated line goes back to its pull."""
        bit = self._bits[line]
        level = self.bus.asserted_level(line) ^ int(not asserted)
        if asserted and line in self._silent and party == "card":
            return
        if not asserted and (party == "card" or self.bus.line(line).driver == "card"):
            self.release(party, bit, owner)
        else:
            self.drive(party, bit, bit * level, owner)

    def late_by(self, direction: str) -> int:
        """Give how much later than described data is driven in a direction, ps."""
        return self._late.get("write" if direction == "write" else "read", 0)

    def on_watchdog(self) -> bool:
        """Do what the master does when nothing comes; False where it hangs."""
        then = next(iter(self._silent.values()), "ends")
        if then == "hangs":
            self.hangs = True
            return False
        if then == "error" and self.bus.ending.error:
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
        while self._queue and not is_over() and not self.hangs:
            left -= 1
            if not left:
                self.notes.append("the bus oscillates: a transfer was given up")
                self._queue.clear()
                return False
            self._now, _, action = heapq.heappop(self._queue)
            action()
        return True

    def _settle(self) -> None:
        before = self._levels
        self._levels = self._network.resolve(self._drives["host"], self._drives["card"])
        if self._levels != before:
            self._record()
            for listener in self.listeners:
                listener(before)

    def _record(self) -> None:
        history = self.history
        if history.times and history.times[-1] == self._now:
            history.host[-1], history.card[-1] = self._levels.host, self._levels.card
        else:
            history.times.append(self._now)
            history.host.append(self._levels.host)
            history.card.append(self._levels.card)
