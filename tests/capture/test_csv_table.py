"""CSV tables: separators, units, buses, and the same capture in chunks of any size."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busdecode.capture import Capture, join, open_capture, read_capture
from busdecode.capture.tables import file as csv_table

if TYPE_CHECKING:
    from pathlib import Path


def read_text(tmp_path: Path, text: str, **told: int | str) -> Capture:
    """Write a file and read it."""
    path = tmp_path / "made.csv"
    path.write_bytes(text.encode())
    return read_capture(path, **told)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "text",
    [
        "Time (ns),AS,D[1:0]\n0,1,0\n10,0,3\n20,0,3\n25,1,2\n",
        "Time [ns];AS;D[1:0]\n0,0;1;0\n10,0;0;3\n20,0;0;3\n25,0;1;2\n",
        "time_us\tAS\tD[1:0]\r\n0\t1\t0x0\r\n0,01\t0\t0x3\r\n0,02\t0\t0x3\r\n0.025\t1\t0X2\r\n",
        '\ufeff"t/ns","AS","D[1:0]"\n"0","1","0"\n"1e1","0","3"\n"20","0","3"\n25,"1",2\n\n',
        "Made by an instrument\nDate, 1 May\n\nTimestamp (ps),AS,D[1:0],\n0,1,0,\n10000,0,3,\n"
        "20000,0,3,\n25000,1,2,",
    ],
)
def test_one_capture_in_many_spellings(text: str, tmp_path: Path) -> None:
    """Separator, decimal comma, unit, quotes, mark and preamble do not change what is read."""
    capture = read_text(tmp_path, text)
    assert capture.lines == ("AS", "D[1]", "D[0]")
    assert capture.times.tolist() == [0, 10_000, 25_000]
    assert capture.levels("AS").tolist() == [1, 0, 1]
    assert capture.levels("D[1]").tolist() == [0, 1, 1]
    assert capture.levels("D[0]").tolist() == [0, 1, 0]
    assert (capture.end, capture.resolution) == (25_000, 5_000)
    assert capture.notes == ()


def test_a_time_without_a_unit_takes_the_unit_told(tmp_path: Path) -> None:
    """The unit may come from the user."""
    capture = read_text(tmp_path, "t,AS\n0,1\n5,0\n", time_unit="us")
    assert capture.times.tolist() == [0, 5_000_000]


def test_sample_numbers_take_the_period_told(tmp_path: Path) -> None:
    """A sample number is worth one period, and the period is the resolution."""
    capture = read_text(tmp_path, "Sample,AS\n3,1\n4,1\n7,0\n", sample_period=10_000)
    assert capture.times.tolist() == [30_000, 70_000]
    assert (capture.resolution, capture.resolution_inferred) == (10_000, False)


def test_x_and_z_in_levels_and_digits(tmp_path: Path) -> None:
    """A hexadecimal x or z is four bits; the leading one extends to the left."""
    capture = read_text(tmp_path, "Time (ns),AS,D[7:0]\n0,x,4X\n1,Z,zz\n2,0,x\n3,1,A5\n")
    assert capture.levels("AS").tolist() == [2, 3, 0, 1]
    rows = list(
        zip(*(capture.levels(f"D[{bit}]").tolist() for bit in range(7, -1, -1)), strict=True)
    )
    assert rows == [
        (0, 1, 0, 0, 2, 2, 2, 2), (3,) * 8, (2,) * 8, (1, 0, 1, 0, 0, 1, 0, 1)
    ]  # fmt: skip


def test_a_bus_whose_width_is_no_whole_digit(tmp_path: Path) -> None:
    """Leading zeros beyond the width do not count; ranges may rise."""
    capture = read_text(tmp_path, "Time (ns),D[5:0],E[0:1]\n0,3F,2\n1,021,1\n")
    assert [capture.levels(f"D[{bit}]").tolist() for bit in (5, 1, 0)] == [[1, 1], [1, 0], [1, 1]]
    assert [capture.levels(f"E[{bit}]").tolist() for bit in (0, 1)] == [[1, 0], [0, 1]]


def test_times_finer_than_a_picosecond_are_rounded_and_counted(tmp_path: Path) -> None:
    """Exact decimal times do not suffer; finer ones are counted in a note."""
    capture = read_text(tmp_path, "Time (s),AS\n0.1,0\n0.123456789012,1\n0.1234567890136,0\n")
    assert capture.times.tolist() == [100_000_000_000, 123_456_789_012, 123_456_789_014]
    assert capture.notes == ("1 times finer than 1 ps are rounded to 1 ps.",)


def test_times_win_over_sample_numbers(tmp_path: Path) -> None:
    """With both, the times are used and the other column is named."""
    capture = read_text(tmp_path, "Index,Time (ns),AS\n0,5,1\n1,6,0\n")
    assert capture.times.tolist() == [5_000, 6_000]
    assert capture.notes == ("Column Index is not used: the times are.",)


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    rows=st.lists(st.tuples(st.sampled_from("01xz"), st.integers(0, 255)), min_size=1, max_size=30),
    chunk=st.integers(1, 6),
    buffer=st.integers(8, 90),
)
def test_levels_as_written_in_chunks_and_buffers_of_any_size(
    rows: list[tuple[str, int]], chunk: int, buffer: int, tmp_path: Path
) -> None:
    """A table read in small pieces has the levels that were written."""
    path = tmp_path / "made.csv"
    text = "".join(f"{3 * at},{level},{value:02x}\n" for at, (level, value) in enumerate(rows))
    path.write_text("Time (ns),AS,D[7:0]\n" + text)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_table, "BUFFER_BYTES", buffer)
        capture = join(open_capture(path).chunks(chunk))
    kept = [at for at, row in enumerate(rows) if not at or row != rows[at - 1]]
    assert capture.times.tolist() == [3_000 * at for at in kept]
    assert capture.levels("AS").tolist() == ["01xz".index(rows[at][0]) for at in kept]
    for bit in range(8):
        wanted = [rows[at][1] >> bit & 1 for at in kept]
        assert capture.levels(f"D[{bit}]").tolist() == wanted
    assert capture.end == 3_000 * (len(rows) - 1)
    assert capture.resolution == (3_000 if len(rows) > 1 else 1)


def test_the_inferred_resolution_spans_buffers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Steps of 6 ns, then of 4 ns in a later buffer, are told as 2 ns."""
    monkeypatch.setattr(csv_table, "BUFFER_BYTES", 12)
    times = [*range(0, 60, 6), *range(58, 100, 4)]
    rows = "".join(f"{at},{number % 2}\n" for number, at in enumerate(times))
    assert read_text(tmp_path, "Time (ns),AS\n" + rows).resolution == 2_000
