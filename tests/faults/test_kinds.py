"""How faults are written, and the mistakes that can be made in it."""

from __future__ import annotations

import pytest

from busdecode.errors import RequestError
from busdecode.faults import (
    BRIDGE_RULES,
    Absent,
    Bridge,
    CardSide,
    EarlyAcknowledge,
    Fault,
    Intermittent,
    Lane,
    LateAcknowledge,
    LateData,
    NoAcknowledge,
    OnlyWhen,
    Open,
    ReadDriver,
    SlowRelease,
    Stuck,
    Swapped,
    WriteReceiver,
    forms,
    parse_fault,
    written_fault,
)
from busdecode.protocol import load_bus

M68K, Z80 = load_bus("mc68000"), load_bus("z80")

WRITTEN: list[tuple[str, Fault]] = [
    ("stuck D3 low", Stuck("D3", 0)),
    ("stuck AS high", Stuck("AS", 1)),
    *((f"bridge D3 LDS {rule}", Bridge("D3", "LDS", rule)) for rule in BRIDGE_RULES),
    ("open A7 high", Open("A7", "high")),
    ("open A7 low", Open("A7", "low")),
    ("open R/W keep", Open("R/W", "keep")),
    ("swapped D0 D1", Swapped("D0", "D1")),
    ("lane-lost UDS", Lane("UDS", False)),
    ("lane-on LDS", Lane("LDS", True)),
    ("read-driver D15 high", ReadDriver("D15", 1)),
    ("write-receiver D15 low", WriteReceiver("D15", 0)),
    ("late-data read 150 ns", LateData("read", 150_000)),
    ("late-data write 2.5 us", LateData("write", 2_500_000)),
    ("no-acknowledge DTACK error", NoAcknowledge("DTACK", "error")),
    ("no-acknowledge DTACK ends", NoAcknowledge("DTACK", "ends")),
    ("no-acknowledge VPA hangs", NoAcknowledge("VPA", "hangs")),
    ("late-acknowledge DTACK 150 ns", LateAcknowledge("DTACK", 150_000)),
    ("early-acknowledge VPA", EarlyAcknowledge("VPA")),
    ("slow-release read 80 ns", SlowRelease("read", 80_000)),
    ("absent keep", Absent("keep")),
    ("absent any", Absent("any")),
    ("slow-release write 1.2 us", SlowRelease("write", 1_200_000)),
    ("intermittent 25 stuck D3 low", Intermittent(Stuck("D3", 0), 25)),
    ("intermittent 0.5 late-data read 10 ns", Intermittent(LateData("read", 10_000), 0.5)),
    ("intermittent 100 lane-lost UDS", Intermittent(Lane("UDS", False), 100)),
    ("intermittent 0 swapped D0 D1", Intermittent(Swapped("D0", "D1"), 0)),
    (
        "intermittent 99.125 no-acknowledge DTACK error",
        Intermittent(NoAcknowledge("DTACK", "error"), 99.125),
    ),
    (
        "intermittent 5 card-side bridge D3 D5 a-wins",
        Intermittent(CardSide(Bridge("D3", "D5", "a-wins")), 5),
    ),
    (
        "intermittent 5 when A7 low stuck D3 high",
        Intermittent(OnlyWhen(Stuck("D3", 1), "A7", 0), 5),
    ),
    ("when A7 high stuck D3 low", OnlyWhen(Stuck("D3", 0), "A7", 1)),
    ("when AS low open D3 keep", OnlyWhen(Open("D3", "keep"), "AS", 0)),
    ("when A7 high bridge D3 D5 low-wins", OnlyWhen(Bridge("D3", "D5", "low-wins"), "A7", 1)),
    ("when A7 high swapped D3 D5", OnlyWhen(Swapped("D3", "D5"), "A7", 1)),
    ("card-side stuck D3 high", CardSide(Stuck("D3", 1))),
    ("card-side bridge D3 LDS low-wins", CardSide(Bridge("D3", "LDS", "low-wins"))),
    ("card-side swapped D3 D5", CardSide(Swapped("D3", "D5"))),
]


@pytest.mark.parametrize(("text", "fault"), WRITTEN)
def test_a_fault_is_read_and_written_the_same(text: str, fault: Fault) -> None:
    """Reading gives the value, writing gives the text back."""
    assert parse_fault(text, M68K) == fault
    assert written_fault(fault) == text


def test_every_form_is_in_the_table_above() -> None:
    """A new kind of fault fails here until it has a row."""
    assert {form.split()[0] for form, _ in forms()} == {text.split()[0] for text, _ in WRITTEN}


def test_commas_and_a_unit_without_a_space_will_do() -> None:
    """As people write it on a command line."""
    assert parse_fault("late-data read 150ns", M68K) == LateData("read", 150_000)
    assert parse_fault("bridge D3, D5, low-wins", M68K) == Bridge("D3", "D5", "low-wins")
    assert parse_fault("late-acknowledge DTACK 2us", M68K) == LateAcknowledge("DTACK", 2_000_000)
    wanted = Intermittent(LateData("write", 150_000), 25)
    assert parse_fault("intermittent 25%, late-data write 150ns", M68K) == wanted


MISTAKES = [
    (
        "stuk D3 low",
        "no kind of fault is called 'stuk'\n"
        "  expected: one of stuck LINE low|high; bridge LINE LINE low-wins|high-wins|host-wins"
        "|a-wins|b-wins|undetermined; open LINE high|low|keep; swapped LINE LINE; lane-lost LINE; "
        "lane-on LINE; read-driver LINE low|high; write-receiver LINE low|high; "
        "late-data read|write TIME; no-acknowledge LINE error|ends|hangs; "
        "late-acknowledge LINE TIME; early-acknowledge LINE; slow-release read|write TIME; "
        "absent high|low|keep|any; "
        "intermittent PERCENT FAULT...; when LINE high|low FAULT...; card-side FAULT...\n"
        "  do:       did you mean stuck?",
    ),
    (
        "lane-lost",
        "lane-lost needs 1 word after it, not 0: 'lane-lost'\n  expected: lane-lost LINE",
    ),
    (
        "stuck D3",
        "stuck needs 2 words after it, not 1: 'stuck D3'\n  expected: stuck LINE low|high",
    ),
    (
        "stuck DTAK low",
        "mc68000 has no line 'DTAK'\n"
        "  expected: stuck LINE low|high\n"
        "  do:       did you mean DTACK?",
    ),
    (
        "stuck Q low",
        "mc68000 has no line 'Q'\n"
        "  expected: stuck LINE low|high\n"
        "  do:       see: busdecode buses mc68000",
    ),
    (
        "stuck D3 down",
        "found 'down'\n  expected: one of low, high, as in: stuck LINE low|high",
    ),
    (
        "bridge D3 D3 low-wins",
        "D3 cannot be bridged with itself\n"
        "  expected: bridge LINE LINE low-wins|high-wins|host-wins|a-wins|b-wins|undetermined",
    ),
    ("swapped D3 D3", "D3 cannot be swapped with itself\n  expected: swapped LINE LINE"),
    ("lane-lost AS", "AS is no lane strobe of mc68000\n  expected: one of UDS, LDS"),
    (
        "read-driver A1 low",
        "A1 is no data line of mc68000\n"
        "  expected: one of D15, D14, D13, D12, D11, D10, D9, D8, D7, D6, D5, D4, D3, D2, D1, D0",
    ),
    ("no-acknowledge D3 ends", "D3 is no acknowledge of mc68000\n  expected: one of DTACK, VPA"),
    (
        "late-data read soon",
        "a time must be a number and one of s, ms, us, ns, ps, not 'soon'\n"
        "  expected: late-data read|write TIME",
    ),
    (
        "late-data read -5 ns",
        "data can be late, not early: '-5 ns'\n  expected: late-data read|write TIME",
    ),
    (
        "late-acknowledge DTACK -5 ns",
        "an acknowledge can be late, not early: '-5 ns'\n  expected: late-acknowledge LINE TIME",
    ),
    (
        "slow-release read -5 ns",
        "a release can be late, not early: '-5 ns'\n  expected: slow-release read|write TIME",
    ),
    (
        "slow-release both 5 ns",
        "found 'both'\n  expected: one of read, write, as in: slow-release read|write TIME",
    ),
    ("early-acknowledge AS", "AS is no acknowledge of mc68000\n  expected: one of DTACK, VPA"),
    ("late-acknowledge AS 5 ns", "AS is no acknowledge of mc68000\n  expected: one of DTACK, VPA"),
    (
        "intermittent 25",
        "intermittent needs a fault at its end: 'intermittent 25'\n"
        "  expected: intermittent PERCENT FAULT...",
    ),
    (
        "when A7 high",
        "when needs a fault at its end: 'when A7 high'\n  expected: when LINE high|low FAULT...",
    ),
    (
        "card-side",
        "card-side needs a fault at its end: 'card-side'\n  expected: card-side FAULT...",
    ),
    (
        "intermittent 101 stuck D3 low",
        "a share must be 0 to 100 percent, not '101'\n  expected: intermittent PERCENT FAULT...",
    ),
    (
        "intermittent often stuck D3 low",
        "a share must be 0 to 100 percent, not 'often'\n  expected: intermittent PERCENT FAULT...",
    ),
    (
        "intermittent 25 stuck D3 down",
        "found 'down'\n  expected: one of low, high, as in: stuck LINE low|high",
    ),
    (
        "intermittent 25 intermittent 25 stuck D3 low",
        "intermittent cannot hold intermittent\n"
        "  expected: a fault that is not intermittent itself",
    ),
    (
        "intermittent 25 no-acknowledge DTACK hangs",
        "intermittent cannot hold a no-acknowledge that hangs: no beat comes after it\n"
        "  expected: error or ends",
    ),
    (
        "when A7 high late-data read 5 ns",
        "when cannot hold late-data\n  expected: stuck, bridge, open or swapped",
    ),
    (
        "when A7 high when A6 high stuck D3 low",
        "when cannot hold when\n  expected: stuck, bridge, open or swapped",
    ),
    (
        "when A7 high card-side stuck D3 low",
        "when cannot hold card-side\n  expected: stuck, bridge, open or swapped",
    ),
    (
        "when A7 up stuck D3 low",
        "found 'up'\n  expected: one of high, low, as in: when LINE high|low FAULT...",
    ),
    (
        "when Q high stuck D3 low",
        "mc68000 has no line 'Q'\n"
        "  expected: when LINE high|low FAULT...\n"
        "  do:       see: busdecode buses mc68000",
    ),
    (
        "card-side lane-lost UDS",
        "card-side cannot hold lane-lost\n  expected: stuck, bridge or swapped",
    ),
    (
        "card-side intermittent 5 stuck D3 low",
        "card-side cannot hold intermittent\n  expected: stuck, bridge or swapped",
    ),
    (
        "card-side open D3 keep",
        "card-side cannot hold open: an open lies between host and card already\n"
        "  expected: stuck, bridge or swapped\n"
        "  do:       leave card-side out: open D3 keep",
    ),
]


@pytest.mark.parametrize(("text", "message"), MISTAKES, ids=[text for text, _ in MISTAKES])
def test_a_mistake_in_a_fault(text: str, message: str) -> None:
    """What was found, what was expected, and what may have been meant."""
    with pytest.raises(RequestError) as caught:
        parse_fault(text, M68K)
    assert str(caught.value) == message


def test_a_bus_without_lane_strobes_has_no_lane_to_lose() -> None:
    """Nothing can be offered in its place."""
    with pytest.raises(RequestError) as caught:
        parse_fault("lane-lost RD", Z80)
    assert str(caught.value) == (
        "RD is no lane strobe of z80\n  expected: a bus with a lane strobe"
    )


@pytest.mark.parametrize("percent", [-1, 100.5])
def test_a_share_beyond_all_is_refused_however_it_is_given(percent: float) -> None:
    """A value made in Python is checked as a text is."""
    with pytest.raises(RequestError) as caught:
        Intermittent(Stuck("D3", 0), percent)
    assert str(caught.value) == f"a share must be 0 to 100 percent, not {percent:g}"
