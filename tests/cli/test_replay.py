"""`busdecode replay` as a user runs it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.conftest import Outcome

    Run = Callable[..., Outcome]

LOG = """op,address,size,data
w,0x1000,2,0x1234
w,0x2468,2,0xFEDC
r,0x1000,2,0x1234
r,0x2468,1,0xFE
"""


@pytest.fixture
def made(busdecode: Run, tmp_path: Path) -> Path:
    """Make a capture of four accesses of the MC68000 bus, every edge at its moment."""
    (tmp_path / "log.csv").write_text(LOG, encoding="ascii")
    outcome = busdecode(
        "synthesise", "--bus", "mc68000", "--log", "log.csv", "--period", "0 ns",
        "--waits", "0", "-o", "made.vcd", "--probes-out", "probes.toml",
    )  # fmt: skip
    assert outcome.status == 0
    return tmp_path / "made.vcd"


REPLAY = ("replay", "made.vcd", "--bus", "mc68000")


def test_a_healthy_capture_meets_its_grade(busdecode: Run, made: Path) -> None:
    """Nothing found; each limit with what was measured, and why others were not."""
    outcome = busdecode(*REPLAY)

    assert outcome.status == 0
    rows = outcome.out.splitlines()
    assert rows[0] == "made.vcd on mc68000 at host, held against the limits of grade 8 MHz"
    assert rows[1] == "4 beats looked at; each time is uncertain by 1 ps"
    assert "Nothing found." in rows
    assert any(row.split()[:4] == ["11", "at", "least", "30"] for row in rows)
    assert any("not captured: CLK" in row for row in rows)


def test_a_stricter_figure_of_the_users_own_is_broken_with_cycle_and_margin(
    busdecode: Run, made: Path, tmp_path: Path
) -> None:
    """The address of the MC68000's made cycles stands 90 to 130 ns before AS."""
    (tmp_path / "own.toml").write_text('[limits]\n11 = { min = "1 us" }\n', encoding="ascii")
    outcome = busdecode(*REPLAY, "--limits", "own.toml")

    assert outcome.status == 1
    rows = outcome.out.splitlines()
    assert "Broken: limit 11, address valid to AS asserted: at least 1 us" in rows
    assert "  source: 10.10, your own" in rows
    assert any(row.startswith("  worst: cycle ") and "outside, uncertain" in row for row in rows)


def test_json_has_every_limit_with_its_verdict(busdecode: Run, made: Path) -> None:
    """One object; met, not measured, and nothing else on a healthy capture."""
    outcome = busdecode(*REPLAY, "--json")
    told = json.loads(outcome.out)

    assert (told["bus"], told["grade"], told["beats"], told["findings"]) == (
        "mc68000", "8 MHz", 4, 0,
    )  # fmt: skip
    verdicts = {each["limit"]: each["verdict"] for each in told["limits"]}
    assert verdicts["11"] == "met"
    assert verdicts["6"] == "not measured"
    assert set(verdicts.values()) == {"met", "not measured"}


def test_the_good_machine_is_kept_and_held_against(
    busdecode: Run, made: Path, tmp_path: Path
) -> None:
    """Its own baseline finds nothing; one with a shorter set-up than was ever seen does."""
    assert busdecode(*REPLAY, "--keep", "good.toml").status == 0
    same = busdecode(*REPLAY, "--against", "good.toml")
    text = (tmp_path / "good.toml").read_text("utf-8")
    row = next(row for row in text.splitlines() if row.startswith('"11" ='))
    (tmp_path / "good.toml").write_text(
        text.replace(row, '"11" = { min = "5 us", max = "6 us", beats = 9 }'), "utf-8"
    )
    other = busdecode(*REPLAY, "--against", "good.toml")

    assert (same.status, other.status) == (0, 1)
    assert "  no time is shorter, longer or missing" in same.out.splitlines()
    assert "limit 11, address valid to AS asserted: shorter in 4 beats" in other.out


def test_a_baseline_is_never_replaced_unasked(busdecode: Run, made: Path, tmp_path: Path) -> None:
    """The file is kept, and nothing is read."""
    (tmp_path / "good.toml").write_text("mine", encoding="ascii")
    outcome = busdecode(*REPLAY, "--keep", "good.toml")

    assert outcome.status == 2
    assert "the file exists, and is kept" in outcome.err
    assert (tmp_path / "good.toml").read_text("ascii") == "mine"


def test_detail_shows_how_often_each_time_was_measured(busdecode: Run, made: Path) -> None:
    """Bars whose counts add up to the beats."""
    outcome = busdecode(*REPLAY, "--detail", "14")
    head, *rows = outcome.out.splitlines()

    assert outcome.status == 0
    assert head == "limit 14, AS width low: at least 270 ns"
    counts = [int(row.replace("#", "").split("..")[1].split()[0]) for row in rows if ".." in row]
    assert sum(counts) == 4


MISTAKES = [
    (("--grade", "8 Mhz"), "mc68000 has no grade called '8 Mhz'", "did you mean 8 MHz?"),
    (("--detail", "11B"), "mc68000 has no limit '11B'", "did you mean 11"),
    (("--place", "slot9"), "nothing was probed at 'slot9'", ""),
    (("--limits", "none.toml"), "none.toml: cannot be read: No such file", ""),
    (("--against", "none.toml"), "none.toml: cannot be read: No such file", "write it anew"),
    (("--keep", "made.vcd"), "the output is also an input", ""),
]


@pytest.mark.parametrize(("options", "found", "action"), MISTAKES)
def test_a_mistake_in_the_options_is_one_clear_error(
    busdecode: Run, made: Path, options: tuple[str, ...], found: str, action: str
) -> None:
    """Status 2, what was found, what to do; nothing printed of the capture."""
    outcome = busdecode(*REPLAY, *options)

    assert outcome.status == 2
    assert outcome.out == ""
    assert found in outcome.err
    assert action in outcome.err


def test_a_bus_without_limits_is_refused(busdecode: Run, made: Path) -> None:
    """It says what the description needs."""
    outcome = busdecode("replay", "made.vcd", "--bus", "6502")

    assert outcome.status == 2
    assert "the description of 6502 has no limits" in outcome.err


def test_limits_of_few_lines_are_measured_and_the_rest_is_named(
    busdecode: Run, made: Path, tmp_path: Path
) -> None:
    """Eight channels: widths and the handshake are measured, data and address are not."""
    lines = ("AS", "UDS", "LDS", "R/W", "DTACK", "BERR", "A12", "A3")
    channels = ",".join(f"host.{line}" for line in lines)
    outcome = busdecode(*REPLAY, "--only", channels)
    rows = outcome.out.splitlines()

    assert outcome.status == 0
    assert any(row.split()[:1] == ["14"] for row in rows)
    assert any(
        row.endswith(": nothing is said of A23 to A13, A11 to A4, A2, A1, not captured")
        for row in rows
    )
    assert "  25, 26, 31, 29: not captured: D15 to D0" in rows
