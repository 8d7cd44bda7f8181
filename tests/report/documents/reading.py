"""Documents read back by readers that are not ours: titles, rows and notes as plain text.

Each reader also sees to it that the document holds no construct but those of the table: what came
from a file must not have become markup.
"""

from __future__ import annotations

import io
import json
import re
from dataclasses import dataclass
from html.parser import HTMLParser
from typing import TYPE_CHECKING

import pandas as pd
from markdown_it import MarkdownIt
from pyarrow import parquet
from pylatexenc.latexwalker import (
    LatexCharsNode,
    LatexCommentNode,
    LatexEnvironmentNode,
    LatexGroupNode,
    LatexMacroNode,
    LatexSpecialsNode,
    LatexWalker,
)

from busdecode.report.documents import FORMATS, restored

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from busdecode.report.documents import Table

__all__ = ["READERS", "Document", "shown", "written"]


@dataclass(frozen=True)
class Document:
    """What stands in a document; None for what the format has no place for."""

    title: str | None
    columns: list[str]
    rows: list[list[str]]
    notes: list[str] | None


def written(table: Table, form: str) -> bytes:
    """Write a table; give the bytes of the file."""
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="utf-8", newline="")
    FORMATS[form].write(table, stream)
    stream.flush()
    content = raw.getvalue()
    stream.detach()
    return content


def shown(table: Table) -> Document:
    """Give a table as what a reader should find: all cells as text."""
    words = {True: "true", False: "false", None: ""}
    rows = [
        [words[cell] if cell is None or isinstance(cell, bool) else str(cell) for cell in row]
        for row in table.rows
    ]
    return Document(table.title, [column.name for column in table.columns], rows, table.notes)


def from_csv(raw: bytes) -> Document:
    """Read with pandas, and take the guard off as docs/exporting.md says."""
    frame = pd.read_csv(io.BytesIO(raw), dtype=str, keep_default_na=False, header=None)
    rows = [[unguarded(cell) for cell in row] for row in frame.to_numpy().tolist()]
    return Document(None, rows[0], rows[1:], None)


def unguarded(cell: str) -> str:
    """Take off the guard of a cell of text, then read the numbers of unseen characters."""
    return restored(re.sub("^'(?='*[=+\\-@\uff1d\uff0b\uff0d\uff20])", "", cell))


def from_markdown(raw: bytes) -> Document:
    """Read with markdown-it, tables and strikethrough on; only plain text may be in it."""
    parser = MarkdownIt("commonmark").enable(["table", "strikethrough"])
    title, cells, notes, block = "", [], [], ""
    for token in parser.parse(raw.decode("utf-8")):
        if token.type == "inline":
            assert token.children is not None
            assert all(child.type == "text" for child in token.children), token.content
            text = restored("".join(child.content for child in token.children))
            if block in ("th_open", "td_open"):
                cells[-1].append(text)
            elif block == "heading_open":
                title = text
            else:
                notes.append(text)
            continue
        kinds = "heading table thead tbody tr th td bullet_list list_item paragraph"
        assert re.fullmatch(f"({'|'.join(kinds.split())})_(open|close)", token.type)
        block = token.type
        if token.type == "tr_open":
            cells.append([])
    return Document(title, cells[0], cells[1:], notes)


class _Page(HTMLParser):
    TAGS = frozenset(
        (
            *("html", "head", "meta", "title", "style", "body", "h1", "h2", "bdi"),
            *("table", "thead", "tbody", "tr", "th", "td", "dl", "dt", "dd", "ul", "li"),
        )
    )

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: dict[str, list[str]] = {}
        self.rows: list[list[str]] = []
        self.attributes: set[tuple[str, str, str | None]] = set()
        self.within: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in self.TAGS
        self.attributes |= {(tag, *each) for each in attrs}
        if tag == "meta":
            return
        if tag == "tr":
            self.rows.append([])
        elif tag in ("th", "td"):
            self.rows[-1].append("")
        elif tag != "bdi":
            self.found.setdefault(tag, []).append("")
        self.within.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.within.pop() == tag

    def handle_data(self, data: str) -> None:
        inner = [tag for tag in self.within if tag != "bdi"][-1:]
        if inner and inner[0] in ("th", "td"):
            self.rows[-1][-1] += data
        elif inner and inner[0] in self.found:
            self.found[inner[0]][-1] += data

    def handle_comment(self, data: str) -> None:
        raise AssertionError(data)

    def handle_pi(self, data: str) -> None:
        raise AssertionError(data)


def page_of(raw: bytes) -> _Page:
    """Parse a page of HTML."""
    page = _Page()
    page.feed(raw.decode("utf-8"))
    page.close()
    assert page.within == []
    return page


def from_html(raw: bytes) -> Document:
    """Read with html.parser; only the tags of the page may be in it, each closed."""
    page = page_of(raw)
    rows = [[restored(cell) for cell in row] for row in page.rows]
    assert page.found["title"] == page.found["h1"]
    notes = [restored(note) for note in page.found.get("li", [])]
    return Document(restored(page.found["h1"][0]), rows[0], rows[1:], notes)


_LETTERS = {
    "textbackslash": "\\",
    "textasciicircum": "^",
    "textasciitilde": "~",
    "textasciigrave": "`",
    "textless": "<",
    "textgreater": ">",
    "textbar": "|",
    " ": "\0",  # a blank that LaTeX does not drop
} | {mark: mark for mark in "{}$&#_%"}
_CELL, _ROW, _ITEM, _LINE = "\1", "\2", "\3", "\4"


def _flat(nodes: Sequence[object]) -> str:
    text = ""
    for node in nodes:
        if isinstance(node, LatexCharsNode):
            text += node.chars
        elif isinstance(node, LatexGroupNode):
            inner = node.nodelist
            if inner and isinstance(inner[0], LatexMacroNode) and inner[0].macroname == "char":
                text += chr(int(inner[1].chars))
            else:
                text += _flat(inner)
        elif isinstance(node, LatexSpecialsNode):
            assert node.specials_chars == "&", node.specials_chars
            text += _CELL
        elif isinstance(node, LatexMacroNode):
            arguments = node.nodeargd.argnlist if node.nodeargd else []
            assert not any(arguments), node
            marks = {"\\": _ROW, "item": _ITEM, "hline": _LINE, "endhead": "", "endfoot": ""}
            text += (marks | _LETTERS)[node.macroname] + node.macro_post_space
        else:
            assert isinstance(node, LatexEnvironmentNode), node
            raise AssertionError(node.environmentname)
    return text


def _words(text: str) -> str:
    """Drop the blanks that LaTeX drops."""
    return restored(re.sub(r"[ \n]+", " ", text).strip(" ").replace("\0", " "))


def from_latex(raw: bytes) -> Document:
    """Read with pylatexenc; only the table, its rules and the list of notes may be in it."""
    nodes, _, _ = LatexWalker(raw.decode("utf-8"), tolerant_parsing=False).get_latex_nodes()
    inside = [node for node in nodes if isinstance(node, LatexEnvironmentNode)]
    assert [node.environmentname for node in inside] in (["longtable"], ["longtable", "itemize"])
    assert isinstance(nodes[0], LatexCommentNode)
    body = inside[0].nodelist
    caption = [getattr(node, "macroname", "") for node in body].index("caption")
    title = _words(_flat(body[caption + 1 : caption + 2]))
    first = next(at for at, node in enumerate(body) if getattr(node, "macroname", "") == "hline")
    text = _flat(body[first:])
    assert text.count(_LINE) == 3
    _, heads, ending, rows = text.split(_LINE)
    assert not ending.strip()
    tables = [
        [[_words(cell) for cell in row.split(_CELL)] for row in part.split(_ROW)[:-1]]
        for part in (heads, rows)
    ]
    items = _flat(inside[1].nodelist).split(_ITEM)[1:] if len(inside) > 1 else []
    return Document(title, tables[0][0], tables[1], [_words(item) for item in items])


def from_json(raw: bytes) -> Document:
    """Read the object; types are those of the columns."""
    told = json.loads(raw)
    assert list(told) == ["title", "columns", "rows", "notes"]
    names = [column["name"] for column in told["columns"]]
    types = {"int64": int, "string": str, "bool": bool}
    for row in told["rows"]:
        assert list(row) == names
        for column in told["columns"]:
            cell = row[column["name"]]
            assert cell is None or type(cell) is types[column["dtype"]]
    rows = [[_plain(cell) for cell in row.values()] for row in told["rows"]]
    return Document(told["title"], names, rows, told["notes"])


def from_parquet(raw: bytes) -> Document:
    """Read with pyarrow; title and notes from the metadata."""
    table = parquet.read_table(io.BytesIO(raw))
    metadata = parquet.ParquetFile(io.BytesIO(raw)).metadata.metadata
    rows = [[_plain(cell) for cell in row.values()] for row in table.to_pylist()]
    title, notes = json.loads(metadata[b"title"]), json.loads(metadata[b"notes"])
    return Document(title, table.column_names, rows, notes)


def _plain(cell: object) -> str:
    return str(cell).lower() if isinstance(cell, bool) else "" if cell is None else str(cell)


READERS: dict[str, Callable[[bytes], Document]] = {
    "csv": from_csv,
    "markdown": from_markdown,
    "html": from_html,
    "latex": from_latex,
    "json": from_json,
    "parquet": from_parquet,
}
