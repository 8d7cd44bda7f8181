"""The event language: what each form means, and what is said of text that is none."""

from __future__ import annotations

import pytest

from busdecode.protocol import (
    After,
    All,
    Any_,
    Becomes,
    Changes,
    Condition,
    Event,
    EventTextError,
    FirstOf,
    Holds,
    Is,
    LastOf,
    Not,
    Settled,
    While,
    event_lines,
    event_span,
    parse_condition,
    parse_event,
)

D = ("D3", "D2", "D1", "D0")
BUNDLES = {
    **{line: (line,) for line in (*D, "AS", "ACK", "ERR", "R/W", "READY")},
    "D": D,
}
LOW = frozenset({"AS", "ACK", "ERR", "R/W"})  # READY is asserted high


def low(name: str) -> Is:
    """The line is low."""
    return Is((name,), 0)


def high(name: str) -> Is:
    """The line is high."""
    return Is((name,), 1)


EVENTS: list[tuple[str, Event]] = [
    ("AS asserts", Becomes(low("AS"))),
    ("AS negates", Becomes(high("AS"))),
    ("AS falls", Becomes(low("AS"))),
    ("AS rises", Becomes(high("AS"))),
    ("READY asserts", Becomes(high("READY"))),
    ("READY negates", Becomes(low("READY"))),
    ("AS asserted", Holds(low("AS"))),
    ("READY negated", Holds(low("READY"))),
    ("AS high", Holds(high("AS"))),
    ("R/W low", Holds(low("R/W"))),
    ("'R/W' low", Holds(low("R/W"))),
    ("D is 0xA", Holds(Is(D, 10))),
    ("D[2:1] is 0b10", Holds(Is(("D2", "D1"), 2))),
    ("D[1:2] is 2", Holds(Is(("D1", "D2"), 2))),
    ("D[0] is 1", Holds(high("D0"))),
    ("D becomes 3", Becomes(Is(D, 3))),
    ("D changes", Changes(D)),
    ("any of (AS, ACK) changes", Changes(("AS", "ACK"))),
    ("any of (AS, ACK) asserts", Becomes(Any_((low("AS"), low("ACK"))))),
    ("all of (AS, READY) negated", Holds(All((high("AS"), low("READY"))))),
    ("D high", Holds(All((high("D3"), high("D2"), high("D1"), high("D0"))))),
    ("not AS asserted", Holds(Not(low("AS")))),
    ("AS asserted and ACK asserted", Holds(All((low("AS"), low("ACK"))))),
    (
        "AS asserted or ACK asserted and ERR asserted",
        Holds(Any_((low("AS"), All((low("ACK"), low("ERR")))))),
    ),
    (
        "(AS asserted or ACK asserted) and ERR asserted",
        Holds(All((Any_((low("AS"), low("ACK"))), low("ERR")))),
    ),
    ("first of (ACK asserted, ERR asserts)", FirstOf((Holds(low("ACK")), Becomes(low("ERR"))))),
    ("last of (ACK asserts, ERR asserts)", LastOf((Becomes(low("ACK")), Becomes(low("ERR"))))),
    ("D changes while AS asserted", While(Changes(D), low("AS"))),
    ("D settled for 40 ns", Settled(D, 40_000)),
    ("2.5 us after AS asserts", After(Becomes(low("AS")), 2_500_000)),
    ("  AS   asserts ", Becomes(low("AS"))),
]


@pytest.mark.parametrize(("text", "event"), EVENTS, ids=[text for text, _ in EVENTS])
def test_an_event_means_this(text: str, event: Event) -> None:
    """Levels are volts, asserted and negated are meaning."""
    assert parse_event(text, BUNDLES, LOW) == event


def test_after_and_while_bind_as_they_are_read() -> None:
    """A time after an event that counts only while a condition holds."""
    wanted = While(After(Becomes(low("ACK")), 20_000), low("AS"))
    assert parse_event("20 ns after ACK asserts while AS asserted", BUNDLES, LOW) == wanted


CONDITIONS: list[tuple[str, Condition]] = [
    ("AS asserted", low("AS")),
    ("AS asserted and D is 7", All((low("AS"), Is(D, 7)))),
]


@pytest.mark.parametrize(("text", "condition"), CONDITIONS)
def test_a_condition_means_this(text: str, condition: Condition) -> None:
    """A Boolean over levels, with no edge in it."""
    assert parse_condition(text, BUNDLES, LOW) == condition


AN_EVENT = (
    "an event such as 'X asserts', 'X asserted', 'first of (X asserted, Y asserted)' "
    "or 'all of (X, Y) negated'"
)
LINES = "one of AS, ACK, ERR, R/W, READY, D"

MISTAKES = [
    ("", None, "the event is empty", AN_EVENT),
    ("AS", None, "the event 'AS' is not complete", AN_EVENT),
    ("AS asert", 4, "the event stops making sense at 'asert'", AN_EVENT),
    ("AS asserts ACK", 12, "the event stops making sense at 'ACK'", AN_EVENT),
    ("AS asserted edge", 13, "the event stops making sense at 'edge'", AN_EVENT),
    ("asserts", 1, "the event stops making sense at 'asserts'", AN_EVENT),
    ("first of (ACK asserts)", 22, "the event stops making sense at ')'", AN_EVENT),
    (
        "last of (ACK asserts, ERR asserts",
        None,
        "the event 'last of (ACK asserts, ERR asserts' is not complete",
        AN_EVENT,
    ),
    ("D settled for 40", 15, "the event stops making sense at '40'", AN_EVENT),
    ("40 ns AS asserts", 7, "the event stops making sense at 'AS'", AN_EVENT),
    ("D becomes 0b12", 14, "the event stops making sense at '2'", AN_EVENT),
    ("AKC asserts", 1, "no line is called 'AKC'", f"{LINES}; did you mean ACK?"),
    ("any of (AS, ERRO) asserted", 13, "no line is called 'ERRO'", f"{LINES}; did you mean ERR?"),
    ("D[4] high", 1, "no line is called 'D[4]'", LINES),
    ("D is 16", 6, "D has 4 lines and cannot be 16", "a value below 16"),
    ("AS is 2", 7, "AS has 1 line and cannot be 2", "a value below 2"),
]


@pytest.mark.parametrize(
    ("text", "column", "found", "expected"), MISTAKES, ids=[row[0] or "empty" for row in MISTAKES]
)
def test_a_mistake_in_an_event_is_named_with_its_column(
    text: str, column: int | None, found: str, expected: str
) -> None:
    """Columns count from 1; text that ends too soon has none."""
    with pytest.raises(EventTextError) as caught:
        parse_event(text, BUNDLES, LOW)
    error = caught.value
    assert (error.column, error.found, error.expected) == (column, found, expected)


def test_an_edge_is_no_condition() -> None:
    """What triggers a step is a level."""
    with pytest.raises(EventTextError) as caught:
        parse_condition("AS asserts", BUNDLES, LOW)
    assert (caught.value.column, caught.value.found, caught.value.expected) == (
        4,
        "the condition stops making sense at 'asserts'",
        "a condition such as 'X asserted', 'any of (X, Y) asserted' or 'X asserted and Y is 3'",
    )


def test_lines_and_reach_of_an_event() -> None:
    """All lines that it looks at, and how far it reaches past their edges."""
    text = "last of (20 ns after ACK asserts, D[1:0] settled for 40 ns) while not AS asserted"
    event = parse_event(text, BUNDLES, LOW)
    assert event_lines(event) == {"ACK", "D1", "D0", "AS"}
    assert event_span(event) == 60_000
