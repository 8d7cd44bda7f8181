"""A small invented bus with limits, and a capture of it of which every time can be read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from busdecode.capture import from_levels
from busdecode.protocol import parse_bus
from busdecode.timing import Figures, replay_capture

if TYPE_CHECKING:
    from busdecode.capture import Capture
    from busdecode.protocol import Bus
    from busdecode.timing import Replayed, Result

SMALL = Path(__file__).parents[1] / "protocol" / "small.toml"

LINES = ("A0", "D0", "STB", "WR", "ACK", "ERR")

# In ns, from: levels of A0 D0 STB WR ACK ERR.
# A write: address 100, data 160, strobe 200 to 400, acknowledge 300 to 440.
# A read: address 600, strobe 650 to 850, data 730 to 910, acknowledge 750 to 900.
TWO_CYCLES = {
    0: "001111",
    100: "101011",
    160: "111011",
    200: "110011",
    300: "110001",
    400: "111001",
    430: "101001",
    440: "101011",
    460: "001111",
    600: "101111",
    650: "100111",
    730: "110111",
    750: "110101",
    850: "111101",
    900: "111111",
    910: "101111",
    1000: "001111",
}


def bus_with(limits: str, timing: str = "") -> Bus:
    """Give the small bus with these limits."""
    return parse_bus(f"{SMALL.read_text(encoding='utf-8')}\n{timing}\n{limits}", SMALL)


def capture_of(rows: dict[int, str], *, resolution: int = 1) -> Capture:
    """Give a capture of rows by their moments in ns."""
    levels = {line: "".join(row[at] for row in rows.values()) for at, line in enumerate(LINES)}
    times = [1_000 * ns for ns in rows]
    return from_levels(times, levels, resolution=1_000 * resolution, end=times[-1] + 200_000)


def replay(bus: Bus, capture: Capture, *, grade: str | None = None, skew: int = 0) -> Replayed:
    """Replay a capture of one place."""
    return replay_capture(capture, Figures.of(bus, grade), skew=skew)


def one_limit(text: str, rows: dict[int, str] | None = None, *, resolution: int = 1) -> Result:
    """Replay the two cycles, or other rows, against one limit."""
    bus = bus_with(f'[[limits]]\nnumber = "1"\nname = "of the test"\nsource = "none"\n{text}')
    capture = capture_of(TWO_CYCLES if rows is None else rows, resolution=resolution)
    return replay(bus, capture).results[0]
