"""A table as CSV: RFC 4180, with text that no spreadsheet takes for a formula."""

from __future__ import annotations

import csv
import re
from typing import TYPE_CHECKING, TextIO

from busdecode.report.documents.legible import legible
from busdecode.report.documents.table import shown

if TYPE_CHECKING:
    from busdecode.report.documents.table import Cell, Table

__all__ = ["guarded", "write_csv"]

_FORMULA = re.compile("'*[=+\\-@\uff1d\uff0b\uff0d\uff20]")


def guarded(text: str) -> str:
    """Put an apostrophe before text that a spreadsheet would compute.

    Text that begins with apostrophes and then such a character gets one more, so that taking
    one away again gives back every text. A tab or an end of line never comes first: it is
    written by its number, see `legible`.

    References
    ----------
    .. [1] CWE-1236, potential mitigations: an apostrophe before ``= + - @``. Their wide forms
       were added from memory.

    Examples
    --------
    >>> guarded("=1+1"), guarded("'=1"), guarded("'quoted'"), guarded("0x10")
    ("'=1+1", "''=1", "'quoted'", '0x10')
    """
    text = legible(text)
    return f"'{text}" if _FORMULA.match(text) else text


def write_csv(table: Table, stream: TextIO) -> None:
    """Write header and rows; title and notes have no place in a CSV file.

    References
    ----------
    .. [1] RFC 4180, section 2: header line, CRLF at the end of each record, quotes doubled.
    """
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow([guarded(column.name) for column in table.columns])
    writer.writerows([_written(cell) for cell in row] for row in table.rows)


def _written(cell: Cell) -> str:
    return guarded(cell) if isinstance(cell, str) else shown(cell)
