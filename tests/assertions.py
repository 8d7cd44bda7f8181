"""Comparisons of cycle tables that also check what must hold of every table; hand-made captures."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import lane_mask
from busdecode.capture import from_levels
from busdecode.cycles import DIRECTIONS, ENDINGS, MISSING
from busdecode.protocol.events import resolve

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from busdecode.access import Transfer
    from busdecode.capture import Capture
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus

__all__ = ["assert_same_table", "assert_sound", "made_by_hand", "meant"]


def meant(
    bus: Bus, transfers: Sequence[Transfer], returned: Sequence[int | None]
) -> list[Transfer]:
    """Give the transfers as a capture shows them: a read's data is what the host took."""
    return [
        replace(each, data=word & lane_mask(bus, each.lanes))
        if bus.kind(each.kind).direction == "read" and word is not None
        else each
        for each, word in zip(transfers, returned, strict=True)
    ]


def assert_sound(table: CycleTable) -> None:
    """Check what holds of every cycle table, whatever the capture."""
    bus = table.bus
    cut = table.ended == ENDINGS.index("cut-off")
    if len(table):
        assert table.cycle[0] == 0
        steps = np.diff(table.cycle)
        assert set(steps.tolist()) <= {0, 1}
        first = np.append(True, steps == 1)
        assert (table.beat[first] == 0).all()
        assert (np.diff(table.beat)[steps == 0] == 1).all()
        assert (np.diff(table.start) >= 0).all()
    assert (table.start <= table.end).all()
    assert ((table.data & ~table.data_known) == 0).all()
    assert ((table.lanes & ~table.lanes_known) == 0).all()
    assert (table.data_known[table.direction == DIRECTIONS.index("none")] == 0).all()
    assert (table.data_known[cut] == 0).all()
    assert not table.has_address[cut].any()
    assert (table.kind[cut] == -1).all()
    assert (table.address >> np.uint64(bus.address_width) == 0).all()
    assert table.phases.shape == (len(table), len(bus.phase_names))
    for before, after in (("address", "data"), ("data", "release")):
        begin, end = table.phase(before), table.phase(after)
        both = (begin != MISSING) & (end != MISSING)
        assert (begin[both] <= end[both]).all()
    text = table.as_text()
    assert len(text) == len(table.as_frame()) == len(table)
    assert (text["data"].str.len().isin([0, 2 + -(-len(bus.data) // 4)])).all()


def assert_same_table(found: CycleTable, wanted: CycleTable) -> None:
    """Check that two tables agree in every column, and that the first is sound."""
    assert_sound(found)
    for each in fields(wanted)[1:]:
        np.testing.assert_array_equal(
            getattr(found, each.name), getattr(wanted, each.name), err_msg=each.name
        )


def made_by_hand(
    bus: Bus,
    moments: Mapping[int, Mapping[str, int | str]],
    *,
    resolution: int = 1_000,
    end: int | None = None,
    leave_out: Sequence[str] = (),
    gaps: Sequence[int] = (),
) -> Capture:
    """Make a capture from moments (ns) and what the lines then go to.

    A bundle takes a number, or ``x`` or ``z`` for all its lines; lines not named yet stand
    at their pull, or low. At the moments `gaps` the instrument was off until the next one.
    """
    now: dict[str, int | str] = {}
    for line in bus.lines:
        now[line.name] = int(line.pull == "up")
    columns: dict[str, list[int | str]] = {name: [] for name in now if name not in leave_out}
    for moment in sorted(moments):
        for name, value in moments[moment].items():
            lines = resolve(name, bus.bundles) or ()
            assert lines, name
            for bit, each in enumerate(reversed(lines)):
                now[each] = value if isinstance(value, str) else value >> bit & 1
        for name, column in columns.items():
            column.append(now[name])
    times = [moment * 1_000 for moment in sorted(moments)]
    return from_levels(
        times,
        columns,
        resolution,
        end=None if end is None else end * 1_000,
        gaps=[moment in gaps for moment in sorted(moments)] if gaps else None,
    )
