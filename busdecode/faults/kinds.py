"""The kinds of fault, as values, and how people write them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from busdecode.errors import RequestError, nearest, quoted
from busdecode.units import format_time, parse_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.protocol import Bus

__all__ = [
    "BRIDGE_RULES",
    "Bridge",
    "Fault",
    "Lane",
    "LateData",
    "NoAcknowledge",
    "Open",
    "ReadDriver",
    "Stuck",
    "Swapped",
    "WriteReceiver",
    "parse_fault",
    "written_fault",
]

BridgeRule = Literal["low-wins", "high-wins", "host-wins", "a-wins", "b-wins", "undetermined"]
BRIDGE_RULES: tuple[BridgeRule, ...] = (
    "low-wins",
    "high-wins",
    "host-wins",
    "a-wins",
    "b-wins",
    "undetermined",
)
"""Who decides where the two sides of a bridge are driven to different levels."""


@dataclass(frozen=True)
class Stuck:
    """A line tied to one rail."""

    line: str
    level: Literal[0, 1]


@dataclass(frozen=True)
class Bridge:
    """Two lines become one node."""

    a: str
    b: str
    rule: BridgeRule


@dataclass(frozen=True)
class Open:
    """The node splits between host and card; the part without a driver floats."""

    line: str
    floats: Literal["high", "low", "keep"]


@dataclass(frozen=True)
class Swapped:
    """Two lines cross between host and card."""

    a: str
    b: str


@dataclass(frozen=True)
class Lane:
    """A lane strobe that never, or always, reaches the card."""

    line: str
    is_on: bool


@dataclass(frozen=True)
class ReadDriver:
    """The card's driver of one data line gives one level, whatever is read."""

    line: str
    level: Literal[0, 1]


@dataclass(frozen=True)
class WriteReceiver:
    """The card's receiver of one data line gives one level, whatever is on the line."""

    line: str
    level: Literal[0, 1]


@dataclass(frozen=True)
class LateData:
    """The party that drives data in this direction does so later, by `delay` ps."""

    direction: Literal["read", "write"]
    delay: int


@dataclass(frozen=True)
class NoAcknowledge:
    """The card never asserts this line; the master's watchdog then acts as `then` says."""

    line: str
    then: Literal["error", "ends", "hangs"]


Fault = (
    Stuck | Bridge | Open | Swapped | Lane | ReadDriver | WriteReceiver | LateData | NoAcknowledge
)

_FORMS = (
    ("stuck LINE low|high", "a line tied to one rail"),
    ("bridge LINE LINE " + "|".join(BRIDGE_RULES), "two lines tied together, and who decides"),
    ("open LINE high|low|keep", "a break between host and card, and where the rest floats"),
    ("swapped LINE LINE", "two lines crossed between host and card"),
    ("lane-lost LINE", "a lane strobe that does not reach the card"),
    ("lane-on LINE", "a lane strobe that the card always sees asserted"),
    ("read-driver LINE low|high", "the card's driver of a data line at one level"),
    ("write-receiver LINE low|high", "the card's receiver of a data line at one level"),
    ("late-data read|write TIME", "data driven later than the description allows"),
    ("no-acknowledge LINE error|ends|hangs", "an acknowledge that never comes, and what then"),
)


def parse_fault(text: str, bus: Bus) -> Fault:
    """Read a fault such as ``bridge D3 D5 low-wins``.

    Raises
    ------
    RequestError
        With what was found and the forms that are known.

    Examples
    --------
    >>> from busdecode.protocol import load_bus
    >>> parse_fault("stuck D3 low", load_bus("z80"))
    Stuck(line='D3', level=0)
    """
    words = text.replace(",", " ").split()
    forms = {form.split()[0]: form for form, _ in _FORMS}
    if not words or words[0] not in forms:
        near = nearest(words[0], forms) if words else None
        raise RequestError(
            f"no kind of fault is called {quoted(words[0] if words else text)}",
            expected="one of " + "; ".join(forms.values()),
            action=f"did you mean {near}?" if near else None,
        )
    kind, given = words[0], words[1:]
    form = forms[kind]
    wanted = form.split()[1:]
    if kind == "late-data" and len(given) > 2:
        given = [given[0], " ".join(given[1:])]
    if len(given) != len(wanted):
        raise RequestError(
            f"{kind} needs {len(wanted)} words after it, not {len(given)}: {quoted(text)}",
            expected=form,
        )
    for what, word in zip(wanted, given, strict=True):
        _check_word(what, word, bus, form)
    line = given[0]
    if kind == "stuck":
        return Stuck(line, 1 if given[1] == "high" else 0)
    if kind == "bridge":
        rule = next(rule for rule in BRIDGE_RULES if rule == given[2])
        return Bridge(line, _other(line, given[1], "bridged", form), rule)
    if kind == "open":
        return Open(line, "high" if given[1] == "high" else "low" if given[1] == "low" else "keep")
    if kind == "swapped":
        return Swapped(line, _other(line, given[1], "swapped", form))
    if kind in ("lane-lost", "lane-on"):
        _check_member(line, bus.lane_strobes, "lane strobe", bus)
        return Lane(line, kind == "lane-on")
    if kind in ("read-driver", "write-receiver"):
        _check_member(line, bus.data, "data line", bus)
    if kind == "read-driver":
        return ReadDriver(line, 1 if given[1] == "high" else 0)
    if kind == "write-receiver":
        return WriteReceiver(line, 1 if given[1] == "high" else 0)
    if kind == "late-data":
        return LateData("read" if line == "read" else "write", parse_time(given[1]))
    answers = [each.name for each in bus.lines if each.role == "acknowledge"]
    _check_member(line, answers, "acknowledge", bus)
    return NoAcknowledge(
        line, "error" if given[1] == "error" else "ends" if given[1] == "ends" else "hangs"
    )


def _other(a: str, b: str, how: str, form: str) -> str:
    if a == b:
        raise RequestError(f"{a} cannot be {how} with itself", expected=form)
    return b


def _check_member(line: str, known: Sequence[str], what: str, bus: Bus) -> None:
    if line not in known:
        raise RequestError(
            f"{line} is no {what} of {bus.name}",
            expected=f"one of {', '.join(known)}"
            if known
            else f"a bus with {_article(what)} {what}",
        )


def _check_word(what: str, word: str, bus: Bus, form: str) -> None:
    if what == "LINE":
        if word not in bus.line_names:
            near = nearest(word, bus.line_names)
            raise RequestError(
                f"{bus.name} has no line {quoted(word)}",
                expected=form,
                action=f"did you mean {near}?" if near else f"see: busdecode buses {bus.name}",
            )
    elif what == "TIME":
        try:
            delay = parse_time(word)
        except ValueError as error:
            raise RequestError(str(error), expected=form) from None
        if delay < 0:
            raise RequestError(f"data can be late, not early: {quoted(word)}", expected=form)
    elif word not in what.split("|"):
        raise RequestError(
            f"found {quoted(word)}", expected=f"one of {what.replace('|', ', ')}, as in: {form}"
        )


def written_fault(fault: Fault) -> str:
    """Write a fault as `parse_fault` reads it."""
    level = {0: "low", 1: "high"}
    if isinstance(fault, Stuck):
        return f"stuck {fault.line} {level[fault.level]}"
    if isinstance(fault, Bridge):
        return f"bridge {fault.a} {fault.b} {fault.rule}"
    if isinstance(fault, Open):
        return f"open {fault.line} {fault.floats}"
    if isinstance(fault, Swapped):
        return f"swapped {fault.a} {fault.b}"
    if isinstance(fault, Lane):
        return f"{'lane-on' if fault.is_on else 'lane-lost'} {fault.line}"
    if isinstance(fault, ReadDriver):
        return f"read-driver {fault.line} {level[fault.level]}"
    if isinstance(fault, WriteReceiver):
        return f"write-receiver {fault.line} {level[fault.level]}"
    if isinstance(fault, LateData):
        return f"late-data {fault.direction} {format_time(fault.delay)}"
    return f"no-acknowledge {fault.line} {fault.then}"


def forms() -> Sequence[tuple[str, str]]:
    """Give every form in which a fault can be written, with what it means."""
    return _FORMS


def _article(what: str) -> str:
    return "an" if what[0] in "aeiou" else "a"
