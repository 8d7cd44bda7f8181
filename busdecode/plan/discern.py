"""What a set of words finds among lines, and which faults it cannot tell from others."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

__all__ = ["Discerned", "discern"]


@dataclass(frozen=True)
class Discerned:
    """What a set of words finds of every single fault of N lines.

    Words are driven at one end and looked at on the other. The kinds: ``stuck-low``,
    ``stuck-high`` (one a line); ``low-wins``, ``high-wins``, ``swapped`` (one a pair);
    ``dominates`` (one line gives the other its level; one an ordered pair), ``holds-low`` and
    ``holds-high`` (one line, low or high, takes the other with it, and keeps its own level
    otherwise).

    Parameters
    ----------
    found : mapping of str to (int, int)
        By kind: how many the set finds, and how many there are.
    aliases : mapping of str to int
        For ``low-wins`` and ``high-wins``: bridged pairs that show the code of a third line.
    confounds : mapping of str to int
        For the same: two pairs without a common line that show one code.
    signatures : int
        How many different wrong answers all these faults give together.
    """

    found: Mapping[str, tuple[int, int]]
    aliases: Mapping[str, int]
    confounds: Mapping[str, int]
    signatures: int


def discern(words: Sequence[int], lines: int) -> Discerned:
    """Count what a set of words finds, by going through every single fault.

    Parameters
    ----------
    words : sequence of int
        Line k is bit k.
    lines : int
        2 or more.

    Examples
    --------
    Words 55 and AA alone find a bridge between lines of different parity only:

    >>> discern([0x55, 0xAA], 8).found["low-wins"]
    (16, 28)
    """
    codes = np.array([[word >> line & 1 for word in words] for line in range(lines)], dtype=bool)
    pairs = np.array(list(combinations(range(lines), 2)))
    first, second = codes[pairs[:, 0]], codes[pairs[:, 1]]
    low, high = np.zeros_like(codes), np.ones_like(codes)
    each, ordered = np.arange(lines)[:, None], np.concatenate([pairs, pairs[:, ::-1]])
    giver, taker = codes[ordered[:, 0]], codes[ordered[:, 1]]
    # Of each fault: the lines that it changes, and what they show.
    shown = {
        "stuck-low": (each, low[:, None]),
        "stuck-high": (each, high[:, None]),
        "low-wins": (pairs, np.stack([first & second] * 2, axis=1)),
        "high-wins": (pairs, np.stack([first | second] * 2, axis=1)),
        "dominates": (ordered[:, 1:], giver[:, None]),
        "holds-low": (ordered[:, 1:], (giver & taker)[:, None]),
        "holds-high": (ordered[:, 1:], (giver | taker)[:, None]),
        "swapped": (pairs, np.stack([second, first], axis=1)),
    }
    wrong = {kind: codes[at] ^ seen for kind, (at, seen) in shown.items()}
    return Discerned(
        {kind: (int(each.any(axis=(1, 2)).sum()), len(each)) for kind, each in wrong.items()},
        {kind: _aliases(codes, pairs, shown[kind][1][:, 0]) for kind in ("low-wins", "high-wins")},
        {kind: _confounds(pairs, shown[kind][1][:, 0]) for kind in ("low-wins", "high-wins")},
        len(_answers(shown, wrong, lines)),
    )


def _aliases(codes: NDArray[np.bool_], pairs: NDArray[np.int64], seen: NDArray[np.bool_]) -> int:
    is_like = (seen[:, None] == codes[None]).all(axis=2)
    rows = np.arange(len(pairs))
    is_like[rows, pairs[:, 0]] = is_like[rows, pairs[:, 1]] = False
    return int(is_like.any(axis=1).sum())


def _confounds(pairs: NDArray[np.int64], seen: NDArray[np.bool_]) -> int:
    """Count pairs of pairs that show one code, less those that share a line."""
    by_code: dict[bytes, list[int]] = {}
    for at, code in enumerate(seen):
        by_code.setdefault(code.tobytes(), []).append(at)
    return sum(
        comb(len(at), 2) - sum(comb(int(n), 2) for n in np.bincount(pairs[at].ravel()))
        for at in by_code.values()
    )


def _answers(
    shown: Mapping[str, tuple[NDArray[np.int64], NDArray[np.bool_]]],
    wrong: Mapping[str, NDArray[np.bool_]],
    lines: int,
) -> set[frozenset[tuple[int, bytes]]]:
    """Give each different answer as the lines that are wrong, and what is wrong with each."""
    answers = set()
    for kind, (at, _) in shown.items():
        for changed, bits in zip(at, wrong[kind], strict=True):
            answers.add(
                frozenset(
                    (int(line), bit.tobytes())
                    for line, bit in zip(changed, bits, strict=True)
                    if bit.any()
                )
            )
    return answers - {frozenset()}
