"""Accesses to transfers, worked by hand, and the sum of the parts for any access."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdecode.access import Access, Transfer, kind_of, lane_mask, split_access
from busdecode.protocol import Bus, load_bus, parse_bus

FIXED = settings(derandomize=True, database=None, deadline=None, max_examples=60)
SMALL = (Path(__file__).parents[1] / "protocol" / "small.toml").read_text(encoding="utf-8")


def wide(order: str, table: str = "") -> Bus:
    """Give the small bus with 32 data lines and 32 address lines."""
    text = SMALL.replace("D[7:0]", "D[31:0]").replace("A[3:0]", "A[31:0]")
    text = text.replace("STB =", '"SZ[2:0]" = { role = "size", driver = "host" }\nSTB =', 1)
    return parse_bus(text.replace('byte_order = "big"', f'byte_order = "{order}"\n{table}'))


def lane_table(*rows: str) -> str:
    """Give a lane table, a row a set of lanes, told by the low address bits and the bytes."""
    return "".join(
        f'\n[[lanes.table]]\nlevels = {{ "A[1:0]" = {at % 4}, SZ = {lanes.count("1")} }}\n'
        f'lanes = "{lanes}"\n'
        for at, lanes in enumerate(rows)
    )


BUSES = {
    "mc68000": load_bus("mc68000"),
    "z80": load_bus("z80"),
    "orlop32": load_bus("orlop32"),
    "big": wide("big"),
    "little": wide("little"),
    # Bytes, even words and whole long words, as many 32-bit buses have them.
    "table": wide("big", lane_table("1000", "0100", "0010", "0001", "1100", "0011", "1111")),
}

# A byte, a word and a long word as the MC68000 moves them: M68000UM 3.2 and Table 3-1, and
# Figure 2-3 for the order of words; even bytes on D15 to D8.
BY_HAND = [
    ("mc68000", Access("write", 0x1000, 1, 0xAB), [(0x1000, "10", 0xAB00)]),
    ("mc68000", Access("write", 0x1001, 1, 0xAB), [(0x1001, "01", 0x00AB)]),
    ("mc68000", Access("write", 0x1000, 2, 0xABCD), [(0x1000, "11", 0xABCD)]),
    (
        "mc68000",
        Access("write", 0x1000, 4, 0x12345678),
        [(0x1000, "11", 0x1234), (0x1002, "11", 0x5678)],
    ),
    (
        "mc68000",
        Access("write", 0x1001, 2, 0xABCD),
        [(0x1001, "01", 0x00AB), (0x1002, "10", 0xCD00)],
    ),
    ("z80", Access("write", 0x10, 2, 0xABCD), [(0x10, "1", 0xCD), (0x11, "1", 0xAB)]),
    ("big", Access("write", 0x11, 2, 0xABCD), [(0x11, "0110", 0x00ABCD00)]),
    ("little", Access("write", 0x11, 2, 0xABCD), [(0x11, "0110", 0x00ABCD00)]),
    ("big", Access("write", 0x10, 1, 0xAB), [(0x10, "1000", 0xAB000000)]),
    ("little", Access("write", 0x10, 1, 0xAB), [(0x10, "0001", 0x000000AB)]),
    (
        "big",
        Access("write", 0x13, 4, 0x12345678),
        [(0x13, "0001", 0x00000012), (0x14, "1110", 0x34567800)],
    ),
    (
        "little",
        Access("write", 0x13, 4, 0x12345678),
        [(0x13, "1000", 0x78000000), (0x14, "0111", 0x00123456)],
    ),
    (
        "table",
        Access("write", 0x11, 3, 0x123456),
        [(0x11, "0100", 0x00120000), (0x12, "0011", 0x00003456)],
    ),
    (
        "table",
        Access("write", 0x10, 3, 0x123456),
        [(0x10, "1100", 0x12340000), (0x12, "0010", 0x00005600)],
    ),
]


@pytest.mark.parametrize(("name", "access", "parts"), BY_HAND, ids=range(len(BY_HAND)))
def test_an_access_worked_by_hand(
    name: str, access: Access, parts: list[tuple[int, str, int]]
) -> None:
    """Address of the lowest byte, lanes, and each byte in its lane, lowest address first."""
    bus = BUSES[name]
    found = split_access(bus, access)
    assert [
        (each.address, f"{each.lanes:0{bus.lane_count}b}", each.data) for each, _, _ in found
    ] == parts
    assert all(each.kind == "write" and not each.joined for each, _, _ in found)


def test_a_read_carries_what_it_returned_and_what_was_expected() -> None:
    """Beside the transfer, which is the card's to fill."""
    access = Access("read", 0x1001, 2, 0xABCD, 0x1234)
    assert split_access(BUSES["mc68000"], access) == [
        (Transfer("read", 0x1001, 0b01, None), 0x00AB, 0x0012),
        (Transfer("read", 0x1002, 0b10, None), 0xCD00, 0x3400),
    ]
    without = split_access(BUSES["mc68000"], Access("read", 0, 2, None))
    assert without == [(Transfer("read", 0, 0b11, None), 0, -1)]


def memory_order(bus: Bus, access: Access) -> dict[int, int]:
    """Give the byte at each address, by the definition of the byte order alone."""
    assert access.data is not None
    order = "big" if bus.big_endian else "little"
    octets = access.data.to_bytes(access.size, order)  # type: ignore[arg-type]
    return {access.address + at: octet for at, octet in enumerate(octets)}


@pytest.mark.parametrize("name", BUSES)
def test_the_parts_hold_each_byte_once_at_its_address(name: str) -> None:
    """For odd addresses and all sizes to 8."""
    bus = BUSES[name]
    allowed = {"".join("01"[on] for on in row.lanes) for row in bus.lane_rows}

    @FIXED
    @given(st.integers(0x100, 0x180), st.integers(1, 8), st.data())
    def law(address: int, size: int, data: st.DataObject) -> None:
        word = data.draw(st.integers(0, (1 << 8 * size) - 1))
        access = Access("write", address, size, word)
        found: dict[int, int] = {}
        for transfer, value, _ in split_access(bus, access):
            assert transfer.data == value
            assert value & ~lane_mask(bus, transfer.lanes) == 0
            assert not allowed or f"{transfer.lanes:0{bus.lane_count}b}" in allowed
            base = transfer.address // bus.word_bytes * bus.word_bytes
            for bit in range(bus.lane_count):
                if transfer.lanes >> bit & 1:
                    at = base + bus.lane_offset(bus.lane_count - 1 - bit)
                    assert at not in found
                    assert at >= transfer.address
                    found[at] = value >> bit * bus.lane_bits & 0xFF
        assert found == memory_order(bus, access)

    law()


@pytest.mark.parametrize(
    ("op", "kind"),
    [("write", "write"), ("read", "read"), ("fetch", "fetch"), ("io-read", "io-read"), ("x", None)],
)
def test_the_kind_of_an_operation(op: str, kind: str | None) -> None:
    """A kind by its own name."""
    found = kind_of(BUSES["z80"], op)
    assert (None if found is None else found.name) == kind


def test_a_direction_without_a_kind_of_its_name_takes_the_first_that_goes_that_way() -> None:
    """A bus that calls its reads otherwise is still read."""
    bus = parse_bus(SMALL.replace('name = "read"', 'name = "peek"').replace('"read"]', '"peek"]'))
    found = kind_of(bus, "read")
    assert found is not None
    assert found.name == "peek"


def test_lanes_to_data_bits() -> None:
    """The most significant lane at the highest bit."""
    assert [lane_mask(BUSES["big"], lanes) for lanes in (0, 0b1000, 0b0101)] == [
        0,
        0xFF000000,
        0x00FF00FF,
    ]
