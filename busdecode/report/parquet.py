"""Cycle tables as a Parquet file, table by table as they are decoded."""

from __future__ import annotations

from typing import TYPE_CHECKING, BinaryIO

from busdecode.errors import RequestError

if TYPE_CHECKING:
    from types import TracebackType

    from busdecode.cycles import CycleTable

__all__ = ["ParquetRows"]


class ParquetRows:
    """Write the tables of one place as they come; columns and types of `CycleTable.as_frame`.

    Parameters
    ----------
    stream : binary file

    Raises
    ------
    RequestError
        If pyarrow is not installed.
    """

    def __init__(self, stream: BinaryIO) -> None:
        try:
            import pyarrow  # noqa: F401
        except ImportError as error:
            raise RequestError(
                "a Parquet file cannot be written without pyarrow",
                action="pip install 'busdecode[parquet]', or write CSV",
            ) from error
        self._stream = stream
        self._writer: object = None

    def __enter__(self) -> ParquetRows:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._writer is not None:
            self._writer.close()  # type: ignore[attr-defined]

    def write(self, table: CycleTable) -> None:
        """Append the rows of a table; one without rows still settles the columns."""
        import pyarrow
        from pyarrow import parquet

        if self._writer is not None and not len(table):
            return
        rows = pyarrow.Table.from_pandas(table.as_frame(), preserve_index=False)
        if self._writer is None:
            self._writer = parquet.ParquetWriter(self._stream, rows.schema)
        self._writer.write_table(rows)  # type: ignore[attr-defined]
