"""CSV tables in many dialects: small ones by hand, and any capture written in any dialect."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from busdecode.capture import Capture
from busdecode.capture.sources import Source
from busdecode.capture.stream import Told
from busdecode.capture.tables import file as csv_table
from busdecode.capture.tables.file import open_csv, sniff_csv
from busdecode.errors import CaptureError, RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence

pytestmark = pytest.mark.usefixtures("both_ways")


def read(data: bytes | str, told: Told | None = None) -> Capture:
    """Read a table."""
    data = data.encode() if isinstance(data, str) else data
    return open_csv(Source(data, "made.csv"), told or Told()).read()


ROWS = "{0};1;0\n{1};0;3\n{2};0;3\n{3};1;2\n"
"""AS and D[1:0] at 0, 10, 20 and 25 ns."""

DIALECTS: list[bytes | str] = [
    "Time (ns),AS,D[1:0]\n0,1,0\n10,0,3\n20,0,3\n25,1,2\n",
    "Time (ns)|AS|D[1:0]\n0|1|0\n10|0|3\n20|0|3\n25|1|2\n",
    "Time (ns) AS D[1:0]\n0 1 0\n10  0  3\n 20 0 3  \n25 1 2\n",
    "time_ns  AS  D [1:0]\n\n     0   1   0\n    10   0   3\n    20   0   3\n    25   1   2",
    "Time (ns), AS, D[1:0]\n0, 1, 0\n10, 0, 3\n20, 0, 3\n25, 1, 2\n",
    '"Time (ns)", "AS", "D[1:0]"\n"0", "1", "0"\n"10", "0", "3"\n"20", "0", "3"\n"25", "1", "2"\n',
    '"Time (us)","AS","D[1:0]"\n"0,00","1","0"\n"0,01","0","3"\n"0,02","0","3"\n"0,025","1","2"\n',
    "AS;D[1:0];Time (ns)\n1;0;0\n0;3;10\n0;3;20\n1;2;25\n",
    "Time [ns];AS;D[1:0];\n0;1;0;\n10;0;3;\n20;0;3;\n25;1;2;\n",
    "Time [ns];AS;D[1:0]\n0;1;0;\n10;0;3;\n20;0;3;\n25;1;2;\n",
    "Time [ns];AS;D[1:0];\n0;1;0\n10;0;3\n20;0;3\n25;1;2\n",
    "Time;AS;D[1:0]\nns;;\n0;1;0\n10;0;3\n20;0;3\n25;1;2\n",
    "Time;AS;D[1:0]\n(ns);(V);(V)\n\n0;1;0\n10;0;3\n20;0;3\n25;1;2\n",
    "Bench 3;7 May\nprobes;2\n;;\nTIME (NS);AS;D[1:0]\n0;1;0\n10;0;3\n20;0;3\n25;1;2\n",
    "# Time (ns), AS, D[1:0]\n0,1,0\n10,0,3\n20,0,3\n25,1,2\n",
    "Time in ns;AS;D[1:0]\n" + ROWS.format(0, 10, 20, 25),
    "Time (nanoseconds);AS;D[1:0]\n" + ROWS.format(0, 10, 20, 25),
    "Time (s);AS;D[1:0]\n" + ROWS.format("0", "1e-8", "2.0E-08", "0,000000025"),
    "Time (ms);AS;D[1:0]\n" + ROWS.format("0", "+0.00001", ".00002", "0.000025"),
    "Time (ps);AS;D[1:0]\n" + ROWS.format("-0", "10000.", "2e4", "25000.0"),
    "Time;AS;D[1:0]\n" + ROWS.format(*(f"2026-03-01 10:11:12.{n:09}" for n in (0, 10, 20, 25))),
    "Date;AS;D[1:0]\n" + ROWS.format(*(f"2026-03-01T23:59:59,{n:09}Z" for n in (0, 10, 20, 25))),
    "Time;AS;D[1:0]\n" + ROWS.format(*(f"31/03/2026 10:11:12.{n:09}" for n in (0, 10, 20, 25))),
    "Time;AS;D[1:0]\n" + ROWS.format(*(f"03/31/2026 10:11:12.{n:09}" for n in (0, 10, 20, 25))),
    "Time;AS;D[1:0]\n" + ROWS.format(*(f"10:11:12.{n:09}" for n in (0, 10, 20, 25))),
    "Sample rate: 200 MHz\nSample;AS;D[1:0]\n" + ROWS.format(0, 2, 4, 5),
    "Sampling frequency,0.2,GHz\nNo.;AS;D[1:0]\n" + ROWS.format(0, 2, 4, 5),
    "; Sample period (ns): 5\nSample number;AS;D[1:0]\n" + ROWS.format("0", "2.0", "4", "5"),
    "# sample interval = 5000 ps\n#;AS;D[1:0]\n" + ROWS.format(0, 2, 4, 5),
    "Time (ns);AS;D[1:0]\n0;1;0x0\n10;0;0X3\n20;0;3h\n25;1;$2\n",
    "Time (ns);AS;D[1:0]\n0;1;2'b00\n10;0;2'h3\n20;0;'d3\n25;1;2'o2\n",
    "Time (ns);AS;D[1:0] (bin)\n0;1;0\n10;0;11\n20;0;0b11\n25;1;10\n",
    "Time (ns);AS;D[1:0]\n0;1;00\n10;0;11\n20;0;11\n25;1;10\n",
    "Time (ns);AS;D[1:0]\n0;1;0b00\n10;0;0b11\n20;0;0b11\n25;1;0b10\n",
    "Time (ns);AS;D[1:0] [dec]\n0;1;0\n10;0;3\n20;0;0d3\n25;1;2\n",
    "Time (ns);AS;D[1]; D[0]\n0;1;0;0\n10;0;1;1\n20;0;1;1\n25;1;1;0\n",
    "Time (ns);AS;D[1..0]\n0;1;0\n10;0;3\n20;0;3\n25;1;2\n",
    "Time (ns);AS;D<1:0>\n0;1;0\n10;0;3\n20;0;3\n25;1;2\n",
    "Time (ns);AS;D(1:0)\n0;1;0\n10;0;3\n20;0;3\n25;1;2\n",
    "Zeit [ns];AS;D[1:0]\n" + ROWS.format(0, 10, 20, 25),
    "Time (ns);AS;D[1:0]\r\n" + ROWS.format(0, 10, 20, 25).replace("\n", "\r\n"),
    "Time (ns);AS;D[1:0]\r" + ROWS.format(0, 10, 20, 25).replace("\n", "\r"),
    "Time (ns);AS;D[1:0]\n" + ROWS.format(0, 10, 20, 25).replace("\n", "\r", 2),
    b"\xef\xbb\xbf" + b"Time (ns);AS;D[1:0]\n" + ROWS.format(0, 10, 20, 25).encode(),
    ("\ufeffTime (ns);AS;D[1:0]\n" + ROWS.format(0, 10, 20, 25)).encode("utf-16-le"),
    ("\ufeffTime (ns);AS;D[1:0]\n" + ROWS.format(0, 10, 20, 25)).encode("utf-16-be"),
    ("Time (ns);AS;D[1:0]\r\n" + ROWS.format(0, 10, 20, 25)).encode("utf-16-le"),
    ("Time (ns);AS;D[1:0]\n" + ROWS.format(0, 10, 20, 25)).encode("utf-16-be"),
    ("Prüfung\nt (µs);AS;D[1:0]\n" + ROWS.format(0, "0,01", "0,02", "0,025")).encode("latin-1"),
    ("Prüfung\nt (\u03bcs);AS;D[1:0]\n" + ROWS.format(0, "0,01", "0,02", "0,025")).encode(),
]  # fmt: skip


@pytest.mark.parametrize("data", DIALECTS)
def test_one_capture_in_many_dialects(data: bytes | str) -> None:
    """Whatever stands between, around and in the cells, the same capture is read."""
    capture = read(data)
    assert capture.lines == ("AS", "D[1]", "D[0]")
    assert capture.times.tolist() == [0, 10_000, 25_000]
    assert capture.levels("AS").tolist() == [1, 0, 1]
    assert capture.levels("D[1]").tolist() == [0, 1, 1]
    assert capture.levels("D[0]").tolist() == [0, 1, 0]
    assert (capture.end, capture.resolution) == (25_000, 5_000)
    assert sniff_csv(data.encode() if isinstance(data, str) else data)


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ("x!y\nTime (ns)!A\n0!1\n5!0\n", Told(separator="!")),
        ("Time (ns)\tA\n0\t1\n5\t0\n", Told(separator="tab")),
        ("Time (ns)  A\n0  1\n5  0\n", Told(separator="blank")),
        ("t (ns),A,B\n5,7,9\nTime (ns),A\n0,1\n5,0\n", Told(header_line=3)),
        ("Time (ns),at (ns),A\n9,0,1\n8,5,0\n", Told(time_column="at (ns)")),
        ("Time (ns),at,A\n9,0,1\n8,5,0\n", Told(time_column="AT", time_unit="ns")),
        ("Time (ns),nth,A\n9,0,1\n8,1,0\n", Told(time_column="nth", sample_period=5_000)),
        ("Time (ns),n,A\n9,0,1\n8,1,0\n", Told(time_column="n", sample_period=5_000)),
        ("Sample rate: 1 MHz\nn,A\n0,1\n1,0\n", Told(sample_period=5_000)),
    ],
)
def test_a_wrong_guess_is_corrected_by_an_option(data: str, told: Told) -> None:
    """Separator, header line, time column, unit and period may all be told."""
    capture = read(data, told)
    assert capture.lines[-1:] == ("A",)
    assert capture.times.tolist() == [0, 5_000]
    assert capture.levels("A").tolist() == [1, 0]


@pytest.mark.parametrize(
    ("data", "told", "message"),
    [
        (
            "foo,A\n0,1\n5,0\n",
            Told(time_column="fo"),
            "made.csv:1: no column is called 'fo'; the columns are 'foo', 'A'\n"
            "  1 | foo,A\n"
            "  expected: the name of the column of times or sample numbers\n"
            "  do:       did you mean foo?",
        ),
        (
            "foo,A\n0,1\n5,0\n",
            Told(time_column="foo"),
            "made.csv:1: column foo: the times have no unit\n"
            "  1 | foo,A\n"
            "  expected: a unit in the header, such as Time (ns)\n"
            "  do:       write it there, or tell it with --time-unit",
        ),
        (
            "foo,A\n0,1\n5,0\n",
            Told(separator=";", header_line=1),
            "made.csv:1: this is no table of cells\n"
            "  1 | foo,A\n"
            "  expected: a line of column names, such as: Time (ns),AS,D[15:0]\n"
            "  do:       tell what stands between the cells with --separator, and the line of the"
            " names with --header-line",
        ),
    ],
)
def test_options_that_do_not_fit_the_table(data: str, told: Told, message: str) -> None:
    """What is told but not there is refused, with the place."""
    with pytest.raises(CaptureError) as caught:
        read(data, told)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("data", "told", "message"),
    [
        (
            "Time (ns),A\n0,1\n",
            Told(separator="and"),
            "the separator must be one character that stands in no cell, not 'and'\n"
            "  do:       give comma, semicolon, tab, blank, or the character itself",
        ),
        (
            "Time (ns),A\n0,1\n",
            Told(header_line=4),
            "the header line must be among the first 3 lines, not 4\n"
            "  do:       give the number of the line with the names of the columns, from 1",
        ),
        (
            "Time (ns),A\n0,1\n",
            Told(time_unit="ps"),
            "a time unit of ps is told, but the header tells ns\n"
            "  do:       leave the time unit out",
        ),
        (
            "Time,A\n2026-03-01 10:11:12,1\n",
            Told(time_unit="ps"),
            "a time unit of ps is told, but the times are dates\n"
            "  do:       leave the time unit out",
        ),
    ],
)
def test_options_that_contradict_the_table(data: str, told: Told, message: str) -> None:
    """An option that has no meaning, or another one than the file, is refused."""
    with pytest.raises(RequestError) as caught:
        read(data, told)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("data", "understood", "notes"),
    [
        (
            "a\n\nb\nTime [us];A;B;D[15:0];E[1:0] (dec)\n"
            "0,5;1;0;FFFF;3\n1,5;1;0;FFFF;3\n2;0;0;0;1\n",
            (
                "columns: time 'Time [us]', 2 lines, D[15:0] as hexadecimal, E[1:0] as decimal;"
                " separator ';', decimal comma; header in line 4",
                "times: us, a row a sample, smallest step 500 ns",
            ),
            (),
        ),
        (
            "Sample rate: 100 MHz\nSample\tA\n0\t1\n7\t0\n8\t1\n",
            (
                "columns: sample number 'Sample', 1 line; separator tab; header in line 2",
                "times: sample numbers of 10 ns each, a row a change, smallest step 10 ns",
            ),
            ("The sample period of 10 ns is taken from line 1: 'Sample rate: 100 MHz'.",),
        ),
        (
            "Zeit (ns) D[7:0]\n0 00000000\n5 00000001\n",
            (
                "columns: time 'Zeit(ns)', D[7:0] as binary; separator blanks; header in line 1",
                "times: ns, a row a change, smallest step 5 ns",
            ),
            ("Column Zeit(ns) is taken for the times, by its unit.",),
        ),
        (
            "Time,A\n2026-03-01 10:11:12.5,1\n2026-03-01 10:11:13.25,0\n",
            (
                "columns: time 'Time', 1 line; separator ','; header in line 1",
                "times: dates, counted from 2026-03-01 10:11:12.5, a row a change,"
                " smallest step 750 ms",
            ),
            (),
        ),
        (
            "Time (ns),A\n0,1\n5,0\n6,0\n7,1\n8,q\n",
            (
                "columns: time 'Time (ns)', 1 line; separator ','; header in line 1",
                "times: ns, a row a sample, smallest step 1 ns",
            ),
            (),
        ),
        (
            "Time (ns),A\n",
            ("columns: time 'Time (ns)', 1 line; separator ','; header in line 1", "times: ns"),
            (),
        ),
        (
            "T\xe9 (ns);A\n0;1\n".encode("latin-1"),
            (
                "columns: time 'T\xe9 (ns)', 1 line; separator ';'; header in line 1",
                "times: ns",
            ),
            (
                "The text is not UTF-8; it is read as Latin-1.",
                "Column T\xe9 (ns) is taken for the times, by its unit.",
            ),
        ),
    ],
)
def test_what_was_understood_is_told_before_the_rows_are_read(
    data: str | bytes, understood: tuple[str, str], notes: tuple[str, ...]
) -> None:
    """Two lines say how the table is taken; guesses are notes."""
    opened = open_csv(Source(data if isinstance(data, bytes) else data.encode(), "m"), Told())
    assert opened.understood == understood
    assert opened.notes == notes


def test_a_rate_in_the_preamble_becomes_the_resolution() -> None:
    """The period that the file tells counts as told, for times too."""
    capture = read("Sample rate: 100 MHz\nTime (ns),A\n0,1\n50,0\n100,1\n")
    assert (capture.resolution, capture.resolution_inferred) == (10_000, False)


def test_dates_may_pass_midnight_and_differ_in_zone() -> None:
    """Dates count days, and zones are taken off."""
    capture = read(
        "Time,A\n2026-02-28 23:59:59.999999999Z,1\n2026-03-01T01:00:00.0000000005+01:00,0\n"
    )
    assert capture.times.tolist() == [0, 1_500]


def test_a_step_of_time_longer_than_64_bits() -> None:
    """Both moments fit, what lies between them does not."""
    capture = read("Time (s),A\n-9000000,1\n9000000,0\n")
    assert capture.times.tolist() == [-9 * 10**18, 9 * 10**18]
    assert capture.resolution == 18 * 10**18


@pytest.mark.parametrize("name", ["D[7:0]", "D[7:0] (hex)", "D[0:7]"])
def test_digits_only_are_hexadecimal_where_nothing_says_otherwise(name: str) -> None:
    """A column of decimal digits is read as hexadecimal unless its name tells the base."""
    capture = read(f"Time (ns),{name}\n0,10\n5,11\n")
    bits = range(8) if name == "D[0:7]" else range(7, -1, -1)
    assert [capture.levels(f"D[{bit}]")[0] for bit in bits] == [0, 0, 0, 1, 0, 0, 0, 0]


def test_wide_buses_in_every_base() -> None:
    """A bus wider than a word of the capture, beside lines that fill words."""
    value = 0xF00D_0000_0000_0001_8000
    head = "Time (ns),A[79:0],B[79:0] (bin),C[79:0] (dec),D\n"
    capture = read(f"{head}0,{value:x},{value:b},{value},1\n1,0,0,0,0\n")
    for bus in "ABC":
        found = [int(capture.levels(f"{bus}[{bit}]")[0]) for bit in range(80)]
        assert found == [value >> bit & 1 for bit in range(80)]
    assert capture.levels("D").tolist() == [1, 0]


@pytest.mark.parametrize("before", [0, 1, 4, 56, 57, 60, 63, 64])
def test_buses_across_the_words_of_a_capture(before: int) -> None:
    """However many lines stand before a bus, its bits are its own."""
    names = ",".join(f"L{at}," for at in range(before)).replace(",,", ",")
    zeros = "0," * before
    capture = read(
        f"Time (ns),{names}D[7:0],E[63:0],F[4:0] (dec),G\n"
        f"0,{zeros}9D,C000000000000A01,19,1\n1,{zeros}62,3FFFFFFFFFFFF5FE,12,0\n"
    )
    for bus, width, value in [("D", 8, 0x9D), ("E", 64, 0xC000_0000_0000_0A01), ("F", 5, 19)]:
        for bit in range(width):
            level = value >> bit & 1
            assert capture.levels(f"{bus}[{bit}]").tolist() == [level, 1 - level]
    assert capture.levels("G").tolist() == [1, 0]
    assert not any(capture.levels(f"L{at}").any() for at in range(before))


def test_halves_are_rounded_to_even_and_counted() -> None:
    """Of times finer than 1 ps those in the middle go to the even neighbour."""
    times = ["-2.5", "-1.5e0", "-0.5", "1.5", "4.5", "7.5", "9.51", "11.49"]
    rows = "".join(f"{time},{at % 2}\n" for at, time in enumerate(times))
    with pytest.raises(CaptureError, match=r"do not rise: '-1\.5e0' after -2 ps"):
        read(f"Time (ps),A\n{rows}")
    capture = read(f"Time (ps),A\n{rows[rows.index('-1.5') :]}")
    assert capture.times.tolist() == [-2, 0, 2, 4, 8, 10, 11]
    assert capture.notes == ("7 times finer than 1 ps are rounded to 1 ps.",)


@dataclass(frozen=True)
class Dialect:
    """How a table is written."""

    separator: str
    mark: str
    unit: str
    preamble: tuple[str, ...]
    line_end: str
    encoding: str
    quote: str
    around: str
    base: str
    moment: str
    at_end: bool
    last_end: bool
    every_row: bool


DIALECT = st.builds(
    Dialect,
    separator=st.sampled_from([",", ";", "\t", " ", "|"]),
    mark=st.sampled_from([".", ","]),
    unit=st.sampled_from(["s", "ms", "us", "ns", "ps"]),
    preamble=st.sampled_from([(), ("A bench",), ("A bench", "", "Probes; 12"), ("",)]),
    line_end=st.sampled_from(["\n", "\r\n", "\r"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-be", "latin-1"]),
    quote=st.sampled_from(["", '"']),
    around=st.sampled_from(["", " "]),
    base=st.sampled_from(["", "0x", "(bin)", "(dec)", "(hex)"]),
    moment=st.sampled_from(["time", "sample", "date"]),
    at_end=st.booleans(),
    last_end=st.booleans(),
    every_row=st.booleans(),
)
UNITS = {"s": 12, "ms": 9, "us": 6, "ns": 3, "ps": 0}
PERIOD = 4_000


def written(dialect: Dialect, rows: Sequence[tuple[int, str, int]]) -> bytes:
    """Write rows of (time in ps, level of A, D[11:0]), whose times count whole periods."""
    how = dialect
    comma = how.mark == "," and (how.separator != "," or bool(how.quote))

    def moment(ps: int) -> str:
        if how.moment == "sample":
            return str(ps // PERIOD)
        if how.moment == "date":
            first = datetime(2026, 12, 31, 23, 59, 59)
            whole, part = divmod(ps - rows[0][0], 10**12)
            return f"{first + timedelta(seconds=whole)}.{part:012}"
        digits = UNITS[how.unit]
        text = f"{abs(ps):0{digits + 1}}"
        whole, part = text[: len(text) - digits], text[len(text) - digits :]
        number = f"{'-' * (ps < 0)}{whole}" + (f".{part}" if part else "")
        # Three digits behind a comma between commas would be a question.
        return number.replace(".", ",") + "0" * bool(part) if comma else number

    def bus(value: int) -> str:
        return {"(bin)": f"{value:b}", "(dec)": f"{value}", "0x": f"0x{value:X}"}.get(
            how.base, f"{value:03x}"
        )

    named = {"time": f"Time ({how.unit})", "sample": "Sample", "date": "Date"}[how.moment]
    base = how.base if how.base.startswith("(") else ""
    cells = [[named, "A", f"D[11:0]{base}"]]
    cells += [[moment(ps), level, bus(value)] for ps, level, value in rows]
    if how.at_end:
        cells = [[*row[1:], row[0]] for row in cells]
    quote = how.quote or ('"' if how.separator == " " and how.moment == "date" else "")
    lines = [
        *how.preamble,
        *(
            (how.separator + how.around).join(f"{quote}{cell}{quote}" for cell in row)
            for row in cells
        ),
    ]
    text = how.line_end.join(lines) + how.line_end * how.last_end
    return text.encode(how.encoding)


@settings(max_examples=150)
@given(
    dialect=DIALECT,
    start=st.integers(-40, 40),
    rows=st.lists(
        st.tuples(st.integers(1, 5), st.sampled_from("01xz"), st.integers(0, 4095)),
        min_size=2,
        max_size=12,
    ),
    buffer=st.integers(1, 200),
)
def test_any_capture_written_in_any_dialect_is_read_back(
    dialect: Dialect, start: int, rows: list[tuple[int, str, int]], buffer: int
) -> None:
    """Times, levels and values come back, through a buffer of any size."""
    made: list[tuple[int, str, int]] = []
    now = start
    for step, level, value in rows:
        now += step
        if dialect.every_row or not made or made[-1][1:] != (level, value):
            made.append((now * PERIOD, level, value))
    # Hexadecimal digits that all look like 0b1 or 0d7 are a question, not a table.
    assume(
        dialect.base or any(f"{row[2]:03x}"[:2] not in ("0b", "0d") for row in made[:-1] or made)
    )
    told = Told(sample_period=PERIOD if dialect.moment == "sample" else None)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_table, "BUFFER_BYTES", buffer)
        capture = read(written(dialect, made), told)
    zero = made[0][0] if dialect.moment == "date" else 0
    kept = [at for at, row in enumerate(made) if not at or row[1:] != made[at - 1][1:]]
    assert capture.times.tolist() == [made[at][0] - zero for at in kept]
    assert capture.levels("A").tolist() == ["01xz".index(made[at][1]) for at in kept]
    for bit in range(12):
        wanted = [made[at][2] >> bit & 1 for at in kept]
        assert capture.levels(f"D[{bit}]").tolist() == wanted
    assert capture.end == made[-1][0] - zero
