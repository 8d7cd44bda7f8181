"""A comparison to the rows of a document: lines by phase, or the findings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.report.documents.table import Column, Table

if TYPE_CHECKING:
    from busdecode.compare import Comparison
    from busdecode.report.documents.table import Cell

__all__ = ["comparison_table", "findings_table"]

_NUMBER = Column(
    "finding", "int64", "number of the finding, from 1, most telling first", alignment="right"
)
_WRONG = Column("wrong", "int64", "beats in which it was wrong", alignment="right")
_COMPARED = Column("compared", "int64", "beats in which it was compared", alignment="right")

_BY_LINE = (
    Column("line", "string", "line of the bus that was wrong in at least one beat"),
    Column("phase", "string", "phase or moment of the cycle, or read back"),
    _WRONG,
    _COMPARED,
    Column(
        "finding",
        "int64",
        "number of the first finding that names the line, from 1",
        empty="where no finding names it",
        alignment="right",
    ),
)
_FINDINGS = (
    _NUMBER,
    Column("lines", "string", "lines that fail, with blanks between"),
    Column(
        "twins",
        "string",
        "other lines that the evidence cannot tell from these; sets with commas between",
        empty="where there are none",
    ),
    Column("phase", "string", "phase in which it shows first"),
    Column("path", "string", "write, read, address, control or another way that data goes"),
    Column("places", "string", "where it shows, with blanks between", empty="where not told"),
    _WRONG,
    _COMPARED,
    Column("condition", "string", "for which values it happens", empty="where none was found"),
    Column("determined", "bool", "whether the lines tell why"),
    Column("sentence", "string", "the finding in words", alignment="prose"),
)


def comparison_table(result: Comparison, title: str) -> Table:
    """Make the table of a service note: a row a line that fails and phase in which it was compared.

    The findings are its notes, by number.
    """
    first: dict[str, int] = {}
    for number, finding in enumerate(result.findings, 1):
        for line in finding.lines:
            first.setdefault(line, number)
    rows: list[tuple[Cell, ...]] = [
        (row.line, phase, *cell, first.get(row.line))
        for row in result.table
        for phase, cell in zip(result.columns, row.cells, strict=True)
        if cell is not None
    ]
    found = [
        f"finding {number}: {finding.sentence}" for number, finding in enumerate(result.findings, 1)
    ]
    return Table(title, _BY_LINE, rows, [*found, *_told(result)])


def findings_table(result: Comparison, title: str) -> Table:
    """Make the table of findings, a row each."""
    rows: list[tuple[Cell, ...]] = [
        (
            number,
            " ".join(each.lines),
            ", ".join(" ".join(twin) for twin in each.twins) or None,
            each.phase or None,
            each.path or None,
            " ".join(each.places) or None,
            each.wrong,
            each.compared,
            each.condition,
            each.is_determined,
            each.sentence,
        )
        for number, each in enumerate(result.findings, 1)
    ]
    return Table(title, _FINDINGS, rows, _told(result))


def _told(result: Comparison) -> list[str]:
    notes = []
    if result.cannot_tell:
        notes.append(result.cannot_tell)
    elif not result.findings:
        notes.append(f"nothing found, {result.compared} beats compared")
    if result.doubt:
        notes.append(f"read with doubt: {result.doubt}")
    notes.append(
        f"{result.beats} beats in the capture, {result.compared} compared, "
        f"{result.unmatched_beats} of other traffic"
    )
    if result.unmatched_log:
        notes.append(f"{result.unmatched_log} logged transfers without a beat")
    if result.ambiguous:
        notes.append(
            f"{result.ambiguous} logged transfers not compared: two beats fit them as well"
        )
    return [*notes, *result.notes]
