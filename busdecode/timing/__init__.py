"""Takes captures and a bus's limits, gives what was measured, and which limits are broken."""

from __future__ import annotations

from busdecode.timing.baseline import Baseline, Departure, departures, kept_baseline, read_baseline
from busdecode.timing.codes import Code
from busdecode.timing.figures import Figures, overridden
from busdecode.timing.judge import Measured, Outcome, Result
from busdecode.timing.replay import (
    Replay,
    Replayed,
    measured_beats,
    replay_capture,
    replay_file,
)

__all__ = [
    "Baseline",
    "Code",
    "Departure",
    "Figures",
    "Measured",
    "Outcome",
    "Replay",
    "Replayed",
    "Result",
    "departures",
    "kept_baseline",
    "measured_beats",
    "overridden",
    "read_baseline",
    "replay_capture",
    "replay_file",
]
