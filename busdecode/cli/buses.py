"""``busdecode buses``: the bundled descriptions, and what one of them says."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from busdecode.cli.options import FILE, json_option, overwrite_option
from busdecode.cli.output import check_outputs, writing
from busdecode.cli.taught import Taught
from busdecode.errors import RequestError

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["command"]


@click.command(
    "buses",
    cls=Taught,
    help="""List the bus descriptions that come with busdecode. With NAME, show one of them,
    or a description of your own: lines and active levels, address and modifier, phases and the
    event that begins each, lanes, operands, kinds of cycle, limits at each speed grade, steps
    of the handshake, pins, and the sources it stands on.""",
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
@click.option(
    "--page",
    type=FILE,
    metavar="FILE.html",
    help="Write it as a page for a handbook, with the ideal cycles drawn and their limits.",
)
@json_option
@overwrite_option
def command(name: str | None, page: Path | None, as_json: bool, overwrite: bool) -> int:
    """List or show, and print as the options say."""
    check_outputs([page], overwrite=overwrite)

    # Imported here, so that help need not wait for them.
    from busdecode.protocol import bundled_buses, load_bus
    from busdecode.report import bus_list_text, bus_object, bus_summary, bus_text

    if name is None:
        if page is not None:
            raise RequestError("a page is one of one bus", action="name the bus")
        buses = [load_bus(each) for each in bundled_buses()]
        if as_json:
            print(json.dumps({"buses": [bus_summary(bus) for bus in buses]}, indent=2))
        else:
            print(bus_list_text(buses))
        return 0
    bus = load_bus(name)
    if page is not None:
        from busdecode.report.handbook import write_handbook

        with writing(page, overwrite=overwrite) as stream:
            write_handbook(bus, stream)
    print(json.dumps(bus_object(bus), indent=2) if as_json else bus_text(bus))
    return 0
