"""Captures on the command line: a part of one, one that ends early, packed ones, Parquet."""

from __future__ import annotations

import gzip
import json
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.conftest import Outcome


def test_file_that_ends_early_gives_what_is_whole_and_status_2(
    busdecode: Callable[..., Outcome], hand: Path, tmp_path: Path
) -> None:
    """Rows first, then the error with byte and time; nothing is lost."""
    whole = hand.read_bytes()
    (tmp_path / "cut.csv").write_bytes(whole[:-40])

    outcome = busdecode("decode", "cut.csv", "--bus", "z80", "--format", "csv")

    assert outcome.status == 2
    assert "0x8001" in outcome.out
    assert "the file ends inside a row; all is whole up to 600 ns" in outcome.err
    assert f"byte {len(whole) - 40}" in outcome.err
    assert "--allow-truncated" in outcome.err


def test_file_that_ends_early_may_be_allowed(
    busdecode: Callable[..., Outcome], hand: Path, tmp_path: Path
) -> None:
    """Then the status is 0, and a note tells it."""
    (tmp_path / "cut.csv").write_bytes(hand.read_bytes()[:-40])

    outcome = busdecode("decode", "cut.csv", "--bus", "z80", "--allow-truncated")

    assert outcome.status == 0
    assert "all is whole up to 600 ns, and used." in outcome.out


def test_json_of_a_file_that_ends_early_is_one_object_with_rows_and_error(
    busdecode: Callable[..., Outcome], hand: Path, tmp_path: Path
) -> None:
    """A gzip stream that stops: the beats before, and what is wrong."""
    packed = gzip.compress(hand.read_bytes(), mtime=0)
    (tmp_path / "cut.csv.gz").write_bytes(packed[:-10])

    outcome = busdecode("decode", "cut.csv.gz", "--bus", "z80", "--json")
    given = json.loads(outcome.out)

    assert outcome.status == 2
    assert given["error"]["kind"] == "TruncatedError"
    assert given["error"]["byte"] == len(packed) - 10
    assert given["summary"]["beats"] == len(given["beats"])


def test_compare_refuses_a_file_that_ends_early(
    busdecode: Callable[..., Outcome], hand: Path, tmp_path: Path
) -> None:
    """No verdict on half the evidence, unless that is allowed."""
    (tmp_path / "cut.csv").write_bytes(hand.read_bytes()[:-40])
    (tmp_path / "log.csv").write_text("op,address,size,data\nread,0x8001,1,0x55\n")
    asked = ("compare", "cut.csv", "--bus", "z80", "--log", "log.csv")

    refused, allowed = busdecode(*asked), busdecode(*asked, "--allow-truncated")

    assert (refused.status, refused.out) == (2, "")
    assert "all is whole up to 600 ns" in refused.err
    assert allowed.status == 0


def test_part_of_the_time(busdecode: Callable[..., Outcome], hand: Path) -> None:
    """What is under way where the window begins is cut off."""
    outcome = busdecode("decode", "hand.csv", "--bus", "z80", "--from", "250 ns", "--to", "0.5 us")

    assert outcome.status == 0
    assert "1 beat in 1 cycle, 250 ns .. 400 ns\n" in outcome.out
    assert "1 cut off" in outcome.out


def test_some_channels_only(busdecode: Callable[..., Outcome], hand: Path) -> None:
    """A channel that is left out is not captured; one that is not there is an error."""
    channels = ",".join(["MREQ", "RD", "WR", "IORQ", "M1", *(f"D{bit}" for bit in range(8))])

    outcome = busdecode("decode", "hand.csv", "--bus", "z80", "--only", channels)
    wrong = busdecode("decode", "hand.csv", "--bus", "z80", "--only", "MREQ,RED")

    assert outcome.status == 0
    assert "lines not captured at host: A15" in outcome.out
    assert "0x55" in outcome.out
    assert wrong.status == 2
    assert (
        wrong.err
        == "hand.csv: the capture has no line called 'RED'\n  do:       did you mean RD?\n"
    )


def test_table_as_parquet(busdecode: Callable[..., Outcome], hand: Path, tmp_path: Path) -> None:
    """Numbers as numbers, one row a beat."""
    pandas = pytest.importorskip("pandas")
    pytest.importorskip("pyarrow", reason="pyarrow writes Parquet; it is not installed")

    outcome = busdecode("decode", "hand.csv", "--bus", "z80", "-o", "cycles.parquet")
    table = pandas.read_parquet(tmp_path / "cycles.parquet")

    assert outcome.status == 0
    assert table["address"].tolist()[:1] == [0x8001]
    assert table["data"].tolist()[:1] == [0x55]
    assert table["start_ps"].tolist() == [200_000, 600_000]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--format", "parquet"), "a Parquet file is not printed\n"),
        (("-o", "a.parquet", "--operands"), "operands are not written as Parquet\n"),
    ],
)
def test_parquet_that_cannot_be(
    busdecode: Callable[..., Outcome], hand: Path, options: tuple[str, ...], said: str
) -> None:
    """It is a file, and of cycles."""
    outcome = busdecode("decode", "hand.csv", "--bus", "z80", *options)

    assert outcome.status == 2
    assert outcome.err.startswith(said)


def test_packed_samples_with_their_layout(
    busdecode: Callable[..., Outcome], tmp_path: Path
) -> None:
    """Nine channels would not fit into a byte; these seven do, one a bit."""
    layout = 'channels = ["MREQ", "RD", "WR", "IORQ", "M1", "RFSH", "WAIT", "-"]\n'
    layout += 'order = "msb first"\nbits = 8\nperiod = "100 ns"\n'
    (tmp_path / "layout.toml").write_text(layout)
    (tmp_path / "samples.bin").write_bytes(bytes([0xFF, 0xFF, 0x3F, 0x3F, 0xFF, 0xFF]))

    asked = ("decode", "samples.bin", "--bus", "z80")
    outcome, without = busdecode(*asked, "--layout", "layout.toml"), busdecode(*asked)

    assert outcome.status == 0
    assert "200 ns     200 ns  read" in outcome.out
    assert without.status == 2
    assert without.err.startswith(
        "samples.bin: byte 0: the format is not known; the file is binary"
    )
    assert "name it with --layout" in without.err


def test_limit_of_unpacking(busdecode: Callable[..., Outcome], hand: Path, tmp_path: Path) -> None:
    """What expands further than allowed is stopped; the option is named."""
    (tmp_path / "large.csv.gz").write_bytes(gzip.compress(hand.read_bytes() + b"\n" * 200_000))

    outcome = busdecode("decode", "large.csv.gz", "--bus", "z80", "--unpack-limit", "100 kB")
    wrong = busdecode("decode", "large.csv.gz", "--bus", "z80", "--unpack-limit", "much")

    assert outcome.status == 2
    assert "--unpack-limit" in outcome.err
    assert wrong.status == 2
    assert "must be a whole number of bytes, kB, MB, GB or TB, not 'much'" in wrong.err
