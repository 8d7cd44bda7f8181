"""What the log meant: one row a transfer, with the data that a healthy card would return."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import kind_of, lane_mask, split_logged
from busdecode.cycles import DIRECTIONS
from busdecode.responder import Memory, Stored

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from busdecode.access import Access, Port
    from busdecode.protocol import Bus

__all__ = ["Meant", "meant_by"]


@dataclass(frozen=True, eq=False)
class Meant:
    """Transfers of a log, T rows.

    Parameters
    ----------
    access : ndarray of int64, shape (T,)
        Which access each belongs to.
    kind : ndarray of int16, shape (T,)
        Index into ``bus.kinds``.
    direction : ndarray of int8, shape (T,)
        Index into ``cycles.DIRECTIONS``.
    word : ndarray of uint64, shape (T,)
        Byte address of the word.
    address : ndarray of uint64, shape (T,)
        Byte address of the lowest byte.
    lanes : ndarray of uint64, shape (T,)
    moved, moved_known : ndarray of uint64, shape (T,)
        What the log says was on the lines: written, or returned to software.
    data, data_known : ndarray of uint64, shape (T,)
        What a healthy bus would show: written, or what earlier writes of the log left there.
    asked : ndarray of int64, shape (T,)
        Bytes still to move where the bus tells that; else 0.
    part : ndarray of int64, shape (T,)
        Which part of a byte, where the data lines are narrower; the high one is 0.
    """

    access: NDArray[np.int64]
    kind: NDArray[np.int16]
    direction: NDArray[np.int8]
    word: NDArray[np.uint64]
    address: NDArray[np.uint64]
    lanes: NDArray[np.uint64]
    moved: NDArray[np.uint64]
    moved_known: NDArray[np.uint64]
    data: NDArray[np.uint64]
    data_known: NDArray[np.uint64]
    asked: NDArray[np.int64]
    part: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.access)

    def take(self, which: NDArray[np.bool_]) -> Meant:
        """Give some of the transfers; shape (T,) tells which."""
        return Meant(*(getattr(self, each.name)[which] for each in fields(self)))


def meant_by(
    accesses: Sequence[Access],
    bus: Bus,
    *,
    offset: int = 0,
    port: Port | None = None,
    path: Path | str | None = None,
) -> Meant:
    """Work out what a log meant.

    Parameters
    ----------
    accesses : sequence of Access
    bus : Bus
    offset : int
        Added to every address: where software and bus disagree.
    port : callable, optional
        Where the card decides which lanes move: its answer at a word address.
    path : path or str, optional
        Named in errors.

    Raises
    ------
    LogError
        If an access does not fit the bus.
    """
    memories: dict[str, Memory] = {}
    kinds = {kind.name: at for at, kind in enumerate(bus.kinds)}
    rows: list[tuple[int, ...]] = []
    for at, access in enumerate(accesses):
        parts = split_logged(bus, access, offset=offset, port=port, path=path)
        kind = kind_of(bus, access.op)
        assert kind is not None
        memory = None if kind.space == "none" else memories.setdefault(kind.space, Memory())
        for count, (transfer, moved, expected) in enumerate(parts):
            mask = lane_mask(bus, transfer.lanes)
            word = transfer.address // bus.word_bytes * bus.word_bytes
            part = count % bus.operand.beats
            stored = Stored(bus, memory, transfer.address, transfer.lanes, part)
            if kind.direction == "write":
                data, known = moved & mask, mask
                stored.write(mask, data)
                shown, shown_known = data, mask
            else:
                shown = moved & mask
                shown_known = 0 if access.data is None else mask
                if expected >= 0:
                    data, known = expected & mask, mask
                else:
                    data, known = stored.read()
                    known &= mask
                    data &= known
            rows.append(
                (
                    at,
                    kinds[kind.name],
                    DIRECTIONS.index(kind.direction),
                    word,
                    transfer.address,
                    transfer.lanes,
                    shown,
                    shown_known,
                    data,
                    known,
                    transfer.asked or 0,
                    part,
                )
            )
    columns = list(zip(*rows, strict=True)) if rows else [()] * 12
    types = ["int64", "int16", "int8"] + ["uint64"] * 7 + ["int64"] * 2
    return Meant(
        *(np.array(column, dtype=kind) for column, kind in zip(columns, types, strict=True))
    )
