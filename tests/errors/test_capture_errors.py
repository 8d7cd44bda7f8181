"""Tables of mistakes in capture files, with their messages whole."""

from __future__ import annotations

import gzip
from typing import TYPE_CHECKING

import pytest

from busdecode.capture import READERS, Reader, read_capture, readers
from busdecode.errors import CaptureError, RequestError

if TYPE_CHECKING:
    from pathlib import Path

HEAD = "$timescale 1 ns $end\n$var wire 1 ! AS $end\n$var wire 2 # D $end\n$enddefinitions $end\n"

VCD_MISTAKES = [
    (
        "$timescale 1 ns $end\n$var wire 1 ! AS $end\n",
        "made.vcd:2:18: the file ends inside its header\n"
        "  2 | $var wire 1 ! AS $end\n"
        "    |                  ^\n"
        "  expected: $enddefinitions $end after the declarations\n"
        "  do:       export the capture again; it looks cut short",
    ),
    (
        "$timescale 1 ns $end\n$var wire 1 ! AS",
        "made.vcd:2:15: the file ends inside $var\n"
        "  2 | $var wire 1 ! AS\n"
        "    |               ^\n"
        "  expected: $end\n"
        "  do:       export the capture again; it looks cut short",
    ),
    (
        "$timescale 1 ns $end\n$enddefinitions $end\n#0\n",
        "made.vcd:2:17: the header declares no line\n"
        "  2 | $enddefinitions $end\n"
        "    |                 ^\n"
        "  expected: at least one $var of a wire or another type with levels\n"
        "  do:       export the capture again with its channels",
    ),
    (
        "$timescale 1 min $end\n" + HEAD,
        "made.vcd:1:14: the time scale must be a number and s, ms, us, ns, ps or fs, not '1 min'\n"
        "  1 | $timescale 1 min $end\n"
        "    |              ^\n"
        "  expected: 1, 10 or 100 and a unit, such as $timescale 1 ns $end\n"
        "  do:       correct the $timescale, or take it out and tell the unit with --time-unit",
    ),
    (
        "$var wire two ! AS $end\n",
        "made.vcd:1:11: the size of a $var must be 1 or more, not 'two'\n"
        "  1 | $var wire two ! AS $end\n"
        "    |           ^\n"
        "  expected: $var type size code name $end\n"
        "  do:       correct the size",
    ),
    (
        "$var wire 4 ! D [7:0] $end\n",
        "made.vcd:1:17: 'D[7:0]' is declared with 4 bits, but its range holds 8\n"
        "  1 | $var wire 4 ! D [7:0] $end\n"
        "    |                 ^\n"
        "  expected: a range as wide as the size\n"
        "  do:       correct the size or the range",
    ),
    (
        "$var wire 4 ! D $end\n$var wire 3 ! E $end\n",
        "made.vcd:2:13: code '!' is declared with 4 bits and again with 3\n"
        "  2 | $var wire 3 ! E $end\n"
        "    |             ^\n"
        "  expected: one size for all names on a code\n"
        "  do:       export the capture again; its header contradicts itself",
    ),
    (
        "$upscope $end\n",
        "made.vcd:1:1: $upscope without an open $scope\n"
        "  1 | $upscope $end\n"
        "    | ^\n"
        "  expected: as many $upscope as $scope at most\n"
        "  do:       take this $upscope out",
    ),
    (
        "$var port 1 <0 AS $end\n",
        "made.vcd:1:6: this is an extended VCD ($var port)\n"
        "  1 | $var port 1 <0 AS $end\n"
        "    |      ^\n"
        "  expected: a four-state VCD, as $dumpvars writes it\n"
        "  do:       export a four-state VCD",
    ),
    (
        "$var wire 1 ! $end\n",
        "made.vcd:1:15: a $var has no name\n"
        "  1 | $var wire 1 ! $end\n"
        "    |               ^\n"
        "  expected: $var type size code name $end\n"
        "  do:       name it",
    ),
    (
        "$var wire 1 ! AS $end\n#0\n1!\n",
        "made.vcd:2:1: '#0' before $enddefinitions\n"
        "  2 | #0\n"
        "    | ^\n"
        "  expected: a declaration: $scope, $var, $upscope, $timescale or $enddefinitions\n"
        "  do:       export the capture again; its header looks damaged",
    ),
    (
        HEAD + "#0\n1!\n 1%q\n",
        "made.vcd:7:3: value for an undeclared code '%q'\n"
        "  7 |  1%q\n"
        "    |   ^\n"
        "  expected: a code from a $var line above $enddefinitions\n"
        "  do:       export the whole capture again; its header or this line looks cut short",
    ),
    (
        HEAD + "#0\nb01 %q\n",
        "made.vcd:6:5: value for an undeclared code '%q'\n"
        "  6 | b01 %q\n"
        "    |     ^\n"
        "  expected: a code from a $var line above $enddefinitions\n"
        "  do:       export the whole capture again; its header or this line looks cut short",
    ),
    (
        HEAD + "#0\nr1.5 %q\n",
        "made.vcd:6:6: value for an undeclared code '%q'\n"
        "  6 | r1.5 %q\n"
        "    |      ^\n"
        "  expected: a code from a $var line above $enddefinitions\n"
        "  do:       export the whole capture again; its header or this line looks cut short",
    ),
    (
        HEAD + "#0\n1 !\n",
        "made.vcd:6:1: the value 1 stands without a code\n"
        "  6 | 1 !\n"
        "    | ^\n"
        "  expected: the code right behind the value, such as 1!\n"
        "  do:       take the blank out, or export the capture again",
    ),
    (
        HEAD + "#0\nhello\n",
        "made.vcd:6:1: 'hello' is no value change\n"
        "  6 | hello\n"
        "    | ^\n"
        "  expected: 0, 1, x or z and a code, b and digits, a #time, or a $command\n"
        "  do:       export the capture as four-state VCD",
    ),
    (
        HEAD + "#0\npD 6 0 <3\n",
        "made.vcd:6:1: 'pD' is a port of an extended VCD\n"
        "  6 | pD 6 0 <3\n"
        "    | ^\n"
        "  expected: 0, 1, x or z and a code, b and digits, a #time, or a $command\n"
        "  do:       export the capture as four-state VCD",
    ),
    (
        HEAD + "#0\nb101 #\n",
        "made.vcd:6:2: 3 digits for code '#', which has 2 bits\n"
        "  6 | b101 #\n"
        "    |  ^\n"
        "  expected: 2 digits at most\n"
        "  do:       correct the value, or the size in its $var",
    ),
    (
        HEAD + "#0\nb10 !\n",
        "made.vcd:6:2: 2 digits for code '!', which has 1 bit\n"
        "  6 | b10 !\n"
        "    |  ^\n"
        "  expected: 1 digit at most\n"
        "  do:       correct the value, or the size in its $var",
    ),
    (
        HEAD + "#0\nb0u #\n",
        "made.vcd:6:2: a vector value must be b and digits 0, 1, x or z, not 'b0u'\n"
        "  6 | b0u #\n"
        "    |  ^\n"
        "  expected: a value such as b01xz\n"
        "  do:       correct the value, or export the capture again",
    ),
    (
        HEAD + "#50\n1!\n#5",
        "made.vcd:7:1: the file ends inside a time stamp: 5 after 50\n"
        "  7 | #5\n"
        "    | ^\n"
        "  expected: a whole time stamp, and a line end after the last change\n"
        "  do:       export the capture again; it looks cut short",
    ),
    (
        HEAD + "#5\n1!\n#4\n",
        "made.vcd:7:1: time runs backward: 4 after 5\n"
        "  7 | #4\n"
        "    | ^\n"
        "  expected: 5 or later\n"
        "  do:       export the capture again, or sort it",
    ),
    (
        HEAD + "#5ns\n1!\n",
        "made.vcd:5:1: a time must be # and a whole number, not '#5ns'\n"
        "  5 | #5ns\n"
        "    | ^\n"
        "  expected: a time such as #1250\n"
        "  do:       correct the time, or export the capture again",
    ),
    (
        HEAD + "#9223372036854776\n1!\n",
        "made.vcd:5:1: the time does not fit into 64 bits of picoseconds\n"
        "  5 | #9223372036854776\n"
        "    | ^\n"
        "  expected: a time below 9223372 s\n"
        "  do:       correct the time, or the $timescale",
    ),
    (
        HEAD + "#0\n$dumpvars\n1!\n#5\n",
        "made.vcd:8:1: a time inside $dumpvars\n"
        "  8 | #5\n"
        "    | ^\n"
        "  expected: $end before the next time\n"
        "  do:       export the capture again; a part looks cut out",
    ),
    (
        HEAD + "#0\n$dumpvars\n1!\n$dumpall\n",
        "made.vcd:8:1: $dumpall inside $dumpvars\n"
        "  8 | $dumpall\n"
        "    | ^\n"
        "  expected: $end\n"
        "  do:       export the capture again; a part looks cut out",
    ),
    (
        HEAD + "#0\n$dumpvars\n1!\n",
        "made.vcd:7:1: the file ends inside $dumpvars\n"
        "  7 | 1!\n"
        "    | ^\n"
        "  expected: $end\n"
        "  do:       export the capture again; it looks cut short",
    ),
    (
        HEAD + "#0\n1!\n$comment cut he",
        "made.vcd:7:14: the file ends inside $comment\n"
        "  7 | $comment cut he\n"
        "    |              ^\n"
        "  expected: $end\n"
        "  do:       export the capture again; it looks cut short",
    ),
    (
        HEAD + "#0\n1!\nb0",
        "made.vcd:7:1: the file ends after the value 'b0', before its code\n"
        "  7 | b0\n"
        "    | ^\n"
        "  expected: a blank and the code of a line\n"
        "  do:       export the capture again; it looks cut short",
    ),
    (
        HEAD + "#0\n1!\n$end\n",
        "made.vcd:7:1: $end without a command that it ends\n"
        "  7 | $end\n"
        "    | ^\n"
        "  expected: $dumpvars, $dumpall, $dumpon, $dumpoff or $comment before it\n"
        "  do:       take this $end out",
    ),
    (
        HEAD + "#0\n$dumpports\n",
        "made.vcd:6:1: '$dumpports' after $enddefinitions\n"
        "  6 | $dumpports\n"
        "    | ^\n"
        "  expected: $dumpvars, $dumpall, $dumpon, $dumpoff or $comment\n"
        "  do:       export the capture as four-state VCD",
    ),
    (
        HEAD + "#0\n#5\n",
        "made.vcd: the file holds no row of levels\n"
        "  expected: at least one time with the levels of the lines\n"
        "  do:       export the capture again, with its samples",
    ),
]

CSV_MISTAKES = [
    (
        "Time (ns),AS,DS\n0,1,1\n5,,1\n",
        "made.csv:3: column AS: the cell is empty\n"
        "  3 | 5,,1\n"
        "  expected: a value in every cell\n"
        "  do:       write x for a level that is not known",
    ),
    (
        "Time (ns),AS,DS\n0,1,1\n,1,1\n",
        "made.csv:3: column Time (ns): the cell is empty\n"
        "  3 | ,1,1\n"
        "  expected: a value in every cell\n"
        "  do:       write the time, or take the row out",
    ),
    (
        "Time (ns),AS,DS\n0,1,1\n5,1\n",
        "made.csv:3: column DS: 2 cells in this row\n"
        "  3 | 5,1\n"
        "  expected: 3 cells as in the header (line 1)\n"
        "  do:       write x for a level that is not known; no cell may be missing",
    ),
    (
        "Time (ns),AS,DS\n0,1,1\n5,1,1,0\n",
        "made.csv:3: 4 cells in this row\n"
        "  3 | 5,1,1,0\n"
        "  expected: 3 cells as in the header (line 1)\n"
        "  do:       write x for a level that is not known; no cell may be missing",
    ),
    (
        "Time (ns),AS,DS\n0,1,1\n5,0,2\n",
        "made.csv:3: column DS: the level must be 0, 1, x or z, not '2'\n"
        "  3 | 5,0,2\n"
        "  expected: one level, or a column whose name has a range for hexadecimal values\n"
        "  do:       for a bus, write its range into the header, such as DS[7:0]",
    ),
    (
        "Time (ns),AS,DATA\n0,1,0\n5,0,A5F1\n",
        "made.csv:3: column DATA: the level must be 0, 1, x or z, not 'A5F1'\n"
        "  3 | 5,0,A5F1\n"
        "  expected: one level, or a column whose name has a range for hexadecimal values\n"
        "  do:       for a bus, write its range into the header, such as DATA[15:0]",
    ),
    (
        "Time (ns),D[7:0]\n0,1\n5,G0\n",
        "made.csv:3: column D[7:0]: a bus value must be hexadecimal, not 'G0'\n"
        "  3 | 5,G0\n"
        "  expected: a hexadecimal value up to FF, with or without 0x\n"
        "  do:       correct the cell, or the range in the header",
    ),
    (
        "Time (ns),D[5:0]\n0,1\n5,40\n",
        "made.csv:3: column D[5:0]: '40' does not fit into 6 bits\n"
        "  3 | 5,40\n"
        "  expected: a hexadecimal value up to 3F, with or without 0x\n"
        "  do:       correct the cell, or the range in the header",
    ),
    (
        "Time (ns),D[5:0]\n0,1\n5,\n",
        "made.csv:3: column D[5:0]: the cell is empty\n"
        "  3 | 5,\n"
        "  expected: a value in every cell\n"
        "  do:       write x for a level that is not known",
    ),
    (
        "Time (ns),AS\n0,1\nfive,0\n",
        "made.csv:3: column Time (ns): a time must be a number, not 'five'\n"
        "  3 | five,0\n"
        "  expected: a number, without a unit\n"
        "  do:       correct the cell",
    ),
    (
        "Time (ns),AS\n0,1\n5 ns,0\n",
        "made.csv:3: column Time (ns): a time must be a number, not '5 ns'\n"
        "  3 | 5 ns,0\n"
        "  expected: a number, without a unit\n"
        "  do:       correct the cell",
    ),
    (
        "Time (ns),AS\n0,1\n5,0\n5,1\n",
        "made.csv:4: column Time (ns): the times do not rise: '5' after '5'\n"
        "  4 | 5,1\n"
        "  expected: a time later than in the row above\n"
        "  do:       export the capture again, or sort it",
    ),
    (
        "Time (s),AS\n0,1\n1e9,0\n",
        "made.csv:3: column Time (s): the time '1e9' does not fit into 64 bits of picoseconds\n"
        "  3 | 1e9,0\n"
        "  expected: a time below 9223372 s\n"
        "  do:       correct the cell, or the unit",
    ),
    (
        "Time,AS\n0,1\n5,0\n",
        "made.csv:1: column Time: the times have no unit\n"
        "  1 | Time,AS\n"
        "  expected: a unit in the header, such as Time (ns)\n"
        "  do:       write it there, or tell it with --time-unit",
    ),
    (
        "Sample,AS\n0,1\n5,0\n",
        "made.csv:1: column Sample: the samples are numbered, but their period is not known\n"
        "  1 | Sample,AS\n"
        "  expected: the sample period of the instrument\n"
        "  do:       tell it with --sample-period, such as --sample-period 10ns",
    ),
    (
        "AS,DS\n0,1\n1,0\n",
        "made.csv:1: no column is a time or a sample number; the columns are 'AS', 'DS'\n"
        "  1 | AS,DS\n"
        "  expected: a column such as Time (ns), or Sample\n"
        "  do:       rename the column, or add one",
    ),
    (
        "0,1\n5,0\n",
        "made.csv:1: the table has no header line\n"
        "  1 | 0,1\n"
        "  expected: a line of column names, such as: Time (ns),AS,D[15:0]\n"
        "  do:       write one above the rows",
    ),
    (
        "Time (ns),D[0],D[1:0]\n0,1,3\n",
        "made.csv:1: column D[1:0]: line D[0] is also in column D[0]\n"
        "  1 | Time (ns),D[0],D[1:0]\n"
        "  expected: every line once\n"
        "  do:       rename one of the columns",
    ),
    (
        "Time (ns),t,D[1:0]\n0,1,3\n",
        "made.csv:1: column t: the column before it, Time (ns), holds times too\n"
        "  1 | Time (ns),t,D[1:0]\n"
        "  expected: one column of times\n"
        "  do:       rename the one that is not",
    ),
    (
        "Time (ns),,D[1:0]\n0,1,3\n",
        "made.csv:1: column 2 has no name\n"
        "  1 | Time (ns),,D[1:0]\n"
        "  expected: a name for every column\n"
        "  do:       name it",
    ),
    (
        "Time (ns),\n0,\n",
        "made.csv:1: no column holds levels\n"
        "  1 | Time (ns),\n"
        "  expected: a column for each line or bus\n"
        "  do:       export the channels too",
    ),
    (
        "Time (ns),AS\n",
        "made.csv: the file holds no row of levels\n"
        "  expected: at least one time with the levels of the lines\n"
        "  do:       export the capture again, with its samples",
    ),
    (
        'Time (ns),AS\n0,1\n"5,0\n',
        "made.csv:3: the quotes do not fit: unexpected end of data\n"
        '  3 | "5,0\n'
        "  expected: 2 cells as in the header (line 1)\n"
        "  do:       close the quote, or take it out",
    ),
    (
        b"Time (ns),AS\n0,1\n5,\xb5\n",
        "made.csv:3: the byte 0xb5 is not UTF-8\n"
        "  expected: text in UTF-8\n"
        "  do:       save the file as UTF-8",
    ),
]

FILE_MISTAKES = [
    (
        "made.vcd",
        b"",
        "made.vcd: the file is empty\n"
        "  expected: a capture as VCD or CSV, plain or gzip\n"
        "  do:       export the capture again",
    ),
    (
        "made.vcd",
        b"ab\0cd",
        "made.vcd: byte 2: the file is binary (a NUL byte)\n"
        "  expected: text: VCD or CSV, plain or gzip\n"
        "  do:       export the capture as VCD or CSV",
    ),
    (
        "made.csv",
        "Time (ns),AS\n".encode("utf-16"),
        "made.csv: byte 0: the text is UTF-16\n"
        "  expected: text in UTF-8\n"
        "  do:       save it as UTF-8",
    ),
    (
        "made.vcd.gz",
        HEAD.encode(),
        "made.vcd.gz: byte 0: the file is called .gz but is not gzip\n"
        "  expected: the bytes 1f 8b\n"
        "  do:       pack it with gzip, or take .gz off its name",
    ),
    (
        "made.vcd.gz",
        gzip.compress(HEAD.encode(), mtime=0)[:-9],
        "made.vcd.gz: the gzip stream is damaged: Compressed file ended before the"
        " end-of-stream marker was reached\n"
        "  expected: a whole gzip file\n"
        "  do:       copy or pack the file again",
    ),
    (
        "made.txt",
        b"\nhello\nworld\n",
        "made.txt: the format is not known; its first line is 'hello'\n"
        "  expected: VCD, or CSV with a header line that names a time or sample column\n"
        "  do:       tell the format with --capture-format vcd|csv",
    ),
]

REQUEST_MISTAKES = [
    (
        {"format": "vdc"},
        "the format must be one of vcd, csv, not 'vdc'\n  do:       did you mean vcd?",
    ),
    ({"time_unit": "min"}, "the time unit must be one of s, ms, us, ns, ps, not 'min'"),
    ({"sample_period": 0}, "the sample period must be 1 ps or more, not 0 ps"),
    (
        {"time_unit": "ns"},
        "a time unit of ns is told, but the file has a $timescale\n"
        "  do:       leave the time unit out",
    ),
]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder of its own, so that messages hold the file name alone."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def said(folder: Path, name: str, data: bytes) -> str:
    """Write a file, read it, and give the message of its error."""
    (folder / name).write_bytes(data)
    with pytest.raises(CaptureError) as caught:
        read_capture(name)
    return str(caught.value)


@pytest.mark.parametrize(("text", "message"), VCD_MISTAKES)
def test_mistakes_in_vcd_files(text: str, message: str, folder: Path) -> None:
    """Each broken VCD gives its one message, whole."""
    assert said(folder, "made.vcd", text.encode()) == message


@pytest.mark.parametrize(("text", "message"), CSV_MISTAKES)
def test_mistakes_in_csv_tables(text: str | bytes, message: str, folder: Path) -> None:
    """Each broken table gives its one message, whole."""
    data = text if isinstance(text, bytes) else text.encode()
    assert said(folder, "made.csv", data) == message


@pytest.mark.parametrize(("name", "data", "message"), FILE_MISTAKES)
def test_files_that_are_no_capture(name: str, data: bytes, message: str, folder: Path) -> None:
    """Empty, binary, wrongly packed and unknown files are told apart."""
    assert said(folder, name, data) == message


def test_a_folder_and_a_missing_file(folder: Path) -> None:
    """Neither gives a traceback of the system."""
    for name, message in [
        (".", ".: this is a folder, not a file\n  do:       name one capture file in it"),
        ("no.vcd", "no.vcd: there is no such file\n  do:       check the name and the folder"),
    ]:
        with pytest.raises(CaptureError) as caught:
            read_capture(name)
        assert str(caught.value) == message


@pytest.mark.parametrize(("told", "message"), REQUEST_MISTAKES)
def test_options_that_do_not_fit(told: dict[str, int | str], message: str, folder: Path) -> None:
    """What the user tells is checked, alone and against the file."""
    (folder / "made.vcd").write_text(HEAD + "#0\n1!\n")
    with pytest.raises(RequestError) as caught:
        read_capture("made.vcd", **told)  # type: ignore[arg-type]
    assert str(caught.value) == message


def test_two_readers_that_say_yes_are_both_named(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that two readers claim is not guessed at."""
    greedy = Reader("greedy", lambda head: True, READERS[0].open)
    monkeypatch.setattr(readers, "READERS", (*READERS, greedy))
    assert said(folder, "made.vcd", HEAD.encode()) == (
        "made.vcd: the file may be vcd and greedy; its first line is '$timescale 1 ns $end'\n"
        "  expected: VCD, or CSV with a header line that names a time or sample column\n"
        "  do:       tell the format with --capture-format vcd|csv|greedy"
    )


def test_lines_are_counted_across_buffers(folder: Path) -> None:
    """A mistake far into a file has its own line number, for VCD and CSV."""
    rows = 120_000
    body = "".join(f"#{at}\n{at % 2}!\n" for at in range(rows))
    text = said(folder, "made.vcd", (HEAD + body + "1?\n").encode())
    assert text.startswith(f"made.vcd:{4 + 2 * rows + 1}:2: value for an undeclared code '?'\n")
    body = "".join(f"{at},{at % 2},{'0' * 8}\n" for at in range(rows))
    text = said(folder, "made.csv", ("Time (ns),AS,D[31:0]\n" + body + "7,0,0\n").encode())
    assert text.startswith(f"made.csv:{rows + 2}: column Time (ns): the times do not rise: '7'")


@pytest.mark.parametrize(("rows", "column"), [("5,q,1\n6,0,q\n", "AS"), ("5,0,q\n6,q,1\n", "DS")])
def test_the_first_row_with_a_mistake_is_told(rows: str, column: str, folder: Path) -> None:
    """Of mistakes in two columns the upper one is reported."""
    text = said(folder, "made.csv", f"Time (ns),AS,DS\n0,1,1\n{rows}".encode())
    assert text.startswith(f"made.csv:3: column {column}: the level must be")
