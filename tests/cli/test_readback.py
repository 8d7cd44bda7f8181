"""`busdecode readback` as a user runs it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from busdecode.access import Access, format_log
from busdecode.cycles import synthesise_log
from busdecode.faults import parse_fault
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.conftest import Outcome

WORDS = (0xAA, 0xCC, 0xF0, 0x55, 0x33, 0x0F)
"""The true/complement words for eight lines (references: fault theory, section 1.5)."""

TIED = (0x8A, 0xC8, 0xD0, 0x51, 0x13, 0x0B)
"""What they become where D2 and D5 are tied and low wins (the same section, computed)."""


def log_of(read: tuple[int, ...]) -> str:
    """Write each word to 8000, and what was read of it."""
    rows = ["op,address,size,data"]
    for word, back in zip(WORDS, read, strict=True):
        rows += [f"write,0x8000,1,0x{word:02X}", f"read,0x8000,1,0x{back:02X}"]
    return "\n".join(rows) + "\n"


@pytest.fixture
def z80_log(tmp_path: Path) -> Callable[[tuple[int, ...]], str]:
    """Make a log of six words, and give its name."""

    def made(read: tuple[int, ...]) -> str:
        (tmp_path / "made.csv").write_text(log_of(read), encoding="ascii")
        return "made.csv"

    return made


def test_two_lines_tied_are_named(
    busdecode: Callable[..., Outcome], z80_log: Callable[[tuple[int, ...]], str]
) -> None:
    """Check the cause, and that the status tells of it."""
    outcome = busdecode("readback", z80_log(TIED), "--bus", "z80")

    assert outcome.status == 1
    assert outcome.out.splitlines()[:5] == [
        "made.csv on z80: 6 reads judged, 6 wrong",
        "",
        "Cause:",
        "  D2 and D5 are tied together, and low wins",
        "    explains 6 wrong reads, contradicted by 0 reads",
    ]
    assert "lines swapped or inverted" in outcome.out


def test_the_object_for_programs(
    busdecode: Callable[..., Outcome], z80_log: Callable[[tuple[int, ...]], str]
) -> None:
    """Check what others build on: the verdict, the groups best first, and what to do next."""
    outcome = busdecode("readback", z80_log(TIED), "--bus", "z80", "--json")

    told = json.loads(outcome.out)
    first = told["groups"][0]
    assert (outcome.status, told["healthy"], told["more_than_one_cause"]) == (1, False, False)
    assert (first["explained"], first["contradicted"], first["silent"]) == (6, 0, 0)
    assert first["hypotheses"] == [
        {
            "kind": "bridge",
            "lines": ["D2", "D5"],
            "path": "undetermined",
            "sentence": "D2 and D5 are tied together, and low wins",
            "fault": "bridge D2 D5 low-wins",
        }
    ]
    assert [each["gain"] for each in told["next"]] == sorted(
        (each["gain"] for each in told["next"]), reverse=True
    )
    assert all({"access", "then", "purpose", "gain"} == set(each) for each in told["next"])


def test_a_healthy_log_is_told_with_what_it_does_not_show(
    busdecode: Callable[..., Outcome], z80_log: Callable[[tuple[int, ...]], str]
) -> None:
    """Check status 0, and that address lines that never changed are named."""
    outcome = busdecode("readback", z80_log(WORDS), "--bus", "z80")

    assert outcome.status == 0
    assert outcome.out.splitlines()[2] == "Every read returned what was written."
    assert "  A15 to A0, which never changed in an address of this log" in outcome.out.splitlines()


def test_reads_alone_cannot_be_judged(busdecode: Callable[..., Outcome], tmp_path: Path) -> None:
    """Check that a log without a write says so, and gives no verdict."""
    (tmp_path / "made.csv").write_text("op,address,size,data\nread,0,1,12\n", encoding="ascii")

    outcome = busdecode("readback", "made.csv", "--bus", "z80", "--json")

    assert (outcome.status, json.loads(outcome.out)["healthy"]) == (0, None)


def test_a_plan_that_is_half_filled_in_is_judged_so_far(
    busdecode: Callable[..., Outcome], tmp_path: Path
) -> None:
    """Check that reads without data are counted and left out."""
    text = "op,address,size,data\nwrite,8000,1,AA\nread,8000,1,AA\nread,8000,1,\n"
    (tmp_path / "made.csv").write_text(text, encoding="ascii")

    outcome = busdecode("readback", "made.csv", "--bus", "z80")

    assert outcome.status == 0
    assert "1 read judged, 0 wrong" in outcome.out
    assert outcome.out.endswith("notes:\n  1 read not filled in, left out\n")


def test_next_proposes_what_tells_most(busdecode: Callable[..., Outcome], tmp_path: Path) -> None:
    """Check that after 08 came back as 00 a step is proposed that tells many causes apart."""
    text = "op,address,size,data\nwrite,8000,1,08\nread,8000,1,00\n"
    (tmp_path / "made.csv").write_text(text, encoding="ascii")

    outcome = busdecode(
        *("readback", "made.csv", "--bus", "z80", "--next", "--base", "8000", "--span", "16")
    )

    rows = outcome.out.splitlines()
    first = rows[rows.index("Next, best first (the writes go to live addresses):") + 1]
    assert float(first.split()[0]) > 1
    assert "Not settled. Likeliest first:" in rows


MISTAKES = [
    ((), "no log is given"),
    (("made.csv", "--base", "8000"), "one of --base and --span is given without the other"),
    (("made.csv", "-o", "kept.csv"), "-o is for --interactive"),
    (("--interactive",), "--interactive needs to know where it may write"),
    (("--interactive", "--base", "8000", "--span", "16"), "keeps the accesses in a file"),
    (("absent.csv",), "absent.csv: there is no such file"),
]


@pytest.mark.parametrize(
    ("bus", "rows", "why"),
    [
        ("8255", ["write,0,1,0x55", "read,0,1,0x55"], "no memory answers on this bus"),
        ("z80", ["read,0x8000,1,0x55"], "the log writes nothing where steps could be planned"),
    ],
)
def test_next_says_why_it_proposes_no_step(
    busdecode: Callable[..., Outcome], tmp_path: Path, bus: str, rows: list[str], why: str
) -> None:
    """Where no memory is, what is read is not known before."""
    log = "\n".join(["op,address,size,data", *rows]) + "\n"
    (tmp_path / "made.csv").write_text(log, encoding="ascii")
    outcome = busdecode("readback", "made.csv", "--bus", bus, "--next")

    assert f"Next: {why}" in outcome.out


@pytest.mark.parametrize(("given", "found"), MISTAKES)
def test_options_that_do_not_go_together(
    busdecode: Callable[..., Outcome],
    z80_log: Callable[[tuple[int, ...]], str],
    given: tuple[str, ...],
    found: str,
) -> None:
    """Check that each mistake is told in one error, at status 2."""
    z80_log(WORDS)

    outcome = busdecode("readback", *given, "--bus", "z80")

    assert (outcome.status, outcome.out) == (2, "")
    assert found in outcome.err


def at_keyboard(monkeypatch: pytest.MonkeyPatch, fault: str, seed: int = 3) -> list[Access]:
    """Let a person with a faulty Z80 target answer every question; give what is made."""
    bus = load_bus("z80")
    made: list[Access] = []
    monkeypatch.setattr("busdecode.cli.at_bench.print", note := _Noted(made), raising=False)

    def answer(prompt: str) -> str:
        size, address = int(prompt.split()[1]), int(prompt.split()[-1].rstrip(":"), 16)
        made.append(Access("read", address, size, None))
        log = synthesise_log(bus, made, seed=seed, faults=[parse_fault(fault, bus)])[1]
        return f"{log[-1].data:X}"

    monkeypatch.setattr("builtins.input", answer)
    assert note is not None
    return made


class _Noted:
    """Prints, and takes down the writes that are asked for."""

    def __init__(self, made: list[Access]) -> None:
        self._made = made

    def __call__(self, text: str = "", **how: object) -> None:
        words = text.split()
        if text.startswith("  write "):
            data, address = int(words[1], 16), int(words[3], 16)
            self._made.append(Access("write", address, (len(words[1]) - 2) // 2, data))
        print(text, **how)  # type: ignore[call-overload]


def test_a_person_is_led_to_the_cause(
    busdecode: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Check that few accesses name a pair, and that the file holds them all."""
    made = at_keyboard(monkeypatch, "bridge D1 D6 high-wins")

    outcome = busdecode(
        *("readback", "--bus", "z80", "--interactive"),
        *("--base", "8000", "--span", "4", "-o", "kept.csv"),
    )

    assert outcome.status == 1
    assert outcome.out.splitlines()[-1] == "D1 and D6 are tied together, and high wins."
    assert Path("kept.csv").read_text().count("\n") == len(made) + 1
    assert len(made) < 30


def test_a_file_of_the_users_is_kept(busdecode: Callable[..., Outcome], tmp_path: Path) -> None:
    """Check that nothing is asked where the log could not be kept."""
    (tmp_path / "kept.csv").write_text("mine", encoding="ascii")

    outcome = busdecode(
        *("readback", "--bus", "z80", "--interactive"),
        *("--base", "8000", "--span", "4", "-o", "kept.csv"),
    )

    assert (outcome.status, outcome.out) == (2, "")
    assert "the file exists, and is kept" in outcome.err
    assert (tmp_path / "kept.csv").read_text(encoding="ascii") == "mine"


def test_wrong_answers_are_asked_again_and_stop_ends(
    busdecode: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Check that a typing mistake is told, a step can be left out, and stop says what is known."""
    answers = iter(["zz", "123", "-", "stop"])
    monkeypatch.setattr("builtins.input", lambda prompt: next(answers))

    outcome = busdecode(
        *("readback", "--bus", "z80", "--interactive"),
        *("--base", "8000", "--span", "4", "-o", "kept.csv"),
    )

    assert outcome.status == 0
    assert "'zz' is no number" in outcome.err
    assert "'123' is more than 1 byte hold: 2 hexadecimal digits at most" in outcome.err
    assert "groups are still possible" in outcome.out
    assert format_log([], 4) == Path("kept.csv").read_text(encoding="ascii")
