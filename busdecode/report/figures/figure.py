"""What a timing diagram shows, as plain values: lanes, bands, measures, marks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Band", "Break", "Figure", "Lane", "Mark", "Measure", "Outcome", "Shows", "Span"]

Shows = Literal["low", "high", "value", "not known", "released", "not captured"]
"""What a lane shows for a while; ``value`` is that of a bundle."""

Outcome = Literal["met", "broken", "cannot tell"]


@dataclass(frozen=True)
class Span:
    """What a lane shows in [start, end), ps; `text` is the value of a bundle."""

    start: int
    end: int
    shows: Shows
    text: str = ""


@dataclass(frozen=True)
class Lane:
    """One line, or a bundle as one.

    Parameters
    ----------
    name : str
        As the standard writes it; unique in a figure.
    spans : tuple of Span
        In order, without overlap.
    active_low : bool
        Its name gets a line above it.
    meant : tuple of Span
        What it should have shown, where something tells that: levels are drawn over what was
        seen, values below it.
    """

    name: str
    spans: tuple[Span, ...]
    active_low: bool = False
    meant: tuple[Span, ...] = ()


@dataclass(frozen=True)
class Band:
    """A labelled stretch of time above the lanes.

    Parameters
    ----------
    rank : str
        What kind of stretch, such as ``cycle`` or ``phase``; each has rows of its own.
    start, end : int, ps
    names : tuple of str
        Its name, longest form first; the first that has room is shown.
    """

    rank: str
    start: int
    end: int
    names: tuple[str, ...]


@dataclass(frozen=True)
class Measure:
    """A time between two moments, drawn as a dimension.

    Parameters
    ----------
    start, end : int, ps
    lanes : tuple of str
        Names of the lanes whose edges it is measured between; drawn below the lowest.
    limit : str
        What it is held against, such as ``>= 30 ns (11)``; may be empty.
    outcome : str or None
        ``met``, ``broken`` or ``cannot tell``; None where it is held against nothing.
    """

    start: int
    end: int
    lanes: tuple[str, ...]
    limit: str = ""
    outcome: Outcome | None = None


@dataclass(frozen=True)
class Mark:
    """A failure: the lane, the moment, and a sentence for the legend."""

    lane: str
    moment: int
    text: str


@dataclass(frozen=True)
class Break:
    """A stretch of time in which nothing happens, left out of the drawing."""

    start: int
    end: int


@dataclass(frozen=True)
class Figure:
    """A timing diagram.

    Parameters
    ----------
    title, about : str
        Heading, and a smaller line below it.
    start, end : int, ps
        The time shown.
    zero : int, ps
        The moment that the time axis calls 0.
    lanes : tuple of Lane
        From top to bottom.
    bands, measures, marks, breaks : tuple
    notes : tuple of str
        Sentences for below the diagram.

    Raises
    ------
    ValueError
        If no time is shown, two lanes have one name, or a measure or mark has no lane.

    Examples
    --------
    >>> span = Span(0, 10_000, "low")
    >>> Figure("a cycle", "", 0, 10_000, 0, (Lane("AS", (span,)),)).lanes[0].name
    'AS'
    """

    title: str
    about: str
    start: int
    end: int
    zero: int
    lanes: tuple[Lane, ...]
    bands: tuple[Band, ...] = ()
    measures: tuple[Measure, ...] = ()
    marks: tuple[Mark, ...] = ()
    breaks: tuple[Break, ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Check what the layout relies on."""
        if self.end <= self.start:
            raise ValueError(f"a figure must end after {self.start} ps, not at {self.end} ps")
        names = [lane.name for lane in self.lanes]
        if len(set(names)) != len(names):
            twice = next(name for name in names if names.count(name) > 1)
            raise ValueError(f"lane names must be unique, not {twice!r} twice")
        for name in (
            *(mark.lane for mark in self.marks),
            *(name for measure in self.measures for name in measure.lanes),
        ):
            if name not in names:
                raise ValueError(f"no lane is called {name!r}")
        if any(not measure.lanes for measure in self.measures):
            raise ValueError("a measure must name the lanes that it is measured between")
