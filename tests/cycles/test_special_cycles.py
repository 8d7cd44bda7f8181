"""Cycles that are no plain read or write, each drawn as its lines go.

What the table must show follows from what cycle, beat and phase mean. Every capture is also cut
into chunks of one, two and three rows. Moments are columns of the drawing.

The orders of edges are those of IEEE Std 1014-1987, 2.2 to 2.6 and 4 (from memory; its lanes and
the 256 bytes of a block read at second hand), of the MC68000 user's manual, 5.1.1 to 5.1.3 and
Table 3-1 (read), of Zilog UM0080, figures 5 to 9 (from memory), and of RDY in the 65C02's data
sheet (from memory).
"""

from __future__ import annotations

import pytest

from busdecode.protocol import load_bus
from tests.cycles.drawn import shown

VME, M68K, Z80 = load_bus("vmebus"), load_bus("mc68000"), load_bus("z80")
C6502 = load_bus("6502")
ROW = "cycle beat kind address lanes data ended @start @end"


def test_a_beat_belongs_to_the_latest_address_phase_begun_before_it() -> None:
    """Address pipelining: the second AS asserts at 12, the first beat's strobes negate at 14."""
    drawing = r"""
        at       0....5....10...15...20...25..
        A[31:1]  X=========X==================  1000 2002
        AM[5:0]  X                              0D
        AS       ~~\______/~~\________/~~~~~~~
        DS1      ~~~~\_________/~~~\______/~~~
        DS0      ~~~~\_________/~~~\______/~~~
        WRITE    ~~~~~~~~~~~~~~~~\__________/~
        D[15:0]  ???????X=======?X==========??  BEEF 1234
        DTACK    ~~~~~~~~\______/~~~~~\____/~~
    """
    assert shown(VME, drawing, ROW) == [
        "0 0 read 0x00001000 0011 0x----BEEF acknowledged 4 14",
        "1 0 write 0x00002002 0011 0x----1234 acknowledged 18 25",
    ]
    assert shown(VME, drawing, "@address @data @acknowledge @release unsure modifier") == [
        "2 4 8 14 false 0x0D",
        "12 18 21 25 false 0x0D",
    ]


def test_three_pipelined_cycles_in_a_row() -> None:
    """Each of the three keeps its own address, direction and data."""
    drawing = r"""
        at       0....5....10...15...20...25...30...35...40...
        A[31:1]  X=========X=============X====================  1000 2000 3000
        AM[5:0]  X                                              0D
        AS       ~~\______/~~\__________/~~\__________/~~~~~~~
        DS1      ~~~~\_________/~~~\_________/~~~\_________/~~
        DS0      ~~~~\_________/~~~\_________/~~~\_________/~~
        WRITE    ~~~~~~~~~~~~~~~~\_____________/~~~~~~~~~~~~~~
        D[15:0]  ???????X=======?X============???????X======??  1111 2222 3333
        DTACK    ~~~~~~~~\______/~~~~~~\______/~~~~~~~\_____/~
    """
    assert shown(VME, drawing, ROW) == [
        "0 0 read 0x00001000 0011 0x----1111 acknowledged 4 14",
        "1 0 write 0x00002000 0011 0x----2222 acknowledged 18 28",
        "2 0 read 0x00003000 0011 0x----3333 acknowledged 32 42",
    ]


@pytest.mark.parametrize(
    ("address_strobe", "begins"),
    [(r"~~\_____/~~~\______/~~~~~", 12), (r"~~\_____/~~~~~~~\__/~~~~~", 16)],
    ids=["as they negate", "as they assert"],
)
def test_an_address_phase_may_begin_in_the_sample_of_an_edge_of_the_data_strobes(
    address_strobe: str, begins: int
) -> None:
    """With the last beat's release, or with the begin of its own beat."""
    drawing = rf"""
        at       0....5....10...15...20...
        A[31:1]  X========X===============  1000 2000
        AM[5:0]  X                          0D
        AS       {address_strobe}
        DS1      ~~~~\_______/~~~\____/~~~
        DS0      ~~~~\_______/~~~\____/~~~
        D[15:0]  ?????X=======??X=======??  1111 2222
        DTACK    ~~~~~~~\____/~~~~~\___/~~
    """
    assert shown(VME, drawing, f"{ROW} @address") == [
        "0 0 read 0x00001000 0011 0x----1111 acknowledged 4 12 2",
        f"1 0 read 0x00002000 0011 0x----2222 acknowledged 16 21 {begins}",
    ]


def block(words: list[int], *, wide: bool, writes: bool, start: int) -> str:
    """Draw a block under one AS, 10 columns a beat, and a single read of address 30 after it."""
    count = len(words)
    data, size = ("D[31:0]", "_") if wide else ("D[15:0]", "~")
    taken = "?X==" + "=======X==" * (count - 1) + "=======???"
    given = "????" + "??X=====??" * count
    long = "_" * 10 * count
    rows = [
        f"A[31:1]  X==={'==========' * count}==X================= {start:X} 30",
        f"AM[5:0]  X==={'==========' * count}==X================= {'0B' if wide else '3F'} 2D",
        f"LWORD    {size * (4 + 10 * count)}{size * 2}{'/' if wide else '~'}~~~~~~~~~~~~~~~~~",
        rf"AS       ~~\_{long}/~~~~~\_________/~~~",
        "DS1      ~~~~" + r"\_____/~~~" * count + r"~~~~~~~~\_______/~~~",
        "DS0      ~~~~" + r"\_____/~~~" * count + r"~~~~~~~~\_______/~~~",
        f"WRITE    ____{long}__/~~~~~~~~~~~~~~~~~" if writes else "WRITE ~",
        f"{data}   {taken if writes else given}??????????X=======?? "
        + " ".join(f"{word:X}" for word in [*words, 0x3333]),
        "DTACK    ~~~~" + r"~~~\___/~~" * count + r"~~~~~~~~~~~~\____/~~",
    ]
    return "\n".join(rows)


@pytest.mark.parametrize("beats", [1, 2, 3, 4, 7, 64, 128])
@pytest.mark.parametrize("writes", [False, True], ids=["read", "write"])
@pytest.mark.parametrize("wide", [False, True], ids=["D16", "D32"])
def test_the_address_of_a_block_goes_on_by_the_bytes_moved(
    beats: int, writes: bool, wide: bool
) -> None:
    """One cycle under one AS; A24 in the D16 blocks, where A31 to A24 do not count.

    The standard ends a block at a boundary of 256 bytes (read at second hand); where a master
    goes on, as 128 long words do here, the bytes moved still tell the address.
    """
    size = 4 if wide else 2
    start = 0x1234_5600 if wide else 0x34_5600 if beats == 128 else 0x34_5602
    first, step = (0x4142_4344, 0x0101_0101) if wide else (0x4142, 0x0101)
    words = [first + step * at for at in range(beats)]
    chunks = (1, 2, 3) if beats < 8 else (11,)
    kind, lanes = "block-write" if writes else "block-read", "1111" if wide else "0011"
    drawing = block(words, wide=wide, writes=writes, start=start | (0 if wide else 0x5600_0000))
    assert shown(VME, drawing, f"{ROW} rmw unsure", chunks=chunks) == [
        *(
            f"0 {at} {kind} 0x{start + size * at:08X} {lanes} 0x{'' if wide else '----'}{word:X} "
            f"acknowledged {4 + 10 * at} {10 + 10 * at} false false"
            for at, word in enumerate(words)
        ),
        f"1 0 read 0x00000030 0011 0x----3333 acknowledged {12 + 10 * beats} {20 + 10 * beats} "
        "false false",
    ]


def test_a_block_of_bytes_takes_the_lanes_in_turn() -> None:
    """D08(EO): DS1 and DS0 by turns, while A1 stays as it was at AS."""
    drawing = r"""
        at       0....5....10...15...20...25...30...35..
        A[31:1]  X=====================================  1002
        AM[5:0]  X                                       0B
        AS       ~~\_______________________________/~~~
        DS1      ~~~~\_____/~~~~~~~~~~~~~\_____/~~~~~~~
        DS0      ~~~~~~~~~~~~~~\_____/~~~~~~~~~~~~~~~~~
        WRITE    ___________________________________/~~
        D[15:8]  ?X=======????????????X===========?????  A100 C300
        D[7:0]   ???????????X=======???????????????????  B2
        DTACK    ~~~~~~~\___/~~~~~\___/~~~~~\___/~~~~~~
    """
    assert shown(VME, drawing, ROW) == [
        "0 0 block-write 0x00001002 0010 0x----A1-- acknowledged 4 10",
        "0 1 block-write 0x00001003 0001 0x------B2 acknowledged 14 20",
        "0 2 block-write 0x00001004 0010 0x----C3-- acknowledged 24 30",
    ]


def test_a_read_modify_write_of_vmebus_is_one_cycle_of_two_beats() -> None:
    """AS stays asserted, WRITE asserts between (IEEE 1014, from memory)."""
    drawing = r"""
        at       0....5....10...15...20...25...30..
        A[31:1]  X=================================  1000
        AM[5:0]  X                                   0D
        AS       ~~\____________________________/~~
        DS1      ~~~~\_______/~~~~~~~\_______/~~~~~
        WRITE    ~~~~~~~~~~~~~~~~\______________/~~
        D[15:8]  ???????X======???X============????  7F00 FF00
        DTACK    ~~~~~~~~\_____/~~~~~~~~~\_____/~~~
    """
    assert shown(VME, drawing, f"{ROW} rmw @address") == [
        "0 0 read 0x00001000 0010 0x----7F-- acknowledged 4 12 true 2",
        "0 1 write 0x00001000 0010 0x----FF-- acknowledged 20 28 true 2",
    ]


def test_a_read_modify_write_of_mc68000_is_one_cycle_of_two_beats() -> None:
    """5.1.3 of the manual: a byte, AS asserted throughout; the write ends with AS."""
    drawing = r"""
        at       0....5....10...15...20...25...30...35...40...45...50
        A[23:1]  X===================================================  1000
        FC[2:0]  X                                                     5
        AS       ~~~~\___________________________________________/~~~
        LDS      ~~~~\______________/~~~~~~~~~~~~~~~~\___________/~~~
        R/W      ~~~~~~~~~~~~~~~~~~~~~~~~~~~~~\_____________________/
        D[7:0]   ????????????X=======????????????X==================?  7F FF
        DTACK    ~~~~~~~~~~\___________/~~~~~~~~~~~~~~~~~~~\_______/~
    """
    assert shown(M68K, drawing, f"{ROW} rmw @address") == [
        "0 0 read 0x001001 01 0x--7F acknowledged 4 19 true 4",
        "0 1 write 0x001001 01 0x--FF acknowledged 36 48 true 4",
    ]


def test_an_address_only_cycle_between_two_others() -> None:
    """AS alone, from 20 to 26: one row, and nothing of its neighbours' data."""
    drawing = r"""
        at       0....5....10...15...20...25...30...35...40...45...50
        A[31:1]  X=================X===========X=====================  1000 2000 3000
        AM[5:0]  X                                                     0D
        AS       ~~\_____________/~~~\_____/~~~~~\_____________/~~~~~
        DS1      ~~~~\_________/~~~~~~~~~~~~~~~~~~~\_________/~~~~~~~
        DS0      ~~~~\_________/~~~~~~~~~~~~~~~~~~~\_________/~~~~~~~
        D[15:0]  ???????X=======??????????????????????X=======???????  1111 3333
        DTACK    ~~~~~~~~\_______/~~~~~~~~~~~~~~~~~~~~~\_______/~~~~~
    """
    assert shown(VME, drawing, f"{ROW} @data @release") == [
        "0 0 read 0x00001000 0011 0x----1111 acknowledged 4 14 4 14",
        "1 0 address-only 0x00002000 0000 . unacknowledged 20 26 . .",
        "2 0 read 0x00003000 0011 0x----3333 acknowledged 34 44 34 44",
    ]


def test_an_address_only_cycle_on_mc68000_between_two_others() -> None:
    """The same where cycles do not overlap."""
    drawing = r"""
        at       0....5....10...15...20...25...30...35...40...45...50...55...60..
        A[23:1]  X=====================X=================X=======================  1000 2000 3000
        AS       ~~~~\_____________/~~~~~~~\_________/~~~~~~~\_____________/~~~~~
        UDS      ~~~~\_____________/~~~~~~~~~~~~~~~~~~~~~~~~~\_____________/~~~~~
        LDS      ~~~~\_____________/~~~~~~~~~~~~~~~~~~~~~~~~~\_____________/~~~~~
        D[15:0]  ????????????X=======????????????????????????????????X=======????  1111 3333
        DTACK    ~~~~~~~~~~\_________/~~~~~~~~~~~~~~~~~~~~~~~~~~~~~\_________/~~~
    """
    assert shown(M68K, drawing, ROW) == [
        "0 0 read 0x001000 11 0x1111 acknowledged 4 18",
        "1 0 address-only 0x002000 00 . unacknowledged 26 36",
        "2 0 read 0x003000 11 0x3333 acknowledged 44 58",
    ]


def test_an_address_only_cycle_that_overlaps_the_beat_before_it() -> None:
    """The second AS comes and goes; the beat from 4 to 24 is still that of the first."""
    drawing = r"""
        at       0....5....10...15...20...25...30...35...40...45
        A[31:1]  X=========X================X===================  1000 2000 3000
        AM[5:0]  X                                                0D
        AS       ~~\______/~~\________/~~~~~~~\___________/~~~~~
        DS1      ~~~~\___________________/~~~~~~\________/~~~~~~
        DS0      ~~~~\___________________/~~~~~~\________/~~~~~~
        D[15:0]  ???????X==================?????????X======?????  1111 3333
        DTACK    ~~~~~~~~\________________/~~~~~~~~~~\____/~~~~~
    """
    assert shown(VME, drawing, ROW) == [
        "0 0 read 0x00001000 0011 0x----1111 acknowledged 4 24",
        "1 0 address-only 0x00002000 0000 . unacknowledged 12 21",
        "2 0 read 0x00003000 0011 0x----3333 acknowledged 31 40",
    ]


LAST = r"""
    A[31:1]  X=================X===========  1000 2000
    AM[5:0]  X                               0D
    DS1      ~~~~\_________/~~~~~~~~~~~~~~~
    DS0      ~~~~\_________/~~~~~~~~~~~~~~~
    D[15:0]  ???????X=======???????????????  1111
    DTACK    ~~~~~~~~\_______/~~~~~~~~~~~~~
"""
ENDS = [
    (r"~~\_____________/~~~\_____/~~~", "address-only 0x00002000 0000 . unacknowledged 20 26"),
    (r"~~\_____________/~~~\________/", "address-only 0x00002000 0000 . unacknowledged 20 29"),
    (r"~~\_____________/~~~\_________", ". . . . cut-off 20 30"),
]


@pytest.mark.parametrize(
    ("address_strobe", "wanted"), ENDS, ids=["before the end", "in the last sample", "not at all"]
)
def test_an_address_only_cycle_as_the_last_thing(address_strobe: str, wanted: str) -> None:
    """Whole where AS negates; cut off, and nothing told, where the capture ends before."""
    assert shown(VME, f"{LAST} AS {address_strobe}", ROW) == [
        "0 0 read 0x00001000 0011 0x----1111 acknowledged 4 14",
        f"1 0 {wanted}",
    ]


def test_one_sample_of_pause_between_cycles_of_vmebus() -> None:
    """All strobes are high in the sample at 16 alone."""
    drawing = r"""
        at       0....5....10...15...20...25...30...35.
        A[31:1]  X==========X==========================  1000 2000
        AM[5:0]  X                                       0D
        AS       ~~\_____________/\_____________/~~~~~~
        DS1      ~~\_____________/\_____________/~~~~~~
        DS0      ~~\_____________/\_____________/~~~~~~
        D[15:0]  ?????X============???X============????  1111 2222
        DTACK    ~~~~~~~\________/~~~~~~\_________/~~~~
    """
    assert shown(VME, drawing, f"{ROW} @acknowledge unsure") == [
        "0 0 read 0x00001000 0011 0x----1111 acknowledged 2 16 7 false",
        "1 0 read 0x00002000 0011 0x----2222 acknowledged 17 31 23 false",
    ]


def test_one_sample_of_pause_between_cycles_of_mc68000() -> None:
    """Two reads of one address; the acknowledge of the first is not the second's."""
    drawing = r"""
        at       0....5....10...15...20...25...30...35...40..
        A[23:1]  X                                            1000
        AS       ~~~~\______________/\______________/~~~~~~~~
        UDS      ~~~~\______________/\______________/~~~~~~~~
        LDS      ~~~~\______________/\______________/~~~~~~~~
        D[15:0]  ????????????X========???????X========???????  1111 2222
        DTACK    ~~~~~~~~~~\________/~~~~~~\__________/~~~~~~
    """
    assert shown(M68K, drawing, f"{ROW} @acknowledge unsure") == [
        "0 0 read 0x001000 11 0x1111 acknowledged 4 19 10 false",
        "1 0 read 0x001000 11 0x2222 acknowledged 20 35 26 false",
    ]


def test_a_write_and_a_read_of_z80_that_meet_in_one_sample() -> None:
    """WR goes and RD comes at 16, while MREQ is high for that sample alone.

    The write's beat is over with its cycle; the read's RD is so already where its cycle begins.
    """
    drawing = r"""
        at       0....5....10...15...20...25...30...35
        A[15:0]  X=============X=====================  1234 5678
        MREQ     ~~~~\___________/\__________/~~~~~~~
        WR       ~~~~~~~~\_______/~~~~~~~~~~~~~~~~~~~
        RD       ~~~~~~~~~~~~~~~~\___________/~~~~~~~
        D[7:0]   ??X===============???X========??????  A5 5A
    """
    assert shown(Z80, drawing, f"{ROW} @address") == [
        "0 0 write 0x1234 1 0xA5 acknowledged 8 16 4",
        "1 0 read 0x5678 1 0x5A acknowledged 17 28 17",
    ]


def test_a_beat_that_ends_in_error() -> None:
    """BERR in place of DTACK begins the acknowledge phase."""
    drawing = r"""
        at       0....5....10...15...20...25.
        A[31:1]  X===========================  1000
        AM[5:0]  X                             0D
        AS       ~~\_______________/~~~~~~~~~
        DS1      ~~~~\_____________/~~~~~~~~~
        DS0      ~~~~\_____________/~~~~~~~~~
        WRITE    ______________________/~~~~~
        D[15:0]  X===========================  DEAD
        BERR     ~~~~~~~~~~~~~~\_____/~~~~~~~
    """
    assert shown(VME, drawing, f"{ROW} @acknowledge") == [
        "0 0 write 0x00001000 0011 0x----DEAD error 4 18 14"
    ]


def test_only_the_beat_of_a_block_that_saw_the_error_ends_in_it() -> None:
    """Three long words; the last is not acknowledged but ends with BERR."""
    drawing = r"""
        at       0....5....10...15...20...25...30...35..
        A[31:1]  X=====================================  1000
        AM[5:0]  X                                       0B
        LWORD    _
        AS       ~~\_____________________________/~~~~~
        DS1      ~~~~\_____/~~~\_____/~~~\_______/~~~~~
        DS0      ~~~~\_____/~~~\_____/~~~\_______/~~~~~
        D[31:0]  ??????X=====????X=====????????????????  1111 2222
        DTACK    ~~~~~~~\___/~~~~~\___/~~~~~~~~~~~~~~~~
        BERR     ~~~~~~~~~~~~~~~~~~~~~~~~~~~~~\____/~~~
    """
    assert shown(VME, drawing, f"{ROW} @acknowledge") == [
        "0 0 block-read 0x00001000 1111 0x00001111 acknowledged 4 10 7",
        "0 1 block-read 0x00001004 1111 0x00002222 acknowledged 14 20 17",
        "0 2 block-read 0x00001008 1111 0x???????? error 24 32 29",
    ]


def test_an_interrupt_acknowledge_with_its_daisy_chain() -> None:
    """Level 3 on A3 to A1, and the lines above it do not count; this slot answers.

    The read after it has no chain phase: an edge of another cycle is never borrowed.
    """
    drawing = r"""
        at       0....5....10...15...20...25...30...35...40...45
        A[31:1]  X=============================X================  FFFFFFF6 1000
        AM[5:0]  X=============================X================  3F 0D
        IACK     ~\_________________________/~~~~~~~~~~~~~~~~~~~
        AS       ~~~\____________________/~~~~~~~~~\_______/~~~~
        DS0      ~~~~~\____________________/~~~~~~~~~\_____/~~~~
        IACKIN   ~~~~~~~~\_________________/~~~~~~~~~~~~~~~~~~~~
        IACKOUT  ~
        D[7:0]   ????????????X===============??????????X======??  40 77
        DTACK    ~~~~~~~~~~~~~~\____________/~~~~~~~~~~~~\____/~
    """
    assert shown(VME, drawing, f"{ROW} @data @chain @acknowledge") == [
        "0 0 interrupt-acknowledge 0x00000007 0001 0x------40 acknowledged 5 26 5 8 14",
        "1 0 read 0x00001001 0001 0x------77 acknowledged 36 42 36 . 40",
    ]


def test_an_interrupt_acknowledge_that_this_slot_passes_on() -> None:
    """Level 4; IACKOUT asserts, and another slot answers."""
    drawing = r"""
        at       0....5....10...15...20...25...
        A[31:1]  X=============================  FFFFFFF8
        IACK     ~\__________________________/~
        AS       ~~~\____________________/~~~~~
        DS0      ~~~~~\__________________/~~~~~
        IACKIN   ~~~~~~~~\________________/~~~~
        IACKOUT  ~~~~~~~~~~\________________/~~
        D[7:0]   ???????????????X==========????  41
        DTACK    ~~~~~~~~~~~~~~~~~\_________/~~
    """
    assert shown(VME, drawing, f"{ROW} @chain @acknowledge") == [
        "0 0 interrupt-acknowledge 0x00000009 0001 0x------41 acknowledged 5 24 8 17"
    ]


def test_a_gap_in_a_beat_of_a_block() -> None:
    """The third beat is open when the instrument goes off; AS is still asserted after it.

    Neither that beat nor what is seen of the block afterwards is decoded; the next cycle is.
    """
    drawing = r"""
        at       0....5....10...15...20...25...30...35...40...45...50...55...60...65
        A[31:1]  X========================###===============X======================  1000 2000
        AM[5:0]  X========================###===============X======================  0B 0D
        AS       ~~\______________________###____________/~~~~~\_____________/~~~~~
        DS1      ~~~~\_____/~~~\_____/~\__###~~\_____/~~~~~~~~~~~~\_________/~~~~~~
        DS0      ~~~~\_____/~~~\_____/~\__###~~\_____/~~~~~~~~~~~~\_________/~~~~~~
        D[15:0]  ??????X=====????X=====???###????X=====??????????????X========?????  1 2 4 5
        DTACK    ~~~~~~~\___/~~~~~\___/~~~###~~~~~\___/~~~~~~~~~~~~~~~\______/~~~~~
    """
    assert shown(VME, drawing, ROW) == [
        "0 0 block-read 0x00001000 0011 0x----0001 acknowledged 4 10",
        "0 1 block-read 0x00001002 0011 0x----0002 acknowledged 14 20",
        "0 2 . . . . cut-off 22 25",
        "1 0 . . . . cut-off 28 40",
        "2 0 read 0x00002000 0011 0x----0005 acknowledged 49 59",
    ]


def test_a_gap_between_beats_of_a_block() -> None:
    """What was whole before it stays, and nothing whole is made of the beat that follows it."""
    drawing = r"""
        at       0....5....10...15...20...25...30...35...40...45...50...55...60...65
        A[31:1]  X======================####================X======================  1000 2000
        AM[5:0]  X======================####================X======================  0B 0D
        AS       ~~\____________________####_____________/~~~~~\_____________/~~~~~
        DS1      ~~~~\_____/~~~\_____/~~####~~~\_____/~~~~~~~~~~~~\_________/~~~~~~
        DS0      ~~~~\_____/~~~\_____/~~####~~~\_____/~~~~~~~~~~~~\_________/~~~~~~
        D[15:0]  ??????X=====????X=====?####?????X=====??????????????X========?????  1 2 4 5
        DTACK    ~~~~~~~\___/~~~~~\___/~####~~~~~~\___/~~~~~~~~~~~~~~~\______/~~~~~
    """
    assert [row for row in shown(VME, drawing, ROW) if "cut-off" not in row] == [
        "0 0 block-read 0x00001000 0011 0x----0001 acknowledged 4 10",
        "0 1 block-read 0x00001002 0011 0x----0002 acknowledged 14 20",
        "2 0 read 0x00002000 0011 0x----0005 acknowledged 49 59",
    ]


def test_a_cycle_stretched_by_RDY_is_one_beat() -> None:
    """RDY is low where PHI2 falls at 22: the read goes on until it falls at 32."""
    drawing = r"""
        at       0....5....10...15...20...25...30...35...40...45
        A[15:0]  X==X=========X===================X=========X===  FFFE C000 0200 0300 C001
        R/W      ~~~~~~~~~~~~~~~~~~~~~~~~~~~~~~~~~\_________/~~~
        SYNC     ___/~~~~~~~~~\_____________________________/~~~
        PHI2     ~~\____/~~~~\____/~~~~\____/~~~~\____/~~~~\____
        RDY      ~~~~~~~~~~~~~~~~~~\_________/~~~~~~~~~~~~~~~~~~
        D[7:0]   X==??????X===????????????????X===?????X====????  EA AD 5A 3C
    """
    assert shown(C6502, drawing, ROW, ns=50) == [
        "0 0 . . . . cut-off 0 2",
        "1 0 fetch 0xC000 1 0xAD acknowledged 7 12",
        "2 0 read 0x0200 1 0x5A acknowledged 17 32",
        "3 0 write 0x0300 1 0x3C acknowledged 37 42",
        "4 0 . . . . cut-off 42 47",
    ]
