"""Takes evidence and candidate faults, gives ranked causes and what to do next."""

from __future__ import annotations

from busdecode.diagnosis.bench import Bench, Standing, filled
from busdecode.diagnosis.blind import blind_spots
from busdecode.diagnosis.evidence import ReadBack, read_back
from busdecode.diagnosis.oddities import Oddities, Oddity, oddities_of
from busdecode.diagnosis.probing import Beep, Clip, Clips, lines_to_clip, pairs_to_beep
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
from busdecode.diagnosis.wording import path_of, sentence, sentences

__all__ = [
    "NOISE",
    "Beep",
    "Bench",
    "Clip",
    "Clips",
    "Group",
    "Judgement",
    "Oddities",
    "Oddity",
    "Outcomes",
    "ReadBack",
    "Scores",
    "Standing",
    "Step",
    "Together",
    "blind_spots",
    "count",
    "filled",
    "joined",
    "judge",
    "lines_to_clip",
    "next_steps",
    "oddities_of",
    "pairs_to_beep",
    "path_of",
    "reached_window",
    "read_back",
    "score",
    "sentence",
    "sentences",
    "shares",
    "steps_of",
    "together",
]
