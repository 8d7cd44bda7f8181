"""The methods by name, and a plan of one or several of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from types import MappingProxyType
from typing import TYPE_CHECKING

from busdecode.errors import RequestError, nearest, quoted
from busdecode.plan.address_lines import plan_each_in_turn, plan_own_address, plan_powers
from busdecode.plan.budget import choose
from busdecode.plan.cells import plan_march
from busdecode.plan.data_lines import plan_data_lines
from busdecode.plan.lanes import legal_parts, plan_lanes, plan_strobes
from busdecode.plan.march import MARCHES, parse_march, written_march
from busdecode.plan.planned import MOST_ACCESSES, joined
from busdecode.plan.vectors import VECTOR_SETS, backgrounds

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from busdecode.plan.march import March
    from busdecode.plan.planned import Plan
    from busdecode.plan.window import Window

__all__ = ["METHODS", "Method", "make_plan"]


@dataclass(frozen=True)
class Method:
    """A way to make a plan.

    Parameters
    ----------
    purpose : str
    count : callable
        Gives how many accesses it makes of a window.
    make : callable
    has_units : bool
        Some of its accesses tell something without the others, so that one may choose.
    """

    purpose: str
    count: Callable[[Window], int]
    make: Callable[[Window], Plan]
    has_units: bool = True


_DATA = {
    "walking-ones": "data lines: one line alone at 1, N words",
    "walking-zeros": "data lines: one line alone at 0, N words",
    "walking-both": "data lines: both of these, 2N words; no two faults look alike",
    "counting": "data lines: digits of the line's number, log2 N words; misses a stuck line or two",
    "modified-counting": "data lines: no line always 0 or always 1, log2 (N + 2) words",
    "true-complement": "data lines: counting and its complement, 2 log2 N words",
    "modified-complement": "data lines: modified counting and its complement, 2 log2 (N + 2) words",
    "equal-weight": "data lines: fewest words in which no line's code covers another's",
}


def _march(name: str, march: March) -> Method:
    return Method(
        f"cells: {written_march(march)}, on every background",
        lambda window: march.per_word * window.words * len(backgrounds(window.bits)),
        lambda window: plan_march(window, name, march),
        has_units=False,
    )


METHODS: Mapping[str, Method] = MappingProxyType(
    {
        **{
            name: Method(
                purpose,
                partial(lambda words, window: 2 * len(words(window.bits)), VECTOR_SETS[name]),
                partial(lambda name, window: plan_data_lines(window, name), name),
            )
            for name, purpose in _DATA.items()
        },
        "strobe-bridges": Method(
            "data lines: which of them holds a strobe back",
            lambda window: 3 * len(VECTOR_SETS["true-complement"](window.bits)),
            plan_strobes,
        ),
        "address-powers": Method(
            "address lines: a word for each line, all written, then all read",
            lambda window: 2 * len(window.address_lines) + 2,
            plan_powers,
        ),
        "address-in-turn": Method(
            "address lines: a pattern everywhere, its complement for each line in turn",
            lambda window: (len(window.address_lines) + 2) ** 2 - 2,
            plan_each_in_turn,
            has_units=False,
        ),
        "address-in-address": Method(
            "address lines: every word holds its number, then the complement of that",
            lambda window: 4 * window.words,
            plan_own_address,
        ),
        "lanes": Method(
            "lanes: every legal size and alignment in a word",
            lambda window: 4 * len(legal_parts(window.bus)),
            plan_lanes,
        ),
        **{name: _march(name, march) for name, march in MARCHES.items()},
    }
)
"""The methods, in the order in which they are best tried: data, addresses, lanes, cells."""


def make_plan(
    window: Window,
    methods: Sequence[str],
    marches: Sequence[str] = (),
    *,
    budget: int | None = None,
    is_natural: bool = False,
) -> Plan:
    """Make one plan of methods, in the order given, and of marches in march notation.

    Parameters
    ----------
    window : Window
    methods : sequence of str
        Of `METHODS`.
    marches : sequence of str
    budget : int, optional
        Choose the accesses, at most so many, that tell most.
    is_natural : bool
        Leave accesses out that no plain C makes.

    Raises
    ------
    RequestError
        If there is no such method, the plan would be too long, or nothing can be chosen of it.

    Examples
    --------
    >>> from busdecode.plan import open_window
    >>> from busdecode.protocol import load_bus
    >>> window = open_window(load_bus("z80"), 0x8000, 256)
    >>> len(make_plan(window, ["true-complement", "address-powers"]).steps)
    30
    """
    named = {name: _method(name) for name in methods}
    named |= {written_march(each): _march("march", each) for each in map(parse_march, marches)}
    if not named:
        raise RequestError(
            "no method is given",
            expected="one or more",
            action="see: busdecode plan --list-methods",
        )
    for name, method in named.items():
        if (count := method.count(window)) > MOST_ACCESSES:
            raise RequestError(
                f"{name} makes {count:,} accesses",
                expected=f"at most {MOST_ACCESSES:,}",
                action="narrow the span",
            )
        if budget is not None and not method.has_units:
            raise RequestError(
                f"{name} tells nothing when accesses are left out",
                expected="no budget, or a method for data lines, addresses or lanes",
            )
    plan = joined(
        [
            plan_lanes(window, is_natural=True)
            if name == "lanes" and is_natural
            else method.make(window)
            for name, method in named.items()
        ]
    )
    return plan if budget is None else choose(window, plan, budget)


def _method(name: str) -> Method:
    if name not in METHODS:
        near = nearest(name, METHODS)
        raise RequestError(
            f"no method is called {quoted(name)}",
            expected=f"one of {', '.join(METHODS)}",
            action=f"did you mean {near}?" if near else "see: busdecode plan --list-methods",
        )
    return METHODS[name]
