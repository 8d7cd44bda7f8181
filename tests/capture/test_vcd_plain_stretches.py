"""Long stretches of a VCD in which lines only go to 0 or 1 have a loop of their own.

Whatever stands between them, both ways of reading give one and the same capture.
"""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import numpy as np
import pytest

from busdecode.capture import open_capture
from busdecode.capture.compilation import SWITCH
from busdecode.errors import CaptureError

if TYPE_CHECKING:
    from pathlib import Path

pytest.importorskip("numba", reason="numba compiles the loop; it is not installed")

CODES = ("!", "~", "a", "!!", "~~", "a!", "Az")
ODD = {
    "nothing": "",
    "a level not known": "x{0}\n",
    "a dump": "$dumpall 1{0} $end\n",
    "a gap": "$dumpoff\nx{0}\n$end\n#{later}\n$dumpon\n1{0}\n$end\n",
    "a vector": "b10 vv\n",
    "a long code": "1long\n",
    "a comment": "$comment #1 1! $end\n",
    "two words on one row": "0{0} 1{0}\n",
    "line ends of two characters": "0{0}\r\n1{0}\r\n",
    "a time that runs backward": "#1\n",
    "a code that is not declared": "1?\n",
    "a time of 20 digits": "#99999999999999999999\n",
    "a level that is none": "2{0}\n",
}


def stretch(draw: random.Random, codes: list[str], time: int) -> tuple[str, int]:
    """Write changes at 60 times, some without any, some told twice; give where time stands."""
    words = []
    for _ in range(60):
        time += draw.choice((6, 10, 20, 50, 0))
        words.append(f"#{time}")
        words += [draw.choice("01") + draw.choice(codes) for _ in range(draw.randrange(5))]
    return "\n".join(words) + "\n", time


def written(lines: int, odd: str, start: int) -> str:
    """Write a file of `lines` lines of one bit, and more, with `odd` between two stretches."""
    draw = random.Random(lines + start)
    codes = [*CODES, *(f"{chr(40 + at // 60)}{chr(60 + at % 60)}" for at in range(lines - 7))]
    head = ["$timescale 1 ns $end", "$var wire 2 vv V $end", "$var wire 1 long L $end"]
    head += [f"$var wire 1 {code} N{at} $end" for at, code in enumerate(codes)]
    head += ["$enddefinitions $end", f"#{start}", "$dumpvars", "b00 vv", "0long"]
    head += [f"0{code}" for code in codes]
    one, time = stretch(draw, codes, start)
    odd = odd.format(codes[-1], later=time + 7) if "{" in odd else odd
    two, time = stretch(draw, codes, time + 20)
    three, _ = stretch(draw, codes, time + 7)
    return "\n".join(head) + "\n$end\n" + one + odd + two + three


def outcome(
    path: Path, switch: str, monkeypatch: pytest.MonkeyPatch, names: tuple[str, ...]
) -> object:
    """Give all that a reader tells of a file, or its error."""
    monkeypatch.setenv(SWITCH, switch)
    file = open_capture(path, threads=1)
    if names:
        file.only(names)
    try:
        capture = file.read()
    except CaptureError as error:
        return str(error)
    unknown, gaps = capture.unknown, capture.gaps
    return (
        capture.times.tolist(), capture.states.tolist(), capture.end, capture.resolution,
        None if unknown is None else unknown.tolist(), None if gaps is None else gaps.tolist(),
        capture.notes,
    )  # fmt: skip


@pytest.mark.parametrize("start", [0, 99_999_900, 10**13])
@pytest.mark.parametrize("lines", [20, 61, 62, 100, 140])
@pytest.mark.parametrize("odd", ODD.values(), ids=ODD)
def test_both_ways_read_the_same(
    odd: str, lines: int, start: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All lines, and some in another order, in rows of one, two and three words."""
    path = tmp_path / "stretches.vcd"
    path.write_bytes(written(lines, odd, start).encode())
    for names in ((), ("N5", "N0", "N6", "V[0]", "N9")):
        plain = outcome(path, "1", monkeypatch, names)
        assert outcome(path, "0", monkeypatch, names) == plain


def test_steps_are_divided_without_a_division() -> None:
    """A step and a span, up to the largest: whole steps or not, as the remainder tells."""
    from numba import njit

    from busdecode.capture.vcd import digits

    divisor, is_whole = digits.divisor, digits.is_whole

    @njit
    def told(step: int, span: int) -> bool:
        inverse, down, most = divisor(step)
        return is_whole(span, inverse, down, most)

    draw = random.Random(4)
    for _ in range(3000):
        step = draw.randrange(1, 1 << draw.randrange(1, 63))
        span = step * draw.randrange((2**63 - 1) // step + 1)
        for each in (span, draw.randrange(2**63)):
            assert told(np.int64(step), np.int64(each)) is (each % step == 0)
