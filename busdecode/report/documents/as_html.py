"""A table as a page of HTML: self-contained, without script, readable on paper and in grey."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, TextIO

from busdecode.report.documents.legible import legible
from busdecode.report.documents.table import shown

if TYPE_CHECKING:
    from busdecode.report.documents.table import Cell, Column, Table

__all__ = ["isolated", "page_head", "write_html"]

_STYLE = """\
body { margin: 2rem; font: 10pt/1.4 sans-serif; color: #000; background: #fff }
h1 { font-size: 1.3em; overflow-wrap: break-word }
h2 { font-size: 1.1em; margin-top: 2em }
table { border-collapse: collapse; font-family: monospace }
thead { display: table-header-group }
thead th { border-top: 2px solid #000; border-bottom: 2px solid #000 }
tbody tr { border-bottom: 1px solid #999; break-inside: avoid }
tbody tr:last-child { border-bottom: 2px solid #000 }
th, td { padding: .15em .6em; text-align: left; vertical-align: top; max-width: 40em;
  white-space: pre-wrap; overflow-wrap: break-word }
tbody th { font-weight: normal }
.right { text-align: right; white-space: nowrap }
.prose { font-family: sans-serif; min-width: 15em }
dt { font-family: monospace; font-weight: bold }
dd { margin: 0 0 .4em 2em }
li { overflow-wrap: break-word }
@page { size: landscape; margin: 12mm }
@media print { body { margin: 0; font-size: 8pt } }
"""

_HEAD = """\
<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width">
<title>{title}</title>
<style>
{style}</style>
</head>
<body>
<h1><bdi>{title}</bdi></h1>
"""


def page_head(title: str) -> str:
    """Give a page of HTML up to its heading; what follows is the body, and its end."""
    return _HEAD.format(title=escape(legible(title)), style=_STYLE)


def write_html(table: Table, stream: TextIO) -> None:
    """Write the page row by row: the table, what its columns mean, the notes.

    Text is isolated in `bdi`, so that writing from right to left does not turn what stands
    beside it. The first cell of each row is the head of the row.

    References
    ----------
    .. [1] HTML Living Standard, sections 4.9.10 (``scope``) and 4.5.24 (``bdi``): from memory.
    """
    heads = "".join(
        f'<th scope="col"{_class_of(column)}>{isolated(column.name)}</th>'
        for column in table.columns
    )
    stream.write(page_head(table.title))
    stream.write(f"<table>\n<thead>\n<tr>{heads}</tr>\n</thead>\n<tbody>\n")
    openings = [f"<td{_class_of(column)}>" for column in table.columns]
    openings[0] = f'<th scope="row"{_class_of(table.columns[0])}>'
    endings = ["</th>", *["</td>"] * (len(openings) - 1)]
    for row in table.rows:
        cells = zip(openings, map(_inner, row), endings, strict=True)
        stream.write(f"<tr>{''.join(part for cell in cells for part in cell)}</tr>\n")
    stream.write("</tbody>\n</table>\n<h2>Columns</h2>\n<dl>\n")
    for column in table.columns:
        stream.write(f"<dt>{isolated(column.name)}</dt><dd>{isolated(_meaning(column))}</dd>\n")
    stream.write("</dl>\n")
    if table.notes:
        stream.write("<h2>Notes</h2>\n<ul>\n")
        stream.writelines(f"<li>{isolated(note)}</li>\n" for note in table.notes)
        stream.write("</ul>\n")
    stream.write("</body>\n</html>\n")


def _class_of(column: Column) -> str:
    return "" if column.alignment == "left" else f' class="{column.alignment}"'


def isolated(text: str) -> str:
    """Write text so that nothing in it is markup, and its direction stays its own."""
    return f"<bdi>{escape(legible(text))}</bdi>"


def _inner(cell: Cell) -> str:
    return isolated(cell) if isinstance(cell, str) else shown(cell)


def _meaning(column: Column) -> str:
    text = column.meaning + (f", in {column.unit}" if column.unit else "")
    return text + (f"; empty {column.empty}" if column.empty else "")
