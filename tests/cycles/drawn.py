r"""Captures from drawings in text, and what the table shows of them.

A drawing has one row a line or bundle: its name, one character a sample, and for a bundle the
values, in hexadecimal, that it takes one after another. These are the characters::

    ~  high                               _  low
    /  rises: high, and was low           \  falls: low, and was high
    X  the bundle takes its next value    =  the bundle keeps its value
    ?  not known (x)                      -  released (z)
    #  the instrument is off; all rows show it in the same samples

A row of one character stays so throughout. Bit n of a bundle's value is line n, so that the value
of ``A[31:1]`` is written as a byte address. Lines that are not drawn stand at their pull, or low.
A row called ``at`` is a ruler: each number in it stands at its own column. Columns count from 0.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from busdecode.capture import from_levels, split
from busdecode.cycles import decode
from tests.assertions import assert_same_table, assert_sound

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.capture import Capture
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus

__all__ = ["decoded", "drawn", "shown"]

_BUNDLE = re.compile(r"(.+)\[(\d+):(\d+)\]")
_LEVELS = {"~": "1", "/": "1", "_": "0", "\\": "0", "?": "x", "-": "z"}
_EDGES = {"/": ("0", "rise"), "\\": ("1", "fall")}
_OFF = "#"


def drawn(
    bus: Bus, drawing: str, *, ns: int = 10, every: int = 1, each_sample: bool = False
) -> Capture:
    """Make a capture of a drawing.

    Parameters
    ----------
    bus : Bus
    drawing : str
    ns : int
        How long one character is.
    every : int
        Take only every so many samples: what a slower instrument sees.
    each_sample : bool
        A row for each sample, in place of one for each change.

    Raises
    ------
    ValueError
        If the drawing has a mistake.
    """
    rows = _rows(drawing)
    whole = {name: wave for name, (wave, _) in rows.items() if len(wave) > 1}
    length = max((len(wave) for wave in whole.values()), default=1)
    for name, wave in whole.items():
        if len(wave) != length:
            raise ValueError(f"{name} must have {length} characters, not {len(wave)}")
    off = [any(wave[at] == _OFF for wave in whole.values()) for at in range(length)]
    for name, wave in whole.items():
        for at, is_off in enumerate(off):
            if (wave[at] == _OFF) != is_off:
                raise ValueError(f"{name}: column {at} must be off in all rows or in none")
    columns = {line.name: str(int(line.pull == "up")) * length for line in bus.lines}
    for name, (wave, values) in rows.items():
        if len(wave) == 1:
            wave += ("=" if wave == "X" else wave) * (length - 1)
        for line, levels in _levels(name, wave, values).items():
            if line not in columns:
                raise ValueError(f"{name}: {bus.name} has no line {line}")
            columns[line] = levels
    samples = list(zip(off, *columns.values(), strict=True))
    taken = [
        at
        for at in range(0, length, every)
        if each_sample or at == 0 or samples[at] != samples[at - every]
    ]
    return from_levels(
        [at * ns * 1_000 for at in taken],
        {line: [levels[at] for at in taken] for line, levels in columns.items()},
        ns * every * 1_000,
        end=length * ns * 1_000,
        gaps=[off[at] for at in taken] if any(off) else None,
    )


def _rows(drawing: str) -> dict[str, tuple[str, list[int]]]:
    """Give the characters and values of each row, and check the ruler."""
    rows: dict[str, tuple[str, list[int]]] = {}
    for text in drawing.splitlines():
        if not text.strip():
            continue
        name, wave, *values = text.split()
        if name in rows:
            raise ValueError(f"{name} must be drawn once, not twice")
        if name != "at":
            rows[name] = wave, [int(value, 16) for value in values]
            continue
        for number in re.finditer(r"\d+", wave):
            if int(number[0]) != number.start():
                raise ValueError(f"the ruler shows {number[0]} at column {number.start()}")
    return rows


def _levels(name: str, wave: str, values: Sequence[int]) -> dict[str, str]:
    """Give the levels of a row's line, or of each line of its bundle."""
    bundle = _BUNDLE.fullmatch(name)
    if bundle is None:
        if values:
            raise ValueError(f"{name}: a single line takes no values")
        return {name: _of_line(name, wave)}
    high, low = int(bundle[2]), int(bundle[3])
    shown = _of_bundle(name, wave, values)
    for value in values:
        if value >> high + 1 or value & ((1 << low) - 1):
            raise ValueError(f"{name}: {value:X} has bits that are none of its lines")
    return {
        f"{bundle[1]}{bit}": "".join(
            each if isinstance(each, str) else str(each >> bit & 1) for each in shown
        )
        for bit in range(low, high + 1)
    }


def _of_line(name: str, wave: str) -> str:
    levels = ""
    last = ""  # the level before; empty where nobody saw it
    for at, sign in enumerate(wave):
        if sign == _OFF:
            levels += levels[-1:] or "x"
            last = ""
            continue
        if sign not in _LEVELS:
            raise ValueError(f"{name}: a line cannot show {sign!r} at column {at}")
        level = _LEVELS[sign]
        if sign in _EDGES:
            before, verb = _EDGES[sign]
            if last not in (before, "x", "z"):
                raise ValueError(f"{name}: nothing to {verb} from at column {at}")
        elif (last, level) in (("0", "1"), ("1", "0")):
            raise ValueError(f"{name}: no edge is drawn at column {at}")
        levels += level
        last = level
    return levels


def _of_bundle(name: str, wave: str, values: Sequence[int]) -> list[int | str]:
    shown: list[int | str] = []
    left = list(values)
    for at, sign in enumerate(wave):
        if sign == "X":
            if not left:
                raise ValueError(f"{name}: no value is left for the X at column {at}")
            shown.append(left.pop(0))
        elif sign == _OFF or (sign == "=" and shown and isinstance(shown[-1], int)):
            shown.append(shown[-1] if shown else "x")
        elif sign in "?-":
            shown.append(_LEVELS[sign])
        else:
            raise ValueError(f"{name}: a bundle cannot show {sign!r} at column {at}")
    if left:
        raise ValueError(f"{name}: values left over: {', '.join(f'{each:X}' for each in left)}")
    return shown


def decoded(
    bus: Bus,
    drawing: str,
    *,
    ns: int = 10,
    every: int = 1,
    chunks: Sequence[int] = (1, 2, 3),
) -> CycleTable:
    """Decode a drawing, and check what must hold of every table.

    It is sound; chunks of so many rows give the same, and so does a row for each sample.
    """
    capture = drawn(bus, drawing, ns=ns, every=every)
    table, _ = decode(bus, [capture])
    assert_sound(table)
    for rows in chunks:
        assert_same_table(decode(bus, split(capture, rows))[0], table)
    sampled = drawn(bus, drawing, ns=ns, every=every, each_sample=True)
    assert_same_table(decode(bus, [sampled])[0], table)
    return table


def shown(
    bus: Bus,
    drawing: str,
    columns: str,
    *,
    ns: int = 10,
    every: int = 1,
    chunks: Sequence[int] = (1, 2, 3),
) -> list[str]:
    """Give some columns of the table of a drawing, one text a row; what is missing as a dot.

    ``@`` before the name of a moment, such as ``@start``, gives the column of the drawing at
    which it is.
    """
    text = decoded(bus, drawing, ns=ns, every=every, chunks=chunks).as_text()
    cells = []
    for name in columns.split():
        if name.startswith("@"):
            moments = text[f"{name[1:]}_ps"]
            cells.append([f"{int(each) / (ns * 1_000):g}" if each else "." for each in moments])
        else:
            cells.append([each or "." for each in text[name]])
    return [" ".join(row) for row in zip(*cells, strict=True)]
