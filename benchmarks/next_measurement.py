"""How many measurements lead to one group: those that are proposed, and others in a fixed order.

Run: ``python -m benchmarks.next_measurement [SEEDS [BUS ...]]``; ``--every N``: each Nth case;
``--show`` prints the way of each case.

The first look is a planned log and a capture of 8 lines at the host, the strobes among them. Where
that settles nothing, though something is wrong, one measurement after the other is made on the
synthesised target, and all evidence is weighed again, until one group is the answer. *Proposed*:
each time the best of what `next_measures` gives that was not made yet. Fixed, as at a bench without
advice: *captures* of the same run with all other lines, in the description's order, as many at a
time as channels are left, at the host and then at the card; *beeps* of each line from end to end,
to ground, to the supply and to the next line; *accesses* as `steps_of` lists them. The meter reads
what the definition of the fault says. Medians and worst cases are of those that reached one group;
beside them how many never did, and in how many that group was wrong.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from functools import partial
from random import Random
from statistics import median
from typing import TYPE_CHECKING

from benchmarks.diagnosis_matrix import channels
from benchmarks.fault_matrix import cases
from benchmarks.readback_matrix import buses, judged, plan_for, truth_of
from busdecode.access import AccessLog
from busdecode.compare import WholeRecording
from busdecode.cycles import (
    DecodedPlace,
    Sampling,
    decode,
    decode_places,
    looks_of,
    strobes_of,
    synthesise_log,
)
from busdecode.diagnosis import (
    NamedCapture,
    NamedLog,
    beeped,
    diagnose,
    gather,
    next_measures,
    reached_window,
    steps_of,
    telling_points,
)
from busdecode.faults import RAILS, parse_fault
from busdecode.predict import Model, candidates
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.access import Access
    from busdecode.cycles import Synthesis
    from busdecode.diagnosis import Evidence, Gathered, Judgement, Measure
    from busdecode.faults import Fault

CHANNELS, MOST = 8, 30
"""Of the analyzer; and so many measurements at most, as proposed."""


@dataclass
class Repair:
    """A target with a fault, and what was found out about it so far."""

    model: Model
    faults: Sequence[Fault]
    truth: Fault
    seed: int
    logs: list[NamedLog] = field(default_factory=list)
    captures: list[NamedCapture] = field(default_factory=list)
    readings: list[tuple[str, str, bool]] = field(default_factory=list)
    clipped: list[tuple[str, str]] = field(default_factory=list)
    made: Synthesis = field(init=False)
    gathered: Gathered = field(init=False)
    seen: Evidence = field(init=False)

    def __post_init__(self) -> None:
        """Take the first look."""
        self.made, log = self._run(plan_for(self.model.bus))
        self.logs.append(log)
        lines = channels(self.model.bus, CHANNELS, Random(self.seed))
        self.capture([("host", line) for line in lines])

    @property
    def fixed(self) -> tuple[str, ...]:
        """The lines that stay clipped on."""
        return strobes_of(self.model.bus, self.model.bus.line_names)

    def _run(self, accesses: Sequence[Access]) -> tuple[Synthesis, NamedLog]:
        bus = self.model.bus
        made, log = synthesise_log(
            bus,
            accesses,
            seed=self.seed + len(self.logs),
            faults=[self.truth],
            sampling=Sampling(period=min(10_000, bus.shortest_pulse // 4)),
        )
        name = f"log {len(self.logs)}"
        return made, NamedLog(name, AccessLog(tuple(log), 0, name, ()))

    def capture(self, clipped: Sequence[tuple[str, str]]) -> None:
        """Make the planned accesses again, with these lines clipped on."""
        bus, self.clipped = self.model.bus, list(clipped)
        at = {place: {line for p, line in clipped if p == place} for place in ("host", "card")}
        looks = None
        if at["card"]:
            names = [f"{p}.{line}" for p in at for line in bus.line_names if line in at[p]]
            recording = WholeRecording(decode_places(self.made.scoped().select(names), bus))
        else:
            some = self.made.places["host"].select([n for n in bus.line_names if n in at["host"]])
            place = DecodedPlace(bus, "host", some, decode(bus, [some])[0], 0, ())
            recording, looks = WholeRecording({"host": place}), looks_of(bus, some)
        name = f"capture {len(self.captures)}"
        self.captures.append(NamedCapture(name, recording, "log 0", looks))

    def beep(self, one: str, other: str) -> bool:
        """Read the meter; give whether it reads as on a healthy bus."""
        is_told = frozenset((one, other)) in map(frozenset, telling_points(self.truth))
        self.readings.append((one, other, (one == other) ^ is_told))
        return not is_told

    def access(self, accesses: Sequence[Access]) -> None:
        """Make some accesses."""
        self.logs.append(self._run(accesses)[1])

    def weigh(self) -> Judgement:
        """Weigh all that is known."""
        self.gathered = gather(self.model, self.logs, self.captures)
        evidence: list[Evidence] = [*self.gathered.logs]
        if self.readings:
            evidence.append(beeped(self.model, self.readings))
        self.seen, judgement = diagnose(evidence, self.gathered.recorded, self.faults)
        return judgement

    def proposed(self, judgement: Judgement) -> list[Measure]:
        """Ask what to do next."""
        accesses = [each for log in self.logs for each in log.log.accesses]
        return next_measures(
            self.seen,
            judgement,
            self.gathered.recorded,
            reached_window(self.model.bus, accesses),
            channels=CHANNELS,
            fixed=self.fixed,
            beeped=[frozenset((a, b)) for a, b, _ in self.readings],
        )

    def make(self, measure: Measure) -> None:
        """Make one measurement that is proposed."""
        if measure.step is not None:
            self.access(measure.step.accesses)
        elif measure.how == "beep":
            self.beep(*measure.lines)
        else:
            on = [(measure.place, line) for line in measure.lines]
            stay = [each for each in self.clipped if each[1] in self.fixed]
            kept = [each for each in self.clipped if each not in (*stay, *measure.instead)]
            room = CHANNELS - len(stay) - len(on)
            self.capture([*stay, *kept[:room], *on])


def adaptive(repair: Repair, judgement: Judgement, *, shows: bool) -> tuple[int, Judgement] | None:
    """Follow what is proposed; give the measurements until one group is left, None if never."""
    made: set[str] = set()
    for count in range(MOST):
        if judgement.is_settled:
            return count, judgement
        left = [each for each in repair.proposed(judgement) if each.sentence not in made]
        if not left:
            return None
        made.add(left[0].sentence)
        if shows:
            print(f"    {left[0].gain:.2f} bits  {left[0].how}: {left[0].sentence}")
        repair.make(left[0])
        judgement = repair.weigh()
    return None


def by_captures(repair: Repair) -> tuple[int, Judgement] | None:
    """Capture all other lines, in order, as many at a time as channels are left."""
    bus, fixed = repair.model.bus, repair.fixed
    free = CHANNELS - len(fixed)
    lines = [line for line in bus.line_names if line not in fixed]
    parts = [
        [(place, line) for line in lines[at : at + free]]
        for place in ("host", "card")
        for at in range(0, len(lines), free)
    ]
    for count, part in enumerate(parts, 1):
        repair.capture([*(("host", line) for line in fixed), *part])
        judgement = repair.weigh()
        if judgement.is_settled:
            return count, judgement
    return None


def by_beeps(repair: Repair) -> tuple[int, Judgement] | None:
    """Beep every line in order; all is weighed again where the meter reads what it should not."""
    lines = repair.model.bus.line_names
    count = 0
    for at, line in enumerate(lines):
        for other in (line, *RAILS, *lines[at + 1 : at + 2]):
            count += 1
            if not repair.beep(line, other):
                judgement = repair.weigh()
                if judgement.is_settled:
                    return count, judgement
    judgement = repair.weigh()
    return (count, judgement) if judgement.is_settled else None


def by_accesses(repair: Repair) -> tuple[int, Judgement] | None:
    """Make all steps of writes and reads in order."""
    window = reached_window(repair.model.bus, repair.logs[0].log.accesses)
    steps = [] if window is None else steps_of(window)
    for count, step in enumerate(steps[:MOST], 1):
        repair.access(step.accesses)
        judgement = repair.weigh()
        if judgement.is_settled:
            return count, judgement
    return None


WAYS = {"captures": by_captures, "beeps": by_beeps, "accesses": by_accesses}


def _main(arguments: list[str]) -> None:
    every, shows = 1, "--show" in arguments
    if "--every" in arguments:
        at = arguments.index("--every")
        every = int(arguments[at + 1])
        del arguments[at : at + 2]
    plain = [each for each in arguments if not each.startswith("--")]
    total: dict[str, list[int | str]] = {way: [] for way in ("proposed", *WAYS)}
    for name in plain[1:] or buses():
        bus = load_bus(name)
        model, faults = Model(bus), candidates(bus)
        mine: dict[str, list[int | str]] = {way: [] for way in total}
        looked = begun = 0
        for seed in range(int(plain[0]) if plain else 1):
            rows = cases(bus, Random(f"{name} {seed} next"))[::every]
            for number, (_, text) in enumerate(rows):
                if text.endswith(" hangs"):
                    continue
                looked += 1
                truth = parse_fault(text, bus)
                fresh = partial(Repair, model, faults, truth, 1000 * seed + number)
                first = fresh()
                judgement = first.weigh()
                if judgement.healthy is not False or judgement.is_settled:
                    continue
                begun += 1
                if shows:
                    print(f"  {name} {text}: {len(judgement.groups)} groups", flush=True)
                found = {"proposed": adaptive(first, judgement, shows=shows)}
                found.update((way, take(fresh())) for way, take in WAYS.items())
                for way, reached in found.items():
                    mine[way].append(_said(reached, text, model))
                if shows:
                    print("    " + ", ".join(f"{way} {mine[way][-1]}" for way in mine), flush=True)
        print(f"{name}: {looked} cases, {begun} of them wrong and not settled at first")
        _tell(mine)
        for way, counts in mine.items():
            total[way] += counts
    print("in all:")
    _tell(total)


def _said(reached: tuple[int, Judgement] | None, text: str, model: Model) -> int | str:
    if reached is None:
        return "never"
    count, judgement = reached
    return "wrong" if judged(judgement, truth_of(text, model.bus)) == "wrong" else count


def _tell(found: dict[str, list[int | str]]) -> None:
    for way, counts in found.items():
        reached = [each for each in counts if isinstance(each, int)]
        told = f"median {median(reached):g}, worst {max(reached)}" if reached else "-"
        print(
            f"  {way:9} {len(reached)} of {len(counts)} reach one group: {told}; "
            f"never {counts.count('never')}, wrong {counts.count('wrong')}",
            flush=True,
        )


if __name__ == "__main__":
    _main(sys.argv[1:])
