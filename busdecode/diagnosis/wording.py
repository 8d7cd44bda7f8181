"""What a candidate fault means, said in the trade's words."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from busdecode.faults import (
    Absent,
    Bridge,
    EarlyAcknowledge,
    Lane,
    LateData,
    NoAcknowledge,
    Open,
    ReadDriver,
    Stuck,
    Swapped,
    WriteReceiver,
)
from busdecode.predict import lines_of
from busdecode.protocol import listed_lines

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = ["path_of", "sentence", "sentences"]

_LEVEL = ("low", "high")
_FLOATS = {"high": "floats high", "low": "floats low", "keep": "keeps its last level"}
_BARE = {
    "high": "float high",
    "low": "float low",
    "keep": "keep what was last written",
    "any": "show what other traffic left on them",
}
_RULES = {
    "low-wins": "low wins",
    "high-wins": "high wins",
    "host-wins": "the host wins",
    "undetermined": "either may win",
}


def sentence(fault: Fault) -> str:
    """Say what a fault is.

    Examples
    --------
    >>> sentence(Bridge("D3", "D5", "a-wins"))
    'D3 and D5 are tied together, and D3 decides'
    """
    if isinstance(fault, Stuck):
        return f"{fault.line} is held {_LEVEL[fault.level]}"
    if isinstance(fault, Bridge):
        return f"{fault.a} and {fault.b} are tied together, and {_rule(fault)}"
    if isinstance(fault, Open):
        return f"{fault.line} is broken: the open end {_FLOATS[fault.floats]}"
    if isinstance(fault, Swapped):
        return f"{fault.a} and {fault.b} are crossed"
    if isinstance(fault, Lane):
        how = "the card always sees it asserted" if fault.is_on else "it never reaches the card"
        return f"lane strobe {fault.line}: {how}"
    if isinstance(fault, ReadDriver):
        return f"the card's driver of {fault.line} gives {_LEVEL[fault.level]}"
    if isinstance(fault, WriteReceiver):
        return f"the card's receiver of {fault.line} gives {_LEVEL[fault.level]}"
    if isinstance(fault, Absent):
        return f"no card answers there: the data lines {_BARE[fault.floats]}"
    if isinstance(fault, LateData):
        return f"data comes late in a {fault.direction}"
    if isinstance(fault, NoAcknowledge):
        return f"{fault.line} never comes"
    if isinstance(fault, EarlyAcknowledge):
        return f"{fault.line} comes before the data"
    raise TypeError(f"{type(fault).__name__} is no candidate")


def _rule(fault: Bridge) -> str:
    winner = {"a-wins": fault.a, "b-wins": fault.b}.get(fault.rule)
    return f"{winner} decides" if winner else _RULES[fault.rule]


def path_of(bus: Bus, fault: Fault) -> str:
    """Give the path that a fault lies on.

    ``write``, ``read``, ``address``, ``control``, ``acknowledge``, or ``undetermined`` where it
    acts both ways or on several paths: read-back does not tell which shows first.
    """
    if isinstance(fault, WriteReceiver):
        return "write"
    if isinstance(fault, ReadDriver):
        return "read"
    if isinstance(fault, LateData):
        return fault.direction
    if isinstance(fault, Lane | Absent):
        return "control"
    paths = set()
    for line in lines_of(fault):
        if line in bus.data:
            paths.add("undetermined")
        elif line in bus.address:
            paths.add("address")
        elif bus.line(line).role in ("acknowledge", "wait", "error"):
            paths.add("acknowledge")
        else:
            paths.add("control")
    return paths.pop() if len(paths) == 1 else "undetermined"


def sentences(bus: Bus, faults: Sequence[Fault]) -> list[str]:
    """Say what several faults are, those that differ in one line only together.

    Examples
    --------
    >>> from busdecode.protocol import load_bus
    >>> tied = [Bridge("D3", f"A{bit}", "low-wins") for bit in range(4, 8)]
    >>> sentences(load_bus("z80"), [Stuck("D3", 0), *tied])
    ['D3 is held low', 'D3 is tied to one of A7 to A4, and low wins']
    """
    bridges = [fault for fault in faults if isinstance(fault, Bridge)]
    most = Counter(line for fault in bridges for line in lines_of(fault)).most_common(1)
    common = most[0][0] if most else ""
    together: dict[str, list[Bridge]] = {}
    rest: list[Fault] = []
    for fault in faults:
        if isinstance(fault, Bridge) and common in lines_of(fault):
            is_decided = fault.rule in ("a-wins", "b-wins")
            wins = _rule(fault)
            if is_decided and wins != f"{common} decides":
                wins = "the other decides"
            together.setdefault(wins, []).append(fault)
        else:
            rest.append(fault)
    said = [sentence(fault) for fault in rest]
    for wins, group in together.items():
        if len(group) == 1:
            said.append(sentence(group[0]))
            continue
        others = [line for fault in group for line in lines_of(fault) if line != common]
        said.append(f"{common} is tied to one of {listed_lines(bus, others)}, and {wins}")
    return said
