"""Takes a bus, transfers and candidate faults, gives what each read returns with each of them."""

from __future__ import annotations

from busdecode.predict.candidates import candidates, lines_of
from busdecode.predict.model import Model
from busdecode.predict.returns import Foreteller, Foretold
from busdecode.predict.rows import FaultRows

__all__ = ["FaultRows", "Foreteller", "Foretold", "Model", "candidates", "lines_of"]
