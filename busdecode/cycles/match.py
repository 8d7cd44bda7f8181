"""Takes two captures of the same stimulus, gives which beat of one is which of the other."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles.facts import facts_of
from busdecode.cycles.looks import lines_of, strobes_of
from busdecode.cycles.occurrences import MISSING
from busdecode.cycles.table import ENDINGS
from busdecode.errors import JoinError
from busdecode.protocol import listed_lines
from busdecode.units import format_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.cycles.facts import Facts
    from busdecode.cycles.looks import Looks

    Ints = NDArray[np.int64]

__all__ = ["Match", "matched", "reference_of", "whole_of"]

_SHIFTS = 4_000
"""Ways to match two captures that are tried, those that leave out least first."""


@dataclass(frozen=True)
class Match:
    """For each row of the reference the other's row that shows the same beat, -1 for none.

    `is_guess` tells that other matches fit as well, and both were taken to begin alike.
    """

    rows: Ints
    note: str | None = None
    is_guess: bool = False


Named = tuple["Looks", slice, str]
"""A capture, its rows that are not cut off, and what it is called."""


def whole_of(looks: Looks, name: str) -> slice:
    """Give the rows between those that are cut off at the ends of a capture.

    Raises
    ------
    JoinError
        If there is none, or the capture is interrupted.
    """
    rows = np.flatnonzero(looks.table.ended != ENDINGS.index("cut-off"))
    if not len(rows):
        raise JoinError(
            f"{name} shows no whole cycle of {looks.bus.name}",
            action="check that its strobes are clipped on, and that the capture is long enough",
        )
    if looks.gap is not None:
        raise JoinError(
            f"{name} is interrupted at {format_time(looks.gap)}: how many cycles were missed is "
            "not known",
            expected="captures without gaps",
            action="capture again, or cut the file before the gap",
        )
    return slice(int(rows[0]), int(rows[-1]) + 1)


def reference_of(parts: Sequence[Looks], names: Sequence[str]) -> int:
    """Check that the strobes suffice, and choose the first part that has all of them.

    Parameters
    ----------
    parts : sequence of Looks
    names : sequence of str
        What they are called.

    Returns
    -------
    int
        Its place among the parts.

    Raises
    ------
    JoinError
        If no strobe is common, no part has all strobes, or a part has lines that count in beats
        and no strobe of beats.
    """
    bus = parts[0].bus
    strobes = strobes_of(bus, lines_of(parts))
    has_beats = any(part.has_beats for part in parts)
    wanted = listed_lines(bus, strobes if has_beats else strobes_of(bus, bus.line_names))
    action = f"clip {wanted} on in every capture"
    if not any(all(line in part.lines for part in parts) for line in strobes):
        raise JoinError(
            f"no strobe is in all of the {len(parts)} captures",
            expected=f"one of {wanted} in each of them",
            action=action,
        )
    for part, name in zip(parts, names, strict=True):
        lost = () if part.has_beats else _lost_without_beats(part, parts)
        if lost:
            absent = [line for line in strobes if line not in part.lines]
            raise JoinError(
                f"{name} has {listed_lines(bus, lost)}, but no strobe that tells when "
                f"they are taken",
                expected=f"{listed_lines(bus, absent)} in {name}" if absent else None,
                action=action,
            )
    complete = [
        at
        for at, part in enumerate(parts)
        if part.has_beats and all(line in part.lines for line in strobes)
    ]
    if not complete:
        raise JoinError(
            f"no capture has all strobes: {wanted}",
            expected="at least one capture with all of them",
            action=action,
        )
    return complete[0]


def _lost_without_beats(part: Looks, parts: Sequence[Looks]) -> tuple[str, ...]:
    """Give the lines of a part without beats that count in beats only, and are nowhere else."""
    bus = part.bus
    used: set[str] = {*bus.data, *bus.lane_lines, *bus.port_lines}
    used.update(bus.ending.acknowledged, bus.ending.error, bus.ending.wait)
    groups = {"kind": bus.modifier, "lanes": bus.operand.lines, "address": bus.address}
    of_kind = {line for kind in bus.kinds for lines, _ in kind.levels for line in lines}
    groups["direction"] = tuple(each for each in of_kind if bus.line(each).role == "direction")
    groups["kind"] += tuple(each for each in of_kind if bus.line(each).role != "direction")
    early: set[str] = set()
    for name, lines in groups.items():
        (early if bus.take[name].phase == "address" else used).update(lines)
    elsewhere = {line for each in parts if each.has_beats for line in each.lines}
    strobes = set(strobes_of(bus, bus.line_names))
    return tuple(each for each in part.lines if each in used - early - elsewhere - strobes)


def matched(one: Named, other: Named, absent: Sequence[str]) -> Match:
    """Match the beats of a capture to those of the reference.

    Parameters
    ----------
    one, other : (Looks, slice, str)
        The reference, and the capture to match, each with its whole rows and its name.
    absent : sequence of str
        Strobes that other captures have and this one lacks.

    Raises
    ------
    JoinError
        If there is no way to match them, or more than one.
    """
    (reference, span, first), (looks, own, name) = one, other
    found = np.full(len(reference), -1, dtype=np.int64)
    if looks is reference:
        found[span] = np.arange(span.start, span.stop)
        return Match(found)
    # A capture that shows no beats is matched by cycles, at the first beat of each.
    here = np.arange(span.start, span.stop)
    units = here if looks.has_beats else here[reference.table.beat[here] == 0]
    theirs = np.arange(own.start, own.stop)
    common = set(reference.lines) & set(looks.lines)
    pair = facts_of(reference, common).take(units), facts_of(looks, common).take(theirs)
    if not looks.has_beats:
        # What only beats tell is not known to it; without the other's being, nothing is left.
        pair = _first_columns(pair[0], pair[1].values.shape[1]), pair[1]
    # A capture without a strobe may show fewer cycles: none may be missing at an end besides.
    may = (False, False), (False, False)
    if not absent:
        may = reference.is_cut, looks.is_cut
    possible = _shifts(len(units), len(theirs), *may)
    fitting = list(islice((shift for shift in possible if _fits(pair, shift)), 2))
    what = "beats" if looks.has_beats else "cycles"
    if not fitting:
        if len(units) != len(theirs):
            counts = f"{first} has {len(units)} {what}, {name} {len(theirs)}"
            if not absent:
                counts += ", and not even what may be cut off at the ends explains that"
            raise _other_cycles(counts, one, name, absent)
        _check_beats(one, other, absent, units, theirs)
        fitting = [0]  # which line differs, and where, is told later
    note = None
    shift = fitting[0]
    if len(fitting) > 1:
        if shift or len(units) != len(theirs):
            raise JoinError(
                f"{name} fits {first} in more than one way: the stimulus repeats itself",
                expected="lines in common that show where it begins",
                action="make its beginning differ from all that follows, or clip on more lines "
                "in every capture",
            )
    elif shift:
        late, early = (name, first) if shift > 0 else (first, name)
        note = f"{late} begins {abs(shift)} {what} later than {early}"
    low, high = max(0, shift), min(len(units), len(theirs) + shift)
    if looks.has_beats:
        found[units[low:high]] = theirs[low - shift : high - shift]
    else:
        cycles = reference.table.cycle[here]
        at = np.searchsorted(reference.table.cycle[units], cycles)
        is_in = (at >= low) & (at < high)
        found[here[is_in]] = theirs[at[is_in] - shift]
    return Match(found, note, len(fitting) > 1)


def _check_beats(
    one: Named, other: Named, absent: Sequence[str], units: Ints, theirs: Ints
) -> None:
    """Check that cycles have the same beats."""
    (reference, _, first), (looks, _, name) = one, other
    if not looks.has_beats:
        return
    ours, others = reference.table.take(units), looks.table.take(theirs)
    differs = ours.beat != others.beat
    differs |= (ours.phase("data") == MISSING) != (others.phase("data") == MISSING)
    if differs.any():
        at = int(np.argmax(differs))
        raise _other_cycles(
            f"cycle {ours.cycle[at]} of {first} has other beats than cycle {others.cycle[at]} "
            f"of {name}",
            one,
            name,
            absent,
        )


def _first_columns(facts: Facts, count: int) -> Facts:
    return type(facts)(facts.values[:, :count], facts.known[:, :count])


def _shifts(
    ours: int, theirs: int, our_cut: tuple[bool, bool], their_cut: tuple[bool, bool]
) -> list[int]:
    """Give by how much the others' beats may come later in the reference, least first.

    Beats are left out only at an end at which the capture without them may be cut off, and not
    more than half of the shorter one.
    """
    least = (min(ours, theirs) + 1) // 2
    shifts = np.arange(least - theirs, ours - least + 1)
    tails = ours - theirs - shifts
    fine = (shifts <= 0) | their_cut[0]
    fine &= (shifts >= 0) | our_cut[0]
    fine &= (tails <= 0) | their_cut[1]
    fine &= (tails >= 0) | our_cut[1]
    shifts = shifts[fine]
    order = np.lexsort([shifts, np.abs(shifts) + np.abs(ours - theirs - shifts)])
    return [int(each) for each in shifts[order][:_SHIFTS]]


def _fits(pair: tuple[Facts, Facts], shift: int) -> bool:
    one, other = pair
    low, high = max(0, shift), min(len(one), len(other) + shift)
    return one.take(slice(low, high)).fits(other.take(slice(low - shift, high - shift)))


def _other_cycles(found: str, one: Named, name: str, absent: Sequence[str]) -> JoinError:
    """Say that captures have other cycles, and why: for want of a strobe, or not of the same."""
    if absent:
        lines = listed_lines(one[0].bus, absent)
        return JoinError(
            f"{found}; {name} lacks {lines}",
            expected="the same cycles in both",
            action=f"clip {lines} on in every capture",
        )
    return JoinError(
        found,
        expected="captures of the same writes and reads, in the same order",
        action="run the same stimulus again for each capture, and capture all of it",
    )
