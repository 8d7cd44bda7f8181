"""The fast loop of the VCD reader: times, and single lines going to 0 or 1, and nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.compilation import compiled_loop
from busdecode.capture.octets import octets_at
from busdecode.capture.vcd.digits import (
    ALL,
    NONE,
    TENS,
    ZEROS,
    digits_of,
    divisor,
    eight_digits,
    is_whole,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Octets = NDArray[np.uint8]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = ["PLAIN_CODES", "PLAIN_WORDS", "plain_place", "plain_stretch"]

PLAIN_WORDS = 2
"""Rows of at most so many words have the fast loop, which keeps them in registers."""

PLAIN_CODES = 1 << 14
"""Rows of the table that the fast loop looks codes up in."""

_ONE = np.uint64(1)
_ONE_LETTER, _IS_ONE_LETTER = np.uint64(0xFF80FE), np.uint64(0x0A0030)
_TWO_LETTERS, _IS_TWO_LETTERS = np.uint64(0xFF8080FE), np.uint64(0x0A000030)
"""What tells a 0 or 1, a code of ASCII, and a line feed in the bytes of a word."""


def plain_place(code: bytes) -> int:
    """Give the row of `plain` for a code of one or two characters of ASCII."""
    return int.from_bytes(code[:1], "little") | int.from_bytes(code[1:], "little") << 7


@compiled_loop(error_model="numpy")
def plain_stretch(
    buf: Octets,
    at: int,
    end: int,
    rows: int,
    now: int,
    raw: int,
    step: int,
    worth: int,
    latest_raw: int,
    plain: Words,
    states: Words,
    touched: Words,
    out_times: Ints,
    out_states: Words,
) -> tuple[int, int, int, int, int, int]:
    """Read on while there are times and single lines going to 0 or 1, and nothing else.

    It begins behind a time, with all levels known and as in the row given last, and gives a
    row where levels differ from those of the row before. The arguments are those of `scan`
    and its state; `states` and `touched` are kept up to date.

    Returns
    -------
    tuple of int
        Where to go on; rows, moment, stamp and step reached; lines that changed again at one
        time stamp.
    """
    most, no_width = len(out_times), 0
    last = len(states) - 1
    state, state_2 = states[0], states[last]
    row, row_2 = state, state_2
    moved, moved_2 = NONE, NONE
    inverse, down, most_steps = divisor(step)
    while at < end:
        word = octets_at(buf, at)
        place, size = ALL, 0
        if word & _ONE_LETTER == _IS_ONE_LETTER:
            place, size = (word >> np.uint64(8)) & np.uint64(0x7F), 3
        elif word & _TWO_LETTERS == _IS_TWO_LETTERS:
            place = (word >> np.uint64(8)) & np.uint64(0x7F)
            place |= (word >> np.uint64(9)) & np.uint64(0x3F80)
            size = 4
        if size != 0:
            mask, mask_2 = plain[place, 0], plain[place, 1]
            if mask & mask_2 == ALL:
                break  # no single line
            level = NONE - (word & _ONE)
            new, new_2 = (state ^ level) & mask, (state_2 ^ level) & mask_2
            no_width += (new & moved) | (new_2 & moved_2) != NONE
            state ^= new
            state_2 ^= new_2
            moved |= new
            moved_2 |= new_2
            at += size
            continue
        if word & np.uint64(0xFF) != 35 or rows == most:  # '#'
            break
        word = octets_at(buf, at + 1) ^ ZEROS
        count = digits_of(word)
        if count == NONE:
            break
        value = eight_digits(word, count)
        p = at + 1 + np.int64(count)
        if count == np.uint64(8):
            word = octets_at(buf, p) ^ ZEROS
            count = digits_of(word)
            if count == np.uint64(8):
                break
            if count != NONE:
                value = value * TENS[np.int64(count)] + eight_digits(word, count)
                p += np.int64(count)
        if buf[p] != 10 or value < raw or value > latest_raw:
            break
        at = p + 1
        if value == raw:
            continue
        raw, moment = value, value * worth
        moved_on = moment - now
        if not is_whole(moved_on, inverse, down, most_steps):
            while moved_on != 0:
                step, moved_on = moved_on, step % moved_on
            inverse, down, most_steps = divisor(step)
        if (state ^ row) | (state_2 ^ row_2) != NONE:
            out_times[rows] = now
            out_states[rows, 0] = state
            out_states[rows, last] = state_2
            row, row_2 = state, state_2
            rows += 1
        now = moment
        moved, moved_2 = NONE, NONE
    states[0], states[last] = state, state_2
    touched[0], touched[last] = moved, moved_2
    return at, rows, now, raw, step, no_width
