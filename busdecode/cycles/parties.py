"""Host and card: each follows its steps of the description, by what it sees on its lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from busdecode.access import byte_count, lane_mask, row_lines, rows_for, size_code
from busdecode.protocol import All, Any_, Becomes, FirstOf, Holds, While
from busdecode.responder import Memory, Stored

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from busdecode.access import Transfer
    from busdecode.cycles.wires import Wires
    from busdecode.faults import Levels
    from busdecode.protocol import Condition, Event, Kind, LaneRow, Step
    from busdecode.protocol import Levels as LineLevels

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


class Host(Party):
    """The master: it makes cycles, and keeps what it reads.

    Parameters
    ----------
    sim : Wires
    returned : list
        Takes, for each transfer, the word that the host took.
    """

    def __init__(self, sim: Wires, returned: list[int | None]) -> None:
        super().__init__(sim)
        self._returned = returned
        self._owner = 0
        self._cycle: list[tuple[int, Transfer]] = []
        self._at = 0
        self._stage = "idle"
        self._other: Host | None = None
        self._next: Callable[[], None] = lambda: None

    def follow(self, other: Host, begin_next: Callable[[], None]) -> None:
        """Wait for another host's beats before its own; `begin_next` sets the next cycle off."""
        self._other, self._next = other, begin_next

    def is_idle(self) -> bool:
        """Tell whether no cycle is under way."""
        return self._stage == "idle"

    def begin(self, cycle: list[tuple[int, Transfer]], number: int) -> None:
        """Begin a cycle: its transfers, each with its place among all; and the cycle's number."""
        self._cycle, self._at, self._owner = cycle, 0, number
        self.done.clear()
        self.sim.new_beat()
        self._enter("open")

    def end_run(self, cycle: list[tuple[int, Transfer]], number: int) -> None:
        """Do what is done once after the last cycle; its number is above that of all cycles."""
        self._cycle, self._at, self._owner = cycle, len(cycle) - 1, number
        self.done.clear()
        self._enter("last")

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
            and (not more or ("next", "cycle") not in step.actions)
        ]
        self.arm(steps)
        self.advance()
        self.after_step()

    def after_step(self) -> None:
        """Go on to the next stage once all steps of this one are done."""
        if self.pending or self._stage == "idle":
            return
        if self._stage == "open":
            # Data phases do not overlap: the other host's must be over.
            if self._other is None or self._other.is_idle():
                self._enter("beat")
        elif self._stage == "beat":
            self.sim.end_error()
            if self._at + 1 < len(self._cycle):
                self._at += 1
                self._enter("beat")
            else:
                self._enter("close")
        else:
            self._stage = "idle"
            if self._other is not None:
                self._other.after_step()

    def look(self, before: Levels) -> None:
        """See what changed on the lines."""
        self.advance()

    def act(self, verb: str, what: str) -> None:
        """Do one action of a step, on the transfer under way."""
        sim, bus = self.sim, self.sim.bus
        if what == "lanes":
            self.act_on_lines(self._lanes(), asserted=verb == "assert", owner=self._owner)
        elif verb in ("assert", "negate"):
            sim.line_drive("host", what, asserted=verb == "assert", owner=self._owner)
        elif verb == "take":
            self._returned[self._cycle[self._at][0]] = sim.value(self.seen(), bus.data)
        elif verb == "next":
            self._next()
        elif verb == "drive":
            mask, levels = self._group(what)
            sim.drive("host", mask, levels, self._owner)
        elif verb == "release":
            sim.release("host", self._group(what)[0], self._owner)

    def _row(self) -> LaneRow | None:
        """Give the lane table's row that the transfer needs."""
        transfer = self._transfer
        rows = rows_for(
            self.sim.bus,
            transfer.address,
            lanes=transfer.lanes,
            asked=transfer.asked,
            kind=transfer.kind,
        )
        return next(rows, None)

    def _lanes(self) -> list[str]:
        bus, row = self.sim.bus, self._row()
        if bus.lane_strobes:
            lanes = self._transfer.lanes
            return [
                line
                for lane, line in enumerate(bus.lane_strobes)
                if lanes >> (bus.lane_count - 1 - lane) & 1
            ]
        levels = {} if row is None else row_lines(row)
        return [line for line in bus.lane_lines if levels.get(line) == bus.asserted_level(line)]

    def _group(self, what: str) -> tuple[int, int]:
        sim, bus, transfer = self.sim, self.sim.bus, self._transfer
        if what == "data":
            return sim.bits(bus.data), sim.spread(self._driven_data(), bus.data)
        row = self._row()
        of_row = {} if row is None else row_lines(row)
        if what == "address":
            return self._address(of_row)
        kind = bus.kind(transfer.kind)
        levels = _first_values(kind.levels) | _first_values(bus.making_levels[kind.name])
        if transfer.modifier is not None:
            for bit, line in enumerate(reversed(bus.modifier)):
                levels[line] = transfer.modifier >> bit & 1
        if what == "size":
            levels = of_row
            code = None if transfer.asked is None else size_code(bus, transfer.asked)
            for bit, line in enumerate(reversed(bus.operand.lines)):
                if code is not None:
                    levels[line] = code >> bit & 1
        roles = {"direction": ("direction",), "function": ("function",), "size": ("size",)}
        wanted = roles.get(what, ("direction", "function"))
        lines = [line for line in levels if bus.line(line).role in wanted]
        return sim.bits(lines), sum(sim.bits([line]) * levels[line] for line in lines)

    def _address(self, of_row: Mapping[str, int]) -> tuple[int, int]:
        """Give the address lines and their levels; lines that the cycle does not use vary."""
        sim, bus, transfer = self.sim, self.sim.bus, self._transfer
        kind = bus.kind(transfer.kind)
        marks = _first_values(kind.levels) | _first_values(bus.making_levels[kind.name])
        if transfer.modifier is not None:
            for bit, line in enumerate(reversed(bus.modifier)):
                marks[line] = transfer.modifier >> bit & 1
        address, levels = transfer.address, 0
        for marking, used in bus.address_used:
            if all(
                sum(marks.get(line, 0) << bit for bit, line in enumerate(reversed(lines))) in values
                for lines, values in marking
            ):
                # Lines that mark the kind are not free.
                bits = dict(zip(bus.address, bus.address_bits, strict=True))
                free = ~used & ~sum(1 << bits[line] for line in marks if line in bits)
                address |= sim.rng.getrandbits(bus.address_width) & free
                break
        for line, bit in zip(bus.address, bus.address_bits, strict=True):
            level = of_row.get(line, marks.get(line, address >> bit & 1))
            levels |= sim.bits([line]) * level
        return sim.bits(bus.address), levels

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
        self._memories = {"memory": memory}
        self._wait_share = wait_share
        bus = sim.bus
        self._in_cycle = sim.test(_condition(bus.cycle_begins[0]))
        self._in_beat = sim.test(_condition(bus.beat_begins[0]))
        # Where cycles overlap or touch, a beat needs no cycle that is still open.
        self._is_loose = bus.pipelined or bus.joined
        self._is_ready = True
        self._was_in_cycle = False
        self._was_in_beat = False
        self._of_cycle = 0
        self._of_beat = 0
        self._at_end: int | None = None
        self._address = 0
        self._goes_on: int | None = None
        self._after = 0
        self._kind: Kind | None = None
        self._latched = (0, 0)
        self._lanes_on: dict[str, bool] = dict.fromkeys(bus.lane_lines, False)
        self._strobed: set[str] = set()
        self._waits = False
        self._ports: Mapping[int, Mapping[str, int]] = {}
        self._widest = max(
            (row for row in bus.lane_rows if bus.port_lines),
            key=lambda row: row.number.bit_count(),
            default=None,
        )

    def take_ports(self, ports: Mapping[int, Mapping[str, int]]) -> None:
        """Answer with these levels of the port lines, by word address."""
        self._ports = ports

    def seen(self) -> int:
        """Give the levels as the card's receivers give them."""
        return self.sim.levels.received

    def wants_waits(self) -> bool:
        """Tell whether the card asks for wait states in this beat."""
        return self._waits

    def look(self, before: Levels) -> None:
        """See what changed on the lines: latch, begin a beat, go on with steps."""
        take = self.sim.bus.take["address"]
        levels = self.seen()
        in_cycle = self._in_cycle(levels)
        if in_cycle and not self._was_in_cycle:
            self._of_cycle = before.received if take.how == "before" else levels
            self._goes_on = None
        self._was_in_cycle = in_cycle
        self._latch(before.received, levels)
        in_beat = self._in_beat(levels) and (in_cycle or self._is_loose)
        if self._was_in_beat and not in_beat:
            self._at_end = before.received
        self._was_in_beat = in_beat
        if not in_beat and not self.pending:
            self._is_ready = True
        if in_beat and self._is_ready and not self.pending:
            self._begin(levels)
        elif in_beat and take.phase == "release":
            self._address = self._shown_address(levels)
        self.advance()

    def _latch(self, before: int, now: int) -> None:
        """Take the byte of each lane whose strobe goes away, as the lines stood before."""
        sim, bus = self.sim, self.sim.bus
        mask, data = self._latched
        for line, was_on in self._lanes_on.items():
            asserted = bool(now & sim.bits([line])) == bool(bus.asserted_level(line))
            if asserted:
                self._strobed.add(line)
            if was_on and not asserted and bus.lane_strobes:
                lane = bus.lane_strobes.index(line)
                one = ((1 << bus.lane_bits) - 1) << (bus.lane_count - 1 - lane) * bus.lane_bits
                mask |= one
                data = data & ~one | sim.value(before, bus.data) & one
            self._lanes_on[line] = asserted
        self._latched = mask, data

    def _shown_address(self, levels: int) -> int:
        """Read the address lines that a cycle with these levels uses."""
        sim, bus = self.sim, self.sim.bus
        address = sum(
            bool(levels & sim.bits([line])) << bit
            for line, bit in zip(bus.address, bus.address_bits, strict=True)
        )
        for marking, used in bus.address_used:
            if _shows(sim, levels, marking):
                return address & used
        return address

    def _begin(self, levels: int) -> None:
        sim, bus = self.sim, self.sim.bus
        self._of_beat, self._at_end = levels, None
        self._strobed = {line for line, on in self._lanes_on.items() if on}
        at_cycle = bus.take["address"].phase == "address"
        self._address = self._shown_address(self._of_cycle if at_cycle else levels)
        self._kind = None
        for kind in bus.kinds:
            if kind.beats and _shows(sim, levels, kind.levels):
                self._kind, self.direction = kind, kind.direction
                break
        self._is_ready = False
        self._latched = (0, 0)
        self._waits = sim.rng.random() < self._wait_share
        name = "" if self._kind is None else self._kind.name
        self.arm(
            [
                step
                for step in bus.steps
                if step.by == "card"
                and (step.kinds is None or name in step.kinds)
                and (self._waits or not step.only_with_waits)
            ]
        )
        for each in list(self.pending):
            if any(verb == "assert" and sim.is_early(what) for verb, what in each.step.actions):
                each.is_set = True
                sim.after(0, lambda each=each: self.perform(each))  # type: ignore[misc]

    def after_step(self) -> None:
        """Be ready for the next beat once this one is answered and gone."""
        if not self.pending:
            levels = self.seen()
            if not (self._in_beat(levels) and (self._in_cycle(levels) or self._is_loose)):
                self._is_ready = True

    def act(self, verb: str, what: str) -> None:
        """Do one action of a step, on the word that the address names."""
        sim, bus = self.sim, self.sim.bus
        if what == "port":
            answer = self._answer()
            lines = [line for line in sorted(answer) if answer[line] == bus.asserted_level(line)]
            self.act_on_lines(lines, asserted=verb == "assert")
        elif verb in ("assert", "negate"):
            sim.line_drive("card", what, asserted=verb == "assert")
        elif verb == "take":
            self._store()
        elif verb == "drive":
            sim.drive("card", sim.bits(bus.data), sim.spread(self._fetched(), bus.data))
        elif verb == "release":
            sim.release("card", sim.bits(bus.data))

    def _answer(self) -> Mapping[str, int]:
        """Give the levels by which the card tells its port's size here."""
        bus = self.sim.bus
        known = self._ports.get(self._address // bus.word_bytes * bus.word_bytes)
        if known is not None or self._widest is None:
            return known or {}
        return {
            line: level for line, level in row_lines(self._widest).items() if line in bus.port_lines
        }

    def _stored(self) -> tuple[int, Stored]:
        """Give the lanes that move, and what they reach of the memory."""
        bus = self.sim.bus
        lanes, first = self._lanes()
        address = self._address
        if not bus.address_from_lines:
            address = address // bus.word_bytes * bus.word_bytes + first
        if self._kind is not None and self._kind.steps:
            if self._goes_on is not None:
                address = self._goes_on
            self._after = address + byte_count(bus, lanes)
        space = "memory" if self._kind is None else self._kind.space
        memory = None if space == "none" else self._memories.setdefault(space, Memory())
        return lanes, Stored(bus, memory, address, lanes)

    def _store(self) -> None:
        sim, bus = self.sim, self.sim.bus
        lanes, stored = self._stored()
        mask, data = self._latched
        if not bus.lane_strobes:
            at_end = self.seen() if self._at_end is None else self._at_end
            mask, data = lane_mask(bus, lanes), sim.value(at_end, bus.data)
        stored.write(mask, data)
        self._go_on()

    def _fetched(self) -> int:
        """Give what a read returns: what was not known before is so from now on."""
        sim, bus = self.sim, self.sim.bus
        lanes, stored = self._stored()
        data, known = stored.read()
        fresh = lane_mask(bus, lanes) & ~known
        if bus.lane_strobes or bus.lane_count == 1:
            fresh = ((1 << len(bus.data)) - 1) & ~known
        if fresh:
            data |= sim.rng.getrandbits(len(bus.data)) & fresh
            stored.write(fresh, data)
        self._go_on()
        return data

    def _go_on(self) -> None:
        if self._kind is not None and self._kind.steps:
            self._goes_on = self._after & ((1 << self.sim.bus.address_width) - 1)

    def _lanes(self) -> tuple[int, int]:
        """Give the lanes that the card takes to move, and the offset of their lowest byte."""
        sim, bus = self.sim, self.sim.bus
        if bus.lane_strobes:
            lanes = sum(
                1 << bus.lane_count - 1 - lane
                for lane, line in enumerate(bus.lane_strobes)
                if line in self._strobed
            )
            return lanes, bus.lane_span(lanes)[0]
        answer = self._answer() if bus.port_lines else {}
        inputs = self._of_cycle if bus.take["lanes"].phase == "address" else self._of_beat
        for line in bus.lane_lines:
            high = (line in self._strobed) == bool(bus.asserted_level(line))
            inputs = inputs & ~sim.bits([line]) | sim.bits([line]) * high
        for line, level in answer.items():
            inputs = inputs & ~sim.bits([line]) | sim.bits([line]) * level
        kind = "" if self._kind is None else self._kind.name
        for row in bus.lane_rows:
            if (row.kinds is None or kind in row.kinds) and _shows(sim, inputs, row.levels):
                return row.number, row.first or 0
        return (1 << bus.lane_count) - 1, 0


def _shows(sim: Wires, levels: int, wanted: LineLevels) -> bool:
    return all(sim.value(levels, lines) in values for lines, values in wanted)


def _first_values(levels: LineLevels) -> dict[str, int]:
    """Give each line the level that the first value of its group gives it."""
    return {
        line: values[0] >> bit & 1
        for lines, values in levels
        for bit, line in enumerate(reversed(lines))
    }


def _condition(event: Event) -> Condition:
    """Give the condition during which what the event begins goes on."""
    if isinstance(event, Becomes | Holds):
        return event.condition
    if isinstance(event, While):
        return All((_condition(event.event), event.condition))
    if isinstance(event, FirstOf):
        return Any_(tuple(_condition(each) for each in event.events))
    raise TypeError(f"{type(event).__name__} tells no levels")
