"""A replay to the rows of a document: one a limit, with what was measured."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.report.documents.table import Column, Table

if TYPE_CHECKING:
    from busdecode.report.documents.table import Cell
    from busdecode.timing import Replayed, Result

__all__ = ["replay_table"]

_UNMEASURED = "where nothing was measured"

_COLUMNS = (
    Column("limit", "string", "number or symbol of the limit in its source"),
    Column("name", "string", "what is between what", alignment="prose"),
    Column("source", "string", "section of the source"),
    Column("status", "string", "how the source was had; from memory can only warn"),
    Column("step", "bool", "whether it is a step of the handshake"),
    Column("min_ps", "int64", "least time allowed", "ps", "where there is none", "right"),
    Column("max_ps", "int64", "greatest time allowed", "ps", "where there is none", "right"),
    Column("checked", "int64", "beats held against it", alignment="right"),
    Column("met", "int64", "beats that meet it", alignment="right"),
    Column("cannot_tell", "int64", "beats too near to it to tell", alignment="right"),
    Column("broken", "int64", "beats that break it", alignment="right"),
    Column("never_came", "int64", "of these, beats in which its end never came", alignment="right"),
    Column("lowest_ps", "int64", "shortest time measured", "ps", _UNMEASURED, "right"),
    Column("median_ps", "int64", "median of the times measured", "ps", _UNMEASURED, "right"),
    Column("highest_ps", "int64", "longest time measured", "ps", _UNMEASURED, "right"),
    Column(
        "margin_ps", "int64", "least distance to the limit, negative outside", "ps",
        "where nothing was measured, or it has no figure", "right",
    ),
    Column("worst_cycle", "int64", "cycle of that margin", "", "as margin_ps", "right"),
    Column("worst_beat", "int64", "its beat", "", "as margin_ps", "right"),
    Column("uncertainty_ps", "int64", "by less is each time uncertain", "ps", "", "right"),
    Column("verdict", "string", "met, cannot tell, warning, broken, condition or not measured"),
    Column("not_measured", "string", "why not", empty="where it was measured", alignment="prose"),
)  # fmt: skip


def replay_table(replayed: Replayed, title: str) -> Table:
    """Make the table of a replay, a row a limit, in the description's order."""
    rows: list[tuple[Cell, ...]] = [
        (
            result.limit.number,
            result.limit.name,
            result.limit.source,
            result.limit.status,
            result.limit.is_step,
            result.least,
            result.most,
            result.checked,
            result.met,
            result.unsure,
            result.broken,
            result.missed,
            result.lowest,
            result.median,
            result.highest,
            None if result.worst is None else result.worst.margin,
            None if result.worst is None else result.worst.cycle,
            None if result.worst is None else result.worst.beat,
            result.uncertainty,
            _verdict(result),
            result.unmeasured,
        )
        for result in replayed.results
    ]
    return Table(title, _COLUMNS, rows, _told(replayed))


def _verdict(result: Result) -> str:
    if result.is_finding:
        return "broken"
    if result.is_warning:
        return "warning"
    if not result.checked:
        return "not measured"
    if result.limit.is_condition:
        return "condition"
    return "cannot tell" if result.unsure else "met"


def _told(replayed: Replayed) -> list[str]:
    notes = [
        f"grade {replayed.figures.grade_name}; {replayed.beats} beats looked at, "
        f"{replayed.cut_off} cut off"
    ]
    if replayed.cannot_tell is not None:
        notes.append(replayed.cannot_tell)
    for code in replayed.codes:
        notes.append(
            f"{code.what} {code.value} is no code of {replayed.figures.bus.name}: in {code.count} "
            f"beats, first in cycle {code.cycle}"
        )
    return [*notes, *dict.fromkeys(replayed.notes)]
