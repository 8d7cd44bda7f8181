"""What a fault makes of one or two lines, as a table over who drives them to what.

The tables are asked of the node model of `faults.Network`, which also makes faulty captures.
"""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from busdecode.faults import Drive, Network
from busdecode.predict.states import MEMBERS, STATES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = ["UNKNOWN", "node_table", "shown"]

UNKNOWN = 2
"""Where a level depends on what is not known."""

_PLACES = ("host", "card", "received")


def node_table(bus: Bus, fault: Fault, lines: Sequence[str]) -> NDArray[np.uint16]:
    """Tabulate the levels of one or two lines.

    Parameters
    ----------
    bus : Bus
    fault : Fault
        About these lines alone.
    lines : sequence of str

    Returns
    -------
    ndarray of uint16, shape (STATES, STATES)
        By the state of the first line, then of the second: six codes of two bits, read by `shown`.
    """
    bits = [1 << bus.line_names.index(line) for line in lines]
    exact = np.zeros((5, 5), dtype=np.uint16)
    for states in product(range(5), range(5 if len(bits) == 2 else 1)):
        seen = _seen(bus, fault, bits, states[: len(bits)])
        code = 0
        for at, place in enumerate(product(_PLACES, range(2))):
            code |= seen.get(place, UNKNOWN) << 2 * at
        exact[states[0], states[1] if len(bits) == 2 else slice(None)] = code
    table = np.zeros((STATES, STATES), dtype=np.uint16)
    for one, other in product(range(STATES), range(STATES)):
        codes = {int(exact[i, j]) for i, j in product(MEMBERS[one], MEMBERS[other])}
        table[one, other] = _joined(codes)
    return table


def shown(codes: NDArray[np.uint16], place: str, which: int) -> NDArray[np.uint16]:
    """Read the level of the first or second line, 0, 1 or `UNKNOWN`.

    At ``host``, at the contacts of the ``card``, or as it is ``received`` by the card.
    """
    shift = np.uint16(2 * (2 * _PLACES.index(place) + which))
    return (codes >> shift) & np.uint16(3)


def _seen(
    bus: Bus, fault: Fault, bits: list[int], states: tuple[int, ...]
) -> dict[tuple[str, int], int]:
    """Give each level that does not depend on the past, or on chance."""
    found: dict[tuple[str, int], set[int]] = {}
    both = sum(bits)
    host = card = Drive()
    for bit, state in zip(bits, states, strict=True):
        if state in (1, 2):
            host = host.put(bit, bit * (state - 1))
        elif state in (3, 4):
            card = card.put(bit, bit * (state - 3))
    for past, chance in product((0, both), (0, 1)):
        network = Network(bus, [fault], lambda chance=chance: chance)  # type: ignore[misc]
        network.resolve(Drive(both, past), Drive(both, past))
        levels = network.resolve(host, card)
        for place, (at, bit) in product(_PLACES, enumerate(bits)):
            level = getattr(levels, place)
            found.setdefault((place, at), set()).add(int(bool(level & bit)))
    return {place: levels.pop() for place, levels in found.items() if len(levels) == 1}


def _joined(codes: set[int]) -> int:
    joined = 0
    for at in range(2 * len(_PLACES)):
        levels = {code >> 2 * at & 3 for code in codes}
        joined |= (levels.pop() if len(levels) == 1 else UNKNOWN) << 2 * at
    return joined
