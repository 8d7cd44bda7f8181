"""What to do next, of any kind: accesses to make, a line to clip on, two points to beep."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from busdecode.diagnosis.steps import Step

__all__ = ["Measure"]


@dataclass(frozen=True)
class Measure:
    """One thing to do next.

    Parameters
    ----------
    how : str
        ``access``, ``clip`` a line on and take the same writes and reads again, or ``beep``.
    gain : float
        What it is expected to tell, bits.
    step : Step or None
        The accesses.
    lines : tuple of str
        The line to clip on; the two lines, or the line and the rail, to beep.
    sentence : str
    """

    how: Literal["access", "clip", "beep"]
    gain: float
    step: Step | None = None
    lines: tuple[str, ...] = ()
    sentence: str = ""
