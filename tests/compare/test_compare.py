"""Aligning a log with a capture, and what the comparison says of good and bad evidence."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchmarks.stimulus import random_accesses
from busdecode.access import Access, AccessLog, split_access
from busdecode.capture import from_levels
from busdecode.compare import compare
from busdecode.cycles import (
    DecodedPlace,
    Sampling,
    decode,
    decode_capture,
    synthesise,
    synthesise_log,
)
from busdecode.errors import LogError, RequestError
from busdecode.faults import Fault, Open, Stuck, Swapped, parse_fault
from busdecode.protocol import bundled_buses, load_bus

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.compare import Comparison
    from busdecode.protocol import Bus


def decoded(made_places: dict[str, object], bus: Bus, skew: int = 0) -> dict[str, DecodedPlace]:
    """Decode the places of a synthesis."""
    places = {}
    for name, capture in made_places.items():
        table, decoder = decode(bus, [capture], skew=skew)  # type: ignore[list-item]
        places[name] = DecodedPlace(bus, name, capture, table, skew, tuple(decoder.notes))  # type: ignore[arg-type]
    return places


def log_of(accesses: Sequence[Access]) -> AccessLog:
    """Make a log by hand."""
    return AccessLog(tuple(accesses), 0, "by hand", ())


def result_of(
    bus: Bus,
    accesses: Sequence[Access],
    *,
    faults: Sequence[Fault] = (),
    seed: int = 1,
    sampling: Sampling | None = None,
    keep: slice | Sequence[int] = slice(None),
    places: Sequence[str] = ("host", "card"),
) -> Comparison:
    """Synthesise accesses, keep part of the log, and compare at some places."""
    made, log = synthesise_log(bus, accesses, seed=seed, faults=faults, sampling=sampling)
    skew = 0 if sampling is None else sampling.skew + sampling.jitter
    kept = log[keep] if isinstance(keep, slice) else [log[at] for at in keep]
    views = decoded({name: made.places[name] for name in places}, bus, skew)
    return compare(views, log_of(kept))


def words(bus: Bus, count: int, seed: int = 0) -> list[Access]:
    """Words written to rising addresses, then read back."""
    rng = Random(seed)
    size = bus.word_bytes
    data = [rng.getrandbits(8 * size) for _ in range(count)]
    writes = [Access("write", 0x2000 + size * at, size, word) for at, word in enumerate(data)]
    return writes + [Access("read", 0x2000 + size * at, size, None) for at in range(count)]


@pytest.mark.parametrize("name", bundled_buses())
@pytest.mark.parametrize("share", [4, 2])
@pytest.mark.parametrize("seed", range(5))
def test_a_healthy_capture_gets_no_finding(name: str, share: int, seed: int) -> None:
    """At a quarter and at half of the shortest pulse, with jitter and skew, nothing is found."""
    bus = load_bus(name)
    sampling = Sampling(bus.shortest_pulse // share, 3_000, 3_000)
    asked = random_accesses(bus, 24, Random(seed))
    result = result_of(bus, asked, seed=seed, sampling=sampling)

    assert result.findings == ()
    assert result.cannot_tell is None
    assert result.unmatched_log == 0


@pytest.mark.parametrize("name", bundled_buses())
@pytest.mark.parametrize("share", [0.6, 1.0, 1.5])
def test_a_coarse_capture_cannot_tell_rather_than_accuse(name: str, share: float) -> None:
    """Sampled too slowly, a healthy bus gets 'cannot tell' and no finding."""
    bus = load_bus(name)
    period = int(bus.shortest_pulse * share)
    for seed in range(5):
        try:
            result = result_of(bus, words(bus, 12, seed), seed=seed, sampling=Sampling(period))
        except LogError:
            continue  # so coarse that nothing aligns: refused, with the reason

        assert result.findings == ()
        assert result.cannot_tell is not None
        assert "cannot tell at this sample period" in result.cannot_tell


def test_other_traffic_is_free() -> None:
    """Ten cycles that are not in the log between two that are do no harm."""
    bus = load_bus("mc68000")
    rng = Random(5)
    everything: list[Access] = []
    logged: list[int] = []
    for access in words(bus, 10):
        everything += [Access("read", rng.getrandbits(23) * 2, 2, None) for _ in range(10)]
        logged.append(len(everything))
        everything.append(access)
    result = result_of(bus, everything, keep=logged)

    assert result.findings == ()
    assert result.compared == 20
    assert result.unmatched_log == 0
    assert result.unmatched_beats == 200


def test_an_access_without_a_cycle_is_counted() -> None:
    """An access that the capture does not hold is lost, and counted; the rest is compared."""
    bus = load_bus("z80")
    accesses = words(bus, 12)
    made, log = synthesise_log(bus, accesses, seed=2)
    with_lost = [*log[:5], Access("write", 0x9ABC, 1, 0x77), *log[5:]]
    result = compare(decoded(dict(made.places), bus), log_of(with_lost))

    assert (result.compared, result.unmatched_log) == (24, 1)
    assert result.findings == ()


def test_a_pair_that_two_beats_fit_as_well_is_not_compared() -> None:
    """Between two beats equally far from what was logged, none is chosen."""
    bus = load_bus("z80")
    # Bits 0 and 1: neither beat is nearer to what was logged.
    made, _ = synthesise_log(
        bus, [Access("write", 0x100, 1, 0x01), Access("write", 0x100, 1, 0x02), *words(bus, 8)]
    )
    log = [Access("write", 0x100, 1, 0x00), *words(bus, 8)[:8]]
    result = compare(decoded(dict(made.places), bus), log_of(log))

    assert result.ambiguous == 1
    assert result.compared == 8
    assert result.findings == ()


def test_a_log_of_another_run_is_refused() -> None:
    """A log of which nothing is in the capture is refused with the reason."""
    bus = load_bus("mc68000")
    made, _ = synthesise_log(bus, words(bus, 12), seed=1)
    rng = Random(9)
    other = [
        Access("write", 0x800000 + 2 * rng.getrandbits(20), 2, rng.getrandbits(16))
        for _ in range(30)
    ]

    with pytest.raises(LogError, match="nothing aligns: 0 of 30 logged transfers"):
        compare(decoded(dict(made.places), bus), log_of(other))


def test_software_addresses_can_be_offset() -> None:
    """With an offset, a log in a card's own addresses finds its cycles."""
    bus = load_bus("mc68000")
    made, log = synthesise_log(bus, words(bus, 8), seed=1)
    local = [replace(access, address=access.address - 0x2000) for access in log]
    result = compare(decoded(dict(made.places), bus), log_of(local), offset=0x2000)

    assert result.compared == 16
    assert result.findings == ()


def test_without_a_log_the_places_are_held_against_each_other() -> None:
    """A line that is open between host and card is named from the capture alone."""
    bus = load_bus("mc68000")
    made, _ = synthesise_log(bus, words(bus, 12), seed=1, faults=[Open("D9", "high")])
    result = compare(decoded(dict(made.places), bus))

    assert result.findings[0].lines == ("D9",)
    assert result.findings[0].path == "write"


def test_crossed_lines_are_named_without_a_log() -> None:
    """Two lines crossed between the places are named as a pair."""
    bus = load_bus("z80")
    made, _ = synthesise_log(bus, words(bus, 12), seed=1, faults=[Swapped("D1", "D6")])
    result = compare(decoded(dict(made.places), bus))

    assert set(result.findings[0].lines) == {"D1", "D6"}
    assert "crossed" in result.findings[0].sentence


def test_one_place_and_no_log_is_nothing_to_compare() -> None:
    """With neither a log nor a second place, the request is refused."""
    bus = load_bus("z80")
    made, _ = synthesise_log(bus, words(bus, 3), seed=1)

    with pytest.raises(RequestError, match="there is no log, and only one place was probed"):
        compare(decoded({"host": made.places["host"]}, bus))


def test_a_line_that_was_not_captured_is_never_right() -> None:
    """A data line without a channel has no row and no finding, and is told."""
    bus = load_bus("mc68000")
    made, log = synthesise_log(bus, words(bus, 12), seed=1, faults=[Stuck("D3", 0)])
    lines = [line for line in bus.line_names if line != "D3"]
    capture = made.places["host"].select(lines)
    place = decode_capture(capture, bus)
    result = compare({"host": place}, log_of(log))

    assert not any("D3" in finding.lines for finding in result.findings)
    assert "data is not whole: D3 not captured" in result.notes
    row = next(row for row in result.table if row.line == "D3")
    assert row.cells[:-1] == (None,) * 5
    assert row.cells[-1] is not None
    assert row.cells[-1][0] > 0  # software saw it read back wrong


def test_one_probed_place_says_beyond_the_probe() -> None:
    """What is right on the lines and comes back wrong is stored wrong, or beyond the probe."""
    bus = load_bus("mc68000")
    fault = parse_fault("write-receiver D3 low", bus)
    result = result_of(bus, words(bus, 12), faults=[fault], places=["host"])

    assert result.findings[0].path == "stored"
    assert "or beyond the probe" in result.findings[0].sentence


def test_a_tied_acknowledge_is_named_in_the_address_phase() -> None:
    """An acknowledge that is always asserted shows before any beat begins."""
    bus = load_bus("mc68000")
    result = result_of(bus, words(bus, 12), faults=[Stuck("DTACK", 0)])

    assert result.findings[0].lines == ("DTACK",)
    assert (result.findings[0].phase, result.findings[0].path) == ("address", "acknowledge")


def test_a_log_of_stale_reads_is_compared_with_what_was_written() -> None:
    """What a read should have returned follows from the writes of the log: by hand, one bit."""
    bus = load_bus("z80")
    made, log = synthesise_log(
        bus, [Access("write", 0x40, 1, 0xF0), Access("read", 0x40, 1, None)] * 6, seed=1
    )
    told_wrong = [replace(a, data=0xB0) if a.op == "read" else a for a in log]
    result = compare(decoded(dict(made.places), bus), log_of(told_wrong))
    row = next(row for row in result.table if row.line == "D6")

    assert row.cells[-1] == (6, 6)
    assert result.columns[-1] == "read back"


def test_hand_made_lines_show_which_bit_fails() -> None:
    """Three writes by hand on a Z80, D0 low in each: the bit, the phase and the count."""
    bus = load_bus("z80")
    moments, levels = [0], {line: ["1"] for line in bus.line_names if line != "CLK"}
    for bit in range(16):
        levels[f"A{bit}"] = ["0"]
    now = 0
    for data in (0x11, 0x22, 0x33):
        for strobes in ({}, {"MREQ": "0"}, {"MREQ": "0", "WR": "0"}, {}):
            now += 100_000
            moments.append(now)
            for line, column in levels.items():
                if line.startswith("D"):
                    bit = int(line[1:])
                    column.append("0" if bit == 0 else str(data >> bit & 1))
                elif line.startswith("A"):
                    column.append("0")
                else:
                    column.append(strobes.get(line, "1"))
    capture = from_levels(
        moments, {line: "".join(column) for line, column in levels.items()}, resolution=10_000
    )
    log = [Access("write", 0, 1, data) for data in (0x11, 0x22, 0x33)]
    result = compare({"host": decode_capture(capture, bus)}, log_of(log))

    finding = result.findings[0]
    assert (finding.lines, finding.phase, finding.path) == (("D0",), "data", "write")
    assert (finding.wrong, finding.compared) == (2, 3)
    assert finding.condition == "whenever it should be high"
    assert np.all([example.lines == ("D0",) for example in result.examples])


def test_a_stretch_too_long_to_weigh_is_cut_and_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no access is unique, the log is aligned in parts, and that is said."""
    bus = load_bus("z80")
    same = [Access("write", 0x80, 1, 0x11), Access("read", 0x80, 1, None)] * 12
    monkeypatch.setattr(import_module("busdecode.compare.align"), "_MOST_CELLS", 100)

    result = result_of(bus, same)

    assert any("was aligned in parts" in note for note in result.notes)
    assert result.findings == ()
    assert result.compared + result.unmatched_log + result.ambiguous == 24


@pytest.mark.parametrize(
    ("name", "fault", "line"),
    [
        ("mc68000", "stuck R/W low", "R/W"),
        ("mc68000", "stuck R/W high", "R/W"),
        ("orlop32", "stuck WR low", "WR"),
        ("orlop32", "stuck WR high", "WR"),
        ("z80", "stuck RD high", "RD"),
        ("z80", "stuck WR high", "WR"),
        ("z80", "stuck M1 low", "M1"),
    ],
)
def test_a_line_that_hides_the_direction_or_kind_is_named(name: str, fault: str, line: str) -> None:
    """Reads that look like writes, or cycles that vanish, are laid to the line that never moves."""
    bus = load_bus(name)
    result = result_of(bus, words(bus, 16), faults=[parse_fault(fault, bus)])

    assert result.findings[0].lines == (line,)
    assert (result.findings[0].phase, result.findings[0].path) == ("data", "control")


def test_wrong_reads_without_a_compared_write_are_not_laid_to_what_was_stored() -> None:
    """Of a log with reads alone, nobody knows whether the way in or the way back is bad."""
    bus = load_bus("mc68000")
    accesses = [Access("read", 0x3000 + 2 * at, 2, None) for at in range(12)]
    made, log = synthesise_log(bus, accesses, seed=4)
    told = [
        replace(access, expected=access.data ^ 0x10) for access in log if access.data is not None
    ]
    result = compare(decoded(dict(made.places), bus), log_of(told))

    assert result.findings[0].lines == ("D4",)
    assert result.findings[0].path == "undetermined"
    assert "since no write was compared" in result.findings[0].sentence


def test_a_log_of_the_same_addresses_with_other_data_is_told_with_doubt() -> None:
    """Where no pair agrees in every bit, the findings are said to be doubtful."""
    bus = load_bus("mc68000")
    made, _ = synthesise_log(bus, words(bus, 12, seed=1), seed=1)
    other = [a for a in words(bus, 12, seed=2) if a.op == "write"]
    result = compare(decoded(dict(made.places), bus), log_of(other))

    assert result.doubt is not None
    assert "none of the 12 logged transfers that were aligned agrees" in result.doubt


def test_a_capture_without_a_cycle_says_which_strobe_never_moves() -> None:
    """With a log it is refused, without one it cannot be told; both name the strobe."""
    bus = load_bus("mc68000")
    made, log = synthesise_log(bus, words(bus, 6), seed=1, faults=[Stuck("AS", 1)])
    places = decoded(dict(made.places), bus)

    with pytest.raises(LogError, match="in the whole capture AS stays high at host and card"):
        compare(places, log_of(log))
    result = compare(places)
    assert result.findings == ()
    assert result.cannot_tell is not None
    assert "no beat could be compared; in the whole capture AS stays high" in result.cannot_tell


def test_what_nothing_tells_about_is_said_not_to_be_checked() -> None:
    """No log says what the function codes should be."""
    bus = load_bus("mc68000")
    result = result_of(bus, words(bus, 6))

    told = "not checked, since nothing tells what they should show: FC2, FC1, FC0"
    assert told in result.notes


def test_an_open_acknowledge_fails_at_the_host_alone() -> None:
    """The card asserts it; the host never sees it."""
    bus = load_bus("orlop32")
    result = result_of(bus, words(bus, 8), faults=[Open("ACK", "high")])

    assert result.findings[0].lines == ("ACK",)
    assert result.findings[0].places == ("host",)
    stuck = result_of(bus, words(bus, 8), faults=[Stuck("ACK", 1)])
    assert stuck.findings[0].places == ("host", "card")


def test_an_example_shows_the_address_that_the_lines_had() -> None:
    """Where the address is bent, the bent one stands beside the one that was meant."""
    bus = load_bus("mc68000")
    result = result_of(bus, words(bus, 8), faults=[Stuck("A5", 1)])

    assert result.examples[0].address == 0x2000
    assert result.examples[0].address_seen == 0x2020


@pytest.mark.parametrize(
    ("text", "lines"),
    [("open D9 high", {"D9"}), ("card-side bridge D9 D2 low-wins", {"D9", "D2"})],
)
def test_a_fault_at_one_slot_only_is_found_there_and_not_at_another(
    text: str, lines: set[str]
) -> None:
    """Probed at the host, at the card's slot and at another: only the card's place is named."""
    bus = load_bus("mc68000")
    asked = random_accesses(bus, 60, Random(2))
    places = ("host", "other", "card")
    made, log = synthesise_log(bus, asked, seed=2, faults=[parse_fault(text, bus)], places=places)
    first = compare(decoded(made.places, bus), log_of(log)).findings[0]

    assert set(first.lines) == lines
    assert "card" in first.places
    assert "other" not in first.places


def of_lines(
    bus: Bus,
    accesses: Sequence[Access],
    without: Sequence[str],
    fault: str = "",
    *,
    others: Sequence[int] = (),
) -> Comparison:
    """Compare what a capture at the host shows in which some lines are missing.

    `others` are the accesses that are not in the log.
    """
    faults = [parse_fault(fault, bus)] if fault else []
    made, whole = synthesise_log(bus, accesses, seed=1, faults=faults)
    log = [each for at, each in enumerate(whole) if at not in others]
    lines = [line for line in bus.line_names if line not in without]
    return compare(decoded({"host": made.places["host"].select(lines)}, bus), log_of(log))


MODIFIER = [f"AM{at}" for at in range(6)]


def test_address_lines_that_may_not_count_are_not_accused() -> None:
    """VMEbus: short and standard addresses have 16 and 24 bits, as their modifiers tell
    (ANSI/VITA 1-1994, address modifier codes); without these nobody knows which it was."""
    bus = load_bus("vmebus")
    accesses = random_accesses(bus, 40, Random(2))
    assert not of_lines(bus, accesses, MODIFIER).findings
    assert not of_lines(bus, accesses, ["AM3", "IACK"]).findings


def test_address_lines_that_must_count_are_found_without_their_modifier() -> None:
    """An address beyond 16 bits is none of the short ones, so A20 counts."""
    bus = load_bus("vmebus")
    accesses = [
        access
        for at in (0x71_0000, 0x60_0000, 0x13_0000, 0x02_0000)
        for access in (Access("write", at, 4, at ^ 0x5A5A), Access("read", at, 4, None))
    ]
    found = of_lines(bus, accesses, MODIFIER, "stuck A20 low").findings
    assert found
    assert found[0].lines == ("A20",)


@pytest.mark.parametrize("without", [["SIZ0"], ["SIZ1", "A1"], ["A0", "A1"], ["DSACK1", "A2"]])
def test_a_write_of_which_the_lanes_are_not_seen_still_writes(without: list[str]) -> None:
    """MC68020: which bytes of a long word are written, SIZ1, SIZ0, A1 and A0 tell together
    (MC68020UM, table of data bus activity); without one of them the log does."""
    bus = load_bus("mc68020")
    accesses = [
        access
        for at, size, data in ((0, 4, 0x296B3DDB), (0, 1, 0xAA), (2, 2, 0x109A), (1, 1, 0x55))
        for access in (
            Access("write", 0x1000 + at, size, data),
            Access("read", 0x1000, 4, None),
            Access("read", 0x1002, 2, None),
            Access("read", 0x1003, 1, None),
        )
    ]
    assert not of_lines(bus, accesses, without).findings
    found = of_lines(bus, accesses, without, "open D2 high").findings
    assert found
    assert found[0].lines == ("D2",)


@pytest.mark.parametrize(("without", "op"), [("UDS", 0), ("LDS", 1)])
def test_a_byte_written_in_a_beat_that_was_not_seen_may_be_there(without: str, op: int) -> None:
    """MC68000: a byte at an even address is strobed by UDS alone, at an odd one by LDS alone
    (MC68000UM, table of data strobe control), so a capture without that strobe misses the beat."""
    bus = load_bus("mc68000")
    accesses = [
        access
        for at in (0x1000, 0x2000, 0x3000)
        for access in (
            Access("write", at, 2, 0xBEAD ^ at),
            Access("write", at + op, 1, 0xFD),
            Access("read", at, 2, None),
        )
    ]
    healthy = of_lines(bus, accesses, [without])
    assert not healthy.findings
    assert healthy.unmatched_log == 3
    bad = "D3" if without == "UDS" else "D11"
    found = of_lines(bus, accesses, [without], f"stuck {bad} low").findings
    assert found
    assert found[0].lines == (bad,)


@pytest.mark.parametrize(
    ("name", "without"),
    [
        ("z80", ["A8"]),
        ("6502", ["A8", "A9"]),
        ("mc68000", ["A8"]),
        ("vmebus", ["A8"]),
        ("vmebus", MODIFIER),
        ("vmebus", []),
    ],
)
def test_a_write_of_other_traffic_may_have_gone_where_its_address_is_not_seen(
    name: str, without: list[str]
) -> None:
    """Another master writes over a word between a logged write and a logged read of it."""
    bus = load_bus(name)
    size = bus.word_bytes
    accesses = [
        access
        for at in (0x1100, 0x2300, 0x4500)
        for access in (
            Access("write", at, size, 0x55),
            Access("read", at, size, None),
            Access("write", at, size, 0xA3),
            Access("read", at, size, None),
        )
    ]
    others = [at for at in range(len(accesses)) if at % 4 == 2]
    assert not of_lines(bus, accesses, without, others=others).findings


def test_a_plain_cycle_is_no_acknowledge_of_an_interrupt() -> None:
    """VMEbus without IACK: a write uses all its address lines, an acknowledge only A3 to A1
    (ANSI/VITA 1-1994, interrupt acknowledge cycle)."""
    bus = load_bus("vmebus")
    accesses = [
        access
        for at in (0x0, 0x4, 0x8, 0xC)
        for access in (Access("write", at, 4, 0x0F0F ^ at), Access("read", at, 4, None))
    ]
    found = of_lines(bus, accesses, ["IACK"], "stuck A9 high").findings
    assert found
    assert found[0].lines == ("A9",)


def test_an_address_that_software_counts_beyond_what_the_cycle_uses_is_the_same_word() -> None:
    """VMEbus: an address of 24 bits, which software knows by one of 32; another master writes."""
    bus = load_bus("vmebus")
    accesses = [
        access
        for at in (0x11_0100, 0x22_0300)
        for access in (
            Access("write", at, 4, 0x55),
            Access("write", at, 4, 0xA3),
            Access("read", at, 4, None),
        )
    ]
    made, whole = synthesise_log(bus, accesses, seed=1)
    upper = [replace(each, address=each.address | 0xF100_0000) for each in whole]
    logged = [each for at, each in enumerate(upper) if at % 3 != 1]
    assert not compare(decoded({"host": made.places["host"]}, bus), log_of(logged)).findings


@pytest.mark.parametrize("missing", ["A0", "A1", "DSACK0", "DSACK1"])
@pytest.mark.parametrize("width", [8, 16, 32])
def test_what_port_the_card_has_is_taken_by_what_fits_the_log(missing: str, width: int) -> None:
    """MC68020: DSACK1 and DSACK0 tell 8, 16 or 32 lines (MC68020UM, table of DSACK codes), and a
    long word is moved in four beats, in two or in one; without A0 or A1 no beat shows it."""
    bus = load_bus("mc68020")
    levels = {8: (1, 0), 16: (0, 1), 32: (0, 0)}[width]
    port = {"DSACK1": levels[0], "DSACK0": levels[1]}
    log = [
        access
        for at, data in ((0x1000, 0x296B3DDB), (0x2004, 0x57A1347B), (0x3008, 0x3A67E175))
        for access in (Access("write", at, 4, data), Access("read", at, 4, data))
    ]
    transfers = [part for each in log for part, _, _ in split_access(bus, each, lambda _: port)]
    made = synthesise(bus, transfers, seed=1)
    lines = [line for line in bus.line_names if line != missing]
    result = compare(decoded({"host": made.places["host"].select(lines)}, bus), log_of(log))

    assert len(transfers) == len(log) * 32 // width
    assert result.findings == ()
    assert result.compared == len(transfers)
    assert any("what port the card has" in note for note in result.notes)
