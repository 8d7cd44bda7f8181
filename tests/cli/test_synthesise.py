"""`busdecode synthesise` as a user runs it, and its captures read back."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from vcdvcd import VCDVCD

from busdecode.faults import forms
from busdecode.protocol import bundled_buses, load_bus

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.conftest import Outcome

LOG = """\
op,address,size,data
write,0x1000,2,0x1234
write,0x1003,1,0x56
read,0x1000,2,0x1234
read,0x1003,1,0x56
"""


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Give an access log ``meant.csv`` in the folder of the commands."""
    path = tmp_path / "meant.csv"
    path.write_text(LOG, encoding="ascii")
    return path


def made(busdecode: Callable[..., Outcome], bus: str, *more: str) -> Outcome:
    """Make a capture with all that can be written beside it."""
    return busdecode(
        *("synthesise", "--bus", bus, "--log", "meant.csv", "-o", "made.vcd"),
        *("--log-out", "seen.csv", "--probes-out", "probes.toml", *more),
    )


def moved(busdecode: Callable[..., Outcome], bus: str, place: str) -> list[tuple[str, int, int]]:
    """Decode a place of the capture: kind, byte address and byte, one a byte moved."""
    outcome = busdecode(
        *("decode", "made.vcd", "--bus", bus, "--probes", "probes.toml"),
        *("--place", place, "--format", "csv"),
    )
    assert outcome.status == 0
    found = []
    for row in csv.DictReader(io.StringIO(outcome.out)):
        if row["ended"] == "cut-off":  # a clock that never rests is cut at both ends
            continue
        at = int(row["address"], 16)
        digits = row["data"][2:].replace("-", "")
        shown = [int(digits[n : n + 2], 16) for n in range(0, len(digits), 2)]
        order = shown if load_bus(bus).big_endian else shown[::-1]
        found += [(row["kind"], at + n, byte) for n, byte in enumerate(order)]
    return found


@pytest.mark.parametrize("place", ["host", "card"])
@pytest.mark.parametrize(
    "bus", [name for name in bundled_buses() if load_bus(name).address_width > 12]
)
def test_healthy_capture_decodes_to_the_log_at_both_places(
    busdecode: Callable[..., Outcome], log: Path, bus: str, place: str
) -> None:
    """Check the bytes of the log, byte by byte, where the two byte orders place them."""
    outcome = made(busdecode, bus)
    word = [0x12, 0x34] if load_bus(bus).big_endian else [0x34, 0x12]
    once = [(0x1000, word[0]), (0x1001, word[1]), (0x1003, 0x56)]

    assert (outcome.status, outcome.err) == (0, "")
    assert moved(busdecode, bus, place) == (
        [("write", at, byte) for at, byte in once] + [("read", at, byte) for at, byte in once]
    )
    assert Path("seen.csv").read_text(encoding="ascii").splitlines()[-1].endswith(",1,0x56")


def test_fault_shows_in_the_capture_and_in_what_the_host_read(
    busdecode: Callable[..., Outcome], log: Path
) -> None:
    """Check that D2 stuck low takes the 4 out of 34 and 56 wherever D2 carries a bit."""
    outcome = made(busdecode, "z80", "--fault", "stuck D2 low")

    assert "4 accesses on z80, stuck D2 low: " in outcome.out
    assert [byte for _, _, byte in moved(busdecode, "z80", "host")] == [0x30, 0x12, 0x52] * 2
    assert Path("seen.csv").read_text(encoding="ascii").splitlines()[3:] == [
        "read,0x1000,2,0x1230",
        "read,0x1003,1,0x52",
    ]


def test_capture_is_a_vcd_with_scopes_and_no_date(
    busdecode: Callable[..., Outcome], log: Path
) -> None:
    """Check the header, and the wires as an independent reader of VCD sees them."""
    made(busdecode, "orlop32", "--seed", "7")
    text = Path("made.vcd").read_text(encoding="ascii")
    wires = VCDVCD("made.vcd", only_sigs=True).get_signals()

    assert text.splitlines()[:2] == [
        "$comment synthesised by busdecode, no real capture: bus orlop32, sample period 10 ns, "
        "seed 7, no fault $end",
        "$timescale 10 ns $end",
    ]
    assert "$date" not in text
    assert {name.split(".")[0] for name in wires} == {"host", "card"}
    assert {"host.AD31", "card.AD0", "host.ACK"} <= set(wires)
    assert len(wires) == 80


def test_same_seed_gives_the_same_file_and_another_seed_another(
    busdecode: Callable[..., Outcome], log: Path
) -> None:
    """Check that output is stable, byte for byte."""
    texts = []
    for seed in ("1", "1", "2"):
        made(busdecode, "mc68000", "--seed", seed, "--overwrite")
        texts.append(Path("made.vcd").read_bytes().split(b"$enddefinitions")[1])

    assert texts[0] == texts[1] != texts[2]


def test_every_edge_at_its_picosecond_where_the_period_is_nothing(
    busdecode: Callable[..., Outcome], log: Path
) -> None:
    """Check that the time scale goes down to what the edges need."""
    made(busdecode, "z80", "--period", "0 ns")
    rows = Path("made.vcd").read_text(encoding="ascii").splitlines()

    assert rows[1] == "$timescale 1 ps $end"


def test_skew_is_told_in_the_probe_list(busdecode: Callable[..., Outcome], log: Path) -> None:
    """Check that a capture with late channels comes with a list that says how late."""
    made(busdecode, "z80", "--skew", "3 ns", "--jitter", "2 ns")
    rows = Path("probes.toml").read_text(encoding="ascii").splitlines()

    assert '"card.A15" = { line = "A15", side = "card", skew = "5 ns" }' in rows
    assert len(moved(busdecode, "z80", "card")) == 6


def test_json_tells_what_was_written(busdecode: Callable[..., Outcome], log: Path) -> None:
    """Check the object; the fault stands in it as it can be given again."""
    given = json.loads(made(busdecode, "z80", "--fault", "bridge D3,D5 low-wins", "--json").out)

    assert given["faults"] == ["bridge D3 D5 low-wins"]
    assert given["written"] == ["made.vcd", "seen.csv", "probes.toml"]
    assert given["notes"] == ["left out, since the description does not drive it: CLK"]


def test_lists_every_kind_of_fault(busdecode: Callable[..., Outcome]) -> None:
    """Check that the list needs no other option and has all kinds."""
    outcome = busdecode("synthesise", "--list-faults")

    assert outcome.status == 0
    assert [row.split()[0] for row in outcome.out.splitlines()] == [
        form.split()[0] for form, _ in forms()
    ]


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (
            ("--fault", "stuk D3 low"),
            "no kind of fault is called 'stuk'\n"
            "  expected: one of " + "; ".join(form for form, _ in forms()) + "\n"
            "  do:       did you mean stuck?\n",
        ),
        (
            ("--fault", "stuck D9 low"),
            "z80 has no line 'D9'\n  expected: stuck LINE low|high\n"
            "  do:       see: busdecode buses z80\n",
        ),
        (
            ("--log", "fetsh.csv"),
            "fetsh.csv:2: z80 has no cycle for 'fetsh'\n  expected: one of "
            "interrupt-acknowledge, fetch, read, write, io-read, io-write\n",
        ),
        (
            ("--log", "none.csv"),
            "none.csv: there is no such file\n  do:       check the path\n",
        ),
        (
            ("--waits", "2"),
            "busdecode synthesise: '--waits': 2.0 is not in the range 0<=x<=1\n"
            "  do:       see: busdecode synthesise --help\n",
        ),
        (
            ("--period", "10"),
            "busdecode synthesise: '--period': a time must be a number and one of s, ms, us, ns, "
            "ps, not '10'\n  do:       see: busdecode synthesise --help\n",
        ),
        (
            ("--log-out", "./made.vcd"),
            "made.vcd: two outputs have the same name\n  do:       name another file for one\n",
        ),
        (
            ("-o", "meant.csv", "--overwrite"),
            "meant.csv: the output is also an input\n  do:       name another file\n",
        ),
    ],
)
def test_request_that_cannot_be_met_writes_nothing(
    busdecode: Callable[..., Outcome], log: Path, more: tuple[str, ...], message: str
) -> None:
    """Check the whole message, and that no file was made or changed."""
    Path("fetsh.csv").write_text("op,address,size,data\nfetsh,0,1,0\n", encoding="ascii")

    outcome = made(busdecode, "z80", *more)

    assert (outcome.status, outcome.out, outcome.err) == (2, "", message)
    assert {path.name for path in Path().iterdir()} == {"fetsh.csv", "meant.csv"}
    assert log.read_text(encoding="ascii") == LOG
