"""Help, version, interruption: what holds of all commands."""

from __future__ import annotations

import errno
import json
import re
import subprocess
import sys
import time
from importlib import import_module
from typing import TYPE_CHECKING, NoReturn

import pytest

from busdecode import __version__
from busdecode.cli import COMMANDS, main
from busdecode.cli.failures import wants_json

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.conftest import Outcome

NAMES = [each.name for each in COMMANDS]


def test_version(busdecode: Callable[..., Outcome]) -> None:
    """Check that the version is the package's."""
    assert busdecode("--version").out == f"busdecode {__version__}\n"


@pytest.mark.parametrize("arguments", [(), ("--help",)])
def test_help_lists_every_command(
    busdecode: Callable[..., Outcome], arguments: tuple[str, ...]
) -> None:
    """Check that help says what each command is for, also where nothing was asked."""
    outcome = busdecode(*arguments)

    assert outcome.status == 0
    for each in COMMANDS:
        assert f"\n  {each.name} " in outcome.out
        assert each.purpose.split(":")[0] in " ".join(outcome.out.split())


@pytest.mark.parametrize("name", NAMES)
def test_help_of_a_command_teaches(busdecode: Callable[..., Outcome], name: str) -> None:
    """Check purpose first, then a worked example, then what the exit statuses mean."""
    outcome = busdecode(name, "--help")
    parts = [
        outcome.out.index(part)
        for part in ("Example:\n  busdecode " + name, "Exit status:\n  0  ", "Usage:", "Options:")
    ]

    assert outcome.status == 0
    assert outcome.out[0].isupper()
    assert parts[0] > 0
    assert parts == sorted(parts)
    assert "\n  2  " in outcome.out
    assert max(map(len, outcome.out.splitlines())) <= 92


@pytest.mark.parametrize("name", NAMES)
def test_every_command_has_json_and_says_what_is_wrong_in_it(
    busdecode: Callable[..., Outcome], name: str
) -> None:
    """Check that a wrong option with --json gives one object at status 2."""
    outcome = busdecode(name, "--nonsense", "--json")

    found = json.loads(outcome.out)["error"]["found"]

    # The parser's own words change a little between its versions.
    assert outcome.status == 2
    assert re.match(rf"busdecode {name}: no such option:? '?--nonsense'?", found)


def test_help_does_not_wait_for_the_libraries() -> None:
    """Check that help imports neither pandas nor numpy, on which start-up time hangs."""
    code = (
        "import sys\nfrom busdecode.cli import main\n"
        f"for name in {NAMES!r}: main([name, '--help'])\n"
        "heavy = {'pandas', 'numpy', 'pydantic', 'rich'} & set(sys.modules)\n"
        "sys.exit(', '.join(heavy) or 0)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)

    assert (run.returncode, run.stderr) == (0, "")


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--json"], True),
        (["--format", "json"], True),
        (["--format=json"], True),
        (["--format", "csv"], False),
        (["-o", "json"], False),
        (["--", "--json"], False),
    ],
)
def test_json_is_known_also_where_arguments_cannot_be_parsed(
    arguments: list[str], *, expected: bool
) -> None:
    """Check each way in which JSON can be asked for."""
    assert wants_json(["decode", *arguments]) is expected


def raising(error: BaseException) -> Callable[..., NoReturn]:
    """Give a function that raises."""

    def command(*_: object, **__: object) -> NoReturn:
        raise error

    return command


def test_interruption_is_quiet(
    busdecode: Callable[..., Outcome], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Check status 130 and no word."""
    command = import_module("busdecode.cli.buses").command
    monkeypatch.setattr(command, "callback", raising(KeyboardInterrupt()))
    outcome = busdecode("buses")

    assert (outcome.status, outcome.out, outcome.err) == (130, "", "")


def test_interruption_of_the_process_is_quiet(tmp_path: Path) -> None:
    """Check the same with the signal, while the command waits for a file."""
    import os
    import signal

    os.mkfifo(tmp_path / "slow.vcd")
    command = [sys.executable, "-m", "busdecode", "decode", "slow.vcd", "--bus", "z80"]

    def heed_interruption() -> None:
        # A shell has what it runs in the background ignore it, and children inherit that.
        signal.signal(signal.SIGINT, signal.SIG_DFL)

    with subprocess.Popen(
        command, cwd=tmp_path, stderr=subprocess.PIPE, text=True, preexec_fn=heed_interruption
    ) as process:
        # Opening succeeds once the command has opened the other end; never wait for a dead one.
        other_end = -1
        while other_end < 0 and process.poll() is None:
            try:
                other_end = os.open(tmp_path / "slow.vcd", os.O_WRONLY | os.O_NONBLOCK)
            except OSError:
                time.sleep(0.02)
        assert other_end >= 0, process.communicate()[1]
        time.sleep(0.1)
        process.send_signal(signal.SIGINT)
        try:
            _, err = process.communicate(timeout=30)
        finally:
            process.kill()
            os.close(other_end)

    assert (process.returncode, err) == (130, "")


@pytest.mark.parametrize(
    ("error", "message"),
    [
        (
            PermissionError(errno.EACCES, "Permission denied", "board.toml"),
            "board.toml: the system says: Permission denied\n",
        ),
        (OSError(errno.ENOSPC, "No space left on device"), "the system says: No space left on "
         "device\n"),
    ],
)  # fmt: skip
def test_what_the_system_refuses_is_one_message(
    busdecode: Callable[..., Outcome],
    monkeypatch: pytest.MonkeyPatch,
    error: OSError,
    message: str,
) -> None:
    """Check that an error of the system is told with its file, at status 2."""
    command = import_module("busdecode.cli.buses").command
    monkeypatch.setattr(command, "callback", raising(error))
    outcome = busdecode("buses")

    assert (outcome.status, outcome.out, outcome.err) == (2, "", message)


def test_mistake_of_the_program_is_no_finding(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Check that a fault in busdecode cannot be taken for a fault of the bus (status 1)."""
    command = import_module("busdecode.cli.buses").command
    monkeypatch.setattr(command, "callback", raising(ZeroDivisionError("oh")))

    assert main(["buses"]) == 70
    assert capsys.readouterr().err.endswith(
        "a mistake in busdecode itself: ZeroDivisionError('oh')\n"
    )
