"""Options that several commands take, and the types of their values."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from busdecode.units import parse_time

if TYPE_CHECKING:
    from collections.abc import Callable

    from busdecode.capture import CaptureFile, Options

__all__ = [
    "FILE",
    "address_of",
    "bus_option",
    "bytes_of",
    "capture_options",
    "json_option",
    "offset_of",
    "opened",
    "overwrite_option",
    "ps_of",
]

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


def address_of(text: str) -> int:
    """Read an address, hexadecimal."""
    match = re.fullmatch(r"(?:0[xX]|\$)?([0-9A-Fa-f]+)", text.strip())
    if match is None:
        raise click.BadParameter(
            f"an address must be hexadecimal digits, with or without 0x, not {text!r}"
        )
    return int(match[1], 16)


def bytes_of(text: str) -> int:
    """Read a number of bytes."""
    match = re.fullmatch(r"(?:0[xX]([0-9A-Fa-f]+)|([0-9]+)\s*([kKM]?))", text.strip())
    if match is None:
        raise click.BadParameter(
            f"a span must be a number of bytes such as 256, 0x100, 64K or 1M, not {text!r}"
        )
    if match[1]:
        return int(match[1], 16)
    return int(match[2]) << {"": 0, "K": 10, "M": 20}[match[3].upper()]


def offset_of(text: str) -> int:
    """Read a number that is added to addresses."""
    try:
        return int(text, 0)
    except ValueError:
        raise click.BadParameter(
            f"an offset must be a number such as 0x1000, not {text!r}"
        ) from None


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


def _moment(text: str) -> int:
    try:
        return parse_time(text)
    except ValueError as error:
        raise click.BadParameter(str(error)) from None


def _size(text: str) -> int:
    match = re.fullmatch(r"([0-9]+)\s*(|kB|MB|GB|TB)", text.strip())
    if match is None:
        raise click.BadParameter(
            f"a size must be a whole number of bytes, kB, MB, GB or TB, not {text!r}"
        )
    power = ("", "kB", "MB", "GB", "TB").index(match[2])
    return int(match[1]) * int(1000**power)


def _names(text: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in text.split(",") if name.strip())


def capture_options(command: Decorated) -> Decorated:
    """Add ``--probes``, passed as `probes_path`, ``--only``, and what `open_capture` takes.

    The latter are passed under the names that `open_capture` has for them.
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
                "--only",
                type=_names,
                metavar="CHANNELS",
                help="Take these channels of the capture only; names with commas between.",
            ),
            click.option(
                "--from",
                "start",
                type=_moment,
                metavar="TIME",
                help="Read from this moment of the capture on, such as '1.5 ms'.",
            ),
            click.option(
                "--to", "stop", type=_moment, metavar="TIME", help="Read up to this moment."
            ),
            click.option(
                "--allow-truncated",
                is_flag=True,
                help="Of a file that ends early, be content with what is whole.",
            ),
            click.option(
                "--capture-format",
                "format",
                metavar="vcd|csv|numpy|packed",
                help="Format of the capture, where its content leaves it open.",
            ),
            click.option(
                "--layout",
                type=FILE,
                metavar="FILE",
                help="Description (TOML) of a file of packed samples: channels, width, rate.",
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
            click.option(
                "--time-column",
                metavar="NAME",
                help="Of a table: the column of times, or of sample numbers.",
            ),
            click.option(
                "--header-line",
                type=click.IntRange(min=1),
                metavar="N",
                help="Of a table: the line with the names of the columns.",
            ),
            click.option(
                "--separator",
                metavar="CHARACTER",
                help="Of a table: what stands between cells.",
            ),
            click.option(
                "--unpack-limit",
                type=_size,
                default="32 GB",
                show_default=True,
                metavar="SIZE",
                help="Where unpacking a compressed file stops with an error.",
            ),
        )
    ):
        command = option(command)
    return command


def opened(path: Path, only: tuple[str, ...] | None, told: Options) -> CaptureFile:
    """Open the capture that a command was given, of its channels those asked for.

    Says on the standard error where it will be read slowly, and how it would not.
    """
    from busdecode.capture import advice, open_capture

    capture = open_capture(path, **told)
    if (slow := advice(capture.source.likely_size)) is not None:
        print(slow, file=sys.stderr)
    if only is not None:
        capture.only(only)
    return capture
