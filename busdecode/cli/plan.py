"""``busdecode plan``: which writes and reads to make on the target, and in which order."""

from __future__ import annotations

import json
import re
import sys
from typing import TYPE_CHECKING

import click

from busdecode.cli.options import (
    FILE,
    address_of,
    bus_option,
    bytes_of,
    json_option,
    overwrite_option,
    ps_of,
)
from busdecode.cli.output import check_outputs, writing
from busdecode.cli.taught import Taught
from busdecode.units import PICOSECONDS

if TYPE_CHECKING:
    from pathlib import Path

    from busdecode.plan import Plan, Window

__all__ = ["command"]

_TYPED = 5 * PICOSECONDS["s"]
_PRINTED = 40 * PICOSECONDS["ms"]
"""A line of some 38 characters at 9600 baud."""


def _each(text: str) -> int:
    """Read a time an access, or a rate; give ps."""
    match = re.fullmatch(r"([0-9]+(?:[.][0-9]+)?)\s*/\s*s", text.strip())
    if match is None:
        return ps_of(text)
    if not float(match[1]):
        raise click.BadParameter(f"a rate must be above 0, not {text!r}")
    return round(PICOSECONDS["s"] / float(match[1]))


@click.command(
    "plan",
    cls=Taught,
    help="""List the writes and reads that tell most about a bus, to be made by software on
    the target: for its data lines, its address lines inside a span, its byte lanes, and the
    cells behind them. What the reads return can be written into the list, which then is an
    access log.

    The writes go to live addresses: they can destroy data, or hang the machine. Give a base
    and a span where nothing but the memory under test answers.""",
    example="""
    busdecode plan --bus mc68000 --base 200000 --span 64K --method true-complement \\
        --method address-powers --format table -o plan.txt
    Writes a table to type from: 8 words for the data lines, and one word for each of the
    15 address lines inside the span and one more, with a column for what is read.
    """,
    statuses={
        0: "the plan was written",
        2: "the description, the span or a method could not be used; nothing was written",
    },
)
@bus_option
@click.option(
    "--base",
    type=address_of,
    required=True,
    metavar="ADDRESS",
    help="First byte address, hexadecimal.",
)
@click.option(
    "--span",
    type=bytes_of,
    required=True,
    metavar="BYTES",
    help="Bytes that may be written from there on, such as 256, 0x100 or 64K.",
)
@click.option(
    "--method",
    "methods",
    multiple=True,
    metavar="NAME",
    help="See --list-methods; may be given again, in the order wanted.",
)
@click.option(
    "--march",
    "marches",
    multiple=True,
    metavar="MARCH",
    help="A march of your own, such as 'either(w0); up(r0,w1); down(r1,w0)'.",
)
@click.option(
    "--list-methods",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=lambda context, _, wanted: _list_methods(context, wanted=wanted),
    help="List the methods and what each is for, and do no more.",
)
@click.option(
    "--size",
    type=click.IntRange(min=1),
    metavar="BYTES",
    help="Bytes of an access; without it, the whole width of the bus.",
)
@click.option(
    "--budget",
    type=click.IntRange(min=1),
    metavar="N",
    help="Choose the accesses, at most N, that tell most faults of the lines apart.",
)
@click.option(
    "--per-access",
    type=_each,
    metavar="TIME",
    help="What an access takes, such as '2 ms', or a rate such as '500/s', to tell how long "
    "the plan runs. Without it: 5 s, typed by hand; with --format c 40 ms, a line at 9600 baud.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["csv", "table", "c"]),
    default="csv",
    show_default=True,
    help="An access log to fill in, a table to type from, or C source to paste.",
)
@click.option("-o", "--output", type=FILE, metavar="FILE", help="Write to this file.")
@json_option
@overwrite_option
def command(
    bus_name: str,
    base: int,
    span: int,
    methods: tuple[str, ...],
    marches: tuple[str, ...],
    size: int | None,
    budget: int | None,
    per_access: int | None,
    form: str,
    output: Path | None,
    as_json: bool,
    overwrite: bool,
) -> int:
    """Make the plan and write it."""
    check_outputs([output], overwrite=overwrite)

    # Imported here, so that help need not wait for them.
    from busdecode.plan import WARNING, as_c, as_csv, make_plan, open_window
    from busdecode.protocol import load_bus

    window = open_window(load_bus(bus_name), base, span, size)
    plan = make_plan(window, methods, marches, budget=budget, is_natural=form == "c")
    each = per_access if per_access is not None else _PRINTED if form == "c" else _TYPED
    seconds = len(plan.steps) * each / PICOSECONDS["s"]
    if form == "c":
        text = as_c(window, plan)
    elif form == "table":
        text = _table(window, plan)
    else:
        text = as_csv(window, plan)
    if output is not None:
        with writing(output, overwrite=overwrite) as stream:
            stream.write(text)
    if as_json:
        print(json.dumps(_object(window, plan, seconds, output), indent=2))
        return 0
    how = "" if per_access is not None else ", a line at 9600 baud" if form == "c" else ", by hand"
    told = [
        f"warning: {WARNING}",
        f"{plan.name} on {window.bus.name}, 0x{base:X} to 0x{base + span - 1:X}: "
        f"{len(plan.steps):,} accesses, {_duration(seconds)} at "
        f"{_duration(each / PICOSECONDS['s'])} each{how}",
    ]
    if output is not None:
        told += ["written:", f"  {output}"]
    told += ["notes:", *(f"  {note}" for note in plan.notes)] if plan.notes else []
    if output is None:
        print(text, end="")
    # What goes to the standard output must be the plan alone.
    print("\n".join(told), file=sys.stderr if output is None else sys.stdout)
    return 0


def _list_methods(context: click.Context, *, wanted: bool) -> None:
    if not wanted:
        return
    from busdecode.plan import METHODS
    from busdecode.report import in_columns

    print("\n".join(in_columns([(name, each.purpose) for name, each in METHODS.items()])))
    context.exit(0)


def _table(window: Window, plan: Plan) -> str:
    """Write a plan to type from: what to write, room for what is read, what it should be."""
    from busdecode.plan import WARNING
    from busdecode.report import in_columns

    digits = -(-window.bus.address_width // 4)
    rows = [("step", "do", "address", "bytes", "data", "read", "expected", "purpose")]
    for number, step in enumerate(plan.steps, 1):
        access, width = step.access, 2 * step.access.size
        rows.append(
            (
                str(number),
                access.op,
                f"{access.address:0{digits}X}",
                str(access.size),
                "" if access.data is None else f"{access.data:0{width}X}",
                "" if access.expected is None else "_" * width,
                "" if access.expected is None else f"{access.expected:0{width}X}",
                step.purpose,
            )
        )
    head = f"{plan.name} on {window.bus.name}: {len(plan.steps)} accesses, numbers hexadecimal"
    return "\n".join([head, f"WARNING: {WARNING}.", "", *in_columns(rows)]) + "\n"


def _duration(seconds: float) -> str:
    """Write a time as people say it."""
    if seconds < 1:
        return f"{seconds * 1000:.3g} ms"
    if seconds < 60:
        return f"{seconds:.3g} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min {rest} s"


def _object(window: Window, plan: Plan, seconds: float, output: Path | None) -> dict[str, object]:
    from busdecode.plan import WARNING

    told: dict[str, object] = {
        "bus": window.bus.name,
        "base": window.base,
        "span": window.span,
        "size": window.size,
        "plan": plan.name,
        "accesses": len(plan.steps),
        "seconds": seconds,
        "warning": WARNING,
        "notes": list(plan.notes),
        "written": None if output is None else str(output),
    }
    if output is None:
        told["steps"] = [
            {
                "op": step.access.op,
                "address": step.access.address,
                "size": step.access.size,
                "data": step.access.data,
                "expected": step.access.expected,
                "purpose": step.purpose,
            }
            for step in plan.steps
        ]
    return told
