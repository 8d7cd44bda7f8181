"""The memory behind the card's lines: what was stored, and what is not known of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.access import moved, word_shift

if TYPE_CHECKING:
    from busdecode.protocol import Bus

__all__ = ["Memory", "Stored"]


class Memory:
    """Words by their word address, each bit known or not.

    Examples
    --------
    >>> memory = Memory()
    >>> memory.write(0x100, 0x00FF, 0x1234)
    >>> memory.read(0x100)
    (52, 255)
    """

    def __init__(self) -> None:
        self._words: dict[int, tuple[int, int]] = {}

    def write(self, word: int, mask: int, data: int) -> None:
        """Store the bits of `mask`; the others stay as they were."""
        old, known = self._words.get(word, (0, 0))
        self._words[word] = ((old & ~mask) | (data & mask), known | mask)

    def forget(self, word: int, mask: int) -> None:
        """Make the bits of `mask` not known."""
        if mask and word in self._words:
            data, known = self._words[word]
            self._words[word] = (data & ~mask, known & ~mask)

    def read(self, word: int) -> tuple[int, int]:
        """Give the word and the mask of its bits that are known; the others are 0."""
        return self._words.get(word, (0, 0))


class Stored:
    """What a transfer reaches of a memory, with its bytes on the lanes on which they move.

    Parameters
    ----------
    bus : Bus
    memory : Memory or None
        None keeps nothing: what is read there is not known.
    address : int
        Byte address of the lowest byte.
    lanes : int
    part : int
        Which part of a byte, where the data lines are narrower; the high one is 0.

    Examples
    --------
    On VMEbus a byte at an even address is on D15 to D8, whichever half of the word it is of:

    >>> from busdecode.protocol import load_bus
    >>> vme, memory = load_bus("vmebus"), Memory()
    >>> Stored(vme, memory, 0x1000, 0b0010).write(0xFF00, 0xA500)
    >>> data, known = Stored(vme, memory, 0x1000, 0b1111).read()
    >>> f"{data:08X} {known:08X}"
    'A5000000 FF000000'
    """

    def __init__(
        self, bus: Bus, memory: Memory | None, address: int, lanes: int, part: int = 0
    ) -> None:
        self._memory = memory
        self._key = address // bus.word_bytes * bus.word_bytes * bus.operand.beats + part
        self._shift = word_shift(bus, address, lanes)
        self._full = (1 << len(bus.data)) - 1

    def write(self, mask: int, data: int) -> None:
        """Store the bits of `mask`; the others stay as they were."""
        if self._memory is not None:
            self._memory.write(self._key, self._up(mask), self._up(data & mask))

    def forget(self, mask: int) -> None:
        """Make the bits of `mask` not known."""
        if self._memory is not None:
            self._memory.forget(self._key, self._up(mask))

    def read(self) -> tuple[int, int]:
        """Give the word as it would stand on the lines, and the mask of its bits known."""
        if self._memory is None:
            return 0, 0
        data, known = self._memory.read(self._key)
        return self._down(data), self._down(known)

    def _up(self, word: int) -> int:
        return moved(word, self._shift) & self._full

    def _down(self, word: int) -> int:
        return moved(word, -self._shift) & self._full
