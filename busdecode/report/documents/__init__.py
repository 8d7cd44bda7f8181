"""Takes tables, comparisons and replays, gives service documents in six formats."""

from __future__ import annotations

from busdecode.report.documents.as_html import isolated, page_head
from busdecode.report.documents.as_latex import write_latex_document
from busdecode.report.documents.comparison_rows import comparison_table, findings_table
from busdecode.report.documents.cycle_rows import Shown, cycle_table
from busdecode.report.documents.formats import FORMATS, Format, format_of
from busdecode.report.documents.legible import legible, restored
from busdecode.report.documents.names import RegisterNames, read_names
from busdecode.report.documents.replay_rows import replay_table
from busdecode.report.documents.table import Cell, Column, Table

__all__ = [
    "FORMATS",
    "Cell",
    "Column",
    "Format",
    "RegisterNames",
    "Shown",
    "Table",
    "comparison_table",
    "cycle_table",
    "findings_table",
    "format_of",
    "isolated",
    "legible",
    "page_head",
    "read_names",
    "replay_table",
    "restored",
    "write_latex_document",
]
