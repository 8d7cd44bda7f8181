"""March notation, read and written; marches over the words of a window."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdecode.errors import RequestError
from busdecode.plan import (
    MARCHES,
    Element,
    March,
    open_window,
    parse_march,
    plan_march,
    written_march,
)
from busdecode.protocol import load_bus

SIGNS = {"up": ("up", "^", "⇑", "UP"), "down": ("down", "v", "⇓"), "either": ("either", "*", "⇕")}


@st.composite
def marches(draw: st.DrawFn) -> March:
    """Draw marches in which every read expects what was written before."""
    elements, left = [], None
    for _ in range(draw(st.integers(1, 6))):
        operations = []
        for _ in range(draw(st.integers(1, 6))):
            if left is not None and draw(st.booleans()):
                operations.append(f"r{left}")
            else:
                left = draw(st.sampled_from("01"))
                operations.append(f"w{left}")
        elements.append(Element(draw(st.sampled_from(list(SIGNS))), tuple(operations)))
    return March(tuple(elements))


@given(marches())
def test_march_written_and_read_is_the_same(march: March) -> None:
    """Check the round trip."""
    assert parse_march(written_march(march)) == march


@given(marches(), st.data())
def test_march_may_be_written_in_many_ways(march: March, data: st.DataObject) -> None:
    """Check signs, blanks, braces and a last semicolon."""
    blank = st.sampled_from(["", " ", "  "])
    text = ";".join(
        data.draw(blank)
        + data.draw(st.sampled_from(SIGNS[element.order]))
        + data.draw(blank)
        + "("
        + (data.draw(blank) + "," + data.draw(blank)).join(element.operations)
        + data.draw(blank)
        + ")"
        for element in march.elements
    )
    before, after = data.draw(st.sampled_from([("", ""), ("{", "}"), ("", ";"), ("{ ", " ; }")]))

    assert parse_march(before + text + after) == march


MISTAKES = [
    ("", 1, "ends", "an order: up, down or either (also ^, v, *)"),
    ("{}", 2, "has '}'", "an order: up, down or either (also ^, v, *)"),
    ("upp(w0)", 1, "has 'upp'", "an order: up, down or either (also ^, v, *)"),
    ("*w0", 2, "has 'w0'", "( and operations"),
    ("*(w0", 5, "ends", ", and another operation, or )"),
    ("*()", 3, "has ')'", "an operation: r0, r1, w0 or w1"),
    ("*(w0,x1)", 6, "has 'x1'", "an operation: r0, r1, w0 or w1"),
    ("*(w0 r0)", 6, "has 'r0'", ", and another operation, or )"),
    ("*(w0) ^(r0)", 7, "has '^'", "; and another element, or the end"),
    ("{*(w0); ^(r0)", 14, "ends", "; and another element, or } at the end"),
    ("*(w0)}", 6, "has '}'", "; and another element, or the end"),
    ("*(r0)", 3, "has 'r0'", "a write first: what the memory holds at the begin is not known"),
    ("*(w0); ^(r1)", 10, "has 'r1'", "r0: the operations before leave 0"),
    ("*(w0); ^(r0,w1); v(r0)", 20, "has 'r0'", "r1: the operations before leave 1"),
]


@pytest.mark.parametrize(("text", "column", "found", "expected"), MISTAKES)
def test_mistake_in_a_march(text: str, column: int, found: str, expected: str) -> None:
    """Check the place, what was found there, and what was expected."""
    with pytest.raises(RequestError) as caught:
        parse_march(text)
    error = caught.value

    assert (error.column, error.found, error.expected) == (
        column,
        f"the march {found} at column {column}",
        expected,
    )
    assert str(error).splitlines()[2] == "    | " + " " * (column - 1) + "^"


def test_march_over_words() -> None:
    """Check order, data and expectation on two words, on the first background and a stripe."""
    window = open_window(load_bus("z80"), 0x8000, 2)
    plan = plan_march(window, "mats+", MARCHES["mats+"])
    shown = " ".join(
        f"{access.op[0]}{access.address & 1}:{access.data or access.expected or 0:02X}"
        for access in plan.accesses
    )

    assert len(plan.steps) == 4 * 10
    assert shown.startswith(
        "w0:00 w1:00 r0:00 w0:FF r1:00 w1:FF r1:FF w1:00 r0:FF w0:00 "
        "w0:F0 w1:F0 r0:F0 w0:0F r1:F0 w1:0F "
    )
