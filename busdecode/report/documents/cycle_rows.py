"""Cycle tables to the rows of a document: those asked for, with the names of registers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdecode.cycles import concatenate
from busdecode.errors import RequestError
from busdecode.report.documents.table import Column, Table
from busdecode.report.tables import row_objects

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from numpy.typing import NDArray

    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus
    from busdecode.report.documents.names import RegisterNames
    from busdecode.report.documents.table import Cell

__all__ = ["Shown", "cycle_table"]

_CUT = "where the beat was cut off"
_COLUMNS = (
    Column("cycle", "int64", "number of the cycle, from 0", alignment="right"),
    Column("beat", "int64", "number of the beat in its cycle, from 0", alignment="right"),
    Column("start_ps", "int64", "moment at which the beat begins", "ps", alignment="right"),
    Column("end_ps", "int64", "moment at which the beat ends", "ps", alignment="right"),
    Column("kind", "string", "read, write or another kind of the bus", empty="where not known"),
    Column(
        "address",
        "string",
        "byte address of the lowest byte that took part, hexadecimal",
        empty="where not known",
    ),
    Column(
        "register",
        "string",
        "name of that address in the register-name file, and how far into a range",
        empty="where the file names none, or the address is not known",
    ),
    Column(
        "lanes",
        "string",
        "a character a byte lane, most significant first: 1 took part, 0 did not, ? not known",
        empty=_CUT,
    ),
    Column(
        "data",
        "string",
        "data, hexadecimal: - a lane that took no part, ? a digit not known",
        empty="where no data moved, or the beat was cut off",
    ),
    Column(
        "ended",
        "string",
        "acknowledged, error, timeout, unacknowledged or cut-off",
        empty="where the lines that tell it were not captured",
    ),
    Column("rmw", "bool", "whether the beat is part of a read-modify-write"),
    Column("unsure", "bool", "whether a value changes about the moment at which it was taken"),
    Column(
        "modifier", "string", "address modifier, hexadecimal", empty="where not known"
    ),
    Column(
        "asked",
        "int64",
        "bytes still to move, this beat's among them",
        empty="where the lines do not tell it",
        alignment="right",
    ),
)  # fmt: skip
_BY_NAME = {column.name: column for column in _COLUMNS}


@dataclass(frozen=True)
class Shown:
    """Which beats of a cycle table are asked for.

    Parameters
    ----------
    cycles, addresses : (int, int), optional
        First and last, both among them. Beats whose address is not known are in no range.
    """

    cycles: tuple[int, int] | None = None
    addresses: tuple[int, int] | None = None

    def check(self, bus: Bus) -> None:
        """See that the bus has such addresses.

        Raises
        ------
        RequestError
            If it has none, or not as many.
        """
        if self.addresses is None:
            return
        if not bus.address:
            raise RequestError(
                f"{bus.name} has no address lines", action="leave out the range of addresses"
            )
        if self.addresses[1] >> bus.address_width:
            raise RequestError(
                f"{bus.name} has no address 0x{self.addresses[1]:X}",
                expected=f"addresses up to 0x{(1 << bus.address_width) - 1:X}",
            )

    def rows(self, table: CycleTable) -> NDArray[np.bool_]:
        """Tell which rows are asked for, shape (B,)."""
        wanted = np.ones(len(table), dtype=np.bool_)
        if self.cycles is not None:
            wanted &= (table.cycle >= self.cycles[0]) & (table.cycle <= self.cycles[1])
        if self.addresses is not None:
            first, last = (np.uint64(address) for address in self.addresses)
            wanted &= table.has_address & (table.address >= first) & (table.address <= last)
        return wanted

    def __str__(self) -> str:
        """Say the ranges, as the options write them."""
        parts = []
        if self.cycles is not None:
            parts.append(f"cycles {self.cycles[0]}..{self.cycles[1]}")
        if self.addresses is not None:
            parts.append(f"addresses 0x{self.addresses[0]:X}..0x{self.addresses[1]:X}")
        return ", ".join(parts)


def cycle_table(
    bus: Bus,
    title: str,
    tables: Iterable[CycleTable],
    *,
    asked: Shown,
    names: RegisterNames | None = None,
    told: Callable[[], Iterable[str]] = tuple,
) -> Table:
    """Make the table of cycles; rows come as the cycle tables do.

    Parameters
    ----------
    bus : Bus
    title : str
    tables : iterable of CycleTable
    asked : Shown
    names : RegisterNames, optional
        With it, there is the column ``register``.
    told : callable
        Gives further notes, once all cycle tables have been taken.

    Raises
    ------
    RequestError
        If the bus has no addresses such as those asked for.
    """
    asked.check(bus)
    notes: list[str] = []
    columns = list(concatenate(bus, []).text_columns())
    if names is not None:
        columns.insert(columns.index("address") + 1, "register")

    def rows() -> Iterator[tuple[Cell, ...]]:
        given = beats = 0
        for table in tables:
            beats += len(table)
            part = table.take(asked.rows(table))
            given += len(part)
            text = part.text_columns()
            if names is not None:
                text["register"] = names.of(part.address, part.has_address)
            for row in row_objects({name: text[name] for name in columns}):
                yield tuple(row.values())  # type: ignore[arg-type]
        if str(asked):
            left = f"shown are {given} of {beats} beats" if given else f"no beat of {beats} is left"
            notes.append(f"{left}: {asked}")
        notes.extend(told())

    return Table(title, tuple(map(_column, columns)), rows(), notes)


def _column(name: str) -> Column:
    known = _BY_NAME.get(name)
    if known is not None:
        return known
    phase = name.removesuffix("_ps")
    return Column(
        name,
        "int64",
        f"moment at which the phase {phase} begins",
        "ps",
        "where the beat has no such phase",
        "right",
    )
