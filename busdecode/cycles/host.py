"""The host: it makes cycles, and keeps what it reads."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from busdecode.access import row_lines, rows_for, size_lines
from busdecode.cycles.parties import Party

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from busdecode.access import Transfer
    from busdecode.cycles.wires import Bundle, Wires
    from busdecode.faults import Levels
    from busdecode.protocol import LaneRow
    from busdecode.protocol import Levels as LineLevels

__all__ = ["Host"]


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
        self._row_of: tuple[Transfer, LaneRow | None] | None = None
        self._forms: dict[tuple[str, int | None, tuple[tuple[str, int], ...]], _Form] = {}
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
            word = sim.value(self.seen(), bus.data) ^ bus.data_low
            self._returned[self._cycle[self._at][0]] = word
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
        if self._row_of is None or self._row_of[0] is not transfer:
            rows = rows_for(
                self.sim.bus,
                transfer.address,
                lanes=transfer.lanes,
                asked=transfer.asked,
                kind=transfer.kind,
            )
            self._row_of = transfer, next(rows, None)
        return self._row_of[1]

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
            return sim.bits(bus.data), sim.spread(self._driven_data() ^ bus.data_low, bus.data)
        row = self._row()
        of_row = {} if row is None else row_lines(row)
        if what == "address":
            return self._address(of_row)
        levels = of_row | size_lines(bus, transfer.asked) if what == "size" else self._marks()
        roles = {"direction": ("direction",), "function": ("function",), "size": ("size",)}
        wanted = roles.get(what, ("direction", "function"))
        lines = [line for line in levels if bus.line(line).role in wanted]
        return sim.bits(lines), sum(sim.bit(line) * levels[line] for line in lines)

    def _marks(self) -> dict[str, int]:
        """Give the level of each line that marks the transfer's kind and modifier."""
        bus, transfer = self.sim.bus, self._transfer
        kind = bus.kind(transfer.kind)
        marks = _first_values(kind.levels) | _first_values(bus.making_levels[kind.name])
        if transfer.modifier is not None:
            for bit, line in enumerate(reversed(bus.modifier)):
                marks[line] = transfer.modifier >> bit & 1
        return marks

    def _address(self, of_row: Mapping[str, int]) -> tuple[int, int]:
        """Give the address lines and their levels; lines that the cycle does not use vary."""
        transfer = self._transfer
        key = transfer.kind, transfer.modifier, tuple(of_row.items())
        form = self._forms.get(key)
        if form is None:
            form = self._forms[key] = self._form(of_row)
        address = transfer.address
        if form.free is not None:
            address |= self.sim.rng.getrandbits(self.sim.bus.address_width) & form.free
        levels = form.numbers.spread(address ^ self.sim.bus.address_low) | form.fixed
        return form.mask, levels

    def _form(self, of_row: Mapping[str, int]) -> _Form:
        """Work out what the address lines show in transfers of one form."""
        sim, bus = self.sim, self.sim.bus
        marks = self._marks()
        free = None
        for marking, used in bus.address_used:
            if all(
                sum(
                    marks.get(line, sim.idle(line)) << bit
                    for bit, line in enumerate(reversed(lines))
                )
                in values
                for lines, values in marking
            ):
                # Lines that mark the kind are not free.
                bits = dict(zip(bus.address, bus.address_bits, strict=True))
                free = ~used & ~sum(1 << bits[line] for line in marks if line in bits)
                break
        told = {line: level for line, level in {**marks, **of_row}.items() if line in bus.address}
        places = zip(bus.address, bus.address_bits, strict=True)
        return _Form(
            mask=sim.bits(bus.address),
            numbers=sim.bundle((line, bit) for line, bit in places if line not in told),
            fixed=sum(sim.bit(line) * level for line, level in told.items()),
            free=free,
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


class _Form(NamedTuple):
    """What address lines show in transfers of one form.

    `mask` has the lines, `numbers` those that show a bit of the address, `fixed` the levels of
    the others; `free` the bits of the address without use, where some may be.
    """

    mask: int
    numbers: Bundle
    fixed: int
    free: int | None


def _first_values(levels: LineLevels) -> dict[str, int]:
    """Give each line the level that the first value of its group gives it."""
    return {
        line: values[0] >> bit & 1
        for lines, values in levels
        for bit, line in enumerate(reversed(lines))
    }
