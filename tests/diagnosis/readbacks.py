"""Logs of writes and read-backs, written short: on 8 data lines, z80, or on 16, mc68000."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING

from busdecode.access import Access
from busdecode.diagnosis import judge, read_back
from busdecode.faults import parse_fault, written_fault
from busdecode.predict import FaultRows, Model
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from busdecode.diagnosis import Group, Judgement
    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = [
    "BASE",
    "at_once",
    "bus_of",
    "drawn",
    "fault_of",
    "foretold",
    "hexadecimal",
    "judged",
    "log_of",
    "model_of",
    "names",
    "read",
    "returned",
    "scored",
    "written",
]

BASE = 0x8000


@cache
def model_of(name: str) -> Model:
    """Give the model of a bus: of 8 data lines, z80, or of 16, mc68000."""
    return Model(load_bus(name))


def bus_of(name: str) -> Bus:
    """Give a bus."""
    return model_of(name).bus


def fault_of(text: str, name: str = "z80") -> Fault:
    """Read a fault of a bus."""
    return parse_fault(text, bus_of(name))


def names(faults: Iterable[Fault]) -> set[str]:
    """Write faults."""
    return {written_fault(fault) for fault in faults}


def written(offset: int, word: int, size: int = 1) -> Access:
    """Give a write."""
    return Access("write", BASE + offset, size, word)


def read(offset: int, word: int | None = None, size: int = 1) -> Access:
    """Give a read, and what it returned."""
    return Access("read", BASE + offset, size, word)


def log_of(text: str, size: int = 1) -> list[Access]:
    """Read a log such as ``w0=5A r0 r1=5A``: offsets, and words where there are any.

    A word has the size of its digits; a read without one has `size`, or that after a colon.
    """
    log = []
    for each in text.split():
        match = re.fullmatch("([wr])([0-9A-F]+)(?::([0-9]))?(?:=([0-9A-F]+))?", each)
        assert match is not None
        op, offset, told, word = match.groups()
        log.append(
            Access(
                {"w": "write", "r": "read"}[op],
                BASE + int(offset, 16),
                len(word) // 2 if word else int(told or size),
                int(word, 16) if word else None,
            )
        )
    return log


def at_once(words: Iterable[int], seen: Iterable[int] = (), size: int = 1) -> list[Access]:
    """Write words to one address, each read at once; without `seen` as it was written."""
    words = list(words)
    seen = list(seen) or words
    return [
        access
        for word, back in zip(words, seen, strict=True)
        for access in (written(0, word, size), read(0, back, size))
    ]


def foretold(
    name: str, accesses: Sequence[Access], faults: Sequence[Fault | None]
) -> tuple[list[list[int]], list[list[int]]]:
    """Give for each fault the word that each read returns, and the bits known of it."""
    model = model_of(name)
    blank = [
        access if access.op == "write" else Access("read", access.address, access.size, None)
        for access in accesses
    ]
    found = read_back(model, blank).foreteller.all(FaultRows(model, faults))
    return found.words.tolist(), found.known.tolist()


def returned(name: str, accesses: Sequence[Access], faults: Sequence[Fault]) -> list[list[int]]:
    """Give for each fault the word that each read returns; all of it must be known."""
    words, known = foretold(name, accesses, faults)
    full = (1 << len(bus_of(name).data)) - 1
    assert {bits for row in known for bits in row} == {full}
    return words


def drawn(words: Sequence[int], known: Sequence[int], digits: int) -> str:
    """Write words in hexadecimal, a question mark where some bit of a digit is not known."""
    return " ".join(
        "".join(
            f"{word >> shift & 15:X}" if bits >> shift & 15 == 15 else "?"
            for shift in range(4 * digits - 4, -1, -4)
        )
        for word, bits in zip(words, known, strict=True)
    )


def hexadecimal(text: str) -> list[int]:
    """Read words with blanks between."""
    return [int(word, 16) for word in text.split()]


def judged(accesses: Sequence[Access], faults: Sequence[Fault], name: str = "z80") -> Judgement:
    """Judge a log."""
    return judge(read_back(model_of(name), accesses), faults)


def scored(group: Group) -> tuple[int, int, int]:
    """Give the reads that a group explains, contradicts, and agrees with."""
    return group.explained, group.contradicted, group.agrees
