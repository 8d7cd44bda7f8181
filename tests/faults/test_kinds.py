"""How faults are written, and the mistakes that can be made in it."""

from __future__ import annotations

import pytest

from busdecode.errors import RequestError
from busdecode.faults import (
    BRIDGE_RULES,
    Bridge,
    Fault,
    Lane,
    LateData,
    NoAcknowledge,
    Open,
    ReadDriver,
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


MISTAKES = [
    (
        "stuk D3 low",
        "no kind of fault is called 'stuk'\n"
        "  expected: one of stuck LINE low|high; bridge LINE LINE low-wins|high-wins|host-wins"
        "|a-wins|b-wins|undetermined; open LINE high|low|keep; swapped LINE LINE; lane-lost LINE; "
        "lane-on LINE; read-driver LINE low|high; write-receiver LINE low|high; "
        "late-data read|write TIME; no-acknowledge LINE error|ends|hangs\n"
        "  do:       did you mean stuck?",
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
