"""Plans for the byte lanes, and for a data line bridged to the strobe that latches it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.access import Access, split_access
from busdecode.errors import RequestError
from busdecode.plan.planned import Plan, Planned, read, write
from busdecode.plan.vectors import VECTOR_SETS

if TYPE_CHECKING:
    from busdecode.plan.window import Window
    from busdecode.protocol import Bus

__all__ = ["legal_parts", "plan_lanes", "plan_strobes", "strobe_rest"]


def legal_parts(bus: Bus, *, is_natural: bool = False) -> list[tuple[int, int]]:
    """Give every size and offset in the word that one cycle of the bus moves, smallest first.

    Parameters
    ----------
    bus : Bus
    is_natural : bool
        Only sizes of 1, 2, 4 and 8 bytes at multiples of themselves, as compilers make them.

    Examples
    --------
    >>> from busdecode.protocol import load_bus
    >>> legal_parts(load_bus("mc68000"))
    [(1, 0), (1, 1), (2, 0)]
    """
    return [
        (size, offset)
        for size in range(1, bus.word_bytes + 1)
        for offset in range(bus.word_bytes - size + 1)
        if len(split_access(bus, Access("write", offset, size, 0))) == 1
        and not (is_natural and (size not in (1, 2, 4, 8) or offset % size))
    ]


def plan_lanes(window: Window, *, is_natural: bool = False) -> Plan:
    """Plan every legal size and alignment in the first whole word of the window.

    The word is filled; the part is written with other bytes; the word is read, in which only the
    part may have changed, and then the part. No two bytes of a word are alike.

    Raises
    ------
    RequestError
        If the window holds no whole word of the bus.
    """
    bus = window.bus
    word = -(-window.base // bus.word_bytes) * bus.word_bytes
    if word + bus.word_bytes > window.base + window.span:
        raise RequestError(
            f"the span holds no whole word of {bus.name}",
            expected=f"{bus.word_bytes} bytes from a multiple of {bus.word_bytes} on",
        )
    whole = bus.word_bytes
    filled = [0x10 * (at + 1) | at for at in range(whole)]
    parts = legal_parts(bus, is_natural=is_natural)
    steps: list[Planned] = []
    for unit, (size, offset) in enumerate(parts):
        purpose = f"lanes: {size} byte{'s' if size > 1 else ''} at word + {offset}"
        after = [
            byte ^ 0xFF if offset <= at < offset + size else byte for at, byte in enumerate(filled)
        ]
        part = _number(bus, after[offset : offset + size])
        steps += [
            write(word, whole, _number(bus, filled), purpose, unit),
            write(word + offset, size, part, purpose, unit),
            read(word, whole, _number(bus, after), purpose, unit),
            read(word + offset, size, part, purpose, unit),
        ]
    left_out = len(legal_parts(bus)) - len(parts)
    notes = (f"{left_out} legal parts are left out, which no plain C access makes",)
    return Plan("lanes", tuple(steps), notes if left_out else ())


def _number(bus: Bus, stored: list[int]) -> int:
    return int.from_bytes(bytes(stored), "big" if bus.big_endian else "little")


def strobe_rest(bus: Bus) -> int:
    """Give the level at which strobes rest: a data line at that level can hold one back.

    Where some rest high and some low, those that rest high count: they are most.
    """
    strobes = [line for line in bus.lines if line.role in ("strobe", "lane")]
    return 1 if any(line.active_low for line in strobes) else 0


def plan_strobes(window: Window) -> Plan:
    """Plan words that spell the number of a data line that holds a strobe back.

    A data line bridged to a strobe that rests high holds it high while it is 1: the word is not
    written. Before each word the cell is filled with what no line can hold back. Of the first
    words, those that were not written are the 1 digits of the line's number, low digit first;
    of the complements, the 0 digits.
    """
    rest = strobe_rest(window.bus)
    full = (1 << window.bits) - 1
    fill = 0 if rest else full
    words = VECTOR_SETS["true-complement"](window.bits)
    steps: list[Planned] = []
    for unit, word in enumerate(words):
        digit, is_complement = unit % (len(words) // 2), unit >= len(words) // 2
        purpose = (
            f"strobes: stays 0x{fill:X} where digit {digit} of the line's number "
            f"is {rest ^ is_complement}"
        )
        steps += [
            write(window.base, window.size, fill, purpose, unit),
            write(window.base, window.size, word, purpose, unit),
            read(window.base, window.size, word, purpose, unit),
        ]
    notes = (
        "a line that a strobe pulls low reads as one stuck low: only a capture tells that it "
        "falls with the strobe",
    )
    return Plan("strobe-bridges", tuple(steps), notes)
