"""Takes packed rows, gives the rows and values that decoding needs: the compiled loops.

Each does in one pass what the whole-array code of `condense`, `occurrences` and `decode` does in
several, and gives the same. Importing this module imports numba, and compiles where no earlier
run has left the result.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import boolean, int64, types, uint64, void

from busdecode.capture import compiled_loop

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["alternate", "at_level", "below", "condense", "find", "merge", "take_rows"]

_MISSING = np.iinfo(np.int64).min
_MOMENTS = int64[::1]
_COLUMNS = uint64[:, :]
_LEVELS = boolean[::1]


@compiled_loop()
def _mark_moves(column: Words, mask: np.uint64, near: Bools) -> None:
    """Mark the rows in which masked lines of a column change."""
    before, after, marks = column[:-1], column[1:], near[2:]
    for row in range(len(after)):
        marks[row] |= (before[row] ^ after[row]) & mask != 0


@compiled_loop()
def _least_step(times: Ints) -> int:
    """Give the least time between two rows."""
    before, after = times[:-1], times[1:]
    least = np.int64(2**62)
    for row in range(len(after)):
        least = min(least, after[row] - before[row])
    return least


@compiled_loop()
def _mark_reach(times: Ints, back: int, on: int, near: Bools) -> None:
    """Mark the rows that are within reach of a change, or of the end."""
    count = len(times)
    changes = np.flatnonzero(near[1:])
    at = 0
    for row in range(count):
        if near[row + 1]:
            continue
        while at < len(changes) and times[changes[at]] < times[row] - on - 1:
            at += 1
        if at < len(changes) and (
            row == count - 1 or times[changes[at]] <= times[row + 1] + back + 1
        ):
            near[row + 1] = True
        if times[row] >= times[count - 1] - on - back - 1:
            near[row + 1] = True


@compiled_loop()
def _keep_near(near: Bools, keep: Bools) -> bool:
    """Set which rows are kept, the first one and the last four in any case; tell if all are."""
    is_whole = True
    for row in range(1, len(keep) - 4):
        keep[row] = near[row] | near[row + 1] | near[row + 2]
        is_whole &= keep[row]
    return is_whole


@compiled_loop()
def _gather(column: Ints | Words, rows: Ints) -> None:
    """Bring some rows, whose numbers rise, to the front of a column."""
    for at in range(len(rows)):
        column[at] = column[rows[at]]


@compiled_loop(
    int64(
        _MOMENTS, _COLUMNS, _MOMENTS, uint64[:, ::1], uint64[::1], int64, int64, boolean,
        _MOMENTS, uint64[:, ::1], _MOMENTS,
    ),
)  # fmt: skip
def condense(
    kept_times: Ints,
    kept: Words,
    times: Ints,
    states: Words,
    mask: Words,
    back: int,
    on: int,
    has_reach: bool,
    room_times: Ints,
    room: Words,
    room_rows: Ints,
) -> int:
    """Drop the rows that are not near a change of a masked line; see `Condenser`.

    Parameters
    ----------
    kept_times, kept : ndarray, shapes (K,) and (W, K)
        Rows kept before, in columns.
    times, states : ndarray, shapes (N,) and (N, W)
        Rows that follow them.
    mask : ndarray of uint64, shape (W,)
    back, on : int, ps
    has_reach : bool
    room_times, room, room_rows : ndarray, shapes (K + N,), (W, K + N) and (K + N,)
        Where the rows to look at are put, in columns, with their number among all rows, where
        these are not all looked at.

    Returns
    -------
    int
        How many rows there are to look at.
    """
    before, words = len(kept_times), len(mask)
    count = before + len(times)
    room_times[:before] = kept_times
    room_times[before:count] = times
    near = np.zeros(count + 2, dtype=np.bool_)  # near[i + 1] tells of row i
    for word in range(words):
        column = room[word, :count]
        column[:before] = kept[word]
        column[before:] = states[:, word]
        if mask[word]:
            _mark_moves(column, mask[word], near)
    keep = np.ones(count, dtype=np.bool_)
    is_whole = _keep_near(near, keep)  # as where little but control lines changes
    if not is_whole and (has_reach or _least_step(room_times[:count]) < on):
        _mark_reach(room_times[:count], back, on, near)
        is_whole = _keep_near(near, keep)
    if is_whole:
        return count
    found = 0
    for row in range(count):
        room_rows[found] = row
        found += keep[row]
    _gather(room_times, room_rows[:found])
    for word in range(words):
        _gather(room[word], room_rows[:found])
    return found


@compiled_loop(void(uint64[::1], uint64, uint64, _LEVELS))
def at_level(column: Words, mask: int, wanted: int, level: Bools) -> None:
    """Clear `level` where masked lines of a column do not show what is wanted."""
    for row in range(len(column)):
        level[row] &= (column[row] & mask) == wanted


@compiled_loop(
    types.UniTuple(_MOMENTS, 2)(_MOMENTS, _MOMENTS, _LEVELS, _MOMENTS, _MOMENTS),
)
def find(times: Ints, edges: Ints, already: Bools, begins: Ints, limits: Ints) -> tuple[Ints, Ints]:
    """Look an edge up from each begin row to each limit row, or what is so there already."""
    rows = np.full(len(begins), -1, dtype=np.int64)
    moments = np.full(len(begins), _MISSING, dtype=np.int64)
    at = 0
    for one in range(len(begins)):
        begin = begins[one]
        while at < len(edges) and edges[at] < begin:
            at += 1
        while at > 0 and edges[at - 1] >= begin:
            at -= 1
        row = _MISSING
        if already[begin]:
            row = begin
        elif at < len(edges):
            row = edges[at]
        if _MISSING < row <= limits[one]:
            rows[one] = row
            moments[one] = times[row]
    return rows, moments


@compiled_loop(_MOMENTS(_MOMENTS, _MOMENTS))
def merge(some: Ints, others: Ints) -> Ints:
    """Merge sorted row numbers, each once."""
    rows = np.empty(len(some) + len(others), dtype=np.int64)
    one, other, count = 0, 0, 0
    while one < len(some) or other < len(others):
        if other == len(others) or (one < len(some) and some[one] <= others[other]):
            row = some[one]
            one += 1
        else:
            row = others[other]
            other += 1
        if count == 0 or rows[count - 1] != row:
            rows[count] = row
            count += 1
    return rows[:count].copy()


@compiled_loop(
    boolean(
        _MOMENTS, _COLUMNS, _MOMENTS, _MOMENTS, int64, boolean, int64,
        uint64[:, ::1], uint64[:, ::1], _MOMENTS,
    ),
)  # fmt: skip
def take_rows(
    times: Ints,
    columns: Words,
    at_rows: Ints,
    at_times: Ints,
    offset: int,
    is_before: bool,
    within: int,
    states: Words,
    moving: Words,
    taken: Ints,
) -> bool:
    """Take the rows at moments; see `Rows.snapshot`.

    Parameters
    ----------
    times, columns : ndarray, shapes (N,) and (W, N)
    at_rows, at_times : ndarray of int64, shape (B,)
    offset, within : int, ps
    is_before : bool
    states, moving : ndarray of uint64, shape (W, B)
        Where the levels are put, and the lines that change near the moment.
    taken : ndarray of int64, shape (B,)
        Where the row's number is put, -1 where there is none.

    Returns
    -------
    bool
        Whether every moment is there.
    """
    last = len(times) - 1
    words = len(columns)
    is_whole = True
    for beat in range(len(at_rows)):
        is_there = at_rows[beat] >= 0
        moment = (at_times[beat] if is_there else times[0]) + offset
        here = max(at_rows[beat], 0)
        while here < last and times[here + 1] <= moment:
            here += 1
        while here > 0 and times[here] > moment:
            here -= 1
        row = here
        if is_before and times[here] >= moment:
            row -= 1
        is_there &= row >= 0
        is_whole &= is_there
        taken[beat] = row if is_there else -1
        row = max(row, 0)
        before, after = here, here
        while before > 0 and times[before] > moment - within:
            before -= 1
        while after < last and times[after + 1] <= moment + within - 1:
            after += 1
        previous = max(here - 1, before)
        for word in range(words):
            column = columns[word]
            states[word, beat] = column[row]
            moving[word, beat] = (
                (column[before] ^ column[previous])
                | (column[previous] ^ column[here])
                | (column[here] ^ column[after])
            )
    return is_whole


@compiled_loop(_MOMENTS(_MOMENTS, _MOMENTS, boolean))
def below(found: Ints, wanted: Ints, is_right: bool) -> Ints:
    """Count for each row number wanted the found ones below it, or up to it; both rise."""
    counts = np.empty(len(wanted), dtype=np.int64)
    at = 0
    for one in range(len(wanted)):
        limit = wanted[one] + is_right
        while at < len(found) and found[at] < limit:
            at += 1
        while at > 0 and found[at - 1] >= limit:
            at -= 1
        counts[one] = at
    return counts


@compiled_loop(types.UniTuple(_MOMENTS, 2)(_MOMENTS, _MOMENTS, boolean, boolean))
def alternate(begins: Ints, ends: Ints, already_open: bool, joined: bool) -> tuple[Ints, Ints]:
    """Pair begins and ends greedily; see `decode`."""
    first, last = np.empty(len(begins), dtype=np.int64), np.empty(len(ends), dtype=np.int64)
    of_begin, of_end, begun, ended = 0, 0, 0, 0
    is_open, closed_at = already_open, np.int64(-1)
    while of_begin < len(begins) or of_end < len(ends):
        if of_end < len(ends) and (of_begin == len(begins) or ends[of_end] <= begins[of_begin]):
            if is_open:
                is_open, closed_at = False, ends[of_end]
                last[ended] = closed_at
                ended += 1
            of_end += 1
        else:
            row = begins[of_begin]
            if not is_open and (joined or row != closed_at):
                is_open = True
                first[begun] = row
                begun += 1
            of_begin += 1
    return first[:begun].copy(), last[:ended].copy()
