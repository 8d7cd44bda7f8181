"""Runs made in memory: a capture, what software wrote, and what it read back."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from benchmarks.readback_matrix import plan_for
from busdecode.access import AccessLog
from busdecode.compare import WholeRecording
from busdecode.cycles import DecodedPlace, Sampling, decode, looks_of, synthesise_log
from busdecode.diagnosis import NamedCapture, NamedLog, gather
from busdecode.diagnosis.evidence import Joint
from busdecode.faults import parse_fault
from busdecode.predict import FaultRows, Foretold, candidates
from tests.diagnosis.readbacks import bus_of, model_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.access import Access
    from busdecode.capture import Capture
    from busdecode.diagnosis import Gathered
    from busdecode.diagnosis.evidence import Evidence
    from busdecode.faults import Fault

__all__ = ["Made", "candidates_of", "foretold_by", "joint_of", "off_by", "run", "without"]


class Made(NamedTuple):
    """A run: the bus, what was seen at each place, and the log."""

    name: str
    places: dict[str, Capture]
    log: NamedLog

    def capture(
        self,
        lines: Sequence[str] | None = None,
        *,
        place: str = "host",
        name: str = "capture",
        is_logged: bool = True,
    ) -> NamedCapture:
        """Give a capture of some lines, or of all."""
        bus = bus_of(self.name)
        wanted = bus.line_names if lines is None else lines
        some = self.places[place].select([line for line in bus.line_names if line in wanted])
        table, _ = decode(bus, [some])
        recording = WholeRecording({place: DecodedPlace(bus, place, some, table, 0, ())})
        log = self.log.name if is_logged else None
        return NamedCapture(name, recording, log, looks_of(bus, some))

    def gathered(self, *captures: NamedCapture) -> Gathered:
        """Gather captures, and the log where they have one."""
        logs = [self.log] if any(each.log for each in captures) else []
        return gather(model_of(self.name), logs, captures)


def run(
    name: str,
    fault: Fault | str | None = None,
    *,
    seed: int = 0,
    accesses: Sequence[Access] | None = None,
    places: Sequence[str] = ("host",),
) -> Made:
    """Make planned accesses, or others, on a target."""
    bus = bus_of(name)
    given = parse_fault(fault, bus) if isinstance(fault, str) else fault
    made, log = synthesise_log(
        bus,
        plan_for(bus) if accesses is None else accesses,
        seed=seed,
        faults=[] if given is None else [given],
        places=places,
        sampling=Sampling(period=min(10_000, bus.shortest_pulse // 4)),
    )
    return Made(name, dict(made.places), NamedLog("log", AccessLog(tuple(log), 0, "log", ())))


def without(name: str, *lines: str) -> list[str]:
    """Give the lines of a bus but for some."""
    return [line for line in bus_of(name).line_names if line not in lines]


@cache
def candidates_of(name: str) -> tuple[Fault, ...]:
    """Give all candidates of a bus."""
    return tuple(candidates(bus_of(name)))


def joint_of(gathered: Gathered) -> Joint:
    """Put all that was gathered together."""
    lines = [piece for each in gathered.recorded for piece in each.pieces]
    return Joint.of([*gathered.logs, *lines])


def foretold_by(evidence: Evidence, fault: Fault | None) -> Foretold:
    """Give what one candidate foretells."""
    return next(evidence.over(FaultRows(evidence.model, [fault])))[1]


def off_by(evidence: Evidence, fault: Fault | None) -> list[int]:
    """Give the observations that contradict a candidate."""
    found = foretold_by(evidence, fault)
    off = (found.words[0] ^ evidence.seen) & found.known[0] & evidence.looked
    return off.nonzero()[0].tolist()
