"""`busdecode diagnose` as a user runs it, on the bundled case and on cases made here."""

from __future__ import annotations

import json
import os
import random
import runpy
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from busdecode.access import Access, format_log
from busdecode.capture import write_vcd
from busdecode.cycles import Sampling, synthesise_log
from busdecode.faults import parse_fault
from busdecode.plan import make_plan, open_window
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tests.conftest import Outcome

BUS = load_bus("6502")
TIED = "bridge D1 A3 low-wins"
DATA = ("PHI2", "R/W", "D7", "D6", "D5", "D4", "D3", "D2")
REST = ("PHI2", "R/W", "D1", "D0", "A0", "A1", "A2", "A3")
WALK = make_plan(open_window(BUS, 0x6000, 256), ["true-complement", "address-powers"]).accesses


def strange() -> list[Access]:
    """Make accesses in which nothing but the window is as in the walk."""
    drawn = random.Random(7)
    made = []
    for _ in range(40):
        address = 0x6000 + drawn.randrange(256)
        made.append(Access("write", address, 1, drawn.randrange(256)))
        if drawn.random() < 0.5:
            made.append(Access("read", address, 1, None))
    return made


def make(
    folder: Path,
    name: str,
    seed: int,
    fault: str | None = TIED,
    lines: Sequence[str] | None = None,
    accesses: Sequence[Access] = WALK,
) -> None:
    """Write the capture of a run, and the log of what it read."""
    made, seen = synthesise_log(
        BUS,
        accesses,
        seed=seed,
        faults=[parse_fault(fault, BUS)] if fault else [],
        sampling=Sampling(period=20_000),
    )
    capture = made.places["host"]
    with (folder / f"{name}.vcd").open("w", encoding="utf-8", newline="") as stream:
        write_vcd(capture.select(tuple(lines)) if lines else capture, stream)
    (folder / f"{name}.csv").write_text(format_log(seen, 4), encoding="utf-8")


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make runs of a healthy bus and of one with D1 and A3 tied, captured in parts and whole."""
    folder = tmp_path_factory.mktemp("runs")
    make(folder, "bad", 1)
    make(folder, "bad-data", 2, lines=DATA)
    make(folder, "bad-rest", 3, lines=REST)
    make(folder, "good", 1, None)
    make(folder, "good-data", 2, None, DATA)
    make(folder, "good-rest", 3, None, REST)
    make(folder, "strange", 9, None, REST, strange())
    return folder


@pytest.fixture
def diagnose(
    busdecode: Callable[..., Outcome], runs: Path, tmp_path: Path
) -> Callable[..., Outcome]:
    """Write a case beside the runs, and diagnose it."""
    shutil.copytree(runs, tmp_path, dirs_exist_ok=True)

    def run(*parts: str, options: Sequence[str] = ()) -> Outcome:
        Path("case.toml").write_text('bus = "6502"\n' + "".join(parts), encoding="utf-8")
        return busdecode("diagnose", "case.toml", *options)

    return run


@pytest.fixture
def brackenmoor(checkout: Path, tmp_path: Path) -> str:
    """Put the bundled case into the folder of the commands, and give its name."""
    shutil.copytree(checkout / "captures" / "brackenmoor", tmp_path / "brackenmoor")
    return "brackenmoor/case.toml"


def log(name: str, more: str = "") -> str:
    """Name a log in a case."""
    return f'[[logs]]\nfile = "{name}.csv"\n{more}'


def capture(name: str, of: str | None = None, more: str = "") -> str:
    """Name a capture in a case, and its log."""
    return f'[[captures]]\nfile = "{name}.vcd"\n' + (f'log = "{of}"\n' if of else "") + more


def measured(one: str, other: str, *, tied: bool, more: str = "") -> str:
    """Name a reading of the meter in a case."""
    return f'[[measured]]\nlines = ["{one}", "{other}"]\ntied = {str(tied).lower()}\n{more}'


JOINED = (log("bad"), capture("bad-data", "bad"), capture("bad-rest", "bad"))


def test_the_bundled_case_names_the_tied_lines(
    busdecode: Callable[..., Outcome], brackenmoor: str
) -> None:
    """Check the first answer, what of each piece it explains, and what is to be done next."""
    outcome = busdecode("diagnose", brackenmoor)
    rows = outcome.out.splitlines()

    assert (outcome.status, outcome.err) == (1, "")
    assert rows[0] == "RAM card of the Brackenmoor logger on 6502"
    first = rows.index("  D1 and A3 are tied together, and low wins")
    assert rows[first + 1].endswith("contradicted by 0 observations")
    assert rows[4].endswith("15 wrong: D1 in writes 7 times, D1 in reads 7 times, A3 in writes")
    assert "  data-low, pairs of lines at the host: 41 pairs judged, 1 wrong: A3 with D1" in rows
    assert "    data-low, pairs of lines at the host: explains 1 of 1 wrong pair" in rows
    next_ = rows.index("Next, best first (writes go to live addresses; beep with power off):")
    assert rows[next_ + 1].endswith("bits  beep A3 against D1; short if that is it")
    assert "  4 captures of walk: times are those of data-high" in rows


def test_a_beep_settles_the_bundled_case(
    busdecode: Callable[..., Outcome], brackenmoor: str
) -> None:
    """Check what README says of it: the step that is proposed first, written into the case."""
    with Path(brackenmoor).open("a", encoding="utf-8") as stream:
        stream.write("\n" + measured("A3", "D1", tied=True))

    outcome = busdecode("diagnose", brackenmoor)

    assert "\nCause:\n  D1 and A3 are tied together, and low wins\n" in outcome.out


def test_the_bundled_case_as_an_object(busdecode: Callable[..., Outcome], brackenmoor: str) -> None:
    """Check what others build on: the keys of `readback --json`, and those of all evidence."""
    outcome = busdecode("diagnose", brackenmoor, "--json")
    told = json.loads(outcome.out)
    first = told["groups"][0]

    assert (outcome.status, outcome.err) == (1, "")
    assert (told["bus"], told["healthy"], told["more_than_one_cause"]) == ("6502", False, False)
    assert (first["contradicted"], first["explained"]) == (0, told["wrong"])
    assert first["hypotheses"] == [
        {
            "kind": "bridge",
            "lines": ["D1", "A3"],
            "path": "undetermined",
            "sentence": "D1 and A3 are tied together, and low wins",
            "fault": "bridge D1 A3 low-wins",
        }
    ]
    assert all("silent" in each for each in told["groups"])
    gains = [each["gain"] for each in told["next"]]
    assert gains == sorted(gains, reverse=True)
    assert {frozenset(each) for each in told["next"]} == {
        frozenset({"access", "then", "purpose", "gain"}),
        frozenset({"how", "lines", "gain"}),
        frozenset({"how", "lines", "place", "instead", "gain"}),
    }
    assert [each["unit"] for each in told["evidence"]] == ["read", "level", *["pair"] * 4]
    assert told["doubt"] == []


def test_the_bundled_case_is_what_its_script_makes(checkout: Path, tmp_path: Path) -> None:
    """Check that every file is exactly what make_brackenmoor.py writes, and that none is more."""
    script = runpy.run_path(str(checkout / "captures" / "make_brackenmoor.py"))
    script["main"](tmp_path)
    bundled = checkout / "captures" / "brackenmoor"

    names = sorted(path.name for path in bundled.iterdir())
    assert sorted(path.name for path in tmp_path.iterdir()) == names
    assert all((tmp_path / name).read_bytes() == (bundled / name).read_bytes() for name in names)


def test_two_runs_print_the_same_and_nothing_beside_it(runs: Path, tmp_path: Path) -> None:
    """Check two processes, whose sets are in another order, and the standard error."""
    shutil.copytree(runs, tmp_path, dirs_exist_ok=True)
    (tmp_path / "case.toml").write_text('bus = "6502"\n' + "".join(JOINED), encoding="utf-8")
    outputs = []
    for seed in ("1", "2"):
        run = subprocess.run(
            [sys.executable, "-m", "busdecode", "diagnose", "case.toml", "--json"],
            capture_output=True,
            text=True,
            check=False,
            cwd=tmp_path,
            env={**os.environ, "PYTHONHASHSEED": seed},
        )
        outputs.append((run.returncode, run.stdout, run.stderr))

    assert outputs[0] == outputs[1]
    assert (outputs[0][0], outputs[0][2]) == (1, "")


def test_a_mistake_in_the_case_is_one_object(diagnose: Callable[..., Outcome]) -> None:
    """Check status 2 with --json, and the message for people within."""
    outcome = diagnose(log("absent"), options=["--json"])

    error = json.loads(outcome.out)["error"]
    assert (outcome.status, outcome.err, error["kind"]) == (2, "", "CaseError")
    assert (error["key"], error["found"]) == (
        "logs[0].file",
        "there is no such file: 'absent.csv'",
    )


def test_a_healthy_case(diagnose: Callable[..., Outcome]) -> None:
    """Check status 0, and that what cannot be seen is said."""
    outcome = diagnose(log("good"), capture("good-data", "good"), capture("good-rest", "good"))

    assert outcome.status == 0
    assert "All that was seen is as on a healthy bus." in outcome.out
    assert "would have shown nothing here" in outcome.out
    assert "  A15 to A4, SYNC, RDY, IRQ, NMI, RES: no capture has them\n" in outcome.out


def test_a_log_alone(diagnose: Callable[..., Outcome]) -> None:
    """Check that reads alone do not tell A3 from what is tied to ground, and that it is said."""
    outcome = diagnose(log("bad"))

    assert outcome.status == 1
    assert "  reads in bad: 15 reads judged, 7 wrong: D1 7 times\n" in outcome.out
    assert "Not settled. Likeliest first:\n  D1 is held low\n" in outcome.out


def test_a_capture_without_a_log(diagnose: Callable[..., Outcome]) -> None:
    """Check that what is wrong shows, that no cause is settled on, and that the log is missed."""
    outcome = diagnose(capture("bad"))

    assert outcome.status == 1
    assert "Cause:\n" not in outcome.out
    assert "  bad: without a log, what was written is taken from the lines\n" in outcome.out
    assert "Traceback" not in outcome.out


def test_joined_captures_settle_it(diagnose: Callable[..., Outcome]) -> None:
    """Check that parts of one stimulus count as one capture, of eight channels each."""
    outcome = diagnose(*JOINED)

    assert outcome.status == 1
    assert "Cause:\n  D1 and A3 are tied together, and low wins\n" in outcome.out
    assert "  2 captures of bad, levels: " in outcome.out


def test_a_capture_of_another_run_is_told(diagnose: Callable[..., Outcome]) -> None:
    """Check that a capture that does not fit the log it names is doubted in words."""
    outcome = diagnose(log("bad"), capture("strange", "bad"))

    assert outcome.out.startswith(
        "case on 6502\n\nRead with doubt: strange: none of the 30 logged transfers"
    )
    assert "the log may be of another run" in outcome.out
    assert "Cause:" not in outcome.out


def test_captures_of_different_stimuli_are_not_joined(diagnose: Callable[..., Outcome]) -> None:
    """Check that each counts on its own, and why; one has nothing of the log in it."""
    outcome = diagnose(
        log("strange"), capture("good-data", "strange"), capture("strange", "strange")
    )

    assert "good-data, strange are not joined: good-data has 30 beats, strange 58" in outcome.out
    assert "good-data: none of the 58 logged transfers is found in the capture" in outcome.out
    assert "  good-data, levels at the host: 0 levels judged, 0 wrong\n" in outcome.out


def test_a_meter_that_confirms(diagnose: Callable[..., Outcome]) -> None:
    """Check that a beep settles what reads leave open, and is not asked for again."""
    outcome = diagnose(log("bad"), measured("D1", "A3", tied=True), options=["--json"])
    told = json.loads(outcome.out)

    assert told["groups"][0]["hypotheses"][0]["fault"] == TIED
    assert told["groups"][0]["contradicted"] == 0
    assert {
        "name": "meter",
        "unit": "pair",
        "judged": 1,
        "wrong": 1,
        "where": [{"what": "D1 with A3", "times": 1}],
    } in told["evidence"]
    assert ["A3", "D1"] not in [sorted(each.get("lines", [])) for each in told["next"]]


def test_a_meter_that_contradicts(diagnose: Callable[..., Outcome]) -> None:
    """Check that no cause is claimed, and that the meter's reading is what speaks against it."""
    outcome = diagnose(*JOINED, measured("D1", "A3", tied=False))

    assert "No single candidate explains every observation" in outcome.out
    assert "    meter: 1 pair against it\n" in outcome.out


def test_what_was_taken_after_the_mend_is_left_out(diagnose: Callable[..., Outcome]) -> None:
    """Check that it bears on nothing, and is told."""
    outcome = diagnose(
        log("bad"),
        capture("good", "bad", 'state = "after"\n'),
        measured("D1", "A3", tied=False, more='state = "after"\n'),
    )

    told = "  taken after the mend, and left out here: good, 1 reading of the meter\n"
    assert told in outcome.out
    assert "levels" not in outcome.out
    assert "meter:" not in outcome.out


def test_nothing_from_before_the_mend(diagnose: Callable[..., Outcome]) -> None:
    """Check that a case that leaves nothing to judge is refused, in one error."""
    outcome = diagnose(log("good", 'state = "after"\n'))

    assert (outcome.status, outcome.out) == (2, "")
    assert outcome.err == (
        "case.toml: all that the case names was taken after the mend\n"
        "  expected: a log, a capture or a reading of the meter from before it\n"
        "  do:       leave out state = 'after' where the fault was still there\n"
    )


def test_a_line_to_clip_takes_the_place_of_another(diagnose: Callable[..., Outcome]) -> None:
    """Check that eight channels that are all in use have one taken off, and never a fixed one."""
    outcome = diagnose(
        'channels = 8\nfixed = ["PHI2", "R/W"]\n', log("bad"), capture("bad-rest", "bad")
    )

    (clip,) = [row for row in outcome.out.splitlines() if "clip on" in row]
    assert "clip on A3 at the card, in place of A" in clip
    assert clip.endswith(" at the host, and make the same writes and reads again")


def test_a_capture_is_read_as_the_case_says(diagnose: Callable[..., Outcome]) -> None:
    """Check a table without unit or period, and a file that ends early: what to write is told."""
    from busdecode.capture import read_capture

    whole = read_capture(Path("bad.vcd"))
    levels = [whole.levels(line) for line in whole.lines]
    rows = [
        ";".join(map(str, (int(time) // 1000, *states)))
        for time, *states in zip(whole.times.tolist(), *levels, strict=True)
    ]
    table = "\n".join([";".join(("when", *whole.lines)), *rows])
    Path("bad-table.vcd").write_text(table + "\n", encoding="utf-8")
    text = Path("bad.vcd").read_bytes()
    Path("short.vcd").write_bytes(text[: len(text) - 3])
    told = 'time-column = "when"\ntime-unit = "ns"\nsample-period = "20 ns"\n'
    plain = diagnose(log("bad"), capture("bad-table", "bad"))
    read = diagnose(log("bad"), capture("bad-table", "bad", told))
    ends = diagnose(log("bad"), capture("short", "bad"))
    content = diagnose(log("bad"), capture("short", "bad", "allow-truncated = true\n"))

    assert (plain.status, plain.out) == (2, "")
    assert "; in a case it is a key of the capture, without --\n" in plain.err
    assert read.status == 1
    assert "Cause:\n  D1 and A3 are tied together, and low wins" in read.out
    assert (ends.status, content.status) == (2, 1)
    assert "--allow-truncated; in a case it is a key of the capture" in ends.err
