"""The event language: text such as ``first of (DTACK asserted, BERR asserted)`` to a small tree.

A *condition* is a Boolean over levels. An *event* is a condition becoming true
(``AS asserts``), a condition that may already hold when looked for (``ACK asserted``),
or something built of these. Conditions and events know nothing of captures.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from lark import Lark, Transformer, v_args
from lark.exceptions import UnexpectedInput, VisitError

from busdecode.errors import nearest, quoted
from busdecode.units import parse_time

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

__all__ = [
    "After",
    "All",
    "Any_",
    "Becomes",
    "Changes",
    "Condition",
    "Event",
    "EventTextError",
    "FirstOf",
    "Holds",
    "Is",
    "LastOf",
    "Not",
    "Settled",
    "While",
    "event_lines",
    "event_span",
    "parse_condition",
    "parse_event",
]


class EventTextError(ValueError):
    """An event's text cannot be understood; `column` counts from 1."""

    def __init__(self, found: str, expected: str, column: int | None = None) -> None:
        super().__init__(found)
        self.found = found
        self.expected = expected
        self.column = column


@dataclass(frozen=True)
class Is:
    """The lines, most significant first, show this value as levels."""

    lines: tuple[str, ...]
    value: int


@dataclass(frozen=True)
class Not:
    """The condition does not hold."""

    condition: Condition


@dataclass(frozen=True)
class All:
    """Every condition holds."""

    conditions: tuple[Condition, ...]


@dataclass(frozen=True)
class Any_:
    """At least one condition holds."""

    conditions: tuple[Condition, ...]


Condition = Is | Not | All | Any_


@dataclass(frozen=True)
class Becomes:
    """The condition becomes true: an edge."""

    condition: Condition


@dataclass(frozen=True)
class Holds:
    """The condition is true when looked for, or becomes so."""

    condition: Condition


@dataclass(frozen=True)
class Changes:
    """Any of the lines changes its level."""

    lines: tuple[str, ...]


@dataclass(frozen=True)
class FirstOf:
    """The earliest of the events; those whose lines were not captured are left out."""

    events: tuple[Event, ...]


@dataclass(frozen=True)
class LastOf:
    """The latest of the events, once all have come."""

    events: tuple[Event, ...]


@dataclass(frozen=True)
class While:
    """The event, where the condition holds at that moment."""

    event: Event
    condition: Condition


@dataclass(frozen=True)
class After:
    """A fixed time, in ps, after the event."""

    event: Event
    delay: int


@dataclass(frozen=True)
class Settled:
    """The lines have not changed for this time, in ps."""

    lines: tuple[str, ...]
    time: int


Event = Becomes | Holds | Changes | FirstOf | LastOf | While | After | Settled

_GRAMMAR = r"""
event_text: event
condition_text: condition

?event: "first" "of" "(" event ("," event)+ ")"   -> first_of
      | "last" "of" "(" event ("," event)+ ")"    -> last_of
      | event "while" condition                   -> while_
      | TIME "after" event                        -> after
      | subject "settled" "for" TIME              -> settled
      | subject EDGE                              -> edge
      | subject "changes"                         -> changes
      | NAME "becomes" NUMBER                     -> becomes
      | "(" condition ")" "becomes" TRUTH         -> turns
      | condition                                 -> holds

?condition: conjunction ("or" conjunction)*       -> any_of
?conjunction: atom ("and" atom)*                  -> all_of
?atom: subject LEVEL                              -> level
     | NAME "is" NUMBER                           -> is_
     | "not" atom                                 -> not_
     | "(" condition ")"

subject: NAME                                     -> one
       | "any" "of" "(" NAME ("," NAME)* ")"      -> any_subject
       | "all" "of" "(" NAME ("," NAME)* ")"      -> all_subject

EDGE.3: /(asserts|negates|rises|falls)\b/
LEVEL.3: /(asserted|negated|high|low)\b/
TRUTH.3: /(true|false)\b/
TIME.4: /[0-9]+([.][0-9]+)?\s*(s|ms|us|ns|ps)\b/
NUMBER.2: /0x[0-9A-Fa-f]+|0b[01]+|[0-9]+\b/
NAME: /'[^']+'|(?!(first|last|any|all|of|while|after|settled|for|changes|becomes|is|not|and|or|asserts|asserted|negates|negated|rises|falls|high|low)\b)[A-Za-z~\/_][A-Za-z0-9_~\/*#+-]*(\[[0-9]+(:[0-9]+)?\])?/
%import common.WS
%ignore WS
"""  # noqa: E501

_PARSER = Lark(
    _GRAMMAR, parser="earley", start=["event_text", "condition_text"], propagate_positions=True
)

_EXPECTED = {
    "event_text": "an event such as 'X asserts', 'X asserted', "
    "'first of (X asserted, Y asserted)' or 'all of (X, Y) negated'",
    "condition_text": "a condition such as 'X asserted', 'any of (X, Y) asserted' "
    "or 'X asserted and Y is 3'",
}


@v_args(inline=True)
class _ToTree(Transformer):  # type: ignore[type-arg]
    """Turn the parse into conditions and events, names looked up in the bus's lines."""

    def __init__(self, bundles: Mapping[str, tuple[str, ...]], low: frozenset[str]) -> None:
        super().__init__()
        self._bundles = bundles
        self._low = low

    def _lines(self, name: Any) -> tuple[str, ...]:
        text = str(name).strip("'")
        lines = resolve(text, self._bundles)
        if lines is None:
            near = nearest(text, self._bundles)
            raise EventTextError(
                f"no line is called {quoted(text)}",
                f"one of {', '.join(written_names(self._bundles))}"
                + (f"; did you mean {near}?" if near else ""),
                name.column,
            )
        return lines

    def one(self, name: Any) -> tuple[str, tuple[str, ...]]:
        return "all", self._lines(name)

    def any_subject(self, *names: Any) -> tuple[str, tuple[str, ...]]:
        return "any", tuple(line for name in names for line in self._lines(name))

    def all_subject(self, *names: Any) -> tuple[str, tuple[str, ...]]:
        return "all", tuple(line for name in names for line in self._lines(name))

    def _state(self, subject: tuple[str, tuple[str, ...]], word: str) -> Condition:
        how, lines = subject
        each: list[Condition] = []
        for line in lines:
            if word in ("asserted", "negated"):
                value = int((line in self._low) != (word == "asserted"))
            else:
                value = int(word == "high")
            each.append(Is((line,), value))
        if len(each) == 1:
            return each[0]
        return All(tuple(each)) if how == "all" else Any_(tuple(each))

    def level(self, subject: Any, word: Any) -> Condition:
        return self._state(subject, str(word))

    def is_(self, name: Any, number: Any) -> Condition:
        lines, value = self._lines(name), int(str(number), 0)
        if value >> len(lines):
            raise EventTextError(
                f"{name} has {len(lines)} line{'s' if len(lines) > 1 else ''} "
                f"and cannot be {number}",
                f"a value below {1 << len(lines)}",
                number.column,
            )
        return Is(lines, value)

    def not_(self, condition: Condition) -> Condition:
        return Not(condition)

    def all_of(self, *conditions: Condition) -> Condition:
        return conditions[0] if len(conditions) == 1 else All(conditions)

    def any_of(self, *conditions: Condition) -> Condition:
        return conditions[0] if len(conditions) == 1 else Any_(conditions)

    def edge(self, subject: Any, word: Any) -> Event:
        level = {"asserts": "asserted", "negates": "negated", "rises": "high", "falls": "low"}
        return Becomes(self._state(subject, level[str(word)]))

    def becomes(self, name: Any, number: Any) -> Event:
        return Becomes(self.is_(name, number))

    def turns(self, condition: Condition, truth: Any) -> Event:
        return Becomes(condition if str(truth) == "true" else Not(condition))

    def changes(self, subject: Any) -> Event:
        return Changes(subject[1])

    def holds(self, condition: Condition) -> Event:
        return Holds(condition)

    def first_of(self, *events: Event) -> Event:
        return FirstOf(events)

    def last_of(self, *events: Event) -> Event:
        return LastOf(events)

    def while_(self, event: Event, condition: Condition) -> Event:
        return While(event, condition)

    def after(self, time: Any, event: Event) -> Event:
        return After(event, parse_time(str(time)))

    def settled(self, subject: Any, time: Any) -> Event:
        return Settled(subject[1], parse_time(str(time)))

    def event_text(self, event: Event) -> Event:
        return event

    def condition_text(self, condition: Condition) -> Condition:
        return condition


def resolve(name: str, bundles: Mapping[str, tuple[str, ...]]) -> tuple[str, ...] | None:
    """Give the lines that a name stands for, most significant first; None where unknown."""
    if name in bundles:
        return bundles[name]
    match = re.fullmatch(r"(.+?)\[([0-9]+)(?::([0-9]+))?\]", name)
    if match is None:
        return None
    high = int(match[2])
    low = high if match[3] is None else int(match[3])
    step = -1 if high >= low else 1
    lines = tuple(f"{match[1]}{number}" for number in range(high, low + step, step))
    return lines if all(line in bundles for line in lines) else None


def written_names(bundles: Mapping[str, tuple[str, ...]]) -> list[str]:
    """Give the names to offer in an error: bundles, and the lines that are in none.

    Examples
    --------
    >>> written_names({"A1": ("A1",), "A0": ("A0",), "A": ("A1", "A0"), "AS": ("AS",)})
    ['A', 'AS']
    """
    inside = {line for lines in bundles.values() if len(lines) > 1 for line in lines}
    return [name for name in bundles if name not in inside]


def _parse(
    text: str, start: str, bundles: Mapping[str, tuple[str, ...]], low: frozenset[str]
) -> Any:
    try:
        tree = _PARSER.parse(text, start=start)
    except UnexpectedInput as error:
        column = error.column if isinstance(error.column, int) and error.column > 0 else None
        words = text[error.pos_in_stream or 0 :].split() if column else []
        what = start.removesuffix("_text")
        if words:
            found = f"the {what} stops making sense at {quoted(words[0])}"
        else:
            found = f"the {what} {quoted(text)} is not complete" if text else f"the {what} is empty"
        raise EventTextError(found, _EXPECTED[start], column) from None
    try:
        return _ToTree(bundles, low).transform(tree)
    except VisitError as error:
        if isinstance(error.orig_exc, EventTextError):
            raise error.orig_exc from None
        raise


def parse_event(text: str, bundles: Mapping[str, tuple[str, ...]], low: frozenset[str]) -> Event:
    """Read an event.

    Parameters
    ----------
    text : str
    bundles : mapping of str to tuple of str
        Every name that may be written, lines and bundles, with its lines, most significant first.
    low : frozenset of str
        The lines that are asserted at the low level.

    Raises
    ------
    EventTextError
        With what was found, what was expected, and the column.

    Examples
    --------
    >>> parse_event("AS asserts", {"AS": ("AS",)}, frozenset({"AS"}))
    Becomes(condition=Is(lines=('AS',), value=0))
    """
    event: Event = _parse(text, "event_text", bundles, low)
    return event


def parse_condition(
    text: str, bundles: Mapping[str, tuple[str, ...]], low: frozenset[str]
) -> Condition:
    """Read a condition, such as ``AS asserted and FC is 7``; parameters as `parse_event`."""
    condition: Condition = _parse(text, "condition_text", bundles, low)
    return condition


def _walk(node: Event | Condition) -> Iterator[Event | Condition]:
    yield node
    if isinstance(node, Not | Becomes | Holds):
        yield from _walk(node.condition)
    elif isinstance(node, All | Any_):
        for condition in node.conditions:
            yield from _walk(condition)
    elif isinstance(node, FirstOf | LastOf):
        for event in node.events:
            yield from _walk(event)
    elif isinstance(node, While):
        yield from _walk(node.event)
        yield from _walk(node.condition)
    elif isinstance(node, After):
        yield from _walk(node.event)


def event_lines(node: Event | Condition) -> frozenset[str]:
    """Give every line that the event or condition looks at."""
    return frozenset(
        line
        for each in _walk(node)
        if isinstance(each, Is | Changes | Settled)
        for line in each.lines
    )


def event_span(node: Event) -> int:
    """Give the longest time, in ps, that the event reaches past the edges it looks at."""
    spans: Callable[[Event | Condition], int] = lambda each: (  # noqa: E731
        each.delay if isinstance(each, After) else each.time if isinstance(each, Settled) else 0
    )
    return sum(spans(each) for each in _walk(node))
