"""Takes channel names and bus lines as people write them, gives which channel is which line."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = ["Matcher", "name_forms"]

EXACT = 0
_INDEX = re.compile(r"(.*?)\[([0-9]+)\]")
_ZEROS = re.compile(r"(?<![0-9])0+(?=[0-9])")
_READ_WRITE = re.compile(r"r[/_]?n?w")
_MARK_BEFORE = re.compile(r"^[/~!]")
_MARKED_LINE = re.compile(r"n[A-Z]")
_MARK_BEHIND = re.compile(r"(?:[*#]|_n|_l)$")


def name_forms(name: str) -> list[tuple[int, str]]:
    """Give the forms under which a name may match, the nearest first.

    Rank 0 is the whole name, 1 without its scope, 2 without case, brackets and leading
    zeros, 3 without active-low marks, 4 without a leading n.

    Examples
    --------
    >>> name_forms("top.AS_n")
    [(0, 'top.AS_n'), (1, 'AS_n'), (2, 'as_n'), (3, 'as')]
    >>> name_forms("D[03]")
    [(0, 'D[03]'), (2, 'd3')]
    """
    tail = name.rsplit(".", 1)[-1]
    lower = tail.lower()
    match = _INDEX.fullmatch(lower)
    stem, index = (match[1], match[2]) if match else (lower, "")
    bare = _MARK_BEHIND.sub("", _MARK_BEFORE.sub("", lower))
    match = _INDEX.fullmatch(bare)
    bare_stem, bare_index = (match[1], match[2]) if match else (bare, "")
    bare_stem = _MARK_BEHIND.sub("", bare_stem)
    forms = [(0, name), (1, tail), (2, _joined(stem, index)), (3, _joined(bare_stem, bare_index))]
    if bare_stem.startswith("n") and len(bare_stem) > 1:
        forms.append((4, _joined(bare_stem[1:], bare_index)))
    seen: set[str] = set()
    kept = []
    for rank, form in forms:
        if form not in seen:
            seen.add(form)
            kept.append((rank, form))
    return kept


def _joined(stem: str, index: str) -> str:
    if _READ_WRITE.fullmatch(stem):
        stem = "rw"
    between = "_" if index and stem[-1:].isdigit() else ""
    return _ZEROS.sub("", f"{stem}{between}{index}")


class Matcher:
    """Finds the bus line that a name means.

    Parameters
    ----------
    lines : sequence of str
        Lines of the bus.
    """

    def __init__(self, lines: Sequence[str]) -> None:
        self._lines: dict[str, list[tuple[int, str]]] = {}
        for line in dict.fromkeys(lines):
            for rank, form in name_forms(line):
                if rank == 4 and not _MARKED_LINE.match(line):
                    continue  # the n of NMI is no mark
                self._lines.setdefault(form, []).append((rank, line))

    def find(self, name: str) -> tuple[int, list[str]]:
        """Give the rank of the nearest match and the lines at that rank; none is [].

        Examples
        --------
        >>> Matcher(["AS", "R/W"]).find("top.RnW")
        (2, ['R/W'])
        """
        best, found = 99, list[str]()
        for rank, form in name_forms(name):
            for other, line in self._lines.get(form, ()):
                at = max(rank, other)
                if at < best:
                    best, found = at, []
                if at == best and line not in found:
                    found.append(line)
        return best, found


def tails(name: str) -> Iterable[str]:
    """Give a scoped name, then its tails behind each dot.

    Examples
    --------
    >>> list(tails("top.card.D3"))
    ['top.card.D3', 'card.D3', 'D3']
    """
    yield name
    while "." in name:
        name = name.split(".", 1)[1]
        yield name
