"""Checks of ATA register transfers against outside sources. Marks in brackets: see SOURCE.md."""

from __future__ import annotations

from itertools import pairwise
from random import Random
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pytest

from busdecode.access import Transfer
from busdecode.capture import from_levels
from busdecode.cycles import Sampling, decode_capture, synthesise
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from busdecode.capture import Capture

RELEASED = None
FIRST = -1000
"""Where each capture begins, ns."""
WIRES = {"DA": 3, "DD": 16}
Lines = dict[str, int | None]
Change = tuple[int, Lines]


class Mode(NamedTuple):
    """A column of Table 7-19 [G], ns; t6 and t6Z are 5 and 30 in each. t2i is 0 where none."""

    t0: int
    t1: int
    t2: int
    t2i: int
    t3: int
    t4: int
    t5: int


MODES = {
    0: Mode(600, 70, 290, 0, 60, 30, 50),
    1: Mode(383, 50, 290, 0, 45, 20, 35),
    2: Mode(240, 30, 290, 0, 30, 15, 20),
    3: Mode(180, 30, 80, 70, 30, 10, 20),
    4: Mode(120, 25, 70, 25, 20, 10, 20),
}
T6, T6Z = 5, 30
T9 = 10
"""Of mode 4 [H], ns; the other modes have as much or more."""
TA, TB = 35, 1250
"""[H], ns: until the host looks at IORDY; for how long it may be low."""
COLUMNS = ["kind", "address", "lanes", "data", "ended", "start_ps", "acknowledge_ps", "end_ps"]


def decode_changes(
    changes: Iterable[Change], *, without: tuple[str, ...] = (), **at_first: int
) -> list[dict[str, str]]:
    """Decode a capture given as moments (ns) and what the lines then go to; None releases DD."""
    now: Lines = {**dict.fromkeys(("CS0", "CS1", "DIOR", "DIOW", "IORDY"), 1), "DA": 0}
    now = {**now, "DD": RELEASED, **at_first}
    rows: dict[int, Lines] = {FIRST: dict(now)}
    for moment, lines in sorted(changes, key=lambda change: change[0]):
        now.update(lines)
        rows[moment] = dict(now)
    rows[max(rows) + 100] = dict(now)
    levels: dict[str, list[int | str]] = {}
    for name in now.keys() - set(without):
        values = [row[name] for row in rows.values()]
        for bit in range(WIRES.get(name, 1)):
            line = f"{name}{bit}" if name in WIRES else name
            levels[line] = ["z" if value is None else value >> bit & 1 for value in values]
    capture = from_levels([moment * 1000 for moment in rows], levels, resolution=1000)
    return decode_capture(capture, load_bus("ata-pio")).as_text()[COLUMNS].to_dict("records")


def row(
    kind: str, address: str, data: str, ended: str, start: int, acknowledge: int | str, end: int
) -> dict[str, str]:
    """Give a row of the table, its moments told in ns; the lanes are those that have digits."""
    lanes = "".join("0" if data[at] == "-" else "1" for at in range(2, len(data), 2))
    told = f"{acknowledge}000" if acknowledge != "" else ""
    moments = (f"{start * 1000}", told, f"{end * 1000}")
    return dict(zip(COLUMNS, (kind, address, lanes, data, ended, *moments), strict=True))


def transfer(
    strobe: str, register: int, word: int, at: int, *, mode: int = 0, select: str = "CS0"
) -> list[Change]:
    """Make a transfer whose strobe falls at a moment; each interval is the least of its mode.

    What stands on the lines outside those intervals is the complement.
    """
    known = MODES[mode]
    ready = known.t3 if strobe == "DIOW" else known.t5
    gone = known.t4 if strobe == "DIOW" else T6
    rise = at + known.t2
    return [
        (at - known.t1, {"DA": register, select: 0}),
        (at, {strobe: 0}),
        (rise - ready - 1, {"DD": word ^ 0xFFFF}),
        (rise - ready, {"DD": word}),
        (rise, {strobe: 1}),
        (rise + gone, {"DD": word ^ 0xFFFF}),
        (rise + T9, {"DA": register ^ 7, select: 1}),
        (rise + T6Z, {"DD": RELEASED}),
    ]


REGISTERS = [
    # select, register, strobe, kind, whether it is of 16 bits [S page 13]
    ("CS0", 0, "DIOR", "read", True),  # data
    ("CS0", 0, "DIOW", "write", True),
    ("CS0", 1, "DIOR", "read", False),  # error
    ("CS0", 1, "DIOW", "write", False),  # features
    ("CS0", 2, "DIOR", "read", False),  # sector count
    ("CS0", 3, "DIOW", "write", False),  # sector number
    ("CS0", 4, "DIOR", "read", False),  # cylinder low
    ("CS0", 5, "DIOW", "write", False),  # cylinder high
    ("CS0", 6, "DIOR", "read", False),  # drive and head
    ("CS0", 7, "DIOR", "read", False),  # status
    ("CS0", 7, "DIOW", "write", False),  # command
    ("CS1", 6, "DIOR", "control-read", False),  # alternate status
    ("CS1", 6, "DIOW", "control-write", False),  # device control
]


@pytest.mark.parametrize(("select", "register", "strobe", "kind", "is_wide"), REGISTERS)
def test_select_and_address_tell_the_register(
    select: str, register: int, strobe: str, kind: str, is_wide: bool
) -> None:
    """Block, number and width of each register; a register of eight bits is on DD7 to DD0."""
    found = decode_changes(transfer(strobe, register, 0xA53C, 0, select=select))
    data = "0xA53C" if is_wide else "0x--3C"
    assert found == [row(kind, f"0x{register}", data, "acknowledged", 0, "", 290)]


@pytest.mark.parametrize("strobe", ["DIOR", "DIOW"])
def test_strobes_without_a_select_have_no_kind(strobe: str) -> None:
    """Neither block is selected [S page 13]: the pulse is told, and called nothing."""
    changes = [
        (moment, {name: level for name, level in lines.items() if name != "CS0"})
        for moment, lines in transfer(strobe, 3, 0x1234, 0)
    ]
    assert [(each["kind"], each["start_ps"]) for each in decode_changes(changes)] == [("", "0")]


@pytest.mark.parametrize("mode", MODES)
def test_transfers_back_to_back_at_the_limits_of_each_mode(mode: int) -> None:
    """Read, write, write, read, as fast as Table 7-19 allows, each its own value [G]."""
    known = MODES[mode]
    step = max(known.t0, known.t2 + known.t2i, known.t2 + T6Z + known.t1)
    changes = [
        *transfer("DIOR", 7, 0x6958, 0, mode=mode),
        *transfer("DIOW", 2, 0x5A01, step, mode=mode),
        *transfer("DIOW", 0, 0xBEEF, 2 * step, mode=mode),
        *transfer("DIOR", 0, 0x1234, 3 * step, mode=mode),
    ]
    wanted = [
        ("read", "0x7", "0x--58"),
        ("write", "0x2", "0x--01"),
        ("write", "0x0", "0xBEEF"),
        ("read", "0x0", "0x1234"),
    ]
    assert decode_changes(changes) == [
        row(*each, "acknowledged", at * step, "", at * step + known.t2)
        for at, each in enumerate(wanted)
    ]


@pytest.mark.parametrize(("strobe", "kind"), [("DIOR", "read"), ("DIOW", "write")])
def test_a_word_that_goes_in_the_sample_of_its_strobe_is_taken(strobe: str, kind: str) -> None:
    """It may go 5 (t6) or 10 ns (t4) after the strobe rises [G]: at 50 MS/s, the same sample."""
    changes: list[Change] = [
        (-80, {"DA": 0, "CS0": 0}),
        (0, {strobe: 0}),
        (40, {"DD": 0x2D96}),
        (80, {strobe: 1, "DD": 0xD269}),
        (100, {"DD": RELEASED, "CS0": 1}),
    ]
    assert decode_changes(changes) == [row(kind, "0x0", "0x2D96", "acknowledged", 0, "", 80)]


def waiting(strobe: str, word: int, *, until: int, rise: int) -> list[Change]:
    """Make a transfer of register 0 whose IORDY is low from 35 ns (tA [H]) to a moment."""
    return [
        (-70, {"DA": 0, "CS0": 0}),
        (0, {strobe: 0}),
        (TA, {"IORDY": 0}),
        (60, {"DD": word ^ 0xFFFF}),
        (until, {"IORDY": 1}),
        (until if strobe == "DIOR" else rise - 60, {"DD": word}),  # tRD is 0; t3
        (rise, {strobe: 1}),
        (rise + 30, {"DD": RELEASED, "CS0": 1}),
    ]


@pytest.mark.parametrize(("strobe", "kind"), [("DIOR", "read"), ("DIOW", "write")])
def test_iordy_low_holds_the_transfer(strobe: str, kind: str) -> None:
    """IORDY low for tB [H]: the value is that of the end, and IORDY's rise the acknowledge."""
    until = TA + TB
    merged: dict[int, Lines] = {}
    for moment, lines in waiting(strobe, 0xC35A, until=until, rise=until + 80):
        merged.setdefault(moment, {}).update(lines)
    found = decode_changes(merged.items())
    assert found == [row(kind, "0x0", "0xC35A", "acknowledged", 0, until, until + 80)]


@pytest.mark.parametrize(("strobe", "kind"), [("DIOR", "read"), ("DIOW", "write")])
def test_a_host_that_does_not_wait_is_told(strobe: str, kind: str) -> None:
    """The strobe goes away while IORDY is low: the host has to wait until it is high [G]."""
    changes = [
        (-70, {"DA": 0, "CS0": 0}),
        (0, {strobe: 0}),
        (30, {"IORDY": 0}),
        (60, {"DD": 0x0FF0}),
        (290, {strobe: 1}),
        (320, {"DD": RELEASED}),
        (400, {"IORDY": 1, "CS0": 1}),
    ]
    assert decode_changes(changes) == [row(kind, "0x0", "0x0FF0", "unacknowledged", 0, "", 290)]


def test_without_iordy_nothing_is_said_of_the_acknowledge() -> None:
    """A capture of older devices lacks the line: neither acknowledged nor not."""
    found = decode_changes(transfer("DIOR", 7, 0x0050, 0), without=("IORDY",))
    assert [(each["kind"], each["data"], each["ended"]) for each in found] == [
        ("read", "0x--50", "")
    ]


def test_what_the_capture_cuts_off_is_not_decoded() -> None:
    """Begun before the capture, or unfinished at its end: told, with no value."""
    unfinished = transfer("DIOW", 2, 0x1111, 1500)[:4]
    changes: list[Change] = [
        (-900, {"DD": 0x7777}),
        (-800, {"DIOR": 1}),
        (-780, {"DD": RELEASED, "CS0": 1}),
        *transfer("DIOR", 0, 0x4321, 0),
        *unfinished,
    ]
    found = decode_changes(changes, DIOR=0, CS0=0)
    assert [(each["kind"], each["data"], each["ended"]) for each in found] == [
        ("", "", "cut-off"),
        ("read", "0x4321", "acknowledged"),
        ("", "", "cut-off"),
    ]


def test_a_pulse_of_10_ns_is_a_transfer_of_its_own() -> None:
    """Far shorter than t2 [G]: it is told where it is, and takes nothing from its neighbours."""
    changes: list[Change] = [
        *transfer("DIOW", 3, 0x0012, 0),
        (600, {"CS0": 0, "DA": 7, "DIOR": 0}),
        (610, {"CS0": 1, "DA": 0, "DIOR": 1}),
        *transfer("DIOW", 4, 0x0034, 1200),
    ]
    assert decode_changes(changes) == [
        row("write", "0x3", "0x--12", "acknowledged", 0, "", 290),
        row("read", "0x7", "0x--??", "acknowledged", 600, "", 610),
        row("write", "0x4", "0x--34", "acknowledged", 1200, "", 1490),
    ]


def edges(capture: Capture, line: str, level: int) -> NDArray[np.float64]:
    """Give the moments (ns) at which a line goes to a level."""
    levels = capture.levels(line)
    return capture.times[1:][(levels[1:] == level) & (levels[:-1] != level)] / 1000


def moves(capture: Capture, lines: Iterable[str]) -> NDArray[np.float64]:
    """Give the moments (ns) at which any of some lines moves, in order."""
    return np.unique(
        np.concatenate([edges(capture, line, level) for line in lines for level in (0, 1)])
    )


@pytest.mark.parametrize("waits", [0.0, 0.5])
def test_made_captures_keep_the_limits_of_mode_0(waits: float) -> None:
    """Over 50 seeds: t0 to t3, t5, tA, tB, and the hold of the address [G, H].

    t4 and t6 are told from lines that are let go, which such captures do not show.
    """
    bus, limits = load_bus("ata-pio"), MODES[0]
    found: dict[str, list[float]] = {}
    for seed in range(50):
        rng = Random(seed)
        transfers = [
            Transfer(kind, register, 1, rng.getrandbits(8) if kind.endswith("write") else None)
            for register in rng.sample(range(1, 8), 6)
            for kind in [rng.choice(["read", "write", "control-read", "control-write"])]
        ]
        made = synthesise(bus, transfers, seed=seed, sampling=Sampling(0, 0, 0), wait_share=waits)
        host = made.places["host"]
        set_up = moves(host, [*bus.address, "CS0", "CS1"])
        on_data = moves(host, bus.data)
        begins = []
        for strobe in ("DIOR", "DIOW"):
            falls, rises = edges(host, strobe, 0), edges(host, strobe, 1)
            begins += falls.tolist()
            for fall, rise in zip(falls, rises, strict=True):
                assert not ((set_up > fall) & (set_up < rise)).any()
                low = edges(host, "IORDY", 0)
                low = low[(low > fall) & (low < rise)]
                high = edges(host, "IORDY", 1)
                high = high[(high > fall) & (high < rise)]
                assert len(low) == len(high) <= 1
                inside = on_data[(on_data >= fall) & (on_data < rise)][-1:]
                for name, values in (
                    ("t1", fall - set_up[set_up <= fall][-1:]),
                    ("t2", [rise - fall]),
                    ("t9", set_up[set_up >= rise][:1] - rise),
                    ("t5" if strobe == "DIOR" else "t3", rise - inside),
                    ("tA", low - fall),
                    ("tB", high - low),
                    ("tRD", high - inside if strobe == "DIOR" and len(high) else []),
                ):
                    found.setdefault(name, []).extend(values)
        begins.sort()
        assert len(begins) == 6
        found.setdefault("t0", []).extend(after - before for before, after in pairwise(begins))
    least = {"t0": limits.t0, "t1": limits.t1, "t2": limits.t2, "t3": limits.t3, "t5": limits.t5}
    for name, limit in {**least, "t9": 20}.items():
        assert min(found[name]) >= limit, name
    assert bool(found["tA"]) == bool(found["tB"]) == bool(waits)
    if waits:
        assert max(found["tA"]) <= TA
        assert max(found["tB"]) <= TB
        assert min(found["tRD"]) >= 0
