"""Limits of a description: between which two points of a beat, how much at least and at most."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Literal

from busdecode.errors import nearest, quoted
from busdecode.protocol.events import EventTextError, event_lines, parse_event
from busdecode.units import parse_time

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from busdecode.protocol.events import Event
    from busdecode.protocol.model import Levels

__all__ = ["Bound", "Grades", "Limit", "Point", "parse_bound", "parse_point"]

Seek = Literal["at", "last", "first", "nearest"]

_OFFSET = r"(?:\s*([+-])\s*([0-9.]+\s*(?:s|ms|us|ns|ps)))?"
_AT = re.compile(rf"([a-z][a-z-]*){_OFFSET}")
_SOUGHT = re.compile(
    rf"(?:(last)\s+(.+)\s+before|(first)\s+(.+)\s+after|(.+)\s+nearest)\s+([a-z][a-z-]*){_OFFSET}"
)
_TERM = re.compile(
    r"\s*([+-])?\s*(?:([0-9]+(?:[.][0-9]+)?)\s*\*\s*)?"
    r"(?:([0-9]+(?:[.][0-9]+)?\s*(?:s|ms|us|ns|ps))(?![A-Za-z])|([A-Za-z][A-Za-z0-9]*))"
)
_HOW = (
    "a phase, 'last EVENT before PHASE', 'first EVENT after PHASE' or 'EVENT nearest PHASE', "
    "where PHASE is one of {phases}, or 'it' for the limit's other point"
)


@dataclass(frozen=True)
class Point:
    """One end of a limit: a moment of a beat.

    Parameters
    ----------
    how : str
        ``at``: the phase's begin itself; ``last``, ``first``: the event's last coming at or
        before that, its first at or after it; ``nearest``: where the event brings about what
        stands at the phase's begin, the coming that brought it about, else the first after.
    phase : str
        A phase, or ``it``: the limit's other point.
    offset : int, ps
        Added to the phase's begin.
    event : Event or None
        None for ``at``.
    text : str
        As it was written.
    """

    how: Seek
    phase: str
    offset: int
    event: Event | None
    text: str

    @property
    def lines(self) -> frozenset[str]:
        """The lines that the event looks at."""
        return frozenset() if self.event is None else event_lines(self.event)


@dataclass(frozen=True)
class Bound:
    """A time that may depend on named times: a sum of multiples, and a fixed part in ps."""

    fixed: int
    terms: tuple[tuple[str, Fraction], ...] = ()

    @property
    def names(self) -> frozenset[str]:
        """The named times that it depends on."""
        return frozenset(name for name, _ in self.terms)

    def ps(self, times: Mapping[str, int]) -> int:
        """Give its value in ps; a part of a ps is cut off towards zero."""
        return int(self.fixed + sum(times[name] * factor for name, factor in self.terms))


@dataclass(frozen=True)
class Limit:
    """A limit as its source has it, and how it is found in a capture.

    Parameters
    ----------
    number : str
        The source's own number or symbol; unique in the description.
    name : str
        What is between what, in a clause.
    source, status : str
        Section of the source; ``read``, ``read at second hand``, ``from memory`` or ``invented``.
    start, stop : Point or None
        None where no capture of levels shows it; `unseen` says why.
    least, most : tuple of (Bound or None), one a grade
    kinds : frozenset of str or None
        None for all.
    levels : Levels
        Only beats at whose data phase these levels show.
    only_if_unmet, only_if_met : str or None
        Number of another limit on which it depends.
    is_required : bool
        A beat without its `stop` breaks it.
    is_step : bool
        A step of the handshake, in place of a limit of a table.
    is_condition : bool
        An input that may come at any time: unmet, it breaks nothing but has others bind.
    unseen : str or None
    """

    number: str
    name: str
    source: str
    status: str
    start: Point | None
    stop: Point | None
    least: tuple[Bound | None, ...]
    most: tuple[Bound | None, ...]
    kinds: frozenset[str] | None
    levels: Levels
    only_if_unmet: str | None
    only_if_met: str | None
    is_required: bool
    is_step: bool
    is_condition: bool
    unseen: str | None

    @property
    def lines(self) -> frozenset[str]:
        """The lines that its points look at."""
        return frozenset().union(*(point.lines for point in (self.start, self.stop) if point))

    def at(self, grade: int, times: Mapping[str, int]) -> tuple[int | None, int | None]:
        """Give the least and the most, in ps, of a grade; None where there is no such limit."""
        least, most = self.least[grade], self.most[grade]
        return (
            None if least is None else least.ps(times),
            None if most is None else most.ps(times),
        )

    def depends_on(self, grade: int) -> frozenset[str]:
        """Give the named times that its figures of a grade depend on."""
        bounds = (self.least[grade], self.most[grade])
        return frozenset().union(*(bound.names for bound in bounds if bound is not None))

    def changed(
        self, least: Sequence[Bound | None], most: Sequence[Bound | None], status: str
    ) -> Limit:
        """Give it with other figures, and where these were had."""
        return replace(self, least=tuple(least), most=tuple(most), status=status)


@dataclass(frozen=True)
class Grades:
    """Speed grades of a bus, and the times that its limits are expressed in.

    Parameters
    ----------
    names : tuple of str
        At least one.
    usual : int
        Which is taken where none is named.
    times : tuple of dict of str to int, one a grade, ps
    from_memory : frozenset of str
        Named times that were not read.
    """

    names: tuple[str, ...]
    usual: int
    times: tuple[dict[str, int], ...]
    from_memory: frozenset[str]


def parse_bound(text: str, known: Sequence[str]) -> Bound:
    """Read a time, or a sum such as ``2*T - 75 ns`` of multiples of named times.

    Parameters
    ----------
    text : str
    known : sequence of str
        The named times.

    Raises
    ------
    ValueError
        With what is expected, or with the name that is not known.

    Examples
    --------
    >>> parse_bound("2*T - 75 ns", ["T"]).ps({"T": 200_000})
    325000
    """
    at, fixed = 0, Fraction(0)
    terms: dict[str, Fraction] = {}
    while at < len(text.rstrip()) or at == 0:
        match = _TERM.match(text, at)
        if match is None or (at and match[1] is None):
            raise ValueError(
                f"a limit must be a time such as '30 ns' or a sum such as '2*T - 75 ns', "
                f"not {quoted(text)}"
            )
        factor = Fraction(match[2] or 1) * (-1 if match[1] == "-" else 1)
        if match[3] is not None:
            fixed += factor * parse_time(match[3])
        elif match[4] not in known:
            near = nearest(match[4], known)
            listed = ", ".join(known) or "none here"
            raise ValueError(
                f"no time is called {quoted(match[4])} (named times: {listed})"
                + (f"; did you mean {near}?" if near else "")
            )
        else:
            terms[match[4]] = terms.get(match[4], Fraction(0)) + factor
        at = match.end()
    if fixed.denominator != 1:
        raise ValueError(f"a time must be a whole number of picoseconds, not {quoted(text)}")
    return Bound(int(fixed), tuple(terms.items()))


def parse_point(
    text: str,
    phases: Sequence[str],
    bundles: Mapping[str, tuple[str, ...]],
    low: frozenset[str],
) -> Point:
    """Read one end of a limit.

    Parameters
    ----------
    text : str
    phases : sequence of str
        The phases of the bus.
    bundles, low
        As `parse_event` takes them.

    Raises
    ------
    EventTextError
        With what was found, what was expected, and the column.

    Examples
    --------
    >>> parse_point("last A changes before address", ["address"], {"A": ("A",)}, frozenset()).how
    'last'
    """
    known = (*phases, "it")
    plain = _AT.fullmatch(text)
    sought = _SOUGHT.fullmatch(text)
    if sought is not None:
        how: Seek = "last" if sought[1] else "first" if sought[3] else "nearest"
        written = sought[2] or sought[4] or sought[5]
        phase, sign, offset = sought[6], sought[7], sought[8]
    elif plain is not None:
        how, written = "at", None
        phase, sign, offset = plain[1], plain[2], plain[3]
    is_no_point = sought is None and plain is None
    if is_no_point or phase not in known or (phase == "it" and (how == "at" or offset)):
        raise EventTextError(
            f"no point of a beat is called {quoted(text)}",
            _HOW.format(phases=", ".join(phases)),
            1,
        )
    event = None
    if written is not None:
        try:
            event = parse_event(written, bundles, low)
        except EventTextError as error:
            column = None if error.column is None else error.column + text.index(written)
            raise EventTextError(error.found, error.expected, column) from None
    try:
        ps = 0 if offset is None else parse_time(offset)
    except ValueError as error:
        raise EventTextError(str(error), "a time such as '90 ns'", None) from None
    return Point(how, phase, -ps if sign == "-" else ps, event, text)
