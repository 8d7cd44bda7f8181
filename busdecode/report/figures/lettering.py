"""Text for labels: made harmless, measured, cut and wrapped."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from typing import Protocol

__all__ = ["Face", "Lettering"]

_LONGEST = 400
"""Characters of one text at most, also where it is wrapped."""

_ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"
_NO_GLYPH = "\N{WHITE SQUARE}"


class Face(Protocol):
    """A typeface whose text can be measured."""

    def width(self, text: str, size: float, *, bold: bool) -> float:
        """Give how wide a text is, points."""

    def has(self, character: str) -> bool:
        """Tell whether there is a glyph for a character."""


@dataclass
class Lettering:
    """Text in one typeface; `told` holds what could not be shown as it was."""

    face: Face
    told: list[str] = field(default_factory=list)

    def plain(self, text: str) -> str:
        r"""Give a text of which each character takes its place from left to right.

        Control characters and those that turn the direction of writing are written out; more
        than one mark on a letter is left out.

        Examples
        --------
        >>> class Fixed:
        ...     def width(self, text, size, *, bold):
        ...         return len(text) * size
        ...     def has(self, character):
        ...         return True
        >>> Lettering(Fixed()).plain("A\x07S")
        'A\\x07S'
        """
        shown: list[str] = []
        marks = 0
        for character in unicodedata.normalize("NFC", text[: _LONGEST * 4]):
            category = unicodedata.category(character)
            if category.startswith("M"):
                marks += 1
                if marks > 1 or not shown:
                    self._tell("marks on letters left out")
                    continue
            else:
                marks = 0
            if category in ("Cc", "Cf", "Cs", "Zl", "Zp", "Co", "Cn"):
                shown.append(character.encode("unicode_escape", "surrogatepass").decode("ascii"))
                self._tell("characters that cannot be seen are written as their codes")
            elif not self.face.has(character):
                shown.append(_NO_GLYPH)
                self._tell(f"{_NO_GLYPH} stands for a character that the typeface lacks")
            else:
                shown.append(character)
        whole = "".join(shown)
        if len(whole) > _LONGEST or len(text) > _LONGEST * 4:
            self._tell(f"texts of more than {_LONGEST} characters are cut")
            return whole[: _LONGEST - 1] + _ELLIPSIS
        return whole

    def width(self, text: str, size: float, *, bold: bool = False) -> float:
        """Give how wide a text is, points."""
        return self.face.width(text, size, bold=bold)

    def cut(self, text: str, size: float, room: float, *, bold: bool = False) -> str:
        """Shorten a text until it fits."""
        if self.width(text, size, bold=bold) <= room:
            return text
        low, high = 0, len(text)
        while low < high:
            middle = (low + high + 1) // 2
            if self.width(text[:middle].rstrip() + _ELLIPSIS, size, bold=bold) <= room:
                low = middle
            else:
                high = middle - 1
        return text[:low].rstrip() + _ELLIPSIS

    def wrapped(self, text: str, size: float, room: float) -> list[str]:
        """Break a text into rows that fit."""
        space = self.width(" ", size)
        rows: list[str] = []
        row, used = "", 0.0
        for word in text.split(" "):
            long = self.width(word, size)
            if row and used + space + long <= room:
                row += f" {word}"
                used += space + long
                continue
            if row:
                rows.append(row)
            row = ""
            for part in word if long > room else (word,):
                if row and self.width(row + part, size) > room:
                    rows.append(row)
                    row = ""
                row += part
            used = self.width(row, size)
        return [*rows, row]

    def _tell(self, what: str) -> None:
        if what not in self.told:
            self.told.append(what)
