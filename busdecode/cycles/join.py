"""Takes captures of the same stimulus, each of other lines, gives one with the lines of all.

Only cycles are compared, never times: runs may differ in delays and wait states. Captures are of
the same stimulus as far as the lines that they have in common tell. A change that none of these
lines shows cannot be seen: a write of other data, where only strobes are common, joins to beats
that never were. A data line or two, and the direction, clipped on every time guard against it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles.facts import facts_of
from busdecode.cycles.looks import lines_of, remade, strobes_of
from busdecode.cycles.match import Match, matched, reference_of, whole_of
from busdecode.cycles.occurrences import MISSING
from busdecode.cycles.sight import ANSWERED, FIRST_ANSWER
from busdecode.cycles.table import ENDINGS
from busdecode.errors import JoinError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from busdecode.cycles.looks import Looks
    from busdecode.cycles.table import CycleTable

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["joined"]

_SAME = "captures of the same writes and reads, in the same order"
_AGAIN = "run the same stimulus again for each capture"


def joined(parts: Sequence[Looks], names: Sequence[str] | None = None) -> Looks:
    """Join captures of the same stimulus, taken with different groups of lines, by their beats.

    Beats are matched one to one in order. The values of all lines are put together, from the
    first capture that knows them, and the table is made anew: it equals that of one capture of
    all these lines, but for times. Times and phases are those of the first capture with all
    strobes; a phase that only another one shows comes as long after the beat's begin as there.

    Parameters
    ----------
    parts : sequence of Looks
        At least one, all of one bus. One of them must have all the strobes that any has, and
        all of them one strobe at least in common.
    names : sequence of str, optional
        What to call the captures in notes and errors; ``capture 1`` and so on where not given.

    Returns
    -------
    Looks

    Raises
    ------
    JoinError
        If no strobe is common; if a capture lacks a strobe by which its own lines are taken, or
        for which it shows fewer beats; if the numbers of cycles differ by more than what is cut
        off at the ends; if the lines that captures have in common show different things; if
        what is cut off leaves more than one way to match them.
    ValueError
        If there is no part, or the parts are of different buses.

    Notes
    -----
    Where captures have no line in common that shows a difference between two stimuli, they are
    joined though they are not of the same one: nothing tells.

    Examples
    --------
    A bus of one strobe, eight data lines and two more, with a probe of four:

    >>> from busdecode.capture import from_levels
    >>> from busdecode.cycles.looks import looks_of
    >>> from busdecode.protocol import load_bus
    >>> bus, moments = load_bus("hd44780"), [0, 20, 40, 60]
    >>> one = {"E": "0100", "RS": "1111", "R/W": "0000", "DB7": "0110"}
    >>> two = {"E": "0100", "DB6": "1111", "DB5": "0000", "DB4": "0011"}
    >>> parts = [looks_of(bus, from_levels(moments, each, 1)) for each in (one, two)]
    >>> joined(parts).table.as_text()[["kind", "data"]].values.tolist()
    [['write', '0xC?']]
    """
    if not parts:
        raise ValueError("there must be at least one part to join")
    bus = parts[0].bus
    if any(part.bus != bus for part in parts):
        raise ValueError("parts must be of one bus")
    told = list(names or (f"capture {at}" for at in range(1, len(parts) + 1)))
    reference = reference_of(parts, told)
    spans = [whole_of(part, name) for part, name in zip(parts, told, strict=True)]
    lines = lines_of(parts)
    matches = [
        matched(
            (parts[reference], spans[reference], told[reference]),
            (part, span, name),
            [
                line
                for line in strobes_of(bus, lines, beats=part.has_beats)
                if line not in part.lines
            ],
        )
        for part, span, name in zip(parts, spans, told, strict=True)
    ]
    rows, at_rows = _common(parts, spans, matches, reference)
    if not len(rows):
        raise JoinError("no cycle is in all captures", expected=_SAME, action=_AGAIN)
    whole = _put_together(parts, rows, at_rows, reference)
    _check(parts, told, whole, at_rows)
    notes = [match.note for match in matches if match.note is not None]
    guessed = [name for name, match in zip(told, matches, strict=True) if match.is_guess]
    if guessed:
        notes.append(
            "by the lines in common more than one match fits: all captures were taken to begin "
            f"with the same cycle ({', '.join(guessed)})"
        )
    notes += _left_out(parts, spans, told, at_rows)
    if len(parts) > 1:
        notes.append(f"times are those of {told[reference]}")
    return _ended(parts, told, replace(whole, notes=tuple(notes)), at_rows)


def _common(
    parts: Sequence[Looks], spans: Sequence[slice], matches: Sequence[Match], reference: int
) -> tuple[Ints, list[Ints]]:
    """Give the reference's rows that all parts have, and of each part the rows for these.

    -1 stands for none: a part that shows a cycle that is cut off.
    """
    found = [match.rows for match in matches]
    in_all = np.logical_and.reduce([rows >= 0 for rows in found])
    span = spans[reference]
    common = np.flatnonzero(in_all)
    if not len(common):
        return common, []
    first, last = int(common[0]), int(common[-1])
    before = after = 0
    # A cycle that is cut off in all of them, next to what they have in common, stays.
    touches = zip(parts, spans, found, strict=True)
    ends = [
        (
            rows[first] == span.start and span.start,
            rows[last] == span.stop - 1,
            len(part) - span.stop,
        )
        for part, span, rows in touches
        if part.has_beats
    ]
    if first == span.start:
        before = min(int(lead) for lead, _, _ in ends)
    if last == span.stop - 1:
        after = min(trail if is_last else 0 for _, is_last, trail in ends)
    rows = np.arange(first - before, last + 1 + after)
    return rows, [each[rows] for each in found]


def _put_together(
    parts: Sequence[Looks], rows: Ints, at_rows: Sequence[Ints], reference: int
) -> Looks:
    """Fill in what each part knows, steady levels before those that move."""
    first = parts[reference]
    lines = lines_of(parts)
    shape = (len(rows), *first.levels.shape[1:])
    levels, known, moving = np.zeros((3, *shape), dtype=np.uint64)
    for is_steady in (True, False):
        for part, at in zip(parts, at_rows, strict=True):
            fresh = _seen(part, at, is_steady=is_steady) & ~known
            levels |= part.levels[at] & fresh
            moving |= part.moving[at] & fresh
            known |= fresh
    whole = replace(
        first,
        table=_times(parts, at_rows, first.table.take(rows)),
        lines=lines,
        levels=levels,
        known=known,
        moving=moving,
        is_cut=(all(part.is_cut[0] for part in parts), all(part.is_cut[1] for part in parts)),
        notes=(),
    )
    if FIRST_ANSWER in first.moments:
        _order_answers(parts, at_rows, whole)
    return replace(whole, table=remade(whole))


def _seen(part: Looks, at: Ints, *, is_steady: bool = False) -> Words:
    """Give what a part knows in its rows for those of the reference; nothing where it has none."""
    known = part.sure if is_steady else part.known
    return np.where((at >= 0)[:, None, None], known[at], np.uint64(0))


def _order_answers(parts: Sequence[Looks], at_rows: Sequence[Ints], whole: Looks) -> None:
    """Keep which answer was first only where one part has all the lines that answered."""
    bus, plane = whole.bus, whole.plane(FIRST_ANSWER)
    answers = (*bus.ending.acknowledged, *bus.ending.error)
    low = whole.mask(line for line in answers if not bus.asserted_level(line))
    mask = whole.mask(line for line in answers if line in whole.lines)
    ever = whole.plane(ANSWERED)
    asserted = (whole.levels[:, ever] ^ low) & whole.known[:, ever] & mask
    for words in (whole.levels, whole.known, whole.moving):
        words[:, plane] = 0
    undecided = np.ones(len(whole), dtype=np.bool_)
    for part, at in zip(parts, at_rows, strict=True):
        own = part.mask(line for line in answers if line in part.lines)
        here = undecided & (at >= 0) & part.has_beats & ~(asserted & ~own).any(axis=1)
        negated = low & mask & ~own
        whole.levels[here, plane] = part.levels[at[here], plane] & own | negated
        whole.known[here, plane] = mask
        undecided &= ~here


def _times(parts: Sequence[Looks], at_rows: Sequence[Ints], table: CycleTable) -> CycleTable:
    """Count the cycles from 0, and fill in phases that only other parts show."""
    table.cycle[:] -= table.cycle[0]
    for part, at in zip(parts, at_rows, strict=True):
        if not part.has_beats:
            continue
        others = part.table.phases[at]
        is_new = (table.phases == MISSING) & (others != MISSING) & (at >= 0)[:, None]
        moved = np.where(is_new, others - (part.table.start[at] - table.start)[:, None], 0)
        table.phases[is_new] = moved[is_new]
    return table


def _overridden(whole: Looks, part: Looks, at: Ints) -> Looks | None:
    """Give the joined levels as they would be if only this part counted; None where the same."""
    steady = _seen(part, at, is_steady=True)
    if FIRST_ANSWER in whole.moments:
        steady[:, whole.plane(FIRST_ANSWER)] = 0
    changed = (whole.levels ^ part.levels[at]) & steady
    if not changed.any():
        return None
    levels = whole.levels ^ changed
    return replace(whole, levels=levels, moving=whole.moving & ~steady)


def _check(
    parts: Sequence[Looks], names: Sequence[str], whole: Looks, at_rows: Sequence[Ints]
) -> None:
    """Refuse parts that show something else than the others by the lines that they share."""
    meant = facts_of(whole, whole.lines)
    for place, (part, at) in enumerate(zip(parts, at_rows, strict=True)):
        other = _overridden(whole, part, at)
        if other is None:
            continue
        differs = np.flatnonzero(meant.differ(facts_of(other, whole.lines)))
        if not len(differs):
            continue
        row = int(differs[0])
        raise _disagreement(parts, names, whole, at_rows, place, row, len(differs), other)


def _disagreement(
    parts: Sequence[Looks],
    names: Sequence[str],
    whole: Looks,
    at_rows: Sequence[Ints],
    place: int,
    row: int,
    count: int,
    other: Looks,
) -> JoinError:
    moment, line, is_high = next(_blamed(whole, other, row))
    plane, bit = whole.plane(moment), whole.mask([line])
    theirs = next(
        at
        for at, (part, rows) in enumerate(zip(parts, at_rows, strict=True))
        if (_seen(part, rows)[row, plane] & bit).any()
        and bool((part.levels[rows[row], plane] & bit).any()) is not is_high
    )
    levels = ("high", "low") if is_high else ("low", "high")
    return JoinError(
        f"line {line} is {levels[0]} {moment} in {_beat(parts, at_rows, names, place, row)}, but "
        f"{levels[1]} in {_beat(parts, at_rows, names, theirs, row)}; {count} of {len(whole)} "
        "beats differ",
        expected=_SAME,
        action=_AGAIN,
    )


def _blamed(whole: Looks, other: Looks, row: int) -> Iterator[tuple[str, str, bool]]:
    """Give moments, lines and their levels that alone make a beat another; then all that differ."""
    rows = np.flatnonzero(whole.table.cycle == whole.table.cycle[row])
    some = _rows_of(whole, rows)
    at = int(np.flatnonzero(rows == row)[0])
    meant = facts_of(some, whole.lines)
    left = []
    for plane, moment in enumerate(whole.moments):
        differs = whole.levels[row, plane] ^ other.levels[row, plane]
        for line in whole.lines:
            bit = whole.mask([line])
            if not (differs & bit).any():
                continue
            levels = some.levels.copy()
            levels[at, plane] ^= bit
            found = moment, line, bool((other.levels[row, plane] & bit).any())
            alone = replace(some, levels=levels)
            if meant.differ(facts_of(alone, whole.lines))[at]:
                yield found
            left.append(found)
    yield from left


def _rows_of(looks: Looks, rows: Ints) -> Looks:
    return replace(
        looks,
        table=looks.table.take(rows),
        levels=looks.levels[rows],
        known=looks.known[rows],
        moving=looks.moving[rows],
    )


def _beat(
    parts: Sequence[Looks], at_rows: Sequence[Ints], names: Sequence[str], place: int, row: int
) -> str:
    """Name a beat of a part as its own table counts it."""
    table, at = parts[place].table, int(at_rows[place][row])
    return f"cycle {table.cycle[at]}, beat {table.beat[at]} of {names[place]}"


def _left_out(
    parts: Sequence[Looks], spans: Sequence[slice], names: Sequence[str], at_rows: Sequence[Ints]
) -> Iterator[str]:
    """Say what of each part is not in the others."""
    for part, span, name, at in zip(parts, spans, names, at_rows, strict=True):
        inside = at[at >= 0]
        for count, where in (
            (int(inside[0]) - span.start, "first"),
            (span.stop - 1 - int(inside[-1]), "last"),
        ):
            if count:
                what = "beats" if part.has_beats else "cycles"
                yield f"{name}: its {where} {count} {what} are not in all captures, and left out"


def _ended(
    parts: Sequence[Looks], names: Sequence[str], whole: Looks, at_rows: Sequence[Ints]
) -> Looks:
    """Do not tell a timeout from giving up earlier where captures were not of one mind."""
    limit, table = whole.bus.ending.timeout, whole.table
    if limit is None:
        return whole
    open_ended = np.isin(table.ended, [ENDINGS.index("timeout"), ENDINGS.index("unacknowledged")])
    is_long = [
        (part.table.end[at] - part.table.start[at] >= limit)
        for part, at in zip(parts, at_rows, strict=True)
        if part.has_beats
    ]
    open_ended &= (table.phase("data") != MISSING) & (
        np.logical_or.reduce(is_long) & ~np.logical_and.reduce(is_long)
    )
    if not open_ended.any():
        return whole
    table.ended[open_ended] = -1
    note = (
        f"{int(open_ended.sum())} beats without acknowledge lasted longer than a timeout in some "
        "captures, and less in others: how they ended is not told"
    )
    return replace(whole, notes=(*whole.notes, note))
