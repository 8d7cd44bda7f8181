"""Decoding in chunks gives the table of the whole capture, and holds on to few rows."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdecode.access import Transfer
from busdecode.capture import split
from busdecode.cycles import Decoder, concatenate, decode, synthesise
from busdecode.protocol import bundled_buses, load_bus, parse_bus
from tests.assertions import assert_same_table, assert_sound, made_by_hand
from tests.properties.descriptions import BLOCK, PIPELINED, SIZED
from tests.strategies import cuts, samplings, transfer_lists

if TYPE_CHECKING:
    from busdecode.capture import Capture
    from busdecode.protocol import Bus

FIXED = settings(derandomize=True, database=None, deadline=None, max_examples=20)
BUSES = {name: load_bus(name) for name in bundled_buses()}
BUSES |= {"block": parse_bus(BLOCK), "sized": parse_bus(SIZED)}


@st.composite
def spoilt(draw: st.DrawFn, bus: Bus) -> Capture:
    """A capture cut off at both ends, with lines not known or released, and gaps."""
    transfers = draw(transfer_lists(bus, most=4))
    seed = draw(st.integers(0, 2**32))
    sampling = draw(samplings(bus, displaced=10_000))
    capture = synthesise(bus, transfers, seed=seed, sampling=sampling).places["host"]
    count = len(capture)
    first = draw(st.just(0) | st.integers(0, count // 3))
    last = draw(st.just(count) | st.integers(2 * count // 3, count))
    capture = capture.rows(first, max(last, first + 1))
    count, lines = len(capture), len(bus.lines)
    spots = st.tuples(
        st.integers(0, lines - 1), st.integers(0, count - 1), st.integers(1, 8), st.booleans()
    )
    states = capture.states.copy()
    unknown = np.zeros_like(states)
    for line, row, length, released in draw(st.lists(spots, max_size=8)):
        bit = np.uint64(1 << line % 64)
        rows = slice(row, row + length)
        unknown[rows, line // 64] |= bit
        states[rows, line // 64] &= ~bit
        states[rows, line // 64] |= bit * np.uint64(released)
    off = draw(st.sets(st.integers(0, count - 1), max_size=3))
    gaps = np.isin(np.arange(count), list(off))
    return replace(
        capture,
        states=states,
        unknown=unknown if unknown.any() else None,
        gaps=gaps if off else None,
    )


def in_pieces(capture: Capture, bounds: list[int]) -> list[Capture]:
    """Cut a capture at rows."""
    return [capture.rows(*span) for span in pairwise([0, *bounds, len(capture)])]


@pytest.mark.parametrize("name", BUSES)
def test_any_way_of_cutting_gives_the_same_table(name: str) -> None:
    """Every column, with unknown lines, gaps and cycles cut off, cut at random rows."""
    bus = BUSES[name]

    @FIXED
    @given(st.data())
    def law(data: st.DataObject) -> None:
        capture = data.draw(spoilt(bus))
        skew = data.draw(st.sampled_from([0, 3_000]))
        whole, _ = decode(bus, [capture], skew=skew)
        assert_sound(whole)
        pieces = in_pieces(capture, data.draw(cuts(len(capture))))
        assert_same_table(decode(bus, pieces, skew=skew)[0], whole)

    law()


@pytest.mark.parametrize("name", BUSES)
def test_chunks_of_a_few_rows_give_the_same_table(name: str) -> None:
    """Every size from one row on, on a spoilt capture."""
    bus = BUSES[name]

    @settings(FIXED, max_examples=5)
    @given(spoilt(bus), st.integers(1, 9))
    def law(capture: Capture, size: int) -> None:
        whole, _ = decode(bus, [capture])
        assert_same_table(decode(bus, split(capture, size))[0], whole)

    law()


@pytest.mark.parametrize("size", range(1, 18))
def test_chunks_of_a_pipelined_bus_give_the_same_table(size: int) -> None:
    """The next address is out before, or at the moment at which, a beat ends."""
    bus = parse_bus(PIPELINED)
    capture = made_by_hand(
        bus,
        {
            0: {"ALE": 1, "A": 0x11},
            140: {"ALE": 0},
            200: {"STB": 0},
            220: {"ALE": 1, "A": 0x22},
            260: {"ALE": 0},
            300: {"D": 0xA1},
            320: {"STB": 1},
            340: {"WR": 0, "D": 0xB2},
            400: {"STB": 0},
            470: {"ALE": 1, "A": 0x33},
            480: {"ALE": 0, "STB": 1},
            500: {"D": 0xC3},
            600: {"STB": 0},
            700: {"STB": 1},
            720: {"D": 0},
            800: {"STB": 0, "D": 0xD4},
            900: {"STB": 1},
        },
    )
    table, _ = decode(bus, split(capture, size))
    assert_sound(table)
    assert table.as_text()[["cycle", "beat", "address", "data"]].to_numpy().tolist() == [
        ["0", "0", "0x11", "0xA1"],
        ["1", "0", "0x22", "0xB2"],
        ["2", "0", "0x33", "0xC3"],
        ["2", "1", "0x33", "0xD4"],
        ["2", "2", "", ""],
    ]
    assert_same_table(table, decode(bus, [capture])[0])


@pytest.mark.parametrize("size", range(1, 10))
def test_both_beats_of_a_read_modify_write_are_flagged_in_chunks(size: int) -> None:
    """Also where the cycle ends a chunk later than its second beat."""
    bus = load_bus("mc68000")
    capture = made_by_hand(
        bus,
        {
            0: {"A": 0x12345},
            100: {"AS": 0},
            110: {"UDS": 0},
            200: {"DTACK": 0},
            300: {"UDS": 1},
            400: {"DTACK": 1},
            600: {"R/W": 0},
            700: {"UDS": 0},
            800: {"DTACK": 0},
            900: {"UDS": 1},
            920: {"DTACK": 1},
            940: {"D": 1},
            960: {"D": 2},
            980: {"AS": 1},
            990: {"R/W": 1},
        },
    )
    table, _ = decode(bus, split(capture, size))
    assert_same_table(table, decode(bus, [capture])[0])
    assert table.as_text()[["kind", "beat", "rmw"]].to_numpy().tolist() == [
        ["read", "0", "true"],
        ["write", "1", "true"],
    ]


def test_finished_cycles_are_forgotten() -> None:
    """A hundred transfers, of which a few rows are kept after each chunk."""
    bus = load_bus("orlop32")
    transfers = [Transfer("write", 4 * at, 15, at) for at in range(100)]
    capture = synthesise(bus, transfers).places["host"]
    decoder = Decoder(bus, capture.lines, capture.resolution)
    most = 0
    for chunk in split(capture, 20):
        decoder.feed(chunk)
        most = max(most, decoder.carried_rows)
    assert most < 32


def test_a_beat_that_spans_many_chunks_is_carried_in_few_rows() -> None:
    """Ten thousand changes of data in one open beat, of which a few rows are kept."""
    bus = load_bus("mc68000")
    begin = {
        0: {"A": 0x12345, "D": 0},
        100: {"AS": 0, "UDS": 0, "LDS": 0},
    }
    noise = {200 + 20 * at: {"D": at % 65_536} for at in range(10_000)}
    close = {
        200_400: {"D": 0xBEEF, "DTACK": 0},
        200_500: {"AS": 1, "UDS": 1, "LDS": 1},
        200_600: {"DTACK": 1},
    }
    capture = made_by_hand(bus, {**begin, **noise, **close})
    decoder = Decoder(bus, capture.lines, capture.resolution)
    tables, most = [], 0
    for chunk in split(capture, 100):
        tables.append(decoder.feed(chunk))
        most = max(most, decoder.carried_rows)
    table = concatenate(bus, [*tables, decoder.finish(capture.end)])
    assert table.as_text()[["kind", "data", "ended"]].to_numpy().tolist() == [
        ["read", "0xBEEF", "acknowledged"]
    ]
    assert most < 32


def test_idle_time_is_carried_in_few_rows() -> None:
    """Other traffic on data lines between cycles is forgotten chunk by chunk."""
    bus = load_bus("z80")
    capture = made_by_hand(bus, {20 * at: {"D": at % 256} for at in range(5_000)})
    decoder = Decoder(bus, capture.lines, capture.resolution)
    most = 0
    for chunk in split(capture, 50):
        assert len(decoder.feed(chunk)) == 0
        most = max(most, decoder.carried_rows)
    assert most < 32


@pytest.mark.parametrize("size", range(1, 12))
def test_addresses_after_a_beat_that_never_ends_are_given_once(size: int) -> None:
    """On a pipelined bus whose strobe sticks, later addresses wait for the end of the capture."""
    bus = parse_bus(PIPELINED)
    edges: dict[int, dict[str, int | str]] = {0: {"ALE": 1, "A": 0x11}, 40: {"ALE": 0}}
    edges[50] = {"STB": 0}
    for number in range(5):
        edges[100 * number + 100] = {"ALE": 1, "A": number}
        edges[100 * number + 140] = {"ALE": 0}
    capture = made_by_hand(bus, edges)
    whole, _ = decode(bus, [capture])

    assert len(whole) == 6
    assert_same_table(decode(bus, split(capture, size))[0], whole)
