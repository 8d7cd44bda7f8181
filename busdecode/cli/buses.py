"""``busdecode buses``: the bundled descriptions, and what one of them says."""

from __future__ import annotations

import json
import tomllib
from typing import TYPE_CHECKING, Any

import click

from busdecode.cli.options import json_option
from busdecode.cli.taught import Taught

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from busdecode.protocol import Bus

__all__ = ["command"]


@click.command(
    "buses",
    cls=Taught,
    help="""List the bus descriptions that come with busdecode. With NAME, show one of them,
    or a description of your own: lines and active levels, phases and the event that begins
    each, lanes, kinds of cycle, and the sources it stands on.""",
    example="""
    busdecode buses z80
    Shows what busdecode knows of the Z80 bus, and from which documents.
    """,
    statuses={
        0: "the descriptions were listed",
        2: "there is no such description, or it has mistakes (each is told)",
    },
)
@click.argument("name", required=False, metavar="[NAME]")
@json_option
def command(name: str | None, as_json: bool) -> int:
    """List or show, and print as the options say."""
    from busdecode.protocol import bundled_buses, load_bus

    if name is None:
        buses = [load_bus(each) for each in bundled_buses()]
        if as_json:
            print(json.dumps({"buses": [_short(bus) for bus in buses]}, indent=2))
        else:
            print("\n".join(_listed(buses)))
        return 0
    bus = load_bus(name)
    whole = _whole(bus)
    print(json.dumps(whole, indent=2) if as_json else "\n".join(_shown(bus, whole)))
    return 0


def _short(bus: Bus) -> dict[str, Any]:
    return {
        "name": bus.name,
        "title": bus.title,
        "invented": bus.invented,
        "lanes": bus.lane_count,
        "lane_bits": bus.lane_bits,
        "kinds": [kind.name for kind in bus.kinds],
    }


def _listed(buses: Iterable[Bus]) -> list[str]:
    from busdecode.report import in_columns

    rows = [("name", "lanes", "description", "kinds of cycle")]
    rows += [
        (bus.name, _lanes(bus), bus.title, ", ".join(kind.name for kind in bus.kinds))
        for bus in buses
    ]
    return in_columns(rows)


def _lanes(bus: Bus) -> str:
    return f"{bus.lane_count} x {bus.lane_bits}"


def _whole(bus: Bus) -> dict[str, Any]:
    """Give all that is shown of a bus; events stand as the description has them."""
    from busdecode.protocol import expand_lines

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
    return {
        **_short(bus),
        "path": str(bus.path),
        "byte_order": "big" if bus.big_endian else "little",
        "lines": lines,
        "phases": phases,
        "cycle_ends": _events(raw["cycle"]["ends"]),
        "lane_strobes": list(bus.lane_strobes),
        "lane_table": raw.get("lanes", {}).get("table", []),
        "kinds": [
            {"name": kind["name"], "direction": kind["direction"], "levels": kind["levels"]}
            for kind in raw["kinds"]
        ],
        "sources": [
            {"document": each.document, "section": each.section, "status": each.status}
            for each in bus.sources
        ],
    }


def _events(events: str | list[str]) -> list[str]:
    return [events] if isinstance(events, str) else list(events)


def _shown(bus: Bus, whole: dict[str, Any]) -> list[str]:
    from busdecode.report import in_columns

    def section(title: str, rows: Sequence[Sequence[str]]) -> list[str]:
        return ["", title, *(f"  {row}" for row in in_columns(rows))] if rows else []

    order = "most" if bus.big_endian else "least"
    told = [f"{bus.name}: {bus.title}"]
    if bus.invented:
        told.append("This bus is invented; every figure of it is.")
    told += section(
        "lines",
        [
            (
                line["lines"],
                line["role"],
                f"active {line['active']}",
                f"driven by {line['driver']}",
                "" if line["pull"] == "none" else f"pulled {line['pull']}",
                "may be absent" if line["optional"] else "",
            )
            for line in whole["lines"]
        ],
    )
    rows = [
        (phase["name"] if not at else "", ("begins when  " if not at else "or else      ") + event)
        for phase in whole["phases"]
        for at, event in enumerate(phase["begins"])
    ]
    rows += [("", f"cycle ends when  {event}") for event in whole["cycle_ends"]]
    told += section("phases", rows)
    lanes = [f"{bus.lane_count} of {bus.lane_bits} bits, {order} significant at lowest address"]
    if bus.lane_strobes:
        lanes.append(f"strobes, most significant lane first: {', '.join(bus.lane_strobes)}")
    lanes += [f"{row['lanes']} when {_levels(row['levels'])}" for row in whole["lane_table"]]
    told += section("lanes", [(row,) for row in lanes])
    told += section(
        "kinds, the first that fits",
        [(kind["name"], kind["direction"], _levels(kind["levels"])) for kind in whole["kinds"]],
    )
    told += section(
        "sources",
        [(each["status"], f"{each['document']}: {each['section']}") for each in whole["sources"]],
    )
    return told


def _levels(levels: dict[str, int]) -> str:
    return ", ".join(f"{lines} = {level}" for lines, level in levels.items())
