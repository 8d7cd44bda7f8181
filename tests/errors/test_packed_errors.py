"""Tables of mistakes in layouts and in packed samples, with their messages whole."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from busdecode.capture import Source, Told
from busdecode.capture.samples.packed import open_packed
from busdecode.errors import CaptureError, RequestError, TruncatedError

if TYPE_CHECKING:
    from busdecode.capture import CaptureFile

EIGHT = 'channels = ["D[6:0]", "AS"]\norder = "msb first"\nbits = 8\nperiod = "10 ns"\n'
SIXTEEN = EIGHT.replace("D[6:0]", "D[14:0]").replace("8\n", '16\nbyte_order = "big"\n')
STAMPED = EIGHT + '[stamp]\nbits = 8\nunit = "1 ns"\n'
WIDE_STAMPED = EIGHT.replace('"\nbits', '"\nbyte_order = "big"\nbits') + (
    '[stamp]\nbits = 56\nunit = "1 us"\n'
)
NO_RATE = EIGHT.replace('period = "10 ns"\n', "")
HEADED = (
    EIGHT + "[header]\nbytes = 8\n"
    '[[header.fields]]\nname = "magic"\ntype = "text"\nequals = "LOG1"\n'
    '[[header.fields]]\nname = "mark"\ntype = "bytes"\nequals = "89 0a"\n'
    '[[header.fields]]\nname = "count"\ntype = "u8"\ngives = "samples"\n'
)


@pytest.fixture(autouse=True)
def _in_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def packed(layout: str | bytes, data: bytes = b"\1\0", **told: Any) -> CaptureFile:
    """Write layout and samples and open them."""
    Path("l.toml").write_bytes(layout if isinstance(layout, bytes) else layout.encode())
    Path("m.bin").write_bytes(data)
    return open_packed(Source(Path("m.bin"), "m.bin"), Told(layout=Path("l.toml"), **told))


LAYOUT_MISTAKES = [
    (
        "bits = 8\n",
        "l.toml: channels: this key is missing\n"
        "  do:       see docs/captures.md\n"
        "l.toml: order: this key is missing\n"
        "  do:       see docs/captures.md",
    ),
    (
        'channels = "D[7:0]"\norder = "msb"\nbits = 0\n',
        "l.toml:1: channels: must be a list in [ ], not 'D[7:0]'\n"
        '  1 | channels = "D[7:0]"\n'
        "l.toml:2: order: found 'msb'\n"
        '  2 | order = "msb"\n'
        "  expected: 'msb first' or 'lsb first'\n"
        "l.toml:3: bits: must be from 1 to 128, not 0\n"
        "  3 | bits = 0",
    ),
    (
        'chanels = ["A", ""]\n'
        'channels = ["A", ""]\n'
        'order = "mbs first"\n'
        'bits = "8"\n'
        'rate = "100 MB"\n'
        'period = "10"\n'
        'first = "now"\n'
        "samples = 0\n"
        'byte_order = "litle"\n',
        "l.toml:1: chanels: no key of this name is known here\n"
        '  1 | chanels = ["A", ""]\n'
        "  do:       did you mean channels?\n"
        "l.toml:2: channels[1]: a channel must have a name\n"
        '  2 | channels = ["A", ""]\n'
        '  expected: such as "AS", "D[15:0]", or "-"\n'
        "l.toml:3: order: found 'mbs first'\n"
        '  3 | order = "mbs first"\n'
        "  expected: 'msb first' or 'lsb first'\n"
        "  do:       did you mean msb first?\n"
        "l.toml:4: bits: must be a whole number, not '8'\n"
        '  4 | bits = "8"\n'
        "l.toml:5: rate: a rate must be a number and one of Hz, kHz, MHz, GHz, not '100 "
        "MB'\n"
        '  5 | rate = "100 MB"\n'
        '  expected: such as "100 MHz"\n'
        "l.toml:6: period: a time must be a number and one of s, ms, us, ns, ps, not '10'\n"
        '  6 | period = "10"\n'
        '  expected: such as "10 ns"\n'
        "l.toml:7: first: a time must be a number and one of s, ms, us, ns, ps, not 'now'\n"
        '  7 | first = "now"\n'
        '  expected: such as "10 ns"\n'
        "l.toml:8: samples: must be 1 or more, not 0\n"
        "  8 | samples = 0\n"
        "l.toml:9: byte_order: found 'litle'\n"
        '  9 | byte_order = "litle"\n'
        "  expected: 'little' or 'big'\n"
        "  do:       did you mean little?",
    ),
    (
        'channels = ["D[15:0]", "AS", "D[3]"]\n'
        'order = "msb first"\n'
        "bits = 16\n"
        'rate = "1 MHz"\n'
        'period = "1 us"\n',
        "l.toml: byte_order: the byte order of samples of 16 bits is not told\n"
        '  expected: byte_order = "little" or "big"\n'
        "l.toml:1: channels: 'D[3]' is named 2 times\n"
        '  1 | channels = ["D[15:0]", "AS", "D[3]"]\n'
        "  expected: every name once\n"
        "l.toml:1: channels: the channels are 18, but a sample has 16 bits\n"
        '  1 | channels = ["D[15:0]", "AS", "D[3]"]\n'
        '  expected: one entry for each bit; "-" for one not used\n'
        "l.toml:5: period: rate and period are both told\n"
        '  5 | period = "1 us"\n'
        "  expected: one of them\n"
        "  do:       take one out",
    ),
    (
        'channels = ["-[6:0]", "-"]\n'
        'order = "msb first"\n'
        "bits = 8\n"
        'bit_order = "lsb first"\n'
        'period = "1 us"\n',
        "l.toml:1: channels: no channel is named\n"
        '  1 | channels = ["-[6:0]", "-"]\n'
        '  expected: a name such as "D[15:0]"\n'
        "l.toml:4: bit_order: samples of 8 bits are whole bytes: their bits have no "
        "order of their own\n"
        '  4 | bit_order = "lsb first"\n'
        "  do:       take it out",
    ),
    (
        'channels = ["A[11:0]"]\n'
        'order = "msb first"\n'
        "bits = 12\n"
        'byte_order = "big"\n'
        'period = "2000 s"\n',
        "l.toml: bit_order: samples of 12 bits are packed back to back; their bit order "
        "is not told\n"
        '  expected: bit_order = "lsb first" or "msb first"\n'
        "l.toml:4: byte_order: samples of 12 bits are no whole bytes: they are packed "
        "back to back, bit by bit\n"
        '  4 | byte_order = "big"\n'
        "  do:       write bit_order instead\n"
        "l.toml:5: period: must lie between 1 ps and 1000 s, not '2000 s'\n"
        '  5 | period = "2000 s"\n'
        '  expected: such as "10 ns"',
    ),
    (
        'channels = ["A"]\norder = "msb first"\nbits = 1\nperiod = "1 ns"\n',
        "l.toml: bit_order: samples of 1 bit are packed back to back; their bit order is "
        "not told\n"
        '  expected: bit_order = "lsb first" or "msb first"',
    ),
    (
        'channels = ["A[7:0]"]\n'
        'order = "msb first"\n'
        'rate = "0 Hz"\n'
        "[stamp]\n"
        "bits = 64\n"
        'unit = "1 fs"\n'
        "[header]\n"
        "bytes = -1\n",
        "l.toml: bits: this key is missing\n"
        "  expected: bits of one sample, such as bits = 16\n"
        "l.toml:3: rate: a rate must lie between 0.001 Hz and 1000 GHz, not '0 Hz'\n"
        '  3 | rate = "0 Hz"\n'
        '  expected: such as "100 MHz"\n'
        "l.toml:5: stamp.bits: must be from 1 to 63, not 64\n"
        "  5 | bits = 64\n"
        "l.toml:6: stamp.unit: a time must be a number and one of s, ms, us, ns, ps, not "
        "'1 fs'\n"
        '  6 | unit = "1 fs"\n'
        '  expected: such as "10 ns"\n'
        "l.toml:8: header.bytes: must be from 0 to 1099511627776, not -1\n"
        "  8 | bytes = -1",
    ),
    (
        EIGHT + '[[header.fields]]\nname = "Magic"\ntype = "u32"\n',
        "l.toml:6: header.fields[0].name: must be lower-case letters, digits and _, with "
        "a letter first, not 'Magic'\n"
        '  6 | name = "Magic"\n'
        "l.toml:7: header.fields[0].type: found 'u32'\n"
        '  7 | type = "u32"\n'
        "  expected: 'u8', 'u16le', 'u16be', 'u24le', 'u24be', 'u32le', 'u32be', "
        "'u64le', 'u64be', 'i8', 'i16le', 'i16be', 'i24le', 'i24be', 'i32le', 'i32be', "
        "'i64le', 'i64be', 'bytes' or 'text'\n"
        "  do:       did you mean u32le?",
    ),
    (
        EIGHT + "[[header.fields]]\n"
        'name = "x"\n'
        'type = "bytes"\n'
        "[[header.fields]]\n"
        'name = "y"\n'
        'type = "u8"\n'
        "size = 2\n"
        "[[header.fields]]\n"
        'name = "z"\n'
        'type = "text"\n'
        "size = 3\n"
        'equals = "LOG1"\n'
        "[[header.fields]]\n"
        'name = "v"\n'
        'type = "bytes"\n'
        'equals = "4G"\n',
        "l.toml:5: header.fields[0]: the size of bytes is not told\n"
        "  5 | [[header.fields]]\n"
        "  expected: size = bytes, or equals\n"
        "l.toml:8: header.fields[1]: u8 has a size of 1, not 2\n"
        "  8 | [[header.fields]]\n"
        "  expected: no size\n"
        "l.toml:12: header.fields[2]: equals has 4 bytes, but size is 3\n"
        "  12 | [[header.fields]]\n"
        "  expected: the same\n"
        "l.toml:17: header.fields[3]: equals does not fit bytes: '4G'\n"
        "  17 | [[header.fields]]\n"
        '  expected: "89 4C 47"',
    ),
    (
        EIGHT + "[[header.fields]]\n"
        'name = "w"\n'
        'type = "u8"\n'
        'equals = "4"\n'
        "[[header.fields]]\n"
        'name = "s"\n'
        'type = "bytes"\n'
        "size = 4\n"
        'gives = "samples"\n'
        "[[header.fields]]\n"
        'name = "q"\n'
        'type = "u8"\n'
        "equals = 1.5\n"
        'gives = "rate"\n',
        "l.toml:5: header.fields[0]: equals must be a number for u8, not '4'\n"
        "  5 | [[header.fields]]\n"
        "l.toml:9: header.fields[1]: bytes gives no number\n"
        "  9 | [[header.fields]]\n"
        "  expected: gives only with a number, such as u32le\n"
        "l.toml:17: header.fields[2].equals: must be a whole number or text in quotes, "
        "not 1.5\n"
        "  17 | equals = 1.5\n"
        "l.toml:18: header.fields[2].gives: found 'rate'\n"
        '  18 | gives = "rate"\n'
        "  expected: 'samples', 'rate_hz', 'period_ps' or 'first_ps'\n"
        "  do:       did you mean rate_hz?",
    ),
    (
        EIGHT + "[header]\n"
        "bytes = 3\n"
        "[[header.fields]]\n"
        'name = "a"\n'
        'type = "u16le"\n'
        'gives = "rate_hz"\n'
        "[[header.fields]]\n"
        'name = "a"\n'
        'type = "u16le"\n'
        'gives = "samples"\n'
        "[[header.fields]]\n"
        'name = "c"\n'
        'type = "u16le"\n'
        'gives = "samples"\n',
        "l.toml:6: header.bytes: the header has 3 bytes, but its fields 6\n"
        "  6 | bytes = 3\n"
        "  expected: 6 or more\n"
        "l.toml:10: header.fields[0].gives: another key tells the rate too\n"
        '  10 | gives = "rate_hz"\n'
        "  expected: each fact once\n"
        "  do:       take one out\n"
        "l.toml:12: header.fields[1].name: 'a' is named twice\n"
        '  12 | name = "a"\n'
        "  expected: every name once\n"
        "l.toml:18: header.fields[2].gives: another key tells the samples too\n"
        '  18 | gives = "samples"\n'
        "  expected: each fact once\n"
        "  do:       take one out",
    ),
    (
        EIGHT + '[stamp]\nbits = 12\nunit = "1 ns"\n',
        "l.toml: bit_order: records of 12 + 8 bits are packed back to back; their bit "
        "order is not told\n"
        '  expected: bit_order = "lsb first" or "msb first"',
    ),
    (
        EIGHT + "stamp = 3\nheader = []\n",
        "l.toml:5: stamp: must be a table, not 3\n"
        "  5 | stamp = 3\n"
        "l.toml:6: header: must be a table, not []\n"
        "  6 | header = []",
    ),
    (
        EIGHT + "bits = = 3\n",
        "l.toml:5:8: this is not TOML: unreadable value\n"
        "  5 | bits = = 3\n"
        "    |        ^\n"
        '  expected: a row such as bits = 16, or order = "msb first"\n'
        "  do:       correct the row",
    ),
    (
        b"\xff\0",
        "l.toml: byte 0: the byte 0xff is not UTF-8\n"
        "  expected: a layout in TOML\n"
        "  do:       name the layout with --layout, not the capture",
    ),
    (
        NO_RATE,
        "l.toml: the layout tells neither the rate nor the period of the samples\n"
        '  expected: rate = "100 MHz", period = "10 ns", or a header field that gives it\n'
        "  do:       add it, or tell it with --sample-period",
    ),
]

PACKED_MISTAKES = [
    (
        HEADED,
        b"LOG2aaaa",
        CaptureError,
        "m.bin: byte 0: the header field magic must be 'LOG1', not 'LOG2'\n"
        "  expected: a file that the layout was written for\n"
        "  do:       check that the layout fits this file",
    ),
    (
        HEADED,
        b"LOG1ab\1\0",
        CaptureError,
        "m.bin: byte 4: the header field mark must be 89 0a, not 61 62\n"
        "  expected: a file that the layout was written for\n"
        "  do:       check that the layout fits this file",
    ),
    (
        HEADED,
        b"LOG1\x89\n\0\0",
        CaptureError,
        "m.bin: byte 6: the header field count gives samples 0\n"
        "  expected: one sample or more\n"
        "  do:       check that the layout fits this file",
    ),
    (
        HEADED,
        b"LOG",
        CaptureError,
        "m.bin: byte 3: the file ends inside its header\n"
        "  expected: 8 bytes before the first sample, as the layout tells\n"
        "  do:       check that the layout fits this file, or export the capture again",
    ),
    (
        HEADED,
        b"LOG1\x89\n\5",
        CaptureError,
        "m.bin: byte 7: the file ends inside its header\n"
        "  expected: 8 bytes before the first sample, as the layout tells\n"
        "  do:       check that the layout fits this file, or export the capture again",
    ),
    (
        HEADED,
        b"LOG1\x89\n\5\0ab",
        TruncatedError,
        "m.bin: byte 10: the file ends after 2 of 5 samples; all is whole up to 10 ns\n"
        "  expected: 5 samples of 8 bits\n"
        "  do:       export the capture again, or give --allow-truncated",
    ),
    (
        HEADED,
        b"LOG1\x89\n\5\0",
        CaptureError,
        "m.bin: byte 8: the file ends after 0 of 5 samples\n"
        "  expected: 5 samples of 8 bits\n"
        "  do:       export the capture again",
    ),
    (
        NO_RATE + '[[header.fields]]\nname = "v"\ntype = "u64le"\ngives = "rate_hz"\n',
        bytes(10),
        CaptureError,
        "m.bin: byte 0: the header field v gives rate_hz 0\n"
        "  expected: a rate of 1 Hz to 1000 GHz\n"
        "  do:       check that the layout fits this file",
    ),
    (
        NO_RATE + '[[header.fields]]\nname = "v"\ntype = "u64le"\ngives = "period_ps"\n',
        b"\xff" * 10,
        CaptureError,
        "m.bin: byte 0: the header field v gives period_ps 18446744073709551615\n"
        "  expected: a period of 1 ps to 1000 s\n"
        "  do:       check that the layout fits this file",
    ),
    (
        EIGHT + '[[header.fields]]\nname = "v"\ntype = "u64le"\ngives = "first_ps"\n',
        b"\xff" * 10,
        CaptureError,
        "m.bin: byte 0: the header field v gives first_ps 18446744073709551615\n"
        "  expected: a time within 64 bits of picoseconds\n"
        "  do:       check that the layout fits this file",
    ),
    (
        EIGHT + "[header]\nbytes = 9\n",
        bytes(8),
        CaptureError,
        "m.bin: byte 8: the file ends inside its header\n"
        "  expected: 9 bytes before the first sample, as the layout tells\n"
        "  do:       check that the layout fits this file, or export the capture again",
    ),
    (
        SIXTEEN,
        b"abcde",
        TruncatedError,
        "m.bin: byte 5: the file ends inside a sample, with 8 of its 16 bits, after 2 "
        "whole ones; all is whole up to 10 ns\n"
        "  expected: whole samples of 16 bits\n"
        "  do:       export the capture again, or give --allow-truncated",
    ),
    (
        SIXTEEN,
        b"a",
        CaptureError,
        "m.bin: byte 1: the file ends inside a sample, with 8 of its 16 bits, after 0 "
        "whole ones\n"
        "  expected: whole samples of 16 bits\n"
        "  do:       export the capture again",
    ),
    (
        STAMPED,
        b"\5a\5b",
        CaptureError,
        "m.bin: byte 2: the time stamps do not rise: 5 after 5\n"
        "  expected: a later time stamp in each record\n"
        "  do:       check the stamp, the order and the header in the layout",
    ),
    (
        STAMPED,
        b"\5a\6b\4c",
        CaptureError,
        "m.bin: byte 4: the time stamps do not rise: 4 after 6\n"
        "  expected: a later time stamp in each record\n"
        "  do:       check the stamp, the order and the header in the layout",
    ),
    (
        WIDE_STAMPED,
        b"\xff" * 8,
        CaptureError,
        "m.bin: byte 0: the time stamp 72057594037927935 does not fit into 64 bits of "
        "picoseconds\n"
        "  expected: 9223372036854 at most, in 1 us\n"
        "  do:       check the stamp, the order and the header in the layout",
    ),
    (
        EIGHT.replace("10 ns", "1000 s"),
        bytes(9_300),
        CaptureError,
        "m.bin: the time of sample 9299 does not fit into 64 bits of picoseconds\n"
        "  expected: a capture that ends before 9223372 s\n"
        "  do:       correct the rate or the time of the first sample",
    ),
]


@pytest.mark.parametrize(("layout", "message"), LAYOUT_MISTAKES)
def test_mistakes_in_a_layout_are_told_together(layout: str | bytes, message: str) -> None:
    """Each with its line and key, in the order of the file."""
    with pytest.raises(CaptureError) as caught:
        packed(layout)
    assert str(caught.value) == message


@pytest.mark.parametrize(("layout", "data", "error", "message"), PACKED_MISTAKES)
def test_packed_samples_that_do_not_fit(
    layout: str, data: bytes, error: type[Exception], message: str
) -> None:
    """The byte is told, what was found there, and what the layout let expect."""
    with pytest.raises(error) as caught:
        packed(layout, data).read()
    assert type(caught.value) is error
    assert str(caught.value) == message


def test_no_layout() -> None:
    """Packed samples are never read without one."""
    Path("m.bin").write_bytes(b"\1")
    with pytest.raises(RequestError) as caught:
        open_packed(Source(Path("m.bin"), "m.bin"), Told())
    assert str(caught.value) == (
        "m.bin: a file of packed samples tells nothing about its channels\n"
        "  expected: a layout (TOML) with channels, bits a sample and rate\n"
        "  do:       write one and name it with --layout; docs/captures.md shows how"
    )
    with pytest.raises(CaptureError) as missing:
        open_packed(Source(Path("m.bin"), "m.bin"), Told(layout=Path("none.toml")))
    assert str(missing.value) == (
        "none.toml: the layout cannot be opened: No such file or directory\n"
        "  do:       check the name and the folder"
    )


def test_periods_that_differ() -> None:
    """The layout and the user may both tell the period, but not two."""
    assert packed(EIGHT, sample_period=10_000).read().resolution == 10_000
    with pytest.raises(RequestError) as caught:
        packed(EIGHT, sample_period=20_000)
    assert str(caught.value) == (
        "m.bin: the layout tells a sample period of 10 ns, --sample-period one of 20 ns\n"
        "  expected: one sample period\n"
        "  do:       take the wrong one out"
    )
