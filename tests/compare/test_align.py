"""Which beat is which logged transfer: by hand, by law, and against a slow programme."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache
from importlib import import_module
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdecode.access import Access, lane_mask
from busdecode.compare import align
from busdecode.compare.align import Alignment
from busdecode.compare.anchors import anchor, strong_keys, thread
from busdecode.compare.cheapest import Bent, Side, Weights
from busdecode.compare.meant import Meant, meant_by
from busdecode.compare.predict import SeenBeats, foretold
from busdecode.compare.view import view_place
from busdecode.cycles import DIRECTIONS, ENDINGS, CycleTable, DecodedPlace, decode, synthesise_log
from busdecode.cycles.table import empty
from busdecode.faults import parse_fault
from busdecode.protocol import Bus, load_bus
from busdecode.responder import Memory

Cycle = tuple[Any, ...]
"""Kind, word address, data, and lanes where they are not all."""

Z80, WIDE = load_bus("z80"), load_bus("mc68000")
LIMITS = ("_MOST_CELLS", "_FEW_CELLS")


def columns(bus: Bus, cycles: list[Cycle]) -> dict[str, list[int]]:
    """Spread cycles over columns."""
    kinds = [kind.name for kind in bus.kinds]
    full = (1 << bus.lane_count) - 1
    lanes = [each[3] if len(each) > 3 else full for each in cycles]
    masks = [lane_mask(bus, each) for each in lanes]
    return {
        "kind": [kinds.index(each[0]) for each in cycles],
        "direction": [DIRECTIONS.index(bus.kind(each[0]).direction) for each in cycles],
        "word": [each[1] for each in cycles],
        "data": [each[2] & mask for each, mask in zip(cycles, masks, strict=True)],
        "mask": masks,
        "lanes": lanes,
    }


def beats_of(bus: Bus, cycles: list[Cycle]) -> CycleTable:
    """Make a cycle table by hand."""
    table, told = empty(bus, len(cycles)), columns(bus, cycles)
    table.kind[:], table.direction[:] = told["kind"], told["direction"]
    table.address[:], table.has_address[:] = told["word"], True
    table.data[:], table.data_known[:] = told["data"], told["mask"]
    table.lanes[:], table.lanes_known[:] = told["lanes"], (1 << bus.lane_count) - 1
    table.ended[:] = ENDINGS.index("acknowledged")
    return table


def log_of(bus: Bus, cycles: list[Cycle], *, untold: tuple[int, ...] = ()) -> Meant:
    """Make a log by hand; of some reads it does not tell the data."""
    told = columns(bus, cycles)
    known = [0 if at in untold else mask for at, mask in enumerate(told["mask"])]
    moved = [data & mask for data, mask in zip(told["data"], known, strict=True)]
    values = {
        **{each.name: [0] * len(cycles) for each in fields(Meant)},
        **{name: told[name] for name in ("kind", "direction", "word", "lanes", "data")},
        "access": range(len(cycles)),
        "address": told["word"],
        "moved": moved,
        "moved_known": known,
        "data_known": told["mask"],
    }
    types = {
        "access": "int64",
        "kind": "int16",
        "direction": "int8",
        "asked": "int64",
        "part": "int64",
    }
    return Meant(
        **{name: np.array(row, dtype=types.get(name, "uint64")) for name, row in values.items()}
    )


def aligned(
    log: list[Cycle], beats: list[Cycle], bus: Bus = Z80, untold: tuple[int, ...] = ()
) -> Alignment:
    """Align a log with beats, all lines captured."""
    every = (1 << bus.address_width) - 1
    return align(log_of(bus, log, untold=untold), beats_of(bus, beats), every)


def at_random(random: Random, count: int, words: int = 4096, bus: Bus = Z80) -> list[Cycle]:
    """Write random data to random words, and read some of it back."""
    made: list[Cycle] = []
    for _ in range(count):
        if made and random.random() < 0.4:
            made.append(("read", *made[random.randrange(len(made))][1:3]))
        else:
            word = 0x4000 + random.randrange(words) * bus.word_bytes
            made.append(("write", word, random.getrandbits(len(bus.data))))
    return made


def strewn(
    random: Random, cycles: list[Cycle], between: int, bus: Bus = Z80
) -> tuple[list[Cycle], list[int]]:
    """Put fetches between cycles, and tell where these are now."""
    made: list[Cycle] = []
    places = []
    for each in cycles:
        for _ in range(random.randrange(2 * between + 1)):
            made.append(("read", random.randrange(64) * bus.word_bytes, random.randrange(16)))
        places.append(len(made))
        made.append(each)
    return made, places


def changed(cycles: list[Cycle], *, word: int = -1, flip: int = 0, data: int = -1) -> list[Cycle]:
    """Give cycles with bits of the address, or of the data, as a fault leaves them."""
    return [(each[0], each[1] & word ^ flip, each[2] & data, *each[3:]) for each in cycles]


@pytest.fixture(params=["weighed whole", "anchored"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Align small logs by the way of large ones, too: no stretch of 40 pairs is weighed whole."""
    if request.param == "anchored":
        for name in LIMITS:
            monkeypatch.setattr(import_module("busdecode.compare.align"), name, 40)
    return str(request.param)


# Examples, by hand.


def test_other_traffic_is_free(way: str) -> None:
    """Each logged transfer finds its beat among a thousand fetches to either side."""
    fetches: list[Cycle] = [("read", at % 100, at % 7) for at in range(1000)]
    log: list[Cycle] = [("write", 0x4000, 0x11), ("write", 0x4001, 0x22), ("read", 0x4000, 0x11)]
    beats = [*fetches, log[0], *fetches, log[1], *fetches, log[2], *fetches]

    assert aligned(log, beats).beats.tolist() == [1000, 2001, 3002]


def test_order_is_kept() -> None:
    """Of two that come the other way round, one stays without a beat."""
    a, b, c, d = (("write", 0x4000 + at, 0x11 * at) for at in range(4))
    result = aligned([a, b, c, d], [a, c, b, d])

    assert sorted(np.flatnonzero(result.beats < 0)) in ([1], [2])
    assert (np.diff(result.beats[result.beats >= 0]) > 0).all()


def test_a_transfer_without_a_beat_has_none(way: str) -> None:
    """Those around it keep theirs, and no cycle that is far off is taken for it."""
    log: list[Cycle] = [("write", 0x4000 + at, 0x10 + at) for at in range(12)]
    beats = [*log[:5], ("write", 0x7F00, 0xC1), *log[6:]]

    assert aligned(log, beats).beats.tolist() == [0, 1, 2, 3, 4, -1, 6, 7, 8, 9, 10, 11]


def test_a_beat_that_comes_twice_is_taken_once(way: str) -> None:
    """Each transfer gets one of the two, and none is in doubt: they show the same."""
    log: list[Cycle] = [("write", 0x4000 + at, 0x10 + at) for at in range(40)]
    result = aligned(log, [each for each in log for _ in range(2)])

    assert (result.beats // 2).tolist() == list(range(40))
    assert not result.is_ambiguous.any()
    assert not result.was_cut


def test_a_transfer_split_in_two_is_in_doubt_and_its_neighbours_are_not(way: str) -> None:
    """Either half fits as well as the other."""
    log: list[Cycle] = [("write", 0x4000 + 2 * at, 0x1111 * at) for at in range(8)]
    halves: list[Cycle] = [("write", 0x4006, 0x3333, 0b10), ("write", 0x4006, 0x3333, 0b01)]
    result = aligned(log, [*log[:3], *halves, *log[4:]], WIDE)

    assert result.beats[3] in (3, 4)
    assert np.delete(result.beats, 3).tolist() == [0, 1, 2, 5, 6, 7, 8]
    assert np.flatnonzero(result.is_ambiguous).tolist() == [3]


def test_two_beats_as_near_leave_a_doubt(way: str) -> None:
    """Each differs in one bit; the beats around are certain."""
    around: list[Cycle] = [("write", 0x5000 + at, 0x40 + at) for at in range(10)]
    beats = [*around[:5], ("write", 0x4000, 0x01), ("write", 0x4000, 0x02), *around[5:]]
    result = aligned([*around[:5], ("write", 0x4000, 0x00), *around[5:]], beats)

    assert np.flatnonzero(result.is_ambiguous).tolist() == [5]


def test_a_beat_that_agrees_whole_leaves_no_doubt(way: str) -> None:
    """Beside it stands one that differs in one bit."""
    around: list[Cycle] = [("write", 0x5000 + at, 0x40 + at) for at in range(10)]
    beats = [*around[:5], ("write", 0x4000, 0x01), ("write", 0x4000, 0x00), *around[5:]]
    result = aligned([*around[:5], ("write", 0x4000, 0x00), *around[5:]], beats)

    assert result.beats[5] == 6
    assert not result.is_ambiguous.any()


def test_a_read_of_unknown_data_is_in_doubt_between_two_that_differ(way: str) -> None:
    """The log does not tell what it returned; of two beats with the same content either will do."""
    around: list[Cycle] = [("write", 0x5000 + at, 0x40 + at) for at in range(10)]
    for second, doubt in ((0x77, [5]), (0x66, [])):
        pair: list[Cycle] = [("read", 0x4000, 0x66), ("read", 0x4000, second)]
        log = [*around[:5], pair[0], *around[5:]]
        result = aligned(log, [*around[:5], *pair, *around[5:]], untold=(5,))

        assert result.beats[5] in (5, 6)
        assert np.flatnonzero(result.is_ambiguous).tolist() == doubt


def test_a_line_that_is_always_bent_is_charged_once() -> None:
    """With D3 low in all, a beat whose D3 alone is wrong is nearer than one with two bits wrong."""
    log: list[Cycle] = [("write", 0x4000 + at, 0x08 | at << 4) for at in range(12)]
    shown = changed(log, data=0xF7)
    # Weighed by bits alone, one bit of D0 would cost as much as D3 does.
    beats = [*shown[:6], ("write", 0x4006, 0x69), shown[6], *shown[7:]]
    result = aligned(log, beats)

    assert result.bent == Bent(flipped_data=0x08)
    assert result.beats.tolist() == [0, 1, 2, 3, 4, 5, 7, 8, 9, 10, 11, 12]
    assert not result.is_ambiguous.any()
    assert not result.is_exact.any()


@pytest.mark.parametrize(
    ("word", "flip", "bent"),
    [
        (0xFFFF, 0x5A50, Bent(flipped_address=0x5A50)),
        (0xBFFF, 0x0000, Bent(flipped_address=0x4000)),
        (0xFFFF, 0xFFFF, Bent(flipped_address=0xFFFF)),
        (0xFFEF, 0x3000, Bent(address=0x0010, flipped_address=0x3000)),
    ],
)
def test_addresses_that_are_all_bent_the_same_way_are_found(
    way: str, word: int, flip: int, bent: Bent
) -> None:
    """Many bits wrong in each pair, and yet each transfer gets its beat."""
    random = Random(word ^ flip)
    log = at_random(random, 60)
    beats, places = strewn(random, changed(log, word=word, flip=flip), 3)
    result = aligned(log, beats)

    assert result.bent == bent
    assert result.beats.tolist() == places
    assert result.is_likely.all()
    assert not result.is_ambiguous.any()


def test_crossed_address_lines_are_found(way: str) -> None:
    """A3 and A7 change places: where they are equal, nothing is wrong."""
    random = Random(3)
    log = at_random(random, 60)

    def crossed(word: int) -> int:
        return word & ~0x88 | (word >> 4 & 0x08) | (word << 4 & 0x80)

    beats, places = strewn(random, [(kind, crossed(at), data) for kind, at, data in log], 3)
    result = aligned(log, beats)

    assert result.bent == Bent(address=0x88)
    assert result.beats.tolist() == places


@pytest.mark.parametrize(
    "lanes",
    [
        {0b11: 0b10, 0b10: 0b10, 0b01: 0b00},
        {0b11: 0b11, 0b10: 0b11, 0b01: 0b01},
        {0b11: 0b11, 0b10: 0b01, 0b01: 0b10},
    ],
)
def test_lanes_that_are_always_moved_cost_no_pair(way: str, lanes: dict[int, int]) -> None:
    """A strobe that never comes, one that always comes, and two that are crossed."""
    random = Random(5)
    log: list[Cycle] = [
        (*each, random.choice([0b11, 0b10, 0b01])) for each in at_random(random, 60, bus=WIDE)
    ]
    shown: list[Cycle] = [(*each[:3], lanes[each[3]]) for each in log]
    beats, places = strewn(random, shown, 3, WIDE)
    result = aligned(log, beats, WIDE)

    assert (result.beats == places).mean() >= 0.95
    assert not result.was_cut


@pytest.mark.parametrize("kind", ["read", "write"])
def test_a_direction_line_that_fails_costs_no_pair(way: str, kind: str) -> None:
    """All cycles look like reads, or like writes."""
    random = Random(6)
    log = at_random(random, 60)
    beats, places = strewn(random, log, 3)
    result = aligned(log, [(kind, word, data) for _, word, data in beats])

    assert (result.beats == places).mean() >= 0.95


def test_beats_of_unknown_kind_are_paired(way: str) -> None:
    """The lines that tell the kind were not captured."""
    random = Random(7)
    log = at_random(random, 60)
    beats, places = strewn(random, log, 3)
    table = beats_of(Z80, beats)
    table.kind[:], table.direction[:] = -1, -1
    result = align(log_of(Z80, log), table, 0xFFFF)

    assert (result.beats == places).mean() >= 0.95
    assert not result.was_cut


def test_a_beat_of_unknown_kind_still_has_its_direction(way: str) -> None:
    """A read of the very same is none for a write."""
    log: list[Cycle] = [("write", 0x4000 + at, 0x10 + at) for at in range(12)]
    table = beats_of(
        Z80, [each for kind, *rest in log for each in (("write", *rest), ("read", *rest))]
    )
    table.kind[:] = -1

    assert align(log_of(Z80, log), table, 0xFFFF).beats.tolist() == list(range(0, 24, 2))


def test_cycles_of_certain_data_that_vanish_cost_no_other_pair(way: str) -> None:
    """All that write or read an odd number are missing."""
    random = Random(8)
    log = at_random(random, 80)
    beats, places = strewn(random, log, 3)
    kept = [at for at, each in enumerate(beats) if at not in places or each[2] % 2 == 0]
    result = aligned(log, [beats[at] for at in kept])

    wanted = [kept.index(at) if at in kept else -1 for at in places]
    assert (result.beats == wanted).mean() >= 0.95


@pytest.mark.parametrize(("logged", "shown"), [(40, 40), (40, 37), (37, 40)])
def test_one_access_over_and_over_is_paired_in_order(way: str, logged: int, shown: int) -> None:
    """Nothing tells which is missing, and nothing is in doubt: all show the same."""
    cycles: list[Cycle] = [("write", 0x80, 0x11), ("read", 0x80, 0x11)] * 20
    result = aligned(cycles[:logged], cycles[:shown])

    assert (result.beats >= 0).sum() >= min(logged, shown) - 1
    assert result.is_likely.sum() == (result.beats >= 0).sum()
    assert not result.is_ambiguous.any()


def test_a_stretch_that_is_aligned_in_parts_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """One access over and over has nothing to hold on to; a log with content of its own does."""
    for name in LIMITS:
        monkeypatch.setattr(import_module("busdecode.compare.align"), name, 40)
    same: list[Cycle] = [("write", 0x80, 0x11), ("read", 0x80, 0x11)] * 20
    other = at_random(Random(2), 40)

    assert aligned(same, same).was_cut
    assert not aligned(other, other).was_cut


def test_reads_without_data_hold_on_by_their_addresses(way: str) -> None:
    """A log that tells of no read what it returned."""
    random = Random(9)
    log: list[Cycle] = [
        ("read", word, word % 251) for word in random.sample(range(0x4000, 0x8000), 50)
    ]
    beats, places = strewn(random, log, 3)
    result = aligned(log, beats, untold=tuple(range(50)))

    assert result.beats.tolist() == places
    assert not result.is_ambiguous.any()
    assert not result.was_cut


def test_what_is_equal_by_chance_does_not_hold_up_what_is_near(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The last alone agrees whole, with a beat before all others: five that are near count more."""
    for name in LIMITS:
        monkeypatch.setattr(import_module("busdecode.compare.align"), name, 10)
    log: list[Cycle] = [("write", 0x4000 + at, 1 << at) for at in range(6)]
    beats: list[Cycle] = [log[-1], *(("write", 0x4000 + at, 3 << at) for at in range(5))]

    assert aligned(log, beats).beats.tolist() == [1, 2, 3, 4, 5, -1]


@pytest.mark.parametrize("most", [1600, 40])
def test_what_agrees_in_neither_address_nor_data_is_paired_in_parts(
    monkeypatch: pytest.MonkeyPatch, most: int
) -> None:
    """Each pair differs in some bit of either; where no stretch is weighed whole, that is told."""
    for name in (*LIMITS, "_MEND_CELLS"):
        monkeypatch.setattr(import_module("busdecode.compare.align"), name, most)
    random = Random(4)
    words = [random.getrandbits(23) * 2 for _ in range(40)]
    log: list[Cycle] = [("write", word, random.getrandbits(16)) for word in words]
    beats: list[Cycle] = [
        ("write", each[1] ^ 2 << at % 19, each[2] ^ 1 << at % 16) for at, each in enumerate(log)
    ]
    result = aligned(log, beats, WIDE)

    assert (result.beats == np.arange(40)).mean() >= 0.9
    assert result.was_cut == (most < 1600)


def test_polls_of_one_register_hold_on_by_their_row(monkeypatch: pytest.MonkeyPatch) -> None:
    """No poll stands alone, sixteen in a row do; one is missing, and no other loses its beat."""
    for name in LIMITS:
        monkeypatch.setattr(import_module("busdecode.compare.align"), name, 2000)
    random = Random(1)
    log: list[Cycle] = [("read", 0x80, random.randrange(2)) for _ in range(300)]
    result = aligned(log, [*log[:150], *log[151:]])

    assert (result.beats == [*range(150), -1, *range(150, 299)]).sum() > 290
    assert not result.was_cut


# Anchors.


def side_of(cycles: str) -> Side:
    """Make writes to addresses by their letters."""
    words = np.array([ord(each) for each in cycles], dtype=np.uint64)
    none, full = np.zeros(len(words), dtype=np.int64), np.full(len(words), 0xFF, dtype=np.uint64)
    return Side(none, none, words, words, full, full)


@pytest.mark.parametrize(
    ("log", "beats", "pairs"),
    [
        ("abc", "xaybzc", [1, 3, 5]),
        ("abac", "abac", [0, 1, 2, 3]),
        ("abc", "abbc", [0, -1, 3]),
        ("aabc", "abc", [-1, -1, 1, 2]),
        ("abcd", "bcda", [-1, 0, 1, 2]),
    ],
)
def test_anchors_are_what_stands_as_often_on_both_sides(
    log: str, beats: str, pairs: list[int]
) -> None:
    """What crosses another is left out, as is what stands more often on one side."""
    sides = side_of(log), side_of(beats)
    weights = Weights(0xFFFF, (0xFF,))
    found = np.full(len(log), -1, dtype=np.int64)
    anchor(*sides, weights, strong_keys(*sides, weights), found, least=1)

    assert found.tolist() == pairs


def test_what_is_bent_or_not_told_is_left_out_of_the_keys() -> None:
    """A lane that never moves takes its data with it; a read may be told without data."""
    log, beats = side_of("abc"), side_of("abc")
    half, whole = np.full(3, 0x0F, dtype=np.uint64), np.full(3, 0xFF, dtype=np.uint64)
    log = replace(log, lanes=np.full(3, 0b11, dtype=np.uint64))
    lost = replace(beats, lanes=np.full(3, 0b01, dtype=np.uint64), known=half)
    stuck = replace(beats, lanes=log.lanes, data=beats.data | np.uint64(0x80))
    weights = Weights(0xFFFF, (0x0F, 0xF0))
    for shown, bent, known in (
        (lost, Bent(lanes=0b10), whole),
        (stuck, Bent(data=0x80), whole),
        (stuck, Bent(), np.zeros(3, dtype=np.uint64)),
    ):
        told = replace(log, known=known)
        found = np.full(3, -1, dtype=np.int64)
        told_weights = replace(weights, bent=bent)
        keys = strong_keys(told, shown, told_weights)
        anchor(told, shown, told_weights, keys, found, least=1)

        assert found.tolist() == [0, 1, 2]


@pytest.mark.parametrize(
    ("log", "beats", "length"),
    [
        ("xyz", "yzxxx", 2),
        ("aabc", "abc", 3),
        ("ababab", "abbaab", 5),
    ],
)
def test_the_longest_thread_of_equal_content_is_kept(log: str, beats: str, length: int) -> None:
    """Each transfer counts once, however many beats show the same."""
    sides = side_of(log), side_of(beats)
    weights = Weights(0xFFFF, (0xFF,))
    found = np.full(len(log), -1, dtype=np.int64)
    is_short = thread(*sides, weights, strong_keys(*sides, weights), found, least=1)

    assert (found >= 0).sum() == length
    assert all(beats[at] == log[row] for row, at in enumerate(found.tolist()) if at >= 0)
    assert (np.diff(found[found >= 0]) > 0).all()
    assert not is_short.any()


# Logs of another run.


@pytest.mark.parametrize("words", [4096, 16, 2])
@pytest.mark.parametrize("seed", range(3))
def test_a_log_of_another_run_aligns_with_nothing(way: str, words: int, seed: int) -> None:
    """However few its words, and the same ones; the log of this run does align."""
    random = Random(seed)
    log, other = at_random(random, 60, words), at_random(random, 60, words)
    beats, places = strewn(random, log, 3)

    assert aligned(other, beats).is_likely.sum() <= 1
    assert (aligned(log, beats).beats == places).mean() >= 0.95


@pytest.mark.parametrize("seed", range(3))
def test_a_shuffled_log_aligns_with_nothing(way: str, seed: int) -> None:
    """All of its content is there, in another order."""
    random = Random(seed)
    log = at_random(random, 80)
    beats, _ = strewn(random, log, 3)

    assert not aligned(random.sample(log, len(log)), beats).is_likely.any()


def test_the_same_addresses_in_order_with_other_data_align_and_agree_in_nothing(way: str) -> None:
    """Data lines that are all bad look no other; no pair is exact, and that is told."""
    log: list[Cycle] = [("write", 0x4000 + at, 0x0F) for at in range(40)]
    result = aligned(log, changed(log, flip=0, data=0))

    assert result.beats.tolist() == list(range(40))
    assert not result.is_exact.any()


# Laws.


@settings(max_examples=60)
@given(data=st.data(), is_anchored=st.booleans(), seed=st.integers(0, 2**32))
def test_what_stands_alone_finds_its_own_beat(
    data: st.DataObject, is_anchored: bool, seed: int
) -> None:
    """Whatever traffic is between: words of the log are its own, and stand once."""
    random = Random(seed)
    words = data.draw(st.lists(st.integers(0x4000, 0xFFFF), min_size=1, max_size=40, unique=True))
    kinds = data.draw(st.lists(st.sampled_from(["read", "write"]), min_size=40, max_size=40))
    log: list[Cycle] = [
        (kind, word, random.getrandbits(8)) for kind, word in zip(kinds, words, strict=False)
    ]
    beats, places = strewn(random, log, data.draw(st.integers(0, 20)))
    with pytest.MonkeyPatch.context() as patch:
        if is_anchored:
            for name in LIMITS:
                patch.setattr(import_module("busdecode.compare.align"), name, 40)
        result = aligned(log, beats)

    assert result.beats.tolist() == places
    assert result.is_exact.all()
    assert not result.is_ambiguous.any()
    assert not result.was_cut


def slow_cost(log: Cycle, beat: Cycle, bent: Bent) -> float:
    """Give the cost of a pair of the Z80, bit by bit.

    Bits that differ: an address bit 1, a data bit a half and all of them 4 at most; a bent one
    0.02. More than three with the address wrong, or another kind, is no pair.
    """
    if log[0] != beat[0]:
        return 1e9
    far = off = 0
    cost = data = 0.0
    for bit in range(16):
        differs = (log[1] ^ beat[1] ^ bent.flipped_address) >> bit & 1
        if bent.address >> bit & 1:
            cost += 0.02 * differs
        else:
            far += differs
    for bit in range(8):
        differs = (log[2] ^ beat[2] ^ bent.flipped_data) >> bit & 1
        if bent.data >> bit & 1:
            data += 0.02 * differs
        else:
            off += differs
    if far and far + off > 3:
        return 1e9
    return cost + far + min(data + 0.5 * off, 4.0)


def least_cost(log: list[Cycle], beats: list[Cycle], bent: Bent) -> float:
    """Give the least cost of all pairings that keep order."""

    @cache
    def rest(row: int, since: int) -> float:
        if row == len(log):
            return 0.0
        costs = [6.0 + rest(row + 1, since)]
        for at in range(since, len(beats)):
            costs.append(slow_cost(log[row], beats[at], bent) + rest(row + 1, at + 1))
        return min(costs)

    return rest(0, 0)


SMALL = st.tuples(
    st.sampled_from(["write", "io-write"]), st.integers(0, 15), st.sampled_from([0, 1, 3, 7, 0xFF])
)


@settings(max_examples=150)
@given(log=st.lists(SMALL, min_size=1, max_size=7), beats=st.lists(SMALL, min_size=1, max_size=9))
def test_no_pairing_is_cheaper(log: list[Cycle], beats: list[Cycle]) -> None:
    """A programme that tries all of them finds nothing better, and says the same of doubts."""
    result = aligned(log, beats)
    bent = result.bent
    pairs = result.beats.tolist()
    paid = sum(
        6.0 if at < 0 else slow_cost(each, beats[at], bent)
        for each, at in zip(log, pairs, strict=True)
    )
    best = least_cost(log, beats, bent)

    assert paid == pytest.approx(best)
    found = [at for at in pairs if at >= 0]
    assert found == sorted(set(found))
    for row, at in enumerate(pairs):
        if at < 0:
            continue
        own = slow_cost(log[row], beats[at], bent)
        margin = 0.5 if own else 0.0
        rivals = [
            least_cost(log[:row], beats[:other], bent)
            + slow_cost(log[row], beats[other], bent)
            + least_cost(log[row + 1 :], beats[other + 1 :], bent)
            for other in range(len(beats))
            if beats[other][1:] != beats[at][1:]
        ]
        is_rivalled = min(rivals, default=1e9) <= best + margin + 1e-6
        assert bool(result.is_ambiguous[row]) == is_rivalled


@settings(max_examples=60)
@given(seed=st.integers(0, 2**32), stuck=st.sampled_from([0xFF, 0xFE, 0x7F]))
def test_anchors_cost_no_more_than_the_slow_programme(seed: int, stuck: int) -> None:
    """By the way of large logs, too: with a data line stuck, and beats that are lost."""
    random = Random(seed)
    log = at_random(random, 12)
    beats, _ = strewn(random, changed(log, data=stuck), 2)
    beats = [each for each in beats if random.random() < 0.9]
    with pytest.MonkeyPatch.context() as patch:
        for name in LIMITS:
            patch.setattr(import_module("busdecode.compare.align"), name, 40)
        result = aligned(log, beats)
    paid = sum(
        6.0 if at < 0 else slow_cost(each, beats[at], result.bent)
        for each, at in zip(log, result.beats.tolist(), strict=True)
    )

    assert paid == pytest.approx(least_cost(log, beats, result.bent))


# What reads should bring.


@pytest.mark.parametrize("fault", [None, "stuck D3 low", "stuck A5 high", "read-driver D3 low"])
def test_reads_are_foretold_by_the_writes_before_them(fault: str | None) -> None:
    """Word after word as a memory that is told each write in turn, other traffic's too."""
    random = Random(11)
    asked = [
        Access(
            random.choice(["read", "write"]),
            0x2000 + random.randrange(16),
            1,
            random.getrandbits(8),
        )
        for _ in range(150)
    ]
    asked = [
        Access(each.op, each.address, 1, each.data if each.op == "write" else None)
        for each in asked
    ]
    faults = [parse_fault(fault, Z80)] if fault else []
    made, log = synthesise_log(Z80, asked, seed=1, faults=faults)
    table, decoder = decode(Z80, [made.places["card"]])
    place = DecodedPlace(Z80, "card", made.places["card"], table, 0, tuple(decoder.notes))
    logged = sorted(random.sample(range(150), 100))
    meant = meant_by([log[at] for at in logged], Z80)
    seen = SeenBeats(view_place(place), table)
    predicted, known = foretold(seen, table, meant, np.array(logged, dtype=np.int64))

    memory, written = Memory(), set()
    number = {beat: at for at, beat in enumerate(logged)}
    for beat in range(len(table)):
        word, at = int(table.address[beat]), number.get(beat, -1)
        if table.direction[beat] == DIRECTIONS.index("write"):
            memory.write(word, 0xFF, int(table.data[beat]))
            if at >= 0:
                written.add(int(meant.word[at]))
        elif at >= 0:
            wanted = (int(meant.data[at]), int(meant.data_known[at]))
            if int(meant.word[at]) in written:
                wanted = memory.read(word)
            assert (int(predicted[at]), int(known[at])) == wanted
    assert len(table) == 150
