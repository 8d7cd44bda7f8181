"""Takes a line of a CSV table, gives its cells."""

from __future__ import annotations

import csv
import re
from typing import TYPE_CHECKING

from busdecode.errors import RequestError, quoted

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["BLANK", "SEPARATORS", "separator_called", "split_header", "split_rows"]

SEPARATORS = (",", ";", "\t", "|")
"""What is looked for first; blanks are taken only where none of these makes a table."""

BLANK = " "
"""Stands for blanks of any number."""

_CALLED = {
    "comma": ",", "semicolon": ";", "tab": "\t", r"\t": "\t", "blank": BLANK, "blanks": BLANK,
    "space": BLANK,
}  # fmt: skip
_UNIT_APART = re.compile(r"\s+(?=[(\[<])")


def separator_called(told: str) -> str:
    r"""Give the separator that the user named.

    Raises
    ------
    RequestError
        If it is none.

    Examples
    --------
    >>> separator_called("tab"), separator_called("!")
    ('\t', '!')
    """
    separator = _CALLED.get(told.lower(), told)
    if len(separator) != 1 or separator.isalnum() or separator in "+-.'\"#$()[]\r\n\0":
        raise RequestError(
            f"the separator must be one character that stands in no cell, not {quoted(told)}",
            action="give comma, semicolon, tab, blank, or the character itself",
        )
    return separator


def split_rows(rows: Iterable[str], separator: str, *, strict: bool) -> list[list[str]]:
    """Split lines into cells; quotes around a cell are taken off.

    Raises
    ------
    csv.Error
        If quotes do not fit and `strict` is set.
    """
    if separator == BLANK:
        rows = (row.strip() for row in rows)
    return list(csv.reader(rows, delimiter=separator, skipinitialspace=True, strict=strict))


def split_header(line: str, separator: str) -> list[str]:
    """Split one line, without blanks around its cells.

    Between blanks, what begins with a bracket belongs to the word before: ``Time (ns)``.
    """
    if separator == BLANK:
        line = _UNIT_APART.sub("", line.strip())
    return [cell.strip() for row in split_rows([line], separator, strict=False) for cell in row]
