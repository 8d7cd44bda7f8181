"""Captures at the limits of what can be written: many lines, none that move, long names, times."""

from __future__ import annotations

import numpy as np
import pytest

from busdecode.capture import open_capture, read_capture
from busdecode.capture.vcd import tokens

pytestmark = pytest.mark.usefixtures("both_ways")


def vcd(*body: str, scale: str = "1 ns", variables: tuple[str, ...] = ("wire 1 ! AS",)) -> bytes:
    """Write a VCD of some variables."""
    declared = "".join(f"$var {each} $end\n" for each in variables)
    text = f"$timescale {scale} $end\n{declared}$enddefinitions $end\n" + "\n".join(body) + "\n"
    return text.encode()


def codes(count: int) -> list[str]:
    """Give codes of one, two and more characters."""
    found = []
    for number in range(count):
        code, rest = "", number
        while True:
            rest, digit = divmod(rest, 94)
            code += chr(33 + digit)
            if not rest:
                break
            rest -= 1
        found.append(code)
    return found


def test_4096_lines_one_bit_each() -> None:
    """Each line goes high alone, at its own time."""
    names = codes(4096)
    variables = tuple(f"wire 1 {code} L{at}" for at, code in enumerate(names))
    body = ["#0", *(f"0{code}" for code in names)]
    for at, code in enumerate(names):
        body += [f"#{at + 1}", f"1{code}"]

    capture = read_capture(vcd(*body, variables=variables))

    assert len(capture.lines) == 4096
    assert capture.states.shape == (4097, 64)
    assert capture.unknown is None
    for at in (0, 63, 64, 94, 95, 4095):
        high = capture.levels(f"L{at}") == 1
        assert np.flatnonzero(high).tolist() == list(range(at + 1, 4097))


def test_one_vector_of_4096_bits() -> None:
    """A vector wider than many words keeps each bit's place; msb first."""
    value = (1 << 4095) | (1 << 64) | 1
    body = ("#0", f"b{value:b} !", "#7", "bz !")
    variables = ("reg 4096 ! wide [4095:0]",)

    capture = read_capture(vcd(*body, variables=variables))

    ones = [line for line in capture.lines if capture.levels(line)[0] == 1]
    assert ones == ["wide[4095]", "wide[64]", "wide[0]"]
    assert all(capture.levels(line)[1] == 3 for line in capture.lines)


def test_one_line_that_never_changes() -> None:
    """One level is one row, that holds until the last time stamp."""
    capture = read_capture(vcd("#0", "1!", *(f"#{time}" for time in range(10, 100, 10))))

    assert (capture.times.tolist(), capture.end) == ([0], 90_000)
    assert capture.levels("AS").tolist() == [1]
    assert capture.resolution == 10_000


def test_lines_of_which_no_level_is_told() -> None:
    """A line that never gets a value is not known, and its neighbour is as it is."""
    capture = read_capture(
        vcd("#0", "1!", "#5", "0!", variables=("wire 1 ! AS", "wire 2 # D [1:0]"))
    )

    assert capture.levels("AS").tolist() == [1, 0]
    assert capture.levels("D[1]").tolist() == capture.levels("D[0]").tolist() == [2, 2]


def test_steps_of_2_to_the_40_ps() -> None:
    """Steps of 1.1 s in ps add up without a rest, up to the last that fits."""
    step = 1 << 40
    stamps = [step * at for at in range(5)] + [2**63 - 1]
    body = []
    for at, stamp in enumerate(stamps):
        body += [f"#{stamp}", f"{at % 2}!"]

    capture = read_capture(vcd(*body, scale="1 ps"))

    assert capture.times.tolist() == stamps
    assert read_capture(vcd(*body[:10], scale="1 ps")).resolution == step


@pytest.mark.parametrize("scale", ["1 s", "100 ms", "10 us", "1 fs"])
def test_every_time_scale(scale: str) -> None:
    """A step of a million units is the same number of ps; 1 fs is 1/1000 ps."""
    count, unit = scale.split()
    worth = {"s": 10**12, "ms": 10**9, "us": 10**6, "fs": 10**-3}[unit]

    capture = read_capture(vcd("#0", "1!", "#1000000", "0!", scale=scale))

    assert capture.times.tolist() == [0, int(1_000_000 * worth * int(count))]


def test_capture_that_begins_a_second_before_its_trigger() -> None:
    """Times before 0 are kept as they are (a CSV; a VCD has none)."""
    rows = ["Time (s),AS", "-1.000000000000,1", "-0.999999999999,0", "0,1", "1.5,0"]

    capture = read_capture("\n".join([*rows, ""]).encode())

    assert capture.times.tolist() == [-(10**12), -(10**12) + 1, 0, 15 * 10**11]
    assert capture.levels("AS").tolist() == [1, 0, 1, 0]


def test_scopes_200_deep() -> None:
    """The name of a line says all scopes, outermost first."""
    depth = 200
    opened = "".join(f"$scope module s{at} $end\n" for at in range(depth))
    closed = "$upscope $end\n" * depth
    text = f"$timescale 1 ns $end\n{opened}$var wire 1 ! AS $end\n{closed}"

    capture = read_capture(f"{text}$enddefinitions $end\n#0\n1!\n#9\n".encode())

    assert capture.lines == (".".join([*(f"s{at}" for at in range(depth)), "AS"]),)


def test_name_of_10000_characters() -> None:
    """A long name is a name; so is a long code."""
    name, code = "n" * 10_000, "c" * 10_000
    variables = (f"wire 1 {code} {name}", f"wire 1 {code}c AS")

    capture = read_capture(
        vcd("#0", f"1{code}", f"0{code}c", "#1", f"1{code}c", variables=variables)
    )

    assert capture.lines == (name, "AS")
    assert capture.levels(name).tolist() == [1, 1]
    assert capture.levels("AS").tolist() == [0, 1]


def test_line_of_a_megabyte() -> None:
    """White space is white space: a file may be one line, longer than any buffer."""
    body = " ".join(f"#{time} {time % 2}!" for time in range(150_000))
    data = vcd(body)
    assert max(map(len, data.split(b"\n"))) > 1 << 20

    capture = open_capture(data).read()

    assert capture.times.tolist() == [1000 * time for time in range(150_000)]
    assert capture.levels("AS").tolist() == [time % 2 for time in range(150_000)]


def test_nine_levels_are_taken_as_four_and_told() -> None:
    """A writer for a nine-level logic (IEEE Std 1164) puts U, W, L, H and - into its VCD."""
    variables = ("reg 1 ! AS", "reg 9 # D [8:0]")
    body = ("#0", "U!", "bUX01ZWLH- #", "#5", "H!", "bL #", "#6", "L!", "bU #", "#7", "1!")

    capture = read_capture(vcd(*body, variables=variables))

    assert capture.levels("AS").tolist() == [2, 1, 0, 1]
    rows = [[int(capture.levels(f"D[{bit}]")[row]) for bit in range(8, -1, -1)] for row in range(3)]
    assert rows == [[2, 2, 0, 1, 3, 2, 0, 1, 2], [0] * 9, [2] * 9]
    told = [note for note in capture.notes if "nine-level" in note]
    assert told == [
        "6 values have levels of a nine-level logic: L is taken as 0, H as 1, U, W and - as not"
        " known."
    ]


@pytest.mark.parametrize(
    ("variable", "lines"),
    [
        ("wire 1 ! \\a[3:0]", ("a[3:0]",)),
        ("wire 4 ! \\a[3:0]", ("a[3]", "a[2]", "a[1]", "a[0]")),
        ("wire 2 ! \\a[3:0]", ("a[3:0][1]", "a[3:0][0]")),
        ("wire 4 ! \\a+b [3:0]", ("a+b[3]", "a+b[2]", "a+b[1]", "a+b[0]")),
        ("wire 1 ! \\a[3]", ("a[3]",)),
    ],
)
def test_escaped_names_lose_their_backslash(variable: str, lines: tuple[str, ...]) -> None:
    """What looks like a range in an escaped name is one only where it is as wide as the size."""
    assert read_capture(vcd("#0", "b0 !", "#1", variables=(variable,))).lines == lines


def test_escaped_scopes_lose_their_backslash() -> None:
    """IEEE Std 1364-2005, 3.7.1 (from memory): the backslash is no part of a name."""
    text = "$timescale 1 ns $end $scope module \\t.b $end $var wire 1 ! a $end $upscope $end "

    capture = read_capture(f"{text}$enddefinitions $end #0 1! #1 0! ".encode())

    assert capture.lines == ("t.b.a",)


def test_carriage_returns_alone_end_words_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """Any white space parts words, also in a file that is longer than a word may be."""
    monkeypatch.setattr(tokens, "LONGEST_TOKEN", 1000)
    monkeypatch.setattr(tokens, "BUFFER_BYTES", 200)
    body = "".join(f"#{time}\r{time % 2}!\r" for time in range(500))

    capture = read_capture(vcd().rstrip(b"\n") + b"\n" + body.encode())

    assert capture.times.tolist() == [1000 * time for time in range(500)]
