"""Checks of the 8255 in mode 2 against its manual alone. Marks in brackets: see SOURCE.md."""

from __future__ import annotations

from random import Random
from typing import TYPE_CHECKING

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
LIMITS = {"T2": 0, "T3": 500, "T4": 300, "T6": 350, "T7": 300, "T8": 300}
"""[L] in ns: T4, T6 and T8 at most, T2, T3 and T7 at least."""
Lines = dict[str, int | None]
Change = tuple[int, Lines]


def decode_changes(changes: Iterable[Change], **at_first: int) -> list[dict[str, str]]:
    """Decode a capture given as moments (ns) and what the lines then go to; None releases PA."""
    now: Lines = {"STB": 1, "ACK": 1, "IBF": 0, "OBF": 1, "PA": RELEASED, **at_first}
    rows: dict[int, Lines] = {FIRST: dict(now)}
    for moment, lines in sorted(changes, key=lambda change: change[0]):
        now.update(lines)
        rows[moment] = dict(now)
    rows[max(rows) + 100] = dict(now)
    levels: dict[str, list[int | str]] = {}
    for name in now:
        values = [row[name] for row in rows.values()]
        for bit in range(7, -1, -1) if name == "PA" else (0,):
            line = f"PA{bit}" if name == "PA" else name
            levels[line] = ["z" if value is None else value >> bit & 1 for value in values]
    capture = from_levels([moment * 1000 for moment in rows], levels, resolution=1000)
    table = decode_capture(capture, load_bus("8255")).as_text()
    columns = ["kind", "data", "ended", "start_ps", "acknowledge_ps", "end_ps"]
    return table[columns].to_dict("records")


def row(
    kind: str, data: str, ended: str, start: int, acknowledge: int | str, end: int
) -> dict[str, str]:
    """Give a row of the table, its moments told in ns."""
    told = f"{acknowledge}000" if acknowledge != "" else ""
    return {
        "kind": kind,
        "data": data,
        "ended": ended,
        "start_ps": f"{start * 1000}",
        "acknowledge_ps": told,
        "end_ps": f"{end * 1000}",
    }


def written(byte: int, at: int) -> list[Change]:
    """Strobe a byte in, and have the processor fetch it 1 us later; each edge keeps its limit."""
    return [
        (at - 50, {"PA": byte}),
        (at, {"STB": 0}),
        (at + 300, {"IBF": 1}),  # T4
        (at + 500, {"STB": 1}),  # T3
        (at + 680, {"PA": RELEASED}),  # T5
        (at + 1500, {"IBF": 0}),
    ]


def given(byte: int, at: int) -> list[Change]:
    """Have a byte ready 500 ns before the peripheral asks for it; each edge keeps its limit."""
    return [
        (at - 500, {"OBF": 0}),
        (at, {"ACK": 0}),
        (at + 300, {"PA": byte}),  # T8
        (at + 350, {"OBF": 1}),  # T6
        (at + 400, {"ACK": 1}),  # T7
        (at + 420, {"PA": RELEASED}),  # T9
    ]


def test_a_write_at_the_limits() -> None:
    """STB low, IBF high, STB high: the byte is the one at the rise of STB [L T2 to T5]."""
    assert decode_changes(written(0xA5, 0)) == [row("write", "0xA5", "acknowledged", 0, 300, 500)]


def test_a_read_at_the_limits() -> None:
    """OBF low, ACK low, data, OBF high, ACK high [L T6 to T9; D]."""
    assert decode_changes(given(0x3C, 0)) == [row("read", "0x3C", "acknowledged", 0, 350, 400)]


def test_the_port_keeps_what_stands_where_stb_rises() -> None:
    """The byte may come as late as just before the rise [L T2], and go 180 ns after it [L T5]."""
    changes: list[Change] = [
        (-50, {"PA": 0x0F}),
        (0, {"STB": 0}),
        (200, {"IBF": 1}),
        (599, {"PA": 0x69}),
        (600, {"STB": 1}),
        (780, {"PA": 0x96}),
        (900, {"PA": RELEASED}),
    ]
    assert decode_changes(changes) == [row("write", "0x69", "acknowledged", 0, 200, 600)]


def test_a_read_takes_what_stands_until_ack_rises() -> None:
    """OBF may rise before the byte is there: only 300 ns after ACK falls is it due [L T6, T8]."""
    changes: list[Change] = [
        (-700, {"OBF": 0}),
        (0, {"ACK": 0}),
        (20, {"PA": 0xFF}),
        (120, {"OBF": 1}),
        (300, {"PA": 0x71}),
        (350, {"ACK": 1}),
        (370, {"PA": 0x8E}),
        (600, {"PA": RELEASED}),
    ]
    assert decode_changes(changes) == [row("read", "0x71", "acknowledged", 0, 120, 350)]


def test_both_directions_back_to_back() -> None:
    """Bytes in and out follow one another; each has its own answer."""
    changes = [*written(0x11, 0), *given(0x22, 1600), *written(0x33, 2200), *written(0x44, 3800)]
    changes += given(0x55, 4550)
    assert decode_changes(changes) == [
        row("write", "0x11", "acknowledged", 0, 300, 500),
        row("read", "0x22", "acknowledged", 1600, 1950, 2000),
        row("write", "0x33", "acknowledged", 2200, 2500, 2700),
        row("write", "0x44", "acknowledged", 3800, 4100, 4300),
        row("read", "0x55", "acknowledged", 4550, 4900, 4950),
    ]


def test_a_slow_processor_holds_the_next_strobe_back() -> None:
    """IBF stays high for 20 us; the peripheral waits for its fall, and the next byte is answered.

    How long it may last is told by no limit; it ends within 300 ns of the processor's read [L T10].
    """
    changes = [change for change in written(0xC3, 0) if change[1] != {"IBF": 0}]
    changes += [(19_700, {"RD": 1}), (20_000, {"IBF": 0}), *written(0x3C, 20_200)]
    assert decode_changes(changes, RD=0) == [
        row("write", "0xC3", "acknowledged", 0, 300, 500),
        row("write", "0x3C", "acknowledged", 20_200, 20_500, 20_700),
    ]


@pytest.mark.parametrize("obf", [0, 1], ids=["a byte to read", "nothing to read"])
@pytest.mark.parametrize("answers", [False, True], ids=["no answer", "answered"])
def test_a_write_is_answered_by_ibf_alone(obf: int, answers: bool) -> None:
    """Whether there is a byte to read says nothing of the byte strobed in [D]."""
    changes = [change for change in written(0x5A, 0) if answers or "IBF" not in change[1]]
    ended, moment = ("acknowledged", 300) if answers else ("unacknowledged", "")
    assert decode_changes(changes, OBF=obf) == [row("write", "0x5A", ended, 0, moment, 500)]


@pytest.mark.parametrize("ibf", [0, 1], ids=["port empty", "port full"])
@pytest.mark.parametrize("answers", [False, True], ids=["no answer", "answered"])
def test_a_read_is_answered_by_obf_alone(ibf: int, answers: bool) -> None:
    """Whether the byte strobed in was fetched says nothing of the byte given out [D]."""
    changes = [change for change in given(0xA5, 0) if answers or change[1] != {"OBF": 1}]
    ended, moment = ("acknowledged", 350) if answers else ("unacknowledged", "")
    assert decode_changes(changes, IBF=ibf) == [row("read", "0xA5", ended, 0, moment, 400)]


def test_a_strobe_into_a_full_port_is_not_answered() -> None:
    """IBF is high still: no rise of it says that this byte was loaded [D]."""
    changes = [change for change in written(0x99, 0) if "IBF" not in change[1]]
    assert decode_changes(changes, IBF=1) == [row("write", "0x99", "unacknowledged", 0, "", 500)]


def test_an_acknowledge_without_a_byte_is_not_answered() -> None:
    """OBF is high already: nothing was written for the peripheral [D]; the outputs are on still."""
    changes = [change for change in given(0x99, 0) if "OBF" not in change[1]]
    assert decode_changes(changes, OBF=1) == [row("read", "0x99", "unacknowledged", 0, "", 400)]


def test_obf_may_rise_after_the_shortest_ack() -> None:
    """T7 is 300, T6 350 [L]: the byte is right, and the answer not seen inside the read."""
    changes: list[Change] = [
        (-500, {"OBF": 0}),
        (0, {"ACK": 0}),
        (290, {"PA": 0x42}),
        (300, {"ACK": 1}),
        (350, {"OBF": 1}),
        (400, {"PA": RELEASED}),
    ]
    assert decode_changes(changes) == [row("read", "0x42", "unacknowledged", 0, "", 300)]


def test_obf_that_rises_late_does_not_answer_the_write_after_it() -> None:
    """The peripheral strobes 20 ns after the shortest ACK; OBF rises 350 after ACK fell [L T6]."""
    changes: list[Change] = [
        (-500, {"OBF": 0}),
        (0, {"ACK": 0}),
        (290, {"PA": 0x42}),
        (300, {"ACK": 1}),
        (310, {"PA": 0x24}),
        (320, {"STB": 0}),
        (350, {"OBF": 1}),
        (820, {"STB": 1}),
        (1000, {"PA": RELEASED}),
    ]
    assert decode_changes(changes) == [
        row("read", "0x42", "unacknowledged", 0, "", 300),
        row("write", "0x24", "unacknowledged", 320, "", 820),
    ]


def test_a_byte_that_goes_in_the_sample_of_its_strobe_is_taken() -> None:
    """Output may float 20 ns after ACK rises [L T9]: at 10 MS/s that is the same sample."""
    changes: list[Change] = [
        (-500, {"OBF": 0}),
        (0, {"ACK": 0}),
        (300, {"PA": 0x6E}),
        (400, {"OBF": 1}),
        (500, {"ACK": 1, "PA": RELEASED}),
    ]
    assert decode_changes(changes) == [row("read", "0x6E", "acknowledged", 0, 400, 500)]


def test_what_the_capture_cuts_off_is_not_decoded() -> None:
    """Begun before the capture, or unfinished at its end: told, with no byte."""
    changes: list[Change] = [
        (-900, {"PA": 0x77}),
        (-800, {"IBF": 1}),
        (-400, {"STB": 1}),
        (-100, {"PA": RELEASED, "IBF": 0}),
        *given(0x21, 400),
        (1500, {"OBF": 0}),
        (2000, {"ACK": 0}),
        (2200, {"PA": 0x88}),
        (2250, {"OBF": 1}),
    ]
    found = decode_changes(changes, STB=0)
    assert [(each["kind"], each["data"], each["ended"]) for each in found] == [
        ("", "", "cut-off"),
        ("read", "0x21", "acknowledged"),
        ("", "", "cut-off"),
    ]


def test_a_pulse_of_20_ns_is_a_cycle_of_its_own_without_an_answer() -> None:
    """Far shorter than T3 [L]: it is told where it is, and takes nothing from its neighbours."""
    changes: list[Change] = [
        *written(0x12, 0),
        (1800, {"STB": 0}),
        (1820, {"STB": 1}),
        *written(0x34, 2400),
    ]
    assert decode_changes(changes) == [
        row("write", "0x12", "acknowledged", 0, 300, 500),
        row("write", "0x??", "unacknowledged", 1800, "", 1820),
        row("write", "0x34", "acknowledged", 2400, 2700, 2900),
    ]


def edges(capture: Capture, line: str, level: int) -> NDArray[np.float64]:
    """Give the moments (ns) at which a line goes to a level."""
    levels = capture.levels(line)
    return capture.times[1:][(levels[1:] == level) & (levels[:-1] != level)] / 1000


@pytest.mark.parametrize("kind", ["write", "read"])
def test_made_captures_keep_the_limits_of_the_manual(kind: str) -> None:
    """Over 50 seeds the edges of writes keep T2 to T4, those of reads T6 to T8 [L].

    T5 and T9 are told from lines that are let go, which such captures do not show.
    """
    bus, is_write = load_bus("8255"), kind == "write"
    strobe, answer = ("STB", "IBF") if is_write else ("ACK", "OBF")
    widths, answers, settled = [], [], []
    for seed in range(50):
        rng = Random(seed)
        transfers = [
            Transfer(kind, 0, 1, rng.getrandbits(8) if is_write else None) for _ in range(6)
        ]
        made = synthesise(bus, transfers, seed=seed, sampling=Sampling(0, 0, 0), wait_share=0.3)
        host = made.places["host"]
        moves = np.concatenate([edges(host, line, level) for line in bus.data for level in (0, 1)])
        falls, rises = edges(host, strobe, 0), edges(host, strobe, 1)
        risen = edges(host, answer, 1)
        assert len(falls) == len(rises) == len(risen) == 6
        widths += (rises - falls).tolist()
        answers += (risen - falls).tolist()
        assert (risen < rises).all()
        for fall, rise in zip(falls, rises, strict=True):
            inside = moves[(moves >= fall) & (moves <= rise)]
            settled += [(rise if is_write else fall, float(inside.max()))] if len(inside) else []
    assert min(widths) >= LIMITS["T3" if is_write else "T7"]
    assert max(answers) <= LIMITS["T4" if is_write else "T6"]
    assert len(settled) >= 50
    if is_write:
        assert min(rise - last for rise, last in settled) > LIMITS["T2"]
    else:
        assert max(last - fall for fall, last in settled) <= LIMITS["T8"]
