"""Two real backplanes, described from docs/describing-a-bus.md alone: the page suffices.

Sources of the facts, and what is from memory: SOURCE.md in this folder.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdecode.access import Transfer
from busdecode.cycles import Sampling, decode, synthesise, transfers_of
from busdecode.protocol import Bus, load_bus
from tests.assertions import assert_sound
from tests.properties.test_law import check_law
from tests.strategies import samplings, transfer_lists

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tests.conftest import Outcome

FOLDER = Path(__file__).parent
FIXED = settings(derandomize=True, database=None, deadline=None, max_examples=30)
COLUMNS = ("kind", "address", "lanes", "data", "ended")

# IEEE 796: the lanes and the I/O cycles from memory, inversion and numbering at second hand.
MULTIBUS = [
    ("write", "0x9D2340", "11", "0xA5C3", "acknowledged"),
    ("read", "0x9D2341", "01", "0x--7E", "acknowledged"),
    ("io-write", "0x000060", "01", "0x--55", "acknowledged"),
    ("write", "0x9D2343", "10", "0x6B--", "acknowledged"),
    ("interrupt-acknowledge", "0x000000", "01", "0x--42", "acknowledged"),
]
# IEEE 961 with UM0080: order of edges and names of the control lines from memory.
STD_Z80 = [
    ("fetch", "0x0123", "1", "0x3E", "acknowledged"),
    ("refresh", "0x0005", "0", "", "unacknowledged"),
    ("write", "0x8001", "1", "0x5A", "acknowledged"),
    ("io-read", "0x0010", "1", "0x77", "acknowledged"),
    ("interrupt-acknowledge", "0x0024", "1", "0xE4", "acknowledged"),
]
CAPTURES = [("multibus", "multibus.csv", MULTIBUS), ("std_z80", "std_z80.vcd", STD_Z80)]


def described(name: str) -> Bus:
    """Load a description of this folder."""
    return load_bus(FOLDER / f"{name}.toml")


def rows_of(out: str) -> list[tuple[str, ...]]:
    """Read what ``decode --format csv`` prints."""
    return [tuple(row[name] for name in COLUMNS) for row in csv.DictReader(io.StringIO(out))]


@pytest.mark.parametrize(("name", "capture", "rows"), CAPTURES)
def test_a_capture_typed_from_the_facts_decodes_to_them(
    name: str,
    capture: str,
    rows: list[tuple[str, ...]],
    busdecode: Callable[..., Outcome],
) -> None:
    """Through the command line, as a user would: channel names, inversion, lanes, kinds."""
    bus = ("--bus", str(FOLDER / f"{name}.toml"))
    outcome = busdecode("decode", str(FOLDER / capture), *bus, "--format", "csv")

    assert outcome.status == 0
    assert rows_of(outcome.out) == rows


@pytest.mark.parametrize("name", ["multibus", "std_z80"])
def test_the_law_holds_for_them(name: str) -> None:
    """Decode gives back what was put on the bus, at any legal timing."""
    bus = described(name)

    @FIXED
    @given(transfer_lists(bus), st.integers(0, 2**32), st.floats(0, 1), samplings(bus))
    def law(transfers: list[Transfer], seed: int, wait_share: float, sampling: Sampling) -> None:
        check_law(bus, transfers, seed, wait_share, sampling)

    law()


def test_made_multibus_cycles_are_inverted_on_the_cable() -> None:
    """A one is a low line: the levels are the complement of address and data (page 9-4)."""
    bus = described("multibus")
    made = synthesise(bus, [Transfer("write", 0x9D2340, 3, 0xA5C3)], seed=1).places["card"]
    (asserted,) = [
        row
        for row in range(1, len(made.times))
        if made.levels("MWTC")[row] < made.levels("MWTC")[row - 1]
    ]

    def number(lines: Sequence[str]) -> int:
        return int("".join(str(made.levels(line)[asserted]) for line in lines), 2)

    assert number(bus.address) == 0xFFFFFF - 0x9D2340
    assert number(bus.data) == 0xFFFF - 0xA5C3
    assert (bus.address[0], bus.address[8], bus.data[0]) == ("ADR17", "ADRF", "DATF")


@pytest.mark.parametrize(
    ("name", "transfers"),
    [
        ("multibus", [("write", 0x9D2340, 3, 0xA5C3), ("read", 0x9D2341, 1, None)]),
        ("multibus", [("io-write", 0x0060, 3, 0x1234), ("io-read", 0x0060, 3, None)]),
        ("std_z80", [("write", 0x8001, 1, 0x5A), ("read", 0x8001, 1, None)]),
    ],
)
def test_made_reads_bring_back_what_was_written(
    name: str, transfers: list[tuple[str, int, int, int | None]]
) -> None:
    """An odd byte of Multibus comes back swapped; a port from the space of ports."""
    made = synthesise(described(name), [Transfer(*each) for each in transfers], seed=4)
    back = made.returned[1]

    assert back is not None
    if name == "multibus" and transfers[1][0] == "read":
        assert back & 0xFF == 0xA5
    else:
        assert back == transfers[0][3]


def test_without_its_optional_line_the_other_multibus_kinds_are_still_told(
    tmp_path: Path, busdecode: Callable[..., Outcome]
) -> None:
    """INTA may be absent: the cycles that it begins are lost, and that is told; no others are."""
    table = list(csv.reader((FOLDER / "multibus.csv").read_text(encoding="ascii").splitlines()))
    at = table[0].index("INTA*")
    capture = tmp_path / "no-inta.csv"
    kept = [",".join(row[:at] + row[at + 1 :]) for row in table]
    capture.write_text("\n".join(kept) + "\n", encoding="ascii")
    bus = ("--bus", str(FOLDER / "multibus.toml"))
    outcome = busdecode("decode", str(capture), *bus, "--format", "csv")

    assert rows_of(outcome.out) == MULTIBUS[:-1]
    assert "where a cycle begins is judged without INTA" in outcome.err


@pytest.mark.parametrize("wait_share", [0.0, 1.0])
def test_made_std_cycles_wait_where_the_card_asks_for_it(wait_share: float) -> None:
    """WAITRQ comes before the host looks at it: the beat is longer, and acknowledged."""
    bus = described("std_z80")
    reads = [Transfer("read", at, 1, None) for at in range(20)]
    made = synthesise(bus, reads, seed=7, wait_share=wait_share).places["host"]
    table, _ = decode(bus, [made])
    assert_sound(table)
    longest, shortest = (table.end - table.start).max(), (table.end - table.start).min()

    assert len(transfers_of(table)) == table.count("acknowledged") == 20
    # Look at 250 ns, end at most 250 ns later; a wait of 250 ns at least.
    assert (longest <= 520_000) if wait_share == 0 else (shortest >= 395_000)
    assert bool((made.levels("WAITRQ") == 0).any()) is bool(wait_share)
