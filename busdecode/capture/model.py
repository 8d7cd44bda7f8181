"""Takes rows of packed line levels, gives a Capture: what every line did, and when."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from math import gcd
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.words import pack_levels, rearranged, words_for
from busdecode.errors import nearest
from busdecode.units import format_time

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

__all__ = ["LATEST", "WIDEST", "Capture", "concatenated", "from_levels", "join", "split"]

LATEST = 2**63 - 1
"""The last moment, in ps, that fits into a capture."""

WIDEST = 65_536
"""Lines of a bus at most: a wider range is a mistake, and would fill the memory."""

_LEVELS = {"0": 0, "1": 1, "x": 2, "X": 2, "z": 3, "Z": 3}


@dataclass(frozen=True, eq=False)
class Capture:
    """Levels of all lines over time, one row a change.

    Parameters
    ----------
    lines : tuple of str
        Channel names, scoped names joined by ``.``; unique.
    times : ndarray of int64, shape (N,), ps
        Moment from which each row holds; strictly rising.
    states : ndarray of uint64, shape (N, W)
        Line k is bit ``k % 64`` of word ``k // 64``; bits beyond the lines are 0.
    unknown : ndarray of uint64, shape (N, W), or None
        The same layout: 1 with state 0 is x, 1 with state 1 is z. None where all is known.
    gaps : ndarray of bool, shape (N,), or None
        True where row i holds no data until the next row. None where there is no gap.
    end : int, ps
        The last row holds until here.
    resolution : int, ps
        Sample period where told, else inferred from the times.
    resolution_inferred : bool
        True where nobody told the sample period.
    source : str
        File name as the user gave it.
    notes : tuple of str
        What was guessed, rounded or counted; one sentence each.

    Raises
    ------
    ValueError
        If shapes or dtypes do not fit, names repeat, or times do not rise.

    Examples
    --------
    >>> capture = from_levels([0, 10_000], {"AS": "10", "DTACK": "1x"})
    >>> capture
    Capture(2 lines, 2 rows, 0 ns .. 10 ns, resolution 10 ns inferred, 'by hand')
    >>> capture.levels("DTACK")
    array([1, 2], dtype=uint8)
    """

    lines: tuple[str, ...]
    times: NDArray[np.int64]
    states: NDArray[np.uint64]
    unknown: NDArray[np.uint64] | None
    gaps: NDArray[np.bool_] | None
    end: int
    resolution: int
    resolution_inferred: bool
    source: str
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        """Check the shapes, dtypes and order that everything else relies on."""
        places = {name: at for at, name in enumerate(self.lines)}
        if len(places) != len(self.lines):
            twice = next(n for at, n in enumerate(self.lines) if places[n] != at)
            raise ValueError(f"line names must be unique, not {twice!r} twice")
        object.__setattr__(self, "_places", places)
        if self.times.dtype != np.int64 or self.times.ndim != 1:
            raise ValueError(f"times must be int64 of shape (N,), not {_form(self.times)}")
        shape = (len(self.times), words_for(len(self.lines)))
        if self.states.dtype != np.uint64 or self.states.shape != shape:
            raise ValueError(f"states must be uint64 of shape {shape}, not {_form(self.states)}")
        unknown, gaps = self.unknown, self.gaps
        if unknown is not None and (unknown.dtype != np.uint64 or unknown.shape != shape):
            raise ValueError(f"unknown must be uint64 of shape {shape}, not {_form(unknown)}")
        if gaps is not None and (gaps.dtype != np.bool_ or gaps.shape != shape[:1]):
            raise ValueError(f"gaps must be bool of shape {shape[:1]}, not {_form(gaps)}")
        if not bool(np.all(self.times[1:] > self.times[:-1])):
            at = int(np.argmax(self.times[1:] <= self.times[:-1]))
            pair = f"{self.times[at]} then {self.times[at + 1]} at row {at + 1}"
            raise ValueError(f"times must rise strictly, not {pair}")
        if len(self.times) and self.end < self.times[-1]:
            raise ValueError(f"end must be {self.times[-1]} ps or later, not {self.end}")
        if self.resolution < 1:
            raise ValueError(f"resolution must be 1 ps or more, not {self.resolution}")

    def __len__(self) -> int:
        """Count the rows."""
        return len(self.times)

    def __repr__(self) -> str:
        """Show size, span and resolution in one line."""
        start = format_time(int(self.times[0])) if len(self) else "-"
        inferred = " inferred" if self.resolution_inferred else ""
        gaps = 0 if self.gaps is None else int(np.count_nonzero(self.gaps))
        return (
            f"Capture({len(self.lines)} lines, {len(self)} rows, "
            f"{start} .. {format_time(self.end)}, "
            f"resolution {format_time(self.resolution)}{inferred}, "
            + (f"{gaps} gaps, " if gaps else "")
            + f"{self.source!r})"
        )

    def index(self, name: str) -> int:
        """Find the bit of a line.

        Raises
        ------
        KeyError
            If no line has that name.
        """
        places: dict[str, int] = self._places  # type: ignore[attr-defined]
        if name not in places:
            near = nearest(name, self.lines)
            hint = "" if near is None else f"; did you mean {near!r}?"
            raise KeyError(f"no line is called {name!r}{hint}")
        return places[name]

    def levels(self, name: str) -> NDArray[np.uint8]:
        """Unpack one line.

        Returns
        -------
        ndarray of uint8, shape (N,)
            0 low, 1 high, 2 not known (x), 3 released (z).
        """
        at = self.index(name)
        word, bit = at // 64, np.uint64(at % 64)
        level = ((self.states[:, word] >> bit) & np.uint64(1)).astype(np.uint8)
        if self.unknown is not None:
            unknown = (self.unknown[:, word] >> bit) & np.uint64(1)
            level += (unknown << np.uint64(1)).astype(np.uint8)
        return level

    def select(self, names: Sequence[str]) -> Capture:
        """Give a capture of these lines only, in this order, with the same rows."""
        places = [self.index(name) for name in names]
        states = rearranged(self.states, places)
        unknown = None if self.unknown is None else rearranged(self.unknown, places)
        return replace(self, lines=tuple(names), states=states, unknown=unknown)

    def rows(self, first: int, beyond: int) -> Capture:
        """Give rows `first` up to, not with, `beyond`; its end is the next row's time.

        Raises
        ------
        ValueError
            If the span is not inside the capture or runs backward.
        """
        if not 0 <= first <= beyond <= len(self):
            raise ValueError(f"rows must lie in 0..{len(self)}, not {first}..{beyond}")
        span = slice(first, beyond)
        return replace(
            self,
            times=self.times[span],
            states=self.states[span],
            unknown=None if self.unknown is None else self.unknown[span],
            gaps=None if self.gaps is None else self.gaps[span],
            end=self.end if beyond == len(self) else int(self.times[beyond]),
        )


def from_levels(
    times: Sequence[int],
    levels: Mapping[str, Sequence[int | str]],
    resolution: int | None = None,
    *,
    end: int | None = None,
    gaps: Sequence[bool] | None = None,
    source: str = "by hand",
    notes: Iterable[str] = (),
) -> Capture:
    """Make a capture by hand, for tests and examples.

    Parameters
    ----------
    times : sequence of int, ps
        One a row, strictly rising.
    levels : mapping of line name to levels
        One level a row: ``0``, ``1``, ``"0"``, ``"1"``, ``"x"`` or ``"z"``, or 2 for x
        and 3 for z; a string such as ``"01xz"`` will do.
    resolution : int, ps, optional
        Inferred from the times where not given.
    end : int, ps, optional
        The last time where not given.

    Returns
    -------
    Capture

    Raises
    ------
    ValueError
        If a level is none of these, or a line has more or fewer levels than there are times.
    """
    stamps = np.asarray(times, dtype=np.int64)
    codes = np.zeros((len(stamps), len(levels)), dtype=np.uint8)
    for at, (name, values) in enumerate(levels.items()):
        if len(values) != len(stamps):
            raise ValueError(f"{name} must have {len(stamps)} levels, not {len(values)}")
        for row, value in enumerate(values):
            code = _LEVELS.get(value) if isinstance(value, str) else int(value)
            if code not in (0, 1, 2, 3):
                raise ValueError(f"a level of {name} must be 0, 1, x or z, not {value!r}")
            codes[row, at] = code
    states = pack_levels(codes & np.uint8(1))
    unknown = pack_levels(codes >> np.uint8(1))
    until = end if end is not None else (int(stamps[-1]) if len(stamps) else 0)
    step = gcd(*(int(s) for s in np.diff(np.append(stamps, until))))
    return Capture(
        lines=tuple(levels),
        times=stamps,
        states=states,
        unknown=unknown if unknown.any() else None,
        gaps=None if gaps is None else np.asarray(gaps, dtype=np.bool_),
        end=until,
        resolution=resolution if resolution is not None else max(1, step),
        resolution_inferred=resolution is None,
        source=source,
        notes=tuple(notes),
    )


def split(capture: Capture, rows: int) -> Iterator[Capture]:
    """Cut a capture into chunks of at most `rows` rows; `join` puts them together again.

    Raises
    ------
    ValueError
        If `rows` is less than 1.
    """
    if rows < 1:
        raise ValueError(f"rows must be 1 or more, not {rows}")
    for first in range(0, max(1, len(capture)), rows):
        yield capture.rows(first, min(first + rows, len(capture)))


def stretches(capture: Capture) -> Iterator[tuple[bool, Capture]]:
    """Cut a capture where gaps begin and end; tell of each stretch of rows whether it is a gap."""
    if capture.gaps is None or not capture.gaps.any():
        yield False, capture
        return
    bounds = (np.flatnonzero(np.diff(capture.gaps)) + 1).tolist()
    for first, beyond in pairwise([0, *bounds, len(capture)]):
        yield bool(capture.gaps[first]), capture.rows(first, beyond)


def join(captures: Iterable[Capture]) -> Capture:
    """Put chunks of one capture together in the order given.

    An inferred resolution becomes the greatest common divisor of those of the chunks.

    Raises
    ------
    ValueError
        If there is none, or lines or resolutions told differ, or a chunk does not begin
        where the one before it ends.
    """
    parts = list(captures)
    if not parts:
        raise ValueError("there must be at least one capture to join")
    first = parts[0]
    for one, two in pairwise(parts):
        if two.lines != first.lines:
            raise ValueError("captures to join must have the same lines in the same order")
        if len(two) and one.end != two.times[0]:
            raise ValueError(f"a chunk must begin at {one.end} ps, not {two.times[0]}")
        told = (one.resolution_inferred, two.resolution_inferred)
        if told != (True, True) and (any(told) or one.resolution != two.resolution):
            raise ValueError("captures to join must have the same resolution")
    return replace(
        concatenated(parts),
        source=first.source,
        resolution=gcd(*(part.resolution for part in parts)),
        notes=tuple(dict.fromkeys(note for part in parts for note in part.notes)),
    )


def concatenated(parts: Sequence[Capture]) -> Capture:
    """Put the rows of captures of the same lines one behind the other.

    They need not touch; all else is that of the last one. Times must rise from part to part.
    """
    unknown: NDArray[np.uint64] | None = None
    if any(part.unknown is not None for part in parts):
        unknown = np.concatenate(
            [np.zeros_like(p.states) if p.unknown is None else p.unknown for p in parts]
        )
    gaps: NDArray[np.bool_] | None = None
    if any(part.gaps is not None for part in parts):
        gaps = np.concatenate(
            [np.zeros(len(p), dtype=np.bool_) if p.gaps is None else p.gaps for p in parts]
        )
    return replace(
        parts[-1],
        times=np.concatenate([part.times for part in parts]),
        states=np.concatenate([part.states for part in parts]),
        unknown=unknown,
        gaps=gaps,
    )


def _form(array: NDArray[np.generic]) -> str:
    return f"{array.dtype} of shape {array.shape}"
