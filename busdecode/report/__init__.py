"""Takes results, gives text: tables for people, CSV and JSON for programs."""

from __future__ import annotations

from busdecode.report.comparison import comparison_object, comparison_text
from busdecode.report.tables import CycleText, beat_objects, csv_header, csv_rows, in_columns
from busdecode.report.tally import Tally

__all__ = [
    "CycleText",
    "Tally",
    "beat_objects",
    "comparison_object",
    "comparison_text",
    "csv_header",
    "csv_rows",
    "in_columns",
]
