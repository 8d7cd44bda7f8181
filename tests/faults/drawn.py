"""Levels drawn as text: one character a line, ``0``, ``1``, and ``z`` where no one drives it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.faults import Drive, Levels, Network, parse_fault
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from busdecode.faults import Fault

__all__ = ["BIT", "BUS", "drawn", "driven", "faults_of", "levels_of"]

BUS = load_bus("mc68000")
BIT = {name: 1 << at for at, name in enumerate(BUS.line_names)}


def faults_of(text: str) -> list[Fault]:
    """Read faults with semicolons between them."""
    return [parse_fault(each, BUS) for each in text.split(";") if each.strip()]


def driven(lines: str, levels: str) -> Drive:
    """Drive lines as drawn."""
    drive = Drive()
    for line, level in zip(lines.split(), levels, strict=True):
        if level != "z":
            drive = drive.put(BIT[line], BIT[line] * int(level))
    return drive


def drawn(lines: str, levels: int) -> str:
    """Draw the levels of lines."""
    return "".join(str(int(bool(levels & BIT[line]))) for line in lines.split())


def levels_of(network: Network, lines: str, host: str, card: str) -> tuple[str, str]:
    """Give what lines driven as drawn show at host and card."""
    levels: Levels = network.resolve(driven(lines, host), driven(lines, card))
    return drawn(lines, levels.host), drawn(lines, levels.card)
