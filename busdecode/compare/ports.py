"""What port the card had at each word, where the card decides which lanes move."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import port_of, rows_for
from busdecode.cycles import ENDINGS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from busdecode.access import Port
    from busdecode.cycles import CycleTable

__all__ = ["ports_seen"]


def ports_seen(table: CycleTable) -> list[Port | None]:
    """Learn from the beats what port answers at each word; None where the bus has one only.

    A word of which no beat tells gets the port that most of the others have. Where no beat tells
    for sure, as without one of the lines that tell lanes, it may be any: each of them is given.
    """
    bus = table.bus
    if not bus.port_lines:
        return [None]
    told = (table.ended == ENDINGS.index("acknowledged")) & (table.lanes != 0) & table.has_address
    size = np.uint64(bus.word_bytes)
    columns = np.stack(
        [
            (table.address // size * size)[told].astype(np.int64),
            (table.address % size)[told].astype(np.int64),
            table.asked[told],
            table.lanes[told].astype(np.int64),
        ],
        axis=1,
    )
    distinct, counts = np.unique(columns, axis=0, return_counts=True)
    votes: dict[int, dict[frozenset[tuple[str, int]], int]] = {}
    everywhere: dict[frozenset[tuple[str, int]], int] = {}
    for (word, offset, asked, lanes), count in zip(distinct.tolist(), counts.tolist(), strict=True):
        answers = {
            frozenset(port_of(bus, row).items())
            for row in rows_for(bus, word + offset, lanes=lanes, asked=asked or None)
        }
        here = votes.setdefault(word, {})
        for answer in answers:
            # A beat that several ports would have moved tells little.
            here[answer] = here.get(answer, 0) + count * (100 if len(answers) == 1 else 1)
            if len(answers) == 1:
                everywhere[answer] = everywhere.get(answer, 0) + count
    if not everywhere:
        every = {frozenset(port_of(bus, row).items()) for row in bus.lane_rows}
        return [partial(_same_everywhere, dict(each)) for each in sorted(every, key=sorted)]
    usual = _most(everywhere)
    found = {word: dict(_most(here, everywhere)) for word, here in votes.items() if here}
    return [lambda word: found.get(word, dict(usual))]


def _same_everywhere(port: Mapping[str, int], word: int) -> Mapping[str, int]:
    del word
    return port


def _most(
    votes: Mapping[frozenset[tuple[str, int]], int],
    ties: Mapping[frozenset[tuple[str, int]], int] | None = None,
) -> frozenset[tuple[str, int]]:
    ties = ties or {}
    return max(
        votes, key=lambda each: (votes[each], ties.get(each, 0), sorted(each)), default=frozenset()
    )
