"""Takes evidence and candidate faults, gives ranked causes and what to do next."""

from __future__ import annotations

from busdecode.diagnosis.beeped import Beeped, beeped
from busdecode.diagnosis.bench import Bench, Standing, filled
from busdecode.diagnosis.blind import blind_spots, unseen_by
from busdecode.diagnosis.evidence import Evidence, ReadBack, read_back
from busdecode.diagnosis.gathered import Gathered, NamedCapture, NamedLog, gather
from busdecode.diagnosis.measure import Measure, next_measures
from busdecode.diagnosis.oddities import Oddities, Oddity, oddities_of
from busdecode.diagnosis.probing import (
    Beep,
    Clip,
    Clips,
    lines_to_clip,
    pairs_to_beep,
    telling_points,
)
from busdecode.diagnosis.score import NOISE, Scores, count, score, shares
from busdecode.diagnosis.steps import (
    Outcomes,
    Step,
    next_steps,
    reached_window,
    steps_of,
)
from busdecode.diagnosis.together import Together, joined, together
from busdecode.diagnosis.verdict import Group, Judgement, judge
from busdecode.diagnosis.whole import Fares, diagnose, fares, pieces_of
from busdecode.diagnosis.wording import path_of, sentence, sentences

__all__ = [
    "NOISE",
    "Beep",
    "Beeped",
    "Bench",
    "Clip",
    "Clips",
    "Evidence",
    "Fares",
    "Gathered",
    "Group",
    "Judgement",
    "Measure",
    "NamedCapture",
    "NamedLog",
    "Oddities",
    "Oddity",
    "Outcomes",
    "ReadBack",
    "Scores",
    "Standing",
    "Step",
    "Together",
    "beeped",
    "blind_spots",
    "count",
    "diagnose",
    "fares",
    "filled",
    "gather",
    "joined",
    "judge",
    "lines_to_clip",
    "next_measures",
    "next_steps",
    "oddities_of",
    "pairs_to_beep",
    "path_of",
    "pieces_of",
    "reached_window",
    "read_back",
    "score",
    "sentence",
    "sentences",
    "shares",
    "steps_of",
    "telling_points",
    "together",
    "unseen_by",
]
