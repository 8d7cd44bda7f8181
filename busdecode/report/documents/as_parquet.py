"""A table as Parquet, in groups of rows; title, meanings and notes are in its metadata."""

from __future__ import annotations

import json
from itertools import islice
from typing import TYPE_CHECKING, TextIO

from busdecode.errors import RequestError

if TYPE_CHECKING:
    from busdecode.report.documents.table import Table

__all__ = ["write_parquet"]

_GROUP = 1 << 16


def write_parquet(table: Table, stream: TextIO) -> None:
    """Write the rows through the binary side of a text file.

    Raises
    ------
    RequestError
        If pyarrow is not installed.
    """
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError as error:
        raise RequestError(
            "a Parquet file cannot be written without pyarrow",
            action="pip install 'busdecode[parquet]', or write JSON",
        ) from error

    types = {"int64": pyarrow.int64(), "string": pyarrow.string(), "bool": pyarrow.bool_()}
    schema = pyarrow.schema(
        [
            pyarrow.field(
                column.name,
                types[column.dtype],
                metadata={"meaning": column.meaning, "unit": column.unit, "empty": column.empty},
            )
            for column in table.columns
        ]
    )
    rows = iter(table.rows)
    with parquet.ParquetWriter(stream.buffer, schema) as writer:
        while group := list(islice(rows, _GROUP)):
            cells = zip(zip(*group, strict=True), schema, strict=True)
            columns = [pyarrow.array(column, field.type) for column, field in cells]
            writer.write_table(pyarrow.Table.from_arrays(columns, schema=schema))
        writer.add_key_value_metadata(
            {"title": json.dumps(table.title), "notes": json.dumps(table.notes)}
        )
