"""What a description becomes: lines, lanes, moments, steps; and the bundled ones."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from busdecode.protocol import (
    Moment,
    bundled_buses,
    expand_lines,
    load_bus,
    parse_bus,
)

SMALL = (Path(__file__).parent / "small.toml").read_text(encoding="utf-8")


def test_a_small_description_as_values() -> None:
    """What is not said has the value that the document gives as usual."""
    bus = parse_bus(SMALL)
    assert repr(bus) == "Bus('small': 16 lines, 1 lane(s) of 8 bits, kinds write, read)"
    assert bus.line_names[:5] == ("A3", "A2", "A1", "A0", "D7")
    assert bus.bundles["A"] == ("A3", "A2", "A1", "A0")
    assert (bus.address_bits, bus.address_width, bus.word_bytes) == ((3, 2, 1, 0), 4, 1)
    assert bus.phase_names == ("address", "data", "acknowledge", "release")
    assert bus.take == {
        "address": Moment("at", "address"),
        "kind": Moment("at", "address"),
        "direction": Moment("at", "address"),
        "lanes": Moment("at", "data"),
        "port": Moment("before", "release"),
        "read": Moment("before", "release"),
        "write": Moment("before", "release"),
    }
    assert (bus.ending.acknowledged, bus.ending.error, bus.ending.wait) == (("ACK",), ("ERR",), ())
    assert (bus.ending.timeout, bus.shortest_pulse) == (1_000_000, 100_000)
    assert bus.idle == (100_000, 200_000)
    assert [bus.asserted_level(name) for name in ("STB", "A0")] == [0, 1]
    assert (bus.pipelined, bus.joined, bus.lanes_quiet) == (False, False, None)


def test_a_step_as_a_value() -> None:
    """Triggers are steps by their name, or conditions."""
    step = parse_bus(SMALL).steps[2]
    assert (step.name, step.by, step.stage) == ("answer", "card", "beat")
    assert step.kinds == frozenset({"read"})
    assert step.actions == (("drive", "data"), ("assert", "ACK"))
    assert step.after_steps == ()
    assert [span for _, span in step.after_levels] == [(50_000, 90_000)]
    assert (step.waits, step.only_with_waits) == ((100_000, 200_000), False)


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("at acknowledge", Moment("at", "acknowledge")),
        ("before release", Moment("before", "release")),
        ("at release - 2.5 ns", Moment("at", "release", -2_500)),
        ("before acknowledge + 90 ns", Moment("before", "acknowledge", 90_000)),
        ("at address+1us", Moment("at", "address", 1_000_000)),
    ],
)
def test_a_moment_means_this(text: str, moment: Moment) -> None:
    """How, which phase, and how much earlier or later."""
    bus = parse_bus(SMALL.replace('read = "before release"', f'read = "{text}"'))
    assert bus.take["read"] == moment


@pytest.mark.parametrize(
    ("written", "names"),
    [
        ("AS", ("AS",)),
        ("FC[2:0]", ("FC2", "FC1", "FC0")),
        ("D[0:2]", ("D0", "D1", "D2")),
        ("A[7:7]", ("A7",)),
    ],
)
def test_a_range_of_lines(written: str, names: tuple[str, ...]) -> None:
    """The most significant line stands first."""
    assert expand_lines(written) == names


@pytest.mark.parametrize(("order", "offsets"), [("big", [0, 1, 2, 3]), ("little", [3, 2, 1, 0])])
def test_byte_order_decides_the_address_of_a_lane(order: str, offsets: list[int]) -> None:
    """Lane 0 is the most significant: D31 to D24."""
    text = SMALL.replace("D[7:0]", "D[31:0]")
    bus = parse_bus(text.replace('byte_order = "big"', f'byte_order = "{order}"'))
    assert [bus.lane_offset(lane) for lane in range(bus.lane_count)] == offsets


def test_the_span_of_lanes_on_a_big_endian_bus() -> None:
    """The offset of the first byte, and that after the bytes moved."""
    text = SMALL.replace("D[7:0]", "D[31:0]")
    bus = parse_bus(text)
    spans = [bus.lane_span(lanes) for lanes in (0b0000, 0b1111, 0b1000, 0b0001, 0b0110)]
    assert spans == [(0, 0), (0, 4), (0, 1), (3, 4), (1, 3)]


def test_the_bundled_buses() -> None:
    """Each bears its file's name, says where its facts were had, and can make captures."""
    assert {"mc68000", "orlop32", "z80"} <= set(bundled_buses())
    for name in bundled_buses():
        bus = load_bus(name)
        assert bus.name == name
        assert all(source.document and source.section for source in bus.sources)
        assert bus.invented == all(source.status == "invented" for source in bus.sources)
        assert bus.steps
        assert bus.shortest_pulse > 0


def test_a_bus_is_loaded_by_path_as_well(tmp_path: Path) -> None:
    """The same text, the same values but for the path."""
    path = tmp_path / "own.toml"
    path.write_text(SMALL, encoding="utf-8")
    bus = load_bus(path)
    assert bus.path == path
    assert replace(bus, path=None) == parse_bus(SMALL)
