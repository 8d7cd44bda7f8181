"""Takes results, gives text: tables for people, CSV and JSON for programs.

Documents, figures and the handbook stand in packages and modules of their own; they are imported
from there, so that who only lists cycles need not wait for them.
"""

from __future__ import annotations

from busdecode.report.comparison import comparison_object, comparison_text
from busdecode.report.description import bus_list_text, bus_object, bus_summary, bus_text
from busdecode.report.diagnosis import Diagnosis, diagnosis_object, diagnosis_text
from busdecode.report.histograms import draw_histograms
from busdecode.report.limits import bound_text, limit_rows
from busdecode.report.parquet import ParquetRows
from busdecode.report.pictures import check_matplotlib, picture_form
from busdecode.report.readback import (
    access_text,
    readback_object,
    readback_text,
    standing_text,
)
from busdecode.report.replay import (
    bounds_text,
    histogram_text,
    replay_object,
    replay_text,
)
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
    "Diagnosis",
    "ParquetRows",
    "Tally",
    "access_text",
    "bound_text",
    "bounds_text",
    "bus_list_text",
    "bus_object",
    "bus_summary",
    "bus_text",
    "check_matplotlib",
    "comparison_object",
    "comparison_text",
    "csv_header",
    "csv_rows",
    "diagnosis_object",
    "diagnosis_text",
    "draw_histograms",
    "histogram_text",
    "in_columns",
    "limit_rows",
    "operand_csv",
    "operand_text",
    "picture_form",
    "readback_object",
    "readback_text",
    "replay_object",
    "replay_text",
    "row_objects",
    "standing_text",
]
