"""takes a table of cells in any dialect (CSV), gives its rows."""

from __future__ import annotations

from busdecode.capture.tables.file import CsvFile, open_csv, sniff_csv

__all__ = ["CsvFile", "open_csv", "sniff_csv"]
