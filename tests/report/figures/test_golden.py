"""Figures that were looked at before they were kept: the geometry of each, and one picture.

Set ``BUSDECODE_REWRITE_FIGURES=1`` to write them anew, and look at what changed before it is kept.
"""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

import pytest

from busdecode.access import read_log
from busdecode.capture import open_capture, read_probes
from busdecode.compare import compare
from busdecode.cycles import DIRECTIONS, bind, decode_places, ideal_cycles
from busdecode.protocol import bundled_buses, load_bus
from busdecode.report.figures import (
    Figure,
    Judged,
    Layout,
    TextFace,
    draw_layout,
    figure_of,
    lay_out,
)
from busdecode.report.pictures import SETTINGS

if TYPE_CHECKING:
    from pathlib import Path

pytest.importorskip("matplotlib", reason="pictures are drawn by matplotlib")

REWRITE = "BUSDECODE_REWRITE_FIGURES" in os.environ
POINTS = 0.6
"""By how much a place may differ: lettering differs a little between versions of a typeface."""


def geometry(layout: Layout) -> dict[str, list[list[object]]]:
    """Give a layout's places, rounded to tenths of points."""

    def flat(points: tuple[tuple[float, float], ...]) -> list[float]:
        return [round(each, 1) for point in points for each in point]

    return {
        "page": [["size", round(layout.width, 1), round(layout.height, 1)]],
        "labels": [
            [each.text, round(each.left, 1), round(each.top, 1), round(each.width, 1)]
            for each in layout.labels
        ],
        "strokes": [[each.style, *flat(each.points)] for each in layout.strokes],
        "areas": [[each.style, *flat(each.points)] for each in layout.areas],
        "told": [[each] for each in layout.told],
    }


def hold_against(path: Path, layout: Layout) -> None:
    """Compare a layout with a kept one."""
    shown = geometry(layout)
    if REWRITE:
        rows = [
            f'"{name}": [\n' + ",\n".join(json.dumps(row) for row in part) + "\n]"
            for name, part in shown.items()
        ]
        path.write_text("{\n" + ",\n".join(rows) + "\n}\n", encoding="utf-8")
    kept = json.loads(path.read_text(encoding="utf-8"))

    assert list(shown) == list(kept)
    for name, part in shown.items():
        assert [row[0] for row in part] == [row[0] for row in kept[name]], name
        for row, known in zip(part, kept[name], strict=True):
            assert row[1:] == pytest.approx(known[1:], abs=POINTS), (name, row[0])


def ideal(name: str) -> Figure:
    """Make the figure of a bus's plain write and read, or what comes nearest to them."""
    bus = load_bus(name)
    kinds = []
    for way in DIRECTIONS[:0:-1]:
        going = [kind.name for kind in bus.kinds if kind.direction == way]
        kinds.append(way if way in going else going[0])
    capture, table = ideal_cycles(bus, kinds)
    whole = table.take(table.kind >= 0)
    return figure_of(capture, whole, title=bus.title, about="ideal cycles", is_measured=False)


def failing(checkout: Path, cycle: int) -> Figure:
    """Make the figure of a cycle of the bundled demonstration, with what its log meant."""
    folder = checkout / "captures"
    bus = load_bus("orlop32")
    capture = open_capture(folder / "saltmere.vcd").read()
    binding = bind(capture.lines, bus, read_probes(folder / "saltmere-probes.toml"), None)
    places = decode_places(capture, bus, binding=binding)
    log = read_log(folder / "saltmere-log.csv")
    place = next(iter(places.values()))
    findings = compare(places, log).findings
    judged = Judged.of(place.table, log, findings, place.capture.lines)
    row = int((place.table.cycle == cycle).argmax())
    wrong, meant, notes = judged.wrong_in([row])
    table = place.table.take(slice(row, row + 1))
    return figure_of(
        place.capture, table, title=f"cycle {cycle}", wrong=wrong, meant=meant,
        notes=notes, is_measured=False,
    )  # fmt: skip


@pytest.mark.parametrize("name", bundled_buses())
def test_ideal_cycles_are_drawn_as_they_were_kept(name: str, checkout: Path) -> None:
    """Every place of every stroke, area and label, within a tolerance."""
    path = checkout / "tests" / "golden" / "figures" / f"{name}.json"
    hold_against(path, lay_out(ideal(name), TextFace()))


@pytest.mark.parametrize("cycle", [5, 6])
def test_the_failing_cycles_of_the_demonstration_are_drawn_as_they_were_kept(
    cycle: int, checkout: Path
) -> None:
    """Cycle 5: a lane strobe that did not come. Cycle 6: what was stored wrongly is read."""
    path = checkout / "tests" / "golden" / "figures" / f"saltmere-{cycle}.json"
    hold_against(path, lay_out(failing(checkout, cycle), TextFace()))


def test_the_picture_looks_as_it_did(checkout: Path, tmp_path: Path) -> None:
    """At low resolution, by root mean square of the dots' brightness."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure as Canvas
    from matplotlib.testing.compare import compare_images

    layout = lay_out(failing(checkout, 6), TextFace())
    kept = checkout / "tests" / "golden" / "figures" / "saltmere-6.png"
    drawn = tmp_path / "drawn.png"
    with rc_context(SETTINGS):
        canvas = Canvas(figsize=(layout.width / 72, layout.height / 72), dpi=60)
        draw_layout(layout, canvas)
        canvas.savefig(kept if REWRITE else drawn, metadata={"Software": None})
    if not REWRITE:
        copy = tmp_path / "kept.png"
        copy.write_bytes(kept.read_bytes())
        assert compare_images(str(copy), str(drawn), tol=4) is None
