"""``busdecode readback``: the cause, from writes and reads alone, and what to write next."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import click

from busdecode.cli.options import FILE, address_of, bus_option, bytes_of, json_option, offset_of
from busdecode.cli.output import check_outputs
from busdecode.cli.progress import showing_progress
from busdecode.cli.taught import Taught
from busdecode.errors import RequestError

if TYPE_CHECKING:
    from pathlib import Path

    from busdecode.access import Access
    from busdecode.diagnosis import Judgement, ReadBack, Step
    from busdecode.plan import Window
    from busdecode.protocol import Bus

__all__ = ["command"]

_LEAST_GAIN = 0.005
"""Bits; steps that promise less are not proposed."""

_MOST_LEFT = 1000
"""So many candidates, the likeliest, decide what to do next."""


@click.command(
    "readback",
    cls=Taught,
    help="""Name the cause from what software wrote and read back, without a capture. Every
    single fault of a line and every pair of lines foretells what each read returns; what was
    read is held against that. Candidates that foretell the same are one answer.

    With --next it proposes the writes and reads that would tell most of what is left. With
    --interactive it does so step by step, takes what you read, and stops when one group is left;
    the accesses are kept in the file that -o names.

    The writes that it proposes go to live addresses: they can destroy data, or hang the machine.
    Give a base and a span where nothing but the memory under test answers.""",
    example="""
    busdecode readback filled-plan.csv --bus mc68000 --next
    Judges the reads in filled-plan.csv, names the line or the pair of lines, and lists
    the five accesses that would tell most of what it cannot tell yet.
    """,
    statuses={
        0: "every read was right, or it cannot be told (which is said)",
        1: "something was read wrong",
        2: "the log or an option could not be used",
    },
)
@click.argument("log_path", metavar="[LOG]", type=FILE, required=False)
@bus_option
@click.option(
    "--log-pattern",
    metavar="PATTERN",
    help="Regular expression with the groups op, address, data and size; or a TOML file that "
    "keeps it as pattern = '...'.",
)
@click.option(
    "--address-offset",
    type=offset_of,
    default="0",
    metavar="N",
    help="Added to each logged address, where software and bus disagree.",
)
@click.option("--next", "wants_next", is_flag=True, help="Say what to write and read next.")
@click.option(
    "--interactive",
    is_flag=True,
    help="Propose one step after the other, and take in what is read.",
)
@click.option(
    "--base",
    type=address_of,
    metavar="ADDRESS",
    help="First byte address that proposed writes may use, hexadecimal. Without it, the "
    "addresses that the log wrote to.",
)
@click.option(
    "--span",
    type=bytes_of,
    metavar="BYTES",
    help="Bytes that they may use from there on, such as 256, 0x100 or 64K.",
)
@click.option("-o", "--output", type=FILE, metavar="FILE", help="Keep the accesses made here.")
@json_option
def command(
    log_path: Path | None,
    bus_name: str,
    log_pattern: str | None,
    address_offset: int,
    wants_next: bool,
    interactive: bool,
    base: int | None,
    span: int | None,
    output: Path | None,
    as_json: bool,
) -> int:
    """Judge a log, or go through steps at the bench."""
    _check(log_path, interactive=interactive, base=base, span=span, output=output, as_json=as_json)
    check_outputs([output], overwrite=False, inputs=[log_path])

    # Imported here, so that help need not wait for them.
    from busdecode.access import read_log, read_pattern
    from busdecode.diagnosis import blind_spots, judge, reached_window, read_back
    from busdecode.plan import open_window
    from busdecode.predict import Model, candidates
    from busdecode.protocol import load_bus
    from busdecode.report import readback_object, readback_text

    bus = load_bus(bus_name)
    pattern = None if log_pattern is None else read_pattern(log_pattern)
    read = None if log_path is None else read_log(log_path, pattern, unfilled=True)
    # What was not filled in was not read.
    log = () if read is None else tuple(a for a in read.accesses if not _is_open(a))
    window = None
    if base is not None and span is not None:
        window = open_window(bus, base + address_offset, span)
    model = Model(bus)
    faults = candidates(bus)
    if interactive:
        assert window is not None
        assert output is not None
        from busdecode.cli.at_bench import go_through

        return go_through(model, window, log, address_offset, output)
    with showing_progress(str(log_path)) as show:
        show("what each candidate foretells")
        evidence = read_back(model, log, offset=address_offset, path=log_path)
        judgement = judge(evidence, faults)
        notes = () if read is None else read.notes
        judgement = replace(judgement, notes=(*notes, *judgement.notes))
        steps: list[tuple[Step, float]] = []
        if wants_next or as_json:
            show("what to do next")
            window = window or reached_window(bus, log, address_offset)
            steps = [] if window is None else _next(evidence, judgement, window, address_offset)
    blind = blind_spots(bus, log, address_offset)
    if as_json:
        print(json.dumps(readback_object(judgement, bus, str(log_path), steps, blind), indent=2))
    else:
        print(readback_text(judgement, bus, str(log_path), steps, blind), end="")
        if wants_next and not steps:
            print(f"Next: {_why_none(bus, has_window=window is not None)}.")
    return 1 if judgement.healthy is False else 0


def _why_none(bus: Bus, *, has_window: bool) -> str:
    """Say why no step is proposed."""
    if has_window:
        return "no step tells more of what is left"
    if not any(kind.is_of_memory for kind in bus.kinds):
        return "no memory answers on this bus, so only a capture tells more (busdecode diagnose)"
    return "the log writes nothing where steps could be planned"


def _is_open(access: Access) -> bool:
    return access.op == "read" and access.data is None


def _check(
    log_path: Path | None,
    *,
    interactive: bool,
    base: int | None,
    span: int | None,
    output: Path | None,
    as_json: bool,
) -> None:
    """Refuse options that do not go together."""
    if (base is None) != (span is None):
        raise RequestError(
            "one of --base and --span is given without the other", expected="both, or neither"
        )
    if interactive:
        if base is None:
            raise RequestError(
                "--interactive needs to know where it may write", expected="--base and --span"
            )
        if output is None:
            raise RequestError(
                "--interactive keeps the accesses in a file", expected="-o FILE, which is made"
            )
        if as_json:
            raise RequestError(
                "--interactive talks to a person, --json to a program", expected="one of them"
            )
    elif log_path is None:
        raise RequestError("no log is given", expected="an access log, or --interactive")
    elif output is not None:
        raise RequestError("-o is for --interactive, which keeps what is done there")


def _next(
    evidence: ReadBack, judgement: Judgement, window: Window, offset: int
) -> list[tuple[Step, float]]:
    """Give the steps that tell most of the candidates that are still possible."""
    from busdecode.diagnosis import Outcomes, next_steps, score, shares, steps_of
    from busdecode.predict import FaultRows

    model = evidence.model
    left = [None, *judgement.unseen] if judgement.healthy else []
    left += [fault for group in judgement.groups for fault in group.faults]
    rows = FaultRows(model, left[:_MOST_LEFT])
    if not len(rows):
        return []
    share = shares(score(evidence, rows).weight)
    outcomes = Outcomes.of(model, steps_of(window, offset), rows, offset)
    steps = next_steps(outcomes, share)
    return [(step, gain) for step, gain in steps if gain >= _LEAST_GAIN]
