"""Takes the value changes of a VCD, gives its rows: plain Python, which words every mistake."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from math import gcd
from struct import Struct
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.model import LATEST
from busdecode.capture.stream import Block
from busdecode.capture.vcd.runs import runs_of
from busdecode.capture.words import words_for
from busdecode.errors import TruncatedError, quoted

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from busdecode.capture.vcd.header import Header
    from busdecode.capture.vcd.tokens import Tokens
    from busdecode.errors import CaptureError

__all__ = ["DUMPS", "Body", "Reached"]

DUMPS = (b"", b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff")
"""The commands that hold value changes; none first."""

_DIGITS = b"01xXzZ"
NINE = b"UWLH-"
"""Further levels of a nine-level logic (IEEE Std 1164), which some writers put into a VCD."""
_STATE = bytes.maketrans(b"xXzZUWLH-", b"001100010")
_UNKNOWN = bytes.maketrans(b"01xXzZUWLH-", b"00111111001")
_WORD_MASK = (1 << 64) - 1
_CACHED_VALUES = 4096

Parts = tuple[tuple[int, int, int, int], ...]
"""What a value does: (word, bits kept, bits of state, bits of unknown) for each word."""


@dataclass
class Reached:
    """How far the reading of a body is, and what was counted on the way.

    Parameters
    ----------
    states, unknown, touched, outside : list of int, one a word
        Levels as they stand; lines that changed at this time stamp, and those that did
        outside the dump command that is open.
    row : (list of int, list of int, bool) or None
        States, unknown and gap of the row given last.
    now, raw : int, ps and time stamp
        The moment reached; raw is -1 before the first time stamp.
    step : int, ps
        Greatest common divisor of the steps of time.
    dump : bytes
        The command that is open, or none.
    gap, dirty, in_comment, open_end : bool
        Dumping is off; levels were told since the row given last; a comment is open; the
        file ended without a blank or line end.
    no_width, fallen_together, nine : int
        Changes at one time stamp, stamps rounded to one moment, values with a level of nine.
    finer : bool
    aside : Counter of str
        Values without levels, by the type of their variable.
    """

    states: list[int]
    unknown: list[int]
    touched: list[int]
    outside: list[int]
    row: tuple[list[int], list[int], bool] | None = None
    now: int = 0
    raw: int = -1
    step: int = 0
    dump: bytes = b""
    gap: bool = False
    dirty: bool = False
    in_comment: bool = False
    open_end: bool = False
    no_width: int = 0
    fallen_together: int = 0
    nine: int = 0
    finer: bool = False
    aside: Counter[str] = field(default_factory=Counter)

    @classmethod
    def at_start(cls, lines: int) -> Reached:
        """Give what stands before the first value: nothing is known."""
        words = words_for(lines)
        unknown = [_WORD_MASK] * words
        unknown[-1] = (1 << (lines - 64 * (words - 1))) - 1
        return cls([0] * words, unknown, [0] * words, [0] * words)

    def last_row(self) -> Block | None:
        """Give the row that holds until the end, where it is not the one given last."""
        if not self.dirty or (self.states, self.unknown, self.gap) == self.row:
            return None
        pack = Struct(f"<{len(self.states)}Q").pack
        return _block(
            [self.now], pack(*self.states), pack(*self.unknown), [self.gap], len(self.states)
        )

    def counted(self) -> list[str]:
        """Say what was counted on the way."""
        notes = []
        if self.no_width:
            notes.append(
                f"{self.no_width} times a line changed again at one time stamp (a glitch of no"
                " width); the last level is kept."
            )
        if self.finer:
            notes.append("Times finer than 1 ps are rounded to 1 ps.")
        if self.fallen_together:
            notes.append(
                f"{self.fallen_together} time stamps fell together with the one before when"
                " rounded; the last levels are kept."
            )
        if self.nine:
            notes.append(
                f"{self.nine} values have levels of a nine-level logic: L is taken as 0, H as 1,"
                " U, W and - as not known."
            )
        for kind, count in sorted(self.aside.items()):
            notes.append(f"{count} values of {kind} set aside.")
        if self.open_end:
            notes.append("The file does not end in a line end; its last change may be cut short.")
        return notes


class Body:
    """The value changes of one VCD file, from where the tokens stand.

    Parameters
    ----------
    tokens : Tokens
    header : Header
    wanted : sequence of str
        The lines of the rows.
    reached : Reached
        Where the reading stands; kept up to date.
    """

    def __init__(
        self, tokens: Tokens, header: Header, wanted: Sequence[str], reached: Reached
    ) -> None:
        self.tokens = tokens
        self.header = header
        self.reached = reached
        self._runs = runs_of(header, wanted)
        self._values: dict[bytes, dict[bytes, Parts]] = {}
        self._scalars: dict[bytes, Parts] = {}

    def blocks(self) -> Iterator[Block]:
        """Read to the end of the file; one block a buffer.

        Raises
        ------
        CaptureError
            At the first word that cannot be read; `TruncatedError` where the file ends in the
            middle of something, after all whole rows were given.
        """
        reached = self.reached
        words = len(reached.states)
        while True:
            times: list[int] = []
            gaps: list[bool] = []
            rows, odd_rows = bytearray(), bytearray()
            cut: TruncatedError | None = None
            try:
                goes_on = self._buffer(times, rows, odd_rows, gaps)
            except TruncatedError as error:
                cut, goes_on = error, False
            if times:
                yield _block(times, rows, odd_rows, gaps, words)
            if cut is not None:
                raise cut
            if not goes_on:
                break
        last = reached.last_row()
        if last is not None:
            yield last

    def _buffer(
        self, times: list[int], rows: bytearray, odd_rows: bytearray, gaps: list[bool]
    ) -> bool:
        """Read the words of one buffer and load the next; False at the end of the file."""
        tokens, reached = self.tokens, self.reached
        states, unknown = reached.states, reached.unknown
        untouched = [0] * len(states)
        pack = Struct(f"<{len(states)}Q").pack
        scalars, values, aside = self._scalars, self._values, self.header.aside
        if reached.in_comment:
            self._comment()
        while True:
            buffer = tokens.words
            touched = reached.touched
            dirty = reached.dirty
            try:
                for word in buffer:
                    parts = scalars.get(word)
                    if parts is None:
                        first = word[0]
                        if first == 35:  # '#'
                            was_now, initial = reached.now, reached.raw < 0
                            later = self._advance(word, begun=dirty or reached.row is not None)
                            if later or initial:
                                reached.touched = touched = untouched[:]
                            if later and dirty:
                                dirty = False
                                if (states, unknown, reached.gap) != reached.row:
                                    reached.row = (states[:], unknown[:], reached.gap)
                                    times.append(was_now)
                                    rows += pack(*states)
                                    odd_rows += pack(*unknown)
                                    gaps.append(reached.gap)
                            continue
                        if first in b"bB":
                            code = next(buffer, None) or self._code(word)
                            parts = values.get(code, {}).get(word)
                            if parts is None:
                                parts = self._vector(word, code)
                        elif first == 36:  # '$'
                            reached.dirty = dirty
                            self._command(word)
                            touched, dirty = reached.touched, reached.dirty
                            continue
                        elif first in b"rRsS":
                            self._set_aside(word)
                            continue
                        elif word[1:] in aside:
                            reached.aside[aside[word[1:]]] += 1
                            continue
                        else:
                            parts = self._scalar(word)
                    for at, keep, high, odd in parts:
                        dirty = True
                        state, other = states[at], unknown[at]
                        new, new_odd = state & keep | high, other & keep | odd
                        moved = (new ^ state) | (new_odd ^ other)
                        if moved:
                            states[at], unknown[at] = new, new_odd
                            again = moved & touched[at]
                            if again:
                                reached.no_width += again.bit_count()
                            touched[at] |= moved
            finally:
                reached.dirty = dirty
            if tokens.words is buffer:
                break
        if tokens.advance():
            return True
        if reached.dump:
            raise self._cut_short(f"inside {reached.dump.decode()}", "$end")
        reached.open_end = not tokens.ends_in_blank
        return False

    def _comment(self) -> None:
        self.reached.in_comment = False
        if self.tokens.section() is None:
            raise self._cut_short("inside $comment", "$end")

    def _cut_short(self, where: str, expected: str) -> TruncatedError:
        error = self.tokens.error(where, expected=expected, action=None)
        return TruncatedError(
            f"the file ends at byte {self.tokens.offset} {where}",
            path=error.path,
            line=error.line,
            column=error.column,
            text=error.text,
            expected=expected,
            action="export the capture again, or give --allow-truncated",
        )

    def _mistake(
        self, found: str, *, expected: str, action: str, into: int = 0, back: int = 0
    ) -> CaptureError:
        """Make an error at the word taken last; where that ends the file, it is cut short."""
        if self.tokens.is_cut:
            return self._cut_short(f"inside a word: {found}", expected)
        return self.tokens.error(found, expected=expected, action=action, into=into, back=back)

    def _advance(self, word: bytes, *, begun: bool) -> bool:
        """Go to a time stamp; False where it is the moment already reached.

        `begun` tells that levels were given before it: these hold from the last time, or
        from 0.
        """
        reached, digits = self.reached, word[1:]
        if not digits.isdigit():
            raise self._mistake(
                f"a time must be # and a whole number, not {quoted(_text(word))}",
                expected="a time such as #1250",
                action="correct the time, or export the capture again",
            )
        if reached.dump:
            raise self._mistake(
                f"a time inside {reached.dump.decode()}",
                expected="$end before the next time",
                action="export the capture again; a part looks cut out",
            )
        raw = int(digits) if len(digits) < 100 else LATEST * 1000 + 1000
        worth, of = self.header.scale
        now = raw * worth
        if of != 1:
            reached.finer = reached.finer or now % of != 0
            now = (2 * now + of) // (2 * of)
        if now > LATEST:
            raise self._mistake(
                "the time does not fit into 64 bits of picoseconds",
                expected="a time below 9223372 s",
                action="correct the time, or the $timescale",
            )
        if raw < reached.raw:
            raise self._mistake(
                f"time runs backward: {raw} after {reached.raw}",
                expected=f"{reached.raw} or later",
                action="export the capture again, or sort it",
            )
        before, reached.raw = reached.raw, raw
        if now == reached.now:
            if before not in (-1, raw):
                reached.fallen_together += 1
            return False
        if before >= 0 or begun:
            reached.step = gcd(reached.step, now - reached.now)
        reached.now = now
        return True

    def _code(self, word: bytes) -> bytes:
        code = self.tokens.take()
        if code is None:
            raise self._cut_short(
                f"after the value {quoted(_text(word))}, before its code",
                "a blank and the code of a line",
            )
        return code

    def _undeclared(self, code: bytes, into: int = 0) -> CaptureError:
        return self._mistake(
            f"value for an undeclared code {quoted(_text(code))}",
            into=into,
            expected="a code from a $var line above $enddefinitions",
            action="export the whole capture again; its header or this line looks cut short",
        )

    def _scalar(self, word: bytes) -> Parts:
        value, code = word[:1], word[1:]
        if value not in _DIGITS + NINE:
            found = "a port of an extended VCD" if value == b"p" else "no value change"
            raise self._mistake(
                f"{quoted(_text(word))} is {found}",
                expected="0, 1, x or z and a code, b and digits, a #time, or a $command",
                action="export the capture as four-state VCD",
            )
        if not code:
            raise self._mistake(
                f"the value {_text(value)} stands without a code",
                expected="the code right behind the value, such as 1!",
                action="take the blank out, or export the capture again",
            )
        if code not in self.header.codes:
            raise self._undeclared(code, into=1)
        parts = self._parts(value, code)
        if value in NINE:
            self.reached.nine += 1
        else:
            self._scalars[word] = parts
        return parts

    def _vector(self, word: bytes, code: bytes) -> Parts:
        if code in self.header.aside:
            self.reached.aside[self.header.aside[code]] += 1
            return ()
        if code not in self.header.codes:
            raise self._undeclared(code)
        digits, width = word[1:], self.header.codes[code][0]
        if not digits or digits.translate(None, _DIGITS + NINE):
            raise self._mistake(
                f"a vector value must be b and digits 0, 1, x or z, not {quoted(_text(word))}",
                back=1,
                into=1,
                expected="a value such as b01xz",
                action="correct the value, or export the capture again",
            )
        if len(digits) > width:
            raise self._mistake(
                f"{len(digits)} digits for code {quoted(_text(code))}, which has {width}"
                f" bit{'s' if width > 1 else ''}",
                back=1,
                into=1,
                expected=f"{width} digit{'s' if width > 1 else ''} at most",
                action="correct the value, or the size in its $var",
            )
        parts = self._parts(digits, code)
        if digits.translate(None, _DIGITS):
            self.reached.nine += 1
            return parts
        cache = self._values.setdefault(code, {})
        if len(cache) >= _CACHED_VALUES:
            cache.clear()
        cache[word] = parts
        return parts

    def _parts(self, digits: bytes, code: bytes) -> Parts:
        width = self.header.codes[code][0]
        fill = b"0" if digits[:1] in b"01LH" else digits[:1]
        backward = digits.rjust(width, fill)[::-1]
        state = int(backward.translate(_STATE), 2)
        odd = int(backward.translate(_UNKNOWN), 2)
        found: dict[int, list[int]] = {}
        for source, target, length in self._runs[code]:
            ones, shift = (1 << length) - 1, target % 64
            part = found.setdefault(target // 64, [0, 0, 0])
            part[0] |= ones << shift
            part[1] |= (state >> source & ones) << shift
            part[2] |= (odd >> source & ones) << shift
        return tuple((at, _WORD_MASK ^ mask, s, u) for at, (mask, s, u) in found.items())

    def _set_aside(self, word: bytes) -> None:
        code = self._code(word)
        kind = self.header.aside.get(code)
        if kind is None and code not in self.header.codes:
            raise self._undeclared(code)
        self.reached.aside[kind or "a real written to a vector"] += 1

    def _command(self, word: bytes) -> None:
        reached = self.reached
        if word == b"$comment":
            self._comment()
        elif word == b"$end":
            if not reached.dump:
                raise self._mistake(
                    "$end without a command that it ends",
                    expected="$dumpvars, $dumpall, $dumpon, $dumpoff or $comment before it",
                    action="take this $end out",
                )
            reached.dirty |= reached.dump in (b"$dumpoff", b"$dumpon")
            reached.dump, reached.touched = b"", reached.outside
        elif word in DUMPS:
            if reached.dump:
                raise self._mistake(
                    f"{_text(word)} inside {reached.dump.decode()}",
                    expected="$end",
                    action="export the capture again; a part looks cut out",
                )
            reached.dump = word
            reached.outside, reached.touched = reached.touched, [0] * len(reached.states)
            if word in (b"$dumpoff", b"$dumpon"):
                reached.gap = word == b"$dumpoff"
        else:
            raise self._mistake(
                f"{quoted(_text(word))} after $enddefinitions",
                expected="$dumpvars, $dumpall, $dumpon, $dumpoff or $comment",
                action="export the capture as four-state VCD",
            )


def _text(word: bytes) -> str:
    return re.sub(r"[^\x20-\x7e]", "?", word.decode("utf-8", "replace"))


def _block(
    times: list[int],
    rows: bytes | bytearray,
    odd_rows: bytes | bytearray,
    gaps: list[bool],
    words: int,
) -> Block:
    def unpacked(data: bytes | bytearray) -> NDArray[np.uint64]:
        return np.frombuffer(bytes(data), dtype="<u8").astype(np.uint64).reshape(-1, words)

    return Block(
        np.asarray(times, dtype=np.int64),
        unpacked(rows),
        unpacked(odd_rows),
        np.asarray(gaps, dtype=np.bool_),
    )
