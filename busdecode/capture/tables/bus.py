"""Takes columns of levels and bus values by name, gives their lines and the bits of a cell."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busdecode.errors import quoted

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = [
    "BASES",
    "VALUE",
    "Column",
    "base_of",
    "bits_of",
    "column_called",
    "has_all_digits",
    "width_of",
]

BASES = {16: "hexadecimal", 2: "binary", 10: "decimal"}
_NAMED = {
    "hex": 16, "hexadecimal": 16, "bin": 2, "binary": 2, "dec": 10, "decimal": 10,
}  # fmt: skip
_BUS = re.compile(
    r"(.+?)\s*(?:\[\s*([0-9]+)\s*(?::|[.][.])\s*([0-9]+)\s*\]|<\s*([0-9]+)\s*:\s*([0-9]+)\s*>"
    r"|\(\s*([0-9]+)\s*:\s*([0-9]+)\s*\))"
)
_WITH_BASE = re.compile(rf"(.+?)\s*[(\[]\s*({'|'.join(_NAMED)})\s*[)\]]", re.IGNORECASE)
_SELF_TOLD = re.compile(r"[0-9]*'[sS]?([bBoOhHdD])([0-9a-fA-FxXzZ_]+)")
VALUE = (
    r"(?:0[xXbBdD]|[$])?[0-9a-fA-FxXzZ]+[hH]?|[0-9]*'[sS]?[bBoOhHdD][0-9a-fA-FxXzZ_]+"
)  # fmt: skip
_LETTERS = {"b": 2, "o": 8, "h": 16, "d": 10}
_PREFIXES = {16: ("0x", "0X", "$"), 2: ("0b", "0B"), 10: ("0d", "0D")}
_DIGIT_BITS = {2: 1, 8: 3, 16: 4}


@dataclass(frozen=True)
class Column:
    """One column that is used.

    Parameters
    ----------
    name : str
        As in the header.
    at : int
        Cell of the row.
    lines : tuple of str
        Channel names, msb first; one for a column of levels.
    base : int or None
        16, 2 or 10 for bus values, None for levels.
    """

    name: str
    at: int
    lines: tuple[str, ...]
    base: int | None = None

    @property
    def bus(self) -> str:
        """The name without a base."""
        match = _WITH_BASE.fullmatch(self.name)
        return self.name if match is None else match[1]


def has_all_digits(column: Column, cell: str) -> bool:
    """Tell whether a value has a digit for every bit of the bus, or every four."""
    base = column.base or 0
    digits = {16: -(-len(column.lines) // 4), 2: len(column.lines)}.get(base)
    return digits is not None and len(_without_prefix(cell, base)) == digits


def width_of(name: str) -> int:
    """Count the lines that the name of a column stands for.

    Examples
    --------
    >>> width_of("D[15:0]"), width_of("AS")
    (16, 1)
    """
    found = _range_in(name)
    return 1 if found is None else abs(found[1] - found[2]) + 1


def _range_in(name: str) -> tuple[str, int, int] | None:
    """Split the name of a bus into its stem, and its first and last line; None for a line."""
    with_base = _WITH_BASE.fullmatch(name)
    match = _BUS.fullmatch(name if with_base is None else with_base[1])
    if match is None:
        return None
    first, last = (
        int(bit) if len(bit) < 10 else 10**9 for bit in match.groups()[1:] if bit is not None
    )
    return match[1], first, last


def column_called(name: str, at: int) -> tuple[Column, bool]:
    """Read the name of a column: its lines, its base, and whether the name tells that.

    A bus whose name tells no base is taken for hexadecimal.

    Examples
    --------
    >>> column_called("D[1:0] (bin)", 3)
    (Column(name='D[1:0] (bin)', at=3, lines=('D[1]', 'D[0]'), base=2), True)
    """
    found = _range_in(name)
    if found is None:
        return Column(name, at, (name,)), False
    stem, first, last = found
    step = 1 if last >= first else -1
    lines = tuple(f"{stem}[{bit}]" for bit in range(first, last + step, step))
    with_base = _WITH_BASE.fullmatch(name)
    base = 16 if with_base is None else _NAMED[with_base[2].lower()]
    return Column(name, at, lines, base), with_base is not None


def base_of(cells: Sequence[str], width: int) -> int | None:
    """Tell from the first values of a bus in which base they are written.

    Prefixes tell it, and so do binary digits as many as the bus is wide. All else is
    hexadecimal.

    Returns
    -------
    int or None
        16, 2 or 10; None where ``0b`` and ``0d`` may be a prefix or two hexadecimal digits.
    """
    digits = -(-width // 4)
    for base, alphabet in ((2, "01xXzZ"), (10, "0123456789")):
        if cells and all(
            cell.startswith(_PREFIXES[base]) and cell[2:] and not cell[2:].strip(alphabet)
            for cell in cells
        ):
            return None if all(len(cell) == digits for cell in cells) else base
    if (
        width > digits
        and cells
        and all(len(cell) == width and not cell.strip("01xXzZ") for cell in cells)
    ):
        return 2
    return 16


def bits_of(column: Column, cell: str) -> str | tuple[str, str]:
    """Read a bus value.

    Returns
    -------
    str or (str, str)
        One of ``01xz`` for each line; or what is wrong with the cell, and what is expected.

    Examples
    --------
    >>> bits_of(column_called("D[7:0]", 1)[0], "0x4z")
    '0100zzzz'
    """
    base, width = column.base or 16, len(column.lines)
    told = _SELF_TOLD.fullmatch(cell)
    read, digits = (base, cell) if told is None else (_LETTERS[told[1].lower()], told[2])
    digits = digits.replace("_", "") if told is not None else _without_prefix(cell, base)
    bits = _bits(digits.lower(), read, width)
    largest = (1 << width) - 1
    example = {16: f"{largest:X}", 2: f"{largest:b}", 10: f"{largest}"}[base]
    prefix = _PREFIXES[base][0]
    expected = f"a {BASES[base]} value up to {example}, with or without {prefix}"
    if bits is None:
        return f"a bus value must be {BASES[base]}, not {quoted(cell)}", expected
    fill = bits[0] if bits[0] in "xz" else "0"
    over, bits = bits[: max(0, len(bits) - width)], bits[-width:].rjust(width, fill)
    if over.strip(fill):
        lines = f"{width} bit{'s' if width > 1 else ''}"
        return f"{quoted(cell)} does not fit into {lines}", expected
    return bits


def _without_prefix(cell: str, base: int) -> str:
    for prefix in _PREFIXES[base]:
        if cell.startswith(prefix) and len(cell) > len(prefix):
            return cell[len(prefix) :]
    return cell[:-1] if base == 16 and len(cell) > 1 and cell[-1] in "hH" else cell


def _bits(digits: str, base: int, width: int) -> str | None:
    if not digits:
        return None
    if base == 10:
        if digits in ("x", "z"):
            return digits * width
        if not (digits.isascii() and digits.isdecimal()) or len(digits) > 400:
            return None
        return f"{int(digits):b}"
    size = _DIGIT_BITS[base]
    parts: list[str] = []
    for digit in digits:
        if digit in "xz":
            parts.append(digit * size)
        elif digit in "0123456789abcdef"[:base]:
            parts.append(f"{int(digit, 16):0{size}b}")
        else:
            return None
    return "".join(parts)
