"""Takes the codes of a VCD and the lines wanted, gives which bits of a value go where."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.capture.vcd.header import Header

__all__ = ["Run", "runs_of"]


class Run(NamedTuple):
    """Neighbouring bits of a value that become neighbouring lines of a row.

    Parameters
    ----------
    source : int
        The first bit in the value; bit 0 is the most significant, which is written first.
    target : int
        The first line in the row.
    length : int
        Neither end goes over a boundary of 64.
    """

    source: int
    target: int
    length: int


def runs_of(header: Header, wanted: Sequence[str]) -> dict[bytes, tuple[Run, ...]]:
    """Give the runs of every code that carries levels; none where no line of it is wanted.

    Parameters
    ----------
    header : Header
    wanted : sequence of str
        Lines of the header, in the order of the rows.
    """
    places = {name: at for at, name in enumerate(wanted)}
    targets = [places.get(name, -1) for name in header.lines]
    found = {}
    for code, (width, firsts) in header.codes.items():
        runs: list[Run] = []
        for first in firsts:
            for source in range(width):
                target = targets[first + source]
                if target < 0:
                    continue
                last = runs[-1] if runs else None
                if (
                    last is not None
                    and source % 64
                    and target % 64
                    and last.source + last.length == source
                    and last.target + last.length == target
                ):
                    runs[-1] = last._replace(length=last.length + 1)
                else:
                    runs.append(Run(source, target, 1))
        found[code] = tuple(runs)
    return found
