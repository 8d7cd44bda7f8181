"""What each line carries at the moments that count, transfer by transfer.

A line's state tells who drives it and to what; `STATES` of them. It follows from a healthy run of
the bus's description, once for each form that transfers have (`cycles.healthy_runs`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import lane_mask
from busdecode.cycles import Form, healthy_runs
from busdecode.protocol import event_lines

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray

    from busdecode.access import Transfer
    from busdecode.cycles import Run
    from busdecode.protocol import Bus

__all__ = ["ANY", "CARD", "HOST", "MEMBERS", "RELEASED", "STATES", "Carried", "LineStates"]

RELEASED, HOST, CARD, ANY = 0, 1, 3, 7
"""A line that no one drives; that the host, or the card, drives low, one more when high; any."""

MEMBERS = ((0,), (1,), (2,), (3,), (4,), (1, 2), (3, 4), (0, 1, 2, 3, 4))
"""Of each state the definite ones that it may be: 5 and 6 are driven, not known to what."""

STATES = len(MEMBERS)

_OF_DATA = ("data", "lane", "acknowledge", "error", "direction")
"""Roles of the lines that have their part in data phases."""

_PARTIES = {RELEASED: 0, HOST: 5, CARD: 6, ANY: ANY}


@dataclass(frozen=True)
class Carried:
    """What a line carries at a moment in transfers of a form.

    `what` is ``low``, ``high``, ``address``, ``data``, or ``unknown``.
    """

    who: int
    what: str


class LineStates:
    """The states of every line in some transfers, T of them.

    Parameters
    ----------
    bus : Bus
    transfers : sequence of Transfer
        Of kinds that move data.
    runs : dict of Form to list of Run
        Runs made before; those that are missing are added.
    carried : dict of (Form, str, str) to Carried
        What lines carry in these runs at a moment, as far as it was found; it is added to.
    hidden : collection of str
        Lines of which the transfers do not tell what is driven on them.
    """

    def __init__(
        self,
        bus: Bus,
        transfers: Sequence[Transfer],
        runs: dict[Form, list[Run]],
        carried: dict[tuple[Form, str, str], Carried],
        hidden: Collection[str] = (),
    ) -> None:
        self._bus = bus
        self._carried_before = carried
        self._hidden = frozenset(hidden)
        self._address_bit = dict(zip(bus.address, bus.address_bits, strict=True))
        self._data_bit = {line: bit for bit, line in enumerate(reversed(bus.data))}
        begins = (bus.cycle_begins[0], bus.beat_begins[0])
        self._strobes = {line for event in begins for line in event_lines(event)}
        forms: dict[Form, int] = {}
        self.form: NDArray[np.int64] = np.array(
            [forms.setdefault(Form.of(bus, each), len(forms)) for each in transfers],
            dtype=np.int64,
        )
        self.forms = tuple(forms)
        for form in self.forms:
            if form not in runs:
                runs[form] = healthy_runs(bus, form)
        self.runs = [runs[form] for form in self.forms]
        self.address = np.array([each.address for each in transfers], dtype=np.uint64)
        self.data = np.array([each.data or 0 for each in transfers], dtype=np.uint64)
        hidden_bits = sum(1 << bit for name, bit in self._data_bit.items() if name in self._hidden)
        self.told = np.uint64(~hidden_bits & (1 << 64) - 1)
        self.is_write = np.array([each.data is not None for each in transfers], dtype=bool)
        self.moved = np.array([lane_mask(bus, form.lanes) for form in self.forms], dtype=np.uint64)[
            self.form
        ]
        self._known: dict[tuple[str, str], NDArray[np.uint8]] = {}
        self._used: dict[str, NDArray[np.bool_]] = {}
        self._stored: dict[str, NDArray[np.bool_]] = {}

    def __len__(self) -> int:
        return len(self.form)

    def at(self, moment: str, line: str) -> NDArray[np.uint8]:
        """Give a line's state at one of `cycles.MOMENTS`, shape (T,); `ANY` where there is none.

        Data that the card drives is of state 6, whatever it is.
        """
        key = moment, line
        if key not in self._known:
            self._known[key] = self._states(moment, line)
        return self._known[key]

    def is_used(self, line: str) -> NDArray[np.bool_]:
        """Tell in which transfers an address line shows the address, shape (T,)."""
        if line not in self._used:
            used = [each.what == "address" for each in self._carried("address", line)]
            if self._address_bit[line] < self._bus.word_bytes.bit_length() - 1:
                used = [True] * len(used)
            self._used[line] = np.array(used, dtype=bool)[self.form]
        return self._used[line]

    def is_stored(self, line: str) -> NDArray[np.bool_]:
        """Tell in which reads a data line shows what the card has stored, shape (T,)."""
        if line not in self._stored:
            given = self._carried("read", line)
            stored = [(each.who, each.what) == (CARD, "data") for each in given]
            self._stored[line] = np.array(stored, dtype=bool)[self.form]
        return self._stored[line]

    def _states(self, moment: str, line: str) -> NDArray[np.uint8]:
        carried = self._carried(moment, line)
        states = np.array([_PARTIES[c.who] for c in carried], dtype=np.uint8)[self.form]
        for at, each in enumerate(carried):
            here = self.form == at
            if each.who not in (HOST, CARD) or each.what == "unknown":
                continue
            if line in self._hidden and each.what in ("address", "data"):
                continue
            if line in self._hidden and self._bus.address_from_lines:
                continue
            if each.what in ("low", "high"):
                states[here] = each.who + (each.what == "high")
            elif each.what == "address":
                bit = self._address_bit[line]
                level = (self.address ^ np.uint64(self._bus.address_low)) >> np.uint64(bit)
                states[here] = each.who + (level[here] & np.uint64(1)).astype(np.uint8)
            elif each.who == HOST:
                bit = self._data_bit[line]
                level = (self.data ^ np.uint64(self._bus.data_low)) >> np.uint64(bit)
                is_moved = (self.moved >> np.uint64(bit) & np.uint64(1)).astype(bool)
                shown = each.who + (level & np.uint64(1)).astype(np.uint8)
                states = np.where(here & is_moved, shown, states)
        return states

    def _carried(self, moment: str, line: str) -> list[Carried]:
        """Give what a line carries at a moment, for each form."""
        known = self._carried_before
        for form, runs in zip(self.forms, self.runs, strict=True):
            if (form, moment, line) not in known:
                known[form, moment, line] = self._found(runs, moment, line)
        return [known[form, moment, line] for form in self.forms]

    def _found(self, runs: Sequence[Run], moment: str, line: str) -> Carried:
        """Find what explains a line's levels in all runs of a form."""
        bus = self._bus
        mask = 1 << bus.line_names.index(line)
        # Lines that carry what is taken stand still then, and strobes tell when; others may move
        # at that very time.
        is_taken = line in (self._address_bit if moment == "address" else self._data_bit)
        is_taken |= line in self._strobes
        # Where the next address is out before the last data is gone, that may still be on its way.
        if bus.pipelined and moment == "address" and bus.line(line).role in _OF_DATA:
            return Carried(ANY, "unknown")
        who: set[int] = set()
        shown: list[int] = []
        for run in runs:
            if moment not in run.moments:
                return Carried(ANY, "unknown")
            host, card = run.drives[run.moments[moment]]
            drive = host if host.mask & mask else card
            who.add(HOST if host.mask & mask else CARD if card.mask & mask else RELEASED)
            if host.mask & card.mask & mask:
                who.add(ANY)
            if not is_taken and any(
                (h.mask & mask, h.levels & mask, c.mask & mask, c.levels & mask)
                != (host.mask & mask, host.levels & mask, card.mask & mask, card.levels & mask)
                for h, c in (run.drives[at] for at in run.around[moment])
            ):
                who.add(ANY)
            shown.append(int(bool(drive.levels & mask)))
        if len(who) > 1:
            return Carried(ANY, "unknown")
        party = who.pop()
        data = self._data_bit.get(line)
        if moment != "address" and data is not None:
            form = Form.of(bus, runs[0].transfer)
            if not lane_mask(bus, form.lanes) >> data & 1:
                return Carried(party, "unknown")
        address = self._address_bit.get(line)
        if (
            address is not None
            and (moment == "address" or data is None)
            and line not in bus.marking_lines
            and not runs[0].used >> address & 1
        ):
            return Carried(party, "unknown")
        if len(set(shown)) == 1:
            return Carried(party, ("low", "high")[shown[0]])
        if address is not None and all(
            (run.transfer.address ^ bus.address_low) >> address & 1 == level
            for run, level in zip(runs, shown, strict=True)
        ):
            return Carried(party, "address")
        if data is not None and all(
            (run.data ^ bus.data_low) >> data & 1 == level
            for run, level in zip(runs, shown, strict=True)
        ):
            return Carried(party, "data")
        return Carried(party, "unknown")
