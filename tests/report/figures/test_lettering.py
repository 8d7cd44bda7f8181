"""Text from files: harmless, cut and wrapped, and it is told what was changed."""

from __future__ import annotations

import pytest

from busdecode.report.figures.lettering import Lettering


class Fixed:
    """A typeface of letters as wide as they are high, without the letter Q."""

    def width(self, text: str, size: float, *, bold: bool) -> float:
        """Give how wide a text is."""
        return len(text) * size

    def has(self, character: str) -> bool:
        """Tell whether there is a glyph."""
        return character != "Q"


CODES = "characters that cannot be seen are written as their codes"


@pytest.mark.parametrize(
    ("text", "shown", "told"),
    [
        ("D[15:0]", "D[15:0]", []),
        ("$x^2$ <b>&amp;", "$x^2$ <b>&amp;", []),
        ("a\x00b\x1b[31m\n", "a\\x00b\\x1b[31m\\n", [CODES]),
        ("\u202eSA", "\\u202eSA", [CODES]),
        ("\ud800", "\\ud800", [CODES]),
        ("e\u0301\u0302\u0303", "\u00e9\u0302", ["marks on letters left out"]),
        ("\u0301A", "A", ["marks on letters left out"]),
        ("Q", "\u25a1", ["\u25a1 stands for a character that the typeface lacks"]),
        ("A" * 401, "A" * 399 + "\u2026", ["texts of more than 400 characters are cut"]),
    ],
)
def test_text_is_made_harmless(text: str, shown: str, told: list[str]) -> None:
    """What is changed is told."""
    lettering = Lettering(Fixed())

    assert lettering.plain(text) == shown
    assert lettering.told == told


def test_text_is_cut_to_the_room_there_is() -> None:
    """The sign that it is cut has room too."""
    lettering = Lettering(Fixed())

    assert lettering.cut("ABCDEF", 1, 6) == "ABCDEF"
    assert lettering.cut("ABCDEF", 1, 5) == "ABCD\u2026"
    assert lettering.cut("ABC DEF", 1, 5) == "ABC\u2026"


def test_text_is_wrapped_between_words_and_where_a_word_is_too_long_within_it() -> None:
    """No row is wider than the room."""
    lettering = Lettering(Fixed())

    assert lettering.wrapped("one two three", 1, 7) == ["one two", "three"]
    assert lettering.wrapped("a bcdefghijk l", 1, 4) == ["a", "bcde", "fghi", "jk l"]
