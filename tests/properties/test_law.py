"""The law: what is put on the bus is what is decoded from it, whatever the legal timing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdecode.access import Transfer
from busdecode.cycles import Sampling, decode, synthesise, transfers_of
from busdecode.protocol import bundled_buses, load_bus, parse_bus
from tests.assertions import assert_sound, made_by_hand, meant
from tests.properties.descriptions import BLOCK, PIPELINED, SIZED
from tests.strategies import samplings, transfer_lists

if TYPE_CHECKING:
    from pathlib import Path

    from busdecode.protocol import Bus

FIXED = settings(derandomize=True, database=None, deadline=None, max_examples=15)
OWN = {"sized": SIZED, "block": BLOCK}


def check_law(
    bus: Bus, transfers: list[Transfer], seed: int, wait_share: float, sampling: Sampling
) -> None:
    """Make a capture of transfers, decode it at both places, and compare."""
    made = synthesise(bus, transfers, seed=seed, sampling=sampling, wait_share=wait_share)
    assert made.notes == ()
    wanted = meant(bus, transfers, made.returned)
    for place, capture in made.places.items():
        table, _ = decode(bus, [capture], skew=sampling.skew)
        assert_sound(table)
        assert transfers_of(table) == wanted, place
        # A clock that never rests leaves part of a cycle at both ends.
        assert table.count("cut-off") == 2 * (bus.cycle_begins == bus.cycle_ends)


@pytest.mark.parametrize("name", bundled_buses())
def test_decode_gives_back_what_was_synthesised(name: str) -> None:
    """Any transfers of any bundled bus, at any legal timing, sampled in any allowed way."""
    bus = load_bus(name)

    @FIXED
    @given(transfer_lists(bus), st.integers(0, 2**32), st.floats(0, 1), samplings(bus))
    def law(transfers: list[Transfer], seed: int, wait_share: float, sampling: Sampling) -> None:
        check_law(bus, transfers, seed, wait_share, sampling)

    law()


@pytest.mark.parametrize("name", OWN)
def test_the_law_holds_for_buses_unlike_the_bundled_ones(name: str, tmp_path: Path) -> None:
    """Lane tables and fixed timing; blocks whose address counts up; both written by this test."""
    path = tmp_path / f"{name}.toml"
    path.write_text(OWN[name], encoding="utf-8")
    bus = load_bus(path)

    @FIXED
    @given(transfer_lists(bus), st.integers(0, 2**32), st.floats(0, 1), samplings(bus))
    def law(transfers: list[Transfer], seed: int, wait_share: float, sampling: Sampling) -> None:
        check_law(bus, transfers, seed, wait_share, sampling)

    law()


@pytest.mark.parametrize("name", bundled_buses())
def test_healthy_beats_are_acknowledged(name: str) -> None:
    """With and without wait states, where the bus has lines that tell."""
    bus = load_bus(name)
    if not (bus.ending.acknowledged or bus.ending.wait):
        pytest.skip("this bus has neither an acknowledge nor a wait line")
    kinds = [kind for kind in bus.kinds if kind.beats]

    @FIXED
    @given(transfer_lists(bus), st.integers(0, 2**32), st.sampled_from([0.0, 1.0]))
    def law(transfers: list[Transfer], seed: int, wait_share: float) -> None:
        made = synthesise(bus, transfers, seed=seed, wait_share=wait_share)
        table, _ = decode(bus, [made.places["host"]])
        text = table.as_text()
        moved = text[text["kind"].isin([kind.name for kind in kinds])]
        quiet = {kind.name for kind in kinds if not kind.beats}
        assert set(moved["ended"][~moved["kind"].isin(quiet)]) <= {"acknowledged"}

    law()


@pytest.mark.parametrize("name", bundled_buses())
def test_edges_displaced_further_than_data_is_held_give_rows_that_say_so(name: str) -> None:
    """Where channels differ by more than a hold time a value may be taken wrong, never surely."""
    bus = load_bus(name)

    @FIXED
    @given(transfer_lists(bus), st.integers(0, 2**32), samplings(bus, displaced=10_000))
    def law(transfers: list[Transfer], seed: int, sampling: Sampling) -> None:
        made = synthesise(bus, transfers, seed=seed, sampling=sampling)
        for capture in made.places.values():
            table, _ = decode(bus, [capture], skew=sampling.skew)
            found = transfers_of(table)
            assert len(found) == len(transfers)
            for row, wanted in enumerate(meant(bus, transfers, made.returned)):
                assert found[row] == wanted or table.unsure[row]

    law()


def test_the_same_seed_gives_the_same_capture() -> None:
    """Nothing but the seed draws the timing."""
    bus = parse_bus(BLOCK)
    transfers = [Transfer("write", 0x100, 15, 0x01234567), Transfer("read", 0x100, 15, None)]
    one, two, other = (
        synthesise(bus, transfers, seed=seed).places["host"].times.tolist() for seed in (1, 1, 2)
    )
    assert one == two
    assert one != other


def test_a_block_stores_each_word_at_its_own_address() -> None:
    """What a block wrote, single reads of the counted-up addresses give back."""
    bus = parse_bus(BLOCK)
    words = [0x01234567, 0x89ABCDEF, 0x00FF55AA]
    block = [Transfer("write", 0x100 + 4 * at, 15, word, at > 0) for at, word in enumerate(words)]
    reads = [Transfer("read", 0x100 + 4 * at, 15, None) for at in range(3)]
    made = synthesise(bus, block + reads, seed=3)
    assert made.returned == (None, None, None, *words)
    table, _ = decode(bus, [made.places["card"]])
    assert table.address.tolist() == [0x100, 0x104, 0x108] * 2
    assert table.cycle.tolist() == [0, 0, 0, 1, 2, 3]
    assert table.beat.tolist() == [0, 1, 2, 0, 0, 0]


def test_a_pipelined_beat_belongs_to_the_latest_address_begun_before_it() -> None:
    """Address 22 is out before the data of 11 has ended; each beat keeps its own address."""
    bus = parse_bus(PIPELINED)
    moments: dict[int, dict[str, int]] = {
        0: {"ALE": 1, "A": 0x11},
        140: {"ALE": 0},
        200: {"STB": 0},
        220: {"ALE": 1, "A": 0x22},
        260: {"ALE": 0},
        300: {"D": 0xA1},
        320: {"STB": 1},
        340: {"WR": 0, "D": 0xB2},
        400: {"STB": 0},
        480: {"STB": 1},
        500: {"ALE": 1, "A": 0x33},
        540: {"ALE": 0},
        600: {"STB": 0},
        700: {"STB": 1},
        720: {"D": 0},
    }
    table, _ = decode(bus, [made_by_hand(bus, moments)])
    assert_sound(table)
    text = table.as_text()[["cycle", "kind", "address", "data", "start_ps", "end_ps"]]
    assert text.to_numpy().tolist() == [
        ["0", "read", "0x11", "0xA1", "200000", "320000"],
        ["1", "write", "0x22", "0xB2", "400000", "480000"],
        ["2", "write", "0x33", "0xB2", "600000", "700000"],
        # ALE has not risen again: whether the cycle would have had more beats is not seen.
        ["2", "", "", "", "700000", "720000"],
    ]
