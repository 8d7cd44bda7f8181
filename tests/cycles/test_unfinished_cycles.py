"""Cycles that the capture does not show whole, and edges that come a sample too soon."""

from busdecode.protocol import load_bus
from tests.cycles.drawn import shown

VME, M68K = load_bus("vmebus"), load_bus("mc68000")
ROW = "cycle beat kind address lanes data ended @start @end"


def test_a_glitch_on_both_data_strobes_makes_a_beat_too_many() -> None:
    """High at 8 alone: the first of the two beats has neither data nor acknowledge."""
    drawing = r"""
        at       0....5....10...15...20...25
        A[31:1]  X                           1000
        AM[5:0]  X                           0D
        AS       ~~\_________________/~~~~~
        DS1      ~~~~\___/\__________/~~~~~
        DS0      ~~~~\___/\__________/~~~~~
        D[15:0]  ????????????X==========???  BEEF
        DTACK    ~~~~~~~~~~~~~~\_______/~~~
    """
    assert shown(VME, drawing, f"{ROW} rmw unsure") == [
        "0 0 read 0x00001000 0011 0x----???? unacknowledged 4 8 false false",
        "0 1 read 0x00001000 0011 0x----BEEF acknowledged 9 20 false false",
    ]


def test_half_of_a_read_modify_write_is_cut_off() -> None:
    """Unfinished at the end of the capture: the cycle has a cut-off row."""
    drawing = r"""
        A[23:1]  X===================  1000
        AS       ~~~~\_______________
        LDS      ~~~~\______/~~~~~~~~
        D[7:0]   ??????X=======??????  11
        DTACK    ~~~~~~~\____/~~~~~~~
    """
    rows = shown(M68K, drawing, "cycle beat kind ended @end")
    assert rows == ["0 0 read acknowledged 11", "0 1 . cut-off 20"]


def test_a_gap_between_beats_of_a_block_cuts_its_cycle_off() -> None:
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
    assert shown(VME, drawing, "cycle beat kind ended @end") == [
        "0 0 block-read acknowledged 10",
        "0 1 block-read acknowledged 20",
        "0 2 . cut-off 23",
        "1 0 . cut-off 40",
        "2 0 read acknowledged 59",
    ]


def test_a_data_strobe_one_sample_before_its_AS_is_not_the_last_cycles() -> None:
    """Channel skew (a slave of IEEE 1014 may see DS 10 ns before AS, from memory)."""
    drawing = r"""
        at       0....5....10...15...20...25...30.
        A[31:1]  X===========X====================  1000 2000
        AM[5:0]  X                                  0D
        AS       ~~~~\______/~~~~~~~~\_______/~~~~
        DS0      ~~~~\______/~~~~~~~\________/~~~~
        D[7:0]   ??????X=======???????X========???  11 22
        DTACK    ~~~~~~~\____/~~~~~~~~~~\____/~~~~
    """
    assert shown(VME, drawing, "cycle beat kind address data") == [
        "0 0 read 0x00001001 0x------11",
        "1 0 read 0x00002001 0x------22",
    ]
