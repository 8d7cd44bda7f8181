"""`busdecode compare` as a user runs it, on the bundled repair and on bad input."""

from __future__ import annotations

import json
import runpy
import shutil
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.conftest import Outcome


@pytest.fixture
def saltmere(checkout: Path, tmp_path: Path) -> list[str]:
    """Put the bundled repair into the folder of the commands, and give the arguments for it."""
    for name in ("saltmere.vcd", "saltmere-log.csv", "saltmere-probes.toml"):
        shutil.copy(checkout / "captures" / name, tmp_path / name)
    return [
        "compare", "saltmere.vcd", "--bus", "orlop32", "--log", "saltmere-log.csv",
        "--probes", "saltmere-probes.toml",
    ]  # fmt: skip


def test_the_bundled_repair_names_the_line_and_the_phase(
    busdecode: Callable[..., Outcome], saltmere: list[str]
) -> None:
    """The verdict names the tied pair and the data phase, and the status says finding."""
    outcome = busdecode(*saltmere)

    assert outcome.status == 1
    verdict = outcome.out.splitlines()[2]
    assert verdict.startswith("AD22 and BS2 always show the same level: wrong in 10 of 58 beats")
    assert "high wins; first in the data phase" in verdict
    assert "cycle 5 at 3.99 us: write 0x00C04004, meant 0xFFFFFFFF, seen 0xFF--FFFF" in outcome.out


def test_json_is_one_object_with_what_programs_need(
    busdecode: Callable[..., Outcome], saltmere: list[str]
) -> None:
    """The object holds the counts and, most telling first, the findings."""
    outcome = busdecode(*saltmere, "--json")
    told = json.loads(outcome.out)

    assert outcome.status == 1
    assert (told["bus"], told["beats"], told["compared"]) == ("orlop32", 64, 58)
    assert (told["unmatched_log"], told["unmatched_beats"]) == (0, 6)
    finding = told["findings"][0]
    assert finding["lines"] == ["AD22", "BS2"]
    assert (finding["phase"], finding["path"]) == ("data", "control")
    assert (finding["wrong"], finding["compared"]) == (10, 58)
    assert finding["condition"] == "where BS2 and AD22 should differ; high wins"
    assert finding["sentence"].endswith(".")


def test_the_bundled_repair_is_what_its_script_makes(checkout: Path, tmp_path: Path) -> None:
    """The three files are exactly what make_saltmere.py writes."""
    script = runpy.run_path(str(checkout / "captures" / "make_saltmere.py"))
    script["main"](tmp_path)

    for name in ("saltmere.vcd", "saltmere-log.csv", "saltmere-probes.toml"):
        assert (tmp_path / name).read_bytes() == (checkout / "captures" / name).read_bytes()


def test_a_healthy_capture_says_so_with_status_0(
    busdecode: Callable[..., Outcome], saltmere: list[str]
) -> None:
    """A synthesised capture without fault: nothing found, and how many beats were compared."""
    made = busdecode(
        "synthesise", "--bus", "z80", "--log", _log(saltmere), "-o", "good.vcd",
        "--log-out", "seen.csv", "--probes-out", "probes.toml",
    )  # fmt: skip
    assert made.status == 0, made.err
    outcome = busdecode(
        "compare", "good.vcd", "--bus", "z80", "--log", "seen.csv", "--probes", "probes.toml"
    )

    assert outcome.status == 0
    assert "Nothing found, 24 beats compared." in outcome.out


def test_a_text_log_is_read_by_a_pattern(
    busdecode: Callable[..., Outcome], saltmere: list[str], tmp_path: Path
) -> None:
    """Lines that match are accesses; those that do not are counted and told."""
    rows = (tmp_path / "saltmere-log.csv").read_text(encoding="ascii").splitlines()[1:]
    text = ["memory test 3"]
    for row in rows:
        op, address, _, data = row.split(",")
        text.append(f"[ram] {op.upper()} @{address[2:]} = {data[2:]}")
    (tmp_path / "console.txt").write_text("\n".join(text) + "\n", encoding="ascii")
    pattern = r"(?P<op>READ|WRITE) @(?P<address>\w+) = (?P<data>\w+)"
    arguments = [word.replace("saltmere-log.csv", "console.txt") for word in saltmere]

    outcome = busdecode(*arguments, "--log-pattern", pattern)

    assert outcome.status == 1
    assert "AD22 and BS2 always show the same level: wrong in 10 of 58 beats" in outcome.out
    assert "1 line of the log did not match the pattern" in outcome.out


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        (
            "saltmere-log.csv",
            "op,address,size,data\nwrite,0x10,1,0x123\n",
            "saltmere-log.csv:2:14: data '0x123' is wider than the access of 1 byte\n"
            "  2 | write,0x10,1,0x123\n"
            "    |              ^\n"
            "  expected: at most 2 hexadecimal digits of value\n",
        ),
        (
            "saltmere-log.csv",
            "",
            "saltmere-log.csv: the log is empty\n"
            "  expected: the header op,address,size,data and accesses\n",
        ),
        (
            "saltmere-log.csv",
            "op,address,size,data\nwrite,0x00C04000,4\n",
            "saltmere-log.csv:2: this row has 3 cells\n"
            "  2 | write,0x00C04000,4\n"
            "  expected: 4 cells: op,address,size,data\n",
        ),
        (
            "saltmere-log.csv",
            "op,address,size,data\nwrite,0x7F123450,4,0x13\nwrite,0x7F123454,4,0x26\n",
            "saltmere-log.csv: nothing aligns: 0 of 2 logged transfers are in the capture's 64"
            " beats\n"
            "  expected: a log of the run that was captured\n"
            "  do:       check the files, the bus, the probe list, and --address-offset\n",
        ),
    ],
)
def test_a_log_that_cannot_be_used_is_one_clear_error(
    busdecode: Callable[..., Outcome],
    saltmere: list[str],
    tmp_path: Path,
    name: str,
    text: str,
    message: str,
) -> None:
    """File, line, what was found, what was expected; status 2; JSON there too."""
    (tmp_path / name).write_text(text, encoding="ascii")
    outcome = busdecode(*saltmere)

    assert (outcome.status, outcome.out, outcome.err) == (2, "", message)
    told = json.loads(busdecode(*saltmere, "--json").out)
    assert told["error"]["message"] + "\n" == message


def test_one_place_without_a_log_is_refused(
    busdecode: Callable[..., Outcome], saltmere: list[str]
) -> None:
    """There is nothing to compare with."""
    outcome = busdecode(*saltmere[:4], *saltmere[6:])

    assert outcome.status == 2
    assert outcome.err.startswith("there is no log, and only one place was probed\n")


def _log(saltmere: list[str]) -> str:
    """Write a log of 12 bytes written and read, in the folder of the commands."""
    from pathlib import Path

    assert saltmere
    rows = ["op,address,size,data"]
    rows += [f"write,{0x4000 + at:04x},1,{at * 37 % 256:02x}" for at in range(12)]
    rows += [f"read,{0x4000 + at:04x},1,00" for at in range(12)]
    Path("meant.csv").write_text("\n".join(rows) + "\n", encoding="ascii")
    return "meant.csv"
