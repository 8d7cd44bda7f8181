"""Make the demonstration case: a log and four captures of an invented repair.

Nothing here was measured. Run it from the checkout: ``python captures/make_brackenmoor.py``.
"""

from __future__ import annotations

import sys
from pathlib import Path

from busdecode.access import format_log
from busdecode.capture import write_vcd
from busdecode.cycles import Sampling, synthesise_log
from busdecode.faults import parse_fault
from busdecode.plan import make_plan, open_window
from busdecode.protocol import load_bus

BUS = "6502"
FAULT = "bridge D1 A3 low-wins"
RAM, SPAN = 0x6000, 256
SEED = 1907
FIXED = ("PHI2", "R/W")
"""Clipped on in every capture; the other six channels go from line to line."""

COMMENT = "invented: no such machine, card or repair exists; made by make_brackenmoor.py"

PARTS = {
    "data-high": ("D7", "D6", "D5", "D4", "D3", "D2"),
    "data-low": ("D1", "D0", "A0", "A1", "A2", "A3"),
    "address-middle": ("A4", "A5", "A6", "A7", "A8", "A9"),
    "address-high": ("A10", "A11", "A12", "A13", "A14", "A15"),
}

CASE = """\
# A repair that never was: the mast on Brackenmoor, its weather logger and the RAM card are
# invented, and make_brackenmoor.py made every file that is named here.
bus = "6502"
title = "RAM card of the Brackenmoor logger"
machine = "weather logger, slot 3 of 5"
channels = 8
fixed = ["PHI2", "R/W"]

[[notes]]
date = 2026-02-03
text = "The card is good in the spare logger. Some bytes come back with bit 1 low."

[[logs]]
name = "walk"
file = "walk.csv"
date = 2026-02-03
note = "the accesses of: busdecode plan --method true-complement --method address-powers"
"""

CAPTURE = """
[[captures]]
name = "{name}"
file = "{name}.vcd"
log = "walk"
date = 2026-02-04
"""


def main(folder: Path) -> None:
    """Write the files of the demonstration into a folder."""
    bus = load_bus(BUS)
    plan = make_plan(open_window(bus, RAM, SPAN), ["true-complement", "address-powers"])
    case = CASE
    for number, (name, lines) in enumerate(PARTS.items()):
        # Each capture is a run of its own, and no two take the same time.
        run, seen = synthesise_log(
            bus,
            plan.accesses,
            seed=SEED + number,
            faults=[parse_fault(FAULT, bus)],
            sampling=Sampling(period=20_000),
        )
        with (folder / f"{name}.vcd").open("w", encoding="utf-8", newline="") as stream:
            write_vcd(
                run.places["host"].select((*FIXED, *lines)),
                stream,
                comment=COMMENT,
            )
        case += CAPTURE.format(name=name)
        if not number:
            (folder / "walk.csv").write_text(format_log(seen, 4), encoding="utf-8", newline="")
    (folder / "case.toml").write_text(case, encoding="utf-8", newline="")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent / "brackenmoor")
