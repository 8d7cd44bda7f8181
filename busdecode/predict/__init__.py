"""Takes a bus, transfers and candidate faults, gives what reads return and lines show with each."""

from __future__ import annotations

from busdecode.predict.candidates import candidates, lines_of
from busdecode.predict.lines import LineForeteller
from busdecode.predict.model import Model
from busdecode.predict.returns import Foreteller, Foretold
from busdecode.predict.rows import FaultRows

__all__ = [
    "FaultRows",
    "Foreteller",
    "Foretold",
    "LineForeteller",
    "Model",
    "candidates",
    "lines_of",
]
