"""Takes the declarations of a VCD file, gives its lines, their codes and the time scale."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from busdecode.capture.model import LATEST, WIDEST
from busdecode.errors import RequestError, quoted
from busdecode.units import PICOSECONDS

if TYPE_CHECKING:
    from busdecode.capture.stream import Told
    from busdecode.capture.vcd.tokens import Tokens

__all__ = ["Header", "read_header"]

NOT_LEVELS = frozenset({"event", "real", "realtime", "shortreal", "string"})
_SIZE = re.compile(rb"[0-9]{1,9}")
_SCALE = re.compile(r"([0-9]+)\s*(s|ms|us|ns|ps|fs)")
_MOST_DIGITS = 19
"""Digits of a number that surely goes into 64 bits."""
_RANGE = re.compile(r"(?P<name>.*?)\[(?P<first>-?[0-9]+)(?::(?P<last>-?[0-9]+))?\]")
_DO = "export the capture again"


@dataclass
class Header:
    """Declarations of a VCD file.

    Parameters
    ----------
    lines : list of str
        One name a bit; vectors msb first.
    codes : dict of code to (width, places)
        Width in bits, and the index in `lines` of the msb for every name on the code.
    aside : dict of code to var type
        Codes that carry no levels.
    scale : (int, int), ps
        A time stamp is worth scale[0] / scale[1].
    notes : list of str
    """

    lines: list[str] = field(default_factory=list)
    codes: dict[bytes, tuple[int, tuple[int, ...]]] = field(default_factory=dict)
    aside: dict[bytes, str] = field(default_factory=dict)
    scale: tuple[int, int] = (0, 1)
    notes: list[str] = field(default_factory=list)


def read_header(tokens: Tokens, told: Told) -> Header:
    """Read up to and with ``$enddefinitions $end``.

    Raises
    ------
    CaptureError
        At the first declaration that cannot be understood.
    RequestError
        If a time unit is told and the file tells its own.
    """
    header = Header()
    scopes: list[str] = []
    names: set[str] = set()
    skipped: Counter[str] = Counter()
    while True:
        word = tokens.take()
        if word is None:
            raise tokens.error(
                "the file ends inside its header",
                expected="$enddefinitions $end after the declarations",
                action=f"{_DO}; it looks cut short",
            )
        if word == b"$var":
            _read_var(tokens, header, scopes, names)
            continue
        if not word.startswith(b"$"):
            raise tokens.error(
                f"{quoted(word.decode('utf-8', 'replace'))} before $enddefinitions",
                expected="a declaration: $scope, $var, $upscope, $timescale or $enddefinitions",
                action=f"{_DO}; its header looks damaged",
            )
        if word == b"$upscope" and not scopes:
            raise tokens.error(
                "$upscope without an open $scope",
                expected="as many $upscope as $scope at most",
                action="take this $upscope out",
            )
        words = _section(tokens, word)
        text = " ".join(part.decode("utf-8", "replace") for part in words)
        if word == b"$enddefinitions":
            break
        if word == b"$scope":
            scopes.append(text.split(" ", 1)[1].removeprefix("\\") if len(words) > 1 else "")
        elif word == b"$upscope":
            scopes.pop()
        elif word == b"$timescale":
            header.scale = _scale(tokens, text, header)
        elif word not in (b"$comment", b"$date", b"$version"):
            skipped[word.decode("utf-8", "replace")] += 1
    _finish(tokens, header, skipped, told)
    return header


def _finish(tokens: Tokens, header: Header, skipped: Counter[str], told: Told) -> None:
    if not header.lines:
        raise tokens.error(
            "the header declares no line",
            expected="at least one $var of a wire or another type with levels",
            action=f"{_DO} with its channels",
        )
    if header.scale[0] == 0:
        unit = told.time_unit or "ns"
        header.scale = (PICOSECONDS[unit], 1)
        if told.time_unit is None:
            header.notes.append("The file has no $timescale; its times are taken as 1 ns.")
    elif told.time_unit is not None:
        raise RequestError(
            f"a time unit of {told.time_unit} is told, but the file has a $timescale",
            action="leave the time unit out",
        )
    for kind, count in sorted(Counter(header.aside.values()).items()):
        header.notes.append(f"{count} {kind} set aside: it has no levels.")
    for keyword, count in sorted(skipped.items()):
        header.notes.append(f"{count} {keyword} skipped: not part of the standard's VCD.")


def _section(tokens: Tokens, keyword: bytes) -> list[bytes]:
    words = tokens.section()
    if words is None:
        raise tokens.error(
            f"the file ends inside {keyword.decode('utf-8', 'replace')}",
            expected="$end",
            action=f"{_DO}; it looks cut short",
        )
    return words


def _scale(tokens: Tokens, text: str, header: Header) -> tuple[int, int]:
    match = _SCALE.fullmatch(text)
    digits = "" if match is None else match[1].lstrip("0")
    what = None
    if match is None or not digits:
        what = f"must be a number and s, ms, us, ns, ps or fs, not {quoted(text)}"
    elif len(digits) > _MOST_DIGITS or int(digits) * PICOSECONDS.get(match[2], 1) > LATEST:
        what = f"{quoted(text)} is more than 64 bits of ps can count"
    if what is not None or match is None:
        raise tokens.error(
            f"the time scale {what}",
            back=1,
            expected="1, 10 or 100 and a unit, such as $timescale 1 ns $end",
            action="correct the $timescale, or take it out and tell the unit with --time-unit",
        )
    count = int(digits)
    if count not in (1, 10, 100):
        header.notes.append(f"The time scale is {text}; the standard has 1, 10 and 100 only.")
    if match[2] == "fs":
        return count, 1000
    return count * PICOSECONDS[match[2]], 1


def _read_var(tokens: Tokens, header: Header, scopes: list[str], names: set[str]) -> None:
    kind = (tokens.take() or b"").decode("utf-8", "replace")
    size = tokens.take() or b""
    if kind == "port":
        raise tokens.error(
            "this is an extended VCD ($var port)",
            back=1,
            expected="a four-state VCD, as $dumpvars writes it",
            action="export a four-state VCD",
        )
    if kind in NOT_LEVELS:
        code = tokens.take() or b""
        _section(tokens, b"$var")
        header.aside[code] = kind
        return
    if not _SIZE.fullmatch(size) or not 0 < int(size) <= WIDEST:
        raise tokens.error(
            f"the size of a $var must be 1 to {WIDEST}, not "
            f"{quoted(size.decode('utf-8', 'replace'))}",
            expected="$var type size code name $end",
            action="correct the size",
        )
    width = int(size)
    code = tokens.take() or b""
    known = header.codes.get(code)
    if known is not None and known[0] != width:
        raise tokens.error(
            f"code {quoted(code.decode('utf-8', 'replace'))} is declared with {known[0]} bits"
            f" and again with {width}",
            expected="one size for all names on a code",
            action=f"{_DO}; its header contradicts itself",
        )
    words = _section(tokens, b"$var")
    # An escaped identifier's backslash is no part of its name (IEEE 1364-2005 3.7.1, from memory).
    reference = "".join(part.decode("utf-8", "replace") for part in words)
    escaped = "" if not words else words[0].decode("utf-8", "replace").removeprefix("\\")
    is_whole = reference.startswith("\\") and len(words) == 1 and not _fits(escaped, width)
    reference = reference.removeprefix("\\")
    if not reference:
        raise tokens.error(
            "a $var has no name", expected="$var type size code name $end", action="name it"
        )
    scoped = ".".join([*(scope for scope in scopes if scope), reference])
    # What looks like a range in an escaped name, but is not as wide, is part of the name.
    lines = _numbered(scoped, width) if is_whole else _bits(tokens, scoped, width)
    places = () if known is None else known[1]
    if any(header.lines[at : at + width] == lines for at in places):
        return
    unique = [_unique(name, names) for name in lines]
    if unique != lines:
        header.notes.append(f"{scoped} is declared twice; the second is called {unique[0]}.")
    header.codes[code] = (width, (*places, len(header.lines)))
    header.lines.extend(unique)
    names.update(unique)


def _unique(name: str, names: set[str]) -> str:
    if name not in names:
        return name
    count = 2
    while f"{name}~{count}" in names:
        count += 1
    return f"{name}~{count}"


def _fits(reference: str, width: int) -> bool:
    match = _RANGE.fullmatch(reference)
    if match is None or match["last"] is None:
        return False
    return abs(int(match["first"]) - int(match["last"])) + 1 == width


def _numbered(reference: str, width: int) -> list[str]:
    if width == 1:
        return [reference]
    return [f"{reference}[{bit}]" for bit in range(width - 1, -1, -1)]


def _bits(tokens: Tokens, reference: str, width: int) -> list[str]:
    match = _RANGE.fullmatch(reference)
    if match is None or (match["last"] is None and width > 1):
        return _numbered(reference, width)
    first = int(match["first"])
    last = first if match["last"] is None else int(match["last"])
    if abs(first - last) + 1 != width:
        raise tokens.error(
            f"{quoted(reference)} is declared with {width} bits, but its range holds"
            f" {abs(first - last) + 1}",
            back=1,
            expected="a range as wide as the size",
            action="correct the size or the range",
        )
    step = 1 if last >= first else -1
    return [f"{match['name']}[{bit}]" for bit in range(first, last + step, step)]
