"""A bus as a page for a handbook: what the description says, and its cycles drawn."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, TextIO

from busdecode.cycles import ideal_cycles
from busdecode.report.description import bus_sections
from busdecode.report.documents import isolated, page_head
from busdecode.report.figures import draw, figure_of, lanes_of, measures_of
from busdecode.timing import Figures, measured_beats

if TYPE_CHECKING:
    from collections.abc import Iterator

    from busdecode.protocol import Bus
    from busdecode.report.figures import Measure

__all__ = ["write_handbook"]


def write_handbook(bus: Bus, stream: TextIO) -> None:
    """Write a page of HTML that stands by itself: figures first, then every section.

    The figures are the ideal read and write, with the limits of the usual grade.

    Raises
    ------
    RequestError
        If pictures cannot be drawn.
    """
    stream.write(page_head(f"{bus.name}: {bus.title}"))
    if bus.invented:
        stream.write("<p>This bus is invented; every figure of it is.</p>\n")
    for caption, picture in _pictures(bus):
        stream.write(
            f"<figure>\n{picture}\n<figcaption>{isolated(caption)}</figcaption></figure>\n"
        )
    for title, rows in bus_sections(bus):
        stream.write(f"<h2>{isolated(title)}</h2>\n<table>\n<tbody>\n")
        for row in rows:
            first, *others = (isolated(cell) for cell in row)
            cells = "".join(f"<td>{cell}</td>" for cell in others)
            stream.write(f'<tr><th scope="row">{first}</th>{cells}</tr>\n')
        stream.write("</tbody>\n</table>\n")
    stream.write("</body>\n</html>\n")


def _pictures(bus: Bus) -> Iterator[tuple[str, str]]:
    """Draw the first kind of cycle that reads, and the first that writes."""
    if not bus.steps:
        return
    for direction in ("write", "read"):
        for kind in bus.kinds:
            if kind.direction == direction and kind.beats and kind.space != "none":
                yield f"the ideal {kind.name} cycle", _picture(bus, kind.name)
                break


def _picture(bus: Bus, kind: str) -> str:
    """Give a cycle as SVG for the inside of a page."""
    capture, table = ideal_cycles(bus, [kind])
    drawn = table.take(table.kind >= 0)
    lanes = lanes_of(bus, None, [line.name for line in bus.lines if not line.optional])
    measures: list[Measure] = []
    told: list[str] = []
    if bus.limits:
        figures = Figures.of(bus)
        measured = measured_beats(capture, figures, set(drawn.start.tolist()))
        measures, told = measures_of(figures, measured, lanes, "all")
    figure = figure_of(
        capture,
        drawn,
        title=f"{bus.title}: a {kind} cycle",
        about="made from the description, every delay at the middle of its range; not measured",
        lanes=lanes,
        measures=measures,
        notes=told,
        is_measured=False,
    )
    stream = io.BytesIO()
    draw(figure, stream, "svg")
    text = stream.getvalue().decode("utf-8")
    # What stands before the element belongs to a file of its own; ids must differ on a page.
    inner = text[text.index("<svg") :]
    return re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{kind}-", inner)
