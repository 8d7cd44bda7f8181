"""A million beats against all limits of the MC68000, beside decoding them alone.

Prints seconds and beats a second of both, their ratio, and peak memory. Captures of a
thousand made beats are laid end to end. Run: ``python -m benchmarks.replay_speed [BEATS]``.
"""

from __future__ import annotations

import resource
import sys
import time
from random import Random
from typing import TYPE_CHECKING

import numpy as np

from benchmarks.stimulus import random_accesses
from busdecode.capture import Capture
from busdecode.cycles import Decoder, Sampling, synthesise_log
from busdecode.protocol import load_bus
from busdecode.timing import Figures, Replay

if TYPE_CHECKING:
    from collections.abc import Iterator

ACCESSES = 1_000
PIECES_A_CHUNK = 20


def piece() -> Capture:
    """Make a thousand accesses, sampled at 100 MS/s."""
    bus = load_bus("mc68000")
    made, _ = synthesise_log(bus, random_accesses(bus, ACCESSES, Random(1)), sampling=Sampling())
    return made.places["host"]


def chunks(one: Capture, pieces: int) -> Iterator[Capture]:
    """Lay copies of a capture end to end, some to a chunk."""
    span = one.end + one.resolution - int(one.times[0])
    for first in range(0, pieces, PIECES_A_CHUNK):
        numbers = range(first, min(first + PIECES_A_CHUNK, pieces))
        yield Capture(
            lines=one.lines,
            times=np.concatenate([one.times + at * span for at in numbers]),
            states=np.concatenate([one.states for _ in numbers]),
            unknown=None,
            gaps=None,
            end=one.end + numbers[-1] * span,
            resolution=one.resolution,
            resolution_inferred=False,
            source="made",
            notes=(),
        )


def decoded(one: Capture, pieces: int) -> int:
    """Decode, and give the beats."""
    decoder = Decoder(load_bus("mc68000"), one.lines, one.resolution)
    beats, end = 0, 0
    for chunk in chunks(one, pieces):
        beats += len(decoder.feed(chunk))
        end = chunk.end
    return beats + len(decoder.finish(end))


def replayed(one: Capture, pieces: int) -> tuple[int, int]:
    """Replay, and give the beats, and how many limits were measured in any."""
    replay = Replay(Figures.of(load_bus("mc68000")), one.lines, one.resolution)
    end = 0
    for chunk in chunks(one, pieces):
        replay.feed(chunk)
        end = chunk.end
    replay.finish(end)
    found = replay.replayed("host")
    return found.beats, sum(result.checked > 0 for result in found.results)


def main() -> None:
    """Measure both, in turn."""
    pieces = max(1, (int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000) // ACCESSES)
    one = piece()
    decoded(one, 1)
    began = time.perf_counter()
    beats = decoded(one, pieces)
    alone = time.perf_counter() - began
    began = time.perf_counter()
    looked_at, limits = replayed(one, pieces)
    both = time.perf_counter() - began
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"decoded   {beats:>10,} beats in {alone:6.2f} s, {beats / alone:>12,.0f} a second")
    print(f"replayed  {looked_at:>10,} beats in {both:6.2f} s, {looked_at / both:>12,.0f} a second")
    print(f"{limits} limits measured; replay takes {both / alone:.1f} times decoding alone")
    print(f"peak memory {peak:.0f} MB")


if __name__ == "__main__":
    main()
