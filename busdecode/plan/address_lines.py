"""Plans for the address lines: write all, then read all."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.plan.planned import Plan, Planned, read, write
from busdecode.units import counted

if TYPE_CHECKING:
    from busdecode.plan.window import Window

__all__ = ["plan_each_in_turn", "plan_own_address", "plan_powers"]


def plan_powers(window: Window) -> Plan:
    """Plan one word for each address line, and one where none of them is changed.

    1, 2, 3 and so on are written to the address without change, and where one line is changed,
    lowest line first; then all is read in the same order.

    Examples
    --------
    >>> from busdecode.plan import open_window
    >>> from busdecode.protocol import load_bus
    >>> plan = plan_powers(open_window(load_bus("z80"), 0x8000, 4))
    >>> [(access.op, hex(access.address)) for access in plan.accesses][:3]
    [('write', '0x8000'), ('write', '0x8001'), ('write', '0x8002')]
    """
    points = _points(window)
    puts, gets = [], []
    for unit, (address, purpose) in enumerate(points):
        puts.append(write(address, window.size, unit + 1, purpose, unit))
        gets.append(read(address, window.size, unit + 1, purpose, unit))
    return Plan("address-powers", (*puts, *gets), _notes(window))


def _points(window: Window) -> list[tuple[int, str]]:
    points = [(window.anchor, "address lines: none changed")]
    for line, address in window.address_lines.items():
        points.append((address, f"address lines: {line} alone changed"))
    return points


def _notes(window: Window) -> tuple[str, ...]:
    notes = [
        "address lines that are swapped or inverted read back right, and one stuck low reads as "
        "one stuck high or open: only a capture tells"
    ]
    if window.lines_outside:
        lines = window.lines_outside
        shown = lines[0] if len(lines) == 1 else f"{lines[0]} to {lines[-1]}"
        verb = "is" if len(lines) == 1 else "are"
        notes.append(
            f"{counted(len(lines), 'address line')} {verb} not tried, since the span does not "
            f"reach where one alone differs: {shown}"
        )
    return tuple(notes)


def plan_each_in_turn(window: Window) -> Plan:
    """Plan a pattern at every line's address, and its complement at each of them in turn.

    Whenever the complement is written, all other addresses must still have the pattern. For n
    lines that makes n² + 4n + 2 accesses.
    """
    (base, at_base), *others = _points(window)
    pattern = sum(0xAA << 8 * byte for byte in range(window.size))
    complement = sum(0x55 << 8 * byte for byte in range(window.size))
    size = window.size
    steps = [write(address, size, pattern, purpose, 0) for address, purpose in others]
    steps.append(write(base, size, complement, at_base, 0))
    steps += [read(address, size, pattern, purpose, 0) for address, purpose in others]
    steps.append(write(base, size, pattern, at_base, 0))
    for changed, purpose in others:
        steps.append(write(changed, size, complement, purpose, 0))
        steps.append(read(base, size, pattern, purpose, 0))
        steps += [
            read(address, size, pattern, purpose, 0) for address, _ in others if address != changed
        ]
        steps.append(write(changed, size, pattern, purpose, 0))
    return Plan("address-in-turn", tuple(steps), _notes(window))


def plan_own_address(window: Window) -> Plan:
    """Plan each word's own number in it, then the complement of that: all writes, all reads.

    Where the number is wider than the word, its parts are combined by exclusive or, so that
    words whose numbers differ in one line never hold the same.
    """
    values = [_folded(number, window.bits) for number in range(window.words)]
    places = range(window.base, window.base + window.span, window.size)
    steps: list[Planned] = []
    for first, flip, what in (
        (0, 0, "each word holds its own number"),
        (window.words, (1 << window.bits) - 1, "each word holds the complement of its number"),
    ):
        for make in (write, read):
            steps += [
                make(address, window.size, value ^ flip, f"address lines: {what}", first + number)
                for number, (address, value) in enumerate(zip(places, values, strict=True))
            ]
    return Plan("address-in-address", tuple(steps), _notes(window))


def _folded(number: int, bits: int) -> int:
    folded = 0
    while number:
        folded ^= number & (1 << bits) - 1
        number >>= bits
    return folded
