"""Plans for the data lines: words written to one address, each read back at once."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.plan.discern import discern
from busdecode.plan.planned import Plan, read, write
from busdecode.plan.vectors import VECTOR_SETS
from busdecode.units import counted

if TYPE_CHECKING:
    from busdecode.plan.window import Window

__all__ = ["plan_data_lines"]

_AT_ONCE = (
    "each word is read as soon as it is written: where no card answers, a bus that keeps its "
    "last value returns it all the same; address-powers finds that"
)
_SAME_WAY = "lines that are swapped, or inverted, both ways read back right: only a capture tells"


def plan_data_lines(window: Window, name: str) -> Plan:
    """Plan the words of a set of vectors, at the window's first address.

    Parameters
    ----------
    window : Window
    name : str
        One of `VECTOR_SETS`.

    Examples
    --------
    >>> from busdecode.plan import open_window
    >>> from busdecode.protocol import load_bus
    >>> plan = plan_data_lines(open_window(load_bus("z80"), 0x8000, 1), "true-complement")
    >>> [f"{access.data:02X}" for access in plan.accesses if access.op == "write"]
    ['AA', 'CC', 'F0', '55', '33', '0F']
    """
    steps = []
    for unit, word in enumerate(VECTOR_SETS[name](window.bits)):
        purpose = f"data lines: {_shown(window, word)}"
        steps.append(write(window.base, window.size, word, purpose, unit))
        steps.append(read(window.base, window.size, word, purpose, unit))
    words = VECTOR_SETS[name](window.bits)
    return Plan(name, tuple(steps), (_finds(name, words, window.bits), _AT_ONCE, _SAME_WAY))


def _finds(name: str, words: list[int], lines: int) -> str:
    """Say what a set of words misses, and which bridges it cannot tell apart."""
    seen = discern(words, lines)
    missed = [
        f"{total - found} of {total} {kind}"
        for kind, (found, total) in seen.found.items()
        if found < total
    ]
    doubts = [
        f"{count} {what} ({kind})"
        for what, counts in (
            ("bridges look as if a third line belonged to them", seen.aliases),
            ("pairs of bridges look alike", seen.confounds),
        )
        for kind, count in counts.items()
        if count
    ]
    return (
        f"{name}: {counted(len(words), 'word')} for {lines} lines, which find "
        f"{'all single faults' if not missed else 'all but ' + ', '.join(missed)}; "
        f"{', '.join(doubts) or 'no two bridges look alike'}"
    )


def _shown(window: Window, word: int) -> str:
    ones = [at for at in range(window.bits) if word >> at & 1]
    if len(ones) == 1:
        return f"{window.data_lines[ones[0]]} alone is 1"
    if len(ones) == window.bits - 1:
        zero = (word ^ (1 << window.bits) - 1).bit_length() - 1
        return f"{window.data_lines[zero]} alone is 0"
    return f"{len(ones)} of {window.bits} are 1"
