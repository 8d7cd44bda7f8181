"""``busdecode synthesise``: an access log to a capture, with faults where wanted."""

from __future__ import annotations

import json
from contextlib import ExitStack
from typing import TYPE_CHECKING

import click

from busdecode.cli.options import FILE, bus_option, json_option, overwrite_option, ps_of
from busdecode.cli.output import check_outputs, writing
from busdecode.cli.progress import showing_progress
from busdecode.cli.taught import Taught
from busdecode.errors import LogError, RequestError
from busdecode.units import format_time

if TYPE_CHECKING:
    from pathlib import Path

    from busdecode.access import Access
    from busdecode.capture import Capture
    from busdecode.cycles import Sampling, Synthesis
    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = ["command"]


@click.command(
    "synthesise",
    cls=Taught,
    help="""Make a capture of the accesses in a log, as a logic analyzer at host and card
    would have taken it: to learn what a fault looks like before it is hunted, or to test a
    description. The timing is drawn at random within the description's limits; the same
    seed gives the same file.

    The log is CSV with the header op,address,size,data. With --log-out the log of what the
    host really read is written: with a fault it is not what the first log says.""",
    example="""
    busdecode synthesise --bus orlop32 --log meant.csv --fault "bridge AD3 AD5 low-wins" \\
        -o made.vcd --log-out seen.csv --probes-out probes.toml
    Ties the lines AD3 and AD5 together, a low level winning, and writes the capture, what
    the host read, and the probe list by which made.vcd is read.
    """,
    statuses={
        0: "the files were written",
        2: "the description, the log or a fault could not be used; nothing was written",
    },
)
@bus_option
@click.option(
    "--log", "log_path", type=FILE, required=True, metavar="LOG", help="Accesses to make."
)
@click.option(
    "--fault",
    "fault_texts",
    multiple=True,
    metavar="FAULT",
    help="Such as 'stuck D3 low' or 'open A7 high'; may be given again.",
)
@click.option(
    "--list-faults",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=lambda context, _, wanted: _list_faults(context, wanted=wanted),
    help="List the kinds of fault and how each is written, and do no more.",
)
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    default=0,
    show_default=True,
    metavar="N",
    help="Begin of the random draw of the timing.",
)
@click.option(
    "--period",
    type=ps_of,
    default="10 ns",
    show_default=True,
    metavar="TIME",
    help="Sample period; '0 ns' records each edge at its very picosecond.",
)
@click.option(
    "--jitter", type=ps_of, default="0 ns", metavar="TIME", help="Each edge is late by up to this."
)
@click.option(
    "--skew", type=ps_of, default="0 ns", metavar="TIME", help="Each channel is late by up to this."
)
@click.option(
    "--waits",
    type=click.FloatRange(0, 1),
    default=0.3,
    show_default=True,
    metavar="SHARE",
    help="Share of beats with wait states, 0 to 1.",
)
@click.option(
    "-o", "--output", type=FILE, required=True, metavar="FILE.vcd", help="The capture to write."
)
@click.option("--log-out", type=FILE, metavar="FILE", help="Write what the host really read.")
@click.option("--probes-out", type=FILE, metavar="FILE", help="Write the capture's probe list.")
@json_option
@overwrite_option
def command(
    bus_name: str,
    log_path: Path,
    fault_texts: tuple[str, ...],
    seed: int,
    period: int,
    jitter: int,
    skew: int,
    waits: float,
    output: Path,
    log_out: Path | None,
    probes_out: Path | None,
    as_json: bool,
    overwrite: bool,
) -> int:
    """Make the capture and write what was asked for."""
    check_outputs([output, log_out, probes_out], overwrite=overwrite, inputs=[log_path])
    if output.suffix.lower() != ".vcd":
        raise RequestError(
            "the capture is written as VCD", path=output, expected="a name that ends in .vcd"
        )

    # Imported here, so that help need not wait for them.
    from busdecode.access import format_log, read_log
    from busdecode.capture import write_vcd
    from busdecode.cycles import Sampling
    from busdecode.faults import parse_fault, written_fault
    from busdecode.protocol import load_bus

    bus = load_bus(bus_name)
    faults = [parse_fault(text, bus) for text in fault_texts]
    log = read_log(log_path)
    sampling = Sampling(period, jitter, skew)
    with showing_progress(f"making {len(log.accesses):,} accesses"):
        made, seen = _made(bus, log.accesses, log_path, faults, sampling, seed, waits)
    notes = [*log.notes, *made.notes]
    lines = [
        line.name
        for line in bus.lines
        if not (line.role == "clock" and line.optional and _stands_still(made, line.name))
    ]
    left_out = [name for name in bus.line_names if name not in lines]
    if period * 4 > bus.shortest_pulse:
        notes.append(
            f"sampled coarsely: the shortest pulse of {bus.name} is "
            f"{format_time(bus.shortest_pulse)}, of which {format_time(period)} may miss some"
        )
    if left_out:
        notes.append(f"left out, since the description does not drive it: {', '.join(left_out)}")
    capture = made.scoped(lines)
    with ExitStack() as files:
        stream = files.enter_context(writing(output, overwrite=overwrite))
        write_vcd(capture, stream, comment=_comment(bus, faults, sampling, seed))
        for path, text in (
            (log_out, format_log(seen, -(-bus.address_width // 4))),
            (probes_out, _probe_list(capture, skew + jitter)),
        ):
            if path is not None:
                files.enter_context(writing(path, overwrite=overwrite)).write(text)
    written = [str(path) for path in (output, log_out, probes_out) if path is not None]
    if as_json:
        told = {
            "bus": bus.name,
            "faults": [written_fault(fault) for fault in faults],
            "accesses": len(seen),
            "channels": len(capture.lines),
            "changes": len(capture),
            "end_ps": capture.end,
            "written": written,
            "notes": notes,
        }
        print(json.dumps(told, indent=2))
        return 0
    print(
        f"{len(seen)} accesses on {bus.name}, "
        f"{', '.join(written_fault(fault) for fault in faults) or 'without fault'}: "
        f"{len(capture.lines)} channels, {format_time(capture.end)}"
    )
    print("\n".join(["written:", *(f"  {name}" for name in written)]))
    if notes:
        print("\n".join(["notes:", *(f"  {note}" for note in notes)]))
    return 0


def _list_faults(context: click.Context, *, wanted: bool) -> None:
    if not wanted:
        return
    from busdecode.faults import forms
    from busdecode.report import in_columns

    print("\n".join(in_columns(list(forms()))))
    context.exit(0)


def _made(
    bus: Bus,
    accesses: tuple[Access, ...],
    log_path: Path,
    faults: list[Fault],
    sampling: Sampling,
    seed: int,
    waits: float,
) -> tuple[Synthesis, list[Access]]:
    from busdecode.cycles import synthesise_log

    if not bus.steps:
        raise RequestError(
            f"no captures can be made of {bus.name}: its description has no [[making.steps]]",
            path=bus.path,
            action="add the steps, as docs/describing-a-bus.md tells",
        )
    try:
        return synthesise_log(
            bus, accesses, seed=seed, faults=faults, sampling=sampling, wait_share=waits
        )
    except LogError as error:
        if error.path is not None:
            raise
        raise LogError(
            error.found,
            path=log_path,
            line=error.line,
            expected=error.expected,
            action=error.action,
        ) from None


def _stands_still(made: Synthesis, line: str) -> bool:
    return not any(
        (capture.levels(line) != capture.levels(line)[0]).any() for capture in made.places.values()
    )


def _comment(bus: Bus, faults: list[Fault], sampling: Sampling, seed: int) -> str:
    from busdecode.faults import written_fault

    period = f"sample period {format_time(sampling.period)}" if sampling.period else "every edge"
    return (
        f"synthesised by busdecode, no real capture: bus {bus.name}, {period}, seed {seed}, "
        f"{'; '.join(written_fault(fault) for fault in faults) or 'no fault'}"
    )


def _probe_list(capture: Capture, uncertainty: int) -> str:
    """Give the probe list of a capture with a scope a place."""
    if not uncertainty:
        places = dict.fromkeys(name.split(".", 1)[0] for name in capture.lines)
        return "[places]\n" + "".join(f'{place} = "{place}"\n' for place in places)
    rows = ["# Each edge may be late by up to the skew.\n[channels]"]
    for name in capture.lines:
        place, line = name.split(".", 1)
        fields = f'line = "{line}", side = "{place}", skew = "{format_time(uncertainty)}"'
        rows.append(f'"{name}" = {{ {fields} }}')
    return "\n".join(rows) + "\n"
