"""NumPy arrays: every form of levels and times, byte and memory order, files cut short."""

from __future__ import annotations

import gzip
import io
import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busdecode.capture import Capture, Source, Told, from_levels
from busdecode.capture.samples import arrays
from busdecode.capture.samples.arrays import ArrayFile, open_array
from busdecode.capture.samples.store import sniff_npy, sniff_npz
from busdecode.errors import CaptureError, TruncatedError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

GUESSED = "The file names no channel: {} k is called Dk, a guess."


def as_npy(array: NDArray[Any], version: tuple[int, int] | None = None) -> bytes:
    """Give the bytes of a .npy file."""
    stream = io.BytesIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # numpy: only new versions read 2.0 and 3.0
        np.lib.format.write_array(stream, array, version, allow_pickle=False)
    return stream.getvalue()


def as_npz(*, packed: bool = False, **members: Any) -> bytes:
    """Give the bytes of a .npz file."""
    stream = io.BytesIO()
    (np.savez_compressed if packed else np.savez)(stream, **members)
    return stream.getvalue()


def open_bytes(folder: Path, data: bytes, layout: str | None = None, **told: Any) -> ArrayFile:
    """Write a file and open it; the sample period is 10 ns unless told otherwise."""
    path = folder / "made.npy"
    path.write_bytes(data)
    if layout is not None:
        (folder / "l.toml").write_text(layout, encoding="utf-8")
        told["layout"] = folder / "l.toml"
    return open_array(Source(path, "made.npy"), Told(**told))


def levels_of(capture: Capture) -> dict[str, str]:
    """Give the levels of each line as a text."""
    return {name: "".join(map(str, capture.levels(name))) for name in capture.lines}


@pytest.mark.parametrize("version", [(1, 0), (2, 0), (3, 0)])
@pytest.mark.parametrize("dtype", ["<u2", ">u2"])
def test_bit_k_is_channel_k(dtype: str, version: tuple[int, int], tmp_path: Path) -> None:
    """Either byte order; every format version; rows that repeat are dropped."""
    array = np.array([0x8001, 0x8001, 0x0002], dtype=dtype)
    opened = open_bytes(tmp_path, as_npy(array, version), sample_period=10_000)
    capture = opened.read()
    assert capture.lines == tuple(f"D{k}" for k in range(16))
    assert levels_of(capture)["D15"] == "10"
    assert levels_of(capture)["D0"] == "10"
    assert levels_of(capture)["D1"] == "01"
    assert levels_of(capture)["D8"] == "00"
    assert (capture.times.tolist(), capture.end) == ([0, 20_000], 20_000)
    assert (capture.resolution, capture.resolution_inferred) == (10_000, False)
    assert capture.notes == (GUESSED.format("bit"),)
    assert opened.understood[1] == "sampled at 100 MHz (10 ns), the first at 0 ns, 3 samples"


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("dtype", ["?", "i1", "u4", ">i8"])
@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_columns_of_levels(dtype: str, order: Any, pack: Any, tmp_path: Path) -> None:
    """Truth values or integers, rows or columns first, plain or gzip."""
    array = np.array([[0, 1, 1], [0, 0, 1], [0, 0, 1], [1, 0, 1]]).astype(dtype, order=order)
    capture = open_bytes(tmp_path, pack(as_npy(array)), sample_period=10_000).read()
    assert levels_of(capture) == {"D0": "001", "D1": "100", "D2": "111"}
    assert capture.times.tolist() == [0, 10_000, 30_000]
    assert capture.notes == (GUESSED.format("column"),)


@pytest.mark.parametrize(
    ("order", "wanted"),
    [("msb first", {"AS": "10", "D[1]": "01", "D[0]": "00"}),
     ("lsb first", {"AS": "10", "D[1]": "00", "D[0]": "00"})],
)  # fmt: skip
def test_names_of_bits_from_a_layout(order: str, wanted: dict[str, str], tmp_path: Path) -> None:
    """A layout names the bits of an array and tells rate and first time."""
    # msb first: AS is bit 7. lsb first: AS is bit 0, and bits 1 and 2 stay low.
    data = as_npy(np.array([0x81, 0x40], dtype="u1"))
    layout = f'channels = ["AS", "D[1:0]", "-[4:0]"]\norder = "{order}"\n'
    opened = open_bytes(tmp_path, data, layout + 'rate = "50 MHz"\nfirst = "-1 us"\n')
    capture = opened.read()
    assert levels_of(capture) == wanted
    assert capture.times.tolist() == [-1_000_000, -980_000]
    assert capture.notes == ()


def test_names_of_columns_from_a_layout(tmp_path: Path) -> None:
    """The first entry is column 0 with lsb first, the last column with msb first."""
    data = as_npy(np.array([[1, 0, 0], [0, 0, 1]], dtype=bool))
    layout = 'channels = ["A", "-", "C"]\norder = "{}"\nperiod = "5 ns"\n'
    low = open_bytes(tmp_path, data, layout.format("lsb first")).read()
    assert levels_of(low) == {"A": "10", "C": "01"}
    high = open_bytes(tmp_path, data, layout.format("msb first")).read()
    assert levels_of(high) == {"A": "01", "C": "10"}


@pytest.mark.parametrize("moment", ["time_ns", "t (ns)", "Timestamp[ns]"])
def test_a_structure_with_times(moment: str, tmp_path: Path) -> None:
    """One field of times, with its unit in the name, and one field a line."""
    array = np.array(
        [(-20, 1, True), (10, 1, True), (16, 0, False)], dtype=[(moment, "<i4"), ("AS", "u1"),
                                                                ("R/W", "?")],
    )  # fmt: skip
    capture = open_bytes(tmp_path, as_npy(array)).read()
    assert levels_of(capture) == {"AS": "10", "R/W": "10"}
    assert capture.times.tolist() == [-20_000, 16_000]
    assert (capture.resolution, capture.resolution_inferred) == (6_000, True)


def test_times_of_a_structure_take_the_column_and_unit_told(tmp_path: Path) -> None:
    """A field whose name says nothing is named by the user."""
    array = np.array([(1, 0), (3, 1)], dtype=[("when", ">u4"), ("AS", "i2")])
    told = {"time_column": "when", "time_unit": "us"}
    opened = open_bytes(tmp_path, as_npy(array), **told)
    assert opened.understood == ("1 channel (AS), fields", "field when in 1 us, 2 samples")
    assert opened.read().times.tolist() == [1_000_000, 3_000_000]


def test_times_as_timedelta(tmp_path: Path) -> None:
    """The unit of timedelta64 is taken from its type."""
    array = np.array([(4, 0), (6, 1)], dtype=[("t", ">m8[10ns]"), ("AS", "?")])
    assert open_bytes(tmp_path, as_npy(array)).read().times.tolist() == [40_000, 60_000]


def test_a_structure_without_times_is_sampled(tmp_path: Path) -> None:
    """Then the period must be told."""
    array = np.array([(1, 0), (0, 1)], dtype=[("DS", "?"), ("AS", "?")])
    capture = open_bytes(tmp_path, as_npy(array), sample_period=5_000).read()
    assert levels_of(capture) == {"DS": "10", "AS": "01"}
    assert capture.times.tolist() == [0, 5_000]


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("order", ["C", "F"])
def test_an_archive_with_times_and_names(packed: bool, order: Any, tmp_path: Path) -> None:
    """The members of an archive tell levels, times, unit, names and sample period."""
    data = as_npz(
        packed=packed,
        states=np.array([[1, 0], [1, 0], [0, 0]], dtype="u1", order=order),
        times=np.array([-2, 5, 8], dtype=">i2"),
        time_unit="us",
        lines=np.array(["AS", "R/W"]),
        sample_period_ps=500_000,
    )
    opened = open_bytes(tmp_path, data)
    capture = opened.read()
    assert levels_of(capture) == {"AS": "10", "R/W": "00"}
    assert (capture.times.tolist(), capture.end) == ([-2_000_000, 8_000_000], 8_000_000)
    assert (capture.resolution, capture.resolution_inferred) == (500_000, False)
    assert capture.notes == ()
    assert opened.understood == (
        "2 channels (AS, R/W), columns",
        "times in 1 us, sampled at 2 MHz (500 ns), 3 samples",
    )


def test_times_of_an_archive_are_picoseconds_where_no_unit_is_told(tmp_path: Path) -> None:
    """Also the unit of the user counts; the resolution is inferred."""
    data = as_npz(states=np.array([0, 1, 3], dtype="u1"), times=np.array([0, 7, 21]))
    capture = open_bytes(tmp_path, data).read()
    assert (capture.times.tolist(), capture.resolution) == ([0, 7, 21], 7)
    assert capture.resolution_inferred
    told = open_bytes(tmp_path, data, time_unit="ns").read()
    assert told.times.tolist() == [0, 7_000, 21_000]
    again = open_bytes(tmp_path, gzip.compress(data)).read()
    assert again.times.tolist() == [0, 7, 21]


def test_an_archive_of_one_member_and_names_for_some_bits(tmp_path: Path) -> None:
    """A lone member is taken for the levels, and bits without a name are told."""
    data = as_npz(levels=np.array([5, 1], dtype="u1"), lines=["AS", "DS"], sample_period_ps=9)
    capture = open_bytes(tmp_path, data).read()
    assert levels_of(capture) == {"AS": "1", "DS": "0"}
    assert capture.notes == (
        "Member levels is taken for the levels (states).",
        "6 bits above DS are not used.",
    )
    extra = as_npz(states=np.array([5, 1], dtype="u1"), more=[1], also=[2])
    layout = 'channels = ["-[6:0]", "A"]\norder = "msb first"\nperiod = "1 ns"\n'
    assert open_bytes(tmp_path, extra, layout).notes == ("Members not read: more, also.",)
    named = as_npz(states=np.array([5, 1], dtype="u1"), lines=list("abcdefgh"))
    notes = open_bytes(tmp_path, named, layout).notes
    assert notes == (f"The file names its channels; those of {tmp_path / 'l.toml'} are not used.",)


def test_arrays_are_told_by_their_first_bytes() -> None:
    """The magic bytes of an array; a zip is an archive of arrays where its first member is one."""
    array = as_npy(np.zeros(3, dtype="u1"))
    archive = as_npz(states=np.zeros(3, dtype="u1"))
    assert (sniff_npy(array), sniff_npz(array)) == (True, False)
    assert (sniff_npy(archive), sniff_npz(archive)) == (False, True)
    assert not sniff_npz(archive.replace(b"states.npy", b"states.txt"))
    assert not sniff_npz(b"PK\x03\x04")


def test_bytes_beyond_the_array_are_told(tmp_path: Path) -> None:
    """What follows the last sample is counted, rows or columns first."""
    array = np.asfortranarray(np.eye(3, dtype="u1"))
    for data in (as_npy(array), as_npy(np.ascontiguousarray(array))):
        capture = open_bytes(tmp_path, data + b"tail", sample_period=1_000).read()
        assert capture.notes[1:] == ("4 bytes after the last of 3 samples are not read.",)


@pytest.mark.parametrize("pack", [bytes, gzip.compress])
@pytest.mark.parametrize(("order", "cut", "whole"), [("C", 3, 2), ("F", 1, 2), ("F", 5, 0)])
def test_whole_rows_of_an_array_cut_short(
    order: Any, cut: int, whole: int, pack: Any, tmp_path: Path
) -> None:
    """With the columns one behind the other, a row is whole where the last column has it."""
    array = np.array([[1, 0], [0, 1], [1, 1]], dtype=">u2").astype(">u2", order=order)
    data = pack(as_npy(array)[:-cut])
    opened = open_bytes(tmp_path, data, sample_period=1_000)
    if not whole:
        with pytest.raises(CaptureError, match="after 0 of 3 samples"):
            opened.read()
        return
    allowed = open_bytes(tmp_path, data, sample_period=1_000, allow_truncated=True).read()
    assert levels_of(allowed) == {"D0": "10", "D1": "01"}
    assert allowed.notes[-1].split(": ", 1)[1] == (
        "the file ends after 2 of 3 samples; all is whole up to 1 ns, and used."
    )
    assert [len(chunk) for chunk in opened.chunks()] == [whole]
    assert isinstance(opened.cut, TruncatedError)


@pytest.mark.parametrize("order", ["C", "F"])
def test_an_array_in_a_packed_file_cut_short(order: Any, tmp_path: Path) -> None:
    """What was unpacked before the cut is read; with columns first that is no whole row."""
    array = np.random.default_rng(1).integers(0, 2, (400_000, 3), dtype="u1")
    data = gzip.compress(as_npy(np.asarray(array, order=order)))
    opened = open_bytes(tmp_path, data[: len(data) // 2], sample_period=1_000)
    if order == "F":
        with pytest.raises(CaptureError, match="after 0 of 400000 samples"):
            opened.read()
        return
    assert sum(len(chunk) for chunk in opened.chunks()) > 100_000
    assert isinstance(opened.cut, TruncatedError)


def forms(
    rows: list[int], lines: int, times: list[int] | None, drawn: st.DataObject
) -> Iterator[tuple[str, bytes]]:
    """Write the same capture in every form."""
    end = drawn.draw(st.sampled_from("<>"), "byte order")
    names = np.array([f"D{k}" for k in range(lines)])
    size = next(size for size in (1, 2, 4, 8) if 8 * size >= lines)
    numbers = np.array(rows, dtype=f"{end}u{size}")
    levels = np.array([[row >> k & 1 for k in range(lines)] for row in rows], dtype=f"{end}i2")
    tall = np.asfortranarray(levels)
    more: dict[str, Any] = {"lines": names}
    if times is None:
        more["sample_period_ps"] = 1_000
        for form, array in (("columns", levels), ("columns, Fortran", tall), ("bits", numbers)):
            yield form, as_npy(array)
    else:
        more |= {"times": np.array(times, dtype=f"{end}i8")}
        dtype = [("t_ps", f"{end}i8"), *((name, "u1") for name in names.tolist())]
        fields = [(time, *row) for time, row in zip(times, levels.tolist(), strict=True)]
        yield "structure", as_npy(np.array(fields, dtype=dtype))
    packed = drawn.draw(st.booleans(), "packed")
    for form, array in (("columns", levels), ("Fortran", tall), ("bits", numbers)):
        yield f"archive of {form}", as_npz(packed=packed, states=array, **more)


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(drawn=st.data())
def test_one_capture_in_every_form_and_block_size(drawn: st.DataObject, tmp_path: Path) -> None:
    """The capture that was saved is read back, in blocks of any size."""
    lines = drawn.draw(st.integers(1, 64), "lines")
    values = drawn.draw(st.lists(st.integers(0, 2**lines - 1), min_size=1, max_size=3), "values")
    rows = drawn.draw(st.lists(st.sampled_from(values), min_size=1, max_size=20), "rows")
    stamps = st.sets(st.integers(-(2**62), 2**62), min_size=len(rows), max_size=len(rows))
    times = drawn.draw(st.none() | stamps.map(sorted), "times")
    moments = [1_000 * at for at in range(len(rows))] if times is None else times
    kept = [at for at in range(len(rows)) if not at or rows[at] != rows[at - 1]]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(arrays, "BUFFER_BYTES", drawn.draw(st.integers(1, 200), "buffer"))
        patch.setattr(arrays, "BLOCK_ROWS", drawn.draw(st.integers(1, 30), "block"))
        for form, data in forms(rows, lines, times, drawn):
            period = 1_000 if times is None else None
            found = open_bytes(tmp_path, data, sample_period=period).read()
            assert found.times.tolist() == [moments[at] for at in kept], form
            for k in range(lines):
                wanted = [rows[at] >> k & 1 for at in kept]
                assert found.levels(f"D{k}").tolist() == wanted, (form, k)
            assert found.end == moments[-1], form
            if times is not None:
                inferred = from_levels(moments, {"any": [0] * len(moments)}).resolution
                assert (found.resolution, found.resolution_inferred) == (inferred, True), form
