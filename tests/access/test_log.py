"""Access logs: CSV with its small liberties, and any text by a pattern."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from busdecode.access import Access, AccessLog, format_log, read_log, read_pattern

if TYPE_CHECKING:
    from pathlib import Path


def logged(tmp_path: Path, text: str, pattern: str | None = None) -> AccessLog:
    """Write a log and read it."""
    path = tmp_path / "made.log"
    path.write_text(text, encoding="utf-8")
    return read_log(path, None if pattern is None else read_pattern(pattern))


HEAD = "op,address,size,data\n"
CSV = [
    (HEAD + "write,0x1000,2,0xBEEF\n", Access("write", 0x1000, 2, 0xBEEF, None, 2)),
    (HEAD + "write,1000,2,beef\n", Access("write", 0x1000, 2, 0xBEEF, None, 2)),
    (HEAD + "WRITE, $1000 ,2, 0XBEEF\n", Access("write", 0x1000, 2, 0xBEEF, None, 2)),
    (HEAD + "w,10,1,7\n", Access("write", 0x10, 1, 7, None, 2)),
    (HEAD + "rd,10,1,7\n", Access("read", 0x10, 1, 7, None, 2)),
    (HEAD + "io-write,10,1,7\n", Access("io-write", 0x10, 1, 7, None, 2)),
    (HEAD + "# a note, with commas\n\nread,10,4,7\n", Access("read", 0x10, 4, 7, None, 4)),
    ("# first\n" + HEAD + "read,10,1,7\r\n", Access("read", 0x10, 1, 7, None, 3)),
    ("data,size,op,address\n12,1,read,FF\n", Access("read", 0xFF, 1, 0x12, None, 2)),
    ("Op,Address,Size,Data\nread,FF,1,12\n", Access("read", 0xFF, 1, 0x12, None, 2)),
    ("op,address,size,data,expected\nread,0,1,5,4\n", Access("read", 0, 1, 5, 4, 2)),
    ("op,address,size,data,expected\nread,0,1,5,\n", Access("read", 0, 1, 5, None, 2)),
    ("\ufeff" + HEAD + "read,0,1,5\n", Access("read", 0, 1, 5, None, 2)),
]


@pytest.mark.parametrize(("text", "access"), CSV, ids=range(len(CSV)))
def test_one_access_as_csv(tmp_path: Path, text: str, access: Access) -> None:
    """Hexadecimal with or without 0x or $, sizes decimal, columns in any order, comments."""
    log = logged(tmp_path, text)
    assert log.accesses == (access,)
    assert (log.skipped, log.notes) == (0, ())
    assert log.source == str(tmp_path / "made.log")


def test_order_is_kept(tmp_path: Path) -> None:
    """The log is a story."""
    log = logged(tmp_path, HEAD + "write,0,1,1\nread,0,1,1\nwrite,0,1,2\n")
    assert [(each.op, each.data, each.line) for each in log.accesses] == [
        ("write", 1, 2),
        ("read", 1, 3),
        ("write", 2, 4),
    ]


PATTERN = r"(?P<op>[WR]) (?P<address>[0-9A-Fa-f]+) (?:<-|->) (?P<data>\w+)"
TEXT = "boot\n[1] W 1000 <- beef\n[2] R 1000 -> 0xBEEF\n\n[3] W 1002 <- 012345678\nbye\n"


def test_any_text_by_a_pattern(tmp_path: Path) -> None:
    """Size follows from the digits of data; lines that do not match are counted, blank ones not."""
    log = logged(tmp_path, TEXT, PATTERN)
    assert log.accesses == (
        Access("write", 0x1000, 2, 0xBEEF, None, 2),
        Access("read", 0x1000, 2, 0xBEEF, None, 3),
        Access("write", 0x1002, 5, 0x12345678, None, 5),
    )
    assert log.skipped == 2
    assert log.notes == ("2 lines of the log did not match the pattern",)


def test_a_pattern_that_names_size_and_expected(tmp_path: Path) -> None:
    """What the groups say counts, digits or not."""
    pattern = r"(?P<op>\w+) (?P<address>\w+)\.(?P<size>\d) (?P<data>\w+)(?: not (?P<expected>\w+))?"
    log = logged(tmp_path, "read 10.4 5 not 7\nread 14.4 8\n", pattern)
    assert log.accesses == (
        Access("read", 0x10, 4, 5, 7, 1),
        Access("read", 0x14, 4, 8, None, 2),
    )


def test_a_pattern_kept_in_a_file(tmp_path: Path) -> None:
    """A TOML file with the one key, pattern."""
    path = tmp_path / "monitor.toml"
    path.write_text(f"pattern = '{PATTERN}'\n", encoding="utf-8")
    assert read_pattern(str(path)).pattern == PATTERN


ACCESSES = (
    Access("write", 0x10, 2, 0xAB, None, 2),
    Access("read", 0x12, 1, None, None, 3),
)


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    """With full width, so that a person sees the size."""
    given = [ACCESSES[0], Access("read", 0x12, 1, 5, 6, 3)]
    text = format_log(given, 6)
    assert text == (
        "op,address,size,data,expected\nwrite,0x000010,2,0x00AB,\nread,0x000012,1,0x05,0x06\n"
    )
    assert list(logged(tmp_path, text).accesses) == given


def test_an_access_without_data_has_an_empty_cell() -> None:
    """As for a read that is only asked for."""
    assert format_log(ACCESSES, 2) == ("op,address,size,data\nwrite,0x10,2,0x00AB\nread,0x12,1,\n")
