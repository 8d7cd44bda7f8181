"""Plans on real buses: what they reach, and what software reads by them on a bus with faults."""

from __future__ import annotations

import pytest

from busdecode.cycles import synthesise_log
from busdecode.errors import RequestError
from busdecode.faults import parse_fault
from busdecode.plan import (
    METHODS,
    Prediction,
    legal_parts,
    line_candidates,
    make_plan,
    open_window,
    plan_lanes,
    plan_powers,
)
from busdecode.protocol import bundled_buses, load_bus

MEMORIES = [
    name
    for name in bundled_buses()
    if load_bus(name).address and load_bus(name).kind("write").space != "none"
]


@pytest.mark.parametrize("name", METHODS)
@pytest.mark.parametrize("bus", MEMORIES)
def test_healthy_card_returns_what_each_read_expects(bus: str, name: str) -> None:
    """Check every method on every bus, against a memory made byte by byte in the bus's order."""
    described = load_bus(bus)
    order = "big" if described.big_endian else "little"
    window = open_window(described, 0x1000, 8 * described.word_bytes)
    plan = make_plan(window, [name])
    stored: dict[int, int] = {}

    assert len(plan.steps) == METHODS[name].count(window)
    for access in plan.accesses:
        places = range(access.address, access.address + access.size)
        assert window.base <= access.address
        assert places[-1] < window.base + window.span
        if access.op == "write":
            assert access.data is not None
            stored |= zip(places, access.data.to_bytes(access.size, order), strict=True)
        else:
            assert access.expected is not None
            assert bytes(stored[at] for at in places) == access.expected.to_bytes(
                access.size, order
            )


@pytest.mark.parametrize("bus", MEMORIES)
def test_every_candidate_fault_is_seen_by_the_plans_together(bus: str) -> None:
    """Check that data, strobe, address and lane plans leave no line fault that reads healthy."""
    window = open_window(load_bus(bus), 0x1000, 0x100)
    plan = make_plan(window, ["true-complement", "strobe-bridges", "address-powers", "lanes"])
    candidates = line_candidates(window)
    seen = Prediction(window, candidates, plan.steps).reads()
    unseen = (seen == seen[:, :1]).all(axis=0)

    assert [name for name, is_so in zip(candidates.names, unseen, strict=True) if is_so] == ["none"]


@pytest.mark.parametrize(
    ("bus", "name", "fault"),
    [
        *(
            (bus, name, name)
            for bus in ("z80", "mc68000")
            for name in (
                "stuck D3 low",
                "stuck D0 high",
                "bridge D2 D5 low-wins",
                "bridge D2 D5 high-wins",
            )
        ),
        ("mc68000", "no effect A2", "stuck A2 low"),
        ("mc68000", "no effect A2", "stuck A2 high"),
        ("mc68000", "bridge A2 A3 low-wins", "bridge A2 A3 low-wins"),
        ("mc68000", "bridge A2 A3 high-wins", "bridge A2 A3 high-wins"),
        ("z80", "bridge A0 A1 high-wins", "bridge A0 A1 high-wins"),
    ],
)
def test_prediction_is_what_the_node_model_reads(bus: str, name: str, fault: str) -> None:
    """Check the quick prediction against captures made with the same fault, read by read."""
    described = load_bus(bus)
    window = open_window(described, 0x1000, 0x20)
    plan = make_plan(window, ["true-complement", "address-powers"])
    candidates = line_candidates(window)
    at = candidates.names.index(name)
    expected = Prediction(window, candidates, plan.steps).reads()[:, at].tolist()
    _, seen = synthesise_log(described, plan.accesses, faults=[parse_fault(fault, described)])

    assert [access.data for access in seen if access.op == "read"] == expected


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("none", [0xEF21, 0xEF00, 0x10DE, 0x00DE]),
        ("lane-lost LDS", [0xEFFF, 0xEF00, 0x10FF, 0x00FF]),
        ("lane-on LDS", [0xEF00, 0xEF00, 0x10DE, 0x00DE]),
        ("lane-lost UDS", [0xFF21, 0xFF00, 0xFFDE, 0x00DE]),
    ],
)
def test_lanes_lost_and_always_on(fault: str, expected: list[int]) -> None:
    """Check the two bytes of a word by hand: EF over 10, then DE over 21, on their lanes."""
    window = open_window(load_bus("mc68000"), 0x1000, 2)
    candidates = line_candidates(window)
    seen = Prediction(window, candidates, plan_lanes(window).steps[:8]).reads()

    assert seen[:, candidates.names.index(fault)].tolist() == expected


@pytest.mark.parametrize(
    ("bus", "first", "complement"),
    [
        ("z80", "stays 0x0 where digit 0 of the line's number is 1", "is 0"),
        # Its strobe rests low, so that a line at 0 holds it back.
        ("6502", "stays 0xFF where digit 0 of the line's number is 0", "is 1"),
    ],
)
def test_strobe_plan_says_what_a_word_that_stays_means(
    bus: str, first: str, complement: str
) -> None:
    """Check the digit that is told for the first word and for its complement."""
    window = open_window(load_bus(bus), 0x1000, 1)
    steps = make_plan(window, ["strobe-bridges"]).steps

    assert steps[0].purpose == f"strobes: {first}"
    assert steps[9].purpose.endswith(f"digit 0 of the line's number {complement}")


def test_lanes_are_every_legal_part_of_the_word() -> None:
    """Check the parts of a bus with lane strobes, and of one with a lane table."""
    parts = [legal_parts(load_bus(bus)) for bus in ("z80", "mc68000", "mc68020")]

    assert parts == [
        [(1, 0)],
        [(1, 0), (1, 1), (2, 0)],
        [(1, 0), (1, 1), (1, 2), (1, 3), (2, 0), (2, 1), (2, 2), (3, 0), (3, 1), (4, 0)],
    ]


def test_natural_parts_are_those_of_plain_c() -> None:
    """Check that parts are left out whole, and that the plan says so."""
    plan = plan_lanes(open_window(load_bus("mc68020"), 0, 4), is_natural=True)

    assert {(access.size, access.address % access.size) for access in plan.accesses} == {
        (1, 0),
        (2, 0),
        (4, 0),
    }
    assert plan.notes == ("3 legal parts are left out, which no plain C access makes",)


@pytest.mark.parametrize(
    ("base", "span", "anchor", "lines", "outside"),
    [
        (0x1000, 0x10, 0x1000, "A1 A2 A3", 20),
        (0x1000, 2, 0x1000, "", 23),
        # From 0FFC on nothing but A1 can be changed alone; from 1000 on A2 too.
        (0x0FFC, 0x0C, 0x1000, "A1 A2", 21),
        # A12 is set in the base, and cleared outside the span.
        (0x1000, 0x1000, 0x1000, " ".join(f"A{at}" for at in range(1, 12)), 12),
    ],
)
def test_only_address_lines_inside_the_span(
    base: int, span: int, anchor: int, lines: str, outside: int
) -> None:
    """Check which lines can be changed alone, and that the others are told."""
    window = open_window(load_bus("mc68000"), base, span)
    notes = plan_powers(window).notes

    assert (window.anchor, " ".join(window.address_lines)) == (anchor, lines)
    assert notes[1].startswith(f"{outside} address lines are not tried, since the span does not")


def test_narrow_access_reaches_the_lines_of_its_lane() -> None:
    """Check which data lines bytes at even and odd addresses stand on."""
    found = [open_window(load_bus("mc68000"), base, 1, 1).data_lines for base in (0x1000, 0x1001)]

    assert found == [tuple(f"D{at}" for at in range(8, 16)), tuple(f"D{at}" for at in range(8))]


MISTAKES = [
    ("hd44780", 0, 1, None, "hd44780 has no memory to write to and read back"),
    ("ata-pio", 0, 2, None, "ata-pio has no memory to write to and read back"),
    ("z80", 0x10000, 1, None, "the base 0x10000 is outside the addresses of z80"),
    ("z80", 0, 1, 2, "no single cycle of z80 moves 2 bytes"),
    ("mc68020", 0, 3, 3, "no single cycle of mc68020 moves 3 bytes"),
    ("mc68000", 1, 2, None, "the base 0x1 is no address of an access of 2 bytes"),
    ("mc68000", 0, 3, None, "the span is 3 bytes, which is no whole number of accesses of 2 bytes"),
    ("mc68000", 0, 0, None, "the span is 0 bytes, which is no whole number of accesses of 2 bytes"),
    ("z80", 0xFFFF, 2, None, "the span ends at 0x10001, beyond the addresses of z80"),
]


@pytest.mark.parametrize(("bus", "base", "span", "size", "message"), MISTAKES)
def test_window_that_cannot_be(
    bus: str, base: int, span: int, size: int | None, message: str
) -> None:
    """Check what was found, and that something else is offered."""
    with pytest.raises(RequestError) as caught:
        open_window(load_bus(bus), base, span, size)

    assert caught.value.found == message
    assert caught.value.expected


def test_lanes_need_a_whole_word() -> None:
    """Check a span of bytes that lies across two words."""
    window = open_window(load_bus("mc68000"), 0x1001, 2, 1)
    with pytest.raises(RequestError, match="the span holds no whole word of mc68000"):
        make_plan(window, ["lanes"])


def test_plan_of_too_many_accesses_is_refused_before_it_is_made() -> None:
    """Check that a whole address space is no plan."""
    window = open_window(load_bus("mc68020"), 0, 1 << 32)
    with pytest.raises(RequestError, match="march-b makes 109,521,666,048 accesses"):
        make_plan(window, ["march-b"])
