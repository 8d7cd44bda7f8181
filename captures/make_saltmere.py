"""Make the demonstration: the capture, the access log and the probe list of an invented repair.

Nothing here was measured. Run it from the checkout: ``python captures/make_saltmere.py``.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from random import Random

from busdecode.access import Access, format_log
from busdecode.capture import write_vcd
from busdecode.cycles import Sampling, synthesise_log
from busdecode.faults import parse_fault
from busdecode.protocol import load_bus

BUS = "orlop32"
FAULT = "bridge AD22 BS2 high-wins"
RAM = 0x00C0_4000
SEED = 1871
WORDS = (
    0x0000_0000, 0xFFFF_FFFF, 0xAAAA_AAAA, 0x5555_5555, 0xCCCC_CCCC, 0x3333_3333,
    0xF0F0_F0F0, 0x0F0F_0F0F, 0xFF00_FF00, 0x00FF_00FF, 0xFFFF_0000, 0x0000_FFFF,
    0x1357_9BDF, 0x2468_ACE0, 0x0040_0000, 0xFFBF_FFFF,
)  # fmt: skip


def accesses() -> tuple[list[Access], list[bool]]:
    """Give all that the machine does, and which of it the test program logs."""
    rng = Random(SEED)
    made: list[Access] = []
    logged: list[bool] = []

    def do(access: Access, *, log: bool) -> None:
        made.append(access)
        logged.append(log)

    for at, word in enumerate(WORDS):
        address = RAM + 4 * at
        do(Access("write", address, 4, 0xA5A5_A5A5), log=True)
        do(Access("write", address, 4, word), log=True)
        if at % 3 == 0:  # the machine polls its tide gauge, which the program knows nothing of
            do(Access("read", 0x0041_0000 + 4 * rng.randrange(4), 4, None), log=False)
        do(Access("read", address, 4, None), log=True)
    for at in range(8):
        address = RAM + 0x100 + at
        do(Access("write", address, 1, rng.randrange(256)), log=True)
    for at in range(2):
        do(Access("read", RAM + 0x100 + 4 * at, 4, None), log=True)
    return made, logged


def main(folder: Path) -> None:
    """Write the three files of the demonstration into a folder."""
    bus = load_bus(BUS)
    made, logged = accesses()
    run, seen = synthesise_log(
        bus,
        made,
        seed=SEED,
        faults=[parse_fault(FAULT, bus)],
        sampling=Sampling(period=10_000, jitter=1_000),
        wait_share=0.2,
    )
    capture = run.places["card"]
    # An analyzer names its channels by pod and input, not by what they are clipped to.
    channels = [f"pod{at // 16}_{at % 16:02d}" for at in range(len(capture.lines))]
    with (folder / "saltmere.vcd").open("w", encoding="utf-8", newline="") as stream:
        write_vcd(
            replace(capture, lines=tuple(channels)),
            stream,
            comment="invented: no such machine, card or repair exists; made by make_saltmere.py",
        )
    log = [access for access, is_logged in zip(seen, logged, strict=True) if is_logged]
    (folder / "saltmere-log.csv").write_text(format_log(log, 8), encoding="utf-8")
    rows = [
        "# Which analyzer channel is clipped to which line; all at the RAM card's slot.",
        "# Invented, as the capture is.",
        "[channels]",
    ]
    rows += [
        f'{channel} = {{ line = "{line}", side = "card", skew = "1 ns" }}'
        for channel, line in zip(channels, capture.lines, strict=True)
    ]
    (folder / "saltmere-probes.toml").write_text("\n".join(rows) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
