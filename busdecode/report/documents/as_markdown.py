"""A table as Markdown: a heading, a pipe table, a list of notes."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, TextIO

from busdecode.report.documents.legible import legible
from busdecode.report.documents.table import shown

if TYPE_CHECKING:
    from busdecode.report.documents.table import Cell, Table

__all__ = ["plain_markdown", "write_markdown"]

# A pipe splits cells wherever it stands, and parsers differ on a backslash before one; so both are
# written as numbers.
_INERT = str.maketrans(
    {"\\": "&#92;", "|": "&#124;", "&": "&amp;", "<": "&lt;", ">": "&gt;"}
    | {mark: f"\\{mark}" for mark in "`*_[]!~$^{}#"}
)
_LINK = re.compile(r"(?<=:)/(?=/)|(?<=[wW]{3})\.")
_BLANK_ENDS = re.compile(r"^\s|\s$")
_OPENS_BLOCK = re.compile(r"^(?=[+=-])|^([0-9]+)(?=[.)])")


def plain_markdown(text: str) -> str:
    r"""Write text so that nothing in it is markup, and no address in it becomes a link.

    Examples
    --------
    >>> plain_markdown("a|b *c* <d>")
    'a&#124;b \\*c\\* &lt;d&gt;'
    """
    if text.isascii() and text.isalnum():
        return text
    text = legible(text).translate(_INERT)
    return _BLANK_ENDS.sub(_by_number, _LINK.sub(_by_number, text))


def _by_number(match: re.Match[str]) -> str:
    return f"&#{ord(match[0])};"


def write_markdown(table: Table, stream: TextIO) -> None:
    """Write the table row by row.

    References
    ----------
    .. [1] GitHub Flavored Markdown, section 4.10, tables (extension): header row, delimiter row
       with colons for alignment, pipes escaped wherever they stand.
    """
    if table.title:
        stream.write(f"# {plain_markdown(table.title)}\n\n")
    _write_row([plain_markdown(column.name) for column in table.columns], stream)
    _write_row(["--:" if each.alignment == "right" else "---" for each in table.columns], stream)
    for row in table.rows:
        _write_row([_written(cell) for cell in row], stream)
    if table.notes:
        stream.write("\n")
    for note in table.notes:
        # What stands first in a list item could open a block.
        text = _OPENS_BLOCK.sub(r"\1" + r"\\", plain_markdown(note))
        stream.write(f"- {text}\n")


def _write_row(cells: list[str], stream: TextIO) -> None:
    stream.write(f"| {' | '.join(cells)} |\n")


def _written(cell: Cell) -> str:
    return plain_markdown(cell) if isinstance(cell, str) else shown(cell)
