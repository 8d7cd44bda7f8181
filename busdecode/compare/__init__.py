"""Takes cycle tables and an access log, gives the bit x phase table and what was found."""

from __future__ import annotations

from busdecode.compare.align import Alignment, align
from busdecode.compare.between import observe_places
from busdecode.compare.comparison import Comparison, compare, doubt_of, matched
from busdecode.compare.meant import Meant
from busdecode.compare.observe import standing_windows
from busdecode.compare.pairs import Pairs
from busdecode.compare.parting import Clue, Parting, parting_of
from busdecode.compare.passes import compare_file, read_recording
from busdecode.compare.recording import Place, Recording, WholeRecording
from busdecode.compare.records import records_of
from busdecode.compare.survey import PlaceSurvey
from busdecode.compare.tabulate import BitPhase, Example
from busdecode.compare.told import address_told
from busdecode.compare.verdict import Finding
from busdecode.compare.view import PlaceView

__all__ = [
    "Alignment",
    "BitPhase",
    "Clue",
    "Comparison",
    "Example",
    "Finding",
    "Meant",
    "Pairs",
    "Parting",
    "Place",
    "PlaceSurvey",
    "PlaceView",
    "Recording",
    "WholeRecording",
    "address_told",
    "align",
    "compare",
    "compare_file",
    "doubt_of",
    "matched",
    "observe_places",
    "parting_of",
    "read_recording",
    "records_of",
    "standing_windows",
]
