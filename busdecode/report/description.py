"""A bus description as text for people, as sections for a page, and as one JSON object."""

from __future__ import annotations

import textwrap
import tomllib
from typing import TYPE_CHECKING, Any

from busdecode.protocol import expand_lines
from busdecode.report.limits import bound_text, limit_rows
from busdecode.report.tables import in_columns
from busdecode.units import format_time

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from busdecode.protocol import Bound, Bus, Moment

    Rows = list[tuple[str, ...]]

__all__ = ["bus_list_text", "bus_object", "bus_sections", "bus_summary", "bus_text"]

_WIDTH = 100
_TOGETHER = "\u00a0"
"""A blank at which no line is broken."""

_WIDE_CODE = 5
"""Codes of so many lines are shown in hexadecimal, as manuals have them."""


def bus_summary(bus: Bus) -> dict[str, Any]:
    """Give what ``--json`` lists of a bus among others."""
    return {
        "name": bus.name,
        "title": bus.title,
        "invented": bus.invented,
        "lanes": bus.lane_count,
        "lane_bits": bus.lane_bits,
        "kinds": [kind.name for kind in bus.kinds],
    }


def bus_list_text(buses: Iterable[Bus]) -> str:
    """Write one row a bus, and below it its kinds of cycle."""
    shown = list(buses)
    rows = [("name", "lanes", "description, and kinds of cycle")]
    rows += [(bus.name, _lanes(bus), bus.title) for bus in shown]
    head, *named = in_columns(rows)
    indent = " " * head.index("description")
    told = [head]
    for bus, row in zip(shown, named, strict=True):
        kinds = ", ".join(kind.name for kind in bus.kinds)
        told += [row, *_wrapped(kinds, indent)]
    return "\n".join(told)


def _lanes(bus: Bus) -> str:
    return f"{bus.lane_count} x {bus.lane_bits}"


def bus_object(bus: Bus) -> dict[str, Any]:
    """Give all that is shown of a bus; events stand as the description has them."""
    text = "" if bus.path is None else bus.path.read_text(encoding="utf-8")
    raw = tomllib.loads(text)
    lines = []
    for names in raw["lines"]:
        line = bus.line(expand_lines(names)[0])
        lines.append(
            {
                "lines": names,
                "role": line.role,
                "active": "low" if line.active_low else "high",
                "driver": line.driver,
                "pull": line.pull,
                "optional": line.optional,
            }
        )
    phases = [
        {"name": "address", "begins": _events(raw["cycle"]["begins"])},
        {"name": "data", "begins": _events(raw["beat"]["begins"])},
        *({"name": name, "begins": _events(raw["phases"][name])} for name in raw.get("phases", ())),
        {"name": "release", "begins": _events(raw["beat"]["ends"])},
    ]
    address, operand = raw["address"], raw.get("operand", {})
    return {
        **bus_summary(bus),
        "path": str(bus.path),
        "byte_order": "big" if bus.big_endian else "little",
        "lines": lines,
        "address": {
            "lines": _events(address["lines"]),
            "lowest": "lines" if bus.address_from_lines else "lanes",
            "used": address.get("used", []),
        },
        "modifier": raw.get("modifier", {}).get("lines"),
        "phases": phases,
        "cycle_ends": _events(raw["cycle"]["ends"]),
        "pipelined": bus.pipelined,
        "joined": bus.joined,
        "beat_joined": bus.beat_joined,
        "lane_strobes": list(bus.lane_strobes),
        "lane_table": raw.get("lanes", {}).get("table", []),
        "lanes_taken": _lanes_taken(bus),
        "operand": {
            "lines": operand.get("lines"),
            "bytes": list(bus.operand.sizes),
            "beats": bus.operand.beats,
        },
        "kinds": [
            {
                "name": kind.name,
                "direction": kind.direction,
                "levels": given["levels"],
                "beats": kind.beats,
                "later_beats": "next" if kind.steps else "same",
                "space": kind.space,
            }
            for kind, given in zip(bus.kinds, raw["kinds"], strict=True)
        ],
        "grades": list(bus.grades.names) if bus.limits else [],
        "usual_grade": bus.grades.names[bus.grades.usual] if bus.limits else None,
        "limits": [
            {
                "number": limit.number,
                "name": limit.name,
                "step": limit.is_step,
                "from": None if limit.start is None else limit.start.text,
                "to": None if limit.stop is None else limit.stop.text,
                "min": _figures(limit.least),
                "max": _figures(limit.most),
                "for": None if limit.kinds is None else sorted(limit.kinds),
                "not_measured": limit.unseen,
                "source": limit.source,
                "status": limit.status,
            }
            for limit in bus.limits
        ],
        "connectors": [
            {
                "name": each.name,
                "pins": dict(each.pins),
                "source": each.source,
                "status": each.status,
            }
            for each in bus.connectors
        ],
        "sources": [
            {"document": each.document, "section": each.section, "status": each.status}
            for each in bus.sources
        ],
    }


def _events(events: str | list[str]) -> list[str]:
    return [events] if isinstance(events, str) else list(events)


def _figures(bounds: Sequence[Bound | None]) -> list[str | None]:
    return [None if bound is None else bound_text(bound) for bound in bounds]


def _lanes_taken(bus: Bus) -> list[dict[str, Any]]:
    """Give the lines that tell the lanes, in groups that are taken at one moment."""
    moment = _moment(bus.take["lanes"])
    if bus.lane_strobes:
        return [{"lines": list(bus.lane_strobes), "taken": moment}]
    inside = dict.fromkeys(
        line for row in bus.lane_rows for lines, _ in row.levels for line in lines
    )
    strobes = set(bus.lane_lines)
    groups: dict[str, list[str]] = {}
    for line in inside:
        if line in strobes:
            groups.setdefault("at any time in the beat", []).append(line)
        elif line in bus.port_lines:
            groups.setdefault(f"{_moment(bus.take['port'])}, told by the card", []).append(line)
        else:
            groups.setdefault(moment, []).append(line)
    return [{"lines": lines, "taken": taken} for taken, lines in groups.items()]


def _moment(moment: Moment) -> str:
    text = f"{moment.how} {moment.phase}"
    if moment.offset:
        text += f" {'-' if moment.offset < 0 else '+'} {format_time(abs(moment.offset))}"
    return text


def bus_text(bus: Bus) -> str:
    """Write all that is to be told of a bus, section by section."""
    told = [f"{bus.name}: {bus.title}"]
    if bus.invented:
        told.append("This bus is invented; every figure of it is.")
    for title, rows in bus_sections(bus):
        told += ["", *_wrapped(title, ""), *_in_width(rows)]
    return "\n".join(told)


def bus_sections(bus: Bus) -> list[tuple[str, Rows]]:
    """Give all that is to be told of a bus: headings, each with rows of as many cells.

    Raises
    ------
    OSError
        If the description's file cannot be read any more.
    """
    whole = bus_object(bus)
    sections: list[tuple[str, Rows]] = [
        ("lines", _of_lines(whole)),
        ("address", _of_address(bus, whole)),
        ("phases", _of_phases(whole)),
        ("lanes", _of_lanes(bus, whole)),
        ("operands", _of_operands(bus, whole)),
        ("kinds, the first that fits", _of_kinds(bus, whole)),
        *_of_limits(bus),
        *_of_connectors(bus),
        (
            "sources",
            [
                (each["status"], f"{each['document']}: {each['section']}")
                for each in whole["sources"]
            ],
        ),
    ]
    return [(title, rows) for title, rows in sections if rows]


def _of_limits(bus: Bus) -> Iterator[tuple[str, Rows]]:
    """Give the limits in groups of one source each, then the steps of the handshake."""
    names = bus.grades.names
    at = f" at {', '.join(names)} (usual: {names[bus.grades.usual]})" if len(names) > 1 else ""
    for title, is_step in ((f"limits{at}", False), ("steps of the handshake", True)):
        groups: dict[str, Rows] = {}
        for number, name, figures, remarks, source in limit_rows(bus, steps=is_step):
            text = f"{name}: {figures}" if figures else name
            groups.setdefault(source, []).append(
                (number, f"{text}; {remarks}" if remarks else text)
            )
        for source, rows in groups.items():
            yield f"{title}: {source}", rows


def _of_connectors(bus: Bus) -> Iterator[tuple[str, Rows]]:
    for each in bus.connectors:
        pins = ", ".join(f"{pin}{_TOGETHER}{net}" for pin, net in each.pins.items())
        yield f"pins of {each.name}: {each.source}, {each.status}", [(pins,)]


def _in_width(rows: Sequence[Sequence[str]]) -> list[str]:
    """Align rows; where one would be too wide, its last cell goes on in the next line."""
    last = len(rows[0]) - 1
    at = 2 + sum(max(len(row[column]) for row in rows) + 2 for column in range(last))
    cells: list[tuple[str, ...]] = []
    for row in rows:
        parts = _wrapped(row[last], " " * at) or [""]
        cells.append((*row[:last], parts[0].strip()))
        cells += [(*[""] * last, part.strip()) for part in parts[1:]]
    return [f"  {row}".replace(_TOGETHER, " ") for row in in_columns(cells)]


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _of_lines(whole: Mapping[str, Any]) -> Rows:
    return [
        (
            line["lines"],
            line["role"],
            f"active {line['active']}",
            f"driven by {line['driver']}",
            "" if line["pull"] == "none" else f"pulled {line['pull']}",
            "may be absent" if line["optional"] else "",
        )
        for line in whole["lines"]
    ]


def _of_address(bus: Bus, whole: Mapping[str, Any]) -> Rows:
    """Give the address lines, those that some cycles use, and the modifier."""
    address = whole["address"]
    rows: Rows = [("lines", ", ".join(address["lines"]) or "none")]
    if bus.address and bus.lane_count > 1:
        lowest = "the address lines" if bus.address_from_lines else "the lanes that take part"
        rows.append(("lowest byte", f"told by {lowest}"))
    rows += [
        ("used" if not at else "", f"{each['lines']} alone, when {_levels(bus, each['levels'])}")
        for at, each in enumerate(address["used"])
    ]
    if whole["modifier"] is not None:
        rows.append(("modifier", whole["modifier"]))
    return rows


def _of_phases(whole: Mapping[str, Any]) -> Rows:
    rows: Rows = [
        (phase["name"] if not at else "", "begins when" if not at else "or else", event)
        for phase in whole["phases"]
        for at, event in enumerate(phase["begins"])
    ]
    rows += [
        ("cycle" if not at else "", "ends when" if not at else "or else", event)
        for at, event in enumerate(whole["cycle_ends"])
    ]
    for key, text in (
        ("joined", "one event may end a cycle and begin the next"),
        ("beat_joined", "one event may end a beat and begin the next"),
        ("pipelined", "the next address may be out before the data of this one is over"),
    ):
        if whole[key]:
            rows.append(("", key.removeprefix("beat_"), text))
    return rows


def _of_lanes(bus: Bus, whole: Mapping[str, Any]) -> Rows:
    order = "most" if bus.big_endian else "least"
    rows: Rows = [
        (
            "order",
            f"{bus.lane_count} of {bus.lane_bits} bits, {order} significant at lowest address",
        )
    ]
    if bus.lane_strobes:
        rows.append(("strobes", f"{', '.join(bus.lane_strobes)}, most significant lane first"))
    elif not bus.lane_rows:
        rows.append(("table", "none: every lane always takes part"))
    rows += [
        ("taken", f"{', '.join(each['lines'])} {each['taken']}") for each in whole["lanes_taken"]
    ]
    for row, given in zip(bus.lane_rows, whole["lane_table"], strict=True):
        text = f"when {_levels(bus, given['levels'])}" if given["levels"] else "always"
        if row.first is not None and "first" in given:
            text += f"; lowest byte is byte {row.first} of the word"
        if row.kinds is not None:
            text += f"; for {', '.join(given['for'])} alone"
        rows.append((given["lanes"], text))
    return rows


def _of_operands(bus: Bus, whole: Mapping[str, Any]) -> Rows:
    operand = whole["operand"]
    rows: Rows = []
    if operand["lines"] is not None:
        sizes = ", ".join(f"{code} for {size}" for code, size in enumerate(operand["bytes"]))
        rows.append((f"{operand['lines']} tells how many bytes are still to move: {sizes}",))
    if bus.operand.beats > 1:
        rows.append((f"{bus.operand.beats} beats make one byte, the high part first",))
    return rows


def _of_kinds(bus: Bus, whole: Mapping[str, Any]) -> Rows:
    rows: Rows = []
    for kind in whole["kinds"]:
        text = _levels(bus, kind["levels"]) or "whatever the levels"
        if not kind["beats"]:
            text += "; has no data phase"
        if kind["later_beats"] == "next":
            text += "; later beats at the next address"
        if kind["space"] == "none":
            text += "; reads do not return what was written"
        elif kind["space"] != "memory":
            text += f"; in a memory of its own, {kind['space']}"
        rows.append((kind["name"], kind["direction"], text))
    return rows


def _levels(bus: Bus, levels: Mapping[str, int | list[int]]) -> str:
    return ", ".join(f"{lines} = {_values(bus, lines, value)}" for lines, value in levels.items())


def _values(bus: Bus, lines: str, values: int | list[int]) -> str:
    """Write the values that lines show, as codes where many lines make them."""
    width = len(bus.bundles.get(lines) or expand_lines(lines))
    shown = [
        f"0x{value:0{-(-width // 4)}X}" if width >= _WIDE_CODE else str(value)
        for value in ([values] if isinstance(values, int) else values)
    ]
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} or {shown[-1]}"
