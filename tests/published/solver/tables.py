"""The recorded results as the tables of `docs/node-model.md`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.published.solver.cases import CASES, OHMS, THREES
from tests.published.solver.records import recorded_bridges, recorded_threes
from tests.published.solver.stages import RECEIVERS, STAGES

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from tests.published.solver.cases import Case
    from tests.published.solver.stages import Receiver

__all__ = ["as_text", "fights", "pairs", "threes"]


def pairs() -> list[list[str]]:
    """Give each case at 0 ohm: what drivers do, and the volts with what a receiver reads."""
    rows = [["A + B, pull", "00", "01", "10", "11", "zz", "rule that fits"]]
    for name, each in recorded_bridges().items():
        case = CASES[name]
        cells = []
        for state in ("00", "01", "10", "11", "zz"):
            solved = each.get((0, _can(case, state)))
            cells.append("" if solved is None else _read(RECEIVERS[case.receiver], solved.a))
        rows.append([name, *cells, case.rule])
    return rows


def fights() -> list[list[str]]:
    """Give each case with A high and B low (or A low and B high) over the bridge's resistance."""
    rows = [["A + B, pull", "drivers", *(f"{ohm} Ω: A, B" for ohm in OHMS)]]
    for name, each in recorded_bridges().items():
        case, receiver = CASES[name], RECEIVERS[CASES[name].receiver]
        states = ["01", "10"] if case.rule == "a-wins" or name in _UNEVEN else ["10"]
        for wanted in states:
            state = _can(case, wanted)
            if (0, state) not in each:
                state = _can(case, "01")
            lines = [each[ohm, state] for ohm in OHMS]
            cells = [f"{_read(receiver, one.a)}, {_read(receiver, one.b)}" for one in lines]
            rows.append([name, state, *cells])
    return rows


def threes() -> list[list[str]]:
    """Give three tied outputs: one of them high, two of them high."""
    rows = [["three of", "one high", "two high"]]
    for name, each in recorded_threes().items():
        receiver = RECEIVERS[THREES[name]]
        rows.append([name, _read(receiver, each["001"]), _read(receiver, each["011"])])
    return rows


def as_text(rows: Sequence[Iterable[str]]) -> str:
    """Write a table in Markdown; the first row is the head."""
    lines = ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join([lines[0], "|" + "---|" * len(list(rows[0])), *lines[1:]])


_WORDS = {"0": "low", "1": "high", "X": "?"}
_UNEVEN = ("ttl + ls", "hc-double + hc", "ls + hc-5v")


def _can(case: Case, state: str) -> str:
    """Give a state as the stages can have it: an open collector lets go instead."""
    return "".join(
        to if to in STAGES[stage].controls else "z"
        for stage, to in zip((case.a, case.b), state, strict=True)
    )


def _read(receiver: Receiver, volts: float) -> str:
    return f"{volts:z.2f} V {_WORDS[receiver.reads(volts)]}"
