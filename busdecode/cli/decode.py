"""``busdecode decode``: a capture to the table of its cycles."""

from __future__ import annotations

import json
import shutil
import sys
from contextlib import contextmanager
from tempfile import TemporaryFile
from typing import TYPE_CHECKING, Literal, TextIO, Unpack

import click

from busdecode.cli.decoding import Decoding
from busdecode.cli.failures import failure_object
from busdecode.cli.options import (
    FILE,
    bus_option,
    capture_options,
    json_option,
    opened,
    overwrite_option,
)
from busdecode.cli.output import check_outputs, writing
from busdecode.cli.progress import showing_progress
from busdecode.cli.taught import Taught
from busdecode.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path

    from busdecode.capture import Binding, Options
    from busdecode.protocol import Bus

__all__ = ["command"]

Form = Literal["table", "csv", "json", "parquet"]

_SUFFIXES: dict[str, Form] = {".csv": "csv", ".json": "json", ".parquet": "parquet"}


@click.command(
    "decode",
    cls=Taught,
    help="""List the cycles that a capture shows: one row a beat, with when, kind, address,
    lanes, data and how it ended. What could not be decoded is counted, with the reason.

    Of a line that was not captured nothing is guessed: its cells stay empty, or ? where a
    digit is not known and - where a lane took no part.

    With --operands beats are put together to what software asked for, one row an operand, on
    a bus whose description says how: a long word through a port of 16 bits, a byte in two
    halves.""",
    example="""
    busdecode decode board.vcd --bus mc68000 --format csv -o cycles.csv
    Reads board.vcd, matches its channels to the lines of the MC68000 bus by name, and
    writes one line a beat to cycles.csv.
    """,
    statuses={
        0: "the capture was read; whatever it shows, decode passes no verdict",
        2: "the capture, the description or the probe list could not be used; or the capture "
        "ends early: then what is whole in it is given all the same",
    },
)
@click.argument("capture_path", metavar="CAPTURE", type=FILE)
@bus_option
@capture_options
@click.option("--place", metavar="PLACE", help="Where probed: host, card or a slot's name.")
@click.option(
    "--operands",
    "as_operands",
    is_flag=True,
    help="One row an operand in place of one a beat; all beats are held in memory for it.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["table", "csv", "json", "parquet"]),
    help="table for people (the default), csv, json or parquet for programs; need not be told "
    "for -o FILE.csv, FILE.json and FILE.parquet.",
)
@json_option
@click.option("-o", "--output", type=FILE, metavar="OUT", help="Write to this file.")
@overwrite_option
def command(
    capture_path: Path,
    bus_name: str,
    probes_path: Path | None,
    only: tuple[str, ...] | None,
    place: str | None,
    as_operands: bool,
    form: Form | None,
    as_json: bool,
    output: Path | None,
    overwrite: bool,
    **told: Unpack[Options],
) -> int:
    """Decode, and print as the options say."""
    form = _form(form, output, as_json=as_json)
    if form == "parquet":
        _check_parquet(output, as_operands=as_operands)
    inputs = [capture_path, probes_path, told.get("layout")]
    check_outputs([output], overwrite=overwrite, inputs=inputs)

    # Imported here, so that help need not wait for them.
    from busdecode.capture import read_probes
    from busdecode.cycles import bind
    from busdecode.protocol import load_bus
    from busdecode.report import Tally

    bus = load_bus(bus_name)
    if as_operands:
        _check_operands(bus)
    probes = None if probes_path is None else read_probes(probes_path)
    capture = opened(capture_path, only, told)
    binding = bind(capture.lines, bus, probes, place)
    place = place or binding.places[0]
    if as_operands:
        _check_captured(bus, binding, place)
    capture.only(binding.channels_at(place, bus.row_order))
    run = Decoding(bus, capture, binding, place, Tally(has_address=bool(bus.address)))
    write = _write_operands if as_operands else _write
    if output is not None:
        with writing(output, overwrite=overwrite) as stream:
            write(run, form, stream)
    elif form == "json":
        with _printed_at_end() as stream:
            write(run, form, stream)
    else:
        write(run, form, sys.stdout)
    if form != "json" and (form == "csv" or output is not None):
        print("\n".join(run.told()), file=sys.stderr)
    if capture.cut is not None and form != "json":
        raise capture.cut
    return 2 if capture.cut is not None else 0


def _form(form: Form | None, output: Path | None, *, as_json: bool) -> Form:
    if as_json:
        if form not in (None, "json"):
            raise RequestError(
                f"--json and --format {form} contradict each other", action="give one of them"
            )
        return "json"
    if form is None and output is not None:
        return _SUFFIXES.get(output.suffix.lower(), "table")
    return form or "table"


def _check_parquet(output: Path | None, *, as_operands: bool) -> None:
    if output is None:
        raise RequestError(
            "a Parquet file is not printed", action="name the file, such as -o cycles.parquet"
        )
    if as_operands:
        raise RequestError("operands are not written as Parquet", action="write them as CSV")


def _check_operands(bus: Bus) -> None:
    from busdecode.cycles import concatenate, has_operands

    if not has_operands(concatenate(bus, [])):
        raise RequestError(
            f"{bus.name} does not say how beats make up operands",
            expected="a bus whose description has [operand]",
            action="leave out --operands: each beat has a row of its own",
        )


def _check_captured(bus: Bus, binding: Binding, place: str) -> None:
    absent = [line for line in bus.operand.lines if line in binding.missing[place]]
    if absent:
        raise RequestError(
            f"lines that tell how many bytes are still to move were not captured at {place}: "
            f"{', '.join(absent)}",
            expected=f"channels for {', '.join(bus.operand.lines)}",
            action="probe the lines, or leave out --operands",
        )


@contextmanager
def _printed_at_end() -> Iterator[TextIO]:
    """Print what is written only when it is whole: an error must not follow half an object."""
    with TemporaryFile("w+", encoding="utf-8") as stream:
        yield stream
        stream.seek(0)
        shutil.copyfileobj(stream, sys.stdout)


def _write(run: Decoding, form: Form, stream: TextIO) -> None:
    from busdecode.report import CycleText, ParquetRows, csv_header, csv_rows

    with _watched(run, stream) as show:
        if form == "json":
            beats = (text for each in run.tables(show) for text in _as_json(each.text_columns()))
            _write_object(run, stream, "beats", beats)
        elif form == "csv":
            # The header waits for the first table: of a capture that cannot be read nothing
            # is printed.
            header = csv_header(run.bus)
            for table in run.tables(show):
                stream.write(header + csv_rows(table.text_columns()))
                header = ""
        elif form == "parquet":
            with ParquetRows(stream.buffer) as rows:
                for table in run.tables(show):
                    rows.write(table)
        else:
            title = _title(run)
            aligned = CycleText(run.bus)
            for table in run.tables(show):
                stream.write(title + aligned.rows(table.text_columns()))
                title = ""
            stream.write("\n" * bool(run.tally.beats) + "\n".join(run.told()) + "\n")


def _write_operands(run: Decoding, form: Form, stream: TextIO) -> None:
    from busdecode.report import operand_csv, operand_text

    with _watched(run, stream) as show:
        found = run.operands(show)
        if form == "json":
            _write_object(run, stream, "operands", _as_json(found))
        elif form == "csv":
            stream.write(operand_csv(found))
        else:
            rows = operand_text(found)
            stream.write(_title(run) + rows + "\n" * bool(rows) + "\n".join(run.told()) + "\n")


def _watched(run: Decoding, stream: TextIO) -> AbstractContextManager[Callable[[str], None]]:
    goes_to_terminal = stream is sys.stdout and sys.stdout.isatty()
    return showing_progress(f"reading {run.opened.source.name}", wanted=not goes_to_terminal)


def _title(run: Decoding) -> str:
    return f"{run.opened.source.name}: {run.bus.title}, at {run.place}\n\n"


def _as_json(text: Mapping[str, Sequence[str]]) -> Iterator[str]:
    from busdecode.report import row_objects

    return map(json.dumps, row_objects(text))


def _write_object(run: Decoding, stream: TextIO, name: str, rows: Iterable[str]) -> None:
    """Write the object; counts and notes are whole once the rows have been taken."""
    head = {"bus": run.bus.name, "capture": run.opened.source.name, "place": run.place}
    stream.write(json.dumps(head)[:-1] + f', "{name}": [')
    between = "\n"
    for row in rows:
        stream.write(between + row)
        between = ",\n"
    tail: dict[str, object] = {"summary": run.tally.as_object(), "notes": run.notes}
    if run.opened.cut is not None:
        tail |= failure_object(run.opened.cut)
    stream.write("\n], " + json.dumps(tail)[1:] + "\n")
