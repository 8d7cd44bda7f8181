"""Takes times as people write them, gives integers in picoseconds, and back; writes counts."""

from __future__ import annotations

import re
from decimal import Decimal

__all__ = ["PICOSECONDS", "counted", "format_time", "parse_range", "parse_time"]

PICOSECONDS = {
    "s": 1_000_000_000_000,
    "ms": 1_000_000_000,
    "us": 1_000_000,
    "ns": 1_000,
    "ps": 1,
}
"""Picoseconds in each unit that may be written."""

_TIME = re.compile(r"\s*([+-]?[0-9]+(?:[.][0-9]+)?)\s*(s|ms|us|\u00b5s|ns|ps)\s*")
_NUMBER = r"([0-9]+(?:[.][0-9]+)?)"
_RANGE = re.compile(rf"\s*{_NUMBER}\s*(?:[.][.]\s*{_NUMBER}\s*)?(s|ms|us|\u00b5s|ns|ps)\s*")


def parse_time(text: str) -> int:
    """Read a time with its unit, such as ``"10 ns"``.

    Returns
    -------
    int, ps

    Raises
    ------
    ValueError
        If there is no number, no unit, or a part finer than a picosecond.

    Examples
    --------
    >>> parse_time("2.5 us")
    2500000
    """
    match = _TIME.fullmatch(text)
    if match is None:
        raise ValueError(f"a time must be a number and one of s, ms, us, ns, ps, not {text!r}")
    value = Decimal(match[1]) * PICOSECONDS[match[2].replace("\u00b5", "u")]
    if value != int(value):
        raise ValueError(f"a time must be a whole number of picoseconds, not {text!r}")
    return int(value)


def parse_range(text: str) -> tuple[int, int]:
    """Read a range of times, such as ``"30..60 ns"``; one time alone is a range of no width.

    Returns
    -------
    (int, int), ps

    Raises
    ------
    ValueError
        If it cannot be read, or runs backward.

    Examples
    --------
    >>> parse_range("30..60 ns")
    (30000, 60000)
    """
    match = _RANGE.fullmatch(text)
    if match is None:
        raise ValueError(f"a range must be written like '30..60 ns', not {text!r}")
    low = parse_time(f"{match[1]} {match[3]}")
    high = low if match[2] is None else parse_time(f"{match[2]} {match[3]}")
    if high < low:
        raise ValueError(f"a range must rise, not {text!r}")
    return low, high


def format_time(ps: int) -> str:
    """Write a time in the largest unit that leaves a readable number.

    Examples
    --------
    >>> format_time(2_500_000), format_time(40_000), format_time(0)
    ('2.5 us', '40 ns', '0 ns')
    """
    if ps == 0:
        return "0 ns"
    for unit, size in PICOSECONDS.items():
        if abs(ps) >= size:
            return f"{(Decimal(ps) / size).normalize():f} {unit}"
    return f"{ps} ps"


def counted(count: int, what: str) -> str:
    """Write how many there are of something.

    Examples
    --------
    >>> counted(1, "beat"), counted(2, "beat")
    ('1 beat', '2 beats')
    """
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
