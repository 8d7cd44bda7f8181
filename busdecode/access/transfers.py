"""Accesses that software asks for, and the transfers that the bus makes of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from busdecode.access.lanes import byte_count, lanes_of_span, rows_for, word_shift
from busdecode.errors import LogError, quoted

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from busdecode.protocol import Bus, Kind

__all__ = ["Access", "Port", "Transfer", "kind_of", "split_access", "split_logged", "taken_out"]


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
    asked : int or None
        Bytes still to move, this beat's among them, where the bus tells that.
    modifier : int or None
        Value of the modifier lines; None leaves it to the kind.
    """

    kind: str
    address: int
    lanes: int
    data: int | None
    joined: bool = False
    asked: int | None = None
    modifier: int | None = None


def kind_of(bus: Bus, op: str) -> Kind | None:
    """Give the kind of cycle that an operation asks for; None where the bus has none such."""
    named = [kind for kind in bus.kinds if kind.name == op and kind.beats]
    if named:
        return named[0]
    going = [kind for kind in bus.kinds if kind.direction == op and kind.beats]
    return going[0] if going else None


Port = Callable[[int], Mapping[str, int]]
"""Gives, for a word address, the levels by which the card tells its port's size."""


def split_access(
    bus: Bus, access: Access, port: Port | None = None
) -> list[tuple[Transfer, int, int]]:
    """Split an access into the transfers that carry it, lowest address first.

    Lanes of eight bits or more; a byte wider than the data lines goes in parts, high part first.
    A bus whose lane table does not name a set of lanes gets the access in smaller parts.

    Parameters
    ----------
    bus : Bus
    access : Access
    port : callable, optional
        Where the card decides which lanes move: its answer at a word address. Without it, the
        widest port of the lane table answers.

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
    at, end = access.address, access.address + access.size
    while at < end:
        lanes, asked = _next_lanes(bus, kind.name, at, end, port)
        for part in range(bus.operand.beats):
            transfer = Transfer(kind.name, at, lanes, None, asked=asked)
            data = _placed(bus, access, access.data, transfer, part)
            expected = _placed(bus, access, access.expected, transfer, part)
            if kind.direction == "write":
                transfer = replace(transfer, data=data)
            parts.append((transfer, data or 0, -1 if expected is None else expected))
        at = at // bus.lane_bytes * bus.lane_bytes + byte_count(bus, lanes)
    return parts


def split_logged(
    bus: Bus,
    access: Access,
    *,
    offset: int = 0,
    port: Port | None = None,
    path: Path | str | None = None,
) -> list[tuple[Transfer, int, int]]:
    """Split an access of a log as `split_access` does, where software and bus may disagree.

    Parameters
    ----------
    bus : Bus
    access : Access
    offset : int
        Added to its address.
    port : callable, optional
    path : path or str, optional
        Of the log; named in errors.

    Raises
    ------
    LogError
        As `split_access`, and where the address is outside the bus's.
    """
    on_bus = replace(access, address=access.address + offset)
    if not 0 <= on_bus.address <= (1 << bus.address_width) - access.size:
        raise LogError(
            f"address 0x{max(on_bus.address, 0):X} is outside the bus's address space",
            path=path,
            line=access.line or None,
            expected=f"an address below 0x{1 << bus.address_width:X}",
        )
    try:
        return split_access(bus, on_bus, port)
    except LogError as error:
        raise LogError(error.found, path=path, line=error.line, expected=error.expected) from None


def _next_lanes(
    bus: Bus, kind: str, at: int, end: int, port: Port | None
) -> tuple[int, int | None]:
    """Give the lanes that move next, and how many bytes are then asked for where that is told."""
    word = at // bus.word_bytes * bus.word_bytes
    stop = min(end, word + bus.word_bytes)
    if not bus.lane_rows:
        return lanes_of_span(bus, at - word, stop - word), None
    asked = min(end - at, max(bus.operand.sizes)) if bus.operand.lines else None
    answer = None if port is None else port(word)
    fitting = [row.number for row in rows_for(bus, at, asked=asked, port=answer, kind=kind)]
    fitting = [lanes for lanes in fitting if 0 < byte_count(bus, lanes) <= stop - at]
    if not fitting:
        return lanes_of_span(bus, at - word, at - word + bus.lane_bytes), asked
    return max(fitting, key=lambda lanes: byte_count(bus, lanes)), asked


def _shifts(
    bus: Bus, access: Access, transfer: Transfer, part: int
) -> Iterator[tuple[int, int, int]]:
    """Give, for each byte of the access that a transfer moves, where it stands.

    Its bit in the access, its bit in the word on the lines, and the bits of it that move.
    """
    if bus.operand.beats > 1:
        low = (bus.operand.beats - 1 - part) * bus.lane_bits
        offset = transfer.address - access.address
        place = access.size - 1 - offset if bus.big_endian else offset
        yield 8 * place + low, 0, (1 << bus.lane_bits) - 1
        return
    word = transfer.address // bus.word_bytes * bus.word_bytes
    shift = word_shift(bus, transfer.address, transfer.lanes)
    first = transfer.address // bus.lane_bytes * bus.lane_bytes
    stop = min(access.address + access.size, first + byte_count(bus, transfer.lanes))
    for address in range(transfer.address, stop):
        offset, place = address - access.address, address - word
        if bus.big_endian:
            yield 8 * (access.size - 1 - offset), 8 * (bus.word_bytes - 1 - place) - shift, 0xFF
        else:
            yield 8 * offset, 8 * place - shift, 0xFF


def _placed(
    bus: Bus, access: Access, value: int | None, transfer: Transfer, part: int
) -> int | None:
    if value is None:
        return None
    return sum(
        (value >> in_access & mask) << in_word
        for in_access, in_word, mask in _shifts(bus, access, transfer, part)
    )


def taken_out(bus: Bus, access: Access, transfer: Transfer, word: int, part: int = 0) -> int:
    """Take an access's bytes out of the word that one of its transfers moved.

    Parameters
    ----------
    bus : Bus
    access : Access
    transfer : Transfer
    word : int
        As it stood on the data lines.
    part : int
        Where a byte goes in parts: which of them, the high one being 0.

    Returns
    -------
    int
        The bytes where they stand in the access's data, 0 elsewhere.
    """
    return sum(
        (word >> in_word & mask) << in_access
        for in_access, in_word, mask in _shifts(bus, access, transfer, part)
    )
