"""Takes channel names, bus lines and a probe list, gives which channel shows which line where."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.capture.matching import EXACT, Matcher, tails
from busdecode.capture.model import Capture
from busdecode.capture.probes import ProbeList, key_path, raise_all
from busdecode.capture.words import rearranged, words_for
from busdecode.errors import ProbeListError, RequestError, nearest, quoted

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

__all__ = ["Binding", "BoundChannel", "bind_capture", "bind_channels", "largest_skew", "skews"]

_RANGE = re.compile(r"\[[0-9]+:[0-9]+\]$")
_BIT = re.compile(r"(.+)\[(-?[0-9]+)\]")


@dataclass(frozen=True)
class BoundChannel:
    """One channel of the capture as a line of the bus.

    Parameters
    ----------
    channel, line, place : str
    inverted : bool
        True where the probe shows 1 for a low line.
    skew : int, ps
        Uncertainty of this channel.
    how : str
        ``listed``, ``exact`` or ``matched``.
    """

    channel: str
    line: str
    place: str
    inverted: bool
    skew: int
    how: str


@dataclass(frozen=True)
class Binding:
    """Which channel shows which line at which place.

    Parameters
    ----------
    places : tuple of str
        Host first, card second, then slots in order of name.
    channels : tuple of BoundChannel
        In the order of the capture.
    missing : dict of place to lines
        Lines of the bus that are to be had neither at the place nor from the one place
        where they were probed.
    unused : tuple of str
        Channels that are no line.
    notes : tuple of str
        Every match that was not exact.
    """

    places: tuple[str, ...]
    channels: tuple[BoundChannel, ...]
    missing: dict[str, tuple[str, ...]]
    unused: tuple[str, ...]
    notes: tuple[str, ...]

    def at(self, place: str) -> dict[str, BoundChannel]:
        """Give the channel of every line to be had at a place, by line.

        A line probed at one place only serves all places.

        Raises
        ------
        RequestError
            If nothing is bound to that place.
        """
        if place not in self.places:
            raise RequestError(
                f"the place must be one of {', '.join(self.places) or 'none'}, not {quoted(place)}"
            )
        probed = Counter(bound.line for bound in self.channels)
        return {
            bound.line: bound
            for bound in self.channels
            if bound.place == place or probed[bound.line] == 1
        }

    def borrowed(self, place: str) -> frozenset[str]:
        """Give the lines at a place that were probed at another one only; errors as `at`."""
        return frozenset(line for line, bound in self.at(place).items() if bound.place != place)

    def channels_at(self, place: str, lines: Iterable[str]) -> tuple[str, ...]:
        """Give the channels of those lines that are to be had at a place, in order.

        Raises
        ------
        RequestError
            If nothing is bound to that place.
        """
        there = self.at(place)
        return tuple(there[line].channel for line in lines if line in there)


def bind_channels(
    capture_lines: Sequence[str], bus_lines: Sequence[str], probes: ProbeList | None
) -> Binding:
    """Decide which channel is which line; what the probe list says comes first.

    Parameters
    ----------
    capture_lines : sequence of str
        Channel names of the capture.
    bus_lines : sequence of str
        Lines of the bus, one name a line.
    probes : ProbeList, optional

    Returns
    -------
    Binding

    Raises
    ------
    ProbeListError
        If the list names what is not there, or two channels are one line at one place; all
        such mistakes in one.
    """
    binder = _Binder(tuple(capture_lines), tuple(bus_lines), probes or ProbeList(""))
    binder.listed()
    raise_all(binder.mistakes, binder.probes.path)
    binder.matched()
    raise_all(binder.mistakes, binder.probes.path)
    return binder.binding()


class _Binder:
    def __init__(
        self, channels: tuple[str, ...], lines: tuple[str, ...], probes: ProbeList
    ) -> None:
        self.channels, self.lines, self.probes = channels, lines, probes
        self.matcher = Matcher(lines)
        self.bound: dict[str, BoundChannel] = {}
        self.taken: dict[tuple[str, str], str] = {}
        self.notes: list[str] = []
        self.mistakes: list[ProbeListError] = []
        self.scopes: dict[str, str] = {}

    def listed(self) -> None:
        """Bind what the probe list names."""
        by_tail: dict[str, list[str]] = {}
        vectors: dict[str, list[tuple[int, str]]] = {}
        scopes: dict[str, None] = {}
        for channel in self.channels:
            for tail in tails(channel):
                by_tail.setdefault(tail, []).append(channel)
            match = _BIT.fullmatch(channel)
            if match is not None:
                vectors.setdefault(match[1], []).append((int(match[2]), channel))
            scope = channel
            while "." in scope:
                scope = scope.rsplit(".", 1)[0]
                scopes[scope] = None
        for probe in self.probes.channels:
            keys = ("channels", probe.channel)
            whole = self._one(probe.channel, by_tail, keys, probe.row, "channel")
            line = self._line(probe.line, keys, probe.row)
            if whole is not None and line is not None:
                self._bind(whole, line, probe.side, probe.inverted, probe.skew, keys, probe.row)
        vector_tails = _by_tail(vectors)
        for group in self.probes.groups:
            keys = ("groups", group.vector)
            name = group.vector
            if name not in vector_tails:  # a range may be written with the vector's name
                name = _RANGE.sub("", name)
            vector = self._one(name, vector_tails, keys, group.row, "vector")
            lines = [self._line(line, keys, group.row) for line in group.lines]
            if vector is None or None in lines:
                continue
            bits = vectors[vector]
            if len(bits) != len(lines):
                self._mistake(
                    keys,
                    group.row,
                    f"{len(lines)} lines for a vector of {len(bits)}",
                    f"{len(bits)} lines, msb first",
                    "correct the range",
                )
                continue
            numbers = {number: channel for number, channel in bits}
            if numbers.keys() == set(group.numbers):
                ordered = [numbers[number] for number in group.numbers]
            else:
                ordered = [channel for _, channel in bits]
                self.notes.append(
                    f"vector {quoted(vector)} taken in order: {ordered[0]} as {lines[0]}, "
                    f"{ordered[-1]} as {lines[-1]}"
                )
            for one, line in zip(ordered, lines, strict=True):
                if line is not None:
                    self._bind(one, line, group.side, group.inverted, group.skew, keys, group.row)
        scope_tails = _by_tail(scopes)
        for scope, place, row in self.probes.places:
            there = self._one(scope, scope_tails, ("places", scope), row, "scope")
            if there is not None:
                self.scopes[there] = place
        if not self.probes.places:
            self._guess_places(scopes)

    def _guess_places(self, scopes: Iterable[str]) -> None:
        """Take scopes called host or card for the places of these names, and tell."""
        for scope in scopes:
            name = scope.rpartition(".")[2].lower()
            if name in ("host", "card"):
                self.scopes[scope] = name
                self.notes.append(f"scope {quoted(scope)} taken as the place {name}")

    def matched(self) -> None:
        """Bind by name what the probe list does not name."""
        wanted: dict[tuple[str, str], list[tuple[int, str]]] = {}
        for channel in self.channels:
            if channel in self.bound:
                continue
            rank, lines = self.matcher.find(channel)
            if len(lines) > 1:
                self.notes.append(
                    f"channel {quoted(channel)} not used: it may be {' or '.join(lines)}"
                )
            elif lines:
                wanted.setdefault((lines[0], self._place(channel)), []).append((rank, channel))
        doubtful: dict[tuple[str, str], list[str]] = {}
        for (line, place), found in wanted.items():
            if (line, place) in self.taken:
                continue
            best = min(rank for rank, _ in found)
            names = [channel for rank, channel in found if rank == best]
            outer = _outermost(names)
            if len(names) > 1 and outer is not None:
                inner = [name for name in names if name != outer]
                self.notes.append(
                    f"line {line}: channel {quoted(outer)} taken; the same name further in, "
                    f"{_shown(inner)}, is held for the same net"
                )
                names = [outer]
            if len(names) > 1:
                doubtful[line, place] = names
                continue
            how = "exact" if best == EXACT else "matched"
            self.bound[names[0]] = BoundChannel(names[0], line, place, False, 0, how)
            if how == "matched":
                self.notes.append(f"channel {quoted(names[0])} taken as line {line}")
        if doubtful:
            self.mistakes.append(self._doubt(doubtful))

    def _doubt(self, doubtful: dict[tuple[str, str], list[str]]) -> ProbeListError:
        """Tell, in one error, the lines for which several channels fit as well."""
        (line, place), names = next(iter(doubtful.items()))
        found = f"{len(names)} channels may be line {line} at {place}: {_shown(names)}"
        if len(doubtful) > 1:
            others = len(doubtful) - 1
            found += f"; so it is with {others} more {'line' if others == 1 else 'lines'}"
        return ProbeListError(
            found,
            path=self.probes.path or None,
            expected="one channel for a line at a place",
            action="name the one under [channels] of a probe list, or give the scopes"
            " their places under [places]",
        )

    def binding(self) -> Binding:
        order = {channel: at for at, channel in enumerate(self.channels)}
        channels = tuple(sorted(self.bound.values(), key=lambda bound: order[bound.channel]))
        first = {"host": 0, "card": 1}
        places = sorted({b.place for b in channels}, key=lambda place: (first.get(place, 2), place))
        binding = Binding(
            places=tuple(places),
            channels=channels,
            missing={},
            unused=tuple(channel for channel in self.channels if channel not in self.bound),
            notes=tuple(self.notes),
        )
        there = {place: binding.at(place) for place in places}
        missing = {p: tuple(x for x in self.lines if x not in there[p]) for p in places}
        return replace(binding, missing=missing)

    def _place(self, channel: str) -> str:
        scope = channel
        while "." in scope:
            scope = scope.rsplit(".", 1)[0]
            if scope in self.scopes:
                return self.scopes[scope]
        return "host"

    def _mistake(
        self, keys: tuple[str, ...], row: int | None, found: str, expected: str, action: str | None
    ) -> None:
        self.mistakes.append(
            ProbeListError(
                found,
                path=self.probes.path or None,
                line=row,
                key=key_path(keys),
                expected=expected,
                action=action,
            )
        )

    def _one(
        self,
        name: str,
        by_tail: dict[str, list[str]],
        keys: tuple[str, ...],
        row: int | None,
        what: str,
    ) -> str | None:
        """Find the one whole name behind a name or tail; note a mistake where there is none."""
        found = by_tail.get(name, [])
        if name in found:
            return name
        if len(found) == 1:
            return found[0]
        if found:
            self._mistake(
                keys,
                row,
                f"{what} {quoted(name)} may be {_shown(found)}",
                f"a name that only one {what} has",
                "write more of its scope",
            )
        else:
            near = nearest(name, by_tail)
            self._mistake(
                keys,
                row,
                f"the capture has no {what} called {quoted(name)}",
                f"a {what} of the capture",
                f"did you mean {near}?" if near else None,
            )
        return None

    def _line(self, name: str, keys: tuple[str, ...], row: int | None) -> str | None:
        _, lines = self.matcher.find(name)
        if len(lines) == 1:
            return lines[0]
        near = nearest(name, self.lines)
        known = ", ".join(self.lines[:8]) + (", ..." if len(self.lines) > 8 else "")
        self._mistake(
            keys,
            row,
            f"the bus has no line called {quoted(name)}"
            if not lines
            else f"line {quoted(name)} may be {' or '.join(lines)}",
            f"one of {known}",
            f"did you mean {near}?" if near else None,
        )
        return None

    def _bind(
        self,
        channel: str,
        line: str,
        place: str,
        inverted: bool,
        skew: int,
        keys: tuple[str, ...],
        row: int | None,
    ) -> None:
        other = self.taken.get((line, place))
        if channel in self.bound:
            self._mistake(
                keys,
                row,
                f"channel {quoted(channel)} is already line {self.bound[channel].line}",
                "one row for a channel",
                "take one of the rows out",
            )
        elif other is not None:
            self._mistake(
                keys,
                row,
                f"line {line} at {place} is already channel {quoted(other)}",
                "one channel for a line at a place",
                "tell the side, or take one of the rows out",
            )
        else:
            self.taken[line, place] = channel
            self.bound[channel] = BoundChannel(channel, line, place, inverted, skew, "listed")


def _outermost(names: Sequence[str]) -> str | None:
    """Give the channel in whose scope all the others' scopes stand; None where there is none."""
    outer = min(names, key=lambda name: name.count("."))
    scope = outer.rpartition(".")[0]
    inside = f"{scope}." if scope else ""
    others = [name for name in names if name != outer]
    deeper = all(name.count(".") > outer.count(".") for name in others)
    return outer if deeper and all(name.startswith(inside) for name in others) else None


def _by_tail(names: Iterable[str]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for name in names:
        for tail in tails(name):
            found.setdefault(tail, []).append(name)
    return found


def _shown(names: Sequence[str]) -> str:
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def bind_capture(
    capture: Capture, binding: Binding, place: str, bus_lines: Sequence[str]
) -> Capture:
    """Give the levels of the bus lines to be had at one place.

    Parameters
    ----------
    capture : Capture
    binding : Binding
        From `bind_channels` on the lines of this capture.
    place : str
    bus_lines : sequence of str
        Order of the result's lines; those not to be had are left out.

    Returns
    -------
    Capture
        The same rows; probes that invert are turned round, x and z stay.

    Raises
    ------
    RequestError
        If nothing is bound to that place.
    """
    there = binding.at(place)
    chosen = [there[line] for line in bus_lines if line in there]
    lines = tuple(bound.line for bound in chosen)
    places = [capture.index(bound.channel) for bound in chosen]
    inverted = [0] * words_for(len(lines))
    elsewhere: dict[str, list[str]] = {}
    for to, bound in enumerate(chosen):
        inverted[to // 64] |= bound.inverted << to % 64
        if bound.place != place:
            elsewhere.setdefault(bound.place, []).append(bound.line)
    states, unknown = capture.states, capture.unknown
    if places != list(range(len(capture.lines))):
        states = rearranged(states, places)
        unknown = None if unknown is None else rearranged(unknown, places)
    elif any(inverted):
        states = states.copy()
    for word, mask in enumerate(inverted):
        if not mask:
            continue
        if unknown is None:
            states[:, word] ^= np.uint64(mask)
        else:
            states[:, word] ^= np.uint64(mask) & ~unknown[:, word]
    told = [
        f"line{'s' if len(names) > 1 else ''} {_shown(names)} probed at {other} only; "
        f"used at {place} too"
        for other, names in elsewhere.items()
    ]
    return replace(
        capture,
        lines=lines,
        states=states,
        unknown=unknown,
        notes=(*capture.notes, *told),
    )


def skews(binding: Binding, place: str, lines: Sequence[str]) -> NDArray[np.int64]:
    """Give the skew of the channel behind each line at a place.

    Returns
    -------
    ndarray of int64, shape (L,), ps

    Raises
    ------
    RequestError
        If nothing is bound to the place, or a line is not to be had there.
    """
    there = binding.at(place)
    for line in lines:
        if line not in there:
            raise RequestError(f"line {quoted(line)} is not to be had at {place}")
    return np.asarray([there[line].skew for line in lines], dtype=np.int64)


def largest_skew(binding: Binding, place: str, lines: Sequence[str]) -> int:
    """Give the largest skew of those channels, ps; 0 without lines. Errors as `skews`."""
    return int(skews(binding, place, lines).max(initial=0))
