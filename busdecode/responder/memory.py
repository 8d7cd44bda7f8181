"""The memory behind the card's lines: what was stored, and what is not known of it."""

from __future__ import annotations

__all__ = ["Memory"]


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
