"""A capture file too long for memory, compared in two passes over it.

The first pass keeps the cycle table and, of everything else, what all rows show together. When it
is known which beats are of interest, the second keeps the rows around these.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture import bind_capture, concatenated, join, largest_skew
from busdecode.compare.asked import AskedBeats
from busdecode.compare.comparison import compare_recording
from busdecode.compare.recording import Looked, Place, Recording, WholeRecording
from busdecode.compare.spans import Spans, chosen, margin_of, reaches_of
from busdecode.compare.survey import Surveyor
from busdecode.compare.view import view_of
from busdecode.cycles import CycleTable, Decoder, binding_notes, concatenate, decode_places
from busdecode.errors import CaptureError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from numpy.typing import NDArray

    from busdecode.access import AccessLog
    from busdecode.capture import Binding, Capture, CaptureFile
    from busdecode.compare.comparison import Comparison
    from busdecode.compare.survey import PlaceSurvey
    from busdecode.compare.view import PlaceView
    from busdecode.protocol import Bus

    Begin = Callable[[str], Callable[[], None]]
    Ints = NDArray[np.int64]

__all__ = ["MOST_ROWS", "compare_file", "read_recording"]

MOST_ROWS = 4_000_000
"""A capture of up to so many rows is held in memory; a longer one is read twice."""

_CHUNK_ROWS = 1 << 18


def _unseen(what: str) -> Callable[[], None]:
    """Show nobody how far the work is."""
    return lambda: None


def compare_file(
    opened: CaptureFile,
    bus: Bus,
    binding: Binding,
    log: AccessLog | None = None,
    *,
    offset: int = 0,
    most_rows: int = MOST_ROWS,
    chunk_rows: int = _CHUNK_ROWS,
    begin: Begin = _unseen,
) -> Comparison:
    """Compare what was meant with what a capture file shows, however long it is.

    Parameters
    ----------
    opened : CaptureFile
        Reading all of the channels that are bound.
    bus : Bus
    binding : Binding
    log : AccessLog, optional
        Without it, the places are held against each other.
    offset : int
        Added to every logged address.
    most_rows : int
        A capture of more rows is read twice instead of being held in memory.
    chunk_rows : int
        Rows that are read at once.
    begin : callable
        Called with what begins now; gives what is to be called after each chunk.

    Raises
    ------
    CaptureError
        As `CaptureFile.read`; also where the file changed between the passes.
    LogError, RequestError, DescriptionError
        As `compare`.

    Notes
    -----
    In two passes memory is bounded by a chunk, the cycle table, and the rows of logged beats, or
    of all beats where there is no log.
    """
    recording = read_recording(
        opened, bus, binding, most_rows=most_rows, chunk_rows=chunk_rows, begin=begin
    )
    if isinstance(recording, _ReadTwice):
        if log is None:
            recording.notes = ("without a log all beats are compared: memory grows with them",)
    else:
        begin("comparing")
    return compare_recording(recording, log, offset=offset)


def read_recording(
    opened: CaptureFile,
    bus: Bus,
    binding: Binding,
    *,
    most_rows: int = MOST_ROWS,
    chunk_rows: int = _CHUNK_ROWS,
    begin: Begin = _unseen,
) -> Recording:
    """Read and decode a capture file: into memory, or, where it is long, to be read once more.

    Parameters, errors and memory as `compare_file`.
    """
    after_each = begin("reading")
    chunks = opened.chunks(chunk_rows)
    held: deque[Capture] = deque()
    rows = 0
    for chunk in chunks:
        held.append(chunk)
        rows += len(chunk)
        after_each()
        if rows > most_rows:
            twice = _ReadTwice(opened, bus, binding, chunk_rows, begin)
            twice.pass_first(_drained(held, chunks), chunk.resolution)
            return twice
    if opened.cut is not None:
        raise opened.cut
    joined = join(_drained(held, iter(())))
    whole = replace(joined, resolution=opened.resolution, notes=opened.notes)
    begin("decoding")
    return WholeRecording(decode_places(whole, bus, binding=binding))


def _drained(held: deque[Capture], rest: Iterator[Capture]) -> Iterator[Capture]:
    """Give chunks that were read before, and then the others; what was given is not held."""
    while held:
        yield held.popleft()
    yield from rest


@dataclass(frozen=True, eq=False)
class _Passed:
    """What the first pass found; `resolution` is what the file tells at its end."""

    places: Mapping[str, Place]
    table: CycleTable
    surveys: Mapping[str, PlaceSurvey]
    rows: int
    start: int
    end: int
    resolution: int


class _ReadTwice(Recording):
    """A capture file, decoded chunk by chunk; what shows some beats is read again."""

    def __init__(
        self, opened: CaptureFile, bus: Bus, binding: Binding, chunk_rows: int, begin: Begin
    ) -> None:
        self._opened, self._bus, self._binding = opened, bus, binding
        self._chunk_rows, self._begin = chunk_rows, begin
        self._resolution = 1
        self._passed: _Passed

    def pass_first(self, chunks: Iterator[Capture], resolution: int) -> None:
        """Decode, and gather what all rows show; once more if the resolution proves finer."""
        self._resolution = resolution
        self._passed = self._through(chunks)
        if self._passed.resolution != resolution:
            self._resolution = self._passed.resolution
            self._passed = self._through(self._opened.chunks(self._chunk_rows))
        self.places, self.table = self._passed.places, self._passed.table
        self.surveys = self._passed.surveys

    def _through(self, chunks: Iterator[Capture]) -> _Passed:
        bus = self._bus
        after_each = self._begin("decoding, first of two passes")
        chunk = next(chunks)
        start, rows = int(chunk.times[0]), 0
        bound = self._bound(chunk)
        places = {name: self._place(name, each, chunk) for name, each in bound.items()}
        decoders = [
            Decoder(bus, each.lines, each.resolution, each.skew) for each in places.values()
        ]
        surveyor, columns = Surveyor(bus, places), _Columns(bus)
        while True:
            rows += len(chunk)
            columns.add(decoders[0].feed(next(iter(bound.values()))))
            after_each()
            following = next(chunks, None)
            if following is None:
                break
            surveyor.feed(bound)
            chunk, bound = following, self._bound(following)
        if self._opened.cut is not None:
            raise self._opened.cut
        columns.add(decoders[0].finish(chunk.end))
        told = self._opened.notes
        for (name, place), decoder in zip(list(places.items()), decoders, strict=True):
            notes = (*binding_notes(self._binding), *told, *place.notes, *decoder.notes)
            places[name] = replace(place, notes=notes)
        surveys = surveyor.finish(bound)
        resolution = self._opened.resolution
        return _Passed(places, columns.table(), surveys, rows, start, chunk.end, resolution)

    def _bound(self, chunk: Capture) -> dict[str, Capture]:
        return {name: self._bound_at(name, chunk) for name in self._binding.places}

    def _bound_at(self, place: str, chunk: Capture) -> Capture:
        chunk = replace(chunk, resolution=self._resolution)
        return bind_capture(chunk, self._binding, place, self._bus.line_names)

    def _place(self, name: str, bound: Capture, chunk: Capture) -> Place:
        skew = largest_skew(self._binding, name, bound.lines)
        notes = bound.notes[len(chunk.notes) :]
        return Place(bound.lines, bound.resolution, skew, notes, self._binding.borrowed(name))

    def look(self, beats: Ints, told: Ints) -> Looked:
        """Read the rows around some beats."""
        bus, passed = self._bus, self._passed
        uncertainty = {name: each.resolution + each.skew for name, each in self.places.items()}
        margin = margin_of(bus, max(uncertainty.values()))
        begins, ends = reaches_of(self.table, beats, margin)
        # A phase that did not come is looked up where the capture begins.
        start = np.array([passed.start])
        spans = Spans.joined(np.append(start, begins), np.append(start + margin, ends))
        card = "card" if "card" in self.places else next(iter(self.places))

        def of_card(rows: Capture) -> PlaceView:
            return view_of(bus, card, self._bound_at(card, rows), uncertainty[card])

        asked = AskedBeats(self.table, told, margin, of_card)
        kept: list[Capture] = []
        for chunk in self._second():
            kept.append(chosen(chunk, spans.shown_by(chunk)))
            asked.take(chunk)
        asked.finish()
        shown = self._bound(concatenated(kept))
        views = {name: view_of(bus, name, each, uncertainty[name]) for name, each in shown.items()}
        return Looked(views, asked)

    def _second(self) -> Iterator[Capture]:
        """Read the file again, and see that it is still the same."""
        after_each = self._begin("comparing, second of two passes")
        rows = end = 0
        for chunk in self._opened.chunks(self._chunk_rows):
            rows, end = rows + len(chunk), chunk.end
            yield chunk
            after_each()
        if (rows, end) != (self._passed.rows, self._passed.end):
            raise CaptureError(
                f"the file changed while it was read: {self._passed.rows} rows, then {rows}",
                path=self._opened.source.name,
                action="compare it when nothing writes to it any more",
            )


class _Columns:
    """Cycle tables, put together column by column: the whole is never held twice."""

    def __init__(self, bus: Bus) -> None:
        self._bus = bus
        none = concatenate(bus, [])
        self._columns = {each.name: getattr(none, each.name) for each in fields(none)[1:]}
        self._count = self._room = 0

    def add(self, table: CycleTable) -> None:
        """Take the next rows."""
        beyond = self._count + len(table)
        if beyond > self._room:
            self._resize(beyond + beyond // 8)
        for name, column in self._columns.items():
            column[self._count : beyond] = getattr(table, name)
        self._count = beyond

    def _resize(self, room: int) -> None:
        # In place: large arrays then grow without being copied.
        for column in self._columns.values():
            column.resize((room, *column.shape[1:]), refcheck=False)
        self._room = room

    def table(self) -> CycleTable:
        """Give all rows; nothing can be added then."""
        self._resize(self._count)
        return CycleTable(self._bus, *self._columns.values())
