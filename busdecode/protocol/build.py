"""A validated description to a `Bus`, and the checks that need more than the schema."""

from __future__ import annotations

import re
from collections.abc import Callable
from graphlib import CycleError, TopologicalSorter
from typing import TYPE_CHECKING

from busdecode.errors import nearest, quoted
from busdecode.protocol.build_limits import LimitBuilder
from busdecode.protocol.events import (
    After,
    Becomes,
    Changes,
    EventTextError,
    FirstOf,
    Holds,
    LastOf,
    Settled,
    While,
    parse_condition,
    parse_event,
    resolve,
)
from busdecode.protocol.model import (
    Bus,
    Connector,
    Ending,
    Kind,
    LaneRow,
    Levels,
    Line,
    Moment,
    Operand,
    Phase,
    Source,
    Step,
    Validity,
)
from busdecode.toml_keys import KeyPath
from busdecode.units import counted, parse_range, parse_time

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from busdecode.protocol.events import Condition, Event
    from busdecode.protocol.schema import Description, LaneRowTable, StepTable

__all__ = ["Report", "build_bus", "expand_lines"]

Report = Callable[[KeyPath, str, str | None, str | None, int | None], None]

_GROUPS = ("address", "data", "kind", "direction", "function", "size")
_TOGETHER = ("lanes", "port")
_MOMENT = re.compile(
    r"(at|before|during)\s+([a-z][a-z-]*)(?:\s*([+-])\s*([0-9.]+\s*(?:s|ms|us|ns|ps)))?"
)


def expand_lines(written: str, numbering: str = "decimal") -> tuple[str, ...]:
    """Give the line names that a name with a range stands for, most significant first.

    Parameters
    ----------
    written : str
    numbering : str
        ``decimal`` or ``hex``: how the lines' numbers are written.

    Examples
    --------
    >>> expand_lines("FC[2:0]")
    ('FC2', 'FC1', 'FC0')
    >>> expand_lines("ADR[11:F]", "hex")
    ('ADR11', 'ADR10', 'ADRF')
    """
    digit, base = ("[0-9A-F]", 16) if numbering == "hex" else ("[0-9]", 10)
    match = re.fullmatch(rf"(.+)\[({digit}+):({digit}+)\]", written)
    if match is None:
        return (written,)
    first, last = int(match[2], base), int(match[3], base)
    step = -1 if first >= last else 1
    form = "X" if numbering == "hex" else "d"
    return tuple(f"{match[1]}{number:{form}}" for number in range(first, last + step, step))


def build_bus(description: Description, path: Path | None, report: Report) -> Bus | None:
    """Build a bus; every mistake goes to `report`, and None is given where any kept it back."""
    builder = _Builder(description, report)
    return builder.bus(path)


class _Builder:
    def __init__(self, description: Description, report: Report) -> None:
        self._d = description
        self._mistakes = 0

        def noted(
            key: KeyPath, what: str, expected: str | None, value: str | None, column: int | None
        ) -> None:
            self._mistakes += 1
            report(key, what, expected, value, column)

        self._report = noted
        self._lines: list[Line] = []
        self._hex: dict[str, str] = {}
        self._bundles: dict[str, tuple[str, ...]] = {}
        for written, table in description.lines.items():
            names = expand_lines(written, table.numbering)
            if names == (written,) and "[" in written:
                self._report(
                    ("lines", written),
                    f"{quoted(written)} is no line and no range of lines",
                    'a range such as D[7:0]; of hexadecimal numbers with numbering = "hex"',
                    written,
                    1,
                )
            for name in names:
                if name in self._bundles:
                    self._report(("lines", written), f"line {name} is listed twice", None, None, 1)
                self._lines.append(
                    Line(
                        name,
                        table.role,
                        table.active == "low",
                        table.driver,
                        table.pull,
                        table.optional,
                    )
                )
                self._bundles[name] = (name,)
            if written != names[0]:
                stem = written.split("[")[0]
                if stem in self._bundles:
                    self._report(
                        ("lines", written),
                        f"{quoted(stem)} already names other lines",
                        "one entry for all lines of a name, or names that differ",
                        written,
                        1,
                    )
                self._bundles[stem] = names
            if table.numbering == "hex":
                self._bundles[written] = names
                start = len(written.split("[")[0]) if written != names[0] else None
                for name in names:
                    self._hex[name] = name[start:] if start is not None else name
        self._low = frozenset(line.name for line in self._lines if line.active_low)

    def bus(self, path: Path | None) -> Bus | None:
        d = self._d
        address = self._members(("address", "lines"), _several(d.address.lines))
        data = self._members(("data", "lines"), _several(d.data.lines))
        bits = tuple(self._number(line) for line in address)
        if len(data) > 64:
            self._report(
                ("data", "lines"),
                f"{len(data)} data lines",
                "at most 64 data lines",
                _several(d.data.lines)[0],
                1,
            )
        if data and len(data) % d.data.lane_bits:
            self._report(
                ("data", "lane_bits"),
                f"{len(data)} data lines cannot be cut into lanes of {d.data.lane_bits} bits",
                "a number of bits that divides the data lines",
                None,
                None,
            )
        lanes = max(1, len(data) // d.data.lane_bits)
        strobes = tuple(
            line for name in d.lanes.strobes for line in self._bundle(("lanes", "strobes"), name)
        )
        if strobes and len(strobes) != lanes:
            self._report(
                ("lanes", "strobes"),
                f"{counted(len(strobes), 'lane strobe')} for {counted(lanes, 'lane')}",
                "one strobe a lane, the most significant lane first",
                None,
                None,
            )
        if strobes and d.lanes.table:
            self._report(
                ("lanes", "strobes"),
                "lanes have both strobes and a table",
                "one of the two",
                None,
                None,
            )
        self._check_once(("lanes", "strobes"), strobes)
        rows = tuple(self._lane_row(index, row, lanes) for index, row in enumerate(d.lanes.table))
        self._check_reachable(rows)
        begins = self._markers(("cycle", "begins"), d.cycle.begins)
        ends = self._markers(("cycle", "ends"), d.cycle.ends)
        beat_begins = self._markers(("beat", "begins"), d.beat.begins)
        beat_ends = self._markers(("beat", "ends"), d.beat.ends)
        phases = tuple(
            Phase(name, self._events(("phases", name), text)) for name, text in d.phases.items()
        )
        for name in d.phases:
            if name in ("address", "data", "release"):
                self._report(
                    ("phases", name),
                    f"phase {name} is begun by the cycle and its beats",
                    "phases between data and release, such as acknowledge",
                    None,
                    None,
                )
        names = ("address", "data", *d.phases, "release")
        take = {
            key: self._moment(("take", key), value, names)
            for key, value in d.take.model_dump().items()
            if value is not None
        }
        take.setdefault("direction", take["kind"])
        quiet = {
            table: self._moment((table, "quiet"), text, names)
            for table, text in (("lanes", d.lanes.quiet), ("ended", d.ended.quiet))
            if text is not None
        }
        validity = Validity(
            self._moment(("valid", "write"), d.valid.write, names),
            self._moment(("valid", "read"), d.valid.read, names),
            self._time(("valid", "write_hold"), d.valid.write_hold),
            self._time(("valid", "read_hold"), d.valid.read_hold),
            d.valid.write_until,
            d.valid.read_until,
        )
        for name in ("write_until", "read_until"):
            phase = getattr(d.valid, name)
            if phase not in names:
                self._report(
                    ("valid", name),
                    f"no phase is called {quoted(phase)}",
                    f"one of {', '.join(names)}",
                    phase,
                    1,
                )
        ending = Ending(
            self._members(("ended", "acknowledged"), d.ended.acknowledged),
            self._members(("ended", "error"), d.ended.error),
            self._members(("ended", "wait"), d.ended.wait),
            None if d.ended.timeout is None else self._time(("ended", "timeout"), d.ended.timeout),
        )
        kinds = tuple(
            Kind(
                kind.name,
                kind.direction,
                self._levels(("kinds", index, "levels"), kind.levels),
                kind.beats,
                (kind.later_beats or d.address.later_beats) == "next",
                kind.space,
            )
            for index, kind in enumerate(d.kinds)
        )
        for index, kind in enumerate(kinds):
            if kind.name in [other.name for other in kinds[:index]]:
                self._report(
                    ("kinds", index, "name"), f"kind {kind.name} is listed twice", None, None, None
                )
        steps = self._steps([kind.name for kind in kinds])
        limits = LimitBuilder(
            timing=d.timing,
            limits=d.limits,
            phases=names,
            kinds=[kind.name for kind in kinds],
            bundles=self._bundles,
            low=self._low,
            status=d.sources[0].status,
            levels=self._levels,
            check_kinds=self._check_kinds,
            report=self._report,
        )
        codes = frozenset(() if d.modifier is None else d.modifier.legal)
        modifier = (
            () if d.modifier is None else self._bundle(("modifier", "lines"), d.modifier.lines)
        )
        for code in codes:
            if modifier and not 0 <= code < 1 << len(modifier):
                self._report(
                    ("modifier", "legal"),
                    f"{counted(len(modifier), 'line')} cannot show {code}",
                    f"codes from 0 to {(1 << len(modifier)) - 1}",
                    str(code),
                    1,
                )
        bus = Bus(
            name=d.name,
            title=d.title,
            invented=d.invented,
            path=path,
            sources=tuple(Source(s.document, s.section, s.status) for s in d.sources),
            lines=tuple(self._lines),
            bundles=self._bundles,
            address=address,
            address_bits=bits,
            address_from_lines=d.address.lowest == "lines",
            address_used=tuple(
                self._used(index, address, bits) for index in range(len(d.address.used))
            ),
            data=data,
            lane_bits=d.data.lane_bits,
            big_endian=d.data.byte_order == "big",
            lane_strobes=strobes,
            lane_rows=rows,
            cycle_begins=begins,
            cycle_ends=ends,
            pipelined=d.cycle.pipelined,
            joined=d.cycle.joined,
            beat_begins=beat_begins,
            beat_ends=beat_ends,
            beat_joined=d.beat.joined,
            modifier=modifier,
            modifier_codes=codes,
            operand=self._operand(),
            phases=phases,
            take=take,
            lanes_quiet=quiet.get("lanes"),
            endings_quiet=quiet.get("ended"),
            validity=validity,
            kinds=kinds,
            making_levels={
                kind.name: self._levels(("kinds", index, "making"), kind.making)
                for index, kind in enumerate(d.kinds)
            },
            ending=ending,
            shortest_pulse=self._time(("sampling", "shortest_pulse"), d.sampling.shortest_pulse),
            idle=self._range(("making", "idle"), d.making.idle),
            watchdog=self._time(("making", "watchdog"), d.making.watchdog),
            grades=limits.grades(),
            limits=limits.all(),
            connectors=tuple(
                Connector(each.name, each.pins, each.source, each.status) for each in d.connectors
            ),
            steps=steps,
        )
        return None if self._mistakes else bus

    def _unknown_name(self, key: KeyPath, name: str, value: str | None = None) -> None:
        near = nearest(name, self._bundles)
        self._report(
            key,
            f"no line is called {quoted(name)}",
            f"one of {', '.join(self._d.lines)}" + (f"; did you mean {near}?" if near else ""),
            value if value is not None else name,
            1,
        )

    def _bundle(self, key: KeyPath, written: str) -> tuple[str, ...]:
        lines = resolve(written, self._bundles)
        if lines is None:
            self._unknown_name(key, written)
            return ()
        return lines

    def _members(self, key: KeyPath, names: Sequence[str]) -> tuple[str, ...]:
        return tuple(line for name in names for line in self._bundle(key, name))

    def _number(self, line: str) -> int:
        is_hex = line in self._hex
        match = re.search(r"([0-9A-F]+)$" if is_hex else r"([0-9]+)$", self._hex.get(line, line))
        if match is None:
            self._report(
                ("address", "lines"),
                f"address line {line} has no number",
                "address lines numbered by the bit of the byte address that they carry",
                line,
                1,
            )
            return 0
        return int(match[1], 16 if is_hex else 10)

    def _levels(self, key: KeyPath, levels: Mapping[str, int | list[int]]) -> Levels:
        found = []
        for name, written in levels.items():
            lines = self._bundle(key, name)
            values = (written,) if isinstance(written, int) else tuple(written)
            for value in values:
                if lines and not 0 <= value < 1 << len(lines):
                    self._report(
                        key,
                        f"{name} has {counted(len(lines), 'line')} and cannot be {value}",
                        f"a level from 0 to {(1 << len(lines)) - 1}",
                        name,
                        1,
                    )
            found.append((lines, values))
        return tuple(found)

    def _used(self, index: int, address: Sequence[str], bits: Sequence[int]) -> tuple[Levels, int]:
        table = self._d.address.used[index]
        key: KeyPath = ("address", "used", index)
        lines = self._members((*key, "lines"), _several(table.lines))
        bit_of = dict(zip(address, bits, strict=True))
        for line in lines:
            if line not in bit_of:
                self._report(
                    (*key, "lines"),
                    f"{line} is no address line",
                    f"lines out of {self._d.address.lines}",
                    line,
                    1,
                )
        mask = sum(1 << bit_of[line] for line in lines if line in bit_of)
        return self._levels((*key, "levels"), table.levels), mask

    def _operand(self) -> Operand:
        table = self._d.operand
        lines: tuple[str, ...] = ()
        if table.lines is not None:
            lines = self._bundle(("operand", "lines"), table.lines)
        if len(table.bytes) != (1 << len(lines) if lines else 0):
            self._report(
                ("operand", "bytes"),
                f"{counted(len(table.bytes), 'number')} for {counted(len(lines), 'line')}",
                "how many bytes are still to move, for each value of the lines, 0 first",
                None,
                None,
            )
        return Operand(lines, tuple(table.bytes), table.beats)

    def _lane_row(self, index: int, row: LaneRowTable, lanes: int) -> LaneRow:
        key: KeyPath = ("lanes", "table", index)
        if len(row.lanes) != lanes:
            self._report(
                (*key, "lanes"),
                f"{quoted(row.lanes)} names {counted(len(row.lanes), 'lane')}",
                f"{counted(lanes, 'character')}, 1 for a lane that takes part, "
                "the most significant first",
                row.lanes,
                1,
            )
        levels = self._levels((*key, "levels"), row.levels)
        flags = tuple(flag == "1" for flag in row.lanes)
        d = self._d
        size = max(1, d.data.lane_bits // 8)
        at = [place for place, flag in enumerate(flags) if flag]
        first = row.first
        if d.address.lowest == "lines":
            if first is not None:
                self._report(
                    (*key, "first"),
                    "the address lines tell the lowest byte here",
                    "no 'first', or [address] lowest = \"lanes\"",
                    None,
                    None,
                )
        elif first is None:
            place = 0 if not at else at[0] if d.data.byte_order == "big" else lanes - 1 - at[-1]
            first = place * size
        known = [kind.name for kind in d.kinds]
        self._check_kinds((*key, "for"), row.kinds or (), known)
        return LaneRow(levels, flags, first, None if row.kinds is None else frozenset(row.kinds))

    def _check_once(self, key: KeyPath, lines: Sequence[str]) -> None:
        for at, line in enumerate(lines):
            if line in lines[:at]:
                self._report(key, f"{line} selects two lanes", "one strobe a lane", line, 1)

    def _check_reachable(self, rows: Sequence[LaneRow]) -> None:
        """Report rows that never count, since one further up fits wherever they do."""
        for at, row in enumerate(rows):
            for before, other in enumerate(rows[:at]):
                if _covers(other, row):
                    self._report(
                        ("lanes", "table", at, "levels"),
                        f"this row never counts: row {before + 1} of the table fits wherever it "
                        "does, and comes first",
                        "rows of which the narrower comes first",
                        None,
                        None,
                    )
                    break

    def _check_kinds(self, key: KeyPath, named: Sequence[str], kinds: Sequence[str]) -> None:
        for kind in named:
            if kind not in kinds:
                near = nearest(kind, kinds)
                self._report(
                    key,
                    f"no kind is called {quoted(kind)}",
                    f"one of {', '.join(dict.fromkeys(kinds))}"
                    + (f"; did you mean {near}?" if near else ""),
                    kind,
                    1,
                )

    def _events(self, key: KeyPath, written: str | list[str]) -> tuple[Event, ...]:
        events = []
        for text in [written] if isinstance(written, str) else written:
            try:
                events.append(parse_event(text, self._bundles, self._low))
            except EventTextError as error:
                self._report(key, error.found, error.expected, text, error.column)
        return tuple(events)

    def _markers(self, key: KeyPath, written: str | list[str]) -> tuple[Event, ...]:
        """Read events that begin or end something: they may not wait for one another."""
        events = self._events(key, written)
        for event in events:
            if _waits_for_others(event):
                self._report(
                    key,
                    "'last of', 'after' and 'settled' cannot begin or end a cycle or beat here",
                    "a condition, such as 'X asserted and Y asserted', that becomes true then",
                    None,
                    None,
                )
        return events

    def _moment(self, key: KeyPath, text: str, phases: Sequence[str]) -> Moment:
        match = _MOMENT.fullmatch(text)
        if match is not None and match[1] == "during" and key != ("take", "lanes"):
            self._report(
                key,
                f"only lanes can be taken 'during' a phase, not at {quoted(text)}",
                "'at PHASE' or 'before PHASE'",
                text,
                1,
            )
        if match is None or match[2] not in phases:
            self._report(
                key,
                f"no moment is called {quoted(text)}",
                "'at PHASE', 'before PHASE' or 'during PHASE', with + or - a time where needed; "
                f"phases here: {', '.join(phases)}",
                text,
                1,
            )
            return Moment("at", "address")
        offset = parse_time(match[4]) if match[4] else 0
        how = match[1]
        assert how in ("at", "before", "during")
        return Moment(
            "at" if how == "at" else "before" if how == "before" else "during",
            match[2],
            -offset if match[3] == "-" else offset,
        )

    def _time(self, key: KeyPath, text: str) -> int:
        try:
            return parse_time(text)
        except ValueError as error:
            self._report(key, str(error), "a time such as '40 ns'", text, 1)
            return 0

    def _range(self, key: KeyPath, text: str) -> tuple[int, int]:
        try:
            return parse_range(text)
        except ValueError as error:
            self._report(key, str(error), "a range such as '30..60 ns'", text, 1)
            return 0, 0

    def _steps(self, kinds: Sequence[str]) -> tuple[Step, ...]:
        tables = self._d.making.steps
        names = [table.name for table in tables]
        steps = []
        self._check_step_names(tables)
        for index, table in enumerate(tables):
            key: KeyPath = ("making", "steps", index)
            self._check_kinds((*key, "for"), table.kinds or (), kinds)
            after_steps: list[tuple[str, tuple[int, int]]] = []
            after_levels: list[tuple[Condition, tuple[int, int]]] = []
            for trigger, delay in table.after.items():
                span = self._range((*key, "after"), delay)
                if re.fullmatch(r"[a-z][a-z0-9_]*", trigger):
                    if trigger not in names:
                        near = nearest(trigger, names)
                        self._report(
                            (*key, "after"),
                            f"no step is called {quoted(trigger)}",
                            "the name of a step, or a condition such as 'ACK asserted'"
                            + (f"; did you mean {near}?" if near else ""),
                            trigger,
                            1,
                        )
                    after_steps.append((trigger, span))
                    continue
                try:
                    condition = parse_condition(trigger, self._bundles, self._low)
                except EventTextError as error:
                    self._report(
                        (*key, "after"), error.found, error.expected, trigger, error.column
                    )
                else:
                    after_levels.append((condition, span))
            steps.append(
                Step(
                    table.name,
                    table.by,
                    table.stage,
                    self._actions((*key, "do"), table),
                    None if table.kinds is None else frozenset(table.kinds),
                    tuple(after_steps),
                    tuple(after_levels),
                    None if table.waits is None else self._range((*key, "waits"), table.waits),
                    table.only_with_waits,
                    self._range((*key, "skew"), table.skew),
                )
            )
        return tuple(steps)

    def _check_step_names(self, tables: Sequence[StepTable]) -> None:
        names = [table.name for table in tables]
        for index, name in enumerate(names):
            if name in names[:index]:
                key = ("making", "steps", index, "name")
                self._report(key, f"step {name} is listed twice", None, name, 1)
        waits = {table.name: [name for name in table.after if name in names] for table in tables}
        try:
            TopologicalSorter(waits).prepare()
        except CycleError as error:
            around = error.args[1]
            self._report(
                ("making", "steps", names.index(around[0]), "after"),
                f"steps wait for one another: {' -> '.join(reversed(around))}",
                "steps of which one can be the first",
                None,
                None,
            )

    def _actions(self, key: KeyPath, table: StepTable) -> tuple[tuple[str, str], ...]:
        actions = []
        for text in filter(None, (part.strip() for part in table.do.split(","))):
            verb, _, what = text.partition(" ")
            what = what.strip()
            if verb in ("assert", "negate") and what not in _TOGETHER and what not in self._bundles:
                self._unknown_name(key, what)
                continue
            known = (
                verb in ("assert", "negate")
                or (verb in ("drive", "release") and what in _GROUPS)
                or text in ("take data", "another beat", "next cycle")
            )
            if not known:
                self._report(
                    key,
                    f"no action is called {quoted(text)}",
                    "'assert' or 'negate' with a line, 'lanes' or 'port', 'take data', "
                    "'another beat', 'next cycle', or 'drive' or 'release' with one of "
                    f"{', '.join(_GROUPS)}",
                    text,
                    1,
                )
            actions.append((verb, what))
        return tuple(actions)


def _covers(first: LaneRow, second: LaneRow) -> bool:
    """Tell whether the first row fits wherever the second does."""
    if first.kinds is not None and (second.kinds is None or not second.kinds <= first.kinds):
        return False
    narrower = dict(second.levels)
    return all(
        lines in narrower and set(narrower[lines]) <= set(values) for lines, values in first.levels
    )


def _several(written: str | Sequence[str]) -> Sequence[str]:
    return [written] if isinstance(written, str) else written


def _waits_for_others(event: Event) -> bool:
    if isinstance(event, FirstOf):
        return any(_waits_for_others(each) for each in event.events)
    if isinstance(event, While):
        return _waits_for_others(event.event)
    if isinstance(event, LastOf | After | Settled):
        return True
    assert isinstance(event, Becomes | Holds | Changes)
    return False
