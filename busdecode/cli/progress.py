"""How far long work is, shown to a person at a terminal and to nobody else."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from time import monotonic
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from busdecode.capture import Source

__all__ = ["Pace", "showing_progress"]


class Pace:
    """How fast a file is read.

    Parameters
    ----------
    source : Source
    """

    def __init__(self, source: Source) -> None:
        self._source = source
        self._began = monotonic()

    def __str__(self) -> str:
        """Say how much is read, at which rate, and how long the rest will take."""
        return pace_text(self._source.position(), self._source.size, monotonic() - self._began)


def pace_text(done: int, size: int, seconds: float) -> str:
    """Write how far reading is.

    Parameters
    ----------
    done, size : int, bytes
    seconds : float, s

    Examples
    --------
    >>> pace_text(30_000_000, 120_000_000, 0.5)
    '30 of 120 MB, 60 MB/s, 2 s left'
    """
    text = f"{done / 1e6:.0f} of {size / 1e6:.0f} MB"
    if not done or seconds <= 0:
        return text
    rate = done / seconds
    left = max(0.0, (size - done) / rate)
    return f"{text}, {rate / 1e6:.0f} MB/s, {left:.0f} s left"


@contextmanager
def showing_progress(what: str, *, wanted: bool = True) -> Iterator[Callable[[str], None]]:
    """Give a function that shows how far the work is.

    It does nothing unless the standard error is a terminal and progress is `wanted`: a
    command that prints to the terminal as it goes needs no other sign of life.
    """
    if not (wanted and sys.stderr.isatty()):
        yield lambda done: None
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (
        SpinnerColumn(),
        TextColumn("{task.description}"),
        TextColumn("{task.fields[done]}"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(what, total=None, done="")
        yield lambda done: progress.update(task, done=done)
