"""What to measure next with a meter or an analyzer: where what is expected to be seen tells most.

As for writes and reads, a measurement tells the entropy of what it may show, over the candidates
that are left: the choice of J. de Kleer and B. C. Williams, *Diagnosing Multiple Faults*,
Artificial Intelligence 32, 1987.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles import MOMENTS
from busdecode.diagnosis.steps import entropy, expected_gains
from busdecode.errors import RequestError, quoted
from busdecode.faults import RAILS, Bridge, Intermittent, OnlyWhen, Open, Stuck, Swapped

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.faults import Fault
    from busdecode.predict import FaultRows, LineForeteller
    from busdecode.protocol import Bus

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]
    Channel = tuple[str, str]

__all__ = [
    "Beep",
    "Clip",
    "Clips",
    "fault_reads",
    "lines_to_clip",
    "pairs_to_beep",
    "telling_points",
]

_LEAST_MORE = 0.01
"""Bits; a line that tells less besides others is not clipped on with them."""

_TRANSFERS = 500
"""So many of the first transfers of a stimulus decide what a line would tell."""


@dataclass(frozen=True)
class Beep:
    """Two points to hold a meter to, with power off.

    Parameters
    ----------
    between : tuple of str
        Two lines; or a line and one of `RAILS`; or a line and itself: its ends at host and card.
    fault_reads : str
        What the meter reads if one of the candidates is the cause: ``short`` or ``open``. The two
        ends of a line read open where they should not, all else short.
    share : float
        How likely that is, from 0 to 1.
    gain : float
        Bits.
    """

    between: tuple[str, str]
    fault_reads: str
    share: float
    gain: float


def pairs_to_beep(
    bus: Bus, faults: Sequence[Fault | None], share: Floats, most: int = 5
) -> list[Beep]:
    """Give the measurements of continuity that tell most, best first.

    Parameters
    ----------
    bus : Bus
    faults : sequence of Fault or None
        Candidates; None is a healthy bus.
    share : ndarray of float64, shape (F,)
        How likely each is; together 1.
    most : int

    Returns
    -------
    list of Beep
        Of equals the one that comes first in the description; none that tells nothing.

    Raises
    ------
    RequestError
        If there are not as many shares as candidates, they are together not 1, or a candidate is
        about a line that the bus does not have.

    Notes
    -----
    Tied lines read short between them, held ones to ground or supply; broken lines read open from
    end to end, and so do crossed ones. All others are taken to read as on a healthy bus: the
    card's drivers and receivers may or may not be shorted inside.

    Examples
    --------
    >>> import numpy as np
    >>> from busdecode.protocol import load_bus
    >>> faults = [Bridge("D2", "D5", "low-wins"), Stuck("D2", 0), Stuck("D5", 0), None]
    >>> for beep in pairs_to_beep(load_bus("z80"), faults, np.array([0.5, 0.125, 0.125, 0.25])):
    ...     print(*beep.between, beep.fault_reads, round(beep.gain, 4))
    D5 D2 short 1.0
    D5 ground short 0.5436
    D2 ground short 0.5436
    """
    _check(share, len(faults))
    place = {name: at for at, name in enumerate((*bus.line_names, *RAILS))}
    pairs, whose = [], []
    for at, fault in enumerate(faults):
        for pair in telling_points(fault):
            for line in pair:
                if line not in place:
                    raise RequestError(
                        f"a candidate is about {quoted(line)}, which is no line of {bus.name}",
                        expected="candidates of this bus",
                    )
            pairs.append(sorted((place[pair[0]], place[pair[1]])))
            whose.append(at)
    if not pairs:
        return []
    distinct, number = np.unique(np.array(pairs), axis=0, return_inverse=True)
    total = np.zeros(len(distinct))
    np.add.at(total, number.reshape(-1), share[whose])
    gains = entropy(total).round(6)
    names = (*bus.line_names, *RAILS)
    return [
        Beep(
            (names[distinct[at, 0]], names[distinct[at, 1]]),
            fault_reads(names[distinct[at, 0]], names[distinct[at, 1]]),
            float(total[at]),
            float(gains[at]),
        )
        for at in np.argsort(-gains, kind="stable")[:most].tolist()
        if gains[at] > 0
    ]


def fault_reads(one: str, other: str) -> str:
    """Say what a meter reads between points that read otherwise than on a healthy bus."""
    return "open" if one == other else "short"


def telling_points(fault: Fault | None) -> list[tuple[str, str]]:
    """Give the points between which a fault reads otherwise than a healthy bus."""
    if isinstance(fault, Bridge):
        return [(fault.a, fault.b)]
    if isinstance(fault, Stuck):
        return [(fault.line, RAILS[fault.level])]
    if isinstance(fault, Open):
        return [(fault.line, fault.line)]
    if isinstance(fault, Swapped):
        return [(fault.a, fault.a), (fault.b, fault.b)]
    return telling_points(fault.fault) if isinstance(fault, Intermittent | OnlyWhen) else []


@dataclass(frozen=True)
class Clip:
    """A line at a place for a channel of an analyzer, and what it tells, bits."""

    place: str
    line: str
    gain: float


@dataclass(frozen=True)
class Clips:
    """Lines to clip on, and what can be taken off for them.

    Parameters
    ----------
    clips : tuple of Clip
        Best first, each by itself.
    together : tuple of Clip
        Where it is told how many channels there are: the best one, and those of its place that
        tell most besides, as many as can be clipped on at once.
    gain : float
        What these tell together, bits.
    spares : tuple of Clip
        What can be taken off, that which tells least first.
    free : int
        Channels that are not taken yet.
    """

    clips: tuple[Clip, ...]
    together: tuple[Clip, ...] = ()
    gain: float = 0.0
    spares: tuple[Clip, ...] = ()
    free: int = 0


def lines_to_clip(
    foretellers: Mapping[str, LineForeteller],
    rows: FaultRows,
    share: Floats,
    captured: Sequence[Channel],
    *,
    channels: int | None = None,
    fixed: Collection[Channel] = (),
    known: Collection[Channel] = (),
    most: int = 5,
) -> Clips:
    """Give the lines that tell most if they are captured too, with the same stimulus.

    Parameters
    ----------
    foretellers : mapping of str to LineForeteller
        By place, ``host`` or ``card``; all of one stimulus.
    rows : FaultRows
        Candidates; F of them.
    share : ndarray of float64, shape (F,)
        How likely each is by all that is known, what the captured lines showed included; together
        1.
    captured : sequence of tuple of str
        Place and line of each channel.
    channels : int, optional
        How many the analyzer has; as many as wanted without it.
    fixed : collection of tuple of str
        Those of the captured ones that must stay, such as strobes.
    known : collection of tuple of str
        What was captured before, and need not be again.
    most : int

    Returns
    -------
    Clips
        Of equals those of the first place, in the order of the description; none that tells
        nothing. Of captured lines that tell alike now, those are spare first that would tell
        least were all candidates as likely; of those the last.

    Raises
    ------
    RequestError
        If shares do not fit the candidates, a captured line is of no such place or bus, fixed
        ones are not captured, or more are captured than there are channels.

    Notes
    -----
    Candidates that foretell the same levels of a line at all moments of all transfers are not told
    apart by it. Moments of which candidates of half the share or more foretell nothing are left
    aside; bits that a candidate leaves open at others coincide by chance, as in
    `Outcomes.gains`. The first 500 transfers are looked at.
    """
    _check(share, len(rows))
    bus = next(iter(foretellers.values())).bus
    every: list[Channel] = [(place, line) for place in foretellers for line in bus.line_names]
    number = {channel: at for at, channel in enumerate(every)}
    _check_channels(captured, fixed, channels, number)
    columns = [_columns(each, rows, share) for each in foretellers.values()]
    numbers, unknown = (np.concatenate(each) for each in zip(*columns, strict=True))
    gains = expected_gains(numbers, unknown, share).round(6)
    taken = {*captured, *known}

    def clip(at: int) -> Clip:
        return Clip(*every[at], float(gains[at]))

    clips = [
        clip(at)
        for at in np.argsort(-gains, kind="stable").tolist()
        if every[at] not in taken and gains[at] > 0
    ]
    if channels is None:
        return Clips(tuple(clips[:most]))
    movable = [number[each] for each in captured if each not in fixed]
    even = expected_gains(numbers, unknown, np.full(len(rows), 1 / len(rows))).round(6)
    spares = sorted(reversed(movable), key=lambda at: (gains[at], even[at]))
    able = [number[each.place, each.line] for each in clips if each.place == clips[0].place]
    best, gain = _together(numbers, unknown, share, able, channels - len(fixed))
    return Clips(
        tuple(clips[:most]),
        tuple(map(clip, best)),
        gain,
        tuple(map(clip, spares)),
        channels - len(captured),
    )


def _together(
    numbers: NDArray[np.int32], unknown: Ints, share: Floats, able: list[int], room: int
) -> tuple[list[int], float]:
    """Choose lines one by one, each that which tells most besides those before; and what all tell.

    Of those that are able, as many as there is room for; none that tells hardly more.
    """
    chosen: list[int] = []
    number, left_open = np.zeros(len(share), dtype=np.int32), np.zeros(len(share), dtype=np.int64)
    gain = 0.0
    while rest := [at for at in able if at not in chosen]:
        if len(chosen) >= room:
            break
        both = [np.stack([number, numbers[at]]) for at in rest]
        joint = [np.unique(each, axis=1, return_inverse=True)[1].reshape(-1) for each in both]
        gains = expected_gains(
            np.array(joint, dtype=np.int32), left_open + unknown[rest], share
        ).round(6)
        best = int(np.argmax(gains))
        if gains[best] < gain + _LEAST_MORE:
            break
        chosen.append(rest[best])
        number, left_open = np.array(joint[best], dtype=np.int32), left_open + unknown[rest[best]]
        gain = float(gains[best])
    return chosen, gain


def _check(share: Floats, count: int) -> None:
    if share.shape != (count,) or not np.isclose(share.sum(), 1):
        raise RequestError(
            f"{share.size} shares, together {share.sum():g}, are given for {count} candidates",
            expected="a share for each, together 1",
        )


def _check_channels(
    captured: Sequence[Channel],
    fixed: Collection[Channel],
    channels: int | None,
    known: Mapping[Channel, int],
) -> None:
    for place, line in captured:
        if (place, line) not in known:
            raise RequestError(
                f"{quoted(line)} at {quoted(place)} is captured, of which nothing is foretold",
                expected="a line of the bus at a place that is foretold",
            )
    for place, line in fixed:
        if (place, line) not in captured:
            raise RequestError(
                f"{quoted(line)} at {quoted(place)} must stay, but is not captured",
                expected="one of those that are",
            )
    if channels is not None and len(captured) > channels:
        raise RequestError(
            f"{len(captured)} lines are captured on {channels} channels",
            expected="as many channels as lines, or more",
        )


def _columns(
    foreteller: LineForeteller, rows: FaultRows, share: Floats
) -> tuple[NDArray[np.int32], Ints]:
    """Give numbers for what candidates foretell of each line, and the bits left open, (L, F)."""
    foreteller = foreteller.cut(_TRANSFERS)
    shape = len(rows), -1, foreteller.words // len(MOMENTS)
    parts = [found for _, found in foreteller.over(rows)]
    words, known = (
        np.concatenate([getattr(part, name) for part in parts]).reshape(shape)
        for name in ("words", "known")
    )
    lines = len(foreteller.bus.line_names)
    number = np.zeros((lines, len(rows)), dtype=np.int32)
    unknown = np.zeros((lines, len(rows)), dtype=np.int64)
    for line in range(lines):
        bit = np.uint64(line % 64)
        level, is_known = (
            (each[:, :, line // 64] >> bit & np.uint64(1)).astype(bool) for each in (words, known)
        )
        counts = share @ is_known > 0.5
        told = is_known[:, counts]
        unknown[line] = (~told).sum(axis=1)
        packed = np.packbits(np.concatenate([level[:, counts] & told, told], axis=1), axis=1)
        if packed.shape[1]:
            keys = np.ascontiguousarray(packed).view(f"V{packed.shape[1]}").reshape(-1)
            number[line] = np.unique(keys, return_inverse=True)[1]
    return number, unknown
