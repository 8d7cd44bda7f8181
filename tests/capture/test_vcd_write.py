"""Captures to VCD files, read back by `read_capture` and by an independent reader."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from vcdvcd import VCDVCD

from busdecode.capture import Capture, from_levels, read_capture, write_vcd

if TYPE_CHECKING:
    from pathlib import Path


def written(capture: Capture, comment: str = "") -> str:
    """Give the text of the file."""
    text = io.StringIO()
    write_vcd(capture, text, comment=comment)
    return text.getvalue()


def test_file_is_as_written_by_hand() -> None:
    """Check scopes, four states, the time scale and the end, against a file typed by hand."""
    capture = from_levels(
        [0, 30_000, 50_000], {"host.AS": "100", "host.slot.D0": "xz1", "CLK": "011"}, end=70_000
    )

    assert written(capture, "by hand") == (
        "$comment by hand $end\n"
        "$timescale 10 ns $end\n"
        "$scope module capture $end\n"
        "$var wire 1 # CLK $end\n"
        "$upscope $end\n"
        "$scope module host $end\n"
        "$var wire 1 ! AS $end\n"
        '$scope module slot $end\n$var wire 1 " D0 $end\n$upscope $end\n'
        "$upscope $end\n"
        "$enddefinitions $end\n"
        '#0\n$dumpvars\n1!\nx"\n0#\n$end\n'
        '#3\n0!\nz"\n1#\n'
        '#5\n1"\n'
        "#7\n"
    )


@pytest.mark.parametrize(
    ("step", "scale"),
    [(1, "1 ps"), (100, "100 ps"), (2_000, "1 ns"), (500_000, "100 ns"), (10**12, "1 s")],
)
def test_time_scale_is_the_coarsest_that_divides(step: int, scale: str) -> None:
    """Check scales of the standard: 1, 10 or 100 of a unit."""
    capture = from_levels([0, step, 3 * step], {"A": "010"})

    assert f"$timescale {scale} $end" in written(capture)


@given(data=st.data())
def test_written_capture_reads_back(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Check that levels, times and end come back, here and in an independent reader."""
    steps = data.draw(st.lists(st.integers(1, 5), min_size=1, max_size=8))
    times = (np.cumsum([0, *steps]) * data.draw(st.sampled_from([1, 10, 5_000]))).tolist()
    names = ["host.D0", "host.D1", "card.D0"]
    levels = {
        name: data.draw(st.text("01xz", min_size=len(times), max_size=len(times))) for name in names
    }
    # A row in which nothing changes cannot be seen in a VCD: CLK changes in each.
    levels["host.CLK"] = ("01" * len(times))[: len(times)]
    capture = from_levels(times, levels, end=times[-1] + times[1])
    path = tmp_path_factory.mktemp("vcd") / "made.vcd"
    path.write_text(written(capture), encoding="ascii")

    back = read_capture(path)
    other = VCDVCD(str(path))
    scale = int(other.timescale["timescale"] * 10**12)

    assert sorted(back.lines) == sorted(levels)
    assert back.times.tolist() == times
    assert back.end == capture.end
    for name in levels:
        assert back.levels(name).tolist() == capture.levels(name).tolist()
        for at, level in zip(times, levels[name], strict=True):
            assert other[name][at // scale] == level


def test_long_capture_is_written_in_parts_that_join(monkeypatch: pytest.MonkeyPatch) -> None:
    """Check that the file is the same whatever number of rows is looked at together."""
    capture = from_levels(
        [0, 10, 20, 30, 40], {"A": "01101", "B": "x0z10"}, gaps=[False, False, True, True, False]
    )
    whole = written(capture)
    for rows in (1, 2, 3):
        monkeypatch.setattr("busdecode.capture.vcd.write._ROWS_AT_ONCE", rows)
        assert written(capture) == whole


def test_gap_reads_back_as_a_gap(tmp_path: Path) -> None:
    """Check that a part without data is a part without data again, also at the end."""
    capture = from_levels(
        [0, 10, 20, 30], {"A": "0101"}, gaps=[False, True, False, True], end=50, resolution=10
    )
    path = tmp_path / "gap.vcd"
    path.write_text(written(capture), encoding="ascii")
    back = read_capture(path)

    assert back.gaps is not None
    assert (back.times.tolist(), back.gaps.tolist(), back.end) == (
        [0, 10, 20, 30],
        [False, True, False, True],
        50,
    )
    assert back.levels("capture.A")[[0, 2]].tolist() == [0, 0]


@pytest.mark.parametrize(
    ("capture", "message"),
    [
        (from_levels([], {"A": ""}), "a capture must have a row to be written as VCD"),
        (from_levels([-5, 0], {"A": "01"}), "times in a VCD must be 0 or later, not -5 ps"),
        (
            from_levels([0], {"A 1": "0"}),
            "the name of a line in a VCD must be without blanks, not 'A 1'",
        ),
    ],
)
def test_what_a_vcd_cannot_hold_is_refused(capture: Capture, message: str) -> None:
    """Check the whole message."""
    with pytest.raises(ValueError, match=f"^{message}$"):
        written(capture)
