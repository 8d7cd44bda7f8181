"""``busdecode replay``: a capture against the limits of its bus."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Unpack

import click

from busdecode.cli.options import (
    FILE,
    bus_option,
    capture_options,
    json_option,
    opened,
    overwrite_option,
)
from busdecode.cli.output import check_outputs, writing
from busdecode.cli.progress import Pace, showing_progress
from busdecode.cli.taught import Taught
from busdecode.errors import RequestError, nearest, quoted

if TYPE_CHECKING:
    from pathlib import Path

    from busdecode.capture import Options
    from busdecode.protocol import Bus
    from busdecode.timing import Replayed, Result

__all__ = ["command"]


@click.command(
    "replay",
    cls=Taught,
    help="""Hold every cycle of a capture against the limits of its bus: set-up, hold, widths,
    delays and each step of the handshake. What is nearer to a limit than the sample rate can
    tell is neither met nor broken. A limit that was not read in its source can only warn.

    With --keep what was observed is written to a file: the times of a good machine. With
    --against such a file tells what is shorter, longer or missing on the machine at hand.""",
    example="""
    busdecode replay board.vcd --bus mc68000 --grade '10 MHz'
    Measures each limit of the 10 MHz grade in each cycle of board.vcd, says which are
    broken, in which cycles and by how much, and lists shortest, median and longest times.
    """,
    statuses={
        0: "no limit is broken, or it cannot be told (which is said); warnings may stand",
        1: "a limit or a step is broken, or a time departs from the baseline",
        2: "a file or an option could not be used",
    },
)
@click.argument("capture_path", metavar="CAPTURE", type=FILE)
@bus_option
@click.option(
    "--grade", metavar="NAME", help="Speed grade, such as '10 MHz'; see busdecode buses BUS."
)
@click.option(
    "--limits",
    "limits_path",
    type=FILE,
    metavar="FILE",
    help="Your own figures (TOML): [limits] with a limit's number and min, max; [times].",
)
@click.option(
    "--detail",
    metavar="NUMBER",
    help="Show of one limit how often each time was measured.",
)
@click.option(
    "--picture",
    type=FILE,
    metavar="FILE",
    help="Draw how often each time was measured, of every limit or of that of --detail "
    "(.svg, .png, .pdf).",
)
@click.option(
    "--keep",
    type=FILE,
    metavar="FILE",
    help="Write what was observed as a baseline.",
)
@click.option(
    "--against",
    type=FILE,
    metavar="FILE",
    help="Hold what is observed against this baseline too.",
)
@click.option("--place", metavar="PLACE", help="Where probed: host, card or a slot's name.")
@capture_options
@json_option
@overwrite_option
def command(
    capture_path: Path,
    bus_name: str,
    grade: str | None,
    limits_path: Path | None,
    detail: str | None,
    picture: Path | None,
    keep: Path | None,
    against: Path | None,
    place: str | None,
    probes_path: Path | None,
    only: tuple[str, ...] | None,
    as_json: bool,
    overwrite: bool,
    **told: Unpack[Options],
) -> int:
    """Replay, and print what was found."""
    inputs = [capture_path, probes_path, limits_path, against, told.get("layout")]
    check_outputs([keep, picture], overwrite=overwrite, inputs=inputs)
    from busdecode.report import histogram_text, picture_form, replay_object, replay_text

    if picture is not None:
        picture_form(picture)

    # Imported here, so that help need not wait for them.
    from busdecode.capture import read_probes
    from busdecode.cycles import bind
    from busdecode.protocol import load_bus
    from busdecode.timing import (
        Figures,
        departures,
        kept_baseline,
        overridden,
        read_baseline,
        replay_file,
    )

    bus = load_bus(bus_name)
    figures = Figures.of(bus, grade)
    if limits_path is not None:
        figures = overridden(figures, limits_path)
    chosen = None if detail is None else _limit_number(bus, detail)
    baseline = None if against is None else read_baseline(against)
    probes = None if probes_path is None else read_probes(probes_path)
    with showing_progress(f"replaying {capture_path}") as show:
        capture = opened(capture_path, only, told)
        binding = bind(capture.lines, bus, probes, place)
        place = place or binding.places[0]
        capture.only(binding.channels_at(place, bus.row_order))
        pace = Pace(capture.source)
        replayed = replay_file(capture, binding, place, figures, after_each=lambda: show(str(pace)))
    apart = () if baseline is None else departures(replayed, baseline)
    if keep is not None:
        with writing(keep, overwrite=overwrite) as stream:
            stream.write(kept_baseline(replayed, capture.source.name))
    if picture is not None:
        _draw(replayed, chosen, picture, overwrite=overwrite)
    if as_json:
        print(json.dumps(replay_object(replayed, str(capture_path), baseline, apart), indent=2))
    elif chosen is not None:
        print(histogram_text(_result(replayed, chosen)), end="")
    else:
        print(replay_text(replayed, str(capture_path), baseline, apart), end="")
    if capture.cut is not None:
        raise capture.cut
    return 1 if replayed.findings or apart else 0


def _limit_number(bus: Bus, written: str) -> str:
    numbers = [limit.number for limit in bus.limits]
    if written in numbers:
        return written
    near = nearest(written, numbers)
    raise RequestError(
        f"{bus.name} has no limit {quoted(written)}",
        expected=f"one of {', '.join(numbers)}",
        action=f"did you mean {near}?" if near else None,
    )


def _result(replayed: Replayed, number: str) -> Result:
    for result in replayed.results:
        if result.limit.number == number:
            return result
    raise RequestError(
        f"limit {number} has no figures at grade {replayed.figures.grade_name}",
        action="name another grade with --grade",
    )


def _draw(replayed: Replayed, number: str | None, path: Path, *, overwrite: bool) -> None:
    from busdecode.report import draw_histograms, picture_form

    results = replayed.results if number is None else (_result(replayed, number),)
    shown = [result for result in results if len(result.values)]
    if not shown:
        raise RequestError("nothing was measured that could be drawn", path=path)
    with writing(path, overwrite=overwrite) as stream:
        draw_histograms(shown, stream.buffer, picture_form(path))
