"""A table as LaTeX: a longtable to be taken into a document, or a small document of its own."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, TextIO

from busdecode.report.documents.legible import legible
from busdecode.report.documents.table import shown

if TYPE_CHECKING:
    from busdecode.report.documents.table import Cell, Table

__all__ = ["plain_latex", "write_latex", "write_latex_document"]

_INERT = str.maketrans(
    {
        "\\": r"\textbackslash{}",
        "^": r"\textasciicircum{}",
        "~": r"\textasciitilde{}",
        "`": r"\textasciigrave{}",
        "<": r"\textless{}",
        ">": r"\textgreater{}",
        "|": r"\textbar{}",
        '"': r"{\char34}",  # a bare one is a command in German and other languages
        "[": "{[}",  # after \\ and \item a bare one opens an argument, as * does
        "*": "{*}",
    }
    | {mark: f"\\{mark}" for mark in "{}$&#_%"}
)
_LIGATURE = re.compile(r"([-',])(?=\1)")
_BLANK = re.compile(r"^ |(?<= ) | $")
_LAYOUT = {"left": "l", "right": "r", "prose": r"p{0.35\linewidth}"}
_PREAMBLE = r"""\documentclass[a4paper,landscape]{article}
\usepackage[margin=15mm]{geometry}
\usepackage{longtable}
\begin{document}
"""


def plain_latex(text: str) -> str:
    r"""Write text so that nothing in it is a command, and no two characters become one.

    Examples
    --------
    >>> print(plain_latex("50 % of R_1, 0xFF--FF"))
    50 \% of R\_1, 0xFF-{}-FF
    """
    if text.isascii() and text.isalnum():
        return text
    text = _LIGATURE.sub(r"\1{}", legible(text).translate(_INERT))
    return _BLANK.sub(r"\\ ", text)


def write_latex(table: Table, stream: TextIO) -> None:
    """Write the table row by row; it needs the package longtable and no other.

    Three lines and no upright ones, as booktabs has it, drawn by what LaTeX itself has.
    """
    layout = "".join(_LAYOUT[column.alignment] for column in table.columns)
    heads = " & ".join(plain_latex(column.name) for column in table.columns)
    stream.write(
        "% needs \\usepackage{longtable}\n"
        "\\begingroup\\footnotesize\\setlength{\\tabcolsep}{4pt}\n"
        f"\\begin{{longtable}}{{{layout}}}\n"
    )
    if table.title:
        stream.write(f"\\caption{{{plain_latex(table.title)}}}\\\\\n")
    stream.write(f"\\hline\n{heads} \\\\\n\\hline\n\\endhead\n\\hline\n\\endfoot\n")
    for row in table.rows:
        stream.write(" & ".join(_written(cell) for cell in row) + " \\\\\n")
    stream.write("\\end{longtable}\n")
    if table.notes:
        stream.write("\\begin{itemize}\n")
        stream.writelines(f"\\item {plain_latex(note)}\n" for note in table.notes)
        stream.write("\\end{itemize}\n")
    stream.write("\\endgroup\n")


def write_latex_document(table: Table, stream: TextIO) -> None:
    """Write the same as a document that compiles by itself."""
    stream.write(_PREAMBLE)
    write_latex(table, stream)
    stream.write("\\end{document}\n")


def _written(cell: Cell) -> str:
    return plain_latex(cell) if isinstance(cell, str) else shown(cell)
