"""How a failing line behaves: constant, tied to another line, crossed with one, or late."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from busdecode.compare.survey import LEAST_CHANGES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from busdecode.compare.survey import PlaceSurvey

__all__ = ["Behaviour", "behaviour_of"]


@dataclass(frozen=True)
class Behaviour:
    """What the lines alone say of one line.

    Parameters
    ----------
    constant : int or None
        The level that it never leaves at the place where it fails.
    equal : tuple of str
        Lines never seen to differ from it there.
    perhaps : tuple of str
        The same, of lines that changed so seldom that it tells little.
    crossed : tuple of str
        Lines of the other place that it follows instead of its own.
    """

    constant: int | None = None
    equal: tuple[str, ...] = ()
    perhaps: tuple[str, ...] = ()
    crossed: tuple[str, ...] = ()


def behaviour_of(line: str, place: str, surveys: Mapping[str, PlaceSurvey]) -> Behaviour:
    """Say how a line behaves at the place where it fails.

    Parameters
    ----------
    line, place : str
    surveys : mapping of str to PlaceSurvey
        Every place.
    """
    here = surveys[place]
    if line not in here.index or not here.settled_rows:
        return Behaviour()
    level = here.settles(line)
    if level is not None:
        return Behaviour(constant=level)
    if here.changes(line) < LEAST_CHANGES:
        return Behaviour(perhaps=tuple(here.equal_to(line, 1)))
    return Behaviour(equal=tuple(here.equal_to(line)), crossed=here.crossed_with(line))
