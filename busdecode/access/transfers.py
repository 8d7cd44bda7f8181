"""Accesses that software asks for, and the transfers that the bus makes of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from busdecode.errors import LogError, quoted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from busdecode.protocol import Bus, Kind

__all__ = ["Access", "Transfer", "kind_of", "lane_mask", "split_access", "taken_out"]


@dataclass(frozen=True)
class Access:
    """What software asked for.

    Parameters
    ----------
    op : str
        ``read``, ``write``, or the name of another kind of the bus.
    address : int
        Byte address.
    size : int
        Bytes.
    data : int or None
        What was written, or what the read returned, as one number in the bus's byte order.
    expected : int or None
        For a read of what nobody wrote: what it should have returned.
    line : int
        Where it stands in the log, from 1; 0 for an access made by hand.
    """

    op: str
    address: int
    size: int
    data: int | None
    expected: int | None = None
    line: int = 0


@dataclass(frozen=True)
class Transfer:
    """What one beat moves.

    Parameters
    ----------
    kind : str
        Name of a kind of the bus.
    address : int
        Byte address of the lowest byte that takes part.
    lanes : int
        One bit a lane, the most significant lane at the highest bit.
    data : int or None
        The word with each byte in its lane, 0 elsewhere; None where it is the card's to give.
    joined : bool
        This beat belongs to the cycle of the transfer before it.
    """

    kind: str
    address: int
    lanes: int
    data: int | None
    joined: bool = False


def kind_of(bus: Bus, op: str) -> Kind | None:
    """Give the kind of cycle that an operation asks for; None where the bus has none such."""
    named = [kind for kind in bus.kinds if kind.name == op and kind.beats]
    if named:
        return named[0]
    going = [kind for kind in bus.kinds if kind.direction == op and kind.beats]
    return going[0] if going else None


def lane_mask(bus: Bus, lanes: int) -> int:
    """Give the data bits of lanes."""
    one = (1 << bus.lane_bits) - 1
    return sum(one << lane * bus.lane_bits for lane in range(bus.lane_count) if lanes >> lane & 1)


def split_access(bus: Bus, access: Access) -> list[tuple[Transfer, int, int]]:
    """Split an access into the transfers that carry it, lowest address first.

    Lanes of eight bits or more: each holds the bytes of its own addresses. A bus whose lane
    table does not name a set of lanes gets the access in smaller parts.

    Returns
    -------
    list of (Transfer, int, int)
        Each transfer; its data, or 0 where the access has none; and what was expected to be
        read, -1 where the access does not say.

    Raises
    ------
    LogError
        If the bus has no cycle for the access, or its data is wider than its size.

    Examples
    --------
    A long word on a bus of 16 bits takes two words:

    >>> from busdecode.protocol import load_bus
    >>> long = Access("write", 0x1000, 4, 0x12345678)
    >>> [hex(part.data) for part, _, _ in split_access(load_bus("mc68000"), long)]
    ['0x1234', '0x5678']
    """
    kind = kind_of(bus, access.op)
    if kind is None:
        raise LogError(
            f"{bus.name} has no cycle for {quoted(access.op)}",
            line=access.line or None,
            expected=f"one of {', '.join(k.name for k in bus.kinds if k.beats)}",
        )
    for name, value in (("data", access.data), ("expected data", access.expected)):
        if value is not None and value >> 8 * access.size:
            raise LogError(
                f"{name} 0x{value:X} is wider than the access of {access.size} bytes",
                line=access.line or None,
                expected=f"at most 0x{(1 << 8 * access.size) - 1:X}",
            )
    parts: list[tuple[Transfer, int, int]] = []
    at = access.address
    end = access.address + access.size
    allowed = {
        sum(1 << bus.lane_count - 1 - lane for lane, flag in enumerate(row.lanes) if flag)
        for row in bus.lane_rows
    }
    while at < end:
        word = at // bus.word_bytes * bus.word_bytes
        stop = min(end, word + bus.word_bytes)
        lanes = _lanes(bus, at - word, stop - word)
        while allowed and lanes not in allowed and stop - at > bus.lane_bytes:
            stop -= bus.lane_bytes
            lanes = _lanes(bus, at - word, stop - word)
        data = _placed(bus, access, access.data, at, stop)
        expected = _placed(bus, access, access.expected, at, stop)
        transfer = Transfer(kind.name, at, lanes, data if kind.direction == "write" else None)
        parts.append((transfer, data or 0, -1 if expected is None else expected))
        at = stop
    return parts


def _lanes(bus: Bus, first: int, stop: int) -> int:
    lanes = 0
    for lane in range(bus.lane_count):
        offset = bus.lane_offset(lane)
        if first < offset + bus.lane_bytes and offset < stop:
            lanes |= 1 << bus.lane_count - 1 - lane
    return lanes


def _shifts(bus: Bus, access: Access, at: int, stop: int) -> Iterator[tuple[int, int]]:
    """Give, for each byte of the access from `at` to `stop`, its bit in the access and the word."""
    word = at // bus.word_bytes * bus.word_bytes
    for address in range(at, stop):
        offset, place = address - access.address, address - word
        if bus.big_endian:
            yield 8 * (access.size - 1 - offset), 8 * (bus.word_bytes - 1 - place)
        else:
            yield 8 * offset, 8 * place


def _placed(bus: Bus, access: Access, value: int | None, at: int, stop: int) -> int | None:
    if value is None:
        return None
    return sum(
        (value >> in_access & 0xFF) << in_word
        for in_access, in_word in _shifts(bus, access, at, stop)
    )


def taken_out(bus: Bus, access: Access, transfer: Transfer, word: int) -> int:
    """Take an access's bytes out of the word that one of its transfers moved.

    Returns
    -------
    int
        The bytes where they stand in the access's data, 0 elsewhere.
    """
    base = transfer.address // bus.word_bytes * bus.word_bytes
    stop = min(access.address + access.size, base + bus.lane_span(transfer.lanes)[1])
    return sum(
        (word >> in_word & 0xFF) << in_access
        for in_access, in_word in _shifts(bus, access, transfer.address, stop)
    )
