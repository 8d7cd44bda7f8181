"""The card: it answers what it sees on its lines, with a memory behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.access import byte_count, lane_mask, port_of
from busdecode.cycles.parties import Party
from busdecode.protocol import All, Any_, Becomes, FirstOf, Holds, While
from busdecode.responder import Memory, Stored

if TYPE_CHECKING:
    from collections.abc import Mapping

    from busdecode.cycles.wires import Wires
    from busdecode.faults import Levels
    from busdecode.protocol import Condition, Event, Kind
    from busdecode.protocol import Levels as LineLevels

__all__ = ["Card", "condition_of", "shows"]


class Card(Party):
    """The responder: it answers what it sees on its lines, with a memory behind it."""

    name = "card"

    def __init__(self, sim: Wires, memory: Memory, wait_share: float) -> None:
        super().__init__(sim)
        self._memories = {"memory": memory}
        self._wait_share = wait_share
        bus = sim.bus
        self._in_cycle = sim.test(condition_of(bus.cycle_begins[0]))
        self._in_beat = sim.test(condition_of(bus.beat_begins[0]))
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
        self._lane_bits = {
            line: (sim.bit(line), bool(bus.asserted_level(line))) for line in bus.lane_lines
        }
        self._shown = sim.bundle(zip(bus.address, bus.address_bits, strict=True))
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
        if not self.sim.has_card():
            return
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
            bit, level = self._lane_bits[line]
            asserted = bool(now & bit) == level
            if asserted:
                self._strobed.add(line)
            if was_on and not asserted and bus.lane_strobes:
                lane = bus.lane_strobes.index(line)
                one = ((1 << bus.lane_bits) - 1) << (bus.lane_count - 1 - lane) * bus.lane_bits
                mask |= one
                data = data & ~one | (sim.value(before, bus.data) ^ bus.data_low) & one
            self._lanes_on[line] = asserted
        self._latched = mask, data

    def _shown_address(self, levels: int) -> int:
        """Read the address lines that a cycle with these levels uses."""
        sim, bus = self.sim, self.sim.bus
        address = self._shown.value(levels) ^ bus.address_low
        for marking, used in bus.address_used:
            if shows(sim, levels, marking):
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
            if kind.beats and shows(sim, levels, kind.levels):
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
            shown = self._fetched() ^ bus.data_low
            sim.drive("card", sim.bits(bus.data), sim.spread(shown, bus.data))
        elif verb == "release":
            sim.release("card", sim.bits(bus.data))

    def _answer(self) -> Mapping[str, int]:
        """Give the levels by which the card tells its port's size here."""
        bus = self.sim.bus
        known = self._ports.get(self._address // bus.word_bytes * bus.word_bytes)
        if known is not None or self._widest is None:
            return known or {}
        return port_of(bus, self._widest)

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
            mask, data = lane_mask(bus, lanes), sim.value(at_end, bus.data) ^ bus.data_low
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
            inputs = inputs & ~sim.bit(line) | sim.bit(line) * high
        for line, level in answer.items():
            inputs = inputs & ~sim.bit(line) | sim.bit(line) * level
        kind = "" if self._kind is None else self._kind.name
        for row in bus.lane_rows:
            if (row.kinds is None or kind in row.kinds) and shows(sim, inputs, row.levels):
                return row.number, row.first or 0
        return (1 << bus.lane_count) - 1, 0


def shows(sim: Wires, levels: int, wanted: LineLevels) -> bool:
    """Tell whether lines are at wanted levels."""
    return all(sim.value(levels, lines) in values for lines, values in wanted)


def condition_of(event: Event) -> Condition:
    """Give the condition during which what the event begins goes on."""
    if isinstance(event, Becomes | Holds):
        return event.condition
    if isinstance(event, While):
        return All((condition_of(event.event), event.condition))
    if isinstance(event, FirstOf):
        return Any_(tuple(condition_of(each) for each in event.events))
    raise TypeError(f"{type(event).__name__} tells no levels")
