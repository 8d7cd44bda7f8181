"""VCD files drawn at random: text, and what a reader has to know to be asked about it.

Every part is one that IEEE Std 1364-2005 clause 18 allows (see ``tests/published/ieee1364``), but
for those of `FEATURES` that say otherwise. The levels are not kept: other readers tell them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import cycle
from typing import TYPE_CHECKING

from hypothesis import strategies as st

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["FEATURES", "Made", "Reference", "vcd_files"]

FEATURES: dict[str, str] = {
    "mark": "a byte-order mark; not in the standard",
    "blanks": "any white space between any two words, also form feeds; several changes a line",
    "tabs": "tabs between the words of a line",
    "end as code": "a code that reads $end",
    "index": "one bit of a vector with a code of its own, as name[3] or name [3]",
    "blanks in range": "blanks inside the brackets of a range",
    "escaped": "escaped identifiers",
    "digit for vector": "a scalar change on a vector, such as x! for bx !; not in the standard",
    "behind time": "scalar changes on the line of a time stamp",
    "before time": "changes before the first time stamp",
    "keyword in comment": "keywords, times and changes inside $comment",
    "end in word": "words such as a$end inside $comment",
    "aside": "reals, events and (not in the standard) strings",
    "1800": "types of scopes and variables that IEEE Std 1800 adds",
    "late": "a last time stamp near 64 bits of picoseconds",
    "open scope": "a scope without its $upscope",
    "off": "$dumpoff, and $dumpon after it",
    "size in unit": "a time scale of 10 or 100 units",
}
"""What a file may have beside what every reader takes."""

SCOPES = ("module", "task", "function", "begin", "fork")
SCOPES_1800 = ("interface", "package", "program", "struct", "union", "class")
TYPES = (
    "wire", "reg", "integer", "parameter", "time", "tri", "triand", "trior", "trireg", "tri0",
    "tri1", "wand", "wor", "supply0", "supply1",
)  # fmt: skip
TYPES_1800 = ("logic", "bit", "int", "byte", "shortint", "longint", "enum")
UNITS = {"s": 10**12, "ms": 10**9, "us": 10**6, "ns": 10**3, "ps": 1, "fs": 0}
WIDTHS = (1, 1, 1, 1, 2, 3, 4, 8, 9, 31, 32, 33, 63, 64, 65, 70, 130)
LATEST = 2**63 - 1

PRINTABLE = [chr(each) for each in range(33, 127)]
# Codes that look like something else, or like another code with a value before it.
ODD_CODES = (
    "!",
    "!!",
    "0",
    "1",
    "01",
    "10",
    "b0",
    "B1",
    "#1",
    "#",
    "x",
    "xx",
    "r1",
    "$",
    "$var",
    '"',
)
CODES = st.text(PRINTABLE, min_size=1, max_size=5) | st.sampled_from(ODD_CODES)
NAMES = st.from_regex(r"[A-Za-z_][A-Za-z0-9_$]{0,6}", fullmatch=True)
# A closing bracket in an escaped name would read as a range.
ESCAPED = st.text([each for each in PRINTABLE if each not in "[]"], min_size=1, max_size=6)
DIGITS = "01xzXZ"
NEAT_ENDS = ("\n", "\r\n", "\n\n", " \n", "\t\n", "\r\n\r\n")
NEAT_GAPS = (" ", "  ")
TABS = ("\t", " \t")
SEPARATORS = (" ", "\n", "\t", "\r\n", "\n\n", " \t ", "\f", "\n ")
COMMENT = ("nothing", "here", "counts", "level", "0x55", "b", "x", "1.5")
COMMENT_KEYWORDS = ("1!", "b0", "!", "#3", "$dumpoff", "$dumpvars", "$var", "$scope", "$comment")
COMMENT_ENDS = ("a$end", "$ends", "$end;", "$END")


@dataclass(frozen=True)
class Reference:
    """One name of a variable.

    Parameters
    ----------
    code : str
    scope : tuple of str
        Outermost first.
    name : str
        Without its range, and without the backslash of an escaped one.
    escaped : bool
    first, last : int, or None
        Range as written; both None where none is written.
    width : int, bits
    """

    code: str
    scope: tuple[str, ...]
    name: str
    escaped: bool
    first: int | None
    last: int | None
    width: int

    @property
    def written(self) -> str:
        """Give the name with its scopes and the backslash of an escaped one."""
        return ".".join((*self.scope, ("\\" if self.escaped else "") + self.name))

    @property
    def lines(self) -> tuple[str, ...]:
        """Name a line for each bit, msb first."""
        full = ".".join((*self.scope, self.name))
        if self.first is None or self.last is None:
            bits = range(self.width - 1, -1, -1)
            return (full,) if self.width == 1 else tuple(f"{full}[{bit}]" for bit in bits)
        step = 1 if self.last >= self.first else -1
        return tuple(f"{full}[{bit}]" for bit in range(self.first, self.last + step, step))


@dataclass(frozen=True)
class Made:
    """A drawn file.

    Parameters
    ----------
    header, body : str
        The text up to ``$enddefinitions $end``, and what follows it.
    references : tuple of Reference
        In the order of the file.
    stamps : tuple of int
        The numbers behind ``#``, each once, rising.
    """

    header: str
    body: str
    references: tuple[Reference, ...]
    stamps: tuple[int, ...]

    @property
    def text(self) -> str:
        """Give the whole file."""
        return self.header + self.body


@dataclass
class _Variable:
    code: str
    width: int
    kind: str


@st.composite
def vcd_files(
    draw: st.DrawFn, features: Iterable[str] = tuple(FEATURES), latest: int = LATEST * 1000
) -> Made:
    """Draw a VCD with these features; which of them one file has is drawn too.

    No number of a time stamp is greater than `latest`.
    """
    has = {each for each in features if draw(st.integers(0, 3))}
    variables = _variables(draw, has)
    levels = [each for each in variables if each.kind == "levels"]
    scale, worth = _time_scale(draw, has)
    header, references = _declarations(draw, has, variables)
    header.insert(draw(st.integers(0, 2)), scale)
    body, stamps = _changes(draw, has, variables, levels, worth, latest)
    # A file begins with a keyword, or with a mark and a keyword.
    return Made(
        ("\ufeff" if "mark" in has else "") + _laid_out(draw, has, header),
        _laid_out(draw, has, body),
        tuple(references),
        tuple(stamps),
    )


def _variables(draw: st.DrawFn, has: set[str]) -> list[_Variable]:
    codes = draw(st.lists(CODES, min_size=1, max_size=6, unique=True))
    codes = [code for code in codes if code != "$end"] or ["!"]
    if "end as code" in has:
        codes.append("$end")
    variables = [_Variable(code, draw(st.sampled_from(WIDTHS)), "levels") for code in codes]
    if "aside" in has and len(variables) > 1:
        kinds = ("real", "realtime", "event", "string")
        variables[0] = _Variable(codes[0], 1, draw(st.sampled_from(kinds)))
    return variables


def _time_scale(draw: st.DrawFn, has: set[str]) -> tuple[list[str], tuple[int, int]]:
    number = draw(st.sampled_from((1, 10, 100))) if "size in unit" in has else 1
    unit = draw(st.sampled_from(tuple(UNITS)))
    shown = draw(st.sampled_from(([f"{number}{unit}"], [str(number), unit])))
    worth = (number, 1000) if unit == "fs" else (number * UNITS[unit], 1)
    return ["$timescale", *shown, "$end"], worth


def _declarations(
    draw: st.DrawFn, has: set[str], variables: list[_Variable]
) -> tuple[list[list[str]], list[Reference]]:
    rows = [["$date", "today", "$end"], ["$version", "drawn", "at", "random", "$end"]]
    scopes: list[str] = []
    references: list[Reference] = []
    scope_types = SCOPES + (SCOPES_1800 if "1800" in has else ())

    def enter(name: str) -> None:
        scopes.append(name)
        rows.append(["$scope", draw(st.sampled_from(scope_types)), name, "$end"])

    enter("top")
    for variable in variables:
        for _ in range(draw(st.sampled_from((1, 1, 2, 3)))):
            move = draw(st.integers(0, 5))
            if move < 2 and len(scopes) < 5:
                enter(draw(st.sampled_from(("a", "b", "sub_1"))))
            elif move == 2 and len(scopes) > 1:
                scopes.pop()
                rows.append(["$upscope", "$end"])
            row, reference = _reference(draw, has, variable, tuple(scopes), len(rows))
            rows.append(row)
            if variable.kind == "levels":
                references.append(reference)
        if draw(st.integers(0, 4)) == 0:
            rows.append(_comment(draw, has))
    if "open scope" not in has:
        rows += [["$upscope", "$end"]] * len(scopes)
    return [*rows, ["$enddefinitions", "$end"]], references


def _reference(
    draw: st.DrawFn, has: set[str], variable: _Variable, scope: tuple[str, ...], number: int
) -> tuple[list[str], Reference]:
    """Declare a variable under a name that no other has: it ends in `number`."""
    escaped = "escaped" in has and draw(st.booleans())
    name = f"{draw(ESCAPED if escaped else NAMES)}{number}"
    shown = [("\\" if escaped else "") + name]
    first = last = None
    if variable.kind == "levels" and (variable.width > 1 or "index" in has):
        low = draw(st.sampled_from((0, 0, 1, 5, -2)))
        ends = (low, low + variable.width - 1)
        form = draw(st.sampled_from(("none", "down", "down", "up")))
        if form != "none":
            last, first = ends if form == "down" else ends[::-1]
            shown = _with_range(draw, has, shown[0], first, last, escaped=escaped)
    types = TYPES + (TYPES_1800 if "1800" in has else ())
    kind = draw(st.sampled_from(types)) if variable.kind == "levels" else variable.kind
    size = "64" if kind in ("real", "realtime") else str(variable.width)
    reference = Reference(variable.code, scope, name, escaped, first, last, variable.width)
    return ["$var", kind, size, variable.code, *shown, "$end"], reference


def _with_range(
    draw: st.DrawFn, has: set[str], name: str, first: int, last: int, *, escaped: bool
) -> list[str]:
    parts = [str(first)] if first == last else [str(first), ":", str(last)]
    if "blanks in range" in has and draw(st.booleans()):
        return [name, "[", *parts, "]"]
    written = f"[{''.join(parts)}]"
    # White space ends an escaped identifier, so its range never stands glued.
    return [name, written] if escaped or draw(st.booleans()) else [name + written]


def _comment(draw: st.DrawFn, has: set[str]) -> list[str]:
    words: tuple[str, ...] = COMMENT
    if "keyword in comment" in has:
        words += COMMENT_KEYWORDS
    if "end in word" in has:
        words += COMMENT_ENDS
    return ["$comment", *draw(st.lists(st.sampled_from(words), max_size=5)), "$end"]


def _change(draw: st.DrawFn, has: set[str], variable: _Variable) -> list[str]:
    if variable.kind == "event":
        return [draw(st.sampled_from("01xz")) + variable.code]
    if variable.kind == "string":
        return [draw(st.sampled_from(("s", "sIDLE", "sb1"))), variable.code]
    if variable.kind != "levels":
        return [draw(st.sampled_from(("r0", "R1.5", "r-2.25e-07", "rnan"))), variable.code]
    if (variable.width == 1 or "digit for vector" in has) and draw(st.integers(0, 2)):
        return [draw(st.sampled_from(DIGITS)) + variable.code]
    # As short as it may be, or all its digits, some of them the same.
    digits = draw(st.text(DIGITS, min_size=1, max_size=min(variable.width, 9)))
    if draw(st.booleans()):
        digits = draw(st.sampled_from(DIGITS)) * (variable.width - len(digits)) + digits
    return [draw(st.sampled_from("bB")) + digits, variable.code]


def _checkpoint(
    draw: st.DrawFn, has: set[str], keyword: str, variables: list[_Variable]
) -> list[list[str]]:
    """Tell every level after `keyword`; all of them x after ``$dumpoff``, and else at times."""
    all_x = keyword == "$dumpoff" or draw(st.integers(0, 3)) == 3
    rows = [[keyword]]
    for variable in variables:
        if not all_x:
            rows.append(_change(draw, has, variable))
        elif variable.kind == "levels":
            rows.append(["bx", variable.code] if variable.width > 1 else ["x" + variable.code])
    return [*rows, ["$end"]]


def _changes(
    draw: st.DrawFn,
    has: set[str],
    variables: list[_Variable],
    levels: list[_Variable],
    worth: tuple[int, int],
    latest: int,
) -> tuple[list[list[str]], list[int]]:
    most = min(LATEST * worth[1] // worth[0] - worth[1], latest)
    some = st.sampled_from(variables)
    rows: list[list[str]] = []
    if "before time" in has:
        if draw(st.booleans()):
            rows += _checkpoint(draw, has, "$dumpvars", variables)
        else:
            rows += [_change(draw, has, draw(some)) for _ in range(draw(st.integers(0, 3)))]
    now = draw(st.sampled_from((0, 0, 0, 1, 7, 1500)))
    stamps = []
    off = False
    for at in range(draw(st.integers(1, 14))):
        stamps.append(now)
        zeros = "0" * draw(st.sampled_from((0, 0, 0, 0, 3)))
        rows.append([f"#{zeros}{now}"])
        what = draw(st.integers(0, 11))
        if at == 0:
            rows += _checkpoint(draw, has, "$dumpvars", levels) if what else []
            if not what or draw(st.booleans()):
                rows.append(_change(draw, has, levels[0]))
        elif off:
            if what < 6:
                rows += _checkpoint(draw, has, "$dumpon", variables)
                off = False
        else:
            if "behind time" in has and draw(st.booleans()):
                scalars = [each for each in levels if each.width == 1]
                rows[-1] += [draw(st.sampled_from("01xzXZ")) + each.code for each in scalars]
            rows += [_change(draw, has, draw(some)) for _ in range(draw(st.integers(0, 5)))]
            if what == 0:
                rows += _checkpoint(draw, has, "$dumpall", variables)
            elif what == 1 and "off" in has:
                rows += _checkpoint(draw, has, "$dumpoff", variables)
                off = True
            elif what == 2:
                rows.append(_comment(draw, has))
        now = min(most, now + draw(st.sampled_from((0, 1, 1, 2, 5, 999, 1000, 500_000))))
    if "late" in has:
        stamps.append(most)
        rows.append([f"#{most}"])
        if not off:
            rows.append(_change(draw, has, draw(some)))
    return rows, sorted(set(stamps))


def _laid_out(draw: st.DrawFn, has: set[str], rows: list[list[str]]) -> str:
    """Put the words on lines, with a few ways of white space that take turns."""
    if "blanks" in has:
        # pyvcd ends an escaped identifier at a blank, a tab or a line feed only.
        some = [each for each in SEPARATORS if "escaped" not in has or each[0] not in "\r\f"]
        between = cycle(draw(st.lists(st.sampled_from(some), min_size=1, max_size=9)))
        words = [word for row in rows for word in row]
        return "".join(word + next(between) for word in words[:-1]) + words[-1] + "\n"
    ends = cycle(draw(st.lists(st.sampled_from(NEAT_ENDS), min_size=1, max_size=4)))
    blanks = NEAT_GAPS + (TABS if "tabs" in has else ())
    gaps = cycle(draw(st.lists(st.sampled_from(blanks), min_size=1, max_size=3)))
    return "".join(
        "".join(word + next(gaps) for word in row[:-1]) + row[-1] + next(ends) for row in rows
    )
