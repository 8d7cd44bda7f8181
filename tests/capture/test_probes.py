"""Probe lists, name matching, and the capture as the lines of a bus at a place."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdecode.capture import (
    Binding,
    ProbeList,
    bind_capture,
    bind_channels,
    from_levels,
    read_probes,
    skews,
)
from busdecode.errors import ProbeListError, RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


def listed(tmp_path: Path, text: str) -> ProbeList:
    """Write and read a probe list."""
    path = tmp_path / "probes.toml"
    path.write_text(text)
    return read_probes(path)


def pairs(binding: Binding) -> list[tuple[str, str, str, str]]:
    """Show what was bound to what."""
    return [(b.channel, b.line, b.place, b.how) for b in binding.channels]


@pytest.mark.parametrize(
    ("channel", "line"),
    [
        *(
            (name, "AS")
            for name in ("as", "/AS", "AS*", "AS#", "nAS", "AS_n", "AS_L", "~AS", "!AS")
        ),
        *((name, "R/W") for name in ("R/W*", "RW", "r_w", "RnW", "R/nW", "bus.RW")),
        *((name, "D3") for name in ("D[3]", "D03", "d[03]", "top.x.D3", "/D[3]", "nD03")),
        *((name, "NMI") for name in ("nmi", "nNMI", "NMI*")),
        ("nWait", "WAIT"),
    ],
)
def test_names_that_mean_a_line(channel: str, line: str) -> None:
    """Scope, case, brackets, leading zeros and marks do not count; the match is told."""
    binding = bind_channels([channel], ["AS", "R/W", "D3", "D13", "NMI", "WAIT"], None)
    assert pairs(binding) == [(channel, line, "host", "matched")]
    assert binding.notes == (f"channel {channel!r} taken as line {line}",)
    assert not binding.channels[0].inverted


@pytest.mark.parametrize("channel", ["ASx", "D", "D[30]", "A1[3]", "MI", "AS.x", "clock"])
def test_names_that_mean_no_line(channel: str) -> None:
    """What only looks alike stays unused."""
    binding = bind_channels([channel], ["AS", "D3", "D0", "A13", "NMI"], None)
    assert (binding.channels, binding.unused, binding.places) == ((), (channel,), ())


def test_an_exact_match_needs_no_note_and_wins() -> None:
    """The exact name is the line; the stripped one stays unused."""
    binding = bind_channels(["nAS", "AS", "top.DS", "/DS"], ["AS", "DS"], None)
    assert pairs(binding) == [("AS", "AS", "host", "exact"), ("top.DS", "DS", "host", "matched")]
    assert binding.unused == ("nAS", "/DS")
    assert binding.notes == ("channel 'top.DS' taken as line DS",)


def test_a_bus_whose_lines_carry_marks() -> None:
    """A leading n is a mark only where the whole name is no line."""
    binding = bind_channels(["WRITE", "nWait"], ["nWrite", "nWait", "Wait"], None)
    assert [(b.channel, b.line) for b in binding.channels] == [
        ("WRITE", "nWrite"), ("nWait", "nWait")
    ]  # fmt: skip


def test_two_channels_for_one_line_need_a_list() -> None:
    """Nothing is guessed between two equally good names."""
    with pytest.raises(ProbeListError) as caught:
        bind_channels(["a.AS", "b.AS"], ["AS"], None)
    assert str(caught.value) == (
        "2 channels may be line AS at host: a.AS, b.AS\n"
        "  expected: one channel for a line at a place\n"
        "  do:       name the one under [channels] of a probe list, or give the scopes their"
        " places under [places]"
    )


def test_scopes_have_places(tmp_path: Path) -> None:
    """Channels below a mapped scope belong to its place, the inner scope first."""
    probes = listed(tmp_path, '[places]\n"top.b" = "slot3"\ninner = "card"\n')
    binding = bind_channels(["top.a.AS", "top.b.AS", "top.b.inner.AS"], ["AS"], probes)
    assert binding.places == ("host", "card", "slot3")
    assert [(b.channel, b.place) for b in binding.channels] == [
        ("top.a.AS", "host"), ("top.b.AS", "slot3"), ("top.b.inner.AS", "card")
    ]  # fmt: skip


def test_a_list_tells_side_inversion_and_skew(tmp_path: Path) -> None:
    """All that a list says arrives, by whole name and by tail."""
    probes = listed(
        tmp_path,
        '[channels]\n"top.p0" = "AS"\n'
        'p1 = { line = "AS", side = "card", inverted = true, skew = "2.5 ns" }\n',
    )
    binding = bind_channels(["top.p0", "top.p1", "top.p2"], ["AS", "DS"], probes)
    assert [(b.channel, b.place, b.inverted, b.skew, b.how) for b in binding.channels] == [
        ("top.p0", "host", False, 0, "listed"),
        ("top.p1", "card", True, 2_500, "listed"),
    ]
    assert binding.missing == {"host": ("DS",), "card": ("DS",)}
    assert binding.unused == ("top.p2",)
    assert skews(binding, "card", ["AS"]).tolist() == [2_500]
    with pytest.raises(RequestError, match="line 'DS' is not to be had at card"):
        skews(binding, "card", ["DS"])


def test_the_list_wins_over_a_name(tmp_path: Path) -> None:
    """A listed channel takes its line; the channel with the line's own name stays unused."""
    probes = listed(tmp_path, '[channels]\np0 = "AS"\nDS = "D0"\n')
    binding = bind_channels(["AS", "p0", "DS"], ["AS", "DS", "D0"], probes)
    assert [(b.channel, b.line) for b in binding.channels] == [("p0", "AS"), ("DS", "D0")]
    assert binding.unused == ("AS",)


@pytest.mark.parametrize(
    ("numbers", "group", "wanted"),
    [
        ([3, 2, 1, 0], "D[3:0]", ["D3", "D2", "D1", "D0"]),
        ([0, 1, 2, 3], "D[3:0]", ["D0", "D1", "D2", "D3"]),
        ([7, 6, 5, 4], "D[3:0]", ["D3", "D2", "D1", "D0"]),
        ([4, 5, 6, 7], "D[3:0]", ["D3", "D2", "D1", "D0"]),
        ([1, 0], "D[3:2]", ["D3", "D2"]),
        ([1, 0], "D[2:3]", ["D2", "D3"]),
    ],
)
def test_groups_map_by_number_else_in_order(
    numbers: list[int], group: str, wanted: list[str], tmp_path: Path
) -> None:
    """Equal numbers are equal lines; another index base goes msb to msb, in a note."""
    probes = listed(tmp_path, f'[groups]\nbus = {{ line = "{group}", inverted = true }}\n')
    channels = [f"top.bus[{number}]" for number in numbers]
    binding = bind_channels(channels, ["D3", "D2", "D1", "D0"], probes)
    assert [b.line for b in binding.channels] == wanted
    assert all(b.inverted and b.how == "listed" for b in binding.channels)
    in_order = set(numbers) != {int(line[1:]) for line in wanted}
    assert binding.notes == (
        (f"vector 'top.bus' taken in order: {channels[0]} as {wanted[0]}, "
         f"{channels[-1]} as {wanted[-1]}",) if in_order else ()
    )  # fmt: skip


def test_inversion_turns_levels_not_unknowns(tmp_path: Path) -> None:
    """0 and 1 change, x and z stay what they are."""
    probes = listed(tmp_path, '[channels]\np0 = { line = "AS", inverted = true }\n')
    capture = from_levels([0, 1, 2, 3], {"p0": "01xz", "DS": "01xz"})
    binding = bind_channels(capture.lines, ["DS", "AS"], probes)
    bound = bind_capture(capture, binding, "host", ["DS", "AS"])
    assert bound.lines == ("DS", "AS")
    assert bound.levels("AS").tolist() == [1, 0, 2, 3]
    assert bound.levels("DS").tolist() == [0, 1, 2, 3]
    known = from_levels([0, 1], {"p0": "01", "DS": "01"})
    assert bind_capture(known, binding, "host", ["DS", "AS"]).states.tolist() == [[2], [1]]


def test_a_line_probed_once_serves_all_places(tmp_path: Path) -> None:
    """A single probe is used everywhere and told; with two elsewhere the place has none."""
    probes = listed(tmp_path, '[places]\nc = "card"\ns = "slot1"\n')
    capture = from_levels([0, 1], {"AS": "01", "c.DS": "10", "c.D0": "01", "s.D0": "11"})
    binding = bind_channels(capture.lines, ["AS", "DS", "D0"], probes)
    assert binding.missing == {"host": ("D0",), "card": (), "slot1": ()}
    host = bind_capture(capture, binding, "host", ["AS", "DS", "D0"])
    assert host.lines == ("AS", "DS")
    assert host.levels("DS").tolist() == [1, 0]
    assert host.notes == ("line DS probed at card only; used at host too",)
    card = bind_capture(capture, binding, "card", ["D0", "AS", "DS"])
    assert card.lines == ("D0", "AS", "DS")
    assert card.levels("D0").tolist() == [0, 1]
    assert card.notes == ("line AS probed at host only; used at card too",)
    with pytest.raises(RequestError, match="the place must be one of host, card, slot1, not 'x'"):
        bind_capture(capture, binding, "x", ["AS"])


@settings(max_examples=60, deadline=None)
@given(
    order=st.permutations(range(130)),
    count=st.integers(1, 130),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_order_of_lines_keeps_their_levels(order: Sequence[int], count: int, seed: int) -> None:
    """Each line of the result has the levels of its channel, across words and shifts."""
    levels = np.random.default_rng(seed).integers(0, 4, (130, 3))
    capture = from_levels(
        [0, 1, 2], {f"top.L[{k}]": [int(v) for v in levels[k]] for k in range(130)}
    )
    lines = [f"L{k}" for k in order[:count]]
    binding = bind_channels(capture.lines, lines, None)
    bound = bind_capture(capture, binding, "host", lines)
    assert list(bound.lines) == lines
    for k in order[:count]:
        assert bound.levels(f"L{k}").tolist() == levels[k].tolist()


def test_a_net_seen_again_further_in_is_taken_once() -> None:
    """A bench that dumps a net in its own scope and in those below has one channel for it."""
    lines = ["top.AS", "top.cpu.AS", "top.ram.AS", "top.cpu.RW"]

    binding = bind_channels(lines, ["AS", "R/W"], None)

    assert {(each.channel, each.line) for each in binding.channels} == {
        ("top.AS", "AS"),
        ("top.cpu.RW", "R/W"),
    }
    assert (
        "line AS: channel 'top.AS' taken; the same name further in, "
        "top.cpu.AS, top.ram.AS, is held for the same net"
    ) in binding.notes


def test_nets_in_scopes_beside_each_other_are_not_taken_for_one() -> None:
    """Two scopes of one depth may be two places: the probe list must say."""
    with pytest.raises(ProbeListError, match="2 channels may be line AS at host"):
        bind_channels(["left.AS", "right.AS"], ["AS"], None)


def test_scopes_called_host_and_card_are_these_places() -> None:
    """Two scopes with the places' own names need no probe list; the guess is told."""
    binding = bind_channels(["host.AS", "card.AS"], ["AS"], None)

    assert binding.places == ("host", "card")
    assert "scope 'card' taken as the place card" in binding.notes
