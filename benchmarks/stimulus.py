"""Random access logs that any bundled bus can carry, and one run of them with faults."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.access import Access, AccessLog
from busdecode.compare import compare
from busdecode.cycles import DecodedPlace, Sampling, decode, synthesise_log

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from random import Random

    from busdecode.capture import Capture
    from busdecode.compare import Comparison
    from busdecode.cycles import Synthesis
    from busdecode.faults import Fault
    from busdecode.protocol import Bus, Kind

__all__ = ["address_bits", "compared", "decoded", "logged_kinds", "made", "random_accesses"]

_LEFT_OUT = (
    "interrupt-acknowledge",
    "address-only",
    "block-of-64-bits",
    "block-read",
    "block-write",
)


def logged_kinds(bus: Bus) -> list[Kind]:
    """Give the kinds that software asks for: no refresh, vectors, blocks."""
    kinds = [kind for kind in bus.kinds if kind.beats and kind.name not in _LEFT_OUT]
    return [kind for kind in kinds if kind.direction != "none"]


def address_bits(bus: Bus, kind: Kind) -> int:
    """Give the address bits that a kind uses with the modifier that is made by default."""
    levels = {
        line: values[0] >> at & 1
        for lines, values in (*kind.levels, *bus.making_levels[kind.name])
        for at, line in enumerate(reversed(lines))
    }
    for marking, mask in bus.address_used:
        if all(
            sum(levels.get(line, 1) << at for at, line in enumerate(reversed(lines))) in values
            for lines, values in marking
        ):
            return mask | bus.word_bytes - 1
    return (1 << bus.address_width) - 1 if bus.address else 0


def random_accesses(bus: Bus, count: int, rng: Random) -> list[Access]:
    """Draw writes, and reads of what was written, of every size that fits a word.

    Where a space keeps nothing, reads are of anything.
    """
    kinds = logged_kinds(bus)
    writes = [kind for kind in kinds if kind.direction == "write"]
    made: list[Access] = []
    written: dict[str, list[tuple[int, int]]] = {}
    sizes = [each for each in (1, 2, 4) if each <= bus.word_bytes]
    for _ in range(count):
        kind = rng.choice(kinds)
        known = written.get(kind.space, [])
        if kind.direction == "read" and kind.space == "none":
            made.append(Access(kind.name, rng.getrandbits(32) & address_bits(bus, kind), 1, None))
            continue
        if kind.direction == "read" and known:
            address, size = rng.choice(known)
            made.append(Access(kind.name, address, size, None))
            continue
        kind = kind if kind.direction == "write" else rng.choice(writes)
        known = written.setdefault(kind.space, [])
        size = rng.choice(sizes)
        address = rng.getrandbits(32) & address_bits(bus, kind)
        if known and rng.random() < 0.5:
            address = rng.choice(known)[0]
        address = address // size * size
        made.append(Access(kind.name, address, size, rng.getrandbits(8 * size)))
        known.append((address, size))
    return made


def made(
    bus: Bus,
    accesses: Sequence[Access],
    *,
    seed: int,
    faults: Sequence[Fault] = (),
    sampling: Sampling | None = None,
) -> tuple[Synthesis, AccessLog]:
    """Synthesise accesses; give the captures and the log of what the host read."""
    synthesis, log = synthesise_log(bus, accesses, seed=seed, faults=faults, sampling=sampling)
    return synthesis, AccessLog(tuple(log), 0, "made", ())


def decoded(bus: Bus, captures: Mapping[str, Capture], *, skew: int = 0) -> dict[str, DecodedPlace]:
    """Decode the captures of some places."""
    places = {}
    for name, capture in captures.items():
        table, decoder = decode(bus, [capture], skew=skew)
        places[name] = DecodedPlace(bus, name, capture, table, skew, tuple(decoder.notes))
    return places


def compared(
    bus: Bus,
    accesses: Sequence[Access],
    *,
    seed: int,
    faults: Sequence[Fault] = (),
    sampling: Sampling | None = None,
) -> Comparison:
    """Synthesise accesses, decode both places, and compare with what the host read."""
    sampling = sampling or Sampling()
    synthesis, log = made(bus, accesses, seed=seed, faults=faults, sampling=sampling)
    skew = sampling.skew + sampling.jitter
    return compare(decoded(bus, synthesis.places, skew=skew), log)
