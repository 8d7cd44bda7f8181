"""Figures that are hard to lay out: many lanes and cycles, values and limits of any length."""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

from busdecode.report.figures import Band, Break, Figure, Lane, Mark, Measure, Span

if TYPE_CHECKING:
    from busdecode.report.figures.figure import Outcome, Shows

__all__ = ["crowded"]

_OUTCOMES: tuple[Outcome | None, ...] = ("met", "broken", "cannot tell", None)


def crowded(cycles: int, lines: int, seed: int) -> Figure:
    """Give a figure of so many cycles and lanes, with marks, measures and meant values."""
    draw = Random(seed)
    end = cycles * 700_000
    lanes = tuple(_lane(draw, at, end, cycles) for at in range(lines))
    names = [lane.name for lane in lanes]
    measures = tuple(_measure(draw, end, names) for _ in range(3 * cycles))
    marks = tuple(
        Mark(draw.choice(names), draw.randrange(end), "seen high, meant low " * draw.randint(1, 12))
        for _ in range(2 * cycles)
    )
    breaks = (Break(end // 3, end // 3 + 90_000),) if draw.random() < 0.7 else ()
    notes = ("a note " * draw.randint(1, 60),)
    bands = tuple(_bands(draw, cycles))
    title = "crowded " * draw.randint(1, 40)
    return Figure(title, "about", 0, end, 200_000, lanes, bands, measures, marks, breaks, notes)


def _lane(draw: Random, number: int, end: int, cycles: int) -> Lane:
    is_bundle = number % 4 == 3
    cuts = sorted({draw.randrange(1, end) for _ in range(draw.randint(1, 8 * cycles))})
    spans = []
    for since, until in zip([0, *cuts], [*cuts, end], strict=True):
        plain: tuple[Shows, ...] = ("value",) if is_bundle else ("low", "high")
        shows = draw.choice((*plain * 3, "not known", "released", "not captured"))
        spans.append(Span(since, until, shows, f"{draw.getrandbits(32):08X}"))
    meant = ()
    if draw.random() < 0.3:
        meant = tuple(span for span in spans if span.shows in ("value", "low", "high"))
    name = f"LINE{number}" + "X" * draw.choice((0, 0, 2, 40))
    return Lane(name, tuple(spans), draw.random() < 0.5, meant)


def _measure(draw: Random, end: int, names: list[str]) -> Measure:
    start = draw.randrange(end - 1)
    until = draw.choice((start + 1, min(end, start + 30_000), draw.randrange(start, end)))
    limit = ">= 30 ns (11)" * draw.choice((0, 1, 1, 4, 25))
    lanes = (draw.choice(names), draw.choice(names))
    return Measure(start, until, lanes, limit, draw.choice(_OUTCOMES))


def _bands(draw: Random, cycles: int) -> list[Band]:
    found = []
    for cycle in range(cycles):
        start = cycle * 700_000
        name = f"{cycle}: block-write 0x12345678, 4 beats, acknowledged"
        found.append(Band("cycle", start, start + 500_000, (name, f"{cycle}: write", f"{cycle}")))
        at = start
        for phase in ("address", "data", "acknowledge"):
            until = at + draw.choice((1_000, 60_000, 160_000))
            found.append(Band("phase", at, until, (phase,)))
            at = until
        # As on a pipelined bus, the last phase goes on beside the next cycle.
        found.append(Band("phase", at, min(at + 600_000, cycles * 700_000), ("release",)))
    return found
