"""Tables of mistakes in NumPy arrays, with their messages whole."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from busdecode.capture import Source, Told
from busdecode.capture.samples.arrays import open_array
from busdecode.errors import CaptureError, RequestError, TruncatedError

if TYPE_CHECKING:
    from busdecode.capture import CaptureFile


@pytest.fixture(autouse=True)
def _in_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def saved(array: Any) -> bytes:
    """Give the bytes of a .npy file, or of a .npz file for a dict; bytes stay as they are."""
    if isinstance(array, bytes):
        return array
    stream = io.BytesIO()
    if isinstance(array, dict):
        np.savez(stream, **array)
    else:
        np.save(stream, array)
    return stream.getvalue()


def opened_array(array: Any, *, layout: str | None = None, **told: Any) -> CaptureFile:
    """Write an array and open it."""
    Path("m.npy").write_bytes(saved(array))
    if layout is not None:
        Path("l.toml").write_text(layout, encoding="utf-8")
        told["layout"] = Path("l.toml")
    return open_array(Source(Path("m.npy"), "m.npy"), Told(**told))


def fields(*rows: tuple[int, ...], **types: str) -> Any:
    """Make an array of a structure."""
    return np.array(list(rows), dtype=list(types.items()))


WORDS = np.array([1, 2, 3], dtype="u2")
TEN = {"sample_period": 10_000}
FIVE = {"sample_period_ps": 5}
NAMES = 'channels = ["A[15:0]"]\norder = "lsb first"\n'

ARRAY_MISTAKES = [
    (
        np.array([1, 2]),
        {},
        CaptureError,
        "m.npy: byte 0: the array holds int64\n"
        "  expected: unsigned integers: bit k is channel k\n"
        "  do:       convert it before it is saved, such as array.astype(numpy.uint16)",
    ),
    (
        np.array([1.5, 2]),
        {},
        CaptureError,
        "m.npy: byte 0: the array holds float64\n"
        "  expected: unsigned integers: bit k is channel k\n"
        "  do:       convert it before it is saved, such as array.astype(numpy.uint16)",
    ),
    (
        np.zeros((2, 2, 2), "u1"),
        {},
        CaptureError,
        "m.npy: byte 0: the array has shape (2, 2, 2) of uint8\n"
        "  expected: shape (samples,) of unsigned integers or of a structure, or shape "
        "(samples, channels) of 0 and 1\n"
        "  do:       reshape it before it is saved",
    ),
    (
        np.uint8(3),
        {},
        CaptureError,
        "m.npy: byte 0: the array has shape () of uint8\n"
        "  expected: shape (samples,) of unsigned integers or of a structure, or shape "
        "(samples, channels) of 0 and 1\n"
        "  do:       reshape it before it is saved",
    ),
    (
        np.zeros((2, 3000), "u1"),
        {},
        CaptureError,
        "m.npy: byte 0: the array has 3000 channels\n"
        "  expected: shape (samples, channels) with 1 to 1024 channels\n"
        "  do:       turn it round before it is saved: array.T",
    ),
    (
        np.zeros((2, 0), "u1"),
        {},
        CaptureError,
        "m.npy: byte 0: the array has 0 channels\n"
        "  expected: shape (samples, channels) with 1 to 1024 channels\n"
        "  do:       turn it round before it is saved: array.T",
    ),
    (
        np.zeros((2, 2)),
        {},
        CaptureError,
        "m.npy: byte 0: the array holds float64\n"
        "  expected: truth values, or integers 0 and 1\n"
        "  do:       convert it before it is saved: array.astype(bool)",
    ),
    (
        fields((1, 2), a="u1", b="f4"),
        {},
        CaptureError,
        "m.npy: field b: the field holds float32\n"
        "  expected: truth values, or integers 0 and 1\n"
        "  do:       convert the field before it is saved",
    ),
    (
        fields((1, 2), t="u1", time="f4"),
        {},
        CaptureError,
        "m.npy: 2 fields may be the time: t, time\n"
        "  expected: one field of times\n"
        "  do:       name it with --time-column",
    ),
    (
        fields((1,), t="u1"),
        {},
        CaptureError,
        "m.npy: the array has no field of levels\n"
        "  expected: one field a line beside the time\n"
        "  do:       save it again with the lines",
    ),
    (
        fields((1, 2), t="u1", b="?"),
        {},
        CaptureError,
        "m.npy: field t: the times have no unit\n"
        "  expected: a unit in the name, such as t_ns\n"
        "  do:       tell it with --time-unit",
    ),
    (
        fields((1, 2), t_ns="f4", b="?"),
        {},
        CaptureError,
        "m.npy: field t_ns: the times are float32\n"
        "  expected: integers, or timedelta64 in s, ms, us, ns or ps\n"
        "  do:       convert them before they are saved, such as numpy.rint(times * "
        "1e12).astype(numpy.int64) for seconds to ps",
    ),
    (
        fields((1, 2), t_ns="u1", b="?"),
        {"time_unit": "us"},
        RequestError,
        "m.npy: the file tells times in ns, --time-unit in us\n"
        "  expected: one unit\n"
        "  do:       leave --time-unit out",
    ),
    (
        fields((1, 2), when="u1", b="?"),
        {"time_column": "whne"},
        RequestError,
        "m.npy: the array has no field called 'whne'\n"
        "  expected: one of when, b\n"
        "  do:       did you mean when?",
    ),
    (
        WORDS,
        {"time_column": "t"},
        RequestError,
        "m.npy: the array has no field called 't'\n"
        "  expected: an array of a structure, for a field of times",
    ),
    (
        fields((1, 1), (1, 0), t_ns="u1", b="?"),
        {},
        CaptureError,
        "m.npy: byte 130: the times do not rise: 1 after 1 (row 1)\n"
        "  expected: a later time in each row\n"
        "  do:       save the array again, sorted by time, in its true unit",
    ),
    (
        fields((1, 1), (2**63, 0), t_ns="u8", b="?"),
        {},
        CaptureError,
        "m.npy: byte 137: the time 9223372036854775808 does not fit into 64 bits of "
        "picoseconds (row 1)\n"
        "  expected: 9223372036854775 at most\n"
        "  do:       save the array again, sorted by time, in its true unit",
    ),
    (
        fields((1, 1), (2, 3), t_ns="u8", b="i1"),
        {},
        CaptureError,
        "m.npy: byte 137: a level must be 0 or 1, not 3 (row 1, field b)\n"
        "  expected: truth values, or integers 0 and 1\n"
        "  do:       convert the array before it is saved, such as array.astype(bool)",
    ),
    (
        np.array([[0, 1], [1, 2]], "i4"),
        TEN,
        CaptureError,
        "m.npy: byte 140: a level must be 0 or 1, not 2 (row 1, column 1)\n"
        "  expected: truth values, or integers 0 and 1\n"
        "  do:       convert the array before it is saved, such as array.astype(bool)",
    ),
    (
        np.array([[0, 1], [1, 2]], "i4", order="F"),
        TEN,
        CaptureError,
        "m.npy: byte 140: a level must be 0 or 1, not 2 (row 1, column 1)\n"
        "  expected: truth values, or integers 0 and 1\n"
        "  do:       convert the array before it is saved, such as array.astype(bool)",
    ),
    (
        WORDS,
        {},
        CaptureError,
        "m.npy: the samples have no times, and their period is not known\n"
        "  expected: the sample period of the instrument\n"
        "  do:       tell it with --sample-period, such as --sample-period 10ns",
    ),
    (
        WORDS,
        {"layout": NAMES.replace("15", "7") + 'period = "1 ns"\n'},
        CaptureError,
        "l.toml: channels: the channels are 8, but the array has 16 bits\n"
        '  expected: one entry for each bit; "-" for one not used\n'
        "  do:       add or take out entries",
    ),
    (
        WORDS,
        {"layout": NAMES + 'period = "1 ns"\n', **TEN},
        RequestError,
        "m.npy: the layout tells a sample period of 1 ns, --sample-period one of 10 ns\n"
        "  expected: one sample period\n"
        "  do:       take the wrong one out",
    ),
    (
        WORDS,
        {"layout": NAMES + "bits = 16\n[header]\nbytes = 4\n", **TEN},
        CaptureError,
        "l.toml:3: bits: bits is for packed samples; an array file tells it itself\n"
        "  3 | bits = 16\n"
        "  expected: channels, order, rate or period, first\n"
        "  do:       take it out\n"
        "l.toml:4: header: header is for packed samples; an array file tells it itself\n"
        "  4 | [header]\n"
        "  expected: channels, order, rate or period, first\n"
        "  do:       take it out",
    ),
    (
        saved(WORDS)[:-1],
        TEN,
        TruncatedError,
        "m.npy: byte 133: the file ends after 2 of 3 samples; all is whole up to 10 ns\n"
        "  expected: 3 samples, as the header of the array tells\n"
        "  do:       save the array again, or give --allow-truncated",
    ),
    (
        saved(WORDS)[:-6],
        TEN,
        CaptureError,
        "m.npy: byte 128: the file ends after 0 of 3 samples\n"
        "  expected: 3 samples, as the header of the array tells\n"
        "  do:       save the array again",
    ),
    (
        saved(WORDS)[:-60],
        TEN,
        CaptureError,
        "m.npy: the array ends inside its header\n"
        "  expected: a whole header\n"
        "  do:       save the array again with numpy.save",
    ),
    (
        b"\x93NUMPY\4\0" + bytes(20),
        {},
        CaptureError,
        "m.npy: the array has format version 4.0\n"
        "  expected: version 1.0, 2.0 or 3.0\n"
        "  do:       save the array again with numpy.save",
    ),
    (
        b"\x93NUMPY\1\0\5\0" + b"{'a':",
        {},
        CaptureError,
        "m.npy: the header of the array cannot be read: \"{'a':\"\n"
        "  expected: a dict of descr, fortran_order and shape\n"
        "  do:       save the array again with numpy.save",
    ),
    (
        {"a": WORDS, "b": WORDS},
        {},
        CaptureError,
        "m.npy: no member is called states; the members are a, b\n"
        "  expected: states, and if wanted times, time_unit, lines and sample_period_ps\n"
        "  do:       save the levels as states: numpy.savez(file, states=...)",
    ),
    (
        {"states": WORDS, "lines": ["a", "b", "a"], **FIVE},
        {},
        CaptureError,
        "m.npy: lines: 'a' is named twice\n"
        "  expected: one text for each bit of states, every name once\n"
        "  do:       save the names again: numpy.array(['AS', ...])",
    ),
    (
        {"states": WORDS, "lines": ["a", ""], **FIVE},
        {},
        CaptureError,
        "m.npy: lines: a name is empty\n"
        "  expected: one text for each bit of states, every name once\n"
        "  do:       save the names again: numpy.array(['AS', ...])",
    ),
    (
        {"states": WORDS, "lines": list("abcdefghijklmnopq"), **FIVE},
        {},
        CaptureError,
        "m.npy: lines: there are 16 bits, but 17 in lines\n"
        "  expected: one text for each bit of states, every name once\n"
        "  do:       save the names again: numpy.array(['AS', ...])",
    ),
    (
        {"states": np.zeros((2, 2), "u1"), "lines": ["a"], **FIVE},
        {},
        CaptureError,
        "m.npy: lines: there are 2 columns, but 1 in lines\n"
        "  expected: one text for each column of states, every name once\n"
        "  do:       save the names again: numpy.array(['AS', ...])",
    ),
    (
        {"states": WORDS, "lines": [1], **FIVE},
        {},
        CaptureError,
        "m.npy: lines: the names are int64 of shape (1,)\n"
        "  expected: one text for each bit of states, every name once\n"
        "  do:       save the names again: numpy.array(['AS', ...])",
    ),
    (
        {"states": WORDS, "lines": np.zeros((2, 2), "U1"), **FIVE},
        {},
        CaptureError,
        "m.npy: lines: lines has shape (2, 2)\n"
        "  expected: one value, or one a channel\n"
        "  do:       save the array again with numpy.save",
    ),
    (
        {"states": WORDS, "sample_period_ps": 0},
        {},
        CaptureError,
        "m.npy: sample_period_ps: the sample period must be a whole number of "
        "picoseconds, not 0\n"
        "  expected: one integer from 1 on\n"
        "  do:       save it again, such as sample_period_ps=10_000",
    ),
    (
        {"states": WORDS, "sample_period_ps": 1.5},
        {},
        CaptureError,
        "m.npy: sample_period_ps: the sample period must be a whole number of "
        "picoseconds, not 1.5\n"
        "  expected: one integer from 1 on\n"
        "  do:       save it again, such as sample_period_ps=10_000",
    ),
    (
        {"states": WORDS, "sample_period_ps": [1, 2]},
        {},
        CaptureError,
        "m.npy: sample_period_ps: the sample period must be a whole number of "
        "picoseconds, not 2 values\n"
        "  expected: one integer from 1 on\n"
        "  do:       save it again, such as sample_period_ps=10_000",
    ),
    (
        {"states": WORDS, **FIVE},
        TEN,
        RequestError,
        "m.npy: the file tells a sample period of 5 ps, --sample-period one of 10 ns\n"
        "  expected: one sample period\n"
        "  do:       take the wrong one out",
    ),
    (
        {"states": WORDS, "times": [1, 2]},
        {},
        CaptureError,
        "m.npy: times: times has shape (2,), states (3,)\n"
        "  expected: one time for each row of levels\n"
        "  do:       save both again",
    ),
    (
        {"states": WORDS, "times": [1.0, 2, 3]},
        {},
        CaptureError,
        "m.npy: times: the times are float64\n"
        "  expected: integers, or timedelta64 in s, ms, us, ns or ps\n"
        "  do:       convert them before they are saved, such as numpy.rint(times * "
        "1e12).astype(numpy.int64) for seconds to ps",
    ),
    (
        {"states": WORDS, "times": [1, 2, 3], "time_unit": "fs"},
        {},
        CaptureError,
        "m.npy: time_unit: the unit of the times must be one of s, ms, us, ns, ps, not "
        "'fs'\n"
        "  do:       save it again, such as time_unit='ns'",
    ),
    (
        {"states": WORDS, "times": [1, 3, 2]},
        {},
        CaptureError,
        "m.npy: times: the times do not rise: 2 after 3 (row 2)\n"
        "  expected: a later time in each row\n"
        "  do:       save the array again, sorted by time, in its true unit",
    ),
    (
        {"states": WORDS, "times": [1, 2, 3], "time_unit": "ns"},
        {"time_unit": "us"},
        RequestError,
        "m.npy: the file tells times in ns, --time-unit in us\n"
        "  expected: one unit\n"
        "  do:       leave --time-unit out",
    ),
    (
        {"states": WORDS},
        {},
        CaptureError,
        "m.npy: the samples have no times, and their period is not known\n"
        "  expected: the sample period of the instrument\n"
        "  do:       tell it with --sample-period, such as --sample-period 10ns",
    ),
    (
        {"states": WORDS, "times": [1, 2, 3]},
        {"layout": NAMES + 'first = "1 ns"\n'},
        CaptureError,
        "l.toml: first: the array has times of its own\n"
        "  expected: a time of the first sample for arrays without times\n"
        "  do:       take it out",
    ),
    (
        {"states": WORDS, **FIVE},
        {"unpack_limit": 10},
        CaptureError,
        "m.npy: states: the member expands to 134 bytes\n"
        "  expected: 10 bytes at most\n"
        "  do:       raise the limit if you trust the file",
    ),
    (
        b"no array at all",
        TEN,
        CaptureError,
        "m.npy: the archive cannot be read: file is not a zip file\n"
        "  expected: a whole .npz file, as numpy.savez writes it\n"
        "  do:       copy or save the file again; it looks cut short",
    ),
    (
        np.zeros(0, "u1"),
        TEN,
        CaptureError,
        "m.npy: the file holds no row of levels\n"
        "  expected: at least one time with the levels of the lines\n"
        "  do:       export the capture again, with its samples",
    ),
]


@pytest.mark.parametrize(("array", "told", "error", "message"), ARRAY_MISTAKES)
def test_arrays_that_are_of_no_use(
    array: Any, told: dict[str, Any], error: type[Exception], message: str
) -> None:
    """Shape, type, members, times and names of an array must fit."""
    with pytest.raises(error) as caught:
        opened_array(array, **told).read()
    assert type(caught.value) is error
    assert str(caught.value) == message


def test_an_array_of_objects_is_never_loaded() -> None:
    """Loading it could run code that stands in it."""
    stream = io.BytesIO()
    np.save(stream, np.array([1, "a", None], dtype=object), allow_pickle=True)
    with pytest.raises(CaptureError) as caught:
        opened_array(stream.getvalue())
    assert str(caught.value) == (
        "m.npy: the array holds Python objects, which are never loaded\n"
        "  expected: an array of numbers or truth values\n"
        "  do:       convert it with astype before it is saved"
    )


def test_a_member_that_is_damaged() -> None:
    """The check sum of the archive shows it."""
    data = saved({"states": WORDS, **FIVE})
    at = data.index(b"\1\0\2\0\3\0")
    with pytest.raises(CaptureError) as caught:
        opened_array(data[:at] + b"\7" + data[at + 1 :]).read()
    assert str(caught.value) == (
        "m.npy: states: the member is damaged: Bad CRC-32 for file 'states.npy'\n"
        "  expected: a whole .npz file\n"
        "  do:       copy or save the file again"
    )
