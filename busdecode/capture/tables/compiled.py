"""Takes buffers of lines of a CSV table, gives blocks of rows by the compiled loop."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.compilation import saying_if_slow
from busdecode.capture.stream import Block
from busdecode.capture.tables import kernel
from busdecode.capture.words import words_for

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busdecode.capture.tables.cells import Progress
    from busdecode.capture.tables.header import Table

__all__ = ["Scanner", "scanner_for"]

_KINDS = {16: kernel.HEX, 2: kernel.BIN, 10: kernel.DEC}


def scanner_for(table: Table) -> Scanner | None:
    """Give what reads a table by the compiled loop; None where no row of it would be plain."""
    if table.moment.dates is not None or not table.separator.isascii():
        return None
    if any(len(column.lines) > 64 for column in table.columns):
        return None
    return Scanner(table)


class Scanner:
    """Reads plain rows of one table."""

    def __init__(self, table: Table) -> None:
        moment = table.moment
        self._separator = ord(table.separator)
        has_comma = moment.has_comma and table.separator != ","
        self._comma = ord("," if has_comma else ".")
        self._factor = moment.worth if moment.counts_samples else 1
        self._power = 0 if moment.counts_samples else len(str(moment.worth)) - 1
        self._plan = _plan_of(table)
        self._words = words_for(sum(len(column.lines) for column in table.columns))
        # Every cell but one that is skipped has a character, and something that ends it.
        self._shortest = len(table.names) + int(self._plan[:, 2].sum())
        self._kept = np.zeros(kernel.KEPT, dtype=np.int64)
        self._make_room(0)

    def _make_room(self, rows: int) -> None:
        self._times = np.zeros(rows, dtype=np.int64)
        self._states = np.zeros((rows, self._words), dtype=np.uint64)
        self._unknown = np.zeros((rows, self._words), dtype=np.uint64)

    def read(
        self, buffer: NDArray[np.uint8], at: int, end: int, progress: Progress
    ) -> tuple[int, Block, int]:
        """Read rows from ``buffer[at:end]``, whole lines, up to the first that is not plain.

        Returns
        -------
        (int, Block, int)
            Where it stopped, the rows that differ from the one before them, and the greatest
            common divisor of the steps of time, in ps.
        """
        rows = (end - at) // self._shortest + 3
        if rows > len(self._times):
            self._make_room(rows)
        kept = self._kept
        kept[:] = 0
        kept[kernel.ROWS] = 1
        kept[kernel.LAST] = progress.last or 0
        kept[kernel.HAS_ROW] = progress.last is not None
        self._states[0], self._unknown[0] = progress.states, progress.unknown
        with saying_if_slow("the reader of tables"):
            stopped = kernel.scan(
                buffer, at, end, self._plan, self._separator, self._comma, self._power,
                self._factor, kept, self._times, self._states, self._unknown,
            )  # fmt: skip
        count = int(kept[kernel.ROWS])
        progress.number += int(kept[kernel.LINES])
        progress.rounded += int(kept[kernel.ROUNDED])
        if kept[kernel.HAS_ROW]:
            progress.last = int(kept[kernel.LAST])
        progress.states = self._states[count - 1].copy()
        progress.unknown = self._unknown[count - 1].copy()
        states = self._states[1:count].copy()
        unknown = self._unknown[1:count].copy() if kept[kernel.UNKNOWN] else None
        block = Block(self._times[1:count].copy(), states, unknown, None)
        return int(stopped), block, int(kept[kernel.GCD])


def _plan_of(table: Table) -> NDArray[np.int64]:
    """Lay out the columns from left to right: kind, columns or lines, fewest characters."""
    columns = {column.at: column for column in table.columns}
    plan: list[list[int]] = []
    for at in range(len(table.names)):
        if at == table.moment.at:
            plan.append([kernel.SAMPLE if table.moment.counts_samples else kernel.TIME, 1, 1])
        elif at not in columns:
            plan.append([kernel.SKIP, 1, 0])
        elif (base := columns[at].base) is not None:
            plan.append([_KINDS[base], len(columns[at].lines), 1])
        elif plan and plan[-1][0] == kernel.LEVELS:
            plan[-1][1] += 1
            plan[-1][2] += 1
        else:
            plan.append([kernel.LEVELS, 1, 1])
    return np.asarray(plan, dtype=np.int64)
