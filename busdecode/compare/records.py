"""Observations sorted by line: all that was seen of each."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.compare.view import Observation, PlaceView

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

__all__ = ["LineRecord", "Look", "records_of", "union"]


@dataclass(frozen=True, eq=False)
class Look:
    """One line in one observation: M beats in which a level was expected of it.

    `beats` are rows of the cycle table; `meant` and `is_wrong` are ndarrays of bool, shape (M,).
    """

    place: str
    phase: str
    path: str
    beats: Ints
    meant: Bools
    is_wrong: Bools
    is_between: bool

    @property
    def is_quiet(self) -> bool:
        """Whether it was looked at before the acknowledge's own phase."""
        return self.phase != "acknowledge"

    @property
    def wrong(self) -> Ints:
        """Rows of the table in which the line fails."""
        return self.beats[self.is_wrong]


@dataclass
class LineRecord:
    """All that was observed of one line."""

    line: str
    looks: list[Look] = field(default_factory=list)

    def wrong_beats(self) -> Ints:
        """Rows of the table in which the line fails; after release only if it fails then alone."""
        earlier = union([look.wrong for look in self.looks if look.phase != "release"])
        return earlier if len(earlier) else union([look.wrong for look in self.looks])

    def compared_beats(self) -> Ints:
        """Rows of the table in which the line was compared at all."""
        return union([look.beats for look in self.looks])

    def failing(self) -> list[Look]:
        """Those observations in which it fails."""
        return [look for look in self.looks if look.is_wrong.any()]

    @property
    def is_apart(self) -> bool:
        """Whether two places showed the line differently."""
        return any(look.is_between for look in self.failing())

    @property
    def is_told(self) -> bool:
        """Whether anything but another place tells what the line should show."""
        return any(not look.is_between for look in self.looks)


def union(parts: Sequence[Ints]) -> Ints:
    """Join row numbers, each once, rising."""
    return np.unique(np.concatenate(parts)) if parts else np.zeros(0, dtype=np.int64)


def records_of(
    observations: Sequence[Observation], views: Mapping[str, PlaceView]
) -> dict[str, LineRecord]:
    """Sort the observations by line; lines in the description's order."""
    records: dict[str, LineRecord] = {}
    bus = next(iter(views.values())).bus
    for line in bus.line_names:
        for each in observations:
            at = views[each.place].index.get(line)
            if at is None:
                continue
            word, bit = at // 64, np.uint64(at % 64)
            one = np.uint64(1)
            care = (each.care[:, word] >> bit) & one == one
            if not care.any():
                continue
            meant = (each.meant[:, word] >> bit) & one == one
            wrong = ((each.meant[:, word] ^ each.seen[:, word]) >> bit) & one == one
            record = records.setdefault(line, LineRecord(line))
            record.looks.append(
                Look(
                    each.place,
                    each.phase,
                    each.path,
                    each.beats if care.all() else each.beats[care],
                    meant[care],
                    wrong[care],
                    each.is_between,
                )
            )
    return records
