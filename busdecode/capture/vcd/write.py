"""Takes a Capture, writes it as a VCD file that `read_capture` reads back."""

from __future__ import annotations

from math import gcd
from typing import TYPE_CHECKING, TextIO

import numpy as np
from vcd import VCDWriter

from busdecode.units import PICOSECONDS

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from vcd.writer import Variable

    from busdecode.capture.model import Capture

__all__ = ["write_vcd"]

_ROWS_AT_ONCE = 1 << 14


def write_vcd(capture: Capture, stream: TextIO, *, comment: str = "") -> None:
    """Write a capture as a four-state VCD: one wire of one bit a line, no date.

    The time scale is the coarsest that divides all times and the resolution. What stands
    before the last ``.`` of a line's name becomes its scope (and each ``.`` in that a scope
    within); a line without one stands in the scope ``capture``.

    Parameters
    ----------
    capture : Capture
        Its times must be 0 or later.
    stream : text file
    comment : str, optional
        Put into the header as ``$comment``.

    Raises
    ------
    ValueError
        If the capture has no row or a time before 0, or the name of a line holds a blank.

    References
    ----------
    .. [1] IEEE Std 1364-2005, 18.2, the format of a four-state VCD file.

    Examples
    --------
    >>> import io
    >>> from busdecode.capture import from_levels
    >>> text = io.StringIO()
    >>> write_vcd(from_levels([0, 20_000], {"card.AS": "10"}), text)
    >>> print(text.getvalue(), end="")
    $timescale 10 ns $end
    $scope module card $end
    $var wire 1 ! AS $end
    $upscope $end
    $enddefinitions $end
    #0
    $dumpvars
    1!
    $end
    #2
    0!
    """
    if not len(capture):
        raise ValueError("a capture must have a row to be written as VCD")
    if capture.times[0] < 0:
        raise ValueError(f"times in a VCD must be 0 or later, not {capture.times[0]} ps")
    size, scale = _time_scale(capture)
    first = int(capture.times[0]) // size
    writer = VCDWriter(stream, timescale=scale, date="", comment=comment, init_timestamp=first)
    wires = _declare(writer, capture)
    gap = False
    for at in range(0, len(capture), _ROWS_AT_ONCE):
        gap = _write_rows(writer, wires, capture, at, size, gap=gap)
    writer.close(capture.end // size)
    if gap:  # the writer is silent while dumping is off
        stream.write(f"#{capture.end // size}\n")


def _time_scale(capture: Capture) -> tuple[int, str]:
    """Give the coarsest time scale that divides all times, in ps and as text."""
    common = gcd(int(np.gcd.reduce(capture.times)), capture.end, capture.resolution)
    scales = [
        (count * ps, f"{count} {unit}")
        for unit, ps in PICOSECONDS.items()
        for count in (100, 10, 1)
    ]
    return next((size, text) for size, text in scales if common % size == 0)


def _declare(writer: VCDWriter, capture: Capture) -> list[Variable[object]]:
    wires = []
    first = capture.rows(0, 1)
    for line in capture.lines:
        if any(letter.isspace() for letter in line):
            raise ValueError(f"the name of a line in a VCD must be without blanks, not {line!r}")
        scope, _, name = line.rpartition(".")
        initial = "01xz"[int(first.levels(line)[0])]
        wires.append(writer.register_var(scope or "capture", name, "wire", size=1, init=initial))
    return wires


def _write_rows(
    writer: VCDWriter,
    wires: list[Variable[object]],
    capture: Capture,
    at: int,
    size: int,
    *,
    gap: bool,
) -> bool:
    """Write what changes in some rows from row `at`; tell whether the last of them is a gap."""
    beyond = min(at + _ROWS_AT_ONCE, len(capture))
    # The row before is there to see what changed; before the first row, nothing did.
    part = capture.rows(max(0, at - 1), beyond)
    levels: NDArray[np.uint8] = np.stack([part.levels(line) for line in part.lines], axis=1)
    changes = np.zeros(levels.shape, dtype=np.bool_)
    changes[1:] = levels[1:] != levels[:-1]
    skip = min(at, 1)
    rows, lines = np.nonzero(changes[skip:])
    ticks = (part.times[skip:] // size).tolist()
    gaps = [False] * len(ticks) if part.gaps is None else part.gaps[skip:].tolist()
    changed: list[list[int]] = [[] for _ in ticks]
    for row, line in zip(rows.tolist(), lines.tolist(), strict=True):
        changed[row].append(line)
    for row, (tick, is_gap) in enumerate(zip(ticks, gaps, strict=True)):
        for line in changed[row]:
            writer.change(wires[line], tick, "01xz"[int(levels[row + skip, line])])
        if is_gap and not gap:
            writer.dump_off(tick)
        elif gap and not is_gap:
            writer.dump_on(tick)
        gap = is_gap
    return gap
