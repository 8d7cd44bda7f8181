"""Observations to the table of lines and phases, and the first beats that fail."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdecode.compare.observe import TAKEN
from busdecode.cycles import DIRECTIONS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from busdecode.access import AccessLog
    from busdecode.compare.meant import Meant
    from busdecode.compare.records import LineRecord
    from busdecode.compare.verdict import Finding
    from busdecode.compare.view import PlaceView
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus

    Ints = NDArray[np.int64]

__all__ = ["BitPhase", "Example", "bit_phase", "first_examples"]


@dataclass(frozen=True)
class BitPhase:
    """One line's row of the bit x phase table: for each column (wrong, compared) or None."""

    line: str
    cells: tuple[tuple[int, int] | None, ...]


@dataclass(frozen=True)
class Example:
    """One failing beat: when, what was meant, what the failing place showed.

    `address_seen` is the address on the lines, where its word is not the one meant.
    """

    cycle: int
    beat: int
    start: int
    op: str
    address: int
    address_seen: int | None
    meant: str
    seen: str
    lines: tuple[str, ...]
    log_line: int


def bit_phase(
    records: Mapping[str, LineRecord],
    bus: Bus,
    meant: Meant | None,
    pairs: Ints,
) -> tuple[tuple[str, ...], tuple[BitPhase, ...]]:
    """Sum the observations: one row a failing line, one column a phase, and the read-back."""
    phases = [*bus.phase_names[:-1], TAKEN, "release"]
    columns = [*phases, "read back"]
    back: dict[str, tuple[int, int]] = {}
    if meant is not None:
        compared = meant.moved_known & meant.data_known
        compared[meant.direction != 1] = 0
        wrong = (meant.moved ^ meant.data) & compared
        for bit, line in enumerate(reversed(bus.data)):
            one = np.uint64(1)
            asked = int(((compared >> np.uint64(bit)) & one).sum())
            if asked:
                back[line] = (int(((wrong >> np.uint64(bit)) & one).sum()), asked)
    rows = []
    for line in bus.line_names:
        record = records.get(line)
        has_failed = record is not None and record.failing()
        if not has_failed and not back.get(line, (0, 0))[0]:
            continue
        cells: list[tuple[int, int] | None] = []
        for phase in phases:
            mine = [look for look in record.looks if look.phase == phase] if record else []
            if not mine:
                cells.append(None)
                continue
            bad = np.unique(np.concatenate([look.wrong for look in mine]))
            asked_beats = np.unique(np.concatenate([look.beats for look in mine]))
            cells.append((len(bad), len(asked_beats)))
        cells.append(back.get(line))
        rows.append(BitPhase(line, tuple(cells)))
    return tuple(columns), tuple(rows)


def first_examples(
    findings: Sequence[Finding],
    table: CycleTable,
    views: Mapping[str, PlaceView],
    meant: Meant | None,
    pairs: Ints,
    log: AccessLog | None,
) -> tuple[Example, ...]:
    """Describe the first failing beats of the first finding, as the place that fails shows them."""
    if not findings or not findings[0].places:
        return ()
    bus = table.bus
    view = views[findings[0].places[-1]]
    found = []
    which = np.array(findings[0].beats[:3], dtype=np.int64)
    text = table.take(which).as_text()
    addresses, data = _as_shown(view, table, which)
    digits = -(-len(bus.data) // 4)
    for at, row in enumerate(which.tolist()):
        transfers = np.flatnonzero(pairs == row)
        intended, op, line = "", str(text["kind"].iloc[at]), 0
        address, seen = addresses[at], str(text["data"].iloc[at])
        if meant is not None and log is not None and len(transfers):
            transfer = int(transfers[0])
            access = log.accesses[int(meant.access[transfer])]
            op, line = access.op, access.line
            address = int(meant.address[transfer])
            intended = _word(int(meant.data[transfer]), int(meant.data_known[transfer]), digits)
        if seen:
            seen = _word(data[at], int(table.data_known[row]), digits)
        word = addresses[at] // bus.word_bytes
        found.append(
            Example(
                int(table.cycle[row]),
                int(table.beat[row]),
                int(table.start[row]),
                op,
                address,
                None if word == address // bus.word_bytes else addresses[at],
                intended,
                seen,
                findings[0].lines,
                line,
            )
        )
    return tuple(found)


def _as_shown(view: PlaceView, table: CycleTable, which: Ints) -> tuple[list[int], list[int]]:
    """Give address and data of beats as the lines of one place showed them."""
    bus = table.bus
    moment = bus.take["address"]
    shot = view.sample(moment, table.phase(moment.phase)[which])
    addresses = view.address(shot.states)
    addresses = np.where(table.beat[which] == 0, addresses, table.address[which])
    data = np.zeros(len(which), dtype=np.uint64)
    for path in ("read", "write"):
        mine = table.direction[which] == DIRECTIONS.index(path)
        moment = bus.take[path]
        shot = view.sample(moment, table.phase(moment.phase)[which])
        numbers = view.data(shot.states)
        data = np.where(mine, numbers, data)
    return addresses.tolist(), data.tolist()


def _word(data: int, known: int, digits: int) -> str:
    """Write a word; digits of which nothing is meant are ``-``, partly meant ``?``."""
    if not known:
        return ""
    text = ""
    for digit in range(digits - 1, -1, -1):
        here = known >> 4 * digit & 0xF
        text += "-" if not here else f"{data >> 4 * digit & 0xF:X}" if here == 0xF else "?"
    return f"0x{text}"
