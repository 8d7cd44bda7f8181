"""What reads return with each kind of fault, by hand, and which write they come from, by a loop."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdecode.access import split_access
from busdecode.diagnosis import read_back
from busdecode.predict import FaultRows, Foreteller, Model, candidates
from busdecode.predict.layout import last_writes
from tests.diagnosis.readbacks import bus_of, drawn, fault_of, log_of, model_of

if TYPE_CHECKING:
    from busdecode.faults import Fault


def told(bus: str, fault: str, log: str) -> str:
    """Draw what each read of a log returns, a question mark for a digit that is not known."""
    model = model_of(bus)
    evidence = read_back(model, log_of(log, model.bus.word_bytes))
    faults: list[Fault | None] = [None if fault == "none" else fault_of(fault, bus)]
    found = evidence.foreteller.all(FaultRows(model, faults))
    return drawn(found.words[0].tolist(), found.known[0].tolist(), len(model.bus.data) // 4)


# Fault, accesses, and what the reads return; words in hexadecimal, offsets too.
ON_8_LINES = [
    ("none", "w0=5A r0 r1", "5A ??"),
    ("none", "w0=5A w0=A5 r0", "A5"),
    # Data lines: both ways the same.
    ("stuck D0 high", "w0=5A r0 r1", "5B ??"),
    ("open D0 low", "w0=FF r0", "FE"),
    ("read-driver D0 low", "w0=FF r0", "FE"),
    ("write-receiver D0 low", "w0=FF r0", "FE"),
    ("bridge D0 D1 low-wins", "w0=02 r0 w0=03 r0", "00 03"),
    ("swapped D0 D1", "w0=01 r0", "01"),
    # Either may win: where both are written the same, that comes back.
    ("bridge D0 D1 undetermined", "w0=00 r0 w0=01 r0 w0=03 r0", "00 0? 03"),
    # It shows what was written last, to any address.
    ("open D0 keep", "r0 w0=00 r0 w1=FF r0 r1", "?? 00 01 FF"),
    # Address lines: two words are one.
    ("stuck A0 low", "w0=11 w1=22 r0 r1 r3", "22 22 ??"),
    ("stuck A0 high", "w0=11 w1=22 r0 r1 r3", "22 22 ??"),
    ("open A0 keep", "w0=11 w1=22 r0 r1", "22 22"),
    ("bridge A0 A1 low-wins", "w0=11 w1=22 w2=33 w3=44 r0 r1 r2 r3", "33 33 33 44"),
    ("swapped A0 A1", "w1=01 w2=02 r1 r2", "01 02"),
    # A write that may have gone anywhere, and what is sure again after it.
    ("bridge A0 A1 undetermined", "w0=11 r0 w1=22 r0 r1 w0=33 r0", "11 ?? ?? 33"),
    # One line of each: the address decides the bit, or the bit the address.
    ("bridge D0 A0 high-wins", "w0=00 r0 w1=00 r1", "00 01"),
    ("bridge D0 A0 low-wins", "w0=FF r0 w1=FF r1", "FE FF"),
    ("bridge D0 A0 b-wins", "w0=FF r0 w1=00 r1", "FE 01"),
    # No card, and no card that hears of a transfer.
    ("absent keep", "r0 w0=11 w1=22 r0 r1", "?? 22 22"),
    ("absent high", "w0=11 r0", "FF"),
    ("absent low", "w0=11 r0", "00"),
    ("absent any", "w0=11 r0", "??"),
    ("stuck MREQ high", "w0=11 w1=22 r0 r1", "22 22"),
    ("stuck WR high", "w0=11 r0", "??"),
    # A line with no part in it.
    ("stuck RFSH low", "w0=11 r0", "11"),
    # No matter of levels alone.
    ("late-data read 1 ns", "w0=11 r0", "??"),
    ("late-data write 1 ns", "w0=11 r0", "??"),
]
ON_16_LINES = [
    # The even byte is the high one.
    ("none", "w0=1234 w1=56 r0 r0:1 r1:1", "1256 12?? ??56"),
    ("none", "w0=12345678 r0:4 r2", "1234 5678 5678"),
    ("stuck D0 high", "w0=1234 w0=00 r0", "0035"),
    ("stuck D8 high", "w0=1234 w0=00 w1=00 r0", "0100"),
    ("stuck A1 high", "w0=1234 w2=5678 r0", "5678"),
    # A lane that is lost is not written; what then is read on it is not known.
    ("lane-lost LDS", "w0=1234 w0=A5 w1=5A r0", "A5??"),
    ("lane-lost UDS", "w0=1234 r0", "??34"),
    # One that is always on is written with the other, with nobody knows what.
    ("lane-on LDS", "w0=1234 w0=A5 r0", "A5??"),
    ("lane-on LDS", "w0=1234 w1=A5 r0", "12A5"),
    # A high bit keeps the strobe from the card; where low wins the bit is lost.
    ("bridge D9 AS a-wins", "w0=0000 w0=FFFF r0", "0000"),
    ("bridge D9 AS low-wins", "w0=FFFF r0", "FDFF"),
    ("stuck R/W high", "w0=1234 r0", "????"),
    # The master ends the cycle by itself, and the card has stored and driven all the same.
    ("no-acknowledge DTACK ends", "w0=1234 r0", "1234"),
    ("early-acknowledge DTACK", "w0=1234 r0", "????"),
]


@pytest.mark.parametrize(("fault", "log", "expected"), ON_8_LINES)
def test_reads_on_8_data_lines(fault: str, log: str, expected: str) -> None:
    """Each read returns what the write, the fault and the way back make of it."""
    assert expected == told("z80", fault, log)


@pytest.mark.parametrize(("fault", "log", "expected"), ON_16_LINES)
def test_reads_on_16_data_lines(fault: str, log: str, expected: str) -> None:
    """Bytes have their lanes, and a fault on one lane leaves the other alone."""
    assert expected == told("mc68000", fault, log)


SEEN_BEFORE = [
    # Another address is the same word, until it is written.
    ("z80", "stuck A1 low", "r0=12 r2", "?? 12"),
    ("z80", "stuck A1 low", "r0=12 w2=34 r0", "?? 34"),
    ("z80", "stuck A1 low", "r0=12 r1", "?? ??"),
    # A lane that is lost stays as it was read.
    ("mc68000", "lane-lost LDS", "r0=1234 w0=A55A r0", "???? A534"),
]


@pytest.mark.parametrize(("bus", "fault", "log", "expected"), SEEN_BEFORE)
def test_what_nobody_wrote_stays_as_it_was_read(
    bus: str, fault: str, log: str, expected: str
) -> None:
    """It is not foretold when it is first read, but is from then on."""
    assert expected == told(bus, fault, log)


@pytest.mark.parametrize("fault", ["none", "stuck D0 low", "bridge D0 D1 low-wins"])
def test_what_nobody_wrote_stays_whatever_the_fault(fault: str) -> None:
    """Candidates are alike in this: no fault may seem likelier by foretelling more."""
    assert told("z80", fault, "r0=10 r0 r1") == "?? 10 ??"


def test_reads_and_the_bits_that_they_move() -> None:
    """A read moves the lanes of its bytes, and is known by its place among the transfers."""
    bus = bus_of("mc68000")
    transfers = [
        transfer
        for access in log_of("w0=1234 r0 w1=56 r0:1 r1:1", 2)
        for transfer, _, _ in split_access(bus, access)
    ]
    foreteller = Foreteller(model_of("mc68000"), transfers)

    assert foreteller.reads.tolist() == [1, 3, 4]
    assert foreteller.moved.tolist() == [0xFFFF, 0xFF00, 0x00FF]


def test_no_accesses_and_no_reads() -> None:
    """There is nothing to foretell, and that is no mistake."""
    model = model_of("z80")
    rows = FaultRows(model, [None, fault_of("stuck D0 low"), fault_of("absent keep")])
    shapes = [
        read_back(model, log_of(log)).foreteller.all(rows).words.shape for log in ("", "w0=11")
    ]

    assert shapes == [(3, 0), (3, 0)]


@pytest.mark.parametrize(
    ("bus", "log"),
    [
        ("z80", "w0=12 r0 w2=56 w1=9A r0 r2 r1 r8 r8"),
        ("mc68000", "w0=1234 r0 w2=5678 w1=9A r0:1 r2 r0 r8 r8"),
    ],
)
def test_every_candidate_alone_is_told_as_among_the_others(bus: str, log: str) -> None:
    """Rows do not mix, in whatever order the faults come, and a new model tells the same."""
    accesses = log_of(log, bus_of(bus).word_bytes)
    faults = candidates(bus_of(bus))[::7]
    first, second = model_of(bus), Model(bus_of(bus))
    found = read_back(first, accesses).foreteller.all(FaultRows(first, faults))
    back = read_back(second, accesses).foreteller.all(FaultRows(second, faults[::-1]))
    alone = read_back(first, accesses).foreteller

    assert np.array_equal(found.words, back.words[::-1])
    assert np.array_equal(found.known, back.known[::-1])
    for at in range(0, len(faults), 11):
        one = alone.all(FaultRows(first, [faults[at]]))
        assert found.words[at].tolist() == one.words[0].tolist()
        assert found.known[at].tolist() == one.known[0].tolist()


def test_what_was_asked_before_changes_no_answer() -> None:
    """A read again of a high byte, D0 tied to the acknowledge, before and after D2."""
    model = Model(bus_of("mc68000"))
    foreteller = read_back(model, log_of("w0=CF r0=AE r0:1")).foreteller
    rows = [
        FaultRows(model, [fault_of(f"bridge {line} DTACK low-wins", "mc68000")])
        for line in ("D2", "D0")
    ]
    told = [foreteller.all(each).known.tolist() for each in rows]
    fresh = Model(bus_of("mc68000"))
    alone = read_back(fresh, log_of("w0=CF r0=AE r0:1")).foreteller.all(
        FaultRows(fresh, [rows[1].faults[0]])
    )

    assert alone.known.tolist() == told[1]


@given(
    st.lists(
        st.tuples(st.integers(0, 3), st.integers(0, 3), st.booleans(), st.booleans()), max_size=12
    )
)
def test_last_write_is_the_one_that_a_loop_finds(moves: list[tuple[int, int, bool, bool]]) -> None:
    """Two ways for addresses to lie, side by side, each as a dictionary has it."""
    keys = np.array([[one for one, _, _, _ in moves], [other for _, other, _, _ in moves]])
    written = np.array([[one for _, _, one, _ in moves], [other for _, _, _, other in moves]])
    expected = []
    for row, is_written in zip(keys.tolist(), written.tolist(), strict=True):
        held: dict[int, int] = {}
        expected.append([])
        for at, (key, is_so) in enumerate(zip(row, is_written, strict=True)):
            expected[-1].append(held.get(key, -1))
            if is_so:
                held[key] = at

    found = last_writes(keys.reshape(2, -1).astype(np.int64), written.reshape(2, -1).astype(bool))

    assert expected == found.tolist()
