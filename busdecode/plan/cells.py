"""Marches over the words of a window, and what a march finds in a small memory."""

from __future__ import annotations

from functools import cache
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from busdecode.faults import Operations, finds, store_faults
from busdecode.plan.march import written_march
from busdecode.plan.planned import Plan, Planned, read, write
from busdecode.plan.vectors import backgrounds

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from busdecode.faults import StoreFault
    from busdecode.plan.march import March
    from busdecode.plan.window import Window

__all__ = ["is_always_found", "march_coverage", "march_operations", "plan_march"]

_SIMULATED = 4
"""Cells of the memory in which coverage is counted: aggressors and victims on either side."""


def plan_march(window: Window, name: str, march: March) -> Plan:
    """Plan a march over all words of a window, once for each background of data.

    A w0 writes the background, a w1 its complement. Where either order will do, addresses go up.
    """
    full = (1 << window.bits) - 1
    places = range(window.base, window.base + window.span, window.size)
    steps: list[Planned] = []
    for background in backgrounds(window.bits):
        for number, element in enumerate(march.elements, 1):
            purpose = (
                f"element {number}, {element.order}({','.join(element.operations)}), "
                f"background 0x{background:0{2 * window.size}X}"
            )
            for address in reversed(places) if element.order == "down" else places:
                for what, value in element.operations:
                    data = background if value == "0" else background ^ full
                    make = read if what == "r" else write
                    steps.append(make(address, window.size, data, purpose, 0))
    return Plan(name, tuple(steps), _told(march))


def _told(march: March) -> tuple[str, ...]:
    coverage = march_coverage(march)
    missed = [
        f"{total - found} of {total} {name}"
        for name, (found, total) in coverage.items()
        if found < total
    ]
    what = "all single faults" if not missed else f"all but {', '.join(missed)}"
    return (
        f"{written_march(march)}: simulated on {_SIMULATED} cells it finds {what}",
        "faults between bits of one word are looked for by the backgrounds only",
    )


def march_operations(march: March, cells: int, orders: Sequence[int]) -> Operations:
    """Give the operations of a march over cells of one bit.

    Parameters
    ----------
    march : March
    cells : int
    orders : sequence of int
        1 for up or -1 for down, one for each element whose order is either.
    """
    chosen = iter(orders)
    addresses, writes, values = [], [], []
    for element in march.elements:
        step = {"up": 1, "down": -1}.get(element.order) or next(chosen)
        count = len(element.operations)
        addresses.append(np.repeat(np.arange(cells)[::step], count))
        writes.append(np.tile([what == "w" for what, _ in element.operations], cells))
        values.append(np.tile([int(value) for _, value in element.operations], cells))
    return Operations(np.concatenate(addresses), np.concatenate(writes), np.concatenate(values))


def _every_order(march: March, cells: int) -> Iterator[Operations]:
    free = sum(element.order == "either" for element in march.elements)
    for orders in product((1, -1), repeat=free):
        yield march_operations(march, cells, orders)


def is_always_found(march: March, cells: int, faults: Sequence[StoreFault]) -> bool:
    """Tell whether a march finds faults whatever the memory holds, in either order where free."""
    return all(finds(operations, faults).all() for operations in _every_order(march, cells))


@cache
def march_coverage(march: March) -> Mapping[str, tuple[int, int]]:
    """Count the single store faults of a small memory that a march always finds.

    Returns
    -------
    mapping of str to (int, int)
        By class of `store_faults`: how many are found, and how many there are.

    Examples
    --------
    >>> from busdecode.plan import MARCHES
    >>> march_coverage(MARCHES["mats+"])["transition"]
    (4, 8)
    """
    every = list(_every_order(march, _SIMULATED))
    return {
        name: (sum(all(finds(each, [f]).all() for each in every) for f in faults), len(faults))
        for name, faults in store_faults(_SIMULATED).items()
    }
