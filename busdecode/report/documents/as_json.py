"""A table as one JSON object."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from busdecode.report.documents.table import Table

__all__ = ["write_json"]


def write_json(table: Table, stream: TextIO) -> None:
    """Write title, columns, rows (an object each) and notes, in this order, row by row."""
    columns = [
        {key: value for key, value in asdict(column).items() if key != "alignment"}
        for column in table.columns
    ]
    stream.write(
        f'{{"title": {json.dumps(table.title)}, "columns": {json.dumps(columns)}, "rows": ['
    )
    names = [column.name for column in table.columns]
    between = "\n"
    for row in table.rows:
        stream.write(between + json.dumps(dict(zip(names, row, strict=True))))
        between = ",\n"
    stream.write(f'\n], "notes": {json.dumps(table.notes)}}}\n')
