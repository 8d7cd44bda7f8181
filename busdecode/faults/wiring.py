"""Line faults to nodes: which lines are one wire, what holds it, and whose level wins on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from busdecode.faults.kinds import (
    Absent,
    Bridge,
    CardSide,
    Lane,
    Open,
    ReadDriver,
    Stuck,
    Swapped,
    WriteReceiver,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from busdecode.faults.kinds import BridgeRule, Fault
    from busdecode.protocol import Bus

__all__ = ["Node", "Wiring", "crossed", "wired"]


@dataclass(frozen=True)
class Node:
    """Parts of lines that are one wire.

    Parameters
    ----------
    place : str
        ``backplane``, or ``card`` for what lies behind the card's buffers.
    host, card : int
        Masks of the lines whose part at the host, or at the card, belongs to the node.
    held : 0, 1 or None
        The rail to which it is tied.
    pull : 0, 1 or None
        Where it goes when no one drives it; None keeps the last level.
    rules : frozenset of str
        The rules of its bridges.
    gives_way : tuple of (int, int)
        For lines that win over others: the line, and the mask of those that give way to it.
    """

    place: str
    host: int
    card: int
    held: int | None
    pull: int | None
    rules: frozenset[BridgeRule] = frozenset()
    gives_way: tuple[tuple[int, int], ...] = ()

    def winner(
        self, host_mask: int, host_levels: int, card_mask: int, card_levels: int
    ) -> int | None:
        """Give the level that wins among drivers that disagree; None where it is undetermined.

        `Network` tells the rules.
        """
        host, card = host_mask & self.host, card_mask & self.card
        driven = host | card
        for line, others in self.gives_way:
            if driven & line:
                host &= ~others
                card &= ~others
        if "host-wins" in self.rules and host:
            card = 0
        is_high = bool(host & host_levels or card & card_levels)
        is_low = bool(host & ~host_levels or card & ~card_levels)
        if is_high != is_low:
            return 1 if is_high else 0
        if "low-wins" in self.rules:
            return 0
        if "high-wins" in self.rules:
            return 1
        return None if self.rules & {"host-wins", "undetermined"} else 0


@dataclass(frozen=True)
class Wiring:
    """All that the faults there at one moment do to levels, as masks of lines.

    From the host outward to the card's pins: `nodes` of the backplane, `swaps`, the card's
    buffers with `inner` nodes behind them, `inner_swaps`, and at the pins lanes, drivers and
    receivers.
    """

    nodes: tuple[Node, ...]
    swaps: tuple[tuple[int, int], ...]
    inner: tuple[Node, ...]
    inner_lines: int
    inner_swaps: tuple[tuple[int, int], ...]
    lanes_lost: int
    lanes_on: int
    read_low: int
    read_high: int
    write_low: int
    write_high: int


def crossed(levels: int, swaps: Iterable[tuple[int, int]]) -> int:
    """Let pairs of lines change places, one pair after the other."""
    for a, b in swaps:
        if bool(levels & a) != bool(levels & b):
            levels ^= a | b
    return levels


def wired(bus: Bus, faults: Iterable[Fault]) -> Wiring:
    """Make the nodes that these faults leave; those that are not about levels are passed over.

    Faults inside others must have been taken out, except those of `CardSide`.
    """
    bits = {name: 1 << at for at, name in enumerate(bus.line_names)}
    every = sorted(set(faults), key=repr)
    behind = [fault.fault for fault in every if isinstance(fault, CardSide)]
    lost = _mask(bits, [each.line for each in every if isinstance(each, Lane) and not each.is_on])
    on = _mask(bits, [each.line for each in every if isinstance(each, Lane) and each.is_on])
    inner = _nodes("card", bus, bits, behind)
    low, high = (
        [
            _mask(bits, [f.line for f in every if isinstance(f, kind) and f.level == level])
            for kind in (ReadDriver, WriteReceiver)
        ]
        for level in (0, 1)
    )
    return Wiring(
        nodes=_nodes("backplane", bus, bits, every),
        swaps=_swaps(bits, every),
        inner=inner,
        inner_lines=_joined(node.card for node in inner),
        inner_swaps=_swaps(bits, behind),
        lanes_lost=lost,
        lanes_on=on & ~lost,
        read_low=low[0],
        read_high=high[0] & ~low[0],
        write_low=low[1],
        write_high=high[1] & ~low[1],
    )


def _mask(bits: dict[str, int], lines: Iterable[str]) -> int:
    return _joined(bits[line] for line in lines)


def _joined(masks: Iterable[int]) -> int:
    joined = 0
    for mask in masks:
        joined |= mask
    return joined


def _swaps(bits: dict[str, int], faults: Iterable[Fault]) -> tuple[tuple[int, int], ...]:
    """Give the crossings, the one nearest to the host first."""
    pairs = [(bits[each.a], bits[each.b]) for each in faults if isinstance(each, Swapped)]
    return tuple(sorted({(min(pair), max(pair)) for pair in pairs}))


def _nodes(place: str, bus: Bus, bits: dict[str, int], faults: Iterable[Fault]) -> tuple[Node, ...]:
    """Give the nodes that bridges, opens and rails make, the one of the first line first."""
    rails: dict[str, int] = {}
    floats: dict[str, str] = {}
    bridges: set[Bridge] = set()
    for fault in faults:
        if isinstance(fault, Stuck):
            rails[fault.line] = 0 if 0 in (fault.level, rails.get(fault.line)) else 1
        elif isinstance(fault, Open | Absent):
            for line in bus.data if isinstance(fault, Absent) else (fault.line,):
                own = "keep" if fault.floats == "any" else fault.floats
                both = {own, floats.get(line)}
                floats[line] = next(each for each in ("low", "high", "keep") if each in both)
        elif isinstance(fault, Bridge):
            bridges.add(fault)
    ends = {"up": 1, "high": 1, "down": 0, "low": 0}
    pulls = {line.name: ends.get(floats.get(line.name, line.pull)) for line in bus.lines}
    nodes = []
    for lines in _groups([*rails, *floats], bridges):
        inside = [bridge for bridge in bridges if bridge.a in lines]
        held = [rails[line] for line in lines if line in rails]
        pulled = [level for line in lines if (level := pulls[line]) is not None]
        nodes.append(
            Node(
                place,
                host=_mask(bits, lines),
                card=_mask(bits, [line for line in lines if line not in floats]),
                held=min(held) if held else None,
                pull=max(pulled) if pulled else None,
                rules=frozenset(bridge.rule for bridge in inside),
                gives_way=_gives_way(bits, inside),
            )
        )
    nodes += [Node(place, 0, bits[line], None, pulls[line]) for line in floats]
    return tuple(sorted(nodes, key=lambda node: (_lowest(node.host | node.card), node.host)))


def _lowest(mask: int) -> int:
    return mask & -mask


def _groups(alone: Iterable[str], bridges: Iterable[Bridge]) -> list[frozenset[str]]:
    """Join what bridges tie together; every line named is in one group."""
    groups = {line: frozenset([line]) for line in alone}
    for bridge in bridges:
        joined = frozenset([bridge.a, bridge.b]).union(
            *(groups.get(line, frozenset()) for line in (bridge.a, bridge.b))
        )
        groups.update(dict.fromkeys(joined, joined))
    return list(dict.fromkeys(groups.values()))


def _gives_way(bits: dict[str, int], bridges: Sequence[Bridge]) -> tuple[tuple[int, int], ...]:
    """Give who wins over whom, through any number of bridges; two that win over each other draw."""
    over: dict[str, set[str]] = {}
    for bridge in bridges:
        if bridge.rule == "a-wins":
            over.setdefault(bridge.a, set()).add(bridge.b)
        elif bridge.rule == "b-wins":
            over.setdefault(bridge.b, set()).add(bridge.a)

    def below(line: str) -> set[str]:
        found: set[str] = set()
        left = [line]
        while left:
            for each in over.get(left.pop(), set()) - found:
                found.add(each)
                left.append(each)
        return found

    reached = {line: below(line) for line in over}
    return tuple(
        sorted(
            (bits[line], _mask(bits, [o for o in others if line not in reached.get(o, ())]))
            for line, others in reached.items()
        )
    )
