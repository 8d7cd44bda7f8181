"""Laws of the network over any faults of lines: no order, no doubles, wrappers that say nothing."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busdecode.faults import (
    BRIDGE_RULES,
    Bridge,
    CardSide,
    Drive,
    Fault,
    Intermittent,
    Lane,
    Levels,
    Network,
    OnlyWhen,
    Open,
    ReadDriver,
    Stuck,
    Swapped,
    WriteReceiver,
)
from tests.faults.drawn import BIT, BUS

LINES = ["D0", "D1", "D2", "D3", "LDS", "UDS", "A1"]
DATA = LINES[:4]

pairs = st.lists(st.sampled_from(LINES), min_size=2, max_size=2, unique=True)
lines, levels = st.sampled_from(LINES), st.sampled_from([0, 1])
stuck = st.builds(Stuck, lines, levels)
bridges = st.builds(lambda pair, rule: Bridge(*pair, rule), pairs, st.sampled_from(BRIDGE_RULES))
opens = st.builds(Open, lines, st.sampled_from(["high", "low", "keep"]))
swaps = st.builds(lambda pair: Swapped(*pair), pairs)
behind = st.builds(CardSide, stuck | bridges | swaps)
of_lines = bridges | stuck | opens | swaps | bridges
single = (
    of_lines
    | behind
    | st.builds(OnlyWhen, of_lines, lines, levels)
    | st.builds(Lane, st.sampled_from(["LDS", "UDS"]), st.booleans())
    | st.builds(ReadDriver, st.sampled_from(DATA), levels)
    | st.builds(WriteReceiver, st.sampled_from(DATA), levels)
)
fault_lists = st.lists(single | st.builds(Intermittent, single, st.just(50)), max_size=6)


@st.composite
def drives(draw: st.DrawFn) -> Drive:
    """Draw what one party drives on the lines above."""
    drive = Drive()
    for line in LINES:
        level = draw(st.sampled_from([0, 1, None]))
        if level is not None:
            drive = drive.put(BIT[line], BIT[line] * level)
    return drive


drive_lists = st.lists(st.tuples(drives(), drives()), min_size=1, max_size=5)


def played(faults: list[Fault], steps: list[tuple[Drive, Drive]]) -> list[Levels]:
    """Give the levels of a network through some steps, each a beat of its own."""
    rng, choices = Random(1), Random(2)
    network = Network(BUS, faults, lambda: choices.getrandbits(1))
    found = []
    for host, card in steps:
        network.redraw(rng.random)
        found.append(network.resolve(host, card))
    return found


@given(data=st.data(), faults=fault_lists, steps=drive_lists)
def test_the_order_of_the_faults_does_not_matter(
    data: st.DataObject, faults: list[Fault], steps: list[tuple[Drive, Drive]]
) -> None:
    """Every level at every place, with the same draws."""
    assert played(data.draw(st.permutations(faults)), steps) == played(faults, steps)


@given(faults=fault_lists, steps=drive_lists)
def test_a_fault_that_is_given_twice_counts_once(
    faults: list[Fault], steps: list[tuple[Drive, Drive]]
) -> None:
    """Swapped twice over is not healthy again."""
    assert played(faults * 2, steps) == played(faults, steps)


@given(pair=pairs, faults=fault_lists, steps=drive_lists)
def test_a_bridge_written_from_its_other_end_is_the_same(
    pair: list[str], faults: list[Fault], steps: list[tuple[Drive, Drive]]
) -> None:
    """Line a wins over line b as line b wins, turned round; swapped lines have no first."""
    a, b = pair
    for rule, turned in [("a-wins", "b-wins"), ("low-wins",) * 2, ("host-wins",) * 2]:
        one, other = Bridge(a, b, rule), Bridge(b, a, turned)  # type: ignore[arg-type]
        assert played([*faults, one], steps) == played([*faults, other], steps)
    assert played([*faults, Swapped(a, b)], steps) == played([*faults, Swapped(b, a)], steps)


@given(fault=single, others=fault_lists, steps=drive_lists)
def test_a_share_of_all_is_the_bare_fault_and_of_none_is_no_fault(
    fault: Fault, others: list[Fault], steps: list[tuple[Drive, Drive]]
) -> None:
    """In the company of faults that are always there."""
    steady = [each for each in others if not isinstance(each, Intermittent)]
    assert played([*steady, Intermittent(fault, 100)], steps) == played([*steady, fault], steps)
    assert played([*steady, Intermittent(fault, 0)], steps) == played(steady, steps)


@given(fault=of_lines, line=lines, others=fault_lists, steps=drive_lists)
def test_a_fault_at_either_level_of_a_line_is_always_there(
    fault: Fault, line: str, others: list[Fault], steps: list[tuple[Drive, Drive]]
) -> None:
    """While high and while low is all the time."""
    both: list[Fault] = [OnlyWhen(fault, line, 0), OnlyWhen(fault, line, 1)]
    assert played([*others, *both], steps) == played([*others, fault], steps)


@pytest.mark.parametrize("rule", ["low-wins", "high-wins"])
@given(data=st.data(), host=drives(), card=drives())
def test_bridges_of_one_rule_give_the_and_or_the_or_of_what_they_reach(
    rule: str, data: st.DataObject, host: Drive, card: Drive
) -> None:
    """Against a search that follows the bridges from each line, and knows no nodes.

    Wired-AND, wired-OR: Wang, Wu, Wen: VLSI Test Principles and Architectures, 2006, Table 1.3.
    """
    tied = data.draw(st.lists(pairs, min_size=1, max_size=5))
    levels = Network(BUS, [Bridge(a, b, rule) for a, b in tied]).resolve(host, card)  # type: ignore[arg-type]
    for line in {line for pair in tied for line in pair}:
        reached = {line}
        for _ in LINES:
            reached |= {each for pair in tied if reached & set(pair) for each in pair}
        found = [
            bool(drive.levels & BIT[each])
            for drive in (host, card)
            for each in reached
            if drive.mask & BIT[each]
        ]
        if found:
            wanted = all(found) if rule == "low-wins" else any(found)
            assert bool(levels.host & BIT[line]) == bool(levels.card & BIT[line]) == wanted


@given(data=st.data(), host=drives())
def test_swapped_lines_alone_only_change_places(data: st.DataObject, host: Drive) -> None:
    """What the card drives by what it received comes back to the host as it was sent."""
    swapped = data.draw(st.lists(swaps | st.builds(CardSide, swaps), max_size=4))
    sent = Drive(sum(BIT[line] for line in LINES), host.levels)
    at_card = Network(BUS, swapped).resolve(sent, Drive()).card
    back = Network(BUS, swapped).resolve(Drive(), Drive(sent.mask, at_card & sent.mask)).host
    assert back & sent.mask == sent.levels


@given(faults=fault_lists, steps=drive_lists)
def test_another_slot_sees_what_the_host_sees(
    faults: list[Fault], steps: list[tuple[Drive, Drive]]
) -> None:
    """No fault lies between these two."""
    assert all(levels.other == levels.host for levels in played(faults, steps))
