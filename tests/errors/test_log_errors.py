"""Tables of mistakes in access logs and their patterns, with their messages whole."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from busdecode.access import Access, read_log, read_pattern, split_access
from busdecode.errors import LogError
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from pathlib import Path

HEAD = b"op,address,size,data\n"
HEXADECIMAL = "  expected: hexadecimal digits, with or without 0x"

MISTAKES = [
    (
        b"",
        "made.csv: the log is empty\n  expected: the header op,address,size,data and accesses",
    ),
    (
        b"op,\0",
        "made.csv: byte 3: this is not text\n  expected: an access log as text",
    ),
    (
        HEAD,
        "made.csv: the log holds no access\n  expected: at least one line of accesses",
    ),
    (
        b"write,100,2,12\n",
        "made.csv:1: no column is called op\n"
        "  1 | write,100,2,12\n"
        "  expected: the header op,address,size,data, and optionally expected\n"
        "  do:       add the header, or give a pattern for another kind of log",
    ),
    (
        b"op,adress,size,data\nwrite,1,1,1\n",
        "made.csv:1: no column is called address; 'adress' is near\n"
        "  1 | op,adress,size,data\n"
        "  expected: the header op,address,size,data, and optionally expected\n"
        "  do:       add the header, or give a pattern for another kind of log",
    ),
    (
        b"op,address,size,data,op\nwrite,1,1,1,read\n",
        "made.csv:1: two columns are called op\n"
        "  1 | op,address,size,data,op\n"
        "  expected: each column once",
    ),
    (
        HEAD + b"write,100,2\n",
        "made.csv:2: this row has 3 cells\n"
        "  2 | write,100,2\n"
        "  expected: 4 cells: op,address,size,data",
    ),
    (
        HEAD + b"write,100,2,\n",
        "made.csv:2:13: data is ''\n  2 | write,100,2,\n    |             ^\n" + HEXADECIMAL,
    ),
    (
        HEAD + b" ,100,2,12\n",
        "made.csv:2:2: op is empty\n"
        "  2 |  ,100,2,12\n"
        "    |  ^\n"
        "  expected: read, write, or the name of another kind of cycle",
    ),
    (
        HEAD + b"write,100,2,12\nwrite, 10G,2,12\n",
        "made.csv:3:8: address is '10G'\n  3 | write, 10G,2,12\n    |        ^\n" + HEXADECIMAL,
    ),
    (
        HEAD + b"write,-1,2,12\n",
        "made.csv:2:7: address is '-1'\n  2 | write,-1,2,12\n    |       ^\n" + HEXADECIMAL,
    ),
    (
        HEAD + b"write,1_0,2,12\n",
        "made.csv:2:7: address is '1_0'\n  2 | write,1_0,2,12\n    |       ^\n" + HEXADECIMAL,
    ),
    (
        HEAD + b"write,2,two,2\n",
        "made.csv:2:9: size is 'two'\n"
        "  2 | write,2,two,2\n"
        "    |         ^\n"
        "  expected: a number of bytes",
    ),
    (
        HEAD + b"write,0,0,0\n",
        "made.csv:2:9: size is 0\n"
        "  2 | write,0,0,0\n"
        "    |         ^\n"
        "  expected: a size from 1 to 64 bytes",
    ),
    (
        HEAD + b"write,0,65,0\n",
        "made.csv:2:9: size is 65\n"
        "  2 | write,0,65,0\n"
        "    |         ^\n"
        "  expected: a size from 1 to 64 bytes",
    ),
    (
        HEAD + b"write,123456,2,123456\n",
        "made.csv:2:16: data '123456' is wider than the access of 2 bytes\n"
        "  2 | write,123456,2,123456\n"
        "    |                ^\n"
        "  expected: at most 4 hexadecimal digits of value",
    ),
    (
        b"op,address,size,data,expected\nread,1,1,1,100\n",
        "made.csv:2:12: expected '100' is wider than the access of 1 byte\n"
        "  2 | read,1,1,1,100\n"
        "    |            ^\n"
        "  expected: at most 2 hexadecimal digits of value",
    ),
]


def message_of(path: Path, tmp_path: Path, pattern: str | None = None) -> str:
    """Read a log that holds a mistake, and give the message without the folder."""
    with pytest.raises(LogError) as caught:
        read_log(path, None if pattern is None else read_pattern(pattern))
    return str(caught.value).replace(f"{tmp_path}/", "")


@pytest.mark.parametrize(("raw", "message"), MISTAKES, ids=range(len(MISTAKES)))
def test_a_mistake_in_a_csv_log(tmp_path: Path, raw: bytes, message: str) -> None:
    """The column is that of the cell, also where the same digits stand elsewhere in the row."""
    path = tmp_path / "made.csv"
    path.write_bytes(raw)
    assert message_of(path, tmp_path) == message


PATTERN = r"(?P<op>[WR]) (?P<address>\w+) (?P<data>\w+)"
BY_PATTERN = [
    (
        "1000: W 10g0 beef\n",
        "made.log:1:9: address is '10g0'\n  1 | 1000: W 10g0 beef\n    |         ^\n" + HEXADECIMAL,
    ),
    (
        "nothing here\n",
        "made.log: no line matches the log pattern\n"
        "  expected: lines that match '(?P<op>[WR]) (?P<address>\\\\w+) (?P<dat...'",
    ),
]


@pytest.mark.parametrize(("text", "message"), BY_PATTERN, ids=["digits", "none"])
def test_a_mistake_in_a_log_read_by_a_pattern(tmp_path: Path, text: str, message: str) -> None:
    """The column is where the group matched."""
    path = tmp_path / "made.log"
    path.write_text(text, encoding="utf-8")
    assert message_of(path, tmp_path, PATTERN) == message


def test_a_log_that_is_not_there(tmp_path: Path) -> None:
    """No file, or a folder."""
    assert message_of(tmp_path / "no.csv", tmp_path) == (
        "no.csv: there is no such file\n  do:       check the path"
    )
    (tmp_path / "logs").mkdir()
    assert message_of(tmp_path / "logs", tmp_path) == (
        "logs: this is a folder\n  expected: an access log"
    )


PATTERNS = [
    (
        "(",
        "the log pattern stops making sense: missing ), unterminated subpattern at position 0\n"
        "  expected: a regular expression",
    ),
    (
        "(?P<op>.) (?P<address>.)",
        "the log pattern names no group 'data'\n"
        "  expected: groups (?P<op>...), (?P<address>...), (?P<data>...) and, where the digits "
        "of data do not tell it, (?P<size>...)",
    ),
]


@pytest.mark.parametrize(("pattern", "message"), PATTERNS, ids=["syntax", "group"])
def test_a_mistake_in_a_pattern(pattern: str, message: str) -> None:
    """Before any log is read."""
    with pytest.raises(LogError) as caught:
        read_pattern(pattern)
    assert str(caught.value) == message


PATTERN_FILES = [
    (None, "made.toml: there is no such file"),
    (
        "pattern = 5\n",
        "made.toml: the key 'pattern' is missing\n"
        "  expected: pattern = '(?P<op>...) (?P<address>...) (?P<data>...)'",
    ),
    (
        "pattern = oops\n",
        "made.toml: this is not TOML: unreadable value (at line 1, column 11)\n"
        "  expected: a TOML file with the key 'pattern'",
    ),
]


@pytest.mark.parametrize(("text", "message"), PATTERN_FILES, ids=["none", "key", "syntax"])
def test_a_mistake_in_a_pattern_file(tmp_path: Path, text: str | None, message: str) -> None:
    """The file is named."""
    path = tmp_path / "made.toml"
    if text is not None:
        path.write_text(text, encoding="utf-8")
    with pytest.raises(LogError) as caught:
        read_pattern(str(path))
    assert str(caught.value).replace(f"{tmp_path}/", "") == message


def test_an_access_that_the_bus_cannot_make() -> None:
    """Its kinds are named; those without data are no access."""
    with pytest.raises(LogError) as caught:
        split_access(load_bus("z80"), Access("erase", 0, 1, 0, None, 7))
    assert str(caught.value) == (
        "7: z80 has no cycle for 'erase'\n"
        "  expected: one of interrupt-acknowledge, fetch, read, write, io-read, io-write"
    )


def test_data_made_by_hand_that_is_wider_than_its_access() -> None:
    """The same rule as for logs."""
    with pytest.raises(LogError) as caught:
        split_access(load_bus("z80"), Access("write", 0, 1, 0x100))
    assert str(caught.value) == (
        "data 0x100 is wider than the access of 1 bytes\n  expected: at most 0xFF"
    )
