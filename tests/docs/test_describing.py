"""The bus that docs/describing-a-bus.md builds is a good description, and the law holds for it."""

from __future__ import annotations

import re
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from busdecode.access import Transfer
from busdecode.cycles import Sampling, decode, synthesise, transfers_of
from busdecode.protocol import Bus, bundled_buses, load_bus
from busdecode.protocol.load import Description
from busdecode.timing import Figures, replay_capture
from tests.assertions import assert_sound, meant
from tests.strategies import samplings, transfer_lists

CHECKOUT = Path(__file__).parents[2]
PAGE = (CHECKOUT / "docs" / "describing-a-bus.md").read_text(encoding="utf-8")
FIXED = settings(derandomize=True, database=None, deadline=None, max_examples=40)


def described(tmp_path: Path) -> Bus:
    """Put the blocks of the page into one file, in their order, and load it."""
    path = tmp_path / "slipway16.toml"
    path.write_text("\n".join(re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)), encoding="utf-8")
    return load_bus(path)


def test_the_law_holds_for_the_bus_of_the_page(tmp_path: Path) -> None:
    """Decode gives back what was put on the bus, every beat acknowledged."""
    bus = described(tmp_path)

    @FIXED
    @given(transfer_lists(bus), st.integers(0, 2**32), st.floats(0, 1), samplings(bus))
    def law(transfers: list[Transfer], seed: int, wait_share: float, sampling: Sampling) -> None:
        made = synthesise(bus, transfers, seed=seed, sampling=sampling, wait_share=wait_share)
        for capture in made.places.values():
            table, decoder = decode(bus, [capture], skew=sampling.skew)
            assert_sound(table)
            assert transfers_of(table) == meant(bus, transfers, made.returned)
            assert table.count("acknowledged") == len(transfers)
            assert (decoder.notes, decoder.strays) == ([], 0)

    law()


def test_the_bus_of_the_page_keeps_its_own_shortest_pulse(tmp_path: Path) -> None:
    """The figure of section 9 is one that a user would sample by."""
    bus = described(tmp_path)
    transfers = [
        Transfer("write", 0x100, 3, 0x1234),
        Transfer("read", 0x100, 3, None),
        Transfer("read", 0x101, 1, None),
    ]
    lines = [line.name for line in bus.lines if line.role in ("strobe", "lane", "acknowledge")]
    for seed in range(50):
        capture = synthesise(bus, transfers, seed=seed, sampling=Sampling(period=0)).places["host"]
        for line in lines:
            levels = capture.levels(line)
            edges = capture.times[1:][levels[1:] != levels[:-1]]
            assert (edges[1:] - edges[:-1]).min() >= bus.shortest_pulse, line


def test_captures_made_of_the_page_meet_the_limits_of_the_page(tmp_path: Path) -> None:
    """Section 11: nothing is broken, and all but the one that cannot be seen are measured."""
    bus = described(tmp_path)
    transfers = [
        Transfer("write", 0x100, 3, 0x1234),
        Transfer("write", 0x202, 3, 0x4321),
        Transfer("read", 0x100, 3, None),
    ]
    for seed in range(20):
        made = synthesise(bus, transfers, seed=seed, sampling=Sampling(period=0))
        for capture in made.places.values():
            results = replay_capture(capture, Figures.of(bus)).results
            assert [each.limit.number for each in results if each.broken] == []
            assert [each.limit.number for each in results if not each.checked] == ["4"]


def test_every_key_of_the_language_is_in_the_table_of_the_page() -> None:
    """A key that is added fails here until the page explains it."""
    table = PAGE[PAGE.index("## 13.") : PAGE.index("## 14.")]
    parts = Description.model_json_schema()["$defs"].values()
    keys = {key for part in parts for key in part["properties"]} - {
        "steps",
        "table",
        "times",
        "used",
    }
    assert len(keys) > 40
    assert {key for key in keys if f"`{key}`" not in table} == set()


def test_the_readme_of_the_folder_names_every_description() -> None:
    """And no other."""
    readme = (CHECKOUT / "protocols" / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^\| `([a-z0-9-]+)\.toml`", readme, re.MULTILINE))
    assert named == set(bundled_buses())
