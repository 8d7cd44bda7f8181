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


@compiled_loop(void(_MOMENTS, _MOMENTS, int64, int64, _LEVELS, _MOMENTS))
def _reach(kept_times: Ints, times: Ints, back: int, on: int, near: Bools, room: Ints) -> None:
    """Have rows count as near that are within reach of a change, or of the end."""
    before = len(kept_times)
    count = before + len(times)
    room[:before] = kept_times
    room[before:] = times
    changes = np.flatnonzero(near[1:])
    at = 0
    for row in range(count):
        while at < len(changes) and room[changes[at]] < room[row] - on - 1:
            at += 1
        if at < len(changes) and (
            row == count - 1 or room[changes[at]] <= room[row + 1] + back + 1
        ):
            near[row + 1] = True
        if room[row] >= room[count - 1] - on - back - 1:
            near[row + 1] = True


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
        Where the rows to look at are put, in columns, with their number among all rows.

    Returns
    -------
    int
        How many rows there are to look at.
    """
    before, words = len(kept_times), len(mask)
    count = before + len(times)
    near = np.zeros(count + 2, dtype=np.bool_)  # near[i + 1] tells of row i
    least = np.int64(2**62)
    for row in range(1, before):
        moved = np.uint64(0)
        for word in range(words):
            moved |= (kept[word, row] ^ kept[word, row - 1]) & mask[word]
        near[row + 1] = moved != 0
        least = min(least, kept_times[row] - kept_times[row - 1])
    if before and len(times):
        moved = np.uint64(0)
        for word in range(words):
            moved |= (states[0, word] ^ kept[word, before - 1]) & mask[word]
        near[before + 1] = moved != 0
        least = min(least, times[0] - kept_times[before - 1])
    for row in range(1, len(times)):
        moved = np.uint64(0)
        for word in range(words):
            moved |= (states[row, word] ^ states[row - 1, word]) & mask[word]
        near[before + row + 1] = moved != 0
        least = min(least, times[row] - times[row - 1])
    if (has_reach or least < on) and count > 4:
        _reach(kept_times, times, back, on, near, room_times)
    found = 0
    for row in range(before):
        for word in range(words):
            room[word, found] = kept[word, row]
        room_times[found] = kept_times[row]
        room_rows[found] = row
        is_near = near[row] | near[row + 1] | near[row + 2]
        found += is_near | (row == 0) | (row >= count - 4)
    for row in range(before, count):
        for word in range(words):
            room[word, found] = states[row - before, word]
        room_times[found] = times[row - before]
        room_rows[found] = row
        is_near = near[row] | near[row + 1] | near[row + 2]
        found += is_near | (row == 0) | (row >= count - 4)
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
