"""``busdecode compare``: what was meant beside what the lines show, and the verdict."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Unpack

import click

from busdecode.cli.options import FILE, bus_option, capture_options, json_option, offset_of, opened
from busdecode.cli.progress import Pace, showing_progress
from busdecode.cli.taught import Taught

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from busdecode.capture import Options

__all__ = ["command"]


@click.command(
    "compare",
    cls=Taught,
    help="""Say what fails: which lines, first in which phase of the cycle, for which values,
    in how many beats. What software wrote and read (the log) is aligned with the cycles of
    the capture, and each line is held against what a healthy bus would show.

    With channels at two places (host and card) the places are held against each other too;
    without a log, only that is done. Other traffic in the capture does no harm.
    A long capture is read twice, and only the rows of logged cycles are held in memory.""",
    example="""
    busdecode compare board.vcd --bus mc68000 --log writes.csv --probes probes.toml
    Aligns the accesses of writes.csv with the cycles in board.vcd, and prints the verdict,
    the table of lines and phases, and the first cycles that fail.
    """,
    statuses={
        0: "nothing wrong was found, or it cannot be told (which is said)",
        1: "something is wrong on the bus",
        2: "a file or an option could not be used",
    },
)
@click.argument("capture_path", metavar="CAPTURE", type=FILE)
@bus_option
@click.option(
    "--log",
    "log_path",
    type=FILE,
    metavar="LOG",
    help="Access log: CSV with the header op,address,size,data, or any text with --log-pattern.",
)
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
@capture_options
@json_option
def command(
    capture_path: Path,
    bus_name: str,
    log_path: Path | None,
    log_pattern: str | None,
    address_offset: int,
    probes_path: Path | None,
    only: tuple[str, ...] | None,
    as_json: bool,
    **told: Unpack[Options],
) -> int:
    """Compare, and print the verdict."""
    # Imported here, so that help need not wait for them.
    from busdecode.access import read_log, read_pattern
    from busdecode.capture import read_probes
    from busdecode.compare import compare_file
    from busdecode.cycles import bind
    from busdecode.protocol import load_bus
    from busdecode.report import comparison_object, comparison_text

    bus = load_bus(bus_name)
    probes = None if probes_path is None else read_probes(probes_path)
    pattern = None if log_pattern is None else read_pattern(log_pattern)
    log = None if log_path is None else read_log(log_path, pattern)
    with showing_progress(str(capture_path)) as show:
        capture = opened(capture_path, only, told)
        binding = bind(capture.lines, bus, probes, None)
        capture.only(tuple(bound.channel for bound in binding.channels))

        def begin(what: str) -> Callable[[], None]:
            pace = Pace(capture.source)
            show(what)
            return lambda: show(f"{what}: {pace}")

        result = compare_file(capture, bus, binding, log, offset=address_offset, begin=begin)
    names = str(capture_path), None if log_path is None else str(log_path)
    if as_json:
        print(json.dumps(comparison_object(result, *names), indent=2))
    else:
        print(comparison_text(result, *names), end="")
    return 1 if result.findings else 0
