"""The command line: finds the command, runs it, and turns what it raises into an exit status."""

from __future__ import annotations

import os
import sys
import traceback
from contextlib import suppress
from importlib import import_module
from typing import TYPE_CHECKING, NamedTuple, cast

import click

from busdecode import __version__
from busdecode.cli.failures import show_failure
from busdecode.cli.taught import write_options
from busdecode.errors import BusdecodeError, InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["COMMANDS", "Named", "main"]

UNUSABLE = 2
"""The input or the command could not be used."""

MISTAKEN = 70
INTERRUPTED = 130
READER_GONE = 141


class Named(NamedTuple):
    """A command: its name, and what it is for.

    The command itself is called ``command`` and stands in the module of ``busdecode.cli``
    that has the command's name; it is imported only where it is asked for.
    """

    name: str
    purpose: str


COMMANDS: tuple[Named, ...] = (
    Named("decode", "list the cycles of a capture: kind, address, lanes, data, ending"),
    Named("compare", "say what fails: which lines, in which phase, for which values"),
    Named("replay", "hold every cycle against the limits of its bus, and steps of the handshake"),
    Named("draw", "draw cycles as timing diagrams, of a capture or of a description alone"),
    Named("export", "write a table for service documents: CSV, Markdown, HTML, LaTeX"),
    Named("buses", "list the bus descriptions at hand, or show one"),
    Named("synthesise", "make a capture of accesses, with faults where wanted"),
    Named("readback", "name the cause from writes and reads alone, and what to write next"),
    Named("diagnose", "name the cause by all evidence of a repair, and what to measure next"),
    Named("plan", "list the writes and reads that tell most, to be made on the target"),
)
"""Every command, in the order in which help shows them. A new command is one row here and one
module."""


class _Commands(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return [each.name for each in COMMANDS]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self.list_commands(ctx):
            return None
        module = import_module(f"busdecode.cli.{cmd_name}")
        return cast("click.Command", module.command)

    def format_help(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        formatter.write_text(
            "busdecode reads captures of an expansion bus, lists its cycles, and names the "
            "line that fails."
        )
        formatter.write_paragraph()
        self.format_usage(ctx, formatter)
        with formatter.section("Commands"):
            formatter.write_dl([(each.name, each.purpose) for each in COMMANDS])
        with formatter.section("Example"):
            formatter.write_text("busdecode buses")
        with formatter.section("Exit status"):
            formatter.write_dl(
                [
                    ("0", "nothing wrong was found, or nothing can be told"),
                    ("1", "something wrong was found on the bus"),
                    ("2", "the input or the command could not be used"),
                ]
            )
        write_options(self, ctx, formatter)
        formatter.write_paragraph()
        formatter.write_text("More on a command: busdecode COMMAND --help")


@click.group(cls=_Commands, no_args_is_help=False, context_settings={"max_content_width": 92})
@click.version_option(__version__, prog_name="busdecode", message="%(prog)s %(version)s")
def _app() -> None:
    """Read captures of an expansion bus."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : sequence of str, optional
        Without the program's name; those of the process where not given.

    Returns
    -------
    int
        0 nothing wrong found, 1 something found, 2 input or command could not be used, 70 a
        mistake in the program, 130 interrupted, 141 the reader of the output went away.

    Examples
    --------
    >>> main(["buses", "z80", "--frequency"])
    2
    """
    given = list(sys.argv[1:] if arguments is None else arguments)
    for stream in (sys.stdout, sys.stderr):
        # Names from files may hold what the terminal's encoding has not.
        with suppress(AttributeError, ValueError):
            stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    try:
        status = _run(given)
        sys.stdout.flush()
    except BrokenPipeError:
        _silence_stdout()
        return READER_GONE
    except KeyboardInterrupt:
        return INTERRUPTED
    return status


def _run(given: list[str]) -> int:
    try:
        with _app.make_context("busdecode", list(given) or ["--help"]) as context:
            result = _app.invoke(context)
        return result if isinstance(result, int) else 0
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except click.ClickException as error:
        show_failure(_usage_failure(error), given)
    except BusdecodeError as error:
        show_failure(error, given)
    except BrokenPipeError:
        raise
    except OSError as error:
        reason = error.strerror or type(error).__name__
        path = None if error.filename is None else os.fsdecode(error.filename)
        show_failure(InputError(f"the system says: {reason}", path=path), given)
    except Exception as error:
        # Not of the user's making: tell all, and by a status that is no finding.
        traceback.print_exc()
        show_failure(BusdecodeError(f"a mistake in busdecode itself: {error!r}"), given)
        return MISTAKEN
    return UNUSABLE


def _usage_failure(error: click.ClickException) -> InputError:
    context: click.Context | None = getattr(error, "ctx", None)
    name = "busdecode" if context is None else context.command_path
    text = error.format_message()
    if type(error) is click.BadParameter and error.param is not None:
        text = f"{error.param.get_error_hint(context)}: {error.message}"
    text = " ".join(text.split()).rstrip(".")
    return InputError(f"{name}: {text[:1].lower()}{text[1:]}", action=f"see: {name} --help")


def _silence_stdout() -> None:
    """Point the standard output at nothing, so that the last flush of Python is quiet."""
    with suppress(OSError, ValueError, AttributeError):
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, sys.stdout.fileno())
        os.close(nothing)
