"""Names of lines and bundles to the lanes of a diagram."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busdecode.errors import RequestError, nearest, quoted

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from busdecode.protocol import Bus

__all__ = ["LaneChoice", "lanes_of"]

_RANGE = re.compile(r"(.+)\[([0-9]+):([0-9]+)\]")


@dataclass(frozen=True)
class LaneChoice:
    """A lane to be drawn: its name, and its lines, most significant first."""

    name: str
    lines: tuple[str, ...]


def lanes_of(
    bus: Bus, names: Sequence[str] | None = None, captured: Sequence[str] | None = None
) -> tuple[LaneChoice, ...]:
    """Give the lanes that names ask for.

    Parameters
    ----------
    bus : Bus
    names : sequence of str, optional
        Of lines, of bundles, or of parts of these such as ``D[7:0]``. Without it all are taken,
        bundles as one lane each.
    captured : sequence of str, optional
        Lines at hand: without names, optional lines that are not among them are left out.

    Raises
    ------
    RequestError
        If there is no name, or one is none of these or comes twice.

    Examples
    --------
    >>> from busdecode.protocol import load_bus
    >>> [lane.name for lane in lanes_of(load_bus("sram"))]
    ['A[14:0]', 'D[7:0]', 'CS', 'WE', 'OE']
    """
    bundles = {name: lines for name, lines in bus.bundles.items() if len(lines) > 1}
    if names is None:
        bundle_of = {line: name for name, lines in bundles.items() for line in lines}
        there = set(bus.line_names if captured is None else captured)
        wanted = [
            bundle_of.get(line.name, line.name)
            for line in bus.lines
            if line.name in there or not line.optional
        ]
        names = list(dict.fromkeys(wanted))
    elif not names:
        raise RequestError("no line was named", expected="names of lines or bundles")
    chosen = [_lane_choice(bus, bundles, name) for name in names]
    for at, lane in enumerate(chosen):
        if lane in chosen[:at]:
            raise RequestError(f"lane {lane.name} is asked for twice", action="name it once")
    return tuple(chosen)


def _lane_choice(bus: Bus, bundles: Mapping[str, tuple[str, ...]], name: str) -> LaneChoice:
    if name in bus.line_names:
        return LaneChoice(name, (name,))
    if name in bundles:
        return LaneChoice(_bundle_name(name, bundles[name]), bundles[name])
    match = _RANGE.fullmatch(name)
    if match is not None:
        first, last = int(match[2]), int(match[3])
        way = 1 if first <= last else -1
        if abs(first - last) < len(bus.lines):
            lines = tuple(f"{match[1]}{bit}" for bit in range(first, last + way, way))
            if all(line in bus.line_names for line in lines):
                return LaneChoice(name, lines)
    known = [*bundles, *bus.line_names]
    near = nearest(name, known)
    shown = dict.fromkeys([*bundles, *(n for n in bus.line_names if n not in _inside(bundles))])
    raise RequestError(
        f"{bus.name} has no line or bundle {quoted(name)}",
        expected=f"one of {', '.join(shown)}, or a line of a bundle",
        action=f"did you mean {near}?" if near else None,
    )


def _inside(bundles: Mapping[str, tuple[str, ...]]) -> set[str]:
    return {line for lines in bundles.values() for line in lines}


def _bundle_name(name: str, lines: tuple[str, ...]) -> str:
    """Write a bundle as ``D[15:0]`` where its lines are numbered so."""
    numbers = [line.removeprefix(name) for line in lines]
    if all(number.isdecimal() for number in numbers):
        return f"{name}[{numbers[0]}:{numbers[-1]}]"
    return name
