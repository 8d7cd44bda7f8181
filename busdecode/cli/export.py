"""``busdecode export``: a table of a capture for service documents."""

from __future__ import annotations

import json
import re
import sys
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Unpack

import click

from busdecode.cli.decoding import Decoding
from busdecode.cli.failures import failure_object
from busdecode.cli.options import (
    FILE,
    bus_option,
    capture_options,
    json_option,
    offset_of,
    opened,
    overwrite_option,
)
from busdecode.cli.output import check_outputs, writing
from busdecode.cli.progress import Pace, showing_progress
from busdecode.cli.taught import Taught
from busdecode.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from busdecode.capture import Binding, CaptureFile, Options
    from busdecode.compare import Comparison
    from busdecode.protocol import Bus
    from busdecode.report.documents import Cell, Table

__all__ = ["command"]

_RANGE = re.compile(r"(\w+)\s*\.\.\s*(\w+)")


def _columns(text: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in text.split(",") if name.strip())


def _range(digits: str, example: str) -> Callable[[str], tuple[int, int]]:
    """Give the reader of a range of numbers, both ends in it."""

    def read(text: str) -> tuple[int, int]:
        match = _RANGE.fullmatch(text.strip())
        if match is None or not all(re.fullmatch(digits, end) for end in match.groups()):
            raise click.BadParameter(f"a range must be such as {example}, not {text!r}")
        first, last = int(match[1], 0), int(match[2], 0)
        if last < first:
            raise click.BadParameter(f"a range must begin with the lower number, not {text!r}")
        return first, last

    return read


@dataclass(frozen=True)
class _Asked:
    """What the command was asked for, whichever table it is."""

    capture: CaptureFile
    bus: Bus
    binding: Binding
    place: str
    cycles: tuple[int, int] | None
    addresses: tuple[int, int] | None
    names_path: Path | None
    log_path: Path | None
    log_pattern: str | None
    offset: int
    grade: str | None
    limits_path: Path | None

    @property
    def source(self) -> str:
        """The capture's name, as the user gave it."""
        return self.capture.source.name


def _cycles(asked: _Asked, show: Callable[[str], None]) -> Table:
    """Make the table of cycles: a stream, at one place."""
    from busdecode.report import Tally
    from busdecode.report.documents import Shown, cycle_table, read_names

    bus, place = asked.bus, asked.place
    names = None if asked.names_path is None else read_names(asked.names_path, bus)
    asked.capture.only(asked.binding.channels_at(place, bus.row_order))
    tally = Tally(has_address=bool(bus.address))
    run = Decoding(bus, asked.capture, asked.binding, place, tally)

    def told() -> Iterator[str]:
        about = ""
        for line in tally.lines():
            if line.endswith(":"):
                about = f"{line} "  # what follows is told under it, indented
            else:
                yield " ".join(((about if line.startswith(" ") else "") + line).split())
        yield from run.notes

    return cycle_table(
        bus,
        f"{asked.source}: cycles of {bus.title}, at {place}",
        run.tables(show),
        asked=Shown(asked.cycles, asked.addresses),
        names=names,
        told=told,
    )


def _compared(asked: _Asked, show: Callable[[str], None]) -> Comparison:
    from busdecode.access import read_log, read_pattern
    from busdecode.compare import compare_file

    pattern = None if asked.log_pattern is None else read_pattern(asked.log_pattern)
    log = None if asked.log_path is None else read_log(asked.log_path, pattern)
    asked.capture.only(tuple(bound.channel for bound in asked.binding.channels))

    def begin(what: str) -> Callable[[], None]:
        pace = Pace(asked.capture.source)
        return lambda: show(f"{what}: {pace}")

    return compare_file(
        asked.capture, asked.bus, asked.binding, log, offset=asked.offset, begin=begin
    )


def _against(asked: _Asked) -> str:
    held = "each other" if asked.log_path is None else str(asked.log_path)
    return f"{asked.source} on {asked.bus.title}, held against {held}"


def _comparison(asked: _Asked, show: Callable[[str], None]) -> Table:
    """Make the table of lines and phases."""
    from busdecode.report.documents import comparison_table

    return comparison_table(_compared(asked, show), f"{_against(asked)}: lines by phase")


def _findings(asked: _Asked, show: Callable[[str], None]) -> Table:
    """Make the table of findings."""
    from busdecode.report.documents import findings_table

    return findings_table(_compared(asked, show), f"{_against(asked)}: findings")


def _replay(asked: _Asked, show: Callable[[str], None]) -> Table:
    """Make the table of limits, with what was measured at one place."""
    from busdecode.report.documents import replay_table
    from busdecode.timing import Figures, overridden, replay_file

    figures = Figures.of(asked.bus, asked.grade)
    if asked.limits_path is not None:
        figures = overridden(figures, asked.limits_path)
    asked.capture.only(asked.binding.channels_at(asked.place, asked.bus.row_order))
    pace = Pace(asked.capture.source)
    replayed = replay_file(
        asked.capture, asked.binding, asked.place, figures, after_each=lambda: show(str(pace))
    )
    title = f"{asked.source} on {asked.bus.title}, at {asked.place}: limits of grade "
    return replay_table(replayed, title + figures.grade_name)


_FROM_CYCLES = ("--place", "--cycles", "--addresses", "--names")
_FROM_LIMITS = ("--place", "--grade", "--limits")
_FROM_LOG = ("--log", "--log-pattern", "--address-offset")

_TABLES: dict[str, tuple[Callable[[_Asked, Callable[[str], None]], Table], tuple[str, ...]]] = {
    "cycles": (_cycles, _FROM_CYCLES),
    "comparison": (_comparison, _FROM_LOG),
    "findings": (_findings, _FROM_LOG),
    "replay": (_replay, _FROM_LIMITS),
}
"""Every table by its name: what makes it, and the options that it alone takes."""


@click.command(
    "export",
    cls=Taught,
    help="""Write a table for service documents, as the ending of the output's name says: CSV,
    Markdown, HTML (a page that prints), LaTeX, JSON or Parquet.

    cycles has a row a beat, as decode lists them; comparison a row for each line that fails and
    phase in which it was compared, with the findings below; findings a row a finding; replay a
    row a limit, with what was measured.

    Whatever text comes from files stays text: it is no markup, no formula and no command there.""",
    example="""
    busdecode export board.vcd --bus mc68000 --addresses 0x100..0x1FF -o io.html
    Writes a page with the cycles of board.vcd at these addresses.
    """,
    statuses={
        0: "the table was written; export passes no verdict, also where a comparison finds faults",
        2: "a file or an option could not be used; or the capture ends early: then what is whole "
        "in it is written all the same",
    },
)
@click.argument("capture_path", metavar="CAPTURE", type=FILE)
@bus_option
@click.option("-o", "--output", type=FILE, metavar="OUT", required=True, help="Write to this file.")
@click.option(
    "--what",
    type=click.Choice(list(_TABLES)),
    default="cycles",
    show_default=True,
    help="Which table.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["csv", "markdown", "html", "latex", "json", "parquet"]),
    help="Where the ending of the output's name does not tell it.",
)
@click.option("--standalone", is_flag=True, help="Of LaTeX: a document that compiles by itself.")
@click.option(
    "--columns",
    type=_columns,
    metavar="NAMES",
    help="These columns only, in this order; names with commas between.",
)
@click.option(
    "--cycles",
    type=_range("[0-9]+", "10..20"),
    metavar="A..B",
    help="Of cycles: those with these numbers, both ends among them.",
)
@click.option(
    "--addresses",
    type=_range("0[xX][0-9A-Fa-f]+", "0x100..0x1FF"),
    metavar="A..B",
    help="Of cycles: those beats whose address is among these, both ends too.",
)
@click.option(
    "--names",
    "names_path",
    type=FILE,
    metavar="FILE",
    help="Of cycles: register names (CSV with the header address,name), for a column of names.",
)
@click.option("--place", metavar="PLACE", help="Of cycles and replay: host, card or a slot's name.")
@click.option(
    "--log",
    "log_path",
    type=FILE,
    metavar="LOG",
    help="Of comparison and findings: the access log, as compare takes it.",
)
@click.option("--log-pattern", metavar="PATTERN", help="As compare takes it.")
@click.option("--address-offset", type=offset_of, metavar="N", help="As compare takes it.")
@click.option("--grade", metavar="NAME", help="Of replay: the speed grade, as replay takes it.")
@click.option(
    "--limits",
    "limits_path",
    type=FILE,
    metavar="FILE",
    help="Of replay: your own figures, as replay takes them.",
)
@capture_options
@json_option
@overwrite_option
@click.pass_context
def command(
    context: click.Context,
    capture_path: Path,
    bus_name: str,
    output: Path,
    what: str,
    form: str | None,
    standalone: bool,
    columns: tuple[str, ...] | None,
    cycles: tuple[int, int] | None,
    addresses: tuple[int, int] | None,
    names_path: Path | None,
    place: str | None,
    log_path: Path | None,
    log_pattern: str | None,
    address_offset: int | None,
    grade: str | None,
    limits_path: Path | None,
    probes_path: Path | None,
    only: tuple[str, ...] | None,
    as_json: bool,
    overwrite: bool,
    **told: Unpack[Options],
) -> int:
    """Write the table, and tell its notes."""
    make = _maker(context, what)
    inputs = [capture_path, probes_path, names_path, log_path, limits_path, told.get("layout")]
    check_outputs([output], overwrite=overwrite, inputs=inputs)

    # Imported here, so that help need not wait for them.
    from busdecode.capture import read_probes
    from busdecode.cycles import bind
    from busdecode.protocol import load_bus
    from busdecode.report.documents import FORMATS, format_of, write_latex_document

    form = form or format_of(output)
    write = FORMATS[form].write
    if standalone:
        if form != "latex":
            raise RequestError(f"--standalone is for LaTeX, not {form}", action="leave it out")
        write = write_latex_document
    bus = load_bus(bus_name)
    probes = None if probes_path is None else read_probes(probes_path)
    with showing_progress(str(capture_path)) as show:
        capture = opened(capture_path, only, told)
        binding = bind(capture.lines, bus, probes, place)
        asked = _Asked(
            capture,
            bus,
            binding,
            place or binding.places[0],
            cycles,
            addresses,
            names_path,
            log_path,
            log_pattern,
            address_offset or 0,
            grade,
            limits_path,
        )
        table = make(asked, show)
        if columns is not None:
            table = table.only(columns)
        rows = _Counted(table.rows, lambda: _cut_note(capture, table.notes))
        with writing(output, overwrite=overwrite) as stream:
            write(replace(table, rows=rows), stream)
    count = f"{rows.count} row" + ("" if rows.count == 1 else "s")
    if as_json:
        given: dict[str, object] = {"what": what, "output": str(output), "format": form}
        given |= {"rows": rows.count, "notes": table.notes}
        if capture.cut is not None:
            given |= failure_object(capture.cut)
        print(json.dumps(given, indent=2))
        return 0 if capture.cut is None else 2
    told_lines = [f"{output}: {count}", "notes:", *(f"  {note}" for note in table.notes)]
    print("\n".join(told_lines), file=sys.stderr)
    if capture.cut is not None:
        raise capture.cut
    return 0


def _maker(context: click.Context, what: str) -> Callable[[_Asked, Callable[[str], None]], Table]:
    """Give what makes a table, and refuse options that another one takes."""
    make, own = _TABLES[what]
    for parameter in context.command.params:
        option = parameter.opts[0]
        others = [name for name, (_, options) in _TABLES.items() if option in options]
        name = parameter.name or ""
        if others and option not in own and context.params.get(name) is not None:
            raise RequestError(
                f"{option} is not for --what {what}",
                expected=f"{option} with --what {' or '.join(others)}",
                action="leave it out, or ask for the other table",
            )
    return make


class _Counted:
    """Rows that are counted as they are taken; `at_end` is called when all have been."""

    def __init__(self, rows: Iterable[tuple[Cell, ...]], at_end: Callable[[], None]) -> None:
        self._rows = rows
        self._at_end = at_end
        self.count = 0

    def __iter__(self) -> Iterator[tuple[Cell, ...]]:
        for row in self._rows:
            self.count += 1
            yield row
        self._at_end()


def _cut_note(capture: CaptureFile, notes: list[str]) -> None:
    """Have the document say that its capture ends early."""
    if capture.cut is not None:
        notes.insert(0, f"not the whole run: {capture.cut.found}")
