"""Takes a capture of some lines, gives what they show in each beat, whatever its timing."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture import Capture
from busdecode.cycles.beats import BeatValues, marking_lines
from busdecode.cycles.decode import Decoder
from busdecode.cycles.occurrences import MISSING, mask_of, usable
from busdecode.cycles.sight import (
    ANSWERED,
    AT_ADDRESS,
    FIRST_ANSWER,
    KeptSight,
    moment_name,
)
from busdecode.cycles.table import ENDINGS, CycleTable, concatenate, empty
from busdecode.protocol import event_lines

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from busdecode.protocol import Bus

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["Looks", "lines_of", "looks_of", "remade", "strobes_of"]


@dataclass(frozen=True, eq=False)
class Looks:
    """What lines show in each beat at the moments that count, B beats, M moments.

    The moments are all at which the description takes something, the one for reads and the
    one for writes in every beat, since a capture without the direction line does not tell which
    of them is right. Three more hold what happens in a beat and not at one moment: lane strobes
    asserted at any time during it, acknowledge and error lines asserted by its release, and
    those that were asserted as the first of them was.

    Parameters
    ----------
    bus : Bus
    table : CycleTable
        The beats as these lines alone give them.
    lines : tuple of str
        The lines that were captured, in the bus's order.
    moments : tuple of str
        Such as ``at address`` or ``before release``.
    levels, known, moving : ndarray of uint64, shape (B, M, W)
        Line k of ``bus.lines`` is bit ``k % 64`` of word ``k // 64``. Levels as on the wire;
        `known` is 0 for lines that were not captured or are not known then; `moving` has the
        lines that change within one resolution of the moment.
    is_cut : (bool, bool)
        Whether cycles may have come before the first one, and after the last: one is cut off
        there, or the capture shows no longer a pause than there are between its cycles.
    gap : int or None, ps
        Where the capture is first interrupted between its first beat and its last.
    has_beats : bool
        False where only the strobes of cycles were captured, not those of beats: one row a cycle
        then, of which only what the address phase gives is known.
    notes : tuple of str
    """

    bus: Bus
    table: CycleTable
    lines: tuple[str, ...]
    moments: tuple[str, ...]
    levels: Words
    known: Words
    moving: Words
    is_cut: tuple[bool, bool]
    gap: int | None
    has_beats: bool
    notes: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.table)

    def __repr__(self) -> str:
        return (
            f"Looks({self.bus.name}: {len(self.lines)} lines, {len(self)} beats, "
            f"{len(self.moments)} moments)"
        )

    def plane(self, moment: str) -> int:
        """Give the place of a moment, by its name."""
        return self.moments.index(moment)

    @property
    def sure(self) -> Words:
        """What is known and not in doubt: does not move, or is a strobe that begins the beat."""
        return self.known & ~(self.moving & ~self.mask(marking_lines(self.bus)))

    def mask(self, lines: Iterable[str]) -> Words:
        """Give the bits of lines, shape (W,)."""
        index = {line: at for at, line in enumerate(self.bus.line_names)}
        return mask_of(lines, index, self.levels.shape[2])


def strobes_of(bus: Bus, lines: Iterable[str], *, beats: bool = True) -> tuple[str, ...]:
    """Give the captured lines by which cycles, and beats, begin and end, in the bus's order."""
    captured = frozenset(lines)
    found: set[str] = set()
    for events in (bus.cycle_begins, bus.cycle_ends) + (
        (bus.beat_begins, bus.beat_ends) if beats else ()
    ):
        event, _ = usable(events, captured)
        if event is not None:
            found |= event_lines(event) & captured
    return tuple(line for line in bus.line_names if line in found)


def lines_of(parts: Sequence[Looks]) -> tuple[str, ...]:
    """Give the lines that any of the captures has, in the bus's order."""
    captured = {line for part in parts for line in part.lines}
    return tuple(line for line in parts[0].bus.line_names if line in captured)


def looks_of(bus: Bus, captures: Capture | Iterable[Capture], *, skew: int = 0) -> Looks:
    """Decode a capture of some lines, and keep what they show in each beat.

    Parameters
    ----------
    bus : Bus
    captures : Capture, or iterable of Capture
        A capture, or its chunks in order; lines by the bus's names.
    skew : int, ps
        The largest channel skew that the probe list tells.

    Raises
    ------
    DescriptionError
        If the captured lines do not show where cycles begin and end.
    ValueError
        If there is no chunk.

    Notes
    -----
    Some 100 to 500 bytes a beat are kept.

    Examples
    --------
    >>> from busdecode.capture import from_levels
    >>> from busdecode.protocol import load_bus
    >>> capture = from_levels([0, 10, 20, 30], {"E": "0100", "DB7": "0110"}, resolution=1)
    >>> looks = looks_of(load_bus("hd44780"), capture)
    >>> looks, looks.moments
    (Looks(hd44780: 2 lines, 1 beats, 3 moments), ('at address', 'at data', 'before release'))
    """
    decoder: Decoder | None = None
    has_beats = True
    tables, gaps = [], list[int]()
    first = end = 0
    for chunk in [captures] if isinstance(captures, Capture) else captures:
        if decoder is None:
            has_beats = _shows_beats(bus, chunk.lines)
            seen = bus if has_beats else _of_cycles_only(bus)
            decoder = Decoder(seen, chunk.lines, chunk.resolution, skew)
            moments = decoder.keep_levels()
            first = int(chunk.times[0]) if len(chunk) else chunk.end
        tables.append(decoder.feed(chunk))
        if chunk.gaps is not None:
            gaps += chunk.times[chunk.gaps].tolist()
        end = chunk.end
    if decoder is None:
        raise ValueError("there must be at least one chunk")
    tables.append(decoder.finish(end))
    table = replace(concatenate(decoder.bus, tables), bus=bus)
    kept = decoder.kept_levels()
    if not has_beats:
        own = [each for each in (AT_ADDRESS, *bus.take.values()) if each.phase == "address"]
        named = {moment_name(each) for each in own}
        kept[:, :, [at for at, name in enumerate(moments) if name not in named]] = 0
    return Looks(
        bus,
        table,
        tuple(line for line in bus.line_names if line in decoder.lines),
        moments,
        kept[:, 0],
        kept[:, 1],
        kept[:, 2],
        (True, True) if gaps else _cut(table, first, end),
        _gap_inside(table, gaps),
        has_beats,
        tuple(decoder.notes),
    )


def begins_by_all(bus: Bus, lines: Iterable[str]) -> bool:
    """Tell whether all strobes were captured by which beats begin; else some may not be seen."""
    captured = frozenset(lines)
    found = (usable(each, captured) for each in (bus.cycle_begins, bus.beat_begins))
    return all(event is not None and not absent for event, absent in found)


def ends_by_others(bus: Bus, lines: Iterable[str]) -> bool:
    """Tell whether beats are seen to end by other strobes than those that end them first.

    These may be gone by then, and what they strobed, too.
    """
    event, _ = usable(bus.beat_ends, frozenset(lines))
    return event is not None and not event_lines(event) & event_lines(bus.beat_ends[0])


def _shows_beats(bus: Bus, lines: Iterable[str]) -> bool:
    captured = frozenset(lines)
    return all(usable(each, captured)[0] is not None for each in (bus.beat_begins, bus.beat_ends))


def _of_cycles_only(bus: Bus) -> Bus:
    """Give the bus as it looks without the strobes of beats: each cycle is one beat."""
    return replace(bus, beat_begins=bus.cycle_begins, beat_ends=bus.cycle_ends)


def _gap_inside(table: CycleTable, gaps: Sequence[int]) -> int | None:
    """Give the first gap after a whole beat and before another one."""
    rows = np.flatnonzero(table.ended != ENDINGS.index("cut-off"))
    if not len(rows):
        return None
    first, last = int(table.start[rows[0]]), int(table.end[rows[-1]])
    return next((gap for gap in gaps if first <= gap < last), None)


def _cut(table: CycleTable, first: int, end: int) -> tuple[bool, bool]:
    """Tell whether cycles may be missing before the first beat, and after the last."""
    if not len(table):
        return True, True
    begins = np.where(table.beat == 0, table.phases[:, 0], table.start)
    begins = np.where(begins == MISSING, table.start, begins)
    pause = int((begins[1:] - table.end[:-1]).max(initial=0))
    is_cut = table.ended == ENDINGS.index("cut-off")
    return (
        bool(is_cut[0]) or int(begins[0]) - first <= pause,
        bool(is_cut[-1]) or end - int(table.end[-1]) <= pause,
    )


def remade(looks: Looks, lines: Iterable[str] | None = None) -> CycleTable:
    """Make the cycle table anew from what was kept, numbers and times of beats as they are.

    Parameters
    ----------
    looks : Looks
    lines : iterable of str, optional
        As if only these lines had been captured.
    """
    bus, before = looks.bus, looks.table
    wanted = frozenset(looks.lines if lines is None else lines)
    index = {line: at for at, line in enumerate(bus.line_names) if line in wanted}
    values = BeatValues(bus, index, (), 0)
    table = replace(
        empty(bus, len(before)),
        **{name: getattr(before, name) for name in ("cycle", "beat", "start", "end", "phases")},
    )
    for is_alone, rows in enumerate(_beats_and_others(before)):
        if not len(rows):
            continue
        some = table.take(rows)
        kept = (looks.levels[rows], looks.known[rows], looks.moving[rows])
        sight = KeptSight(bus, index, looks.moments, *kept)
        if is_alone:
            values.fill_alone(some, sight.at(moment_name(AT_ADDRESS)), sight.taken("address"))
        else:
            values.fill(some, sight, np.unique(some.cycle, return_inverse=True)[1])
            if FIRST_ANSWER in looks.moments:
                some.ended[_out_of_order(sight, bus)] = -1
        for each in fields(table)[1:]:
            getattr(table, each.name)[rows] = getattr(some, each.name)
    return table


def _beats_and_others(table: CycleTable) -> tuple[Ints, Ints]:
    """Give the rows of whole beats, and those of whole cycles without one."""
    is_whole = table.ended != ENDINGS.index("cut-off")
    is_alone = table.phase("data") == MISSING
    return np.flatnonzero(is_whole & ~is_alone), np.flatnonzero(is_whole & is_alone)


def _out_of_order(sight: KeptSight, bus: Bus) -> Bools:
    """Tell where acknowledge and error both came, in captures that do not tell which first."""
    good, bad = bus.ending.acknowledged, bus.ending.error
    both = sight.shows(ANSWERED, good) & sight.shows(ANSWERED, bad)
    return both & ~sight.shows(FIRST_ANSWER, (*good, *bad))
