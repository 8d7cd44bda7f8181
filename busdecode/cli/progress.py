"""How far long work is, shown to a person at a terminal and to nobody else."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = ["showing_progress"]


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
