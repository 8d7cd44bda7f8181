"""What every format keeps: the same capture from a path, bytes, an open file, packed, in chunks."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import zipfile
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from busdecode.capture import READERS, Capture, from_levels, join, open_capture, read_capture
from busdecode.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.usefixtures("both_ways")

STEP = 10_000
LEVELS = {"AS": "110010011", "D1": "010101010", "D0": "000011111"}
EXPECTED = from_levels([STEP * row for row in range(9)], LEVELS, resolution=STEP)
"""What each file below holds: three lines at nine samples, 10 ns apart. Invented."""


@dataclass(frozen=True)
class Sample:
    """A file of one format, and what must be told about it."""

    data: bytes
    options: dict[str, Any] = field(default_factory=dict)
    layout: str | None = None


def _vcd() -> bytes:
    rows = ["$timescale 1 ns $end", *(f"$var wire 1 {n[0]}{n[-1]} {n} $end" for n in LEVELS)]
    rows.append("$enddefinitions $end")
    for row in range(9):
        rows += [f"#{10 * row}", *(f"{levels[row]}{n[0]}{n[-1]}" for n, levels in LEVELS.items())]
    return "\n".join([*rows, ""]).encode()


def _csv() -> bytes:
    rows = [f"{10 * row},{','.join(levels[row] for levels in LEVELS.values())}" for row in range(9)]
    return "\n".join([f"Time (ns),{','.join(LEVELS)}", *rows, ""]).encode()


def _numbers() -> list[int]:
    """Give each sample as a number: AS is bit 2, D1 bit 1, D0 bit 0."""
    return [int("".join(levels[row] for levels in LEVELS.values()), 2) for row in range(9)]


def _npy() -> bytes:
    stream = io.BytesIO()
    kind = [("time_ps", "<i8"), *((name, "u1") for name in LEVELS)]
    table = np.zeros(9, dtype=kind)
    table["time_ps"] = STEP * np.arange(9)
    for name, levels in LEVELS.items():
        table[name] = [int(level) for level in levels]
    np.save(stream, table)
    return stream.getvalue()


LAYOUT = """
channels = ["-[4:0]", "AS", "D1", "D0"]
order = "msb first"
bits = 8
period = "10 ns"
"""

SAMPLES = {
    "vcd": Sample(_vcd()),
    "csv": Sample(_csv()),
    "numpy": Sample(_npy()),
    "packed": Sample(bytes(_numbers()), layout=LAYOUT),
}


def test_every_format_is_held_to_the_contract() -> None:
    """A reader that is added must come into this suite."""
    assert SAMPLES.keys() == {reader.name for reader in READERS}


def _zip(data: bytes) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("capture", data)
    return stream.getvalue()


def _zstd(data: bytes) -> bytes:
    zstd = pytest.importorskip("backports.zstd", reason="no zstd library is installed")
    packed: bytes = zstd.compress(data)
    return packed


PACKINGS: dict[str, Callable[[bytes], bytes]] = {
    "plain": bytes,
    "gzip": gzip.compress,
    "bzip2": bz2.compress,
    "xz": lzma.compress,
    "zip": _zip,
    "zstd": _zstd,
}


@pytest.fixture(params=SAMPLES)
def sample(request: pytest.FixtureRequest, tmp_path: Path) -> Sample:
    """Give each format's file in turn, its layout written where it needs one."""
    given = SAMPLES[request.param]
    if given.layout is None:
        return given
    layout = tmp_path / "layout.toml"
    layout.write_text(given.layout, encoding="utf-8")
    return Sample(given.data, given.options | {"layout": layout})


def same(capture: Capture, expected: Capture = EXPECTED) -> bool:
    """Tell whether two captures hold the same lines, times, levels and end."""
    return (
        capture.lines == expected.lines
        and capture.times.tolist() == expected.times.tolist()
        and all(
            capture.levels(line).tolist() == expected.levels(line).tolist()
            for line in expected.lines
        )
        and (capture.end, capture.resolution) == (expected.end, expected.resolution)
    )


@pytest.mark.parametrize("packing", PACKINGS)
def test_bytes_plain_or_packed_are_the_same_capture(sample: Sample, packing: str) -> None:
    """How a file is packed makes no difference."""
    packed = PACKINGS[packing](sample.data)

    assert same(read_capture(packed, **sample.options))


def test_path_open_file_and_bytes_are_the_same_capture(sample: Sample, tmp_path: Path) -> None:
    """Where the bytes come from makes no difference; an open file stays open."""
    path = tmp_path / "capture"
    path.write_bytes(sample.data)

    assert same(read_capture(path, **sample.options))
    assert same(read_capture(str(path), **sample.options))
    with path.open("rb") as stream:
        assert same(read_capture(stream, **sample.options))
        assert not stream.closed


@pytest.mark.parametrize("rows", [1, 2, 3, 100])
@pytest.mark.parametrize("threads", [1, 2])
def test_chunks_joined_are_the_whole(sample: Sample, rows: int, threads: int) -> None:
    """Chunks of any size, read ahead or not, join to the capture."""
    parts = list(open_capture(sample.data, threads=threads, **sample.options).chunks(rows))

    assert max(map(len, parts)) <= rows
    assert same(join(parts))


def test_file_can_be_read_again(sample: Sample) -> None:
    """Chunks begin from the start each time."""
    opened = open_capture(sample.data, **sample.options)

    assert same(opened.read())
    assert same(opened.read())


def test_some_lines_only(sample: Sample) -> None:
    """Of lines in any order only their own changes make rows."""
    opened = open_capture(sample.data, **sample.options)
    opened.only(["D0", "D1", "AS"])
    opened.only(["D0", "AS"])  # of those chosen before
    found = opened.read()

    assert opened.lines == found.lines == ("D0", "AS")
    assert found.times.tolist() == [0, 20_000, 40_000, 50_000, 70_000]
    assert found.levels("D0").tolist() == [0, 0, 1, 1, 1]
    assert found.levels("AS").tolist() == [1, 0, 1, 0, 1]
    assert (found.end, found.resolution) == (80_000, STEP)


def test_line_that_is_not_there_is_refused(sample: Sample) -> None:
    """The nearest name is offered."""
    with pytest.raises(RequestError, match=r"no line called 'ASX'[\s\S]*did you mean AS"):
        open_capture(sample.data, **sample.options).only(["D0", "ASX"])


@pytest.mark.parametrize(
    ("start", "stop", "times", "end"),
    [
        (None, 30_000, [0, 10_000, 20_000], 30_000),
        (15_000, None, [15_000, *range(20_000, 81_000, STEP)], 80_000),
        (20_000, 35_000, [20_000, 30_000], 35_000),
        (21_000, 29_000, [21_000], 29_000),
        (-5_000, 5_000, [0], 5_000),
        (70_000, 200_000, [70_000, 80_000], 80_000),
    ],
)
def test_window_of_time(
    sample: Sample, start: int | None, stop: int | None, times: list[int], end: int
) -> None:
    """A window begins with the levels that stand then, and ends where it was told."""
    found = read_capture(sample.data, start=start, stop=stop, **sample.options)
    whole = np.searchsorted(EXPECTED.times, found.times, "right") - 1

    assert found.times.tolist() == times
    assert found.levels("D1").tolist() == EXPECTED.levels("D1")[whole].tolist()
    assert found.end == end


@pytest.mark.parametrize(("start", "stop"), [(90_000, None), (None, -1), (-9, -5)])
def test_window_with_nothing_in_it_is_refused(
    sample: Sample, start: int | None, stop: int | None
) -> None:
    """Nothing captured is an error, not an empty capture."""
    with pytest.raises(RequestError, match="nothing was captured in the time asked for"):
        read_capture(sample.data, start=start, stop=stop, **sample.options)


def test_times_of_a_window_must_rise() -> None:
    """A window that ends before it begins is told with both times."""
    with pytest.raises(RequestError, match="must be after 20 ns, not 10 ns"):
        open_capture(SAMPLES["vcd"].data, start=20_000, stop=10_000)
