"""Packed samples: the bits of a drawn layout, bytes written by hand, headers, files cut short."""

from __future__ import annotations

import gzip
import re
from fractions import Fraction
from random import Random
from typing import TYPE_CHECKING

import construct
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from busdecode.capture import Capture, Source, Told, from_levels
from busdecode.capture.samples import packed
from busdecode.capture.samples.layout import read_layout
from busdecode.capture.samples.packed import PackedFile, open_packed
from busdecode.capture.sources.unpack import kind_of
from busdecode.errors import TruncatedError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

EIGHT = 'channels = ["D[6:0]", "AS"]\norder = "msb first"\nbits = 8\nperiod = "10 ns"\n'


def open_bytes(folder: Path, layout: str, data: bytes, **told: int | bool) -> PackedFile:
    """Write layout and capture, and open them."""
    (folder / "l.toml").write_text(layout, encoding="utf-8")
    path = folder / "made.bin"
    path.write_bytes(data)
    return open_packed(
        Source(path, "made.bin"),
        Told(layout=folder / "l.toml", **told),  # type: ignore[arg-type]
    )


def assert_same_capture(found: Capture, wanted: Capture) -> None:
    """Check lines, times, levels, end and resolution."""
    assert found.lines == wanted.lines
    assert found.times.tolist() == wanted.times.tolist()
    assert found.states.tolist() == wanted.states.tolist()
    assert found.unknown is None
    assert (found.end, found.resolution) == (wanted.end, wanted.resolution)


# Bytes written by hand; the levels were worked out on paper.
BY_HAND = [
    pytest.param(
        # Byte 0xC1 is 1100 0001: bit 7 first.
        'channels = ["A", "B", "-", "-", "-", "-", "-", "C"]\norder = "msb first"\nbits = 8\n'
        'rate = "100 MHz"\n',
        b"\xc1\x40\x3e",
        {"A": "100", "B": "110", "C": "100"},
        [0, 10_000, 20_000],
        id="one byte, msb first, unused bits",
    ),
    pytest.param(
        'channels = ["A", "B", "-[4:0]", "C"]\norder = "lsb first"\nbits = 8\nrate = "100 MHz"\n',
        b"\xc1\x02",
        {"A": "10", "B": "01", "C": "10"},
        [0, 10_000],
        id="one byte, lsb first",
    ),
    pytest.param(
        # 0x8001 then 0x0002, low byte first.
        'channels = ["D[15:0]"]\norder = "msb first"\nbits = 16\nbyte_order = "little"\n'
        'rate = "1 MHz"\nfirst = "-2 us"\n',
        b"\x01\x80\x02\x00",
        {"D[15]": "10", **{f"D[{k}]": "00" for k in range(14, 1, -1)}, "D[1]": "01", "D[0]": "10"},
        [-2_000_000, -1_000_000],
        id="two bytes, little endian, before the trigger",
    ),
    pytest.param(
        'channels = ["D[15:0]"]\norder = "msb first"\nbits = 16\nbyte_order = "big"\n'
        'rate = "1 MHz"\n',
        b"\x80\x01\x00\x02",
        {"D[15]": "10", **{f"D[{k}]": "00" for k in range(14, 1, -1)}, "D[1]": "01", "D[0]": "10"},
        [0, 1_000_000],
        id="two bytes, big endian",
    ),
    pytest.param(
        # 3 bits a sample, from bit 0 up: 1, 6, 3, 5, 0 = 001 110 011 101 000.
        # Little endian number 0o05361 = 0x0AF1.
        'channels = ["A", "B", "C"]\norder = "lsb first"\nbits = 3\nbit_order = "lsb first"\n'
        'period = "1 ns"\nsamples = 5\n',
        b"\xf1\x0a",
        {"A": "10110", "B": "01100", "C": "01010"},
        [0, 1_000, 2_000, 3_000, 4_000],
        id="three bits, back to back, lsb first",
    ),
    pytest.param(
        # 12 bits: 0xABC, 0x123 from bit 7 down are the digits in reading order.
        'channels = ["A[11:0]"]\norder = "lsb first"\nbits = 12\nbit_order = "msb first"\n'
        'period = "1 ns"\n',
        b"\xab\xc1\x23",
        {f"A[{11 - k}]": f"{0xABC >> k & 1}{0x123 >> k & 1}" for k in range(12)},
        [0, 1_000],
        id="twelve bits, back to back, msb first",
    ),
    pytest.param(
        # 24 MHz is 41666.66... ps a sample.
        'channels = ["A", "-[6:0]"]\norder = "lsb first"\nbits = 8\nrate = "24 MHz"\n',
        b"\x00\x01\x00\x01",
        {"A": "0101"},
        [0, 41_667, 83_333, 125_000],
        id="a period that is no whole picosecond",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("layout", "data", "levels", "times"), BY_HAND)
def test_bytes_written_by_hand(
    layout: str, data: bytes, levels: dict[str, str], times: list[int], tmp_path: Path
) -> None:
    """Each bit comes out at its line and its time."""
    capture = open_bytes(tmp_path, layout, data).read()
    assert {name: "".join(map(str, capture.levels(name))) for name in capture.lines} == levels
    assert capture.lines == tuple(levels)
    assert capture.times.tolist() == times
    assert (capture.end, capture.resolution_inferred) == (times[-1], False)


def test_rows_that_repeat_are_dropped_also_where_unused_bits_change(tmp_path: Path) -> None:
    """The end is the last sample's time, and a bit without a name makes no row."""
    layout = 'channels = ["-[6:0]", "A"]\norder = "msb first"\nbits = 8\nperiod = "5 ns"\n'
    capture = open_bytes(tmp_path, layout, bytes([1, 3, 0x81, 0, 0xF0, 1, 1])).read()
    assert capture.times.tolist() == [0, 15_000, 25_000]
    assert capture.levels("A").tolist() == [1, 0, 1]
    assert (capture.end, capture.resolution) == (30_000, 5_000)


def test_what_was_understood(tmp_path: Path) -> None:
    """Two lines tell channels and unit, rate and samples."""
    layout = (
        'channels = ["D[15:0]", "AS", "DS", "-", "-"]\norder = "msb first"\nbits = 20\n'
        'bit_order = "lsb first"\nrate = "24 MHz"\nfirst = "-2 us"\nsamples = 2\n'
        "[header]\nbytes = 3\n"
    )
    opened = open_bytes(tmp_path, layout, b"abc" + bytes(5))
    assert opened.understood == (
        "20 bits a sample (D[15:0], AS, DS, -, -), back to back, lsb first, "
        "after a header of 3 bytes",
        "sampled at 24 MHz (41.667 ns), the first at -2 us, 2 samples",
    )
    assert opened.notes == (
        "The sample period of 24 MHz (41.667 ns) is no whole number of picoseconds: "
        "each time is rounded to 1 ps.",
    )
    assert opened.read().lines[-2:] == ("AS", "DS")


HEADED = """
channels = ["D[6:0]", "AS"]
order = "msb first"
bits = 8

[header]
bytes = 48

[[header.fields]]
name = "magic"
type = "text"
equals = "LOG1"

[[header.fields]]
name = "lines"
type = "u8"
equals = 8

[[header.fields]]
name = "mark"
type = "bytes"
equals = "00 ff"

[[header.fields]]
name = "reserved"
type = "bytes"
size = 5

[[header.fields]]
name = "rate"
type = "u24be"
gives = "rate_hz"

[[header.fields]]
name = "count"
type = "u64le"
gives = "samples"

[[header.fields]]
name = "start"
type = "i32be"
gives = "first_ps"
"""
HEADER = construct.Struct(
    "magic" / construct.Const(b"LOG1"),
    "lines" / construct.Int8ub,
    "mark" / construct.Const(b"\x00\xff"),
    construct.Padding(5),
    "rate" / construct.Int24ub,
    "count" / construct.Int64ul,
    "start" / construct.Int32sb,
    construct.Padding(48 - 27),
)


def test_a_header_gives_rate_samples_and_first_time(tmp_path: Path) -> None:
    """Fields of a header that the construct library built are read back."""
    head = HEADER.build({"lines": 8, "rate": 10_000_000, "count": 3, "start": -250_000})
    opened = open_bytes(tmp_path, HEADED, head + b"\x03\x02\x02tail")
    capture = opened.read()
    assert capture.times.tolist() == [-250_000, -150_000]
    assert capture.levels("AS").tolist() == [1, 0]
    assert capture.levels("D[0]").tolist() == [1, 1]
    assert (capture.end, capture.resolution) == (-50_000, 100_000)
    assert capture.notes == ("4 bytes after the last of 3 samples are not read.",)
    assert opened.read().notes == capture.notes


def test_a_header_gives_the_period(tmp_path: Path) -> None:
    """The period may stand in the header in ps."""
    layout = 'channels = ["-[6:0]", "A"]\norder = "msb first"\nbits = 8\n' + (
        '[[header.fields]]\nname = "step"\ntype = "u16le"\ngives = "period_ps"\n'
    )
    capture = open_bytes(tmp_path, layout, b"\xf4\x01" + b"\1\0").read()
    assert (capture.times.tolist(), capture.resolution) == ([0, 500], 500)


def test_time_stamps_before_the_samples(tmp_path: Path) -> None:
    """A stamp counts units from the first time; the resolution is inferred from the steps."""
    layout = (
        'channels = ["A", "B", "-[5:0]"]\norder = "lsb first"\nbits = 8\nbyte_order = "big"\n'
        'first = "-1 us"\n[stamp]\nbits = 16\nunit = "10 ns"\n'
    )
    data = bytes.fromhex("0000 01  0004 02  0104 03  0108 03")
    opened = open_bytes(tmp_path, layout, data)
    assert opened.understood[1] == "each after a time stamp of 16 bits in 10 ns"
    capture = opened.read()
    assert capture.times.tolist() == [-1_000_000, -960_000, 1_600_000]
    assert capture.levels("A").tolist() == [1, 0, 1]
    assert capture.levels("B").tolist() == [0, 1, 1]
    assert (capture.end, capture.resolution) == (1_640_000, 40_000)
    assert capture.resolution_inferred
    told = open_bytes(tmp_path, layout, data, sample_period=20_000).read()
    assert (told.resolution, told.resolution_inferred) == (20_000, False)


def test_the_period_told_by_the_user(tmp_path: Path) -> None:
    """A layout without a rate takes the period of the command line."""
    layout = 'channels = ["-[6:0]", "A"]\norder = "msb first"\nbits = 8\n'
    capture = open_bytes(tmp_path, layout, b"\1\0", sample_period=20_000).read()
    assert (capture.times.tolist(), capture.resolution) == ([0, 20_000], 20_000)


def test_gzip_is_unpacked(tmp_path: Path) -> None:
    """A packed file may be gzip."""
    capture = open_bytes(tmp_path, EIGHT, gzip.compress(b"\1\0")).read()
    assert capture.levels("AS").tolist() == [1, 0]


def test_narrow_samples_may_end_in_filling(tmp_path: Path) -> None:
    """Without a number of samples, those in the last byte may be none: said."""
    layout = (
        'channels = ["A", "B", "C"]\norder = "lsb first"\nbits = 3\nbit_order = "lsb first"\n'
        'period = "1 ns"\n'
    )
    capture = open_bytes(tmp_path, layout, b"\xf1\x0a").read()
    assert capture.end == 4_000
    assert capture.notes == (
        "The number of samples is not told: up to 2 at the end may be filling, "
        "since a file is whole bytes.",
    )


def test_whole_samples_of_a_file_cut_short_are_read(tmp_path: Path) -> None:
    """The rows before the cut are given; whether that is an error is for who asked."""
    layout = EIGHT.replace("8\n", '16\nbyte_order = "big"\n').replace("D[6:0]", "D[14:0]")
    opened = open_bytes(tmp_path, layout, b"\0\1\0\0\0")
    assert [len(chunk) for chunk in opened.chunks()] == [2]
    assert isinstance(opened.cut, TruncatedError)
    allowed = open_bytes(tmp_path, layout, b"\0\1\0\0\0", allow_truncated=True).read()
    assert allowed.levels("AS").tolist() == [1, 0]
    assert allowed.notes == (
        "byte 5: the file ends inside a sample, with 8 of its 16 bits, after 2 whole ones; "
        "all is whole up to 10 ns, and used.",
    )


def test_samples_in_a_packed_file_cut_short(tmp_path: Path) -> None:
    """That a file ends early is seen also where its last sample is whole."""
    data = gzip.compress(Random(1).randbytes(200_000))
    opened = open_bytes(tmp_path, EIGHT, data[:100_000])
    assert sum(len(chunk) for chunk in opened.chunks()) > 50_000
    assert isinstance(opened.cut, TruncatedError)


def write_back_to_back(values: Sequence[int], width: int, is_low_first: bool) -> bytes:
    """Pack numbers bit by bit, as one long number."""
    octets = -(-len(values) * width // 8)
    number = 0
    for at, value in enumerate(values):
        shift = at * width if is_low_first else 8 * octets - (at + 1) * width
        number |= value << shift
    return number.to_bytes(octets, "little" if is_low_first else "big")


@settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(drawn=st.data())
def test_what_was_packed_is_read_back(drawn: st.DataObject, tmp_path: Path) -> None:
    """Any layout, any block size: the capture that was packed."""
    bits = drawn.draw(st.sampled_from([1, 8, 16, 32, 64, 128]) | st.integers(1, 128), "bits")
    stamp = drawn.draw(st.sampled_from([0, 0, 8, 24, 32]) | st.integers(6, 63), "stamp")
    used = drawn.draw(st.sets(st.integers(0, bits - 1), min_size=1), "used bits")
    is_msb_first = drawn.draw(st.booleans(), "msb first")
    is_low_first = drawn.draw(st.booleans(), "low first")
    # Few values, so that samples repeat.
    values = drawn.draw(st.lists(st.integers(0, 2**bits - 1), min_size=1, max_size=4), "values")
    samples = drawn.draw(st.lists(st.sampled_from(values), min_size=1, max_size=40), "samples")
    stamps = sorted(
        drawn.draw(
            st.sets(st.integers(0, min(2**stamp, 2**40) - 1), min_size=1, max_size=len(samples)),
            "stamps",
        )
    )
    samples = samples[: len(stamps)] if stamp else samples
    rate = drawn.draw(st.sampled_from([100_000_000, 24_000_000, 333_333_333, 7]), "rate")
    first = drawn.draw(st.integers(-(10**9), 10**9), "first")
    header = drawn.draw(st.binary(max_size=20), "header")

    places = range(bits - 1, -1, -1) if is_msb_first else range(bits)
    names = [f"L{at}" if at in used else "-" for at in places]
    width = stamp + bits
    if bits % 8 == 0 and stamp % 8 == 0:
        order = "little" if is_low_first else "big"
        said = f'byte_order = "{order}"'
        data = b"".join(
            (stamps[at].to_bytes(stamp // 8, order) if stamp else b"")
            + sample.to_bytes(bits // 8, order)
            for at, sample in enumerate(samples)
        )
    else:
        said = f'bit_order = "{"lsb" if is_low_first else "msb"} first"'
        records = samples
        if stamp and is_low_first:
            records = [t | s << stamp for t, s in zip(stamps, samples, strict=False)]
        elif stamp:
            records = [t << bits | s for t, s in zip(stamps, samples, strict=False)]
        data = write_back_to_back(records, width, is_low_first)
    layout = (
        f'channels = {names}\norder = "{"msb" if is_msb_first else "lsb"} first"\nbits = {bits}\n'
        f'{said}\nfirst = "{first} ps"\nsamples = {len(samples)}\n'
        + ("" if stamp else f'rate = "{rate} Hz"\n')
        + f"[header]\nbytes = {len(header)}\n"
        + (f'[stamp]\nbits = {stamp}\nunit = "5 ns"\n' if stamp else "")
    )

    period = Fraction(10**12, rate)
    rounded = [first + int(at * period + Fraction(1, 2)) for at in range(len(samples))]
    times = [first + 5_000 * each for each in stamps[: len(samples)]] if stamp else rounded
    shown = [at for at in places if at in used]
    levels = [[sample >> at & 1 for at in shown] for sample in samples]
    kept = [row for row in range(len(samples)) if not row or levels[row] != levels[row - 1]]
    wanted = from_levels(
        [times[row] for row in kept],
        {f"L{at}": [levels[row][k] for row in kept] for k, at in enumerate(shown)},
        None if stamp else round(period),
        end=times[-1],
    )
    assume(kind_of(header + data) == "plain")  # its first bytes may be those of a packed file
    whole = open_bytes(tmp_path, layout, header + data).read()
    if stamp:
        steps = from_levels(times, {"any": [0] * len(times)})
        assert whole.resolution == steps.resolution
        assert whole.times.tolist() == wanted.times.tolist()
        assert (whole.states.tolist(), whole.end) == (wanted.states.tolist(), wanted.end)
    else:
        assert_same_capture(whole, wanted)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(packed, "BUFFER_BYTES", drawn.draw(st.integers(1, 60), "buffer"))
        patch.setattr(packed, "BLOCK_ROWS", drawn.draw(st.integers(1, 9), "block"))
        assert_same_capture(open_bytes(tmp_path, layout, header + data).read(), whole)


def test_the_layouts_of_the_page_can_be_read(checkout: Path, tmp_path: Path) -> None:
    """Every TOML block of the page on packed samples is a whole layout."""
    page = (checkout / "docs" / "captures.md").read_text(encoding="utf-8")
    packed_part, arrays_part = page.split("\n## Packed samples\n")[1].split("\n## NumPy files\n")
    blocks = re.compile(r"^```toml\n(.*?)^```", re.MULTILINE | re.DOTALL)
    found = []
    for part, is_packed in ((packed_part, True), (arrays_part, False)):
        for block in blocks.findall(part):
            (tmp_path / "l.toml").write_text(block, encoding="utf-8")
            found.append(read_layout(tmp_path / "l.toml", is_packed=is_packed))
    assert [layout.header.size for layout in found] == [0, 512, 64, 0, 0]
    first = dict(zip(found[0].lines, found[0].places, strict=True))
    assert (first["A[3]"], first["R/W"], found[0].first) == (15, 2, -2_000_000)


@pytest.mark.parametrize(("order", "data"), [("msb", "AB C1 23"), ("lsb", "BC 3A 12")])
def test_the_table_of_the_page_on_samples_back_to_back(
    order: str, data: str, tmp_path: Path
) -> None:
    """The samples ABC and 123 lie as the page shows them."""
    layout = (
        f'channels = ["D[11:0]"]\norder = "msb first"\nbits = 12\nbit_order = "{order} first"\n'
        'period = "1 ns"\n'
    )
    capture = open_bytes(tmp_path, layout, bytes.fromhex(data)).read()
    assert capture.select([f"D[{k}]" for k in range(12)]).states.tolist() == [[0xABC], [0x123]]
