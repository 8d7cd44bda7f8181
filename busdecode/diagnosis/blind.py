"""What a log of writes and read-backs cannot show, whatever it returned."""

from __future__ import annotations

from functools import reduce
from operator import and_, or_
from typing import TYPE_CHECKING

from busdecode.protocol import listed_lines

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.access import Access
    from busdecode.protocol import Bus

__all__ = ["blind_spots", "unseen_by"]


def unseen_by(bus: Bus, captured: Sequence[str], accesses: Sequence[Access]) -> list[str]:
    """Say what logs and captures together tell nothing of.

    Parameters
    ----------
    bus : Bus
    captured : sequence of str
        Lines that some capture has.
    accesses : sequence of Access
        Of all logs, in the addresses of the bus.
    """
    if not captured:
        return blind_spots(bus, accesses)
    missing = [line for line in bus.line_names if line not in captured]
    told = _never_changed(bus, accesses)
    if missing:
        told.append(f"{listed_lines(bus, missing)}: no capture has them")
    return told


def blind_spots(bus: Bus, accesses: Sequence[Access], offset: int = 0) -> list[str]:
    """Say what read-backs of these accesses tell nothing of.

    References
    ----------
    .. [1] A one-to-one change on the way in is undone by the same change on the way out:
       read back is pi^-1(pi(x)) = x. The proof is trivial.

    Examples
    --------
    >>> from busdecode.access import Access
    >>> from busdecode.protocol import load_bus
    >>> told = blind_spots(load_bus("z80"), [Access("write", 0x8000, 1, 5)])
    >>> told[-1]
    'A15 to A0, which never changed in an address of this log'
    """
    told = [
        "lines swapped or inverted on the way that writes and reads share: one undoes the other",
        "lines that only other cycles use, timing margins, and when drivers let go",
    ]
    return told + _never_changed(bus, accesses, offset)


def _never_changed(bus: Bus, accesses: Sequence[Access], offset: int = 0) -> list[str]:
    """Name the address lines that no access moved, in one sentence; none where all moved."""
    if not accesses or not bus.address:
        return []
    word = bus.word_bytes
    addresses = [
        address
        for access in accesses
        for first in (access.address + offset,)
        for address in (first, *range(first // word * word + word, first + access.size, word))
    ]
    moved = reduce(or_, addresses) ^ reduce(and_, addresses)
    size = min(access.size for access in accesses)
    still = [
        line
        for line, bit in zip(bus.address, bus.address_bits, strict=True)
        if not moved >> bit & 1 and (1 << bit >= size)
    ]
    if not still:
        return []
    return [f"{listed_lines(bus, still)}, which never changed in an address of this log"]
