"""`busdecode plan` as a user runs it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from busdecode.plan import METHODS, WARNING

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.conftest import Outcome


def planned(busdecode: Callable[..., Outcome], *more: str) -> Outcome:
    """Plan on eight bytes of a Z80."""
    return busdecode("plan", "--bus", "z80", "--base", "8000", "--span", "8", *more)


CSV = """\
op,address,size,data,expected,purpose
write,0x8000,1,0xAA,,data lines: 4 of 8 are 1
read,0x8000,1,,0xAA,data lines: 4 of 8 are 1
write,0x8000,1,0xCC,,data lines: 4 of 8 are 1
read,0x8000,1,,0xCC,data lines: 4 of 8 are 1
write,0x8000,1,0xF0,,data lines: 4 of 8 are 1
read,0x8000,1,,0xF0,data lines: 4 of 8 are 1
"""


def test_plan_goes_out_alone_and_the_warning_beside_it(busdecode: Callable[..., Outcome]) -> None:
    """Check the whole log, and that the time by hand is told."""
    outcome = planned(busdecode, "--method", "counting")

    assert (outcome.status, outcome.out) == (0, CSV)
    assert outcome.err.splitlines()[:2] == [
        f"warning: {WARNING}",
        "counting on z80, 0x8000 to 0x8007: 6 accesses, 30 s at 5 s each, by hand",
    ]
    assert "find all but 1 of 8 stuck-low, 1 of 8 stuck-high" in outcome.err


def test_plan_as_a_file(busdecode: Callable[..., Outcome]) -> None:
    """Check the same log in a file, and what is told of it."""
    outcome = planned(busdecode, "--method", "counting", "-o", "plan.csv")

    assert (outcome.status, outcome.err) == (0, "")
    assert outcome.out.splitlines()[2:4] == ["written:", "  plan.csv"]
    assert Path("plan.csv").read_text(encoding="ascii") == CSV


def test_table_has_room_for_what_is_read(busdecode: Callable[..., Outcome]) -> None:
    """Check the table of one line's words."""
    outcome = busdecode(
        *("plan", "--bus", "mc68000", "--base", "0x1000", "--span", "4"),
        *("--method", "address-powers", "--format", "table"),
    )

    assert outcome.out == (
        "address-powers on mc68000: 4 accesses, numbers hexadecimal\n"
        f"WARNING: {WARNING}.\n"
        "\n"
        "step  do     address  bytes  data  read  expected  purpose\n"
        "1     write  001000   2      0001                  address lines: none changed\n"
        "2     write  001002   2      0002                  address lines: A1 alone changed\n"
        "3     read   001000   2            ____  0001      address lines: none changed\n"
        "4     read   001002   2            ____  0002      address lines: A1 alone changed\n"
    )


def test_c_source_warns(busdecode: Callable[..., Outcome]) -> None:
    """Check that who pastes the source sees the warning and the purpose of each access."""
    outcome = planned(busdecode, "--method", "counting", "--format", "c")

    assert WARNING in " ".join(outcome.out.split())
    assert "    {1, 1, 0x0, UINT32_C(0xCC)},\n" in outcome.out
    assert "240 ms at 40 ms each, a line at 9600 baud" in outcome.err


@pytest.mark.parametrize(
    ("per_access", "told"),
    [
        ("2 ms", "12 ms at 2 ms each"),
        ("500/s", "12 ms at 2 ms each"),
        ("20 s", "2 min 0 s at 20 s each"),
        ("1000 s", "1 h 40 min at 16 min 40 s each"),
    ],
)
def test_run_time(busdecode: Callable[..., Outcome], per_access: str, told: str) -> None:
    """Check times and rates."""
    outcome = planned(busdecode, "--method", "counting", "--per-access", per_access)

    assert outcome.err.splitlines()[1].endswith(f": 6 accesses, {told}")


def test_json(busdecode: Callable[..., Outcome]) -> None:
    """Check the object, with the steps where no file is written."""
    given = json.loads(
        planned(busdecode, "--method", "walking-ones", "--budget", "3", "--json").out
    )

    assert (given["plan"], given["accesses"], given["seconds"]) == ("walking-ones", 2, 10.0)
    assert given["warning"] == WARNING
    assert [(step["op"], step["data"], step["expected"]) for step in given["steps"]] == [
        ("write", 1, None),
        ("read", None, 1),
    ]


def test_own_march(busdecode: Callable[..., Outcome]) -> None:
    """Check that a march in the notation is run, and what it finds is told."""
    outcome = planned(busdecode, "--march", "^(w0); v(r0)")

    assert len(outcome.out.splitlines()) == 1 + 4 * 2 * 8
    assert "up(w0); down(r0): simulated on 4 cells it finds all but 4 of 8 stuck" in outcome.err


def test_lists_every_method(busdecode: Callable[..., Outcome]) -> None:
    """Check that the list needs no other option."""
    outcome = busdecode("plan", "--list-methods")

    assert outcome.status == 0
    assert [row.split()[0] for row in outcome.out.splitlines()] == list(METHODS)


HELP = "  do:       see: busdecode plan --help\n"
MISTAKES = [
    (
        (),
        "no method is given\n  expected: one or more\n  do:       see: busdecode plan "
        "--list-methods\n",
    ),
    (
        ("--method", "contuing"),
        f"no method is called 'contuing'\n  expected: one of {', '.join(METHODS)}\n"
        "  do:       did you mean counting?\n",
    ),
    (
        ("--march", "*(w0); ^(r1)"),
        "1:10: the march has 'r1' at column 10\n  1 | *(w0); ^(r1)\n    |          ^\n"
        "  expected: r0: the operations before leave 0\n",
    ),
    (
        ("--method", "counting", "--base", "10000"),
        "the base 0x10000 is outside the addresses of z80\n  expected: an address below 0x10000\n",
    ),
    (
        ("--method", "counting", "--base", "80G0"),
        "busdecode plan: '--base': an address must be hexadecimal digits, with or without 0x, "
        "not '80G0'\n" + HELP,
    ),
    (
        ("--method", "counting", "--span", "1 byte"),
        "busdecode plan: '--span': a span must be a number of bytes such as 256, 0x100, 64K or "
        "1M, not '1 byte'\n" + HELP,
    ),
    (
        ("--method", "counting", "--span", "64K"),
        "the span ends at 0x18000, beyond the addresses of z80\n"
        "  expected: at most 32768 bytes from 0x8000 on\n",
    ),
    (
        ("--method", "counting", "--size", "2"),
        "no single cycle of z80 moves 2 bytes\n  expected: a size of 1\n",
    ),
    (
        ("--method", "counting", "--budget", "1"),
        "a budget of 1 is too small for counting\n"
        "  expected: at least 2, which tell something together only\n",
    ),
    (
        ("--method", "mats", "--budget", "8"),
        "mats tells nothing when accesses are left out\n"
        "  expected: no budget, or a method for data lines, addresses or lanes\n",
    ),
    (
        ("--method", "counting", "--per-access", "0/s"),
        "busdecode plan: '--per-access': a rate must be above 0, not '0/s'\n" + HELP,
    ),
    (
        ("--method", "counting", "--per-access", "5"),
        "busdecode plan: '--per-access': a time must be a number and one of s, ms, us, ns, ps, "
        "not '5'\n" + HELP,
    ),
    (
        ("--method", "counting", "--bus", "hd44780"),
        "hd44780.toml: hd44780 has no memory to write to and read back\n"
        "  expected: a bus with address lines, on which a read returns what was written\n",
    ),
]


@pytest.mark.parametrize(("more", "message"), MISTAKES)
def test_request_that_cannot_be_met(
    busdecode: Callable[..., Outcome], more: tuple[str, ...], message: str
) -> None:
    """Check the whole message, and that no file was made."""
    outcome = planned(busdecode, *more, "-o", "plan.csv")
    told = outcome.err
    if "hd44780" in told:
        told = told[told.index("hd44780.toml") :]

    assert (outcome.status, outcome.out, told) == (2, "", message)
    assert list(Path().iterdir()) == []


def test_file_in_no_folder(busdecode: Callable[..., Outcome]) -> None:
    """Check that the place of the file is looked at before the plan is made."""
    outcome = planned(busdecode, "--method", "contuing", "-o", "none/plan.csv")

    assert (outcome.status, outcome.err.splitlines()[0]) == (
        2,
        "none/plan.csv: there is no folder 'none'",
    )


def test_file_that_exists_is_kept(busdecode: Callable[..., Outcome]) -> None:
    """Check that a file is replaced only where that was asked for."""
    path = Path("plan.csv")
    path.write_text("mine\n", encoding="ascii")
    outcome = planned(busdecode, "--method", "counting", "-o", "plan.csv")

    assert (outcome.status, path.read_text(encoding="ascii")) == (2, "mine\n")
    assert outcome.err.startswith("plan.csv: the file exists, and is kept\n")
    planned(busdecode, "--method", "counting", "-o", "plan.csv", "--overwrite")
    assert path.read_text(encoding="ascii") == CSV
