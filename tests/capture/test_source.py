"""Files as streams: the same bytes by every way in; damage is told behind the last good byte."""

from __future__ import annotations

import bz2
import gc
import gzip
import importlib
import io
import lzma
import os
import struct
import sys
import threading
import tracemalloc
import weakref
import zipfile
import zlib
from contextlib import suppress
from functools import cache
from typing import TYPE_CHECKING, Any, BinaryIO, cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdecode.capture.sources import HEAD_BYTES, Source
from busdecode.capture.sources.unpack import INPUT_BYTES, OUTPUT_BYTES
from busdecode.errors import CaptureError, TruncatedError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

FAST = ["isal", "isal.isal_zlib"]
ZSTD = ["compression.zstd", "backports.zstd"]


def zstd() -> Any:
    """Give the module that packs zstd, or skip the test."""
    for name in ZSTD:
        with suppress(ImportError):
            return importlib.import_module(name)
    pytest.skip("needs backports.zstd, or Python 3.14")


def in_zip(data: bytes, method: int = zipfile.ZIP_DEFLATED, name: str = "made.vcd") -> bytes:
    """Pack into a zip archive with a folder and one file."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", method) as archive:
        archive.mkdir("captures")
        archive.writestr(f"captures/{name}", data)
    return packed.getvalue()


def zip_of(*names: str) -> bytes:
    """Make a zip archive with these files."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name in names:
            archive.writestr(name, b"#0")
    return packed.getvalue()


def halves(pack: Callable[[bytes], bytes], data: bytes, between: bytes = b"") -> bytes:
    """Pack two halves each for itself."""
    middle = len(data) // 2
    return pack(data[:middle]) + between + pack(data[middle:])


def with_check(data: bytes) -> bytes:
    """Pack by zstd, with a check sum."""
    module = zstd()
    packed: bytes = module.compress(data, options={module.CompressionParameter.checksum_flag: 1})
    return packed


SKIPPED_FRAME = struct.pack("<II", 0x184D2A57, 5) + b"hello"
"""From memory of RFC 8878, 3.1.2: a frame that a zstd decoder passes over."""

PACKS: dict[str, tuple[str, Callable[[bytes], bytes]]] = {
    "plain": ("plain", lambda data: data),
    "gzip": ("gzip", lambda data: gzip.compress(data, 6, mtime=0)),
    "gzip members": ("gzip", lambda data: halves(gzip.compress, data)),
    "gzip padded": ("gzip", lambda data: halves(gzip.compress, data, bytes(3)) + bytes(200_000)),
    "zstd": ("zstd", with_check),
    "zstd frames": ("zstd", lambda data: SKIPPED_FRAME + halves(with_check, data, SKIPPED_FRAME)),
    "xz": ("xz", lambda data: lzma.compress(data, preset=1)),
    "xz streams": ("xz", lambda data: halves(lzma.compress, data, bytes(4))),
    "bzip2": ("bzip2", lambda data: bz2.compress(data, 1)),
    "bzip2 streams": ("bzip2", lambda data: halves(bz2.compress, data)),
    "zip": ("zip", in_zip),
    "zip stored": ("zip", lambda data: in_zip(data, zipfile.ZIP_STORED)),
    "zip bzip2": ("zip", lambda data: in_zip(data, zipfile.ZIP_BZIP2)),
}
KINDS = ["gzip", "gzip members", "zstd", "xz", "bzip2", "zip", "zip stored"]


def text(size: int, seed: int = 1) -> bytes:
    """Make text like a value change dump, of this many bytes."""
    drawn = np.random.default_rng(seed).integers(0, 80, size // 8 + 1).tolist()
    return "".join(f"#{at * 7}\n{each % 2}{chr(33 + each)}\n" for at, each in enumerate(drawn))[
        :size
    ].encode()


DATA = text(700_000)
SMALL = text(3_000)


@cache
def packed_as(packed: str, data: bytes) -> bytes:
    """Pack once for all tests."""
    return PACKS[packed][1](data)


def drained(source: Source, size: int = 1 << 16) -> tuple[bytes, CaptureError | None]:
    """Read to the end or to an error, which must come again when asked again."""
    got = b""
    with source.open() as stream:
        try:
            while part := source.read(stream, size):
                got += part
        except CaptureError as error:
            with pytest.raises(type(error)):
                source.read(stream, size)
            return got, error
    return got, None


@pytest.fixture
def inflate(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Take the faster library for gzip, or hide it."""
    if request.param == "isal":
        pytest.importorskip("isal", reason="needs isal")
    for name in FAST if request.param == "zlib" else ():
        monkeypatch.setitem(sys.modules, name, None)


def each_of(kinds: Iterable[str]) -> pytest.MarkDecorator:
    """Run a test with each of these packings, those of gzip and zip with either library."""
    cases = []
    for kind in kinds:
        libraries = ("isal", "zlib") if kind.startswith(("gzip", "zip")) else ("either",)
        cases += [(kind, library) for library in libraries]
    return pytest.mark.parametrize(("packed", "inflate"), cases, indirect=["inflate"])


@pytest.mark.usefixtures("inflate")
@pytest.mark.parametrize("way", ["path", "bytes", "open file", "buffered file", "pipe", "fifo"])
@each_of(PACKS)
def test_the_same_bytes_come_by_every_way_in(packed: str, way: str, tmp_path: Path) -> None:
    """A path, bytes, an open file and a pipe give the same bytes, twice, however packed."""
    kind, data = PACKS[packed][0], packed_as(packed, DATA)
    path = tmp_path / "made.capture"
    path.write_bytes(data)
    for source in opened(way, path, data, tmp_path):
        assert (source.kind, source.size) == (kind, len(data))
        assert source.head == DATA[:HEAD_BYTES]
        assert (source.path == path) == (way == "path")
        assert [drained(source) for _ in range(2)] == [(DATA, None)] * 2


def opened(way: str, path: Path, data: bytes, folder: Path) -> Iterator[Source]:
    """Give the file as a source by one way in."""
    if way == "path":
        yield Source(path)
    elif way == "bytes":
        yield Source(data)
    elif way in ("open file", "buffered file"):
        with path.open("rb", buffering=0 if way == "open file" else -1) as file:
            file.seek(5)
            yield Source(cast("BinaryIO", file))
            assert not file.closed
    else:
        fifo = folder / "fifo"
        os.mkfifo(fifo)
        writer = threading.Thread(target=fifo.write_bytes, args=(data,))
        writer.start()
        if way == "fifo":
            yield Source(fifo)
        else:
            with fifo.open("rb") as pipe:
                yield Source(pipe, "piped")
        writer.join()


@pytest.mark.usefixtures("inflate")
@pytest.mark.parametrize("size", [1, 7, 4096, 3_000])
@each_of(PACKS)
def test_reads_of_any_size_are_full_up_to_the_end(packed: str, size: int) -> None:
    """Each read and each buffer is filled, but for the last one."""
    source = Source(packed_as(packed, SMALL))
    parts, filled = [], []
    buffer = np.zeros(size, dtype=np.uint8)
    with source.open() as stream, source.open() as other:
        while part := source.read(stream, size):
            parts.append(part)
        while count := source.readinto(other, buffer):
            filled.append(buffer[:count].tobytes())
    wanted = [SMALL[at : at + size] for at in range(0, len(SMALL), size)]
    assert parts == wanted
    assert filled == wanted


@pytest.mark.parametrize("packed", PACKS)
def test_two_streams_of_one_source_do_not_disturb_each_other(packed: str) -> None:
    """Streams of one open file read in turn have each their own place."""
    source = Source(io.BytesIO(packed_as(packed, SMALL)))
    with source.open() as one, source.open() as two:
        assert source.read(one, 1_000) == SMALL[:1_000]
        assert source.read(two, 1_500) == SMALL[:1_500]
        assert source.read(one, 5_000) == SMALL[1_000:]
        assert source.read(two, 5_000) == SMALL[1_500:]


@pytest.mark.parametrize("packed", PACKS)
def test_streams_are_read_from_other_threads(packed: str, tmp_path: Path) -> None:
    """Streams made here are read whole in several threads at once, of one open file too."""
    path = tmp_path / "made"
    path.write_bytes(packed_as(packed, DATA))
    with path.open("rb") as file:
        source = Source(file)
        streams = [source.open() for _ in range(4)]
        got = [b""] * 4

        def read(index: int) -> None:
            with streams[index] as stream:
                while part := source.read(stream, 10_007):
                    got[index] += part

        threads = [threading.Thread(target=read, args=(index,)) for index in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert [each == DATA for each in got] == [True] * 4


@pytest.mark.parametrize("packed", PACKS)
def test_the_position_goes_from_the_start_to_the_end_of_the_packed_file(packed: str) -> None:
    """Progress is told in bytes of the file as it is, for the stream opened last."""
    data = packed_as(packed, DATA)
    source = Source(data)
    with source.open() as stream:
        places = [source.position()]
        while source.read(stream, 50_000):
            places.append(source.position())
        places.append(source.position())
    assert places == sorted(places)
    assert places[0] <= 300
    assert len(set(places)) > 1
    assert len(data) - 400 <= places[-1] <= len(data)


@given(
    data=st.binary(min_size=1, max_size=2_000) | st.integers(1, 2_000).map(text),
    times=st.sampled_from([1, 3, 200]),
    packed=st.sampled_from(sorted(PACKS)),
    size=st.sampled_from([1, 13, 1 << 16, 1 << 20]) | st.integers(1, 3_000),
)
def test_what_was_packed_comes_back(data: bytes, times: int, packed: str, size: int) -> None:
    """Any bytes are given back, by reads of any size."""
    data *= times if size > 1_000 else 1
    kind, pack = PACKS[packed]
    if kind == "plain":
        data = b"#" + data
    elif "members" in packed or "padded" in packed or "str" in packed or "frames" in packed:
        data += b"#"
    assert drained(Source(pack(data)), size) == (data, None)


def cut_at(packed: bytes) -> list[int]:
    """Give places all over a packed file, every one near its ends."""
    size = len(packed)
    return sorted({*range(11, 30), *range(30, size - 14, size // 23), *range(size - 14, size)})


@pytest.mark.usefixtures("inflate")
@each_of(each for each in KINDS if not each.startswith("zip"))
def test_a_cut_stream_gives_what_came_before_and_then_says_so(packed: str) -> None:
    """Cut anywhere, the bytes unpacked up to there come first; an end early is told apart."""
    data = packed_as(packed, SMALL)
    kind = PACKS[packed][0]
    longest = 0
    for cut in cut_at(data):
        try:
            source = Source(data[:cut], "made.vcd")
        except TruncatedError as error:
            got, found = b"", error
        else:
            got, caught = drained(source, 100)
            if caught is None:  # Cut between two members.
                assert got == SMALL[: len(SMALL) // 2]
                continue
            found = cast("TruncatedError", caught)
        assert type(found) is TruncatedError
        assert SMALL.startswith(got)
        assert len(got) >= longest
        longest = len(got)
        assert str(found) == (
            f"made.vcd: byte {cut}: the {kind} stream ends early\n"
            f"  expected: a whole {kind} file\n"
            "  do:       copy or pack the file again, or give --allow-truncated"
        )
    assert longest == len(SMALL)


def test_a_cut_stream_gives_the_same_bytes_with_and_without_the_fast_library(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """How much of a cut or damaged gzip stream is read does not hang on what is installed."""
    pytest.importorskip("isal", reason="needs isal")
    whole = gzip.compress(SMALL, mtime=0)
    broken = [whole[:cut] for cut in range(12, len(whole), 29)]
    large = gzip.compress(DATA[:60_000], mtime=0)
    broken += [large[:cut] for cut in range(9_000, 9_060)]
    for at in range(12, len(whole), 41):
        broken.append(whole[:at] + bytes([whole[at] ^ 16]) + whole[at + 1 :])

    def outcomes() -> list[tuple[bytes, str]]:
        results = []
        for data in broken:
            try:
                got, error = drained(Source(data))
            except CaptureError as early:
                got, error = b"", early
            results.append((got, str(error)))
        return results

    fast = outcomes()
    for name in FAST:
        monkeypatch.setitem(sys.modules, name, None)
    assert fast == outcomes()
    # zlib itself, fed a byte at a time, is the witness for how much that is.
    for data, (got, _) in zip(broken, fast, strict=True):
        inflate, wanted = zlib.decompressobj(31), b""
        with suppress(zlib.error):
            for at in range(len(data)):
                wanted += inflate.decompress(data[at : at + 1])
        assert got == wanted


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
def test_a_cut_zip_archive_gives_its_first_file_up_to_there(method: int) -> None:
    """Without the directory at its end the archive is unpacked as far as it goes."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", method) as archive:
        archive.writestr("made.vcd", SMALL)
    data = packed.getvalue()
    longest = 0
    for cut in cut_at(data[: data.index(b"PK\1\2") + 20]):
        try:
            got, error = drained(Source(data[:cut], "made.zip"))
        except TruncatedError as early:
            got, error = b"", early
        assert type(error) is TruncatedError
        assert SMALL.startswith(got)
        assert len(got) >= longest
        longest = len(got)
    assert longest == len(SMALL)
    assert str(error).splitlines()[0] == (
        f"made.zip: byte {cut}: the zip archive ends early, inside or behind its first file,"
        " 'made.vcd'"
    )


@pytest.mark.usefixtures("inflate")
@each_of(KINDS)
def test_damage_anywhere_is_no_silent_loss(packed: str) -> None:
    """With one bit turned anywhere, all bytes come, or an error does."""
    data = packed_as(packed, SMALL)
    damaged = 0
    for at in cut_at(data):
        bad = data[:at] + bytes([data[at] ^ 4]) + data[at + 1 :]
        try:
            got, error = drained(Source(bad, "made.vcd"))
        except CaptureError as early:
            got, error = b"", early
        assert error is not None or got == SMALL
        damaged += error is not None
    assert damaged > 20


def with_byte(data: bytes, at: int) -> bytes:
    """Turn all bits of one byte."""
    at %= len(data)
    return data[:at] + bytes([data[at] ^ 255]) + data[at + 1 :]


ONE, TWO = gzip.compress(DATA, mtime=0), gzip.compress(SMALL, mtime=0)
DAMAGED = [
    ("check sum", with_byte(TWO, -8), SMALL, "gzip", "incorrect data check", len(TWO) - 5),
    ("length", with_byte(TWO, -1), SMALL, "gzip", "incorrect length check", len(TWO) - 1),
    (
        "second member",
        ONE + with_byte(TWO, -8),
        DATA + SMALL,
        "gzip",
        "incorrect data check",
        len(ONE) + len(TWO) - 5,
    ),
    ("xz", with_byte(lzma.compress(SMALL), -1), SMALL, "xz", "corrupt input data", None),
    ("bzip2", with_byte(bz2.compress(SMALL), 20), b"", "bzip2", "invalid data stream", None),
]


@pytest.mark.parametrize("inflate", ["isal", "zlib"], indirect=True)
@pytest.mark.usefixtures("inflate")
@pytest.mark.parametrize(("name", "data", "before", "kind", "reason", "byte"), DAMAGED)
def test_damage_is_told_with_its_place(
    name: str, data: bytes, before: bytes, kind: str, reason: str, byte: int | None
) -> None:
    """All before the damage is read, also in a large file; the byte is that of the packed file."""
    try:
        got, error = drained(Source(data, "made.vcd"), 50_000)
    except CaptureError as early:
        got, error = b"", early
    assert error is not None
    assert (got, type(error)) == (before, CaptureError)
    place = error.byte if byte is None else byte
    assert str(error) == (
        f"made.vcd: byte {place}: the {kind} stream cannot be unpacked: {reason}\n"
        f"  expected: a whole {kind} file\n"
        "  do:       copy or pack the file again"
    )


@pytest.mark.parametrize("inflate", ["isal", "zlib"], indirect=True)
@pytest.mark.usefixtures("inflate")
@pytest.mark.parametrize("left", range(1, 258, 16))
def test_what_the_decoder_still_holds_at_a_cut_is_given(left: int) -> None:
    """A run that goes beyond one step of the decoder is whole where the check sum is cut off."""
    data = bytes(OUTPUT_BYTES + left)
    got, error = drained(Source(gzip.compress(data, mtime=0)[:-8]), 10_000)
    assert (got, type(error)) == (data, TruncatedError)


@pytest.mark.parametrize("inflate", ["isal", "zlib"], indirect=True)
@pytest.mark.usefixtures("inflate")
def test_damage_far_into_a_large_file_loses_nothing_before_it() -> None:
    """What one step of the decoder had unpacked when it met the damage is given too."""
    head = np.random.default_rng(2).bytes(3 * INPUT_BYTES)
    first = zlib.compressobj(6, zlib.DEFLATED, 31)
    good = first.compress(head + bytes(3 * OUTPUT_BYTES)) + first.flush(zlib.Z_FULL_FLUSH)
    # RFC 1951, 3.2.3: block type 11 is reserved, so a decoder must refuse it.
    got, error = drained(Source(good + b"\x07" + bytes(50)), 9_999)
    assert got == head + bytes(3 * OUTPUT_BYTES)
    assert error is not None
    assert (error.byte, type(error)) == (len(good), CaptureError)


def test_a_zip_whose_check_sum_or_size_is_not_met_is_damaged() -> None:
    """Its bytes come first, then the error."""
    data = in_zip(SMALL, zipfile.ZIP_STORED)
    got, error = drained(Source(with_byte(data, data.index(SMALL) + 100), "made.zip"))
    assert (len(got), type(error)) == (len(SMALL), CaptureError)
    assert str(error).startswith("made.zip: byte")
    assert "the zip stream cannot be unpacked: the check sum or the size is not met\n" in str(error)


def test_bytes_behind_a_packed_stream_are_told() -> None:
    """What is neither padding nor another stream is not passed over."""
    got, error = drained(Source(TWO + bytes(4) + b"more of it", "made.vcd"))
    assert got == SMALL
    assert str(error) == (
        f"made.vcd: byte {len(TWO) + 4}: bytes that are not gzip stand behind the end of the gzip"
        " stream\n"
        "  expected: the end of the file, zeros, or another gzip stream\n"
        "  do:       copy or pack the file again"
    )
    got, error = drained(Source(TWO + TWO[:2]))
    assert (got, type(error)) == (SMALL, TruncatedError)


@pytest.mark.usefixtures("inflate")
@each_of(each for each in PACKS if each != "plain")
def test_unpacking_stops_at_the_limit(packed: str) -> None:
    """As many bytes as the limit are given and no more; a file of just that size is whole."""
    data = packed_as(packed, SMALL)
    assert drained(Source(data, unpack_limit=len(SMALL)), 77) == (SMALL, None)
    for limit in (1, 1_500, len(SMALL) - 1):
        got, error = drained(Source(data, "made.vcd", unpack_limit=limit), 77)
        assert got == SMALL[:limit]
        assert error is not None
        kind = PACKS[packed][0]
        first, *others = str(error).splitlines()
        assert first.startswith(f"made.vcd: the {kind} file unpacks to more than {limit} bytes; ")
        told = int(first.split("; ")[1].removesuffix(" packed bytes gave that many"))
        assert 0 < told <= len(data)
        assert others == [
            f"  expected: {limit} unpacked bytes at most",
            "  do:       raise the limit with --unpack-limit, if the file is meant to be so large",
        ]


def test_a_file_that_expands_a_thousandfold_is_never_held_whole() -> None:
    """Reading some of 64 MB that pack into 64 kB, up to a limit, needs little memory."""
    pack = zlib.compressobj(9, zlib.DEFLATED, 31)
    packed = b"".join(pack.compress(bytes(1 << 20)) for _ in range(64)) + pack.flush()
    tracemalloc.start()
    try:
        source = Source(packed, unpack_limit=48 << 20)
        count, buffer = 0, bytearray(1 << 20)
        with source.open() as stream:
            while count < 48 << 20:
                count += source.readinto(stream, buffer)
            with pytest.raises(CaptureError, match="unpacks to more"):
                source.readinto(stream, buffer)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert count == 48 << 20
    assert peak < 6 << 20


def test_a_pipe_is_copied_up_to_the_limit(tmp_path: Path) -> None:
    """What comes from a pipe without end does not fill the disk."""
    fifo = tmp_path / "fifo"
    os.mkfifo(fifo)

    def write() -> None:
        with suppress(BrokenPipeError), fifo.open("wb", buffering=0) as file:
            file.write(SMALL)

    writer = threading.Thread(target=write)
    writer.start()
    with pytest.raises(CaptureError) as caught:
        Source(fifo, "piped", unpack_limit=2_999)
    writer.join()
    assert str(caught.value) == (
        "piped: more than 2999 bytes came, from no file but a pipe\n"
        "  expected: a file, or fewer bytes\n"
        "  do:       raise the limit with --unpack-limit, or write a file first"
    )


def test_a_stream_packed_twice_is_unpacked_once() -> None:
    """Of gzip in gzip the inner one is what a reader sees."""
    inner = gzip.compress(SMALL, mtime=0)
    assert drained(Source(gzip.compress(inner))) == (inner, None)


def test_a_numpy_archive_is_left_as_it_stands() -> None:
    """A zip of nothing but arrays is no packed capture."""
    packed = io.BytesIO()
    np.savez(packed, one=np.arange(3), two=np.arange(4))
    source = Source(packed, "made.npz")
    assert source.kind == "plain"
    with source.open() as stream, np.load(stream) as arrays:
        assert arrays["two"].tolist() == [0, 1, 2, 3]
    assert Source(zip_of("one.npy")).kind == "plain"
    with pytest.raises(CaptureError, match=r"holds 2 files: 'one[.]npy', 'b[.]vcd'"):
        Source(zip_of("one.npy", "b.vcd"))


def test_a_plain_stream_can_be_sought_in() -> None:
    """Readers of plain files go where they want."""
    with Source(SMALL).open() as stream:
        assert stream.seekable()
        assert stream.seek(-5, io.SEEK_END) == len(SMALL) - 5
        assert stream.seek(2, io.SEEK_CUR) == len(SMALL) - 3
        assert stream.read() == SMALL[-3:]
    with Source(TWO).open() as stream:
        assert not stream.seekable()


def test_without_a_zstd_library_the_error_names_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The package and the extra are named; other kinds are read as before."""
    for name in ZSTD:
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(CaptureError) as caught:
        Source(b"\x28\xb5\x2f\xfd" + bytes(20), "made.vcd.zst")
    assert str(caught.value) == (
        "made.vcd.zst: the file is packed with zstd, and nothing is installed that unpacks it\n"
        "  expected: Python 3.14 or later, or the package backports.zstd\n"
        "  do:       pip install 'busdecode[zstd]', or unpack the file"
    )
    assert Source(TWO).head == SMALL


def test_a_window_beyond_bounds_is_refused() -> None:
    """A stream that asks for much memory is told apart from a damaged one."""
    filters = [{"id": lzma.FILTER_LZMA2, "preset": 0, "dict_size": 1 << 20}]
    packed = bytearray(lzma.compress(SMALL, check=lzma.CHECK_NONE, filters=filters))
    # The .xz file format, 3.1 and 5.3.1 (from memory): the dictionary's size is a byte of the
    # block header, which ends in its CRC-32. 40 is 4 GiB less one byte.
    header = 12
    length = (packed[header] + 1) * 4
    packed[header + 4] = 40
    packed[header + length - 4 : header + length] = struct.pack(
        "<I", zlib.crc32(packed[header : header + length - 4])
    )
    with pytest.raises(CaptureError) as caught:
        Source(bytes(packed), "made.vcd")
    assert "the xz stream cannot be unpacked: memory usage limit exceeded\n" in str(caught.value)
    assert str(caught.value).endswith("usual settings, whose window is 128 MiB at most")


def test_a_stream_that_is_dropped_at_an_error_leaves_no_open_file(tmp_path: Path) -> None:
    """No reference cycle keeps the file open after damage."""
    path = tmp_path / "made"
    path.write_bytes(TWO[:-9])
    source = Source(path)
    stream = source.open()
    gone = weakref.ref(stream)
    source.read(stream, 5_000)
    with suppress(TruncatedError):
        source.read(stream, 1)
    gc.disable()
    try:
        del stream
        assert gone() is None
    finally:
        gc.enable()


def test_a_text_file_is_no_byte_stream() -> None:
    """A programmer's mistake is told as such."""
    with pytest.raises(TypeError, match="opened in binary mode"):
        Source(cast("BinaryIO", io.StringIO("#0")))


def test_an_error_of_the_disk_is_told() -> None:
    """What the system says while reading becomes one clear error."""

    class Failing(io.BytesIO):
        fails = False

        def readinto(self, buffer: Any, /) -> int:
            if self.fails:
                raise OSError(5, "Input/output error")
            return super().readinto(buffer)

    for data in (DATA, ONE):
        file = Failing(data)
        source = Source(file, "made.vcd")
        with source.open() as stream:
            assert source.read(stream, 100) == DATA[:100]
            file.fails = True
            with pytest.raises(CaptureError) as caught:
                source.read(stream, 1 << 20)
        assert str(caught.value) == (
            "made.vcd: the file cannot be read: Input/output error\n"
            "  do:       copy the file to another disk and read it there"
        )


def test_a_name_that_claims_another_packing_is_no_mistake() -> None:
    """The content decides: zstd or xz under a name of gzip is unpacked all the same."""
    assert Source(lzma.compress(SMALL), "made.vcd.gz").kind == "xz"
