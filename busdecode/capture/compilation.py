"""Takes the size of a file, says whether it is read by compiled code or by plain Python."""

from __future__ import annotations

import logging
import os
from contextlib import contextmanager
from importlib.util import find_spec
from threading import Timer
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = ["SWITCH", "WORTH_BYTES", "advice", "compiled", "compiled_loop", "saying_if_slow"]

SWITCH = "BUSDECODE_PLAIN"
"""Environment variable: 1 reads all files by plain Python, 0 none where numba is installed."""

_READY: set[str] = set()
_LOG = logging.getLogger("busdecode")

WORTH_BYTES = 2_000_000
"""Smaller files are read before numba would have been imported (0.5 s, measured)."""


def compiled(size: int) -> bool:
    """Tell whether a file of that many bytes is read by compiled code."""
    switch = os.environ.get(SWITCH)
    if switch == "1" or find_spec("numba") is None:
        return False
    return switch == "0" or size >= WORTH_BYTES


def advice(size: int) -> str | None:
    """Say what would read a file of that many bytes faster; None where it is not slow.

    Examples
    --------
    >>> advice(1000) is None
    True
    """
    if size < WORTH_BYTES or find_spec("numba") is not None:
        return None
    return (
        "the file is read by plain Python, which is slow for its size: "
        "pip install 'busdecode[fast]' has it read some 50 times faster"
    )


def compiled_loop(*signature: Any, **options: Any) -> Callable[[Any], Any]:
    """Have numba compile a function, and keep the result for later runs where that is possible.

    It runs without the interpreter's lock. Where no folder can be written in which to keep it
    (a read-only installation without a home), each run compiles anew.
    """
    from numba import njit

    def decorate(function: Any) -> Any:
        try:
            return njit(*signature, nogil=True, cache=True, **options)(function)
        except RuntimeError:
            return njit(*signature, nogil=True, **options)(function)

    return decorate


@contextmanager
def saying_if_slow(what: str) -> Iterator[None]:
    """Log that code is being compiled, where it takes over a second.

    Without a handler of the program's own that is told on the standard error.

    The first run on a machine compiles; later ones take the result from a folder, and within
    a run it is there from the second time on.
    """
    if what in _READY:
        yield
        return

    def say() -> None:
        _LOG.warning("%s is being compiled for this machine: some seconds, once", what)

    timer = Timer(1.0, say)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
    _READY.add(what)
