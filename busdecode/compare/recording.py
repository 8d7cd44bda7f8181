"""What the comparison has of a capture: the places, one cycle table, and the rows to look at."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busdecode.compare.predict import SeenBeats
from busdecode.compare.survey import Surveyor
from busdecode.compare.view import view_place

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from busdecode.compare.predict import BeatLines
    from busdecode.compare.survey import PlaceSurvey
    from busdecode.compare.view import PlaceView
    from busdecode.cycles import CycleTable, DecodedPlace

    Ints = NDArray[np.int64]

__all__ = ["Looked", "Place", "Recording", "WholeRecording"]


@dataclass(frozen=True)
class Place:
    """One place of a capture.

    Parameters
    ----------
    lines : tuple of str
        Those that were captured there, by the bus's names.
    resolution, skew : int, ps
        Of the capture, and the largest channel skew told for this place.
    notes : tuple of str
    borrowed : frozenset of str
        Lines that were probed at another place only, and are taken to be alike here.
    """

    lines: tuple[str, ...]
    resolution: int
    skew: int
    notes: tuple[str, ...]
    borrowed: frozenset[str] = frozenset()


@dataclass(frozen=True, eq=False)
class Looked:
    """Rows that show some beats.

    Parameters
    ----------
    views : mapping of str to PlaceView
        Every place with rows.
    card : BeatLines
        What the card's place showed in the beats that were asked for; or the only place.
    """

    views: Mapping[str, PlaceView]
    card: BeatLines


class Recording(ABC):
    """A capture of which the cycles are known.

    Attributes
    ----------
    places : mapping of str to Place
        Every place that was probed, the first being the one whose cycle table counts.
    table : CycleTable
    surveys : mapping of str to PlaceSurvey
        What all rows of each place show together.
    notes : tuple of str
        How the rows come to be looked at, where that matters.
    """

    places: Mapping[str, Place]
    table: CycleTable
    surveys: Mapping[str, PlaceSurvey]
    notes: tuple[str, ...] = ()

    @abstractmethod
    def look(self, beats: Ints, told: Ints) -> Looked:
        """Give the rows that show some beats of the table.

        Parameters
        ----------
        beats : ndarray of int64
            Rows of the table that will be looked at in every way.
        told : ndarray of int64
            Rows of the table of which the card's lines are asked.
        """


class WholeRecording(Recording):
    """A capture in memory, decoded at each place.

    Parameters
    ----------
    places : mapping of str to DecodedPlace

    Attributes
    ----------
    decoded : mapping of str to DecodedPlace
    """

    def __init__(self, places: Mapping[str, DecodedPlace]) -> None:
        self.decoded = places
        self.places = {
            name: Place(
                each.capture.lines, each.capture.resolution, each.skew, each.notes, each.borrowed
            )
            for name, each in places.items()
        }
        first = next(iter(places.values()))
        self.table = first.table
        surveyor = Surveyor(first.bus, self.places)
        self.surveys = surveyor.finish({name: each.capture for name, each in places.items()})

    def look(self, beats: Ints, told: Ints) -> Looked:
        """Give all rows."""
        views = {name: view_place(each) for name, each in self.decoded.items() if len(each.capture)}
        return Looked(views, SeenBeats(card_of(views), self.table))


def card_of(views: Mapping[str, PlaceView]) -> PlaceView:
    """Give the card's view where it was probed, and else the first."""
    return views.get("card", next(iter(views.values())))
