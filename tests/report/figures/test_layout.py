"""Labels neither overlap nor vanish, by the boxes of the layout and by what is really drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from busdecode.report.figures import (
    Break,
    Figure,
    Lane,
    Layout,
    Mark,
    Measure,
    Span,
    TextFace,
    draw_layout,
    lay_out,
    overlapping,
)
from busdecode.report.figures.axis import axis_of
from busdecode.report.figures.shapes import Label
from busdecode.report.pictures import SETTINGS
from tests.report.figures.crowded import crowded

if TYPE_CHECKING:
    from matplotlib.text import Text

pytest.importorskip("matplotlib", reason="pictures are drawn by matplotlib")

FACE = TextFace()
SIZES = [(cycles, lines) for cycles in (1, 3, 10) for lines in (4, 40)]


def drawn(layout: Layout, dots_per_inch: int = 150) -> list[Label]:
    """Draw a layout; give the boxes that matplotlib's renderer says its texts have."""
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure as Canvas

    scale = 72 / dots_per_inch
    with rc_context(SETTINGS):
        canvas = Canvas(figsize=(layout.width / 72, layout.height / 72), dpi=dots_per_inch)
        renderer = FigureCanvasAgg(canvas).get_renderer()
        texts: list[Text] = draw_layout(layout, canvas)
        assert not any(text.get_parse_math() for text in texts)
        boxes = [text.get_window_extent(renderer) for text in texts]
    return [
        Label(
            text.get_text(),
            box.x0 * scale,
            layout.height - box.y1 * scale,
            box.width * scale,
            box.height * scale,
            0.0,
        )
        for text, box in zip(texts, boxes, strict=True)
    ]


@pytest.mark.parametrize(("cycles", "lines"), SIZES)
@pytest.mark.parametrize("seed", range(4))
def test_no_two_labels_overlap(cycles: int, lines: int, seed: int) -> None:
    """Nor do any reach over the edge of the page."""
    layout = lay_out(crowded(cycles, lines, seed), FACE)

    assert overlapping(layout.labels) == []
    for label in layout.labels:
        assert label.left >= 0
        assert label.top >= 0
        assert label.right <= layout.width
        assert label.bottom <= layout.height


@pytest.mark.parametrize(("cycles", "lines"), SIZES)
def test_no_two_texts_overlap_as_they_are_drawn(cycles: int, lines: int) -> None:
    """The renderer's own extents, each inside the box that the layout gave it."""
    layout = lay_out(crowded(cycles, lines, 100), FACE)
    texts = drawn(layout)

    assert overlapping(texts) == []
    for text, label in zip(texts, layout.labels, strict=True):
        assert text.left >= label.left - 0.5, text
        assert text.right <= label.right + 0.5, text
        assert text.top >= label.top - 0.5, text
        assert text.bottom <= label.bottom + 0.5, text


def test_overlapping_labels_are_found() -> None:
    """Boxes that only touch do not overlap."""
    one = Label("one", 0, 0, 10, 5, 5)
    touching, inside, below = (
        Label("touching", 10, 0, 5, 5, 5),
        Label("inside", 4, 2, 1, 1, 5),
        Label("below", 0, 5, 10, 5, 5),
    )
    assert overlapping([one, touching, below, inside]) == [(one, inside)]


def spans(*cuts: int, end: int = 1_000_000) -> tuple[Span, ...]:
    """Give values that change at these moments."""
    ends = [*cuts[1:], end]
    return tuple(
        Span(since, until, "value", f"{0xA0000000 + at:X}")
        for at, (since, until) in enumerate(zip(cuts, ends, strict=True))
    )


def texts_of(layout: Layout) -> list[str]:
    """Give the texts of all labels."""
    return [label.text for label in layout.labels]


def test_a_value_without_room_gets_a_key_and_then_is_counted() -> None:
    """At 0.56 points a nanosecond: 700 ns has room, 40 ns for a key, 3 ns for nothing."""
    lanes = (Lane("D", spans(0, 700_000, 740_000, 743_000)),)
    layout = lay_out(Figure("t", "", 0, 1_000_000, 0, lanes), FACE)
    texts = texts_of(layout)

    assert "A0000000" in texts
    assert "(1)" in texts
    assert "(1) A0000001" in texts
    assert "A0000002" not in texts
    assert layout.told == ["values of D: 1 label without room"]
    assert "values of D: 1 label without room" in texts
    assert [area.style for area in layout.areas].count("change") == 2  # one is the legend's


def test_a_limit_without_room_goes_to_the_legend_whole() -> None:
    """The time itself stays beside the dimension."""
    lanes = (Lane("AS", (Span(0, 1_000_000, "low"),)),)
    limit = "at least " * 30
    measures = (Measure(400_000, 430_000, ("AS",), limit, "broken"),)
    layout = lay_out(Figure("t", "", 0, 1_000_000, 0, lanes, measures=measures), FACE)

    texts = texts_of(layout)
    assert "30 ns (1)" in texts
    at = next(at for at, text in enumerate(texts) if text.startswith("(1) 30 ns, at least"))
    assert " ".join(texts[at:]).count("at least") == 30
    assert any(text.endswith("BROKEN") for text in texts[at:])


def test_each_outcome_is_told_by_word_line_and_head() -> None:
    """A broken limit has words, a frame and another line; colours are not looked at."""
    from busdecode.report.figures.drawing import _STROKES

    lanes = (Lane("AS", (Span(0, 1_000_000, "low"),)),)
    shown = {}
    for outcome in ("met", "broken", "cannot tell"):
        measures = (Measure(100_000, 500_000, ("AS",), ">= 1 us (9)", outcome),)
        layout = lay_out(Figure("t", "", 0, 1_000_000, 0, lanes, measures=measures), FACE)
        label = next(label for label in layout.labels if label.text.startswith("400 ns"))
        line = next(each.style for each in layout.strokes if each.style.startswith("dimension"))
        plain = {key: value for key, value in _STROKES[line].items() if key != "color"}
        frames = sum(area.style == "frame" for area in layout.areas)
        shown[outcome] = (label.text.rpartition(", ")[2], frames, tuple(map(str, plain.values())))

    assert [each[0] for each in shown.values()] == ["met", "BROKEN", "cannot tell"]
    assert [each[1] for each in shown.values()] == [0, 1, 0]
    assert len({each[2] for each in shown.values()}) == 3


def test_a_mark_is_a_ringed_cross_with_a_letter_that_the_legend_explains() -> None:
    """Two marks at one moment get places of their own, and both point at it."""
    lanes = (Lane("D4", (Span(0, 1_000_000, "low"),)),)
    marks = (Mark("D4", 500_000, "first"), Mark("D4", 500_000, "second"))
    layout = lay_out(Figure("t", "", 0, 1_000_000, 0, lanes, marks=marks), FACE)

    texts = texts_of(layout)
    assert texts.count("A") == texts.count("B") == 2
    assert {"first", "second"} <= set(texts)
    assert sum(area.style == "ring" for area in layout.areas) == 4
    assert sum(stroke.style == "cross" for stroke in layout.strokes) == 8
    tips = {stroke.points[-1] for stroke in layout.strokes if stroke.style == "stem"}
    assert len(tips) == 1


def test_what_a_break_leaves_out_takes_no_room_and_is_told() -> None:
    """1 us of which 900 ns are left out: the rest has all the room but for the break."""
    lanes = (Lane("AS", (Span(0, 1_000_000, "low"),)),)
    breaks = (Break(50_000, 950_000),)
    figure = Figure("t", "", 0, 1_000_000, 0, lanes, breaks=breaks)
    axis = axis_of(figure, 0, 118)

    assert [axis.x(moment) for moment in (0, 50_000, 500_000, 950_000, 1_000_000)] == [
        0, 50, 59, 68, 118,
    ]  # fmt: skip
    assert "900 ns left out" in texts_of(lay_out(figure, FACE))


def test_ticks_have_units_and_round_moments() -> None:
    """From where the axis calls 0."""
    figure = Figure("t", "", 5_000, 1_005_000, 105_000, (Lane("A", ()),))
    texts = texts_of(lay_out(figure, FACE))

    assert {"-100 ns", "0 ns", "100 ns", "900 ns"} <= set(texts)


def test_an_overbar_stands_over_the_name_and_only_the_last_part_of_two() -> None:
    """R/W is a write when low: the bar is over W."""
    lanes = (Lane("AS", (), True), Lane("R/W", (), True), Lane("CLK", ()))
    layout = lay_out(Figure("t", "", 0, 10, 0, lanes), FACE)
    names = {label.text: label for label in layout.labels}
    bars = [stroke.points for stroke in layout.strokes if stroke.style == "overbar"]

    assert len(bars) == 3  # one is the legend's
    assert bars[0][0][0] == names["AS"].left
    assert bars[0][1][0] == names["AS"].right
    assert bars[1][0][0] > names["R/W"].left + names["R/W"].width / 3
    assert bars[1][1][0] == names["R/W"].right


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"end": 0}, "a figure must end after 0 ps, not at 0 ps"),
        ({"lanes": (Lane("A", ()), Lane("A", ()))}, "lane names must be unique, not 'A' twice"),
        ({"marks": (Mark("B", 0, ""),)}, "no lane is called 'B'"),
        ({"measures": (Measure(0, 1, ("B",)),)}, "no lane is called 'B'"),
        (
            {"measures": (Measure(0, 1, ()),)},
            "a measure must name the lanes that it is measured between",
        ),
    ],
)
def test_a_figure_that_cannot_be_drawn_is_refused(change: dict[str, object], message: str) -> None:
    """When it is made, not when it is drawn."""
    fields: dict[str, object] = {
        "title": "", "about": "", "start": 0, "end": 9, "zero": 0, "lanes": (Lane("A", ()),),
    }  # fmt: skip
    with pytest.raises(ValueError, match=message):
        Figure(**(fields | change))  # type: ignore[arg-type]
