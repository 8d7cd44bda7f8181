"""Logs so long that the first reads decide which candidates are held against all of them."""

from __future__ import annotations

from random import Random

from busdecode.access import Access
from busdecode.cycles import synthesise_log
from busdecode.diagnosis import judge, read_back
from busdecode.faults import Bridge
from busdecode.predict import Model, candidates
from busdecode.protocol import load_bus


def test_a_pair_is_found_in_a_long_log() -> None:
    """Check a data line tied to an address line, in 1,200 writes and reads of random bytes."""
    bus, rng = load_bus("z80"), Random(7)
    asked = []
    for _ in range(1200):
        address = 0x8000 + rng.randrange(64)
        asked += [Access("write", address, 1, rng.getrandbits(8)), Access("read", address, 1, None)]
    log = synthesise_log(bus, asked, seed=1, faults=[Bridge("D2", "A3", "low-wins")])[1]
    evidence = read_back(Model(bus), log)

    verdict = judge(evidence, candidates(bus))

    assert len(evidence.seen) == 1200
    assert verdict.groups[0].faults == (Bridge("D2", "A3", "low-wins"),)
    assert (verdict.groups[0].contradicted, verdict.is_settled) == (0, True)
