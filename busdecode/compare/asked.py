"""What the card's lines showed in beats of which only that is asked, read off chunk by chunk."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture import concatenated
from busdecode.compare.predict import BeatLines, SeenBeats
from busdecode.compare.spans import Spans, chosen, reaches_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from busdecode.capture import Capture
    from busdecode.compare.view import PlaceView
    from busdecode.cycles import CycleTable

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["AskedBeats"]

_ROWS_AT_ONCE = 1 << 16


class AskedBeats(BeatLines):
    """Beats whose rows are let go once their address and data were read off.

    Writes of other traffic may be many; that is all that is asked of them.

    Parameters
    ----------
    table : CycleTable
    beats : ndarray of int64, shape (M,)
        Rows of the table.
    margin : int, ps
        How far around a beat rows are needed.
    view_of : callable
        Makes rows of the file ready to be looked at, as the card's place shows them.
    """

    def __init__(
        self,
        table: CycleTable,
        beats: Ints,
        margin: int,
        view_of: Callable[[Capture], PlaceView],
    ) -> None:
        self._table, self._margin, self._view_of = table, margin, view_of
        begins, ends = reaches_of(table, beats, margin)
        self._spans = Spans.joined(begins, ends)
        order = np.argsort(ends, kind="stable")
        self._beats, self._ends = beats[order], ends[order]
        # Where the earliest of the beats that are still to come begins.
        self._since = np.minimum.accumulate(begins[order][::-1])[::-1]
        self._done = 0
        self._head: list[Capture] = []
        self._pending: list[Capture] = []
        self._rows = np.sort(beats)
        self._values: Words = np.zeros((6, len(beats)), dtype=np.uint64)

    def take(self, chunk: Capture) -> None:
        """Take the next rows of the file."""
        since = int((self._head or [chunk])[0].times[0])
        if chunk.times[0] <= since + self._margin:
            # A phase that did not come is looked up where the capture begins.
            self._head.append(chosen(chunk, chunk.times <= since + self._margin))
        if self._done < len(self._beats):
            self._pending.append(chosen(chunk, self._spans.shown_by(chunk)))
        if sum(map(len, self._pending)) >= _ROWS_AT_ONCE:
            self._read_off(int(np.searchsorted(self._ends, chunk.end, "right")))

    def finish(self) -> None:
        """End the file."""
        self._read_off(len(self._beats))

    def _read_off(self, until: int) -> None:
        """Read off all beats up to one, in order of their ends, and let their rows go."""
        some = self._beats[self._done : until]
        if not len(some):
            return
        rows = concatenated(self._pending)
        head = concatenated(self._head)
        if len(rows):
            head = chosen(head, head.times < rows.times[0])
        lines = SeenBeats(self._view_of(concatenated([head, rows])), self._table)
        at = np.searchsorted(self._rows, some)
        self._values[:2, at] = lines.addresses(some)
        self._values[2:, at] = lines.written(some)
        self._done = until
        first = len(rows)
        if until < len(self._beats):
            first = max(0, int(np.searchsorted(rows.times, self._since[until], "right")) - 1)
        self._pending = [rows.rows(first, len(rows))]

    def addresses(self, rows: Ints) -> tuple[Words, Words]:
        """Give each row's address on the lines, and the bits of it that can be trusted."""
        seen, trusted = self._values[:2, np.searchsorted(self._rows, rows)]
        return seen, trusted

    def written(self, rows: Ints) -> tuple[Words, Words, Words, Words]:
        """Give each row's data where it is written, and which of its bits move."""
        data, moves, untold, lost = self._values[2:, np.searchsorted(self._rows, rows)]
        return data, moves, untold, lost
