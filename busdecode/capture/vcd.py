"""Takes a VCD file (IEEE 1364-2005 clause 18), gives its rows."""

from __future__ import annotations

import re
from collections import Counter
from math import gcd
from struct import Struct
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.model import words_for
from busdecode.capture.stream import Block, CaptureFile, Source, Told
from busdecode.capture.vcd_header import read_header
from busdecode.capture.vcd_tokens import Tokens
from busdecode.errors import quoted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from busdecode.capture.vcd_header import Header
    from busdecode.errors import CaptureError

__all__ = ["VcdFile", "open_vcd", "sniff_vcd"]

_OPENINGS = (
    b"$date", b"$version", b"$comment", b"$timescale", b"$scope", b"$upscope", b"$var",
    b"$enddefinitions",
)  # fmt: skip
_DUMPS = (b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff")
_LATEST = 2**63 - 1
_DIGITS = b"01xXzZ"
_STATE = bytes.maketrans(b"xXzZ", b"0011")
_UNKNOWN = bytes.maketrans(b"01xXzZ", b"001111")
_WORD_MASK = (1 << 64) - 1
_CACHED_VALUES = 4096

Parts = tuple[tuple[int, int, int, int], ...]
"""What a value does: (word, bits kept, bits of state, bits of unknown) for each word."""


def sniff_vcd(head: bytes) -> bool:
    """Tell whether a file that begins with `head` is a VCD."""
    words = head.removeprefix(b"\xef\xbb\xbf").split(None, 1)
    return bool(words) and words[0].startswith(_OPENINGS)


def open_vcd(source: Source, told: Told) -> VcdFile:
    """Open a VCD file and read its header.

    Raises
    ------
    CaptureError
        If the header is not that of a VCD.
    """
    return VcdFile(source, told)


class VcdFile(CaptureFile):
    """A VCD file whose header was read."""

    def __init__(self, source: Source, told: Told) -> None:
        super().__init__(source, told)
        tokens = Tokens(source)
        try:
            header = read_header(tokens, told)
        finally:
            tokens.close()
        self.lines = tuple(header.lines)
        self.notes = tuple(header.notes)

    def _blocks(self) -> Iterator[Block]:
        tokens = Tokens(self.source)
        try:
            body = _Body(tokens, read_header(tokens, self.told))
            for block in body.blocks():
                self._stamps(body.step, body.now)
                yield block
            self._stamps(body.step, body.now)
            self.notes = (*body.header.notes, *body.counted())
        finally:
            tokens.close()


class _Body:
    """The value changes of one VCD file, read once."""

    def __init__(self, tokens: Tokens, header: Header) -> None:
        self.tokens = tokens
        self.header = header
        self.words = words_for(len(header.lines))
        self.now = 0
        self.step = 0
        self._raw = -1
        self._dump: bytes | None = None
        self._gap = False
        self._values: dict[bytes, dict[bytes, Parts]] = {}
        self._scalars: dict[bytes, Parts] = {}
        self._no_width = 0
        self._fallen_together = 0
        self._finer = False
        self._aside: Counter[str] = Counter()

    def counted(self) -> list[str]:
        """Say what was counted on the way."""
        notes = []
        if self._no_width:
            notes.append(
                f"{self._no_width} times a line changed again at one time stamp (a glitch of no"
                " width); the last level is kept."
            )
        if self._finer:
            notes.append("Times finer than 1 ps are rounded to 1 ps.")
        if self._fallen_together:
            notes.append(
                f"{self._fallen_together} time stamps fell together with the one before when"
                " rounded; the last levels are kept."
            )
        for kind, count in sorted(self._aside.items()):
            notes.append(f"{count} values of {kind} set aside.")
        if not self.tokens.ends_in_blank:
            notes.append("The file does not end in a line end; its last change may be cut short.")
        return notes

    def blocks(self) -> Iterator[Block]:
        """Read to the end of the file; one block a buffer."""
        tokens, words = self.tokens, self.words
        states = [0] * words
        unknown = [_WORD_MASK] * words
        unknown[-1] = (1 << (len(self.header.lines) - 64 * (words - 1))) - 1
        untouched = [0] * words
        touched = untouched[:]
        outside = touched
        row: tuple[list[int], list[int], bool] | None = None
        scalars, values = self._scalars, self._values
        aside = self.header.aside
        dirty = False
        times: list[int] = []
        gaps: list[bool] = []
        rows, odd_rows = bytearray(), bytearray()
        pack = Struct(f"<{words}Q").pack
        while True:
            buffer = tokens.words
            for word in buffer:
                parts = scalars.get(word)
                if parts is None:
                    first = word[0]
                    if first == 35:  # '#'
                        was_now, initial = self.now, self._raw < 0
                        later = self._advance(word, begun=dirty or row is not None)
                        if later or initial:
                            touched = untouched[:]
                        if later and dirty:
                            dirty = False
                            if (states, unknown, self._gap) != row:
                                row = (states[:], unknown[:], self._gap)
                                times.append(was_now)
                                rows += pack(*states)
                                odd_rows += pack(*unknown)
                                gaps.append(self._gap)
                        continue
                    if first in b"bB":
                        code = next(buffer, None) or self._code(word)
                        parts = values.get(code, {}).get(word) or self._vector(word, code)
                        if not parts:
                            continue
                    elif first == 36:  # '$'
                        was = self._dump
                        self._command(word)
                        if self._dump is not None and was is None:
                            outside, touched = touched, untouched[:]
                        elif self._dump is None and was is not None:
                            touched = outside
                            if was in (b"$dumpoff", b"$dumpon"):
                                dirty = True
                        continue
                    elif first in b"rRsS":
                        self._set_aside(word)
                        continue
                    elif word[1:] in aside:
                        self._aside[aside[word[1:]]] += 1
                        continue
                    else:
                        parts = self._scalar(word)
                dirty = True
                for at, keep, high, odd in parts:
                    state, other = states[at], unknown[at]
                    new, new_odd = state & keep | high, other & keep | odd
                    moved = (new ^ state) | (new_odd ^ other)
                    if moved:
                        states[at], unknown[at] = new, new_odd
                        again = moved & touched[at]
                        if again:
                            self._no_width += again.bit_count()
                        touched[at] |= moved
            if tokens.words is not buffer:
                continue
            if times:
                yield _block(times, rows, odd_rows, gaps, words)
                times, gaps = [], []
                rows, odd_rows = bytearray(), bytearray()
            if not tokens.advance():
                break
        if self._dump is not None:
            raise tokens.error(
                f"the file ends inside {self._dump.decode()}",
                expected="$end",
                action="export the capture again; it looks cut short",
            )
        if dirty and (states, unknown, self._gap) != row:
            yield _block([self.now], pack(*states), pack(*unknown), [self._gap], words)

    def _advance(self, word: bytes, *, begun: bool) -> bool:
        """Go to a time stamp; False where it is the moment already reached.

        `begun` tells that levels were given before it: these hold from the last time, or
        from 0.
        """
        digits = word[1:]
        if not digits.isdigit():
            raise self.tokens.error(
                f"a time must be # and a whole number, not {quoted(_text(word))}",
                expected="a time such as #1250",
                action="correct the time, or export the capture again",
            )
        if self._dump is not None:
            raise self.tokens.error(
                f"a time inside {self._dump.decode()}",
                expected="$end before the next time",
                action="export the capture again; a part looks cut out",
            )
        raw = int(digits) if len(digits) < 100 else _LATEST * 1000 + 1000
        worth, of = self.header.scale
        now = raw * worth
        if of != 1:
            self._finer = self._finer or now % of != 0
            now = (2 * now + of) // (2 * of)
        if now > _LATEST:
            raise self.tokens.error(
                "the time does not fit into 64 bits of picoseconds",
                expected="a time below 9223372 s",
                action="correct the time, or the $timescale",
            )
        if raw < self._raw and self.tokens.is_cut:
            raise self.tokens.error(
                f"the file ends inside a time stamp: {raw} after {self._raw}",
                expected="a whole time stamp, and a line end after the last change",
                action="export the capture again; it looks cut short",
            )
        if raw < self._raw:
            raise self.tokens.error(
                f"time runs backward: {raw} after {self._raw}",
                expected=f"{self._raw} or later",
                action="export the capture again, or sort it",
            )
        before, self._raw = self._raw, raw
        if now == self.now:
            if before not in (-1, raw):
                self._fallen_together += 1
            return False
        if before >= 0 or begun:
            self.step = gcd(self.step, now - self.now)
        self.now = now
        return True

    def _code(self, word: bytes) -> bytes:
        code = self.tokens.take()
        if code is None:
            raise self.tokens.error(
                f"the file ends after the value {quoted(_text(word))}, before its code",
                expected="a blank and the code of a line",
                action="export the capture again; it looks cut short",
            )
        return code

    def _undeclared(self, code: bytes, into: int = 0) -> CaptureError:
        return self.tokens.error(
            f"value for an undeclared code {quoted(_text(code))}",
            into=into,
            expected="a code from a $var line above $enddefinitions",
            action="export the whole capture again; its header or this line looks cut short",
        )

    def _scalar(self, word: bytes) -> Parts:
        value, code = word[:1], word[1:]
        if value not in (b"0", b"1", b"x", b"X", b"z", b"Z"):
            found = "a port of an extended VCD" if value == b"p" else "no value change"
            raise self.tokens.error(
                f"{quoted(_text(word))} is {found}",
                expected="0, 1, x or z and a code, b and digits, a #time, or a $command",
                action="export the capture as four-state VCD",
            )
        if not code:
            raise self.tokens.error(
                f"the value {_text(value)} stands without a code",
                expected="the code right behind the value, such as 1!",
                action="take the blank out, or export the capture again",
            )
        if code not in self.header.codes:
            raise self._undeclared(code, into=1)
        parts = self._parts(value, code)
        self._scalars[word] = parts
        return parts

    def _vector(self, word: bytes, code: bytes) -> Parts:
        if code in self.header.aside:
            self._aside[self.header.aside[code]] += 1
            return ()
        if code not in self.header.codes:
            raise self._undeclared(code)
        digits, width = word[1:], self.header.codes[code][0]
        if not digits or digits.translate(None, _DIGITS):
            raise self.tokens.error(
                f"a vector value must be b and digits 0, 1, x or z, not {quoted(_text(word))}",
                back=1,
                into=1,
                expected="a value such as b01xz",
                action="correct the value, or export the capture again",
            )
        if len(digits) > width:
            raise self.tokens.error(
                f"{len(digits)} digits for code {quoted(_text(code))}, which has {width}"
                f" bit{'s' if width > 1 else ''}",
                back=1,
                into=1,
                expected=f"{width} digit{'s' if width > 1 else ''} at most",
                action="correct the value, or the size in its $var",
            )
        parts = self._parts(digits, code)
        cache = self._values.setdefault(code, {})
        if len(cache) >= _CACHED_VALUES:
            cache.clear()
        cache[word] = parts
        return parts

    def _parts(self, digits: bytes, code: bytes) -> Parts:
        width, places = self.header.codes[code]
        fill = b"0" if digits[:1] in (b"0", b"1") else digits[:1]
        backward = digits.rjust(width, fill)[::-1]
        state = int(backward.translate(_STATE), 2)
        odd = int(backward.translate(_UNKNOWN), 2)
        ones = (1 << width) - 1
        found: dict[int, list[int]] = {}
        for place in places:
            shift = place % 64
            for word in range(place // 64, (place + width - 1) // 64 + 1):
                down = 64 * (word - place // 64)
                part = found.setdefault(word, [0, 0, 0])
                for at, value in enumerate((ones, state, odd)):
                    part[at] |= (value << shift) >> down & _WORD_MASK
        return tuple((at, _WORD_MASK ^ mask, s, u) for at, (mask, s, u) in found.items())

    def _set_aside(self, word: bytes) -> None:
        code = self._code(word)
        kind = self.header.aside.get(code)
        if kind is None and code not in self.header.codes:
            raise self._undeclared(code)
        self._aside[kind or "a real written to a vector"] += 1

    def _command(self, word: bytes) -> None:
        if word == b"$comment":
            if self.tokens.section() is None:
                raise self.tokens.error(
                    "the file ends inside $comment",
                    expected="$end",
                    action="export the capture again; it looks cut short",
                )
        elif word == b"$end":
            if self._dump is None:
                raise self.tokens.error(
                    "$end without a command that it ends",
                    expected="$dumpvars, $dumpall, $dumpon, $dumpoff or $comment before it",
                    action="take this $end out",
                )
            self._dump = None
        elif word in _DUMPS:
            if self._dump is not None:
                raise self.tokens.error(
                    f"{_text(word)} inside {self._dump.decode()}",
                    expected="$end",
                    action="export the capture again; a part looks cut out",
                )
            self._dump = word
            if word in (b"$dumpoff", b"$dumpon"):
                self._gap = word == b"$dumpoff"
        else:
            raise self.tokens.error(
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
