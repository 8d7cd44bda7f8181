"""Whole-array code and compiled loops give one and the same cycle table."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module
from typing import TYPE_CHECKING

import numpy as np
import pytest

from busdecode.access import Access
from busdecode.capture import split
from busdecode.capture.compilation import SWITCH
from busdecode.cycles import Decoder, concatenate, decode, synthesise_log
from busdecode.protocol import bundled_buses, load_bus
from tests.assertions import assert_same_table

if TYPE_CHECKING:
    from busdecode.capture import Capture
    from busdecode.cycles import CycleTable
    from busdecode.protocol import Bus

pytest.importorskip("numba", reason="numba compiles the loops; it is not installed")


def made(bus: Bus) -> Capture:
    """Make sixty accesses, reads and writes of one and two bytes."""
    size = min(2, bus.word_bytes)
    accesses = [
        Access(("read", "write")[at % 2], 4096 + at * size, 1 + at % size, at * 37 % 256)
        for at in range(60)
    ]
    return synthesise_log(bus, accesses, seed=3)[0].places["card"]


def spoilt(capture: Capture) -> Capture:
    """Turn levels over, take others away, and leave gaps, here and there."""
    draw = np.random.default_rng(8)
    states, unknown = capture.states.copy(), np.zeros_like(capture.states)
    for words in (states, unknown):
        for _ in range(40):
            row, line = draw.integers(len(capture)), int(draw.integers(len(capture.lines)))
            words[row : row + draw.integers(1, 6), line // 64] ^= np.uint64(1 << line % 64)
    gaps = np.zeros(len(capture), dtype=np.bool_)
    gaps[draw.integers(len(capture), size=3)] = True
    return replace(capture, states=states, unknown=unknown, gaps=gaps)


def told(
    monkeypatch: pytest.MonkeyPatch, switch: str, bus: Bus, chunks: list[Capture], skew: int
) -> CycleTable:
    """Decode one way, and check that it was this way."""
    monkeypatch.setenv(SWITCH, switch)
    table, decoder = decode(bus, chunks, skew=skew)
    assert decoder.is_compiled is (switch == "0")
    return table


@pytest.mark.parametrize("skew", [0, 7_000])
@pytest.mark.parametrize("name", bundled_buses())
def test_both_ways_give_the_same_table(
    name: str, skew: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every bus, as made and spoilt, whole and in pieces, with and without skew told."""
    bus = load_bus(name)
    whole = made(bus)
    for capture in (whole, spoilt(whole), replace(whole, resolution=3 * whole.resolution)):
        for size in (len(capture), 101):
            chunks = list(split(capture, size))
            plain = told(monkeypatch, "1", bus, chunks, skew)
            assert len(plain) >= 10
            assert_same_table(told(monkeypatch, "0", bus, chunks, skew), plain)


def test_rows_that_may_not_be_written_are_decoded_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """As a file mapped into memory gives them."""
    bus = load_bus("mc68000")
    capture = made(bus)
    plain = told(monkeypatch, "1", bus, [capture], 0)
    for words in (capture.times, capture.states):
        words.flags.writeable = False
    assert_same_table(told(monkeypatch, "0", bus, [capture], 0), plain)


def test_a_large_chunk_has_the_rest_decoded_by_compiled_loops(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Small chunks are not worth it; the way changes while a cycle is open."""
    monkeypatch.delenv(SWITCH, raising=False)
    bus = load_bus("mc68000")
    capture = made(bus)
    pieces = list(split(capture, 50))
    wanted = told(monkeypatch, "1", bus, pieces, 0)
    monkeypatch.delenv(SWITCH)
    monkeypatch.setattr(import_module("busdecode.cycles.decode"), "_WORTH_ROWS", 51)
    decoder = Decoder(bus, capture.lines, capture.resolution)
    tables, ways = [], []
    for piece in (*pieces[:3], capture.rows(150, 300), *split(capture.rows(300, len(capture)), 50)):
        tables.append(decoder.feed(piece))
        ways.append(decoder.is_compiled)
    assert ways[:5] == [False, False, False, True, True]
    tables.append(decoder.finish(capture.end))
    assert_same_table(concatenate(bus, tables), wanted)
