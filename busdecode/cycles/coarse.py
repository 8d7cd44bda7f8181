"""Whether a capture shows a bus finely enough for anything to be found in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.units import format_time

if TYPE_CHECKING:
    from busdecode.protocol import Bus

__all__ = ["why_too_coarse"]


def why_too_coarse(bus: Bus, resolution: int, skew: int) -> str | None:
    """Say why nothing can be told from a capture; None where it can.

    Sampled more coarsely than half the shortest pulse, whole pulses go unseen, and edges are
    taken for those of other cycles.

    Parameters
    ----------
    bus : Bus
    resolution : int, ps
        The sample period.
    skew : int, ps
        The largest skew of any channel.
    """
    pulse = format_time(bus.shortest_pulse)
    if resolution * 2 > bus.shortest_pulse:
        return (
            f"cannot tell at this sample period: {format_time(resolution)} is more than half "
            f"of the shortest pulse of {bus.name}, {pulse}; "
            f"sample every {format_time(bus.shortest_pulse // 2)} or faster"
        )
    if skew * 2 > bus.shortest_pulse:
        return (
            f"cannot tell: the channels' skew of {format_time(skew)} is more than half of the "
            f"shortest pulse of {bus.name}, {pulse}"
        )
    return None
