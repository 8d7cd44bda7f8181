"""Text from files to text of which every character can be seen, and back.

Control characters, ends of lines, marks that turn the direction of writing, and numbers that are no
character are written ``<U+0007>``: a file of text cannot hold some of them, and readers drop,
join or reorder others.
"""

from __future__ import annotations

import re

__all__ = ["legible", "restored"]

_UNSEEN = re.compile(
    "[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff\ufeff"
    "\ufdd0-\ufdef" + "".join(chr(plane | 0xFFFE) + chr(plane | 0xFFFF) for plane in
    range(0, 0x110000, 0x10000)) + r"]|<(?=U\+)"
)  # fmt: skip
_WRITTEN = re.compile(r"<U\+([0-9A-F]{4,6})>")


def legible(text: str) -> str:
    r"""Write what cannot be seen by its number; ``<`` too, where ``U+`` follows it.

    Examples
    --------
    >>> legible("a\0b"), legible("<U+0000>"), legible("a<b")
    ('a<U+0000>b', '<U+003C>U+0000>', 'a<b')
    """
    if text.isascii() and text.isprintable() and "<" not in text:
        return text
    return _UNSEEN.sub(lambda match: f"<U+{ord(match[0]):04X}>", text)


def restored(text: str) -> str:
    r"""Give the text of which `legible` made this.

    Examples
    --------
    >>> restored("a<U+0000>b")
    'a\x00b'
    """
    return _WRITTEN.sub(lambda match: chr(int(match[1], 16)), text)
