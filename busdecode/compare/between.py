"""Places held against each other: each line as the side that drives it shows it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.compare.view import Observation, PlaceView, Sample
from busdecode.cycles import DIRECTIONS, MISSING
from busdecode.protocol import Moment

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["observe_places"]

_READ = DIRECTIONS.index("read")


def observe_places(
    views: Mapping[str, PlaceView], table: CycleTable, beats: Ints
) -> list[Observation]:
    """Hold the places against each other: each line as the side that drives it shows it.

    A line that both host and card drive is the host's but for the data of reads.
    """
    if len(views) < 2:
        return []
    bus = table.bus
    names = list(views)
    found: list[Observation] = []
    is_read = table.direction[beats] == _READ
    has_acknowledge = np.ones((len(beats), 1), dtype=np.uint64)
    if "acknowledge" in bus.phase_names:
        has_acknowledge[table.phase("acknowledge")[beats] == MISSING] = 0
    for place in names[1:]:
        ours, theirs = views[names[0]], views[place]
        shared = [line for line in ours.index if line in theirs.index]
        slack = max(ours.uncertainty, theirs.uncertainty)
        wide = [PlaceView(v.place, bus, v.rows, v.index, slack) for v in (ours, theirs)]
        for phase, label, moment, times in _moments(table, beats, slack):
            host, other = (view.sample(moment, times) for view in wide)
            for path, lines, is_cards in _owners(bus, shared, phase):
                view = ours if is_cards else theirs
                near, near_sure = _on(view, ours, host, lines)
                far, far_sure = _on(view, theirs, other, lines)
                meant, shown = (far, near) if is_cards else (near, far)
                care = view.mask(lines) & near_sure & far_sure
                if path in ("write", "read"):
                    care = care * (is_read if path == "read" else ~is_read)[:, None]
                if path == "acknowledge" and label != "acknowledge":
                    # Without an acknowledge seen here, phases before it have no end.
                    care = care * has_acknowledge
                found.append(
                    Observation(view.place, label, path, beats, meant, shown, care, is_between=True)
                )
    return found


def _moments(table: CycleTable, beats: Ints, slack: int) -> list[tuple[str, str, Moment, Ints]]:
    """Give the moments to look at: where each phase begins, its middle, and before release.

    Each with the phase by which lines are told apart, and the one under which it counts.
    """
    names = table.bus.phase_names
    moments: list[tuple[str, str, Moment, Ints]] = []
    starts = [table.phase(name)[beats] for name in names]
    starts[0] = np.where(table.beat[beats] == 0, starts[0], MISSING)
    # A strobe that is stuck at one place shows it where the other's is still negated.
    moments.append(("address", "address", Moment("at", "address", -2 * slack), starts[0]))
    for at, name in enumerate(names[:-1]):
        begin, end = starts[at], starts[-1]
        for later in starts[at + 1 : -1][::-1]:
            end = np.where(later == MISSING, end, later)
        middle = np.where((begin == MISSING) | (end <= begin), MISSING, begin + (end - begin) // 2)
        moments.append((name, name, Moment("at", name), begin))
        moments.append((name, name, Moment("at", name), middle))
    moments.append(("release", names[-2], Moment("before", "release"), starts[-1]))
    return moments


def _owners(bus: Bus, shared: Sequence[str], phase: str) -> list[tuple[str, list[str], bool]]:
    """Group lines by the path that they belong to; the last flag: the card drives them."""
    data = set(bus.data)
    address = set(bus.address)
    if phase == "address":
        data = set()
    else:
        address -= data
    groups: list[tuple[str, list[str], bool]] = [
        ("address", [line for line in shared if line in address], False),
        ("write", [line for line in shared if line in data], False),
        ("read", [line for line in shared if line in data], True),
    ]
    rest = [line for line in shared if line not in data and line not in address]
    rest = [line for line in rest if bus.line(line).role != "clock" and line not in bus.data]
    host_side = [line for line in rest if bus.line(line).driver == "host"]
    card_side = [line for line in rest if bus.line(line).driver == "card"]
    groups.append(("control", host_side, False))
    groups.append(("acknowledge", card_side, True))
    return [group for group in groups if group[1]]


def _on(
    target: PlaceView, source: PlaceView, sample: Sample, lines: Sequence[str]
) -> tuple[Words, Words]:
    """Give a sample's levels and sureness in another place's packing."""
    if target is source:
        return sample.states, sample.sure
    levels = np.zeros((len(sample.states), target.words), dtype=np.uint64)
    sure = np.zeros_like(levels)
    for line in lines:
        at, to = source.index[line], target.index[line]
        for words, out in ((sample.states, levels), (sample.sure, sure)):
            one = (words[:, at // 64] >> np.uint64(at % 64)) & np.uint64(1)
            out[:, to // 64] |= one << np.uint64(to % 64)
    return levels, sure
