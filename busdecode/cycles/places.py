"""A capture's channels to the bus's lines, and the cycle table of each place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from busdecode.capture import Binding, Capture, bind_capture, bind_channels, largest_skew
from busdecode.cycles.decode import Decoder
from busdecode.cycles.table import CycleTable, concatenate
from busdecode.errors import RequestError, quoted

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    import pandas as pd

    from busdecode.capture import ProbeList
    from busdecode.protocol import Bus

__all__ = [
    "DecodedPlace",
    "bind",
    "binding_notes",
    "decode_capture",
    "decode_places",
    "stream_tables",
]


@dataclass(frozen=True, eq=False)
class DecodedPlace:
    """One place of a capture, decoded.

    Parameters
    ----------
    bus : Bus
    place : str
    capture : Capture
        Its lines by the bus's names.
    table : CycleTable
    skew : int, ps
        The largest channel skew told for this place.
    notes : tuple of str
        What was matched, left out or could not be decoded.
    borrowed : frozenset of str
        Lines that were probed at another place only, and are taken to be alike here.
    """

    bus: Bus
    place: str
    capture: Capture
    table: CycleTable
    skew: int
    notes: tuple[str, ...]
    borrowed: frozenset[str] = frozenset()

    def as_text(self) -> pd.DataFrame:
        """Give the cycle table as text; see `CycleTable.as_text`."""
        return self.table.as_text()


def bind(lines: tuple[str, ...], bus: Bus, probes: ProbeList | None, place: str | None) -> Binding:
    """Bind channels to lines, and check that the place asked for was probed.

    Raises
    ------
    ProbeListError
        If the probe list does not fit the capture or the bus.
    RequestError
        If nothing was probed at the place, or no channel is a line of the bus.
    """
    binding = bind_channels(lines, bus.line_names, probes)
    if not binding.channels:
        raise RequestError(
            f"no channel of the capture is a line of {bus.name}",
            expected=f"channels such as {', '.join(bus.line_names[-6:])}",
            action="name the channels in a probe list: [channels], capture name = line",
        )
    if place is not None and place not in binding.places:
        raise RequestError(
            f"nothing was probed at {place!r}", expected=f"one of {', '.join(binding.places)}"
        )
    return binding


def decode_capture(
    capture: Capture, bus: Bus, *, probes: ProbeList | None = None, place: str | None = None
) -> DecodedPlace:
    """Decode a loaded capture at one place; without `place`, the first that was probed.

    Raises
    ------
    ProbeListError, RequestError, DescriptionError
        If channels, place and description do not fit together.
    """
    binding = bind(capture.lines, bus, probes, place)
    return _decode_at(capture, bus, binding, place or binding.places[0])


def decode_places(
    capture: Capture,
    bus: Bus,
    *,
    probes: ProbeList | None = None,
    binding: Binding | None = None,
) -> dict[str, DecodedPlace]:
    """Decode a loaded capture at every place that was probed; errors as `decode_capture`.

    Where channels were bound before, `binding` tells how, and `probes` is not used.
    """
    binding = binding or bind(capture.lines, bus, probes, None)
    return {place: _decode_at(capture, bus, binding, place) for place in binding.places}


def _decode_at(capture: Capture, bus: Bus, binding: Binding, place: str) -> DecodedPlace:
    bound = bind_capture(capture, binding, place, bus.line_names)
    skew = largest_skew(binding, place, bound.lines)
    decoder = Decoder(bus, bound.lines, bound.resolution, skew)
    table = concatenate(bus, [decoder.feed(bound), decoder.finish(bound.end)])
    notes = (*binding_notes(binding), *bound.notes, *decoder.notes)
    return DecodedPlace(bus, place, bound, table, skew, notes, binding.borrowed(place))


def stream_tables(
    chunks: Iterable[Capture], bus: Bus, binding: Binding, place: str
) -> Iterator[tuple[CycleTable, Decoder]]:
    """Decode chunk by chunk: after each chunk, the beats that it completed, and the decoder."""
    decoder: Decoder | None = None
    end = 0
    for chunk in chunks:
        bound = bind_capture(chunk, binding, place, bus.row_order)
        if decoder is None:
            skew = largest_skew(binding, place, bound.lines)
            decoder = Decoder(bus, bound.lines, bound.resolution, skew)
        end = bound.end
        yield decoder.feed(bound), decoder
    if decoder is not None:
        yield decoder.finish(end), decoder


def binding_notes(binding: Binding) -> Iterator[str]:
    """Give the notes of the binding; names that differ by their scope only are told in one."""
    plain = {
        f"channel {quoted(bound.channel)} taken as line {bound.line}"
        for bound in binding.channels
        if bound.how == "matched" and _last_name(bound.channel) == bound.line
    }
    if len(plain) == len(binding.channels):
        yield "each channel taken as the line that its name ends in"
    elif plain:
        yield f"{len(plain)} channels taken as the line that their name ends in"
    yield from (note for note in binding.notes if note not in plain)


def _last_name(channel: str) -> str:
    """Give a channel's name without scope, a bit of a vector as the line: ``top.D[3]`` is D3."""
    return channel.rpartition(".")[2].replace("[", "").replace("]", "")
