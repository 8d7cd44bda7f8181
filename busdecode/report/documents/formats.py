"""The formats in which tables are written; a new one is one row here and one module."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from busdecode.errors import RequestError, quoted
from busdecode.report.documents.as_csv import write_csv
from busdecode.report.documents.as_html import write_html
from busdecode.report.documents.as_json import write_json
from busdecode.report.documents.as_latex import write_latex
from busdecode.report.documents.as_markdown import write_markdown
from busdecode.report.documents.as_parquet import write_parquet

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from typing import TextIO

    from busdecode.report.documents.table import Table

__all__ = ["FORMATS", "Format", "format_of"]


class Format(NamedTuple):
    """A format: the endings of names that tell it, and what writes it."""

    suffixes: tuple[str, ...]
    write: Callable[[Table, TextIO], None]


FORMATS = {
    "csv": Format((".csv",), write_csv),
    "markdown": Format((".md", ".markdown"), write_markdown),
    "html": Format((".html", ".htm"), write_html),
    "latex": Format((".tex",), write_latex),
    "json": Format((".json",), write_json),
    "parquet": Format((".parquet",), write_parquet),
}
"""Every format by its name."""


def format_of(path: Path) -> str:
    """Tell the format by the ending of a file's name.

    Raises
    ------
    RequestError
        If it tells none.
    """
    ending = path.suffix.lower()
    for name, each in FORMATS.items():
        if ending in each.suffixes:
            return name
    raise RequestError(
        f"the ending {quoted(ending)} tells no format" if ending else "the name has no ending",
        path=path,
        expected="a name that ends in "
        + ", ".join(suffix for each in FORMATS.values() for suffix in each.suffixes),
        action=f"name the file so, or give --format {'|'.join(FORMATS)}",
    )
