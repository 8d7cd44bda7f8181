"""Opening files: the format is found by content, gzip is unpacked, notes and chunks agree."""

from __future__ import annotations

import gzip
from typing import TYPE_CHECKING

import pytest

from busdecode.capture import READERS, open_capture, read_capture

if TYPE_CHECKING:
    from pathlib import Path

VCD = b"$timescale 1 ns $end $var wire 1 ! AS $end $enddefinitions $end\n#0 1!\n#5 0!\n#9 1!\n"
CSV = b"Time (ns),AS\n0,1\n5,0\n9,1\n"


@pytest.mark.parametrize(
    "data",
    [VCD, CSV, gzip.compress(VCD), gzip.compress(CSV)],
    ids=["vcd", "csv", "packed vcd", "packed csv"],
)
@pytest.mark.parametrize("name", ["made.vcd", "made.csv", "made"])
def test_the_content_decides_not_the_name(data: bytes, name: str, tmp_path: Path) -> None:
    """A file under any name, packed or not, is read as what it is."""
    path = tmp_path / name
    path.write_bytes(data)
    capture = read_capture(path)
    assert capture.times.tolist() == [0, 5_000, 9_000]
    assert capture.levels("AS").tolist() == [1, 0, 1]
    assert capture.source == str(path)


def test_one_reader_at_most_knows_a_head() -> None:
    """Each head is known to its own reader only."""
    assert [[r.name for r in READERS if r.sniff(head)] for head in (VCD, CSV, b"hello\n")] == [
        ["vcd"], ["csv"], []
    ]  # fmt: skip


def test_an_opened_file_tells_lines_before_and_notes_after(tmp_path: Path) -> None:
    """Lines are known from the header; counted notes after the chunks, which can be read again."""
    path = tmp_path / "made.vcd"
    path.write_bytes(VCD + b"#12 0! 1!\n")
    opened = open_capture(path)
    assert (opened.lines, opened.notes) == (("AS",), ())
    ends = [[chunk.end for chunk in opened.chunks(2)] for _ in range(2)]
    assert ends == [[9_000, 12_000]] * 2
    assert len(opened.notes) == 1


def test_chunks_of_no_rows_are_refused(tmp_path: Path) -> None:
    """At least one row a chunk."""
    path = tmp_path / "made.vcd"
    path.write_bytes(VCD)
    with pytest.raises(ValueError, match="rows must be 1 or more, not 0"):
        next(open_capture(path).chunks(0))
