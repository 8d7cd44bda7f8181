"""A case of ten captures and a log each: seconds to diagnose it, beside reading it in alone.

Run: ``python -m benchmarks.case_speed [BUS [CAPTURES]]``. Prints seconds of decoding the captures
(the reference, in the same run), of the verdict by all candidates, their ratio, and peak memory.
Every third capture is of all lines, the others of 8 channels.
"""

from __future__ import annotations

import resource
import sys
import time
from random import Random

from benchmarks.diagnosis_matrix import channels
from benchmarks.readback_matrix import plan_for
from busdecode.access import AccessLog
from busdecode.compare import WholeRecording
from busdecode.cycles import DecodedPlace, Sampling, decode, synthesise_log
from busdecode.diagnosis import NamedCapture, NamedLog, diagnose, gather
from busdecode.faults import parse_fault
from busdecode.predict import Model, candidates
from busdecode.protocol import load_bus


def _main(arguments: list[str]) -> None:
    bus = load_bus(arguments[0] if arguments else "z80")
    count = int(arguments[1]) if len(arguments) > 1 else 10
    model, faults = Model(bus), candidates(bus)
    one, other = bus.data[:2]
    fault = parse_fault(f"bridge {one} {other} low-wins", bus)
    logs, parts = [], []
    for at in range(count):
        made, log = synthesise_log(
            bus,
            plan_for(bus),
            seed=at,
            faults=[fault],
            places=("host",),
            sampling=Sampling(period=min(10_000, bus.shortest_pulse // 4)),
        )
        lines = channels(bus, 8, Random(at)) if at % 3 else bus.line_names
        logs.append(NamedLog(f"log {at}", AccessLog(tuple(log), 0, f"log {at}", ())))
        parts.append(made.places["host"].select(lines))
    begun = time.perf_counter()
    captures = []
    for at, part in enumerate(parts):
        table, _ = decode(bus, [part])
        recording = WholeRecording({"host": DecodedPlace(bus, "host", part, table, 0, ())})
        captures.append(NamedCapture(f"capture {at}", recording, f"log {at}"))
    read = time.perf_counter() - begun
    begun = time.perf_counter()
    gathered = gather(model, logs, captures)
    put = time.perf_counter() - begun
    _, judgement = diagnose(gathered.logs, gathered.recorded, faults)
    whole = time.perf_counter() - begun
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{bus.name}: {count} captures, {len(faults)} candidates")
    print(f"  decoding them   {read:6.2f} s")
    print(f"  gathering       {put:6.2f} s")
    print(f"  the whole       {whole:6.2f} s, {whole / read:.0f} times decoding")
    print(f"  peak memory     {memory:6.0f} MiB; settled: {judgement.is_settled}")


if __name__ == "__main__":
    _main(sys.argv[1:])
