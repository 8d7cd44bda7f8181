"""Takes rows of a capture and their cycles, gives timing diagrams."""

from __future__ import annotations

from busdecode.report.figures.choice import LaneChoice, lanes_of
from busdecode.report.figures.drawing import TextFace, draw, draw_layout
from busdecode.report.figures.failing import Judged
from busdecode.report.figures.figure import Band, Break, Figure, Lane, Mark, Measure, Span
from busdecode.report.figures.from_capture import (
    MeantValue,
    Wrong,
    figure_of,
    reach_of,
)
from busdecode.report.figures.layout import lay_out
from busdecode.report.figures.measured import measures_of
from busdecode.report.figures.shapes import Layout, overlapping

__all__ = [
    "Band",
    "Break",
    "Figure",
    "Judged",
    "Lane",
    "LaneChoice",
    "Layout",
    "Mark",
    "MeantValue",
    "Measure",
    "Span",
    "TextFace",
    "Wrong",
    "draw",
    "draw_layout",
    "figure_of",
    "lanes_of",
    "lay_out",
    "measures_of",
    "overlapping",
    "reach_of",
]
