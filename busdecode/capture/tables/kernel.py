"""Takes bytes of whole lines of a CSV table, gives packed rows: the compiled loop.

It goes on for as long as every row is plain: levels of one character, times in decimal, no
quotes. In front of another row it stops; the plain reader takes that one, and words what is
wrong in one place only.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.compilation import compiled_loop
from busdecode.capture.model import LATEST
from busdecode.capture.octets import octets_at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Octets = NDArray[np.uint8]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["KEPT", "scan"]


SKIP, TIME, SAMPLE, LEVELS, HEX, BIN, DEC = range(7)
"""What the cells of one step of the plan are; LEVELS stands for a run of columns."""

ROWS, LINES, LAST, HAS_ROW, STEP, GCD, ROUNDED, UNKNOWN = range(8)
"""Places in the array of what the loop keeps between calls, int64."""

KEPT = 8
"""How many these are."""

_BLANK, _QUOTE, _NEWLINE, _RETURN = 32, 34, 10, 13
_MOST_DIGITS = 18
_POWERS = np.array([10**power for power in range(_MOST_DIGITS + 1)], dtype=np.int64)
_BAD = 255
_CODES = np.full(256, _BAD, dtype=np.uint8)
_DIGITS = np.full(256, _BAD, dtype=np.uint8)
for _level, _code in zip(b"01xXzZ", (0, 1, 2, 2, 3, 3), strict=True):
    _CODES[_level] = _code
for _value in range(16):
    _DIGITS[[ord(f"{_value:x}"), ord(f"{_value:X}")]] = _value

# Four cells and four separators are eight bytes. The low bits of the four digits, at 0, 16, 32
# and 48, are gathered by one product at 48 to 51; no two of its terms meet elsewhere.
_LOW = np.uint64(0x0001_0001_0001_0001)
_ZEROS = np.uint64(0x0030_0030_0030_0030)
_FIRST_SEPARATOR = np.uint64(8)
_GATHER = np.uint64(1 << 48 | 1 << 33 | 1 << 18 | 1 << 3)
_GATHERED = np.uint64(48)
_FOUR = np.uint64(15)
_ENDS = np.array([0, 0xFF, 0xFF_FFFF, 0xFF_FFFF_FFFF, 0xFF_FFFF_FFFF_FFFF], dtype=np.uint64)
"""Bytes of the last 1, 2, 3 or 4 cells of a run, without what ends the run."""
_ONE = np.uint64(1)
_NONE = np.uint64(0)
_FULL = np.uint64(64)
_SWAPS = np.array([1, 2, 4, 8, 16, 32], dtype=np.uint64)
_SWAP_MASKS = np.array(
    [
        0x5555_5555_5555_5555, 0x3333_3333_3333_3333, 0x0F0F_0F0F_0F0F_0F0F,
        0x00FF_00FF_00FF_00FF, 0x0000_FFFF_0000_FFFF, 0x0000_0000_FFFF_FFFF,
    ],
    dtype=np.uint64,
)  # fmt: skip


@compiled_loop(inline="always")
def _after_blanks(buf: Octets, at: int) -> int:
    while buf[at] == _BLANK:
        at += 1
    return at


@compiled_loop(inline="always")
def _cell_end(buf: Octets, at: int, separator: int, is_last: bool) -> int:
    """Step over what ends a cell; -1 where something else stands there."""
    if is_last or separator != _BLANK:
        at = _after_blanks(buf, at)
    if not is_last:
        return at + 1 if buf[at] == separator else -1
    if buf[at] == _NEWLINE:
        return at + 1
    return at + 2 if buf[at] == _RETURN and buf[at + 1] == _NEWLINE else -1


@compiled_loop()
def _backward(value: np.uint64, width: int) -> np.uint64:
    """Reverse the order of the lowest `width` bits."""
    for k in range(6):
        by, mask = _SWAPS[k], _SWAP_MASKS[k]
        value = ((value >> by) & mask) | ((value & mask) << by)
    return value >> np.uint64(64 - width)


@compiled_loop()
def _moment(
    buf: Octets, at: int, comma: int, is_sample: bool, power: int, factor: int
) -> tuple[int, np.int64, int]:
    """Read a time or a sample number: its end, or -1, the time in ps, and 1 where rounded."""
    at = _after_blanks(buf, at)
    negative = buf[at] == 45
    if negative or buf[at] == 43:
        at += 1
    value = np.int64(0)
    digits = 0
    fraction = 0
    while 48 <= buf[at] <= 57:
        value = value * 10 + (np.int64(buf[at]) - 48)
        digits += 1
        at += 1
    if buf[at] == 46 or buf[at] == comma:
        at += 1
        first = at
        while 48 <= buf[at] <= 57:
            value = value * 10 + (np.int64(buf[at]) - 48)
            at += 1
        fraction = at - first
        digits += fraction
    if digits == 0 or digits > _MOST_DIGITS:
        return -1, value, 0
    exponent = np.int64(0)
    if buf[at] == 69 or buf[at] == 101:
        at += 1
        down = buf[at] == 45
        if down or buf[at] == 43:
            at += 1
        first = at
        while 48 <= buf[at] <= 57 and at - first < 4:
            exponent = exponent * 10 + (np.int64(buf[at]) - 48)
            at += 1
        if at == first:
            return -1, value, 0
        if down:
            exponent = -exponent
    rounded = 0
    if is_sample:
        if fraction or exponent or value > LATEST // factor:
            return -1, value, 0
        value *= factor
    else:
        shift = exponent - fraction + power
        if abs(shift) > _MOST_DIGITS:
            return -1, value, 0
        if shift >= 0:
            if value > LATEST // _POWERS[shift]:
                return -1, value, 0
            value *= _POWERS[shift]
        else:
            by = _POWERS[-shift]
            whole = value // by
            left = value - whole * by
            if left:
                rounded = 1
                if 2 * left > by or (2 * left == by and whole & 1):
                    whole += 1
            value = whole
    return at, -value if negative else value, rounded


@compiled_loop()
def _bus_value(buf: Octets, at: int, kind: int, width: int) -> tuple[int, np.uint64]:
    """Read a bus value without x and z: its end, or -1, and the value."""
    at = _after_blanks(buf, at)
    value = _NONE
    most, base, by = 16, 16, np.uint64(4)
    if kind == HEX:
        if buf[at] == 48 and (buf[at + 1] == 120 or buf[at + 1] == 88):
            at += 2
    elif kind == BIN:
        most, base, by = 64, 2, _ONE
        if buf[at] == 48 and (buf[at + 1] == 98 or buf[at + 1] == 66):
            at += 2
    else:
        most, base = _MOST_DIGITS, 10
    first = at
    while _DIGITS[buf[at]] < base:
        digit = np.uint64(_DIGITS[buf[at]])
        value = value * np.uint64(10) + digit if kind == DEC else (value << by) | digit
        at += 1
    if at == first or at - first > most or (width < 64 and value >> np.uint64(width)):
        return -1, value
    return at, value


@compiled_loop()
def scan(
    buf: Octets,
    at: int,
    end: int,
    plan: Ints,
    separator: int,
    comma: int,
    power: int,
    factor: int,
    kept: Ints,
    times: Ints,
    states: Words,
    unknown: Words,
) -> int:
    """Read rows from ``buf[at:end]``, whose last byte is a line end.

    Parameters
    ----------
    plan : ndarray of int64, shape (S, 3)
        The columns from left to right: what they are (SKIP to DEC), how many columns of levels or
        lines of a bus, and the fewest characters, which do not matter here.
    separator, comma : int
        What stands between cells, and the decimal mark that is right beside the point.
    power, factor : int
        A time counts ``10**power`` ps, a sample number `factor` ps.
    kept : ndarray of int64, shape (KEPT,)
        What goes on from call to call.
    times, states, unknown : ndarray
        Row 0 is the row before; those that differ from the one before them go in from row 1.

    Returns
    -------
    int
        The start of the first row that is not plain, or `end`.
    """
    words = states.shape[1]
    steps = len(plan)
    sep = np.uint64(separator)
    pattern = _ZEROS | sep << np.uint64(8) | sep << np.uint64(24) | sep << np.uint64(40)
    pattern |= sep << np.uint64(56)
    row = kept[ROWS]
    lines = kept[LINES]
    last = kept[LAST]
    has_row = kept[HAS_ROW] != 0
    common = kept[GCD]
    step_before = kept[STEP]
    rounded_before = kept[ROUNDED]
    any_unknown = _NONE
    while at < end:
        if buf[at] == _NEWLINE:
            at += 1
            lines += 1
            continue
        if buf[at] == _RETURN and buf[at + 1] == _NEWLINE:
            at += 2
            lines += 1
            continue
        here = at
        time = np.int64(0)
        rounded = 0
        word = 0
        shift = _NONE
        state = _NONE
        hidden = _NONE
        row_unknown = _NONE
        for k in range(steps):
            kind = plan[k, 0]
            count = plan[k, 1]
            is_last = k == steps - 1
            if kind == LEVELS:
                while count > 0:
                    size = 0
                    masked = _NONE
                    bits = _NONE
                    room = _FULL - shift
                    while count > 4 and size < 64:
                        found = octets_at(buf, here) ^ pattern
                        if found & ~_LOW != _NONE:
                            break
                        bits |= ((found * _GATHER) >> _GATHERED & _FOUR) << np.uint64(size)
                        here += 8
                        count -= 4
                        size += 4
                    if size == 0 and count <= 4:
                        found = (octets_at(buf, here) ^ pattern) & _ENDS[count]
                        if found & ~_LOW == _NONE:
                            size = count
                            bits = (found * _GATHER) >> _GATHERED & _FOUR
                            here = _cell_end(buf, here + 2 * size - 1, separator, is_last)
                            count = 0
                            if here < 0:
                                break
                    if size == 0:
                        size = 1
                        here = _after_blanks(buf, here)
                        code = _CODES[buf[here]]
                        if code == _BAD:
                            here = -1
                            break
                        bits = np.uint64(code & 1)
                        masked = np.uint64(code >> 1)
                        count -= 1
                        here = _cell_end(buf, here + 1, separator, is_last and count == 0)
                        if here < 0:
                            break
                    state |= bits << shift
                    hidden |= masked << shift
                    row_unknown |= masked
                    shift += np.uint64(size)
                    if shift >= _FULL:
                        states[row, word] = state
                        unknown[row, word] = hidden
                        word += 1
                        shift -= _FULL
                        state = bits >> room if room < _FULL else _NONE
                        hidden = masked >> room if room < _FULL else _NONE
                if here < 0:
                    break
                continue
            if kind in (TIME, SAMPLE):
                here, time, rounded = _moment(buf, here, comma, kind == SAMPLE, power, factor)
            elif kind == SKIP:
                here = _after_blanks(buf, here)
                first = here
                while buf[here] != separator and _BLANK <= buf[here] < 127 and buf[here] != _QUOTE:
                    here += 1
                if here == first and separator == _BLANK:
                    here = -1  # blanks alone make no cell between blanks
            else:
                here, bits = _bus_value(buf, here, kind, count)
                if here >= 0:
                    bits = _backward(bits, count)
                    state |= bits << shift
                    shift += np.uint64(count)
                    if shift >= _FULL:
                        states[row, word] = state
                        unknown[row, word] = hidden
                        word += 1
                        shift -= _FULL
                        over = np.uint64(count) - shift
                        state = bits >> over if over < _FULL else _NONE
                        hidden = _NONE
            if here >= 0:
                here = _cell_end(buf, here, separator, is_last)
            if here < 0:
                break
        if here < 0:
            break
        if has_row:
            if time <= last or (last < 0 and time > last + LATEST):
                break
            step = time - last
            if step != step_before:
                step_before = step
                if common:
                    step %= common
                while step:
                    common, step = step, common % step
        if shift > _NONE:
            states[row, word] = state
            unknown[row, word] = hidden
        differs = not has_row
        if has_row:
            for k in range(words):
                if states[row, k] != states[row - 1, k] or unknown[row, k] != unknown[row - 1, k]:
                    differs = True
        if differs:
            times[row] = time
            any_unknown |= row_unknown
            row += 1
        has_row = True
        last = time
        rounded_before += rounded
        lines += 1
        at = here
    kept[ROWS] = row
    kept[LINES] = lines
    kept[LAST] = last
    kept[HAS_ROW] = np.int64(has_row)
    kept[GCD] = common
    kept[STEP] = step_before
    kept[ROUNDED] = rounded_before
    if any_unknown:
        kept[UNKNOWN] = 1
    return at
