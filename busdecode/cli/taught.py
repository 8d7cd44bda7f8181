"""Help that teaches: purpose, a worked example, exit statuses, then the options."""

from __future__ import annotations

from inspect import cleandoc
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["Taught", "write_options"]


class Taught(click.Command):
    """A command whose help begins with what it is for.

    Parameters
    ----------
    example : str
        One worked example, with a sentence on what it does; printed as it stands.
    statuses : mapping of int to str
        What each exit status means.
    """

    def __init__(
        self, *args: Any, example: str = "", statuses: Mapping[int, str] | None = None, **kw: Any
    ) -> None:
        super().__init__(*args, **kw)
        self.example = example
        self.statuses = dict(statuses or {})

    def format_help(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the whole help."""
        for at, paragraph in enumerate(cleandoc(self.help or "").split("\n\n")):
            if at:
                formatter.write_paragraph()
            formatter.write_text(" ".join(paragraph.split()))
        if self.example:
            with formatter.section("Example"):
                for row in cleandoc(self.example).splitlines():
                    formatter.write(f"{'':>{formatter.current_indent}}{row}\n")
        if self.statuses:
            with formatter.section("Exit status"):
                formatter.write_dl([(str(code), text) for code, text in self.statuses.items()])
        formatter.write_paragraph()
        self.format_usage(ctx, formatter)
        self.format_options(ctx, formatter)

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options."""
        write_options(self, ctx, formatter)


def write_options(
    command: click.Command, ctx: click.Context, formatter: click.HelpFormatter
) -> None:
    """Write the options of a command, and nothing else that it may list."""
    records = [each.get_help_record(ctx) for each in command.get_params(ctx)]
    with formatter.section("Options"):
        formatter.write_dl([record for record in records if record is not None])
