"""What host and card share: each follows its steps of the description, by what it sees."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from busdecode.cycles.wires import Wires
    from busdecode.protocol import Step

    Test = Callable[[int], bool]

__all__ = ["Party"]


@dataclass
class _Pending:
    """A step that has not been done, and what it has seen so far."""

    step: Step
    before: tuple[str, ...]
    test: tuple[tuple[Test, tuple[int, int]], ...]
    seen: list[int | None]
    is_set: bool = False
    armed_at: int | None = None


class Party:
    """What host and card share: steps that wait, and the doing of them."""

    name = "host"

    def __init__(self, sim: Wires) -> None:
        self.sim = sim
        self.pending: list[_Pending] = []
        self.done: dict[str, int] = {}
        self.direction = "none"
        self.since = 0
        self.late_drive = 0
        self.skew = (0, 0)

    def seen(self) -> int:
        """Give the levels as this party sees them."""
        return self.sim.levels.host

    def arm(self, steps: Sequence[Step]) -> None:
        """Begin to wait for the triggers of these steps."""
        self.since = self.sim.now
        for step in steps:
            self.done.pop(step.name, None)
            tests = tuple((self.sim.test(each), span) for each, span in step.after_levels)
            before = tuple(name for name, _ in step.after_steps)
            self.pending.append(_Pending(step, before, tests, [None] * len(tests)))

    def advance(self) -> None:
        """Set off every step whose triggers have come."""
        waiting = [each for each in self.pending if not each.is_set]
        if not waiting:
            return
        names = {each.step.name for each in self.pending} - self.done.keys()
        levels = self.seen()
        for each in waiting:
            if not names.isdisjoint(each.before):
                continue
            if each.armed_at is None:
                each.armed_at = self.sim.now
                if each.test and self.name == "host":
                    self.sim.after(self.sim.bus.watchdog, lambda each=each: self.overdue(each))  # type: ignore[misc]
            for at, (test, _) in enumerate(each.test):
                if each.seen[at] is None and test(levels):
                    each.seen[at] = self.sim.now
            if None not in each.seen:
                self.set_off(each)

    def overdue(self, each: _Pending) -> None:
        """Stop waiting for levels that do not come."""
        if each not in self.pending or each.is_set:
            return
        if not self.sim.on_watchdog():
            return
        if not each.is_set:
            each.seen = [self.sim.now if moment is None else moment for moment in each.seen]
            self.set_off(each)

    def set_off(self, each: _Pending) -> None:
        """Set the moment at which the step will be done."""
        sim, step = self.sim, each.step
        moments = [self.since]
        for name, span in step.after_steps:
            if name in self.done:
                moments.append(max(self.done[name], self.since) + sim.draw(span))
        for moment, (_, span) in zip(each.seen, each.test, strict=True):
            assert moment is not None
            moments.append(moment + sim.draw(span))
        time = max(*moments, sim.now)
        if step.waits is not None and self.wants_waits():
            time += sim.draw(step.waits)
        each.is_set = True
        sim.after(time - sim.now, lambda: self.perform(each))

    def wants_waits(self) -> bool:
        """Tell whether the card asks for wait states in this beat."""
        return False

    def perform(self, each: _Pending) -> None:
        """Do the step."""
        if each not in self.pending:
            return
        self.skew = each.step.skew
        for verb, what in each.step.actions:
            late = self.sim.late_by(self.direction) if (verb, what) == ("drive", "data") else 0
            if late and (self.name == "host") == (self.direction == "write"):
                # Nobody waits for data that comes late; released before, it never comes.
                self.late_drive += 1
                self.sim.after(late, lambda turn=self.late_drive: self.drive_late(turn))  # type: ignore[misc]
            else:
                if (verb, what) == ("release", "data"):
                    self.late_drive += 1
                self.act(verb, what)
        self.done[each.step.name] = self.sim.now
        self.pending.remove(each)
        self.after_step()
        self.advance()

    def drive_late(self, turn: int) -> None:
        """Drive data that was held up, unless it was released or driven anew since."""
        if turn == self.late_drive:
            self.act("drive", "data")

    def act(self, verb: str, what: str) -> None:
        """Do one action of a step."""
        raise NotImplementedError

    def act_on_lines(self, lines: Sequence[str], *, asserted: bool, owner: int = 0) -> None:
        """Assert or negate lines that go together, each as late as the step's skew allows."""
        sim, party, skew = self.sim, self.name, self.skew
        for line in lines:
            late = sim.draw(skew) if skew[1] else 0
            if late:
                sim.after(
                    late,
                    lambda line=line: sim.line_drive(  # type: ignore[misc]
                        party, line, asserted=asserted, owner=owner
                    ),
                )
            else:
                sim.line_drive(party, line, asserted=asserted, owner=owner)

    def after_step(self) -> None:
        """Look whether a stage is over."""

    def give_up(self) -> None:
        """Forget all that is waited for."""
        self.pending.clear()
