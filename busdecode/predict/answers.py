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
from typing import TYPE_CHECKING

from busdecode.cycles import CardView
from busdecode.faults import Drive, Network, Open
from busdecode.predict.candidates import lines_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.cycles import Run
    from busdecode.faults import Fault, Levels
    from busdecode.protocol import Bus

    Drives = tuple[tuple[Drive, Drive], ...]

__all__ = ["ALL_LANES", "Answer", "Answers", "Outcome"]


ALL_LANES = -1
"""The lanes that the host meant."""


class Outcome(IntEnum):
    """How a transfer comes to the card, best first."""

    SEEN = 0
    """As the host meant it, but perhaps on other lanes."""
    UNSEEN = 1
    """Not at all: nothing is stored, and what is read floats."""
    UNSURE = 2
    """Otherwise; what is read, or what any word then holds, is not known."""
    LATCHED = 3
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
        self._plain = Network(bus, [])
        self._lanes_early = bus.take["lanes"].phase == "address" if "lanes" in bus.take else False
        self._resolvers: dict[Fault, _Resolver] = {}
        self._healthy: dict[Drives, tuple[list[Levels], list[bool]]] = {}

    def joined(self, fault: Fault, runs: Sequence[Run]) -> Answer:
        """Judge what becomes of any of these healthy runs with a fault: the worst, if they differ.

        Without runs nothing is known.
        """
        names = self._bus.line_names
        mask = self._view.lines | sum(1 << names.index(line) for line in lines_of(fault))
        if fault not in self._resolvers:
            self._resolvers[fault] = _Resolver(self._bus, fault)
        network = self._resolvers[fault]
        alike = dict.fromkeys(_drives(run, mask) for run in runs)
        answer: Answer | None = None
        for drives, taken in alike:
            each = self._of(network, drives, taken)
            if answer is None or each == answer:
                answer = each
            else:
                answer = Answer(max(answer.outcome, each.outcome, Outcome.UNSURE), 0)
            if answer.outcome >= Outcome.UNSURE:
                break
        return answer or Answer(Outcome.UNSURE, 0)

    def _of(self, network: _Resolver, drives: Drives, taken: int) -> Answer:
        """Judge one run; `taken` is the place in it at which data is taken."""
        view = self._view
        if drives not in self._healthy:
            levels = [self._plain.resolve(*each) for each in drives]
            self._healthy[drives] = levels, [view.in_beat(each.received) for each in levels]
        healthy, good = self._healthy[drives]
        faulty: list[Levels] = []
        bad: list[bool] = []
        for each, is_meant in zip(drives, good, strict=True):
            faulty.append(network.resolve(*each))
            bad.append(view.in_beat(faulty[-1].received))
            if bad[-1] and not is_meant:
                is_held = not good[-1] and view.in_beat(network.resolve(*drives[-1]).received)
                return Answer(Outcome.LATCHED if is_held else Outcome.UNSURE, 0)
        cycles = [[view.in_cycle(each.received) for each in levels] for levels in (healthy, faulty)]
        # A beat may begin later, or end earlier, where strobes come one after the other; the
        # address is taken where the cycle begins that it is in.
        begin, end = _stretch(good, taken)
        inside = bad[begin:end]
        if not any(inside) and bad[:begin] == good[:begin] and bad[end:] == good[end:]:
            return Answer(Outcome.UNSEEN, 0)
        first = begin + inside.index(True) if any(inside) else begin
        is_alike = bad[:begin] == good[:begin] and bad[end:] == good[end:]
        is_alike &= min(_stretch(bad, first)[1], end) - first == sum(inside)
        addressed = _stretch(cycles[0], first)[0]
        is_alike &= addressed == _stretch(cycles[1], first)[0]
        is_alike &= cycles[0][-1] == cycles[1][-1]
        is_alike = is_alike and all(
            view.answers(a.host) == view.answers(b.host)
            and view.used(a.received) == view.used(b.received)
            for a, b in zip(healthy[addressed:end], faulty[addressed:end], strict=True)
        )
        # Lines that tell lanes may float once the card has taken them.
        of_lanes = slice(addressed, addressed + 1) if self._lanes_early else slice(first, end)
        is_alike = is_alike and all(
            bool(self._bus.lane_strobes)
            or view.lane_inputs(a.received) == view.lane_inputs(b.received)
            for a, b in zip(healthy[of_lanes], faulty[of_lanes], strict=True)
        )
        if not is_alike:
            return Answer(Outcome.UNSURE, 0)
        kind = view.kind(faulty[first].received)
        if kind != view.kind(healthy[first].received):
            is_kept = kind is not None and kind.direction == "read"
            return Answer(Outcome.UNSEEN if is_kept else Outcome.UNSURE, 0)
        return Answer(Outcome.SEEN, self._lanes(faulty, bad, first))

    def _lanes(self, levels: Sequence[Levels], is_beat: Sequence[bool], first: int) -> int:
        """Give the lanes whose strobes come in the beat that begins at `first`; all without."""
        if not self._bus.lane_strobes:
            return ALL_LANES
        seen = takewhile(lambda each: each[1], list(zip(levels, is_beat, strict=True))[first:])
        return reduce(or_, (self._view.lanes(each.received) for each, _ in seen), 0)


def _stretch(is_on: Sequence[bool], at: int) -> tuple[int, int]:
    """Give where what goes on at a place begins, and where it is over."""
    begin = end = at
    while begin and is_on[begin - 1] and is_on[at]:
        begin -= 1
    while end < len(is_on) and is_on[end]:
        end += 1
    return begin, end


class _Resolver:
    """A network that need not work out the same drives twice, unless a break keeps levels."""

    def __init__(self, bus: Bus, fault: Fault) -> None:
        self._network = Network(bus, [fault])
        self._keeps = isinstance(fault, Open) and fault.floats == "keep"
        self._known: dict[tuple[Drive, Drive], Levels] = {}

    def resolve(self, host: Drive, card: Drive) -> Levels:
        if self._keeps:
            return self._network.resolve(host, card)
        if (host, card) not in self._known:
            self._known[host, card] = self._network.resolve(host, card)
        return self._known[host, card]


def _drives(run: Run, mask: int) -> tuple[Drives, int]:
    """Give what was driven on some lines, in order, each only where it changed.

    The second: where data is taken.
    """
    drives: list[tuple[Drive, Drive]] = []
    taken = 0
    at_end = max(run.moments.values())
    for at, each in enumerate(run.drives):
        host, card = (Drive(one.mask & mask, one.levels & mask) for one in each)
        if not drives or drives[-1] != (host, card):
            drives.append((host, card))
        if at == at_end:
            taken = len(drives) - 1
    return tuple(drives), taken
