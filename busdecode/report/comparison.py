"""A comparison as text for people and as one JSON object."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.report.tables import in_columns
from busdecode.units import format_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.compare import BitPhase, Comparison, Finding

__all__ = ["comparison_object", "comparison_text"]

_MOST_FINDINGS = 6


def comparison_text(result: Comparison, capture: str, log: str | None) -> str:
    """Write a comparison: the verdict, the line x phase table, the first failing cycles.

    Parameters
    ----------
    result : Comparison
    capture, log : str
        Names of the files, as the user gave them.
    """
    head = f"{capture} on {result.bus.name} at {' and '.join(result.places)}, "
    head += f"held against {log}" if log else "held against each other"
    rows = [head, ""]
    if result.cannot_tell:
        rows.append(result.cannot_tell[0].upper() + result.cannot_tell[1:] + ".")
    elif not result.findings:
        rows.append(f"Nothing found, {result.compared} beats compared.")
    if result.doubt:
        rows += [f"Read with doubt: {result.doubt}.", ""]
    for at, finding in enumerate(result.findings[:_MOST_FINDINGS]):
        if at == 1:
            rows += ["", "Also, and perhaps because of it:"]
        rows.append(("  " if at else "") + finding.sentence)
    more = len(result.findings) - _MOST_FINDINGS
    if more > 0:
        rows.append(f"  and {more} more; --json lists all")
    if result.table and result.findings:
        rows += ["", "Beats wrong / compared, by line and phase:", *_table(result)]
    if result.examples:
        rows += ["", "First failing cycles:", *_examples(result)]
    rows += ["", *_counts(result, log is not None)]
    if result.notes:
        rows += ["notes:", *(f"  {note}" for note in result.notes)]
    return "\n".join(rows) + "\n"


def _table(result: Comparison) -> list[str]:
    told = {line for finding in result.findings[:_MOST_FINDINGS] for line in finding.lines}
    rows = [row for row in result.table if row.line in told]
    left = len(result.table) - len(rows)
    cells = [["line", *result.columns], *([row.line, *map(_cell, row.cells)] for row in rows)]
    lines = [f"  {row}" for row in in_columns(cells)]
    if left:
        lines.append(f"  and {left} more lines with a wrong beat")
    return lines


def _cell(cell: tuple[int, int] | None) -> str:
    return "" if cell is None else f"{cell[0]}/{cell[1]}"


def _examples(result: Comparison) -> list[str]:
    digits = -(-result.bus.address_width // 4)
    rows = []
    for each in result.examples:
        row = (
            f"  cycle {each.cycle}"
            + (f" beat {each.beat}" if each.beat else "")
            + f" at {format_time(each.start)}: {each.op} 0x{each.address:0{digits}X}"
        )
        if each.meant:
            row += f", meant {each.meant}, seen {each.seen or 'nothing'}"
        elif each.seen:
            row += f", seen {each.seen}"
        if each.address_seen is not None:
            row += f", at 0x{each.address_seen:0{digits}X} on the lines"
        if each.log_line:
            row += f" (line {each.log_line} of the log)"
        rows.append(row)
    return rows


def _counts(result: Comparison, has_log: bool) -> list[str]:
    rows = [f"{result.beats} beats in the capture, {result.compared} compared"]
    if has_log:
        rows.append(
            f"{result.unmatched_log} logged transfers without a beat, "
            f"{result.unmatched_beats} beats of other traffic"
        )
        if result.ambiguous:
            rows.append(
                f"{result.ambiguous} logged transfers not compared: two beats fit them as well"
            )
    return rows


def comparison_object(result: Comparison, capture: str, log: str | None) -> dict[str, object]:
    """Give a comparison as the object that ``--json`` prints."""
    return {
        "bus": result.bus.name,
        "capture": capture,
        "log": log,
        "places": list(result.places),
        "beats": result.beats,
        "compared": result.compared,
        "unmatched_log": result.unmatched_log,
        "unmatched_beats": result.unmatched_beats,
        "ambiguous": result.ambiguous,
        "cannot_tell": result.cannot_tell,
        "doubt": result.doubt,
        "findings": [_finding(finding) for finding in result.findings],
        "columns": list(result.columns),
        "table": [_row(row, result.columns) for row in result.table],
        "examples": [
            {
                "cycle": each.cycle,
                "beat": each.beat,
                "start_ps": each.start,
                "op": each.op,
                "address": f"0x{each.address:0{-(-result.bus.address_width // 4)}X}",
                "address_seen": None
                if each.address_seen is None
                else f"0x{each.address_seen:0{-(-result.bus.address_width // 4)}X}",
                "meant": each.meant or None,
                "seen": each.seen or None,
                "log_line": each.log_line or None,
            }
            for each in result.examples
        ],
        "notes": list(result.notes),
    }


def _finding(finding: Finding) -> dict[str, object]:
    return {
        "lines": list(finding.lines),
        "phase": finding.phase,
        "path": finding.path,
        "wrong": finding.wrong,
        "compared": finding.compared,
        "condition": finding.condition,
        "determined": finding.is_determined,
        "sentence": finding.sentence,
        "places": list(finding.places),
        "twins": [list(pair) for pair in finding.twins],
    }


def _row(row: BitPhase, columns: Sequence[str]) -> dict[str, object]:
    cells = {
        column: None if cell is None else {"wrong": cell[0], "compared": cell[1]}
        for column, cell in zip(columns, row.cells, strict=True)
    }
    return {"line": row.line, "phases": cells}
