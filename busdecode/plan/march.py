"""March notation: text to elements, and back."""

from __future__ import annotations

import re
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from busdecode.errors import RequestError, quoted

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["MARCHES", "Element", "March", "parse_march", "written_march"]

Order = Literal["up", "down", "either"]
Operation = Literal["r0", "r1", "w0", "w1"]

_ORDERS: Mapping[str, Order] = MappingProxyType(
    {
        **dict.fromkeys(("up", "^", "⇑", "↑"), "up"),
        **dict.fromkeys(("down", "v", "⇓", "↓"), "down"),
        **dict.fromkeys(("either", "*", "⇕", "↕"), "either"),
    }
)
_OPERATIONS: Mapping[str, Operation] = MappingProxyType(
    {"r0": "r0", "r1": "r1", "w0": "w0", "w1": "w1"}
)
_TOKEN = re.compile(r"\s*([A-Za-z0-9]+|[^\sA-Za-z0-9])")
_AN_ORDER = "an order: up, down or either (also ^, v, *)"


@dataclass(frozen=True)
class Element:
    """Operations that are all done on one word before the next, in an order of addresses."""

    order: Order
    operations: tuple[Operation, ...]


@dataclass(frozen=True)
class March:
    """A march: elements one after the other.

    Its length is `per_word` operations for each word.
    """

    elements: tuple[Element, ...]

    @property
    def per_word(self) -> int:
        """How many operations each word gets."""
        return sum(len(element.operations) for element in self.elements)


def parse_march(text: str) -> March:
    """Read a march such as ``either(w0); up(r0,w1); down(r1,w0)``.

    Orders may be written ``up``, ``down``, ``either``; ``^``, ``v``, ``*``; or as arrows. The
    whole may stand in braces.

    Raises
    ------
    RequestError
        With the column, what was found and what was expected; also where a read expects what
        the operations before it did not leave.

    Examples
    --------
    >>> parse_march("{*(w0); ^(r0,w1)}")
    March(elements=(Element(order='either', operations=('w0',)), \
Element(order='up', operations=('r0', 'w1'))))
    """
    return _Reader(text).march()


class _Reader:
    def __init__(self, text: str) -> None:
        self._text = text
        self._tokens = [(match[1], match.start(1) + 1) for match in _TOKEN.finditer(text)]
        self._at = 0
        self._left: str | None = None

    def march(self) -> March:
        is_braced = self._next_is("{")
        self._at += is_braced
        elements = []
        while True:
            elements.append(self._element())
            if not self._next_is(";"):
                break
            self._at += 1
            if self._at == len(self._tokens) or self._next_is("}"):  # a ; at the end
                break
        if is_braced:
            self._take("}", "; and another element, or } at the end")
        if self._at < len(self._tokens):
            raise self._mistake("; and another element, or the end")
        return March(tuple(elements))

    def _element(self) -> Element:
        order = _ORDERS.get(self._word.lower())
        if order is None:
            raise self._mistake(_AN_ORDER)
        self._at += 1
        self._take("(", "( and operations")
        operations = [self._operation()]
        while self._next_is(","):
            self._at += 1
            operations.append(self._operation())
        self._take(")", ", and another operation, or )")
        return Element(order, tuple(operations))

    def _operation(self) -> Operation:
        operation = _OPERATIONS.get(self._word.lower())
        if operation is None:
            raise self._mistake("an operation: r0, r1, w0 or w1")
        what, value = operation
        if what == "r" and value != self._left:
            if self._left is None:
                raise self._mistake(
                    "a write first: what the memory holds at the begin is not known"
                )
            raise self._mistake(f"r{self._left}: the operations before leave {self._left}")
        self._left = value
        self._at += 1
        return operation

    @property
    def _word(self) -> str:
        return self._tokens[self._at][0] if self._at < len(self._tokens) else ""

    def _next_is(self, word: str) -> bool:
        return self._word == word

    def _take(self, word: str, expected: str) -> None:
        if not self._next_is(word):
            raise self._mistake(expected)
        self._at += 1

    def _mistake(self, expected: str) -> RequestError:
        is_end = self._at == len(self._tokens)
        column = len(self._text.rstrip()) + 1 if is_end else self._tokens[self._at][1]
        found = "ends" if is_end else f"has {quoted(self._word)}"
        return RequestError(
            f"the march {found} at column {column}",
            line=1,
            column=column,
            text=self._text,
            expected=expected,
        )


def written_march(march: March) -> str:
    """Write a march as `parse_march` reads it.

    Examples
    --------
    >>> written_march(MARCHES["mats+"])
    'either(w0); up(r0,w1); down(r1,w0)'
    """
    return "; ".join(
        f"{element.order}({','.join(element.operations)})" for element in march.elements
    )


MARCHES: Mapping[str, March] = MappingProxyType(
    {
        name: parse_march(text)
        for name, text in (
            ("mats", "*(w0); *(r0,w1); *(r1)"),
            ("mats+", "*(w0); ^(r0,w1); v(r1,w0)"),
            ("mats++", "*(w0); ^(r0,w1); v(r1,w0,r0)"),
            ("march-x", "*(w0); ^(r0,w1); v(r1,w0); *(r0)"),
            ("march-y", "*(w0); ^(r0,w1,r1); v(r1,w0,r0); *(r0)"),
            ("march-c-", "*(w0); ^(r0,w1); ^(r1,w0); v(r0,w1); v(r1,w0); *(r0)"),
            ("march-a", "*(w0); ^(r0,w1,w0,w1); ^(r1,w0,w1); v(r1,w0,w1,w0); v(r0,w1,w0)"),
            (
                "march-b",
                "*(w0); ^(r0,w1,r1,w0,r0,w1); ^(r1,w0,w1); v(r1,w0,w1,w0); v(r0,w1,w0)",
            ),
        )
    }
)
"""Marches by name."""
