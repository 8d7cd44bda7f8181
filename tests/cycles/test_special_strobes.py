"""Strobes and acknowledges that are tied, stuck, shared or skewed, or glitch.

A capture decodes to what its lines show: a strobe that moves once too often begins a beat. Every
capture is also cut into chunks of one, two and three rows. Moments are columns of the drawing.

When a master of IEEE 1014 has taken read data is from memory; when a memory chip is written is
from the HT6116-70 data sheet, notes 1 to 5 of the write cycle (read).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from busdecode.cycles import decode
from busdecode.protocol import load_bus
from tests.cycles.drawn import drawn, shown

if TYPE_CHECKING:
    from busdecode.protocol import Bus

VME, M68K, Z80 = load_bus("vmebus"), load_bus("mc68000"), load_bus("z80")
SRAM, C6502 = load_bus("sram"), load_bus("6502")
ROW = "cycle beat kind address lanes data ended @start @end"

TIED = r"""
    at       0....5....10...15...20...25...30...35
    A[31:1]  X=========X==========================  1000 2000
    AM[5:0]  X                                      0D
    AS       ~~\______/~~\_______/~~~~~~~~~~~~~~~~
    DS1      ~~~~\_________/~~~\___________/~~~~~~
    DS0      ~~~~\_________/~~~\___________/~~~~~~
    D[15:0]  ???????X========??????X=========?????  1111 2222
"""


@pytest.mark.parametrize(("line", "ended"), [("DTACK", "acknowledged"), ("BERR", "error")])
def test_an_acknowledge_tied_active_is_seen_at_once_in_every_beat(line: str, ended: str) -> None:
    """It has no edge; `asserted` holds where it is looked for first, at the begin of each beat."""
    assert shown(VME, f"{TIED} {line} _", f"{ROW} @acknowledge") == [
        f"0 0 read 0x00001000 0011 0x----1111 {ended} 4 14 4",
        f"1 0 read 0x00002000 0011 0x----2222 {ended} 18 30 18",
    ]


def test_an_acknowledge_tied_negated_is_never_seen() -> None:
    """No acknowledge phase; 100 ns and 120 ns are too short for a timeout."""
    assert shown(VME, TIED, "data ended @acknowledge") == [
        "0x----1111 unacknowledged .",
        "0x----2222 unacknowledged .",
    ]


def test_an_acknowledge_tied_active_serves_both_beats_of_a_read_modify_write() -> None:
    """Each beat has its own acknowledge phase, from its own begin."""
    drawing = r"""
        at       0....5....10...15...20...25...30...35
        A[23:1]  X                                     1000
        AS       ~~~~\___________________________/~~~
        UDS      ~~~~\_______/~~~~~~~~~\_________/~~~
        R/W      ~~~~~~~~~~~~~~~~~~\_______________/~
        D[15:8]  ???????X======??????X=============??  1100 2200
        DTACK    _
    """
    assert shown(M68K, drawing, f"{ROW} @acknowledge rmw") == [
        "0 0 read 0x001000 10 0x11-- acknowledged 4 12 4 true",
        "0 1 write 0x001000 10 0x22-- acknowledged 22 32 22 true",
    ]


@pytest.mark.parametrize(
    ("level", "ended"), [("~", "acknowledged"), ("_", "unacknowledged")], ids=["high", "low"]
)
def test_a_wait_line_tied_either_way_has_no_edge_to_begin_a_phase(level: str, ended: str) -> None:
    """Acknowledged is a beat that ends with WAIT negated, and this description has no timeout."""
    drawing = rf"""
        at       0....5....10...15...20...25...
        A[15:0]  X                               1234
        MREQ     ~~~~\_________________/~~~~~~~
        RD       ~~~~\_________________/~~~~~~~
        WAIT     {level}
        D[7:0]   ??????????X==============?????  5A
    """
    assert shown(Z80, drawing, f"{ROW} @acknowledge") == [f"0 0 read 0x1234 1 0x5A {ended} 4 22 ."]


CLOCKED = r"""
    at       0....5....10...15...20...25.
    A[15:0]  X==X=========X==============  FFFE 0200 0201
    R/W      ~
    PHI2     ~~\____/~~~~\____/~~~~\____/
    D[7:0]   ?????????X====?????X====????  5A 5B
"""


def test_a_ready_line_tied_active_ends_each_cycle_at_the_next_fall() -> None:
    """What the capture begins and ends in is cut off, all between is acknowledged."""
    assert shown(C6502, f"{CLOCKED} RDY ~", ROW) == [
        "0 0 . . . . cut-off 0 2",
        "1 0 read 0x0200 1 0x5A acknowledged 7 12",
        "2 0 read 0x0201 1 0x5B acknowledged 17 22",
        "3 0 . . . . cut-off 27 28",
    ]


def test_a_ready_line_tied_negated_stretches_one_cycle_over_the_whole_capture() -> None:
    """It began before the capture, as far as anyone can tell, and does not end in it."""
    assert shown(C6502, f"{CLOCKED} RDY _", ROW) == ["0 0 . . . . cut-off 0 28"]


WHOLE = ["0 0 . . . . cut-off 0 24"]
STUCK = [
    ("AS of vmebus asserted", VME, "AS _", "DS1", WHOLE, 0),
    ("AS of vmebus negated", VME, "AS ~", "DS1", [], 2),
    ("AS of mc68000 asserted", M68K, "AS _", "UDS", WHOLE, 0),
    ("AS of mc68000 negated", M68K, "AS ~", "UDS", [], 2),
    ("MREQ asserted", Z80, "MREQ _", "RD", WHOLE, 0),
    ("MREQ negated", Z80, "MREQ ~", "RD", [], 2),
    ("CS and OE asserted, WE negated", SRAM, "CS _\nOE _", "A0", WHOLE, 0),
    ("CS negated", SRAM, "CS ~", "WE", [], 0),
    ("PHI2 low", C6502, "PHI2 _", "RDY", WHOLE, 0),
    ("PHI2 high", C6502, "PHI2 ~", "RDY", WHOLE, 0),
]


@pytest.mark.parametrize(
    ("bus", "stuck", "moving", "rows", "outside"),
    [case[1:] for case in STUCK],
    ids=[case[0] for case in STUCK],
)
def test_a_cycle_strobe_that_never_moves_gives_no_cycle(
    bus: Bus, stuck: str, moving: str, rows: list[str], outside: int
) -> None:
    """Asserted: one cycle, cut off at both ends. Negated: none, and stray beats are counted."""
    drawing = f"{stuck}\n{moving} " + r"~~~~\_____/~~~\_____/~~~"
    assert shown(bus, drawing, ROW) == rows
    assert decode(bus, [drawn(bus, drawing)])[1].strays == outside


ADDRESSES = r"""
    at       0....5....10...15...20..
    A[31:1]  X==========X============  1000 2000
    AM[5:0]  X                         0D
    AS       ~~~~\_____/~~~\_____/~~~
    D[15:0]  X                         BEEF
"""


def test_data_strobes_stuck_negated_leave_addresses_only() -> None:
    """DTACK never comes, and no data phase begins."""
    assert shown(VME, ADDRESSES, ROW) == [
        "0 0 address-only 0x00001000 0000 . unacknowledged 4 10",
        "1 0 address-only 0x00002000 0000 . unacknowledged 14 20",
    ]


def test_data_strobes_of_vmebus_stuck_asserted_never_end_a_beat() -> None:
    """A beat may outlast its AS: the one that the first AS finds begun is cut off.

    It is still open when the second AS comes and goes, which has no data phase of its own.
    """
    assert shown(VME, f"{ADDRESSES} DS1 _\n DS0 _", ROW) == [
        "0 0 . . . . cut-off 4 24",
        "1 0 address-only 0x00002000 0000 . unacknowledged 14 20",
    ]


def test_data_strobes_of_mc68000_stuck_asserted_begin_and_end_beats_with_AS() -> None:
    """They are asserted where the cycle begins, and a beat never outlasts its cycle."""
    drawing = r"""
        at       0....5....10...15...20..
        A[23:1]  X===========X===========  1000 2000
        AS       ~~~~\_____/~~~\_____/~~~
        UDS      _
        LDS      _
        D[15:0]  X                         BEEF
        DTACK    ~~~~~~~\___/~~~~~\___/~~
    """
    assert shown(M68K, drawing, ROW) == [
        "0 0 read 0x001000 11 0xBEEF acknowledged 4 10",
        "1 0 read 0x002000 11 0xBEEF acknowledged 14 20",
    ]


@pytest.mark.parametrize(("stuck", "moving"), [("CS", "WE"), ("WE", "CS")])
def test_a_chip_select_or_write_enable_stuck_asserted_leaves_the_other(
    stuck: str, moving: str
) -> None:
    """A write is where both are low: from the later fall to the earlier rise."""
    drawing = rf"""
        at       0....5....10...15...20..
        A[14:0]  X===========X===========  1234 5678
        {stuck}  _
        {moving} ~~~~\_____/~~~\_____/~~~
        D[7:0]   ??????X=====????X=====??  5A A5
    """
    assert shown(SRAM, drawing, ROW) == [
        "0 0 write 0x1234 1 0x5A unacknowledged 4 10",
        "1 0 write 0x5678 1 0xA5 unacknowledged 14 20",
    ]


def test_a_read_of_a_chip_that_becomes_a_write_in_one_sample() -> None:
    """WE asserts at 14 with CS and OE asserted: one edge ends the read and begins the write."""
    drawing = r"""
        at       0....5....10...15...20...25...
        A[14:0]  X                               1234
        CS       ~~~~\_____________________/~~~
        OE       ~~~~\_____________________/~~~
        WE       ~~~~~~~~~~~~~~\___________/~~~
        D[7:0]   ????????X========?X==========?  A5 5A
    """
    assert shown(SRAM, drawing, f"{ROW} unsure") == [
        "0 0 read 0x1234 1 0xA5 unacknowledged 4 14 false",
        "1 0 write 0x1234 1 0x5A unacknowledged 14 26 false",
    ]


def test_a_write_of_a_chip_that_becomes_a_read_in_one_sample() -> None:
    """WE negates at 14 with CS and OE asserted."""
    drawing = r"""
        at       0....5....10...15...20...25...
        A[14:0]  X                               1234
        CS       ~~~~\_____________________/~~~
        OE       ~~~~\_____________________/~~~
        WE       ~~~~\_________/~~~~~~~~~~~~~~~
        D[7:0]   ????????X=======????X========?  5A A5
    """
    assert shown(SRAM, drawing, f"{ROW} unsure") == [
        "0 0 write 0x1234 1 0x5A unacknowledged 4 14 false",
        "1 0 read 0x1234 1 0xA5 unacknowledged 14 26 false",
    ]


def test_a_glitch_on_one_data_strobe_ends_no_beat() -> None:
    """DS0 is high at 12 alone, DS1 is not: one beat, on both lanes."""
    drawing = r"""
        at       0....5....10...15...20...25
        A[31:1]  X                           1000
        AM[5:0]  X                           0D
        AS       ~~\_________________/~~~~~
        DS1      ~~~~\_______________/~~~~~
        DS0      ~~~~\_______/\______/~~~~~
        D[15:0]  ???????X===============???  BEEF
        DTACK    ~~~~~~~~~\____________/~~~
    """
    assert shown(VME, drawing, f"{ROW} unsure") == [
        "0 0 read 0x00001000 0011 0x----BEEF acknowledged 4 20 false"
    ]


def test_a_glitch_on_AS_of_vmebus_makes_an_address_phase_too_many() -> None:
    """High at 8 alone: the beat is that of the first address phase, and the second has none."""
    drawing = r"""
        at       0....5....10...15...20...25
        A[31:1]  X                           1000
        AM[5:0]  X                           0D
        AS       ~~\_____/\__________/~~~~~
        DS1      ~~~~\_______________/~~~~~
        DS0      ~~~~\_______________/~~~~~
        D[15:0]  ????????????X==========???  BEEF
        DTACK    ~~~~~~~~~~~~~~\_______/~~~
    """
    assert shown(VME, drawing, ROW) == [
        "0 0 read 0x00001000 0011 0x----BEEF acknowledged 4 20",
        "1 0 address-only 0x00001000 0000 . unacknowledged 9 20",
    ]


def test_a_glitch_on_AS_of_mc68000_cuts_a_cycle_into_two() -> None:
    """High at 9 alone: the first of the two has neither data nor acknowledge."""
    drawing = r"""
        at       0....5....10...15...20...25.
        A[23:1]  X                             1000
        AS       ~~~~\____/\___________/~~~~~
        UDS      ~~~~\_________________/~~~~~
        LDS      ~~~~\_________________/~~~~~
        D[15:0]  ??????????????X==========???  BEEF
        DTACK    ~~~~~~~~~~~~\___________/~~~
    """
    assert shown(M68K, drawing, ROW) == [
        "0 0 read 0x001000 11 0x???? unacknowledged 4 9",
        "1 0 read 0x001000 11 0xBEEF acknowledged 10 22",
    ]


def test_a_glitch_on_AS_between_cycles_is_an_address_only_cycle_of_one_sample() -> None:
    """Low at 4 alone."""
    drawing = r"""
        at       0....5....10...15...20...25...30...35...
        A[31:1]  X=========X=============================  5000 1000
        AM[5:0]  X                                         0D
        AS       ~~~~\/~~~~~~~~\___________________/~~~~~
        DS1      ~~~~~~~~~~~~~~~~\_________________/~~~~~
        DS0      ~~~~~~~~~~~~~~~~\_________________/~~~~~
        D[15:0]  ????????????????????????X============???  BEEF
        DTACK    ~~~~~~~~~~~~~~~~~~~~~~~~~~\_________/~~~
    """
    assert shown(VME, drawing, ROW) == [
        "0 0 address-only 0x00005000 0000 . unacknowledged 4 5",
        "1 0 read 0x00001000 0011 0x----BEEF acknowledged 16 34",
    ]


def test_a_glitch_on_RD_of_z80_makes_a_beat_too_many() -> None:
    """High at 12 alone, within one MREQ: one cycle of two reads."""
    drawing = r"""
        at       0....5....10...15...20...25...
        A[15:0]  X                               1234
        MREQ     ~~~~\_________________/~~~~~~~
        RD       ~~~~\_______/\________/~~~~~~~
        D[7:0]   ?????????X===============?????  5A
    """
    assert shown(Z80, drawing, f"{ROW} rmw") == [
        "0 0 read 0x1234 1 0x5A acknowledged 4 12 false",
        "0 1 read 0x1234 1 0x5A acknowledged 13 22 false",
    ]


@pytest.mark.parametrize(
    ("data", "last", "unsure"),
    [
        ("????????X====================???  A5", "A5", "false"),
        ("????????X=======X============???  A5 A4", "A4", "true"),
    ],
    ids=["quiet", "moving"],
)
def test_a_glitch_on_WE_is_a_write_of_one_sample(data: str, last: str, unsure: str) -> None:
    """Low at 15 alone, in a read; a byte that moves in the sample of the rise is unsure."""
    drawing = rf"""
        at       0....5....10...15...20...25...30
        A[14:0]  X                                 1234
        CS       ~~~~\_____________________/~~~~~
        OE       ~~~~\_____________________/~~~~~
        WE       ~~~~~~~~~~~~~~~\/~~~~~~~~~~~~~~~
        D[7:0]   {data}
    """
    assert shown(SRAM, drawing, f"{ROW} unsure") == [
        "0 0 read 0x1234 1 0xA5 unacknowledged 4 15 false",
        f"1 0 write 0x1234 1 0xA5 unacknowledged 15 16 {unsure}",
        f"2 0 read 0x1234 1 0x{last} unacknowledged 16 26 false",
    ]


def test_a_glitch_on_the_clock_of_6502_cuts_a_cycle_into_two() -> None:
    """PHI2 is low at 10 alone: the first of the two ends before there is data."""
    drawing = r"""
        at       0....5....10...15...20...25.
        A[15:0]  X==X=============X==========  FFFE 0200 0201
        R/W      ~
        PHI2     ~~\____/~~\/~~~~\____/~~~~\_
        D[7:0]   ?????????????X====??????X===  5A 5B
    """
    assert shown(C6502, drawing, ROW) == [
        "0 0 . . . . cut-off 0 2",
        "1 0 read 0x0200 1 0x?? acknowledged 7 10",
        "2 0 read 0x0200 1 0x5A acknowledged 11 16",
        "3 0 read 0x0201 1 0x5B acknowledged 21 26",
        "4 0 . . . . cut-off 26 28",
    ]


def test_a_glitch_shorter_than_a_sample_may_not_be_in_the_capture() -> None:
    """LDS is high at 18 and 19; an instrument that looks at every fifth moment misses it."""
    quiet, glitch = (
        rf"""
        at       0....5....10...15...20...25...30...35...40...45...50...55.
        A[23:1]  X                                                           1000
        AS       ~~~~~~\_____________________________________/~~~~~~~~~~~~~
        LDS      ~~~~~~\{shown_as}________________________/~~~~~~~~~~~~~
        D[7:0]   ?????????????X========================================????  5A
        DTACK    ~~~~~~~~~~~~~~~~\_____________________________/~~~~~~~~~~~
        """
        for shown_as in ("_____________", r"___________/\ ".strip())
    )
    whole = ["0 0 read 0x001001 01 0x--5A acknowledged 10 45"]
    assert shown(M68K, quiet, ROW, ns=5, every=5) == whole
    assert shown(M68K, glitch, ROW, ns=5, every=5) == whole
    assert shown(M68K, glitch, "beat @start @end", ns=5) == ["0 6 18", "1 19 44"]


SKEWS = [(one, other) for one in (0, 1, -1) for other in (0, 1, -1)]


def strobes(begins: int, ends: int) -> tuple[str, str]:
    """Draw two strobes, asserted from 5 to 15; the first leads by so many samples, or lags."""
    first, second = (
        "~" * (5 + (begin > 0)) + "\\" + "_" * (9 + (end > 0) - (begin > 0)) + "/"
        for begin, end in ((-begins, -ends), (begins, ends))
    )
    return first.ljust(22, "~"), second.ljust(22, "~")


@pytest.mark.parametrize(("begins", "ends"), SKEWS)
@pytest.mark.parametrize("writes", [False, True], ids=["read", "write"])
def test_data_strobes_of_vmebus_skewed_by_a_sample_are_one_beat(
    begins: int, ends: int, writes: bool
) -> None:
    """Either may be first, at either edge; from the first to assert to the last to negate."""
    first, second = strobes(begins, ends)
    direction = r"~\________________/~~~" if writes else "~"
    data = "?X================????" if writes else "?????????X=========???"
    drawing = rf"""
        at       0....5....10...15...20
        A[31:1]  X                       1000
        AM[5:0]  X                       0D
        AS       ~~~\____________/~~~~~
        DS1      {first}
        DS0      {second}
        WRITE    {direction}
        D[15:0]  {data}  BEEF
        DTACK    ~~~~~~~~~~~\______/~~~
    """
    end = 15 + (ends != 0)
    assert shown(VME, drawing, f"{ROW} unsure") == [
        f"0 0 {'write' if writes else 'read'} 0x00001000 0011 0x----BEEF acknowledged 5 {end} false"
    ]


def test_read_data_of_vmebus_may_go_with_the_first_strobe() -> None:
    """DS1 negates at 14, the data goes at 16, DS0 negates at 17: what stood before 14 counts."""
    drawing = r"""
        at       0....5....10...15...20
        A[31:1]  X                       1000
        AM[5:0]  X                       0D
        AS       ~~~\____________/~~~~~
        DS1      ~~~~~\________/~~~~~~~
        DS0      ~~~~~\___________/~~~~
        D[15:0]  ?????????X======??????  BEEF
        DTACK    ~~~~~~~~~~~\______/~~~
    """
    assert shown(VME, drawing, f"{ROW} unsure", ns=5) == [
        "0 0 read 0x00001000 0011 0x----BEEF acknowledged 5 17 false"
    ]


@pytest.mark.parametrize(("begins", "ends"), SKEWS)
def test_data_strobes_of_mc68000_skewed_by_a_sample_are_one_beat(begins: int, ends: int) -> None:
    """The same where the lanes are those asserted at any time in the beat."""
    first, second = strobes(begins, ends)
    drawing = rf"""
        at       0....5....10...15...20
        A[23:1]  X                       1000
        AS       ~~~~~\__________/~~~~~
        UDS      {first}
        LDS      {second}
        D[15:0]  ?????????X=========???  BEEF
        DTACK    ~~~~~~~~~~~\______/~~~
    """
    assert shown(M68K, drawing, f"{ROW} unsure") == [
        f"0 0 read 0x001000 11 0xBEEF acknowledged 5 {15 + (ends != 0)} false"
    ]
