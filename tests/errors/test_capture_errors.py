"""Tables of mistakes in capture files, with their messages whole."""

from __future__ import annotations

import gzip
import io
import zipfile
from typing import TYPE_CHECKING

import pytest

from busdecode.capture import READERS, Reader, read_capture, readers
from busdecode.errors import CaptureError, RequestError

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.usefixtures("both_ways")

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
        "$timescale 9223372036854776 ms $end\n" + HEAD,
        "made.vcd:1:29: the time scale '9223372036854776 ms' is more than 64 bits of ps can count\n"
        "  1 | $timescale 9223372036854776 ms $end\n"
        "    |                             ^\n"
        "  expected: 1, 10 or 100 and a unit, such as $timescale 1 ns $end\n"
        "  do:       correct the $timescale, or take it out and tell the unit with --time-unit",
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
        "$var wire 99999999 ! AS $end\n",
        "made.vcd:1:11: the size of a $var must be 1 to 65536, not '99999999'\n"
        "  1 | $var wire 99999999 ! AS $end\n"
        "    |           ^\n"
        "  expected: $var type size code name $end\n"
        "  do:       correct the size",
    ),
    (
        "$var wire two ! AS $end\n",
        "made.vcd:1:11: the size of a $var must be 1 to 65536, not 'two'\n"
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
        "made.vcd:7:1: the file ends at byte 94 inside a word: time runs backward: 5 after 50;"
        " all is whole up to 50 ns\n"
        "  7 | #5\n"
        "    | ^\n"
        "  expected: 50 or later\n"
        "  do:       export the capture again, or give --allow-truncated",
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
        "made.vcd:7:1: the file ends at byte 101 inside $dumpvars;"
        " all is whole up to 0 ns\n"
        "  7 | 1!\n"
        "    | ^\n"
        "  expected: $end\n"
        "  do:       export the capture again, or give --allow-truncated",
    ),
    (
        HEAD + "#0\n1!\n$comment cut he",
        "made.vcd:7:14: the file ends at byte 106 inside $comment;"
        " all is whole up to 0 ns\n"
        "  7 | $comment cut he\n"
        "    |              ^\n"
        "  expected: $end\n"
        "  do:       export the capture again, or give --allow-truncated",
    ),
    (
        HEAD + "#0\n1!\nb0",
        "made.vcd:7:1: the file ends at byte 93 after the value 'b0', before its code;"
        " all is whole up to 0 ns\n"
        "  7 | b0\n"
        "    | ^\n"
        "  expected: a blank and the code of a line\n"
        "  do:       export the capture again, or give --allow-truncated",
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
        "Time (ns),D[99999999:0]\n0,1\n",
        "made.csv:1: column D[99999999:0]: a bus of 100000000 lines\n"
        "  1 | Time (ns),D[99999999:0]\n"
        "  expected: a range of 65536 lines at most\n"
        "  do:       correct the range in the header",
    ),
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
        "made.csv:4: column Time (ns): the times do not rise: '5' after 5 ns\n"
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
        "  do:       tell which one it is with --time-column, or rename or add one",
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
        "  do:       tell which one it is with --time-column",
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
        b"\xef\xbb\xbfTime (ns),AS\n0,1\n5,\xb5\n",
        "made.csv:3: the byte 0xb5 is not UTF-8\n"
        "  expected: text in UTF-8\n"
        "  do:       save the file as UTF-8",
    ),
    (
        "Time (ns),AS,DS\n0,1,1\n5,1",
        "made.csv:3: byte 25: the file ends inside a row; all is whole up to 0 ns\n"
        "  3 | 5,1\n"
        "  expected: 3 cells as in the header (line 1), and a line end\n"
        "  do:       export the capture again, or give --allow-truncated",
    ),
    (
        b"Time (ns),AS\n0,1\n5,\0\n",
        "made.csv: byte 19: a NUL byte in the text\n"
        "  expected: CSV, which is text\n"
        "  do:       export the capture again; a part of the file looks overwritten",
    ),
    (
        "Time (ns),AS\nfive,0\n",
        "made.csv:2: column Time (ns): a time must be a number, not 'five'\n"
        "  2 | five,0\n"
        "  expected: a number, without a unit\n"
        "  do:       correct the cell",
    ),
    (
        "Time,AS\n01/03/2026 10:11:12,1\n01/03/2026 10:11:13,0\n",
        "made.csv:1: column Time: in '01/03/2026 10:11:12' the day or the month may stand first\n"
        "  1 | Time,AS\n"
        "  expected: dates such as 2026-03-01 10:11:12.5\n"
        "  do:       is the day or the month first? Write the dates with the year first",
    ),
    (
        "Time,AS\n2026-03-01 10:11:12,1\n2026-03-32 10:11:13,0\n",
        "made.csv:3: column Time: a time must be a date and a time, not '2026-03-32 10:11:13'\n"
        "  3 | 2026-03-32 10:11:13,0\n"
        "  expected: a cell such as 2026-03-01 10:11:12.5\n"
        "  do:       correct the cell",
    ),
    (
        "Time,AS\n2026-03-01 10:11:12,1\n2027-03-01 10:11:13,0\n",
        "made.csv:3: column Time: the time '2027-03-01 10:11:13' does not fit into 64 bits of"
        " picoseconds\n"
        "  3 | 2027-03-01 10:11:13,0\n"
        "  expected: a time below 9223372 s after the first row\n"
        "  do:       correct the cell",
    ),
    (
        "Time,AS\n2026-03-01 10:11:12,1\n2026-03-01 10:11:11,0\n",
        "made.csv:3: column Time: the times do not rise: '2026-03-01 10:11:11' after 0 ns from"
        " the first row\n"
        "  3 | 2026-03-01 10:11:11,0\n"
        "  expected: a time later than in the row above\n"
        "  do:       export the capture again, or sort it",
    ),
    (
        "Time,AS\n2026-02-30 10:11:12,1\n",
        "made.csv:1: column Time: there is no date '2026-02-30 10:11:12'\n"
        "  1 | Time,AS\n"
        "  expected: dates such as 2026-03-01 10:11:12.5\n"
        "  do:       correct the cell",
    ),
    (
        "Sample rate: 300 MHz\nSample,AS\n0,1\n1,0\n",
        "made.csv:2: column Sample: the sample period in line 1 is no whole number of"
        " picoseconds\n"
        "  2 | Sample,AS\n"
        "  expected: a sample period in whole ps\n"
        "  do:       tell it rounded, with --sample-period 3333ps",
    ),
    (
        "Sample rate: 100 MHz\nSample rate: 200 MHz\nSample,AS\n0,1\n1,0\n",
        "made.csv:3: column Sample: line 1 and line 2 tell different sample periods\n"
        "  3 | Sample,AS\n"
        "  expected: one sample period\n"
        "  do:       tell it with --sample-period, such as --sample-period 10ns",
    ),
    (
        "Sample rate: 100 MHz\nSample,AS\n0,1\n3,0\n3,1\n",
        "made.csv:5: column Sample: the sample numbers do not rise: '3' after 3\n"
        "  5 | 3,1\n"
        "  expected: a sample number later than in the row above\n"
        "  do:       export the capture again, or sort it",
    ),
    (
        "Sample rate: 100 MHz\nSample,AS\n0,1\n1.5,0\n",
        "made.csv:4: column Sample: a sample number must be a whole number, not '1.5'\n"
        "  4 | 1.5,0\n"
        "  expected: a whole number, without a unit\n"
        "  do:       correct the cell",
    ),
    (
        "Time (us);B[15:0]\n0;0b01\n1;0b11\n",
        "made.csv:1: column B[15:0]: '0b01' may be a prefix and a value, or hexadecimal digits"
        " only\n"
        "  1 | Time (us);B[15:0]\n"
        "  expected: a bus whose base can be told\n"
        "  do:       name the base in the header, such as B[15:0] (bin), (dec) or (hex)",
    ),
    (
        "Time (ns),D[3:0] (bin)\n0,1\n5,2\n",
        "made.csv:3: column D[3:0] (bin): a bus value must be binary, not '2'\n"
        "  3 | 5,2\n"
        "  expected: a binary value up to 1111, with or without 0b\n"
        "  do:       correct the cell, or the range in the header",
    ),
    (
        "Time (ns),D[3:0] (dec)\n0,1\n5,16\n",
        "made.csv:3: column D[3:0] (dec): '16' does not fit into 4 bits\n"
        "  3 | 5,16\n"
        "  expected: a decimal value up to 15, with or without 0d\n"
        "  do:       correct the cell, or the range in the header",
    ),
    (
        '"Time (us)","AS"\n"1,500","1"\n"2,500","0"\n',
        "made.csv:1: column Time (us): the comma in '1,500' may mark decimals or thousands\n"
        '  1 | "Time (us)","AS"\n'
        "  expected: times with a decimal point, or none\n"
        "  do:       write the times with a point, or other separators between the cells",
    ),
]


def zip_of(*names: str) -> bytes:
    """Make a zip archive with these files, or folders where a name ends in a slash."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name in names:
            # A fixed date: without one the bytes, which name the test, would hold the time.
            archive.writestr(zipfile.ZipInfo(name), HEAD)
    return packed.getvalue()


def changed(data: bytes, mark: bytes, behind: int, byte: int) -> bytes:
    """Put another byte in, so far behind the start of a mark."""
    at = data.index(mark) + behind
    return data[:at] + bytes([byte]) + data[at + 1 :]


FILE_MISTAKES = [
    (
        "made.vcd",
        b"",
        "made.vcd: the file is empty\n"
        "  expected: a capture, plain or packed by gzip, zstd, xz, bzip2 or zip\n"
        "  do:       export the capture again",
    ),
    (
        "made.vcd",
        b"ab\0cd",
        "made.vcd: byte 2: the format is not known; the file is binary\n"
        "  expected: VCD, CSV with a header line that names a time or sample column, or a NumPy"
        " file\n"
        "  do:       describe packed samples in a TOML file, and name it with --layout",
    ),
    (
        "made.csv",
        "Time (ns),AS\n".encode("utf-16"),
        "made.csv: the file holds no row of levels\n"
        "  expected: at least one time with the levels of the lines\n"
        "  do:       export the capture again, with its samples",
    ),
    (
        "made.vcd.gz",
        HEAD.encode(),
        "made.vcd.gz: byte 0: the file is called .gz but is not gzip\n"
        "  expected: the bytes 1f 8b 08\n"
        "  do:       pack it with gzip, or take .gz off its name",
    ),
    (
        "made.vcd.gz",
        gzip.compress(HEAD.encode(), mtime=0)[:-9],
        "made.vcd.gz: byte 67: the gzip stream ends early; all is whole up to 0 ns\n"
        "  expected: a whole gzip file\n"
        "  do:       copy or pack the file again, or give --allow-truncated",
    ),
    (
        "made.vcd.xz",
        gzip.compress(b"", mtime=0),
        "made.vcd.xz: the file is empty once unpacked (gzip)\n"
        "  expected: a capture, plain or packed by gzip, zstd, xz, bzip2 or zip\n"
        "  do:       export the capture again",
    ),
    (
        "made.vcd.ZST",
        HEAD.encode(),
        "made.vcd.ZST: byte 0: the file is called .ZST but is not zstd\n"
        "  expected: the bytes 28 b5 2f fd\n"
        "  do:       pack it with zstd, or take .ZST off its name",
    ),
    (
        "made.zip",
        zip_of("one.vcd", "captures/two.vcd"),
        "made.zip: the zip archive holds 2 files: 'one.vcd', 'captures/two.vcd'\n"
        "  expected: one capture file in it\n"
        "  do:       unpack the one wanted and give that file",
    ),
    (
        "made.zip",
        zip_of(*(f"{at}.vcd" for at in range(12))),
        "made.zip: the zip archive holds 12 files: '0.vcd', '1.vcd', '2.vcd', '3.vcd', '4.vcd',"
        " '5.vcd', '6.vcd', '7.vcd', '8.vcd', '9.vcd' and 2 more\n"
        "  expected: one capture file in it\n"
        "  do:       unpack the one wanted and give that file",
    ),
    (
        "made.zip",
        zip_of("captures/"),
        "made.zip: the zip archive holds no file\n"
        "  expected: one capture file in it\n"
        "  do:       pack the capture again",
    ),
    (
        "made.zip",
        # From memory: general purpose bit 0, at byte 8 of an entry of the directory.
        changed(zip_of("made.vcd"), b"PK\1\2", 8, 1),
        "made.zip: 'made.vcd' in the zip archive is encrypted\n"
        "  expected: a zip archive without a password\n"
        "  do:       unpack it and give the file itself",
    ),
    (
        "made.zip",
        # From memory: the method, at byte 10 of an entry; 9 is a deflate with a larger window.
        changed(zip_of("made.vcd"), b"PK\1\2", 10, 9),
        "made.zip: 'made.vcd' in the zip archive is packed by method 9, which is not known\n"
        "  expected: stored, deflate, bzip2, zstd or xz (method 0, 8, 12, 93 or 95)\n"
        "  do:       unpack it and give the file itself",
    ),
    (
        "made.zip",
        changed(zip_of("made.vcd"), b"PK\1\2", 0, 0),
        "made.zip: the directory of the zip archive is damaged: Bad magic number for central"
        " directory\n"
        "  expected: a whole zip archive\n"
        "  do:       copy or pack the file again",
    ),
    (
        "made.zip",
        zip_of("made.vcd")[:20],
        "made.zip: byte 20: the zip archive ends inside its first header\n"
        "  expected: a whole zip archive\n"
        "  do:       copy or pack the file again",
    ),
    (
        "made.txt",
        b"\nhello\nworld\n",
        "made.txt: the format is not known; its first line is 'hello'\n"
        "  expected: VCD, CSV with a header line that names a time or sample column, or a NumPy"
        " file\n"
        "  do:       tell the format with --capture-format vcd|csv|numpy|packed",
    ),
]

REQUEST_MISTAKES = [
    (
        {"format": "vdc"},
        "the format must be one of vcd, csv, numpy, packed, not 'vdc'\n"
        "  do:       did you mean vcd?",
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
    (folder / "made.vcd").write_text(HEAD)
    for name, message in [
        (".", ".: this is a folder, not a file\n  do:       name one capture file in it"),
        ("no.vcd", "no.vcd: there is no such file\n  do:       check the name and the folder"),
        ("made.vcd/no", "made.vcd/no: the file cannot be opened: Not a directory"),
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
        "  expected: VCD, CSV with a header line that names a time or sample column, or a NumPy"
        " file\n"
        "  do:       tell the format with --capture-format vcd|csv|numpy|packed|greedy"
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
