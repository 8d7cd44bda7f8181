"""Host and card: each follows its steps of the description, by what it sees on its lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from busdecode.protocol import All, Any_, Becomes, FirstOf, Holds, While

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from busdecode.access import Transfer
    from busdecode.cycles.wires import Wires
    from busdecode.faults import Levels
    from busdecode.protocol import Condition, Event, Step
    from busdecode.responder import Memory

    Test = Callable[[int], bool]

__all__ = ["Card", "Host"]


@dataclass
class _Pending:
    """A step that has not been done, and what it has seen so far."""

    step: Step
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

    def seen(self) -> int:
        """Give the levels as this party sees them."""
        return self.sim.levels.host

    def arm(self, steps: Sequence[Step]) -> None:
        """Begin to wait for the triggers of these steps."""
        self.since = self.sim.now
        for step in steps:
            self.done.pop(step.name, None)
            tests = tuple((self.sim.test(each), span) for each, span in step.after_levels)
            self.pending.append(_Pending(step, tests, [None] * len(tests)))

    def advance(self) -> None:
        """Set off every step whose triggers have come."""
        names = {each.step.name for each in self.pending}
        for each in list(self.pending):
            if each.is_set:
                continue
            before = [name for name, _ in each.step.after_steps]
            if any(name in names and name not in self.done for name in before):
                continue
            if each.armed_at is None:
                each.armed_at = self.sim.now
                if each.test and self.name == "host":
                    self.sim.after(self.sim.bus.watchdog, lambda each=each: self.overdue(each))  # type: ignore[misc]
            levels = self.seen()
            for at, (test, _) in enumerate(each.test):
                if each.seen[at] is None and test(levels):
                    each.seen[at] = self.sim.now
            if all(moment is not None for moment in each.seen):
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

    def after_step(self) -> None:
        """Look whether a stage is over."""

    def give_up(self) -> None:
        """Forget all that is waited for."""
        self.pending.clear()


class Host(Party):
    """The master: it makes cycles, and keeps what it reads.

    `returned` has, for each transfer, the word that the host took.
    """

    def __init__(self, sim: Wires) -> None:
        super().__init__(sim)
        self.returned: list[int | None] = []
        self._cycle: list[tuple[int, Transfer]] = []
        self._at = 0
        self._stage = "idle"

    def is_idle(self) -> bool:
        """Tell whether no cycle is under way."""
        return self._stage == "idle"

    def begin(self, cycle: list[tuple[int, Transfer]]) -> None:
        """Begin a cycle: its transfers, each with its place among all."""
        self._cycle, self._at = cycle, 0
        self.done.clear()
        self._enter("open")

    def give_up(self) -> None:
        """Forget the cycle under way."""
        super().give_up()
        self._stage = "idle"

    @property
    def _transfer(self) -> Transfer:
        return self._cycle[self._at][1]

    def _enter(self, stage: str) -> None:
        self._stage = stage
        kind = self.sim.bus.kind(self._transfer.kind)
        self.direction = kind.direction
        more = self._at + 1 < len(self._cycle)
        steps = [
            step
            for step in self.sim.bus.steps
            if step.by == "host"
            and step.stage == stage
            and (step.kinds is None or kind.name in step.kinds)
            and (more or ("another", "beat") not in step.actions)
        ]
        self.arm(steps)
        self.advance()
        self.after_step()

    def after_step(self) -> None:
        """Go on to the next stage once all steps of this one are done."""
        if self.pending:
            return
        if self._stage == "open":
            self._enter("beat")
        elif self._stage == "beat":
            self.sim.end_error()
            if self._at + 1 < len(self._cycle):
                self._at += 1
                self._enter("beat")
            else:
                self._enter("close")
        elif self._stage == "close":
            self._stage = "idle"

    def look(self, before: Levels) -> None:
        """See what changed on the lines."""
        self.advance()

    def act(self, verb: str, what: str) -> None:
        """Do one action of a step, on the transfer under way."""
        sim, bus, transfer = self.sim, self.sim.bus, self._transfer
        if what == "lanes":
            for lane, line in enumerate(bus.lane_strobes):
                if transfer.lanes >> (bus.lane_count - 1 - lane) & 1:
                    sim.line_drive("host", line, asserted=verb == "assert")
        elif verb in ("assert", "negate"):
            sim.line_drive("host", what, asserted=verb == "assert")
        elif verb == "take":
            self.returned[self._cycle[self._at][0]] = sim.value(self.seen(), bus.data)
        elif verb == "drive":
            mask, levels = self._group(what)
            sim.drive("host", mask, levels)
        elif verb == "release":
            sim.release("host", self._group(what)[0])

    def _group(self, what: str) -> tuple[int, int]:
        sim, bus, transfer = self.sim, self.sim.bus, self._transfer
        if what == "data":
            return sim.bits(bus.data), sim.spread(self._driven_data(), bus.data)
        kind = bus.kind(transfer.kind)
        levels = dict(kind.levels) | dict(bus.making_levels[kind.name])
        if what == "address":
            address = transfer.address
            mask = level = 0
            for line, bit in zip(bus.address, bus.address_bits, strict=True):
                mask |= sim.bits([line])
                level |= sim.bits([line]) * (address >> bit & 1)
            return mask, level
        if what == "size":
            for row in bus.lane_rows:
                wanted = sum(
                    1 << bus.lane_count - 1 - lane for lane, on in enumerate(row.lanes) if on
                )
                if wanted == transfer.lanes and self._fits_address(row.levels):
                    levels = dict(row.levels)
                    break
        roles = {"direction": ("direction",), "function": ("function",), "size": ("size",)}
        wanted_roles = roles.get(what, ("direction", "function"))
        mask = level = 0
        for lines, value in levels.items():
            for bit, line in enumerate(reversed(lines)):
                if bus.line(line).role in wanted_roles:
                    mask |= sim.bits([line])
                    level |= sim.bits([line]) * (value >> bit & 1)
        return mask, level

    def _fits_address(self, levels: Sequence[tuple[tuple[str, ...], int]]) -> bool:
        bits = dict(zip(self.sim.bus.address, self.sim.bus.address_bits, strict=True))
        return all(
            self._transfer.address >> bits[line] & 1 == value >> bit & 1
            for lines, value in levels
            for bit, line in enumerate(reversed(lines))
            if line in bits
        )

    def _driven_data(self) -> int:
        """Fill the lanes without part: a copy of the lowest lane that takes part."""
        bus, transfer = self.sim.bus, self._transfer
        data = transfer.data or 0
        lanes = [lane for lane in range(bus.lane_count) if transfer.lanes >> lane & 1]
        if not lanes:
            return data
        one = (1 << bus.lane_bits) - 1
        source = data >> lanes[0] * bus.lane_bits & one
        for lane in range(bus.lane_count):
            if lane not in lanes:
                data |= source << lane * bus.lane_bits
        return data


class Card(Party):
    """The responder: it answers what it sees on its lines, with a memory behind it."""

    name = "card"

    def __init__(self, sim: Wires, memory: Memory, wait_share: float) -> None:
        super().__init__(sim)
        self._memory = memory
        self._wait_share = wait_share
        bus = sim.bus
        self._in_cycle = sim.test(_condition(bus.cycle_begins[0]))
        self._in_beat = sim.test(_condition(bus.beat_begins[0]))
        self._is_ready = True
        self._was_in_cycle = False
        self._address = 0
        self._kind = ""
        self._latched = (0, 0)
        self._lanes_on: dict[str, bool] = dict.fromkeys(bus.lane_strobes, False)
        self._lanes_used = 0
        self._waits = False

    def seen(self) -> int:
        """Give the levels as the card's receivers give them."""
        return self.sim.levels.received

    def wants_waits(self) -> bool:
        """Tell whether the card asks for wait states in this beat."""
        return self._waits

    def look(self, before: Levels) -> None:
        """See what changed on the lines: latch, begin a beat, go on with steps."""
        sim, bus = self.sim, self.sim.bus
        levels = self.seen()
        in_cycle = self._in_cycle(levels)
        if in_cycle and not self._was_in_cycle:
            self._address = 0
            for line, bit in zip(bus.address, bus.address_bits, strict=True):
                self._address |= int(bool(levels & sim.bits([line]))) << bit
            self._lanes_used = 0
        self._was_in_cycle = in_cycle
        self._latch(before.received, levels)
        in_beat = in_cycle and self._in_beat(levels)
        if not in_beat and not self.pending:
            self._is_ready = True
        if in_beat and self._is_ready and not self.pending:
            self._begin(levels)
        self.advance()

    def _latch(self, before: int, now: int) -> None:
        """Take the byte of each lane whose strobe goes away, as the lines stood before."""
        sim, bus = self.sim, self.sim.bus
        mask, data = self._latched
        for lane, line in enumerate(bus.lane_strobes):
            asserted = bool(now & sim.bits([line])) == bool(bus.asserted_level(line))
            if self._lanes_on[line] and not asserted:
                one = ((1 << bus.lane_bits) - 1) << (bus.lane_count - 1 - lane) * bus.lane_bits
                mask |= one
                self._lanes_used |= 1 << bus.lane_count - 1 - lane
                data = data & ~one | sim.value(before, bus.data) & one
            self._lanes_on[line] = asserted
        self._latched = mask, data

    def _begin(self, levels: int) -> None:
        sim, bus = self.sim, self.sim.bus
        if bus.address_steps:
            beyond = bus.lane_span(self._lanes_used)[1]
            self._address += beyond // bus.word_bytes * bus.word_bytes
            self._address &= (1 << bus.address_width) - 1
        self._lanes_used = 0 if bus.lane_strobes else self._lanes(levels)
        self._kind = ""
        for kind in bus.kinds:
            if kind.beats and all(sim.value(levels, lines) == v for lines, v in kind.levels):
                self._kind, self.direction = kind.name, kind.direction
                break
        self._is_ready = False
        self._latched = (0, 0)
        self._waits = sim.rng.random() < self._wait_share
        self.arm(
            [
                step
                for step in bus.steps
                if step.by == "card"
                and (step.kinds is None or self._kind in step.kinds)
                and (self._waits or not step.only_with_waits)
            ]
        )

    def after_step(self) -> None:
        """Be ready for the next beat once this one is answered and gone."""
        if not self.pending:
            levels = self.seen()
            if not (self._in_cycle(levels) and self._in_beat(levels)):
                self._is_ready = True

    def act(self, verb: str, what: str) -> None:
        """Do one action of a step, on the word that the address names."""
        sim, bus = self.sim, self.sim.bus
        word = self._address // bus.word_bytes * bus.word_bytes
        if verb in ("assert", "negate"):
            sim.line_drive("card", what, asserted=verb == "assert")
        elif verb == "take":
            if bus.lane_strobes:
                mask, data = self._latched
            else:
                mask, data = self._whole_word()
            self._memory.write(word, mask, data)
        elif verb == "drive":
            full = (1 << len(bus.data)) - 1
            data, known = self._memory.read(word)
            if known != full:
                data |= sim.rng.getrandbits(len(bus.data)) & ~known
                self._memory.write(word, full, data)
            sim.drive("card", sim.bits(bus.data), sim.spread(data, bus.data))
        elif verb == "release":
            sim.release("card", sim.bits(bus.data))

    def _whole_word(self) -> tuple[int, int]:
        sim, bus = self.sim, self.sim.bus
        levels = self.seen()
        lanes = self._lanes(levels)
        one = (1 << bus.lane_bits) - 1
        mask = sum(
            one << lane * bus.lane_bits for lane in range(bus.lane_count) if lanes >> lane & 1
        )
        return mask, sim.value(levels, bus.data)

    def _lanes(self, levels: int) -> int:
        """Give the lanes that a bus without lane strobes means, one bit a lane."""
        sim, bus = self.sim, self.sim.bus
        for row in bus.lane_rows:
            if all(sim.value(levels, lines) == value for lines, value in row.levels):
                return int("".join("01"[on] for on in row.lanes), 2)
        return (1 << bus.lane_count) - 1


def _condition(event: Event) -> Condition:
    """Give the condition during which what the event begins goes on."""
    if isinstance(event, Becomes | Holds):
        return event.condition
    if isinstance(event, While):
        return All((_condition(event.event), event.condition))
    if isinstance(event, FirstOf):
        return Any_(tuple(_condition(each) for each in event.events))
    raise TypeError(f"{type(event).__name__} tells no levels")
