"""What a log meant of a beat, held against what the cycle table has: the lines that are wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.compare import address_told, matched
from busdecode.cycles import DIRECTIONS, MISSING
from busdecode.report.figures.from_capture import MeantValue, Wrong

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.access import AccessLog
    from busdecode.compare import Finding, Meant
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Moment

__all__ = ["Judged"]

_LEVEL = ("low", "high")


@dataclass(frozen=True, eq=False)
class Judged:
    """A cycle table with what a log meant of its beats.

    Parameters
    ----------
    table : CycleTable
        Of a whole capture.
    meant : Meant
    transfers : dict of int to int
        For each row of the table that a logged transfer was found for, the row of `meant`.
    findings : sequence of Finding
        What a comparison found; their beats are rows of the table.
    captured : sequence of str
        The lines of the capture.
    """

    table: CycleTable
    meant: Meant
    transfers: dict[int, int]
    findings: Sequence[Finding]
    captured: Sequence[str]

    @classmethod
    def of(
        cls,
        table: CycleTable,
        log: AccessLog,
        findings: Sequence[Finding],
        captured: Sequence[str],
        *,
        offset: int = 0,
    ) -> Judged:
        """Align a log with a table; transfers for which two beats fit as well are left out."""
        meant, aligned, *_ = matched(table, captured, log, offset=offset)
        sure = np.flatnonzero((aligned.beats >= 0) & ~aligned.is_ambiguous).tolist()
        transfers = {int(aligned.beats[at]): at for at in sure}
        return cls(table, meant, transfers, findings, captured)

    def wrong_in(
        self, rows: Sequence[int]
    ) -> tuple[tuple[Wrong, ...], tuple[MeantValue, ...], tuple[str, ...]]:
        """Give what is wrong in some rows of the table, what was meant, and notes on them."""
        wrong: list[Wrong] = []
        meant: list[MeantValue] = []
        notes: list[str] = []
        for row in rows:
            mine: list[Wrong] = []
            transfer = self.transfers.get(row)
            cycle = int(self.table.cycle[row])
            if transfer is None:
                notes.append(f"cycle {cycle}: no access of the log is known to be this one")
            else:
                mine, values, told = _by_log(self, row, transfer)
                meant += values
                notes.append(f"cycle {cycle} was meant as {told}")
            marked = {each.line for each in mine}
            for finding in self.findings:
                if row not in finding.beats:
                    continue
                notes.append(f"found: {finding.sentence}")
                if not marked & set(finding.lines):
                    mine += _by_finding(self.table, row, finding)
            wrong += [replace(each, text=f"{each.text}, cycle {cycle}") for each in mine]
        return tuple(wrong), tuple(meant), tuple(dict.fromkeys(notes))


def _by_log(judged: Judged, row: int, transfer: int) -> tuple[list[Wrong], list[MeantValue], str]:
    """Give the lines of one beat that differ from what the log meant, and what that was."""
    table, meant, bus = judged.table, judged.meant, judged.table.bus
    found: list[Wrong] = []
    values: list[MeantValue] = []
    address = bus.take["address"]
    lowest = bus.word_bytes - 1
    word = int(meant.word[transfer])
    apart = (int(table.address[row]) ^ word) & int(table.used[row]) & ~lowest
    own = slice(transfer, transfer + 1)
    apart &= int(address_told(bus, judged.captured, meant.kind[own], meant.address[own])[0])
    if table.has_address[row] and int(table.beat[row]) == 0 and apart:
        since, until = _time(table, row, address), _after(table, row, address.phase)
        digits = -(-bus.address_width // 4)
        values.append(MeantValue(bus.address, since, until, f"{word:0{digits}X}"))
        for line, bit in zip(bus.address, bus.address_bits, strict=True):
            if apart & 1 << bit and line in judged.captured:
                level = (word ^ bus.address_low) >> bit & 1
                found.append(_wrong(line, level, "address", since, until))
    release = _phase(table, row, "release")
    direction = DIRECTIONS[int(meant.direction[transfer])]
    data, known = int(meant.data[transfer]), int(meant.data_known[transfer])
    text = _digits(data, known, len(bus.data))
    apart = (int(table.data[row]) ^ data) & known & int(table.data_known[row])
    if direction in ("read", "write") and apart:
        valid = bus.validity.read if direction == "read" else bus.validity.write
        since, taken = _time(table, row, valid), _time(table, row, bus.take[direction])
        values.append(MeantValue(bus.data, since, release, text))
        for bit, line in enumerate(reversed(bus.data)):
            if apart & 1 << bit:
                level = (data ^ bus.data_low) >> bit & 1
                found.append(_wrong(line, level, f"{direction} data", since, release, taken))
    apart = int(table.lanes[row]) ^ int(meant.lanes[transfer])
    begin = _phase(table, row, "data")
    for lane, line in enumerate(bus.lane_strobes):
        bit = 1 << (bus.lane_count - 1 - lane)
        if apart & int(table.lanes_known[row]) & bit:
            asserted = bus.asserted_level(line)
            level = asserted if int(meant.lanes[transfer]) & bit else 1 - asserted
            found.append(_wrong(line, level, "lane strobe", begin, release))
    kind = bus.kinds[int(meant.kind[transfer])].name
    where = f" 0x{int(meant.address[transfer]):0{-(-bus.address_width // 4)}X}"
    told = f"{kind}{where if bus.address else ''}" + (f", 0x{text}" if known else "")
    return found, values, told


def _digits(data: int, known: int, bits: int) -> str:
    """Write a word; a digit of which nothing is meant is ``-``, one partly meant ``?``."""
    text = ""
    for digit in reversed(range(-(-bits // 4))):
        here = known >> 4 * digit & 0xF
        whole = (1 << min(4, bits - 4 * digit)) - 1
        text += "-" if not here else f"{data >> 4 * digit & 0xF:X}" if here == whole else "?"
    return text


def _by_finding(table: CycleTable, row: int, finding: Finding) -> list[Wrong]:
    """Give the lines that a finding holds responsible for a beat."""
    phase = finding.phase if finding.phase in table.bus.phase_names else "data"
    moment = _phase(table, row, phase)
    return [Wrong(line, moment, f"{line} fails: {finding.phase}") for line in finding.lines]


def _wrong(
    line: str, level: int, what: str, since: int, until: int, moment: int | None = None
) -> Wrong:
    text = f"{line} {_LEVEL[1 - level]}, meant {_LEVEL[level]}: {what}"
    return Wrong(line, since if moment is None else moment, text, ((since, until, level),))


def _phase(table: CycleTable, row: int, name: str) -> int:
    """Give the begin of a phase; of one that did not come, of the beat."""
    moment = int(table.phase(name)[row])
    if moment != MISSING:
        return moment
    return int(table.end[row] if name == "release" else table.start[row])


def _time(table: CycleTable, row: int, moment: Moment) -> int:
    time = _phase(table, row, moment.phase) + moment.offset
    return time - 1 if moment.how == "before" else time


def _after(table: CycleTable, row: int, phase: str) -> int:
    """Give when the phase after this one begins."""
    begin = _phase(table, row, phase)
    later = table.phases[row][(table.phases[row] != MISSING) & (table.phases[row] > begin)]
    return int(np.min(later)) if len(later) else int(table.end[row])
