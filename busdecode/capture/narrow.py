"""Takes blocks of rows and the lines wanted, gives blocks of those lines only."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.block import Block
from busdecode.capture.model import words_for

if TYPE_CHECKING:
    from collections.abc import Generator, Iterable

    from numpy.typing import NDArray

    Words = NDArray[np.uint64]

__all__ = ["narrowed"]


def narrowed(
    blocks: Iterable[Block], lines: tuple[str, ...], names: tuple[str, ...]
) -> Generator[Block]:
    """Give rows of some lines only, and only those in which one of them changes.

    Parameters
    ----------
    blocks : iterable of Block
        Rows of `lines`.
    lines, names : tuple of str
        The lines that there are, and those wanted in the order wanted.
    """
    places = {line: at for at, line in enumerate(lines)}
    last: Words | None = None
    for block in blocks:
        if not len(block.times):
            continue
        states = _gathered(block.states, names, places)
        unknown = None if block.unknown is None else _gathered(block.unknown, names, places)
        gaps = block.gaps
        all_of_it = np.column_stack(
            [
                states,
                np.zeros_like(states) if unknown is None else unknown,
                np.zeros(len(states), np.uint64) if gaps is None else gaps.astype(np.uint64),
            ]
        )
        keep = np.ones(len(states), dtype=np.bool_)
        keep[1:] = (all_of_it[1:] != all_of_it[:-1]).any(axis=1)
        if last is not None:
            keep[0] = bool((all_of_it[0] != last).any())
        last = all_of_it[-1]
        yield Block(
            block.times[keep],
            states[keep],
            None if unknown is None else unknown[keep],
            None if gaps is None else gaps[keep],
        )


def _gathered(words: Words, names: tuple[str, ...], places: dict[str, int]) -> Words:
    found = np.zeros((len(words), words_for(len(names))), dtype=np.uint64)
    for to, name in enumerate(names):
        at = places[name]
        bit = (words[:, at // 64] >> np.uint64(at % 64)) & np.uint64(1)
        found[:, to // 64] |= bit << np.uint64(to % 64)
    return found
