"""What small logs tell: one cause, several that look alike, two at once, noise, nothing."""

from __future__ import annotations

import numpy as np
import pytest

from busdecode.access import Access
from busdecode.cycles import synthesise_log
from busdecode.diagnosis import blind_spots, judge, read_back
from busdecode.errors import LogError
from busdecode.plan import make_plan, open_window
from busdecode.predict import FaultRows, candidates
from tests.diagnosis.readbacks import (
    BASE,
    bus_of,
    fault_of,
    hexadecimal,
    judged,
    log_of,
    model_of,
    names,
    read,
    scored,
    written,
)

SIX = hexadecimal("AA CC F0 55 33 0F")


def six(back: str) -> str:
    """Write a log of six words, as they came back."""
    pairs = zip(SIX, back.split(), strict=True)
    return " ".join(f"w0={word:02X} r0={seen}" for word, seen in pairs)


# Log, causes that are among the first, others that are not, reads that the first explain,
# contradict and agree with.
ON_8_LINES = [
    # One bit is low whatever is written: the card's driver, its receiver, the line itself.
    (
        six("A2 C4 F0 55 33 07"),
        "stuck D3 low; open D3 low; read-driver D3 low; write-receiver D3 low",
        "stuck D3 high; absent low; bridge D3 D4 low-wins",
        (3, 0, 3),
    ),
    (
        six("AA CC F8 5D 3B 0F"),
        "stuck D3 high; open D3 high; read-driver D3 high; write-receiver D3 high",
        "stuck D3 low; absent high",
        (3, 0, 3),
    ),
    # Two lines: who wins shows where they are written apart.
    ("w0=04 r0=00 w0=20 r0=00 w0=24 r0=24", "bridge D2 D5 low-wins", "stuck D2 low", (2, 0, 1)),
    ("w0=04 r0=24 w0=20 r0=24 w0=DB r0=DB", "bridge D2 D5 high-wins", "stuck D2 high", (2, 0, 1)),
    ("w0=04 r0=24 w0=20 r0=00 w0=24 r0=24", "bridge D2 D5 a-wins", "stuck D5 high", (2, 0, 1)),
    ("w0=04 r0=00 w0=20 r0=24 w0=24 r0=24", "bridge D2 D5 b-wins", "stuck D2 low", (2, 0, 1)),
    # A line of data and one of address: right at one address, wrong at the other.
    ("w0=08 w4=08 r0=00 r4=08 w4=00 r4=00", "bridge D3 A2 low-wins", "stuck D3 low", (1, 0, 2)),
    # What is read at one address was written to the other.
    (
        "w0=11 w2=22 w1=33 r0=22 r2=22 r1=33",
        "stuck A1 low; stuck A1 high; open A1 keep; bridge A1 A2 b-wins",
        "stuck A0 low; absent keep; swapped A0 A1",
        (1, 0, 2),
    ),
    # Everything returns what was last on the lines.
    (
        "w0=11 w1=22 w2=44 w4=88 r0=88 r1=88 r2=88 r4=88",
        "absent keep; stuck MREQ high",
        "absent high; stuck A1 low",
        (3, 0, 1),
    ),
]
ON_16_LINES = [
    # The low byte stays what it was.
    (
        "w0=1122 r0=1177 w0=3344 r0=3377",
        "lane-lost LDS; stuck LDS high; open LDS high",
        "lane-lost UDS; stuck D0 high",
        (1, 0, 0),
    ),
    # The word is kept where D9 is high.
    (
        "w0=0000 w0=AAAA r0=0000 w0=CCCC r0=CCCC w0=0000 w0=F0F0 r0=F0F0 w0=0000 w0=FF00 r0=0000",
        "bridge D9 AS a-wins; bridge D9 AS high-wins",
        "bridge D1 AS a-wins; bridge D9 AS low-wins; stuck D9 low",
        (2, 0, 2),
    ),
    # A bit of the high byte follows one of the low byte.
    ("w0=0001 r0=0100 w0=0100 r0=0000 w0=FFFF r0=FEFE", "", "stuck D0 low", None),
    ("w0=0001 r0=0101 w0=0100 r0=0000", "bridge D0 D8 a-wins", "bridge D0 D8 b-wins", (2, 0, 0)),
]


def check(
    name: str, log: str, causes: str, others: str, score: tuple[int, int, int] | None
) -> None:
    """Hold the first group against the causes that belong to it and others that do not."""
    groups = judged(log_of(log), candidates(bus_of(name)), name).groups
    first = names(groups[0].faults)

    assert {each.strip() for each in causes.split(";") if each} <= first
    assert not {each.strip() for each in others.split(";")} & first
    assert score is None or score == scored(groups[0])


@pytest.mark.parametrize(("log", "causes", "others", "score"), ON_8_LINES)
def test_cause_on_8_data_lines(
    log: str, causes: str, others: str, score: tuple[int, int, int]
) -> None:
    """The cause is in the first group, with all that looks just like it and nothing else."""
    check("z80", log, causes, others, score)


@pytest.mark.parametrize(("log", "causes", "others", "score"), ON_16_LINES)
def test_cause_on_16_data_lines(
    log: str, causes: str, others: str, score: tuple[int, int, int] | None
) -> None:
    """Lanes and strobes are told from data lines."""
    check("mc68000", log, causes, others, score)


def test_healthy_log() -> None:
    """Nothing is named, and what would have shown nothing either is told."""
    verdict = judged(log_of("w0=AA r0=AA w0=55 r0=55"), candidates(bus_of("z80")))
    unseen = names(verdict.unseen)

    assert (verdict.healthy, verdict.reads, verdict.wrong, verdict.groups) == (True, 2, 0, ())
    # One address only; D0 and D2 were always alike; swapped lines come back right.
    assert {"stuck A0 low", "bridge D0 D2 low-wins", "swapped D0 D1"} <= unseen
    assert not {"stuck D0 low", "stuck D0 high", "bridge D0 D1 low-wins", "absent high"} & unseen
    # Read at once, lines that keep their level return it without a card.
    assert "absent keep" in unseen
    assert not set(verdict.unseen) & set(verdict.silent)


NOTHING = ["", "w0=AA", "w0=AA r0", "r0=12 r1=13 r0=12"]


@pytest.mark.parametrize("log", NOTHING)
def test_nothing_to_judge(log: str) -> None:
    """Without a read of what was written it is not told whether the bus is healthy."""
    verdict = judged(log_of(log), candidates(bus_of("z80")))

    assert (verdict.healthy, verdict.reads, verdict.groups) == (None, 0, ())
    assert not verdict.is_settled


def test_what_the_log_expects_counts_for_what_nobody_wrote() -> None:
    """Contents that are known otherwise show that a bit is lost, and which."""
    contents = {0x12: 0x10, 0xFF: 0xFD, 0x01: 0x01, 0xA2: 0xA0, 0x6C: 0x6C, 0x83: 0x81}
    log = [
        Access("read", BASE + at, 1, seen, expected=word)
        for at, (word, seen) in enumerate(contents.items())
    ]
    verdict = judged(log, candidates(bus_of("z80")))

    assert (verdict.healthy, verdict.reads, verdict.wrong) == (False, 6, 4)
    assert {"stuck D1 low", "read-driver D1 low"} <= names(verdict.groups[0].faults)
    assert scored(verdict.groups[0])[:2] == (4, 0)


def test_two_causes_at_once() -> None:
    """D0 is low, and A1 has no effect: neither alone explains the reads, both together do."""
    log = log_of("w0=01 w1=03 w2=05 w4=07 r0=04 r1=02 r2=04 r4=06")
    verdict = judged(log, candidates(bus_of("z80")))
    pair = [names(group.faults) for group in verdict.groups[:2]]

    assert (verdict.together, verdict.more_than_one_cause) == (2, True)
    assert "stuck D0 low" in pair[0]
    assert "stuck A1 low" in pair[1]
    assert not verdict.is_settled


def test_two_causes_of_data_lines() -> None:
    """D2 and D5 are tied, low wins, and D0 is high."""
    log = log_of(six("8B C9 D1 51 13 0B"))
    verdict = judged(log, candidates(bus_of("z80")))
    pair = [names(group.faults) for group in verdict.groups[:2]]

    assert (verdict.together, verdict.more_than_one_cause) == (2, True)
    assert any(each == {"bridge D2 D5 low-wins"} for each in pair)
    assert any("stuck D0 high" in each for each in pair)


def test_one_bit_read_wrong_by_chance() -> None:
    """The cause of nine reads stays first, and the tenth is told to contradict it."""
    log = log_of(" ".join([six("A2 C4 F0 55 33 07")] * 3) + " w0=FF r0=F6")
    verdict = judged(log, candidates(bus_of("z80")))

    assert "stuck D3 low" in names(verdict.groups[0].faults)
    assert scored(verdict.groups[0]) == (9, 1, 9)
    assert verdict.more_than_one_cause
    assert not verdict.is_settled


def test_no_card_is_in_doubt_unless_something_shows_that_no_line_is() -> None:
    """A card that hangs could look so, too: such candidates are told, and nothing is settled."""
    log = log_of("w0=11 w1=22 w2=44 r0=FF r1=FF r2=FF")
    verdict = judged(log, candidates(bus_of("z80")))

    assert {"absent high"} == names(verdict.groups[0].faults)
    assert "stuck MREQ low" in names(verdict.silent)
    assert (verdict.is_in_doubt, verdict.is_settled) == (True, False)


def made_log(name: str, fault: str) -> list[Access]:
    """Have a made target with a fault answer a plan."""
    base = BASE if name == "z80" else 0x1000
    window = open_window(bus_of(name), base, 8 * bus_of(name).word_bytes)
    plan = make_plan(window, ["true-complement", "address-powers"])
    return synthesise_log(bus_of(name), plan.accesses, seed=1, faults=[fault_of(fault, name)])[1]


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        ("z80", "bridge D3 A1 low-wins"),
        ("z80", "bridge A0 A2 high-wins"),
        ("mc68000", "stuck A2 low"),
    ],
)
def test_groups_are_what_foretells_the_same(name: str, fault: str) -> None:
    """Of one group all members foretell every read alike, and no two groups do."""
    log = made_log(name, fault)
    evidence = read_back(model_of(name), log)
    verdict = judge(evidence, candidates(bus_of(name)))
    groups = verdict.groups
    found = evidence.foreteller.all(
        FaultRows(model_of(name), [each for group in groups for each in group.faults])
    )
    rows = np.concatenate([found.words & evidence.looked, found.known & evidence.looked], axis=1)
    at = 0
    told = []
    for group in groups:
        alike = {row.tobytes() for row in rows[at : at + len(group.faults)]}
        told.append(alike.pop())
        assert not alike
        at += len(group.faults)

    assert fault in names(groups[0].faults)
    assert len(groups) == len(set(told))
    assert 0 <= sum(group.share for group in groups) <= 1 + 1e-9
    for group in groups:
        whole = group.explained + group.contradicted + group.silent + group.agrees
        assert whole == len(evidence.seen)


def test_offset_is_added_to_every_address() -> None:
    """Software that counts from 0 reads the same verdict as one that knows the bus's addresses."""
    log = log_of("w0=04 r0=24 w0=20 r0=24 w2=DB r2=DB")
    near = [Access(a.op, a.address - BASE, a.size, a.data) for a in log]
    faults = candidates(bus_of("z80"))
    told = [
        judge(read_back(model_of("z80"), near, offset=BASE), faults),
        judge(read_back(model_of("z80"), log), faults),
    ]

    assert told[0] == told[1]


def test_accesses_that_no_memory_answers_are_left_out() -> None:
    """They are noted, and the rest is judged."""
    log = [Access("interrupt-acknowledge", 0, 1, 0xFF)] * 2 + log_of("w0=11 r0=11")
    evidence = read_back(model_of("z80"), log)

    assert evidence.judged == 1
    assert evidence.notes == (
        "left out, as no memory answers: accesses of kind 'interrupt-acknowledge', 2 of them",
    )


@pytest.mark.parametrize(("log", "is_wrong"), [("w0=11 r0=11", False), ("w0=11 r0=13", True)])
def test_without_candidates_only_right_and_wrong_are_told(log: str, is_wrong: bool) -> None:
    """No cause is named, and none that is given explains what was wrong."""
    verdict = judge(read_back(model_of("z80"), log_of(log)), [])

    assert verdict.healthy is not is_wrong
    assert verdict.groups == ()
    assert verdict.more_than_one_cause == is_wrong
    assert not verdict.is_settled


def test_spaces_of_one_address_are_apart() -> None:
    """A port has the address of a word of memory, and keeps its own byte."""
    log = [*log_of("w0=11"), Access("io-write", BASE, 1, 0x22), read(0, 0x11)]
    log += [Access("io-read", BASE, 1, 0x22), Access("fetch", BASE, 1, 0x11), written(0, 0x33)]
    log += [read(0, 0x33), Access("io-read", BASE, 1, 0x33)]
    evidence = read_back(model_of("z80"), log)

    assert evidence.expected.tolist() == [0x11, 0x22, 0x11, 0x33, 0x22]
    assert evidence.wrong.tolist() == [0, 0, 0, 0, 0x11]


MISTAKES = [
    (Access("write", 0x8000, 1, 0, line=3), 0x8000, "address 0x10000 is outside the bus's"),
    (Access("write", 0x8000, 1, 0, line=3), -0x9000, "address 0x0 is outside the bus's"),
    (Access("write", 0xFFFF, 2, 0, line=3), 0, "address 0xFFFF is outside the bus's"),
    (Access("refresh", 0, 1, 0, line=3), 0, "z80 has no cycle for 'refresh'"),
    (Access("write", 0, 1, 0x123, line=3), 0, "data 0x123 is wider than the access of 1 bytes"),
]


@pytest.mark.parametrize(("access", "offset", "found"), MISTAKES)
def test_access_that_the_bus_cannot_make(access: Access, offset: int, found: str) -> None:
    """The line of the log is named."""
    with pytest.raises(LogError) as caught:
        read_back(model_of("z80"), [access], offset=offset, path="log.csv")

    assert caught.value.found.startswith(found)
    assert (str(caught.value.path), caught.value.line) == ("log.csv", 3)


# Bus, log, and the address lines of which it tells nothing.
STILL = [
    ("z80", "w0=11", "A15 to A0"),
    ("z80", "w0=11 w1=22 w4=33", "A15 to A3, A1"),
    ("mc68000", "w0=1122 w2=3344", "A23 to A2"),
    # Bytes of one word are told apart by their strobes.
    ("mc68000", "w0=11 w1=22", "A23 to A1"),
]


@pytest.mark.parametrize(("bus", "log", "lines"), STILL)
def test_lines_that_never_changed_are_blind_spots(bus: str, log: str, lines: str) -> None:
    """They are named, after what no read-back ever tells."""
    told = blind_spots(bus_of(bus), log_of(log))

    assert len(told) == 3
    assert told[2] == f"{lines}, which never changed in an address of this log"


def test_without_accesses_only_what_is_always_blind() -> None:
    """Swapped lines, and what other cycles use."""
    told = blind_spots(bus_of("z80"), [])

    assert [each.split(" ")[:2] for each in told] == [["lines", "swapped"], ["lines", "that"]]


@pytest.mark.parametrize(
    ("bus", "log", "lines"),
    [
        # 8000 and 8001; 8001 and 8002; words 8000 and 8002.
        ("z80", "w0=1122 r0=22", "A15 to A1"),
        ("z80", "w1=1122 r1=22", "A15 to A2"),
        ("mc68000", "w0=11223344 r0=1122", "A23 to A2"),
    ],
)
def test_lines_that_change_inside_an_access_are_no_blind_spots(
    bus: str, log: str, lines: str
) -> None:
    """An access wider than the bus goes to more than one address."""
    told = blind_spots(bus_of(bus), log_of(log))

    assert told[2] == f"{lines}, which never changed in an address of this log"
