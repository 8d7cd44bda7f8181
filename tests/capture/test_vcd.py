"""VCD files: read as two independent readers read them, whole or in chunks of any size."""

from __future__ import annotations

import io
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
import pywellen
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from vcd import VCDWriter
from vcdvcd import VCDVCD

from busdecode.capture import Capture, join, open_capture, read_capture
from busdecode.capture.vcd import file as vcd
from busdecode.capture.vcd import tokens as vcd_tokens

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.usefixtures("both_ways")

FILES = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@dataclass(frozen=True)
class Made:
    """A generated file: its text, and the (name, msb, width) of every reference."""

    text: str
    references: tuple[tuple[str, int, int], ...]


CODE = st.text(alphabet=[chr(c) for c in range(33, 127)], min_size=1, max_size=4)


@st.composite
def vcd_files(draw: st.DrawFn) -> Made:
    """Make a VCD with scopes, aliases, vectors, x and z, comments and repeated times."""
    codes = draw(st.lists(CODE, min_size=1, max_size=5, unique=True))
    widths = [draw(st.sampled_from([1, 1, 2, 4, 9, 70])) for _ in codes]
    rows = ["$date today $end", "$timescale 1 ns $end", "$scope module top $end"]
    references = []
    depth = 0
    for at, (code, width) in enumerate(zip(codes, widths, strict=True)):
        names = 1 + draw(st.integers(0, 1))
        for alias in range(names):
            if draw(st.booleans()):
                rows.append(f"$scope module s{at}{alias} $end")
                depth += 1
            scope = ["top"] + [r.split()[2] for r in _open_scopes(rows)[1:]]
            low = draw(st.integers(0, 3))
            name = f"v{at}{'ab'[alias]}"
            shown = f"{name} [{low + width - 1}:{low}]" if width > 1 else name
            rows.append(f"$var wire {width} {code} {shown} $end")
            references.append((".".join([*scope, name]), low + width - 1, width))
            if depth and draw(st.booleans()):
                rows.append("$upscope $end")
                depth -= 1
    rows += ["$upscope $end"] * (depth + 1) + ["$enddefinitions $end"]

    def change(at: int) -> str:
        if widths[at] == 1 and draw(st.booleans()):
            return draw(st.sampled_from("01xzXZ")) + codes[at]
        digits = draw(st.text("01xz", min_size=1, max_size=widths[at]))
        return f"b{digits} {codes[at]}"

    rows += ["#0", "$dumpvars", *(change(at) for at in range(len(codes))), "$end"]
    now = 0
    for _ in range(draw(st.integers(0, 12))):
        now += draw(st.sampled_from([0, 1, 5, 5, 1000]))
        rows.append(f"#{now}")
        for _ in range(draw(st.integers(0, 4))):
            rows.append(change(draw(st.integers(0, len(codes) - 1))))
        if draw(st.booleans()):
            rows.append("$comment 1! b0 nothing of this counts #3 $end")
    return Made("\n".join(rows) + "\n", tuple(references))


def _open_scopes(rows: list[str]) -> list[str]:
    found: list[str] = []
    for row in rows:
        if row.startswith("$scope"):
            found.append(row)
        elif row.startswith("$upscope"):
            found.pop()
    return found


def at_times(capture: Capture, name: str, times: list[int]) -> str:
    """Give the levels of a line at these times as 0, 1, x or z; x before the first row."""
    rows = np.searchsorted(capture.times, times, side="right") - 1
    levels = capture.levels(name)
    return "".join("01xz"[levels[row]] if row >= 0 else "x" for row in rows)


def as_bits(value: object, width: int) -> str:
    """Write a value of the other readers with all its digits (left extension, 18.2.2)."""
    text = format(value, "b") if isinstance(value, int) else str(value).lower()
    return text.rjust(width, text[0] if text[0] in "xz" else "0")


def lines_of(name: str, msb: int, width: int) -> list[str]:
    """Name the lines of a reference, msb first."""
    return [name] if width == 1 else [f"{name}[{bit}]" for bit in range(msb, msb - width, -1)]


def differences(capture: Capture, path: Path, made: Made) -> list[str]:
    """Compare with both other readers at every time stamp at which anything happens."""
    theirs = VCDVCD(str(path))
    other = pywellen.Waveform(str(path))
    variables = {var.full_name: var for var in other.all_vars()}
    found = []
    for name, msb, width in made.references:
        written = name if width == 1 else f"{name}[{msb}:{msb - width + 1}]"
        changes = theirs[written].tv
        stamps = sorted({int(t) for t, _ in changes} | {int(t) // 1000 for t in capture.times})
        last = dict.fromkeys(stamps, "x" * width)
        for stamp in stamps:
            before = [value for t, value in changes if t <= stamp]
            if before:
                last[stamp] = as_bits(before[-1], width)
        signal = variables[name].signal
        ps = [stamp * 1000 for stamp in stamps]
        ours = [at_times(capture, line, ps) for line in lines_of(name, msb, width)]
        for row, stamp in enumerate(stamps):
            mine = "".join(levels[row] for levels in ours)
            if mine != last[stamp]:
                found.append(f"vcdvcd {name} at {stamp}: {mine} for {last[stamp]}")
            value = signal.value_at(stamp)
            wellen = "x" * width if value is None else as_bits(value, width)
            if mine != wellen:
                found.append(f"pywellen {name} at {stamp}: {mine} for {wellen}")
    return found


def same(one: Capture, two: Capture) -> bool:
    """Tell whether two captures are equal in every field but the notes."""

    def arrays(a: object, b: object) -> bool:
        if a is None or b is None:
            return a is b
        return bool(np.array_equal(np.asarray(a), np.asarray(b)))

    return all(
        arrays(getattr(one, f), getattr(two, f)) for f in ("times", "states", "unknown", "gaps")
    ) and (one.lines, one.end, one.resolution, one.resolution_inferred, one.source) == (
        two.lines,
        two.end,
        two.resolution,
        two.resolution_inferred,
        two.source,
    )


@FILES
@given(made=vcd_files())
def test_levels_are_those_of_two_other_readers(made: Made, tmp_path: Path) -> None:
    """Every line of a generated file has the level that vcdvcd and pywellen give it."""
    path = tmp_path / "made.vcd"
    path.write_text(made.text)
    assert differences(read_capture(path), path, made) == []


@FILES
@given(made=vcd_files(), rows=st.integers(1, 5), buffer=st.integers(1, 60))
def test_chunks_and_buffers_of_any_size_give_the_same_capture(
    made: Made, rows: int, buffer: int, tmp_path: Path
) -> None:
    """A file read in small buffers and chunks is the file read at once."""
    path = tmp_path / "made.vcd"
    path.write_text(made.text)
    whole = read_capture(path)
    with pytest.MonkeyPatch.context() as patch:
        for module in (vcd_tokens, pytest.importorskip("busdecode.capture.vcd.compiled")):
            patch.setattr(module, "BUFFER_BYTES", buffer)
        patch.setattr(vcd, "HEADER_BYTES", buffer)
        parts = list(open_capture(path).chunks(rows))
    assert max(len(part) for part in parts) <= rows
    assert same(join(parts), whole)


@FILES
@given(made=vcd_files())
def test_white_space_means_nothing(made: Made, tmp_path: Path) -> None:
    """The same file with CRLF, a byte-order mark and blanks for line ends is the same capture."""
    path = tmp_path / "made.vcd"
    path.write_text(made.text)
    whole = read_capture(path)
    for text in (
        made.text.replace("\n", "\r\n"),
        "\ufeff" + made.text,
        made.text.replace("\n", "  \t"),
    ):
        path.write_bytes(text.encode())
        assert same(read_capture(path), whole)


@FILES
@given(made=vcd_files())
def test_rows_differ_and_rise(made: Made, tmp_path: Path) -> None:
    """No row repeats the row before it."""
    path = tmp_path / "made.vcd"
    path.write_text(made.text)
    capture = read_capture(path)
    states = capture.states.tolist()
    unknown = [0] * len(states) if capture.unknown is None else capture.unknown.tolist()
    rows = list(zip(states, unknown, strict=True))
    assert [row for row, after in pairwise(rows) if row == after] == []


@FILES
@given(
    values=st.lists(
        st.tuples(st.sampled_from("01xz"), st.text("01xz", min_size=6, max_size=6)),
        min_size=1,
        max_size=8,
    )
)
def test_files_of_another_writer(values: list[tuple[str, str]], tmp_path: Path) -> None:
    """What pyvcd writes is read back level by level."""
    text = io.StringIO()
    with VCDWriter(text, timescale="10 ns", date="", init_timestamp=0) as writer:
        strobe = writer.register_var("bus", "AS", "wire", size=1, init=values[0][0])
        data = writer.register_var("bus", "D", "reg", size=6, init=values[0][1])
        for at, (level, digits) in enumerate(values):
            writer.change(strobe, at, level)
            writer.change(data, at, digits)
    path = tmp_path / "made.vcd"
    path.write_text(text.getvalue())
    capture = read_capture(path)
    times = [at * 10_000 for at in range(len(values))]
    assert at_times(capture, "bus.AS", times) == "".join(level for level, _ in values)
    for bit in range(6):
        wanted = "".join(digits[5 - bit] for _, digits in values)
        assert at_times(capture, f"bus.D[{bit}]", times) == wanted


HEAD = "$timescale 1 ns $end $var wire 1 ! AS $end $var wire 2 # D $end $enddefinitions $end\n"


def read_text(tmp_path: Path, text: str, **told: int | str) -> Capture:
    """Write a file and read it."""
    path = tmp_path / "made.vcd"
    path.write_text(text)
    return read_capture(path, **told)  # type: ignore[arg-type]


def test_a_dump_that_is_off_is_a_gap(tmp_path: Path) -> None:
    """From $dumpoff to $dumpon there is no data, also when no level differs afterwards."""
    text = HEAD + "#0 1! b0 #\n#10 $dumpoff x! bx # $end\n#20 $dumpon 1! b0 # $end\n#30 0!\n"
    capture = read_text(tmp_path, text)
    assert capture.gaps is not None
    assert list(zip(capture.times.tolist(), capture.gaps.tolist(), strict=True)) == [
        (0, False), (10_000, True), (20_000, False), (30_000, False)
    ]  # fmt: skip


def test_an_empty_dumpoff_is_a_gap_too(tmp_path: Path) -> None:
    """A $dumpoff without values still begins a gap."""
    capture = read_text(tmp_path, HEAD + "#0 1! b0 #\n#10 $dumpoff $end\n#20\n")
    assert capture.gaps is not None
    assert capture.gaps.tolist() == [False, True]
    assert capture.end == 20_000


def test_changes_before_the_first_time_are_at_zero(tmp_path: Path) -> None:
    """Initial values stand at 0, and a change at #0 replaces them without a glitch."""
    capture = read_text(tmp_path, HEAD + "1! b11 #\n#0 0!\n#5 1!\n")
    assert capture.times.tolist() == [0, 5_000]
    assert capture.levels("AS").tolist() == [0, 1]
    assert capture.notes == ()


def test_changes_before_a_later_first_time_hold_from_zero(tmp_path: Path) -> None:
    """Initial values before #7 make a row at 0."""
    capture = read_text(tmp_path, HEAD + "1! b11 #\n#7 0!\n")
    assert capture.times.tolist() == [0, 7_000]


def test_a_change_and_back_at_one_time_is_no_row(tmp_path: Path) -> None:
    """A glitch of no width leaves no row, and is counted."""
    capture = read_text(tmp_path, HEAD + "#0 1! b0 #\n#5 0! 1!\n#9 b1 # b10 #\n")
    assert capture.times.tolist() == [0, 9_000]
    assert capture.notes == (
        "2 times a line changed again at one time stamp (a glitch of no width);"
        " the last level is kept.",
    )


def test_empty_and_repeated_times_add_no_rows_but_the_end(tmp_path: Path) -> None:
    """Time stamps without a change only move the end and the inferred resolution."""
    capture = read_text(tmp_path, HEAD + "#0 1! b0 #\n#4\n#8\n#8 0!\n#12\n#12\n")
    assert (capture.times.tolist(), capture.end, capture.resolution) == ([0, 8_000], 12_000, 4_000)


def test_femtoseconds_are_rounded_and_said(tmp_path: Path) -> None:
    """1499 fs is 1 ps, 1500 fs is 2 ps; stamps that fall together keep the last level."""
    capture = read_text(
        tmp_path, HEAD.replace("1 ns", "1fs") + "#0 1! b0 #\n#1499 0!\n#1500 1!\n#1501 b1 #\n"
    )
    assert capture.times.tolist() == [0, 1, 2]
    assert capture.levels("D[0]").tolist() == [0, 0, 1]
    assert capture.notes == (
        "Times finer than 1 ps are rounded to 1 ps.",
        "1 time stamps fell together with the one before when rounded; the last levels are kept.",
    )


@pytest.mark.parametrize(
    ("scale", "worth"),
    [("1s", 10**12), ("100 ms", 10**11), ("10us", 10**7), ("1 ps", 1), ("100fs", 0)],
)
def test_every_time_scale_is_taken(scale: str, worth: int, tmp_path: Path) -> None:
    """#1 is one unit of the time scale, joined with its number or not."""
    text = HEAD.replace("1 ns", scale) + "#0 1! b0 #\n#1 0!\n#20 1!\n"
    capture = read_text(tmp_path, text)
    assert int(capture.times[-1]) == (worth * 20 or 2)


def test_a_missing_time_scale_is_taken_as_1_ns_and_said(tmp_path: Path) -> None:
    """No $timescale: 1 ns, in a note; a unit told by the user needs no note."""
    text = HEAD.replace("$timescale 1 ns $end", "") + "#0 1! b0 #\n#1 0!\n"
    capture = read_text(tmp_path, text)
    assert capture.times.tolist() == [0, 1_000]
    assert capture.notes == ("The file has no $timescale; its times are taken as 1 ns.",)
    capture = read_text(tmp_path, text, time_unit="us")
    assert (capture.times.tolist(), capture.notes) == ([0, 1_000_000], ())


def test_a_told_sample_period_is_the_resolution(tmp_path: Path) -> None:
    """The instrument's period wins over what the times suggest."""
    capture = read_text(tmp_path, HEAD + "#0 1! b0 #\n#40 0!\n", sample_period=10_000)
    assert (capture.resolution, capture.resolution_inferred) == (10_000, False)


def test_what_has_no_levels_is_set_aside_and_counted(tmp_path: Path) -> None:
    """Events, reals and strings make no lines; a reference may hold any code."""
    text = (
        "$timescale 1 ns $end $var event 1 e go $end $var real 64 r volts $end"
        " $var string 1 s state $end $var wire 1 $end AS $end $enddefinitions $end\n"
        "#0 1$end r1.5 r 1e sIDLE s\n#5 0$end\n"
    )
    capture = read_text(tmp_path, text)
    assert capture.lines == ("AS",)
    assert capture.levels("AS").tolist() == [1, 0]
    assert capture.notes == (
        "1 event set aside: it has no levels.",
        "1 real set aside: it has no levels.",
        "1 string set aside: it has no levels.",
        "1 values of event set aside.",
        "1 values of real set aside.",
        "1 values of string set aside.",
    )


@pytest.mark.parametrize(
    ("declared", "lines"),
    [
        ("1 ! AS", ("AS",)),
        ("1 ! D [3]", ("D[3]",)),
        ("1 ! D[3]", ("D[3]",)),
        ("2 ! D", ("D[1]", "D[0]")),
        ("2 ! D [5:4]", ("D[5]", "D[4]")),
        ("2 ! D[0:1]", ("D[0]", "D[1]")),
        ("2 ! M [7]", ("M[7][1]", "M[7][0]")),
        ("2 ! D [-1:-2]", ("D[-1]", "D[-2]")),
    ],
)
def test_names_of_lines(declared: str, lines: tuple[str, ...], tmp_path: Path) -> None:
    """A vector gives one line a bit, msb first, in each way of writing its range."""
    text = f"$timescale 1 ns $end $var wire {declared} $end $enddefinitions $end\n#0 b0 !\n"
    assert read_text(tmp_path, text).lines == lines


def test_a_name_on_two_codes_is_told(tmp_path: Path) -> None:
    """The second of two equal names gets a number; the same name on the same code is one line."""
    text = (
        "$timescale 1 ns $end $var wire 1 ! AS $end $var wire 1 # AS $end $var reg 1 ! AS $end"
        " $enddefinitions $end\n#0 0! 1#\n"
    )
    capture = read_text(tmp_path, text)
    assert capture.lines == ("AS", "AS~2")
    assert [capture.levels(line)[0] for line in capture.lines] == [0, 1]
    assert capture.notes == ("AS is declared twice; the second is called AS~2.",)


def test_a_vector_across_words_and_a_digit_alone(tmp_path: Path) -> None:
    """Bits on both sides of a 64-line word are set, also by a scalar change on a vector."""
    text = (
        "$timescale 1 ns $end $var wire 60 ! P $end $var wire 70 # D $end $enddefinitions $end\n"
        f"#0 b0 ! b1{'0' * 68}1 #\n#1 z#\n#2 1#\n"
    )
    capture = read_text(tmp_path, text)
    assert [capture.levels(f"D[{bit}]").tolist() for bit in (69, 68, 1, 0)] == [
        [1, 3, 0], [0, 3, 0], [0, 3, 0], [1, 3, 1]
    ]  # fmt: skip
    assert capture.levels("P[0]").tolist() == [0, 0, 0]


def test_a_dump_of_all_levels_is_no_glitch(tmp_path: Path) -> None:
    """A value told again, and otherwise, by $dumpall at one time is not counted as a change."""
    capture = read_text(tmp_path, HEAD + "#0 1! b0 #\n#5 0! $dumpall 1! B1 # $end\n#6\n")
    assert capture.levels("D[0]").tolist() == [0, 1]
    assert capture.levels("AS").tolist() == [1, 1]
    assert capture.notes == ()
