"""CSV tables that end early, at any byte, and those that are damaged on the way."""

from __future__ import annotations

import gzip

import pytest

from busdecode.capture import join
from busdecode.capture.sources import Source
from busdecode.capture.stream import Told
from busdecode.capture.tables import file as csv_table
from busdecode.capture.tables import text as csv_text
from busdecode.capture.tables.file import open_csv
from busdecode.errors import CaptureError, TruncatedError

pytestmark = pytest.mark.usefixtures("both_ways")

HEAD = "Time (ns);AS;D[7:0]\n"
ROWS = [f"{3 * at};{at % 2};{at * 7 % 256:02X}\n" for at in range(22)]


def cut_at(data: bytes) -> tuple[list[int], TruncatedError | None]:
    """Read what is whole of a table: the times of its rows in ns, and why it ends early."""
    opened = open_csv(Source(data, "made.csv"), Told())
    try:
        capture = join(opened.chunks())
    except TruncatedError as error:
        return [], error
    return [time // 1_000 for time in capture.times.tolist()], opened.cut


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_whole_rows_are_read_of_a_file_cut_at_any_byte(
    encoding: str, line_end: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No cut gives a level that was not written, or any other error."""
    monkeypatch.setattr(csv_table, "BUFFER_BYTES", 50)
    text = "\ufeff" + (HEAD + "".join(ROWS)).replace("\n", line_end)
    data = text.encode(encoding)
    size = len("0".encode(encoding))
    ends = [len(text[:at].encode(encoding)) for at, each in enumerate(text) if each == line_end[0]]
    for cut in range(ends[17], len(data)):
        times, error = cut_at(data[:cut])
        # Each row changes the levels; a row is whole at its last character, or with its line end.
        whole = sum(end == cut or end + size <= cut for end in ends) - 1
        assert times == [3 * at for at in range(whole)]
        if any(cut in (end, end + size, end + len(line_end) * size) for end in ends):
            assert error is None
        else:
            assert error is not None
            assert (error.line, error.byte) == (whole + 2, cut)


def test_a_cut_that_may_be_inside_a_value_is_a_note() -> None:
    """Where values differ in length nobody can tell; it is said."""
    text = "Time (ns);AS;D[7:0]\n0;1;0\n5;0;12\n7;1;1"
    opened = open_csv(Source(text.encode(), "made.csv"), Told())
    assert opened.read().times.tolist() == [0, 5_000, 7_000]
    assert opened.notes == (
        "The file has no last line end; '1' in column D[7:0] may be cut short.",
    )


@pytest.mark.parametrize(
    "tail",
    ["9", "9;", "9;1", "9;1;", '9;"1', "9;1;0x", b"9;1;\xc3", "1;1;0", ";"],
)
def test_what_follows_the_last_line_end_must_be_a_whole_row(tail: str | bytes) -> None:
    """Too few cells, an open quote, half a prefix: the file ends early."""
    data = b"Time (ns);AS;D[15:0]\n0;1;0x0\n5;0;0x1234\n"
    data += tail if isinstance(tail, bytes) else tail.encode()
    if tail == "1;1;0":
        with pytest.raises(CaptureError, match="the times do not rise: '1' after 5 ns"):
            open_csv(Source(data, "made.csv"), Told()).read()
        return
    if tail == "9;1;0x":
        capture = open_csv(Source(data, "made.csv"), Told()).read()
        assert capture.notes == (
            "The file has no last line end; '0x' in column D[15:0] may be cut short.",
        )
        return
    times, error = cut_at(data)
    assert times == [0, 5]
    assert error is not None
    shown = tail.decode("utf-8", "ignore") if isinstance(tail, bytes) else tail
    assert str(error) == (
        f"made.csv:4: byte {len(data)}: the file ends inside a row; all is whole up to 5 ns\n"
        f"  4 | {shown}\n"
        "  expected: 3 cells as in the header (line 1), and a line end\n"
        "  do:       export the capture again, or give --allow-truncated"
    )


def test_an_early_end_may_be_allowed() -> None:
    """Then it is a note, beside the count of rounded times."""
    data = b"Time (ps),AS\n0,1\n1.25,0\n2"
    capture = open_csv(Source(data, "made.csv"), Told(allow_truncated=True)).read()
    assert capture.times.tolist() == [0, 1]
    assert capture.notes == (
        "1 times finer than 1 ps are rounded to 1 ps.",
        "byte 25: the file ends inside a row; all is whole up to 1 ps, and used.",
    )


def test_a_packed_file_that_ends_early_gives_its_whole_rows() -> None:
    """The reason is that of the packing; the row that was begun is not used."""
    data = (HEAD + "".join(f"{at};{at % 2};{at % 251:02X}\n" for at in range(50_000))).encode()
    packed = gzip.compress(data, mtime=0)
    opened = open_csv(Source(packed[: len(packed) * 2 // 3], "made.csv.gz"), Told())
    capture = join(opened.chunks())
    assert capture.times.tolist() == [1_000 * at for at in range(len(capture))]
    assert 1_000 < len(capture) < 50_000
    assert isinstance(opened.cut, TruncatedError)


def test_a_nul_far_into_a_file_is_found_behind_the_rows_before_it() -> None:
    """Its byte is told; a mistake in a row before it is told first."""
    data = (HEAD + "".join(f"{at};0;00\n" for at in range(30_000))).encode()
    at = data.index(b"20000;")
    with pytest.raises(CaptureError) as caught:
        open_csv(Source(data[:at] + b"\0" + data[at:], "made.csv"), Told()).read()
    assert str(caught.value) == (
        f"made.csv: byte {at}: a NUL byte in the text\n"
        "  expected: CSV, which is text\n"
        "  do:       export the capture again; a part of the file looks overwritten"
    )
    spoilt = data[:at].replace(b"19999;0", b"19999;2") + b"\0" + data[at:]
    with pytest.raises(CaptureError, match=r"made.csv:20001: column AS"):
        open_csv(Source(spoilt, "made.csv"), Told()).read()


def test_a_nul_before_any_header_and_in_utf_16() -> None:
    """The byte is that of the file, whatever its encoding."""
    for data, byte in [
        (b"Ti\0me (ns);AS\n0;1\n", 2),
        ("\ufeffTime (ns);AS\n0;1\n1;\0".encode("utf-16-le"), 40),
        ("Time (ns);AS\n0;1\n1;\0".encode("utf-16-be"), 38),
    ]:
        with pytest.raises(CaptureError, match=f"made.csv: byte {byte}: a NUL byte"):
            open_csv(Source(data, "made.csv"), Told()).read()


def test_half_a_character_in_the_middle_of_utf_16() -> None:
    """A low surrogate alone is refused at its byte."""
    data = "\ufeffTime (ns);AS\n0;1\n".encode("utf-16-le")
    with pytest.raises(CaptureError) as caught:
        open_csv(Source(data + b"\x00\xdc" + b"1\0;\0" * 9, "made.csv"), Told()).read()
    assert str(caught.value) == (
        "made.csv: byte 36: the bytes 00 dc are not UTF-16\n"
        "  expected: text in UTF-16, as the file begins\n"
        "  do:       save the file as UTF-8"
    )


def test_a_line_without_end_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is no table does not fill the memory."""
    monkeypatch.setattr(csv_text, "LONGEST_LINE", 1 << 20)
    data = HEAD.encode() + b"0;" * (3 << 20)
    with pytest.raises(CaptureError, match=r"made.csv: byte 20: a line is longer than 1 MiB"):
        open_csv(Source(data, "made.csv"), Told()).read()
