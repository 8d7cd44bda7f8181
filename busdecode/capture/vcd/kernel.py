"""Takes bytes of a VCD's body, gives packed rows: the compiled loop.

It goes on for as long as all is as the standard has it. Where something is not, it stops in
front of it, and the plain reader goes on from there: what is wrong is worded in one place only.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.compilation import compiled_loop
from busdecode.capture.model import LATEST
from busdecode.capture.octets import octets_at
from busdecode.capture.vcd.digits import NONE, TENS, ZEROS, digits_of, divides, eight_digits
from busdecode.capture.vcd.plain_stretch import plain_stretch

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Octets = NDArray[np.uint8]
    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

__all__ = [
    "ASIDE",
    "KEPT",
    "SHORT_CODES",
    "code_hash",
    "scan",
]

SHORT_CODES = 94 + 94 * 94
"""Codes of one and two printable characters have a place of their own each."""

ASIDE = -1
"""Width of a code that carries no levels."""


NOW, RAW, STEP, DUMP, GAP, DIRTY = range(6)
HAS_ROW, ROW_GAP, NO_WIDTH, FALLEN, FINER, NINE = range(6, 12)
COMMENT, REALS, ROWS, STOPPED, ANY_UNKNOWN, ANY_GAP = range(12, 18)
"""Places in the array of what the loop keeps between calls, int64."""

KEPT = 18
"""How many these are."""

_PLAIN_WORTH = 8
_PLAIN_PAUSE = 256
"""Where the fast loop made fewer rows than that at once, it is not tried for so many stamps."""

_NINE_LEVELS = 4
_LEVELS = np.full(256, -1, dtype=np.int64)
"""What a character does: 1 sets the state, 2 the unknown plane; 4: a level of nine-level logic."""
for _characters, _level in {"0": 0, "1": 1, "xX": 2, "zZ": 3, "L": 4, "H": 5, "UW-": 6}.items():
    for _character in _characters:
        _LEVELS[ord(_character)] = _level
_ONE = np.uint64(1)
_FNV_OFFSET = np.uint64(14695981039346656037)
_FNV_PRIME = np.uint64(1099511628211)


@compiled_loop(inline="always")
def _is_blank(octet: np.uint8) -> bool:
    return octet == 32 or (9 <= octet <= 13)


@compiled_loop()
def code_hash(buf: Octets, at: int, beyond: int) -> np.uint64:
    """Hash a code, FNV-1a of 64 bits."""
    value = _FNV_OFFSET
    for k in range(at, beyond):
        value = (value ^ np.uint64(buf[k])) * _FNV_PRIME
    return value


@compiled_loop()
def _long_code(buf: Octets, at: int, beyond: int, slots: Ints, starts: Ints, pool: Octets) -> int:
    """Find a code of any length; -1 where it is not declared."""
    count = len(slots)
    slot = np.int64(code_hash(buf, at, beyond) % np.uint64(count))
    while slots[slot] >= 0:
        code = slots[slot]
        first = starts[code]
        if starts[code + 1] - first == beyond - at:
            same = True
            for k in range(beyond - at):
                if pool[first + k] != buf[at + k]:
                    same = False
                    break
            if same:
                return code
        slot = slot + 1
        if slot == count:
            slot = 0
    return -1


@compiled_loop()
def _is_word(buf: Octets, at: int, beyond: int, word: Octets) -> bool:
    if beyond - at != len(word):
        return False
    same = True
    for k in range(len(word)):
        same = same and buf[at + k] == word[k]
    return same


_END = np.frombuffer(b"$end", dtype=np.uint8)
_COMMENT_WORD = np.frombuffer(b"$comment", dtype=np.uint8)
_DUMPVARS = np.frombuffer(b"$dumpvars", dtype=np.uint8)
_DUMPALL = np.frombuffer(b"$dumpall", dtype=np.uint8)
_DUMPON = np.frombuffer(b"$dumpon", dtype=np.uint8)
_DUMPOFF = np.frombuffer(b"$dumpoff", dtype=np.uint8)


@compiled_loop(error_model="numpy")
def scan(
    buf: Octets,
    at: int,
    end: int,
    short: NDArray[np.int32],
    slots: Ints,
    starts: Ints,
    pool: Octets,
    plain: Words,
    widths: Ints,
    one_word: Ints,
    one_mask: Words,
    run_of: Ints,
    runs: Ints,
    run_masks: Words,
    aside: Ints,
    worth: int,
    per: int,
    kept: Ints,
    states: Words,
    unknown: Words,
    touched: Words,
    outside: Words,
    row_states: Words,
    row_unknown: Words,
    digits: Words,
    out_times: Ints,
    out_states: Words,
    out_unknown: Words,
    out_gaps: NDArray[np.bool_],
) -> int:
    """Read value changes and times from ``buf[at:end]``, whose last byte is a blank.

    Parameters
    ----------
    short, slots, starts, pool : ndarray
        Codes to their numbers: those of one or two characters at once, others by hash, with
        the bytes of code k at ``pool[starts[k]:starts[k + 1]]``.
    plain : ndarray of uint64, shape (PLAIN_CODES, 2)
        The bits in the first and the last word of a row of each code that is one line, by its
        `plain_place`; none where that is not wanted, and all 1 for any other code. Without rows
        where a row has more than `PLAIN_WORDS` words.
    widths : ndarray of int64, shape (C,)
        Bits of each code; `ASIDE` where it carries no levels.
    one_word, one_mask : ndarray, shape (C,)
        Of a code that is one bit on one line: its word and bit. Else the word is -1, or -2
        where none of its lines is wanted.
    run_of : ndarray of int64, shape (C + 1,)
        The runs of code k are ``run_of[k]`` up to ``run_of[k + 1]``.
    runs : ndarray of int64, shape (R, 4)
        Bits that move together: word and shift in the value (bit 0 is the first digit), word
        and shift in the row.
    run_masks : ndarray of uint64, shape (R,)
        The bits of a run, at shift 0.
    aside : ndarray of int64, shape (C,)
        Counts values of codes without levels.
    worth, per : int
        A time stamp is worth worth / per ps.
    kept : ndarray of int64, shape (KEPT,)
    states, unknown, touched, outside, row_states, row_unknown : ndarray of uint64, shape (W,)
        Levels as they stand, lines that changed at this time stamp (and outside a dump
        command), and the row given last.
    digits : ndarray of uint64, shape (2, words of the widest code)
    out_times, out_states, out_unknown, out_gaps : ndarray
        Rows; how many were written is ``kept[ROWS]``. `out_unknown` and `out_gaps` must
        be all 0; whether anything was written into them tell `ANY_UNKNOWN` and `ANY_GAP`.

    Returns
    -------
    int
        Where the next call goes on. ``kept[STOPPED]`` is 1 where that cannot be read
        here.
    """
    now, raw, step = kept[NOW], kept[RAW], kept[STEP]
    dump, gap = kept[DUMP], kept[GAP]
    dirty, has_row = kept[DIRTY] != 0, kept[HAS_ROW] != 0
    is_forced = not has_row or kept[ROW_GAP] != gap  # the next row counts in any case
    any_unknown, any_gap = False, False
    is_doubtful = True  # what moved since the row given last may not show in `touched`
    rows, most = 0, len(out_times)
    words = len(states)
    no_width = 0
    pause = 0  # stamps until the fast loop is tried again
    stopped = False
    latest_raw = LATEST // worth if per == 1 else (LATEST - per) // (2 * worth)
    if kept[COMMENT] != 0:
        at = _skip_comment(buf, at, end, kept)
    while at < end:
        c = buf[at]
        if c <= 32:
            if not _is_blank(c):
                stopped = True
                break
            at += 1
            continue
        if c == 35:  # '#'
            if rows == most:
                break
            # 8 bytes at a time.
            word = octets_at(buf, at + 1) ^ ZEROS
            count = digits_of(word)
            if count == np.uint64(0):
                stopped = True
                break
            value = eight_digits(word, count)
            p = at + 1 + np.int64(count)
            if count == np.uint64(8):
                word = octets_at(buf, p) ^ ZEROS
                count = digits_of(word)
                if count == np.uint64(8):
                    stopped = True  # 16 digits and more
                    break
                if count != np.uint64(0):
                    value = value * TENS[np.int64(count)] + eight_digits(word, count)
                    p += np.int64(count)
            if not _is_blank(buf[p]) or dump != 0 or value > latest_raw:
                stopped = True
                break
            if value < raw:
                stopped = True
                break
            if per == 1:
                moment = value * worth
            else:
                if value * worth % per != 0:
                    kept[FINER] = 1
                moment = (2 * value * worth + per) // (2 * per)
            at = p + 1
            before = raw
            raw = value
            if moment == now:
                if before != -1 and before != value:
                    kept[FALLEN] += 1
                if before < 0:
                    is_doubtful = True
                    for k in range(words):
                        touched[k] = NONE
                continue
            if before >= 0 or dirty or has_row:
                moved_on = moment - now
                if step == 0 or not divides(step, moved_on):
                    while moved_on != 0:
                        step, moved_on = moved_on, step % moved_on
            moved = NONE
            for k in range(words):
                moved |= touched[k]
                touched[k] = NONE
            if dirty:
                dirty = False
                is_new = is_forced or moved != NONE
                if is_doubtful and not is_forced:
                    # A line may have changed and changed back: only the row before it tells.
                    is_new = False
                    for k in range(words):
                        state = row_states[k] if rows == 0 else out_states[rows - 1, k]
                        odd = row_unknown[k] if rows == 0 else out_unknown[rows - 1, k]
                        is_new = is_new or state != states[k] or odd != unknown[k]
                is_doubtful = False
                if is_new:
                    is_forced, has_row = False, True
                    out_times[rows] = now
                    for k in range(words):
                        out_states[rows, k] = states[k]
                        odd = unknown[k]
                        if odd != NONE:
                            out_unknown[rows, k] = odd
                            any_unknown = True
                    if gap != 0:
                        out_gaps[rows] = True
                        any_gap = True
                    kept[ROW_GAP] = gap
                    rows += 1
            now = moment
            if pause > 0:
                pause -= 1
            elif buf[p] == 10 and len(plain) and per == 1 and gap == 0 and not is_forced:
                odd = NONE
                for k in range(words):
                    odd |= unknown[k]
                if odd != NONE:
                    pause = _PLAIN_PAUSE
                    continue
                before = rows
                at, rows, now, raw, step, again_moved = plain_stretch(
                    buf, at, end, rows, now, raw, step, worth, latest_raw, plain,
                    states, touched, out_times, out_states,
                )  # fmt: skip
                no_width += again_moved
                is_doubtful = dirty = True
                if rows - before < _PLAIN_WORTH:
                    pause = _PLAIN_PAUSE
            continue
        if c == 48 or c == 49:
            # The commonest word: 0 or 1 on one line, with a code of one or two characters.
            a, b, e = buf[at + 1], buf[at + 2], buf[at + 3]
            is_two = b > 32
            code = np.int64(a) - 33
            behind = b
            if is_two:
                code = 94 * code + (94 + np.int64(b) - 33)
                behind = e
            if 33 <= a < 127 and b < 127 and (behind == 10 or behind == 32 or behind == 13):
                code = short[code]
                if code >= 0:
                    w = one_word[code]
                    if w >= 0:
                        m = one_mask[code]
                        state, odd = states[w], unknown[w]
                        new = (state & ~m) | (m & (NONE - np.uint64(c & 1)))
                        moved = (new ^ state) | (odd & m)
                        states[w] = new
                        unknown[w] = odd & ~m
                        if moved & touched[w] != NONE:
                            no_width += 1
                            is_doubtful = True
                        touched[w] |= moved
                        dirty = True
                        at += 3 + np.int64(is_two)
                        continue
        is_scalar = _LEVELS[c] >= 0
        first = at + 1  # of the code
        last = at + 1  # beyond the digits of a vector
        if not is_scalar:
            if c == 36:  # '$'
                p = at + 1
                while buf[p] > 32:
                    p += 1
                if not _is_blank(buf[p]):
                    stopped = True
                    break
                if _is_word(buf, at, p, _END):
                    if dump == 0:
                        stopped = True
                        break
                    if dump >= 3:
                        dirty = True
                    dump = 0
                    is_doubtful = True
                    for k in range(words):
                        touched[k] = outside[k]
                elif _is_word(buf, at, p, _COMMENT_WORD):
                    kept[COMMENT] = 1
                    at = _skip_comment(buf, p, end, kept)
                    continue
                else:
                    which = 0
                    if _is_word(buf, at, p, _DUMPVARS):
                        which = 1
                    elif _is_word(buf, at, p, _DUMPALL):
                        which = 2
                    elif _is_word(buf, at, p, _DUMPON):
                        which = 3
                    elif _is_word(buf, at, p, _DUMPOFF):
                        which = 4
                    if which == 0 or dump != 0:
                        stopped = True
                        break
                    dump = which
                    if which >= 3:
                        gap = which - 3
                        is_forced = not has_row or kept[ROW_GAP] != gap
                    is_doubtful = True
                    for k in range(words):
                        outside[k] = touched[k]
                        touched[k] = NONE
                at = p
                continue
            if c != 98 and c != 66 and c != 114 and c != 82 and c != 115 and c != 83:
                stopped = True
                break
            p = at + 1
            while buf[p] > 32:
                p += 1
            last = p
            while p < end and _is_blank(buf[p]):
                p += 1
            if p == end:
                break  # the code is in the bytes to come
            if buf[p] <= 32:
                stopped = True
                break
            first = p
        p = first
        a = buf[p]
        if a <= 32:
            stopped = True
            break
        b = buf[p + 1]
        code = -1
        if b <= 32:
            p += 1
            if a < 127:
                code = short[a - 33]
        else:
            e = buf[p + 2]
            if e <= 32 and a < 127 and b < 127:
                p += 2
                code = short[94 + 94 * np.int64(a - 33) + np.int64(b - 33)]
            else:
                while buf[p] > 32:
                    p += 1
        if not _is_blank(buf[p]):
            stopped = True
            break
        if code < 0:
            code = _long_code(buf, first, p, slots, starts, pool)
            if code < 0:
                stopped = True
                break
        width = widths[code]
        if width == ASIDE:
            aside[code] += 1
            at = p + 1
            continue
        if is_scalar:
            w = one_word[code]
            if w >= 0:
                m = one_mask[code]
                state, odd = states[w], unknown[w]
                level = _LEVELS[c]
                if level >= _NINE_LEVELS:
                    kept[NINE] += 1
                new, new_odd = state & ~m, odd & ~m
                if level & 1:
                    new |= m
                if level & 2:
                    new_odd |= m
                moved = (new ^ state) | (new_odd ^ odd)
                if moved != NONE:
                    states[w] = new
                    unknown[w] = new_odd
                    if moved & touched[w] != NONE:
                        no_width += 1
                        is_doubtful = True
                    touched[w] |= moved
                dirty = True
                at = p + 1
                continue
            last = first  # the one digit stands before the code
        elif c == 114 or c == 82 or c == 115 or c == 83:
            kept[REALS] += 1
            at = p + 1
            continue
        start = at if is_scalar else at + 1
        count = last - start
        if count > width or count == 0:
            stopped = True
            break
        for k in range((width + 63) // 64):
            digits[0, k] = NONE
            digits[1, k] = NONE
        pad = width - count
        place = pad
        good, is_nine = True, False
        for k in range(start, last):
            level = _LEVELS[buf[k]]
            if level < 0:
                good = False
                break
            is_nine = is_nine or level >= _NINE_LEVELS
            bit = _ONE << np.uint64(place & 63)
            if level & 1:
                digits[0, place >> 6] |= bit
            if level & 2:
                digits[1, place >> 6] |= bit
            place += 1
        if not good:
            stopped = True
            break
        if is_nine:
            kept[NINE] += 1
        lead = _LEVELS[buf[start]]
        if lead & 2:
            for k in range(pad):
                digits[1, k >> 6] |= _ONE << np.uint64(k & 63)
                if lead & 1:
                    digits[0, k >> 6] |= _ONE << np.uint64(k & 63)
        for r in range(run_of[code], run_of[code + 1]):
            m = run_masks[r]
            down, up = np.uint64(runs[r, 1]), np.uint64(runs[r, 3])
            w = runs[r, 2]
            mask = m << up
            state, odd = states[w], unknown[w]
            new = (state & ~mask) | (((digits[0, runs[r, 0]] >> down) & m) << up)
            new_odd = (odd & ~mask) | (((digits[1, runs[r, 0]] >> down) & m) << up)
            moved = (new ^ state) | (new_odd ^ odd)
            if moved != NONE:
                states[w] = new
                unknown[w] = new_odd
                again = moved & touched[w]
                is_doubtful = is_doubtful or again != NONE
                while again != NONE:
                    again &= again - _ONE
                    no_width += 1
                touched[w] |= moved
        dirty = dirty or one_word[code] != -2
        at = p + 1
    if rows != 0:
        for k in range(words):
            row_states[k] = out_states[rows - 1, k]
            row_unknown[k] = out_unknown[rows - 1, k]
    kept[NOW], kept[RAW], kept[STEP] = now, raw, step
    kept[DUMP], kept[GAP] = dump, gap
    kept[DIRTY] = 1 if dirty else 0
    kept[HAS_ROW] = 1 if has_row else 0
    kept[ANY_UNKNOWN] = 1 if any_unknown else 0
    kept[ANY_GAP] = 1 if any_gap else 0
    kept[NO_WIDTH] += no_width
    kept[ROWS] = rows
    kept[STOPPED] = 1 if stopped else 0
    return at


@compiled_loop()
def _skip_comment(buf: Octets, at: int, end: int, kept: Ints) -> int:
    """Go behind the ``$end`` of a comment, or to the end of the bytes at hand."""
    while at < end:
        while at < end and _is_blank(buf[at]):
            at += 1
        p = at
        while p < end and not _is_blank(buf[p]):
            p += 1
        is_end = _is_word(buf, at, p, _END)
        at = p
        if is_end:
            kept[COMMENT] = 0
            return at
    return at
