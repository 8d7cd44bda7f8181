"""Takes the value changes of a VCD, gives its rows: bytes at a time through the compiled loop."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.stream import Block
from busdecode.capture.vcd import kernel
from busdecode.capture.vcd.body import DUMPS
from busdecode.capture.vcd.plain_stretch import PLAIN_CODES, PLAIN_WORDS, plain_place
from busdecode.capture.vcd.runs import runs_of
from busdecode.capture.vcd.tokens import behind_last_blank
from busdecode.capture.words import words_for

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from busdecode.capture.stream import Source
    from busdecode.capture.vcd.body import Reached
    from busdecode.capture.vcd.header import Header

__all__ = ["CompiledBody"]

BUFFER_BYTES = 1 << 21
SPARE_BYTES = 32
"""Behind what was read: a line end, and bytes that may be looked at but count for nothing."""
ROWS_AT_ONCE = 1 << 17
_SHORTEST_ROW = 5
"""Bytes of a row: a time of one digit, one change, and a blank behind each."""


class CompiledBody:
    """The value changes of one VCD file.

    Parameters
    ----------
    source : Source
    header : Header
    wanted : sequence of str
        The lines of the rows.
    reached : Reached
        Where the reading stands; kept up to date.

    Attributes
    ----------
    stopped_at : int or None
        Byte of the file from which the plain reader must go on; None at the end of a file
        that was read whole.
    """

    def __init__(
        self, source: Source, header: Header, wanted: Sequence[str], reached: Reached
    ) -> None:
        self.stopped_at: int | None = None
        self._source = source
        self._reached = reached
        self._kinds = _codes(header)
        self._tables = _tables(header, wanted, list(self._kinds))
        self._aside = np.zeros(len(self._kinds), dtype=np.int64)
        widest = max((width for width, _ in header.codes.values()), default=1)
        self._digits = np.zeros((2, -(-widest // 64)), dtype=np.uint64)
        self._scale = header.scale
        self._kept = np.zeros(kernel.KEPT, dtype=np.int64)
        self._kept[kernel.RAW] = -1
        self._levels = [
            np.array(each, dtype=np.uint64)
            for each in (reached.states, reached.unknown, reached.touched, reached.outside)
        ]
        self._row = [np.zeros(len(reached.states), dtype=np.uint64) for _ in range(2)]
        self._unknown, self._gaps = self._zeros(0)
        self._scan(np.full(1 + SPARE_BYTES, 10, dtype=np.uint8), 0, 1)  # compiled, or loaded, here

    def blocks(self, start: int) -> Iterator[Block]:
        """Read from byte `start` on for as long as all is as the standard has it."""
        octets = bytearray(BUFFER_BYTES + SPARE_BYTES)
        held, offset = 0, start  # bytes at the front not read yet, and the first one's place
        with self._source.open(start) as stream:
            ended = open_end = False
            while not ended:
                if held == len(octets) - SPARE_BYTES:
                    octets = octets + bytes(len(octets))
                with memoryview(octets)[held:-SPARE_BYTES] as room:
                    count = self._source.readinto(stream, room)
                ended, full = count == 0, held + count
                nul = octets.find(b"\0", held, full)
                end = behind_last_blank(octets, full if nul < 0 else nul)
                if ended and nul < 0:
                    open_end = end < full
                    octets[full] = 10
                    end = full + 1
                at = 0
                buffer = np.frombuffer(octets, dtype=np.uint8)
                while end:
                    at, block = self._scan(buffer, at, end)
                    if len(block.times):
                        yield block
                    if self._kept[kernel.STOPPED] or len(block.times) < ROWS_AT_ONCE:
                        break
                del buffer
                if self._kept[kernel.STOPPED] or nul >= 0:
                    self.stopped_at = offset + at
                    return
                at = min(at, full)  # without the line end that was put behind an open end
                held = full - at
                octets[:held] = octets[at:full]
                offset += at
        if not ended or held or self._reached.dump or self._reached.in_comment:
            self.stopped_at = offset
            return
        self._reached.open_end = open_end
        row = self._reached.last_row()
        if row is not None:
            yield row

    def _scan(self, buffer: NDArray[np.uint8], at: int, end: int) -> tuple[int, Block]:
        words = len(self._reached.states)
        room = min(ROWS_AT_ONCE, (end - at) // _SHORTEST_ROW + 1)
        times = np.empty(room, dtype=np.int64)
        states = np.empty((room, words), dtype=np.uint64)
        if room > len(self._gaps):
            self._unknown, self._gaps = self._zeros(room)
        unknown, gaps = self._unknown[:room], self._gaps[:room]
        at = kernel.scan(
            buffer, at, end, *self._tables, self._aside, *self._scale, self._kept,
            *self._levels, *self._row, self._digits, times, states, unknown, gaps,
        )  # fmt: skip
        self._tell()
        kept, rows = self._kept, slice(int(self._kept[kernel.ROWS]))
        if kept[kernel.ANY_UNKNOWN] or kept[kernel.ANY_GAP]:
            self._unknown, self._gaps = self._zeros(0)  # given away, and no longer 0
        return at, Block(
            times[rows],
            states[rows],
            unknown[rows] if kept[kernel.ANY_UNKNOWN] else None,
            gaps[rows] if kept[kernel.ANY_GAP] else None,
        )

    def _zeros(self, room: int) -> tuple[NDArray[np.uint64], NDArray[np.bool_]]:
        """Give unknown and gaps for so many rows; used again for as long as they stay 0."""
        words = len(self._reached.states)
        return np.zeros((room, words), dtype=np.uint64), np.zeros(room, dtype=np.bool_)

    def _tell(self) -> None:
        """Bring `reached` up to date."""
        reached, kept = self._reached, self._kept.tolist()
        reached.states, reached.unknown, reached.touched, reached.outside = (
            each.tolist() for each in self._levels
        )
        if kept[kernel.HAS_ROW]:
            reached.row = (self._row[0].tolist(), self._row[1].tolist(), bool(kept[kernel.ROW_GAP]))
        reached.now, reached.raw, reached.step = (
            kept[kernel.NOW],
            kept[kernel.RAW],
            kept[kernel.STEP],
        )
        reached.dump, reached.gap = DUMPS[kept[kernel.DUMP]], bool(kept[kernel.GAP])
        reached.dirty, reached.in_comment = bool(kept[kernel.DIRTY]), bool(kept[kernel.COMMENT])
        reached.no_width, reached.finer = kept[kernel.NO_WIDTH], bool(kept[kernel.FINER])
        reached.fallen_together, reached.nine = kept[kernel.FALLEN], kept[kernel.NINE]
        aside: Counter[str] = Counter()
        for kind, count in zip(self._kinds.values(), self._aside.tolist(), strict=True):
            if count:
                aside[kind] += count
        if kept[kernel.REALS]:
            aside["a real written to a vector"] = kept[kernel.REALS]
        reached.aside = aside


def _codes(header: Header) -> dict[bytes, str]:
    """Give every code with the type of its variable, which is empty for levels."""
    return dict.fromkeys(header.codes, "") | header.aside


def _tables(header: Header, wanted: Sequence[str], codes: list[bytes]) -> list[NDArray[np.generic]]:
    """Give the tables that `scan` takes, from `short` to `run_masks`."""
    short = np.full(kernel.SHORT_CODES, -1, dtype=np.int32)
    size = 4
    while size < 2 * len(codes):
        size *= 2
    slots = np.full(size, -1, dtype=np.int64)
    for number, code in enumerate(codes):
        if all(33 <= octet < 127 for octet in code) and len(code) <= 2:
            at = code[0] - 33 if len(code) == 1 else 94 + 94 * (code[0] - 33) + code[1] - 33
            short[at] = number
        octets = np.frombuffer(code, dtype=np.uint8)
        slot = int(kernel.code_hash(octets, 0, len(code))) % size
        while slots[slot] >= 0:
            slot = (slot + 1) % size
        slots[slot] = number
    runs = runs_of(header, wanted)
    words = words_for(len(wanted))
    plain = np.full((PLAIN_CODES if words <= PLAIN_WORDS else 0, 2), 2**64 - 1, dtype=np.uint64)
    widths, one_word, one_mask, run_of = [], [], [], [0]
    flat: list[tuple[int, int, int, int]] = []
    masks: list[int] = []
    for code in codes:
        own = runs.get(code, ())
        width = kernel.ASIDE if code in header.aside else header.codes[code][0]
        is_one = width == 1 and len(own) == 1
        if width == 1 and len(own) <= 1 and len(code) <= 2 and code.isascii() and len(plain):
            bit = own[0].target if own else 0
            is_in = (bit < 64, bit >= 64 or words == 1)
            plain[plain_place(code)] = [bool(own) * each << bit % 64 for each in is_in]
        widths.append(width)
        one_word.append(own[0].target // 64 if is_one else -1 if own else -2)
        one_mask.append(1 << own[0].target % 64 if is_one else 0)
        for source, target, length in own:
            flat.append((source // 64, source % 64, target // 64, target % 64))
            masks.append((1 << length) - 1)
        run_of.append(len(flat))
    starts = np.cumsum([0, *map(len, codes)])
    return [
        short,
        slots,
        starts.astype(np.int64),
        np.frombuffer(b"".join(codes), dtype=np.uint8).copy(),
        plain,
        np.array(widths, dtype=np.int64),
        np.array(one_word, dtype=np.int64),
        np.array(one_mask, dtype=np.uint64),
        np.array(run_of, dtype=np.int64),
        np.array(flat, dtype=np.int64).reshape(-1, 4),
        np.array(masks, dtype=np.uint64),
    ]
