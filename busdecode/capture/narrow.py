"""Takes blocks of rows and the lines wanted, gives blocks of those lines only."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.block import Block
from busdecode.capture.words import differing, rearranged

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
    index = {line: at for at, line in enumerate(lines)}
    places = [index[name] for name in names]
    last: Words | None = None
    for block in blocks:
        if not len(block.times):
            continue
        states = rearranged(block.states, places)
        unknown = None if block.unknown is None else rearranged(block.unknown, places)
        gaps = block.gaps
        rows = np.column_stack(
            [
                states,
                np.zeros_like(states) if unknown is None else unknown,
                np.zeros(len(states), np.uint64) if gaps is None else gaps.astype(np.uint64),
            ]
        )
        keep = differing(rows, last)
        last = rows[-1]
        yield Block(
            block.times[keep],
            states[keep],
            None if unknown is None else unknown[keep],
            None if gaps is None else gaps[keep],
        )
