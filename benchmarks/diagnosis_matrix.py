"""Every description, every kind of fault, several lines: all evidence against truth.

Run: ``python -m benchmarks.diagnosis_matrix [SEEDS [BUS ...]]``; ``--every N``: each Nth case;
``--mismatch``: what the candidates do not stand for; ``--show`` prints each case that is wrong.

Planned accesses are made on a synthesised target; where no memory answers, and so nothing can be
planned, accesses are drawn. Evidence is (a) what reads returned, (b) a
capture at the host alone, without a log, of 8, of 16, and of all lines, (c) reads and captures
together. Few channels are the strobes without which no cycle is seen, then lines drawn at random.
Words as in `benchmarks.readback_matrix`.

Mismatch: a bridge that the rule of no candidate decides (the host wins; by a third line), a fault
that is there in 1 to 5 % of beats or missing in as many, two faults at once, data that is let go
late. There a cause is right if its lines are those of a fault that was there; a settled one with
other lines is wrong.
"""

from __future__ import annotations

import re
import sys
from collections import Counter
from random import Random
from typing import TYPE_CHECKING

from benchmarks.fault_matrix import cases
from benchmarks.readback_matrix import buses, judged, plan_for, truth_of
from benchmarks.stimulus import random_accesses
from busdecode.access import AccessLog
from busdecode.compare import WholeRecording
from busdecode.cycles import DecodedPlace, Sampling, decode, strobes_of, synthesise_log
from busdecode.diagnosis import NamedCapture, NamedLog, diagnose, gather
from busdecode.errors import DescriptionError, LogError
from busdecode.faults import parse_fault
from busdecode.predict import Model, candidates
from busdecode.protocol import bundled_buses, load_bus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.access import Access
    from busdecode.capture import Capture
    from busdecode.diagnosis import Judgement
    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = ["EVIDENCE", "channels", "mismatched", "said_of", "verdict_of"]

EVIDENCE = ("log", "capture 8", "capture 16", "capture all", "both 8", "both 16", "both all")


_DRAWN = 120
"""So many accesses are drawn where none can be planned."""


def channels(bus: Bus, count: int, rng: Random) -> tuple[str, ...]:
    """Give the strobes that cycles need, and other lines, so many together at most."""
    strobes = strobes_of(bus, bus.line_names)
    marks = bus.marking_lines - {*bus.address, *bus.data}
    fixed = list(dict.fromkeys((*strobes, *(line for line in bus.line_names if line in marks))))
    fixed = fixed[: count - 2]
    rest = [line for line in bus.line_names if line not in fixed]
    rng.shuffle(rest)
    chosen = {*fixed, *rest[: max(0, count - len(fixed))]}
    return tuple(line for line in bus.line_names if line in chosen)


def _capture(bus: Bus, whole: Capture, lines: Sequence[str]) -> NamedCapture:
    some = whole.select(lines)
    table, _ = decode(bus, [some])
    return NamedCapture(
        "capture", WholeRecording({"host": DecodedPlace(bus, "host", some, table, 0, ())})
    )


def verdict_of(
    model: Model,
    faults: Sequence[Fault],
    made: tuple[Capture, Sequence[Access]],
    evidence: str,
    rng: Random,
) -> Judgement | None:
    """Judge a run by one kind of evidence; None where the capture shows nothing of use."""
    bus = model.bus
    log = NamedLog("log", AccessLog(tuple(made[1]), 0, "log", ()))
    kind, _, count = evidence.partition(" ")
    if kind == "log":
        gathered = gather(model, [log], [])
        return diagnose(gathered.logs, [], faults)[1]
    lines = bus.line_names if count == "all" else channels(bus, int(count), rng)
    try:
        capture = _capture(bus, made[0], lines)
        if kind == "both":
            gathered = gather(model, [log], [capture._replace(log="log")])
        else:
            gathered = gather(model, [], [capture])
    except (LogError, DescriptionError):
        return None
    return diagnose(gathered.logs, gathered.recorded, faults)[1]


def mismatched(bus: Bus, rng: Random) -> list[tuple[str, str]]:
    """Draw faults that no single candidate stands for; several are joined by a comma."""
    d = rng.sample(list(bus.data), 4)
    address = [line for line in bus.address if line not in bus.data] or list(bus.address)
    found = [
        ("host wins", f"bridge {d[0]} {d[1]} host-wins"),
        ("in 1 % of beats", f"intermittent 1 stuck {d[2]} low"),
        ("in 5 % of beats", f"intermittent 5 bridge {d[0]} {d[2]} low-wins"),
        ("missing in 3 %", f"intermittent 97 stuck {d[1]} high"),
        ("two at once", f"stuck {d[0]} low, bridge {d[1]} {d[2]} high-wins"),
    ]
    if len(address) > 1:
        a, b = rng.sample(address[-6:], 2)
        found += [
            ("by a third line", f"when {a} high bridge {d[0]} {d[1]} low-wins"),
            ("two at once", f"bridge {a} {b} low-wins, open {d[3]} high"),
        ]
    return found


def _accesses(bus: Bus) -> Sequence[Access]:
    return plan_for(bus) if bus.name in buses() else random_accesses(bus, _DRAWN, Random(bus.name))


def _faults(text: str, bus: Bus) -> list[Fault]:
    return [parse_fault(each.strip(), bus) for each in text.split(",")] if text else []


def said_of(
    model: Model, faults: Sequence[Fault], text: str, seed: int, *, shows: bool = False
) -> dict[str, str]:
    """Say for each kind of evidence how a run with a fault is judged."""
    bus = model.bus
    made, log = synthesise_log(
        bus,
        _accesses(bus),
        seed=seed,
        faults=_faults(text, bus),
        places=("host",),
        sampling=Sampling(period=min(10_000, bus.shortest_pulse // 4)),
    )
    said = {}
    for evidence in EVIDENCE:
        verdict = verdict_of(model, faults, (made.places["host"], log), evidence, Random(seed))
        if verdict is None or verdict.healthy is None:
            said[evidence] = "nothing to see"
        elif not text:
            said[evidence] = "invented" if verdict.healthy is False else "healthy"
        else:
            # That the tie depends on a third line is not asked for.
            parts = [re.sub(r"^ *when \S+ high ", "", part) for part in text.split(",")]
            words = [judged(verdict, truth_of(part, bus)) for part in parts]
            said[evidence] = min(words, key=_rank)
        if shows and said[evidence] in ("wrong", "invented"):
            print(f"  {said[evidence]}: {bus.name} {text} by {evidence}: {verdict.groups[0]}")
    return said


def _rank(word: str) -> int:
    return ("first", "twins", "undetermined", "unseen", "wrong").index(word)


def _main(arguments: list[str]) -> None:
    shows, is_other = "--show" in arguments, "--mismatch" in arguments
    every = 1
    if "--every" in arguments:
        at = arguments.index("--every")
        every = int(arguments[at + 1])
        del arguments[at : at + 2]
    plain = [each for each in arguments if not each.startswith("--")]
    seeds = int(plain[0]) if plain else 1
    total: dict[str, Counter[str]] = {evidence: Counter() for evidence in EVIDENCE}
    for name in plain[1:] or bundled_buses():
        bus = load_bus(name)
        model, faults = Model(bus), candidates(bus)
        mine: dict[str, Counter[str]] = {evidence: Counter() for evidence in EVIDENCE}
        for seed in range(seeds):
            rng = Random(f"{name} {seed} all")
            rows = mismatched(bus, rng) if is_other else [("healthy", ""), *cases(bus, rng)]
            for number, (_, text) in enumerate(rows[:: 1 if is_other else every]):
                if text.endswith(" hangs"):
                    continue
                said = said_of(model, faults, text, 1000 * seed + number, shows=shows)
                for evidence, word in said.items():
                    mine[evidence][word] += 1
        print(f"{name}:")
        for evidence, counts in mine.items():
            print(f"  {evidence:12} " + ", ".join(f"{n} {w}" for w, n in sorted(counts.items())))
            total[evidence].update(counts)
        sys.stdout.flush()
    print("in all:")
    for evidence, counts in total.items():
        print(f"  {evidence:12} " + ", ".join(f"{n} {w}" for w, n in sorted(counts.items())))


if __name__ == "__main__":
    _main(sys.argv[1:])
