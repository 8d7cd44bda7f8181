"""What becomes of a transfer when a fault touches the lines that control it.

The drives of a healthy run are led through the node model with the fault in it, and what the
card then receives is held against the description. What follows from the answer of the card
to the host, and back, is not followed: where it matters, nothing is predicted.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from functools import reduce
from itertools import takewhile
from operator import or_
from typing import TYPE_CHECKING, NamedTuple

from busdecode.cycles import CardView
from busdecode.faults import Drive, Network, Open
from busdecode.predict.candidates import lines_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from busdecode.cycles import Run
    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = ["ALL_LANES", "Answer", "Answers", "Outcome"]


ALL_LANES = -1
"""The lanes that the host meant."""


class Outcome(IntEnum):
    """How a transfer comes to the card, best first."""

    SEEN = 0
    """As the host meant it, but perhaps on other lanes."""
    UNSEEN = 1
    """Not at all: nothing is stored, and what is read floats."""
    MISTAKEN = 2
    """For a read of another kind: nothing is stored, and what is read is not known."""
    UNSURE = 3
    """Otherwise; what is read, or what any word then holds, is not known."""
    LATCHED = 4
    """The card goes on taking itself for addressed; nothing after it is known."""


@dataclass(frozen=True)
class Answer:
    """What becomes of transfers of one form, and the lanes that the card takes to move."""

    outcome: Outcome
    lanes: int


class Answers:
    """Judges transfers of one bus.

    Parameters
    ----------
    bus : Bus
    """

    def __init__(self, bus: Bus) -> None:
        self._bus = bus
        self._view = CardView(bus)
        self._data = sum(1 << bus.line_names.index(line) for line in bus.data)
        lanes = bus.take.get("lanes")
        self._lanes_early = lanes is not None and lanes.phase == "address"
        self._lanes_before = lanes is not None and lanes.how == "before"
        self._healthy = _Sight(self._view, None)
        self._sights: dict[Fault, _Sight] = {}
        self._states: dict[tuple[Drive, Drive], int] = {}
        self._traces: dict[tuple[int, int], _Trace] = {}
        self._meant: dict[_Trace, _Meant] = {}

    def joined(self, fault: Fault, runs: Sequence[Run]) -> Answer:
        """Judge what becomes of any of these healthy runs with a fault: the worst, if they differ.

        Without runs nothing is known.
        """
        names = self._bus.line_names
        mask = self._view.lines | sum(1 << names.index(line) for line in lines_of(fault))
        if fault not in self._sights:
            self._sights[fault] = _Sight(self._view, fault)
        answer: Answer | None = None
        for trace in dict.fromkeys(self._trace(run, mask) for run in runs):
            each = self._of(self._sights[fault], trace)
            if answer is None or each == answer:
                answer = each
            else:
                answer = Answer(max(answer.outcome, each.outcome, Outcome.UNSURE), 0)
            if answer.outcome >= Outcome.UNSURE:
                break
        return answer or Answer(Outcome.UNSURE, 0)

    def _trace(self, run: Run, mask: int) -> _Trace:
        """Give what was driven on some lines in a run, each state only where it changed."""
        key = id(run), mask
        if key not in self._traces:
            states: list[int] = []
            drives: list[tuple[Drive, Drive]] = []
            stands: list[bool] = []
            taken = 0
            last = max(run.moments.values())
            data = self._data_driven(run, last)
            for at, (host, card) in enumerate(run.drives):
                each = (
                    Drive(host.mask & mask, host.levels & mask),
                    Drive(card.mask & mask, card.levels & mask),
                )
                state = self._states.setdefault(each, len(self._states))
                if not states or states[-1] != state:
                    states.append(state)
                    drives.append(each)
                    stands.append(True)
                stands[-1] = self._data_driven(run, at) == data
                if at == last:
                    taken = len(states) - 1
            is_read = run.transfer.data is None
            self._traces[key] = _Trace(tuple(states), taken, is_read, tuple(drives), tuple(stands))
        return self._traces[key]

    def _data_driven(self, run: Run, at: int) -> tuple[int, int]:
        """Give which data lines the host drives at a time of a run, and to what."""
        host = run.drives[at][0]
        return host.mask & self._data, host.levels & self._data

    def _of(self, sight: _Sight, trace: _Trace) -> Answer:
        """Judge one run with a fault."""
        view, taken = self._view, trace.taken
        meant = self._meant.get(trace)
        if meant is None:
            meant = self._meant[trace] = _Meant.of(self._healthy.over(trace), taken)
        healthy, good, begin, end = meant.moments, meant.in_beat, meant.begin, meant.end
        faulty: list[_Moment] = []
        for moment, is_meant in zip(sight.over(trace), good, strict=True):
            faulty.append(moment)
            if moment.in_beat and not is_meant:
                is_held = not good[-1] and sight.at(trace.states[-1], trace.drives[-1]).in_beat
                return Answer(Outcome.LATCHED if is_held else Outcome.UNSURE, 0)
        bad = [each.in_beat for each in faulty]
        cycles = [[each.in_cycle for each in levels] for levels in (healthy, faulty)]
        # A beat may begin later, or end earlier, where strobes come one after the other; the
        # address is taken where the cycle begins that it is in.
        inside = bad[begin:end]
        is_alike = bad[:begin] == good[:begin] and bad[end:] == good[end:]
        if not any(inside) and is_alike:
            return Answer(Outcome.UNSEEN, 0)
        first = begin + inside.index(True) if any(inside) else begin
        over = min(_stretch(bad, first)[1], end)
        is_alike &= over - first == sum(inside)
        # A write that is over early takes what stands on the lines by then.
        is_alike &= trace.is_read or over == first or trace.stands[over - 1]
        addressed = _stretch(cycles[0], first)[0]
        is_alike &= addressed == _stretch(cycles[1], first)[0]
        is_alike &= cycles[0][-1] == cycles[1][-1]
        # A read that what is read ends itself may be over before the host takes it.
        is_alike &= bad[taken] or not (trace.is_read and sight.is_of_data)
        is_alike = is_alike and all(
            view.answers(a.host) == view.answers(b.host)
            and view.used(a.received) == view.used(b.received)
            for a, b in zip(healthy[addressed:end], faulty[addressed:end], strict=True)
        )
        # Lines that tell lanes may float once the card has taken them.
        of_lanes = slice(first, end)
        if self._lanes_early:
            of_lanes = slice(max(addressed - self._lanes_before, 0), addressed + 1)
        is_alike = is_alike and all(
            bool(self._bus.lane_strobes)
            or view.lane_inputs(a.received) == view.lane_inputs(b.received)
            for a, b in zip(healthy[of_lanes], faulty[of_lanes], strict=True)
        )
        is_alike = is_alike and all(
            bool(self._bus.lane_strobes)
            or view.lane_strobes(a.received) == view.lane_strobes(b.received)
            for a, b in zip(healthy[first:end], faulty[first:end], strict=True)
        )
        if not is_alike:
            return Answer(Outcome.UNSURE, 0)
        kind = view.kind(faulty[first].received)
        if kind != view.kind(healthy[first].received):
            is_kept = kind is not None and kind.direction == "read"
            return Answer(Outcome.MISTAKEN if is_kept else Outcome.UNSURE, 0)
        return Answer(Outcome.SEEN, self._lanes(faulty[first:]))

    def _lanes(self, moments: Sequence[_Moment]) -> int:
        """Give the lanes whose strobes come in the beat that begins first; all without."""
        if not self._bus.lane_strobes:
            return ALL_LANES
        inside = takewhile(lambda each: each.in_beat, moments)
        return reduce(or_, (self._view.lanes(each.received) for each in inside), 0)


@dataclass(frozen=True, eq=False)
class _Trace:
    """What was driven in a run, as numbers of states; `taken` is where data is taken.

    `stands` tells of each state whether the host drives the data lines, in the end, as it does
    where data is taken.
    """

    states: tuple[int, ...]
    taken: int
    is_read: bool
    drives: tuple[tuple[Drive, Drive], ...]
    stands: tuple[bool, ...]

    def __hash__(self) -> int:
        return hash((self.states, self.taken))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Trace) and (self.states, self.taken, self.stands) == (
            other.states,
            other.taken,
            other.stands,
        )


class _Moment(NamedTuple):
    """What host and card see of one state, and what the card makes of it."""

    host: int
    received: int
    in_cycle: bool
    in_beat: bool


class _Meant(NamedTuple):
    """What a healthy run makes of a trace: the beat that the data is taken in begins and ends."""

    moments: Sequence[_Moment]
    in_beat: Sequence[bool]
    begin: int
    end: int

    @classmethod
    def of(cls, moments: Iterable[_Moment], taken: int) -> _Meant:
        """Take the moments of a healthy run."""
        seen = list(moments)
        in_beat = [each.in_beat for each in seen]
        return cls(seen, in_beat, *_stretch(in_beat, taken))


class _Sight:
    """What is seen of states with a fault; no state is worked out twice, unless a break keeps."""

    def __init__(self, view: CardView, fault: Fault | None) -> None:
        self._view = view
        self._network = Network(view.bus, [] if fault is None else [fault])
        lines = () if fault is None else lines_of(fault)
        self.is_of_data = any(line in view.bus.data for line in lines)
        self._keeps = isinstance(fault, Open) and fault.floats == "keep"
        self._known: dict[int, _Moment] = {}

    def over(self, trace: _Trace) -> Iterator[_Moment]:
        """Give what is seen of the states of a trace, one after the other."""
        if self._keeps:
            return map(self.at, trace.states, trace.drives)
        known = self._known
        pairs = zip(trace.states, trace.drives, strict=True)
        return (known[state] if state in known else self.at(state, each) for state, each in pairs)

    def at(self, state: int, drives: tuple[Drive, Drive]) -> _Moment:
        """Give what is seen of a state that follows the one asked for before."""
        if state not in self._known or self._keeps:
            levels = self._network.resolve(*drives)
            self._known[state] = _Moment(
                levels.host,
                levels.received,
                self._view.in_cycle(levels.received),
                self._view.in_beat(levels.received),
            )
        return self._known[state]


def _stretch(is_on: Sequence[bool], at: int) -> tuple[int, int]:
    """Give where what goes on at a place begins, and where it is over."""
    begin = end = at
    while begin and is_on[begin - 1] and is_on[at]:
        begin -= 1
    while end < len(is_on) and is_on[end]:
        end += 1
    return begin, end
