"""Mistakes in register-name files: each message whole."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from busdecode.errors import NamesError, RequestError
from busdecode.protocol import load_bus
from busdecode.report.documents import read_names

if TYPE_CHECKING:
    from pathlib import Path

HEAD = b"address,name\n"
HEXADECIMAL = "  expected: hexadecimal digits, with or without 0x, or a range such as 0x100..0x1FF"

MISTAKES = [
    (b"", "made.csv: the file names nothing\n  expected: rows such as 0x100,CTRL"),
    (HEAD, "made.csv: the file names nothing\n  expected: rows such as 0x100,CTRL"),
    (
        b"0x100,CTRL\n",
        "made.csv:1: the header is '0x100,CTRL'\n"
        "  expected: the header address,name\n"
        "  do:       add it as the first line",
    ),
    (
        HEAD + b"0x100\n",
        "made.csv:2: this row has 1 cell\n  2 | 0x100\n  expected: 2 cells: address,name",
    ),
    (
        HEAD + b"0x100,a,b\n",
        "made.csv:2: this row has 3 cells\n"
        "  2 | 0x100,a,b\n"
        "  expected: 2 cells: address,name\n"
        "  do:       write a name with a comma in quotes",
    ),
    (
        HEAD + b"CTRL,0x100\n",
        f"made.csv:2: address is 'CTRL'\n  2 | CTRL,0x100\n{HEXADECIMAL}",
    ),
    (
        HEAD + b"0x100..,BUF\n",
        f"made.csv:2: address is '0x100..'\n  2 | 0x100..,BUF\n{HEXADECIMAL}",
    ),
    (
        HEAD + b"# comment\n0x1FF..0x100,BUF\n",
        "made.csv:3: the range '0x1FF..0x100' ends before it begins\n"
        "  3 | 0x1FF..0x100,BUF\n"
        "  expected: the lower address first\n"
        "  do:       did you mean 0x100..0x1FF?",
    ),
    (
        HEAD + b"0x10000,FAR\n",
        "made.csv:2: z80 has no address 0x10000\n"
        "  2 | 0x10000,FAR\n"
        "  expected: addresses up to 0xFFFF",
    ),
    (
        HEAD + b"0x100, \n",
        "made.csv:2: the name is empty\n  2 | 0x100, \n  expected: a name for each address",
    ),
    (
        HEAD + b"0x100,CTRL\n100,DATA\n",
        "made.csv:3: the address of 'DATA' is the same as that of 'CTRL' in line 2\n"
        "  expected: addresses apart, or a range inside another\n"
        "  do:       take one of the rows out, or correct it",
    ),
    (
        HEAD + b"0x180..0x27F,B\n0x100..0x1FF,A\n",
        "made.csv:3: the address of 'A' crosses that of 'B' in line 2\n"
        "  expected: addresses apart, or a range inside another\n"
        "  do:       take one of the rows out, or correct it",
    ),
    (
        HEAD + b"x,A\n0x100,\n",
        f"made.csv:2: address is 'x'\n  2 | x,A\n{HEXADECIMAL}\n"
        "made.csv:3: the name is empty\n  3 | 0x100,\n  expected: a name for each address",
    ),
    (
        HEAD + b'0x100,"A\n0x101,B\n',
        "made.csv:3: this row cannot be read: unexpected end of data\n"
        "  expected: cells with commas between, quotes closed and doubled inside",
    ),
    (
        HEAD + b"0x100,A\0\n",
        "made.csv: byte 20: this is not text\n"
        "  expected: a register-name file: CSV with the header address,name",
    ),
    (
        HEAD + b"0x100,\xb5s\n",
        "made.csv: byte 19: the byte 0xb5 is not UTF-8\n  do:       save the file as UTF-8",
    ),
]


def message_of(path: Path, bus: str = "z80") -> str:
    """Read a file that holds a mistake, and give the message without the folder."""
    with pytest.raises(NamesError) as caught:
        read_names(path, load_bus(bus))
    return str(caught.value).replace(f"{path.parent}/", "")


@pytest.mark.parametrize(("raw", "message"), MISTAKES, ids=range(len(MISTAKES)))
def test_a_mistake_in_a_register_name_file(tmp_path: Path, raw: bytes, message: str) -> None:
    """File, line, what was found, what was expected; all mistakes of a file in one."""
    path = tmp_path / "made.csv"
    path.write_bytes(raw)

    assert message_of(path) == message


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """No file, or a folder."""
    (tmp_path / "names").mkdir()

    assert message_of(tmp_path / "no.csv") == (
        "no.csv: there is no such file\n  do:       check the path"
    )
    assert message_of(tmp_path / "names") == (
        "names: this is a folder\n  expected: a register-name file"
    )


def test_a_bus_without_addresses_has_no_names(tmp_path: Path) -> None:
    """There is nothing that could be named."""
    with pytest.raises(RequestError) as caught:
        read_names(tmp_path / "names.csv", load_bus("hd44780"))

    assert str(caught.value) == (
        "hd44780 has no address lines, so no address to be named\n"
        "  do:       leave out the register-name file"
    )
