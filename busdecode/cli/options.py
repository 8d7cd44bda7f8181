"""Options that several commands take, and the types of their values."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from busdecode.units import parse_time

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["FILE", "bus_option", "capture_options", "json_option", "overwrite_option", "ps_of"]

Decorated = TypeVar("Decorated", bound="Callable[..., object]")

FILE = click.Path(path_type=Path)
"""A path; whether it can be used is found out, and told, by what reads or writes it."""


def ps_of(text: str) -> int:
    """Read the value of an option that takes a time of 0 or more with its unit; give ps."""
    try:
        ps = parse_time(text)
    except ValueError as error:
        raise click.BadParameter(str(error)) from None
    if ps < 0:
        raise click.BadParameter(f"a time must be 0 or more, not {text!r}")
    return ps


def bus_option(command: Decorated) -> Decorated:
    """Add ``--bus``, passed as `bus_name`."""
    return click.option(
        "--bus",
        "bus_name",
        required=True,
        metavar="BUS",
        help="A bundled description by name (see: busdecode buses), or the path of one.",
    )(command)


def json_option(command: Decorated) -> Decorated:
    """Add ``--json``, passed as `as_json`."""
    return click.option(
        "--json",
        "as_json",
        is_flag=True,
        help='Print one JSON object, also when the status is 2 (then {"error": ...}).',
    )(command)


def overwrite_option(command: Decorated) -> Decorated:
    """Add ``--overwrite``."""
    return click.option(
        "--overwrite", is_flag=True, help="Replace files that exist. Without it they are kept."
    )(command)


def capture_options(command: Decorated) -> Decorated:
    """Add what tells how to read a capture.

    Passed as `probes_path`, `capture_format`, `sample_period` (ps) and `time_unit`.
    """
    for option in reversed(
        (
            click.option(
                "--probes",
                "probes_path",
                type=FILE,
                metavar="FILE",
                help="Probe list (TOML): which channel is which line, and where.",
            ),
            click.option(
                "--capture-format",
                metavar="vcd|csv",
                help="Format of the capture, where its content leaves it open.",
            ),
            click.option(
                "--sample-period",
                type=ps_of,
                metavar="TIME",
                help="The instrument's sample period, such as '10 ns'; else it is inferred.",
            ),
            click.option(
                "--time-unit",
                metavar="UNIT",
                help="Unit of the times where the file tells none: s, ms, us, ns or ps.",
            ),
        )
    ):
        command = option(command)
    return command
