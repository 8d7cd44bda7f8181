"""One decoding of a capture, table by table, with what is to be told of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from busdecode.cli.progress import Pace

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from busdecode.capture import Binding, Capture, CaptureFile
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus
    from busdecode.report import Tally

__all__ = ["Decoding"]


@dataclass
class Decoding:
    """One decoding, table by table; `tally` and `notes` are whole when the tables are through."""

    bus: Bus
    opened: CaptureFile
    binding: Binding
    place: str
    tally: Tally
    notes: list[str] = field(default_factory=list)
    _resolution: str = ""

    def operands(self, show: Callable[[str], None]) -> dict[str, list[str]]:
        """Put all beats together to operands.

        The tables are collected first, since an operand may go over several: memory grows
        with the number of beats.
        """
        from busdecode.cycles import concatenate, operands, operands_note

        whole = concatenate(self.bus, list(self.tables(show)))
        note = operands_note(whole)
        if note is not None:
            self.notes.append(note)
        found = operands(whole)
        return {name: found[name].tolist() for name in found.columns}

    def tables(self, show: Callable[[str], None]) -> Iterator[CycleTable]:
        """Give each table as it is decoded."""
        from busdecode.cycles import binding_notes, stream_tables

        of_decoder: list[str] = []
        strays = 0
        pace = Pace(self.opened.source)
        for table, decoder in stream_tables(self._chunks(), self.bus, self.binding, self.place):
            self.tally.add(table)
            show(f"{pace}, {self.tally.beats:,} beats")
            yield table
            of_decoder, strays = decoder.notes, decoder.strays
        self.tally.add_strays(strays)
        notes = (
            *self._of_places(),
            *binding_notes(self.binding),
            *self.notes,
            *self.opened.understood,
            *self.opened.notes,
            *of_decoder,
            self._resolution,
        )
        self.notes = list(dict.fromkeys(notes))

    def _chunks(self) -> Iterator[Capture]:
        from busdecode.capture import SETTLED_ROWS, bind_capture
        from busdecode.units import format_time

        is_first, settled = True, 0
        for chunk in self.opened.chunks():
            if is_first:
                bound = bind_capture(chunk.rows(0, 0), self.binding, self.place, self.bus.row_order)
                self.notes += bound.notes[len(chunk.notes) :]
                is_first = False
                how = "inferred from its times" if chunk.resolution_inferred else "as told"
                self._resolution = (
                    f"times are uncertain by {format_time(chunk.resolution)}, the capture's "
                    f"resolution, {how}"
                )
                settled = chunk.resolution
            yield chunk
        if self.opened.resolution != settled:
            self._resolution += (
                f" up to row {SETTLED_ROWS:,}; further on they are multiples of "
                f"{format_time(self.opened.resolution)} only"
            )

    def _of_places(self) -> Iterator[str]:
        if len(self.binding.places) > 1:
            yield (
                f"probed at {', '.join(self.binding.places)}; shown is {self.place}, "
                "others with --place"
            )
        missing = [
            line for line in self.binding.missing[self.place] if not self.bus.line(line).optional
        ]
        if missing:
            yield f"lines not captured at {self.place}: {', '.join(missing)}"
        if self.binding.unused:
            yield f"channels that are no line of the bus: {', '.join(self.binding.unused)}"

    def told(self) -> list[str]:
        """Give the counts and notes as lines for people."""
        lines = self.tally.lines()
        if self.notes:
            lines += ["notes:", *(f"  {note}" for note in self.notes)]
        return lines
