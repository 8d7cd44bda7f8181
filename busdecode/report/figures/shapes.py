"""What a laid out diagram is made of: labels, strokes and areas, in points from the top left."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = ["ABOVE", "ROW", "Area", "Label", "Layout", "Stroke", "overlapping"]

ROW = 1.32
"""Height of a label's box, in sizes of its text."""

ABOVE = 1.0
"""From the top of a label's box to the line on which its letters stand, in sizes."""

_TOUCH = 0.01

Point = tuple[float, float]


@dataclass(frozen=True)
class Label:
    """A text in its own box.

    Parameters
    ----------
    text : str
    left, top, width, height : float, points
        The box; y goes down.
    size : float, points
    style : str
        ``plain``, ``bold`` or ``slanted``.
    over : bool
        Stands on lines, which end around it.
    """

    text: str
    left: float
    top: float
    width: float
    height: float
    size: float
    style: str = "plain"
    over: bool = False

    @property
    def right(self) -> float:
        """Where the box ends."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Where the box ends below."""
        return self.top + self.height


@dataclass(frozen=True)
class Stroke:
    """A line through points."""

    style: str
    points: tuple[Point, ...]


@dataclass(frozen=True)
class Area:
    """A closed shape."""

    style: str
    points: tuple[Point, ...]


@dataclass
class Layout:
    """A diagram of which every place is known.

    Parameters
    ----------
    width, height : float, points
    labels : list of Label
    strokes : list of Stroke
    areas : list of Area
    told : list of str
        What could not be shown as asked for: cut, moved or too narrow.
    """

    width: float
    height: float = 0.0
    labels: list[Label] = field(default_factory=list)
    strokes: list[Stroke] = field(default_factory=list)
    areas: list[Area] = field(default_factory=list)
    told: list[str] = field(default_factory=list)

    def stroke(self, style: str, *points: Point) -> None:
        """Add a line."""
        self.strokes.append(Stroke(style, points))

    def area(self, style: str, *points: Point) -> None:
        """Add a closed shape."""
        self.areas.append(Area(style, points))

    def box(self, style: str, left: float, top: float, right: float, bottom: float) -> None:
        """Add a rectangle."""
        self.area(style, (left, top), (right, top), (right, bottom), (left, bottom))


def overlapping(labels: list[Label]) -> list[tuple[Label, Label]]:
    """Give the pairs of labels whose boxes overlap.

    Examples
    --------
    >>> one, two = Label("A", 0, 0, 10, 8, 6), Label("B", 5, 4, 10, 8, 6)
    >>> [(a.text, b.text) for a, b in overlapping([one, two])]
    [('A', 'B')]
    """
    found = []
    rest = sorted(labels, key=lambda label: label.left)
    for at, one in enumerate(rest):
        for two in rest[at + 1 :]:
            if two.left >= one.right - _TOUCH:
                break
            if two.top < one.bottom - _TOUCH and one.top < two.bottom - _TOUCH:
                found.append((one, two))
    return found
