"""Takes results, gives text: tables for people, CSV and JSON for programs."""

from __future__ import annotations

from busdecode.report.comparison import comparison_object, comparison_text
from busdecode.report.parquet import ParquetRows
from busdecode.report.tables import (
    CycleText,
    csv_header,
    csv_rows,
    in_columns,
    operand_csv,
    operand_text,
    row_objects,
)
from busdecode.report.tally import Tally

__all__ = [
    "CycleText",
    "ParquetRows",
    "Tally",
    "comparison_object",
    "comparison_text",
    "csv_header",
    "csv_rows",
    "in_columns",
    "operand_csv",
    "operand_text",
    "row_objects",
]
