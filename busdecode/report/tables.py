"""Cycle tables as text, table by table as they are decoded: aligned, CSV, and for JSON.

Every function here takes text by columns: what `CycleTable.text_columns` gives, or `operands`.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from busdecode.protocol import Bus

    Columns = Mapping[str, Sequence[str]]

__all__ = [
    "CycleText",
    "csv_header",
    "csv_rows",
    "in_columns",
    "operand_csv",
    "operand_text",
    "row_objects",
]

_SHOWN = (
    "cycle",
    "beat",
    "start",
    "took",
    "kind",
    "address",
    "lanes",
    "data",
    "ended",
    "remarks",
)
_TO_THE_RIGHT = frozenset({"cycle", "beat", "start", "took"})
_WHOLE = frozenset({"cycle", "beat", "asked", "operand", "first_cycle", "beats", "size"})
_FLAGS = frozenset({"rmw", "unsure", "whole"})


def in_columns(rows: Sequence[Sequence[str]], *, gap: int = 2) -> list[str]:
    """Align rows of cells to the left; no blanks at the ends of lines.

    Examples
    --------
    >>> in_columns([("AS", "strobe"), ("DTACK", "acknowledge")])
    ['AS     strobe', 'DTACK  acknowledge']
    """
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    between = " " * gap
    return [
        between.join(f"{cell:{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]


def _nanoseconds(ps: str) -> str:
    return f"{Decimal(ps) / 1000:f} ns" if ps[-3:] != "000" else f"{ps[:-3]} ns"


class CycleText:
    """Write the tables of one place for people, in the order in which they are decoded.

    Times are in ns all down the column. Columns are as wide as the bus can make them, and
    wider from where a table needs it. A bus without address lines has no column for addresses.

    Parameters
    ----------
    bus : Bus
    """

    def __init__(self, bus: Bus) -> None:
        kinds = max(len(kind.name) for kind in bus.kinds)
        least = {
            "start": 12,
            "took": 9,
            "kind": kinds,
            "address": 2 - (-bus.address_width // 4),
            "lanes": bus.lane_count,
            "data": 2 - (-len(bus.data) // 4),
            "ended": len("acknowledged"),
        }
        self._shown = [name for name in _SHOWN if name != "address" or bus.address]
        self._widths = [max(len(name), least.get(name, 0)) for name in self._shown]
        self._has_header = False

    def rows(self, text: Columns) -> str:
        """Give the table's rows as lines, under a header where these are the first."""
        if not len(text["cycle"]):
            return ""
        spans = zip(text["start_ps"], text["end_ps"], strict=True)
        took = [str(int(end) - int(start)) for start, end in spans]
        is_cut = [ended == "cut-off" for ended in text["ended"]]
        cells = {
            "cycle": list(text["cycle"]),
            "beat": list(text["beat"]),
            "start": [_nanoseconds(ps) for ps in text["start_ps"]],
            "took": [_nanoseconds(ps) for ps in took],
            "kind": _with_doubt(text["kind"], is_cut),
            "address": _with_doubt(text["address"], is_cut),
            "lanes": list(text["lanes"]),
            "data": list(text["data"]),
            "ended": [ended or "?" for ended in text["ended"]],
            "remarks": _remarks(text),
        }
        columns = [cells[name] for name in self._shown]
        self._widths = [
            max(width, *map(len, column))
            for width, column in zip(self._widths, columns, strict=True)
        ]
        lines = [self._line(row) for row in zip(*columns, strict=True)]
        if not self._has_header:
            self._has_header = True
            lines.insert(0, self._line(self._shown))
        return "\n".join(lines) + "\n"

    def _line(self, cells: Sequence[str]) -> str:
        return "  ".join(
            cell.rjust(width) if name in _TO_THE_RIGHT else cell.ljust(width)
            for name, cell, width in zip(self._shown, cells, self._widths, strict=True)
        ).rstrip()


def _with_doubt(cells: Sequence[str], is_cut: Sequence[bool]) -> list[str]:
    """Put ? where nothing is known, but for cut-off rows, whose ending tells why."""
    return [cell or ("" if cut else "?") for cell, cut in zip(cells, is_cut, strict=True)]


def _remarks(text: Columns) -> list[str]:
    return [
        " ".join(name for name, cell in (("rmw", rmw), ("unsure", unsure)) if cell == "true")
        for rmw, unsure in zip(text["rmw"], text["unsure"], strict=True)
    ]


def csv_header(bus: Bus) -> str:
    """Give the header line of the CSV of a bus's cycle table.

    Examples
    --------
    >>> from busdecode.protocol import load_bus
    >>> csv_header(load_bus("z80"))[:44]
    'cycle,beat,start_ps,end_ps,kind,address,lane'
    """
    from busdecode.cycles import concatenate

    return ",".join(concatenate(bus, []).text_columns()) + "\n"


def csv_rows(text: Columns) -> str:
    """Give the table's rows as CSV without a header; what is missing is empty."""
    rows = zip(*(text[name] for name in text), strict=True)
    return "".join([",".join(row) + "\n" for row in rows])


def row_objects(text: Columns) -> list[dict[str, object]]:
    """Give each row as an object for JSON.

    Counts and moments are integers, address and data text as in the CSV (a digit of them may
    be unknown), what is missing is None.
    """
    columns: list[list[object]] = []
    for name in text:
        cells = list(text[name])
        if name in _FLAGS:
            columns.append([cell == "true" for cell in cells])
        elif name in _WHOLE or name.endswith("_ps"):
            columns.append([int(cell) if cell else None for cell in cells])
        else:
            columns.append([cell or None for cell in cells])
    names = list(text)
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def operand_text(found: Columns) -> str:
    """Align operands for people, under a header; nothing where there are none.

    A column without any entry, such as addresses on a bus that has none, is left out.

    Examples
    --------
    >>> one = {"operand": ["0"], "beats": ["12"], "data": ["0x5A"], "whole": ["true"]}
    >>> print(operand_text(one), end="")
    operand  beats  data  whole
          0     12  0x5A  true
    """
    columns = []
    for name in found:
        cells = [name, *found[name]]
        if not any(cells[1:]):
            continue
        width = max(map(len, cells))
        columns.append([cell.rjust(width) if name in _WHOLE else cell for cell in cells])
    return "\n".join(in_columns(list(zip(*columns, strict=True)))) + "\n" if columns else ""


def operand_csv(found: Columns) -> str:
    """Give operands as CSV with its header; what is missing is empty."""
    return ",".join(found) + "\n" + csv_rows(found)
