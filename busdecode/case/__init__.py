"""Takes one TOML file that names all pieces of a repair, gives what it says, checked."""

from __future__ import annotations

from busdecode.case.model import Case, CaseCapture, CaseLog, CaseNote, Measured
from busdecode.case.read import read_case

__all__ = ["Case", "CaseCapture", "CaseLog", "CaseNote", "Measured", "read_case"]
