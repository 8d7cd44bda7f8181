"""Captures made by hand to lanes, bands, breaks and marks."""

from __future__ import annotations

import numpy as np
import pytest

from busdecode.access import AccessLog, read_log
from busdecode.capture import from_levels
from busdecode.cycles import CycleTable, decode
from busdecode.errors import RequestError
from busdecode.protocol import load_bus
from busdecode.report.figures import Judged, Span, Wrong, figure_of, lanes_of

SRAM = load_bus("sram")


def write(data: int = 0x55, data_lines: str = "01234567", moments: tuple[int, ...] = ()):  # type: ignore[no-untyped-def]
    """Make a write to address 3 of a RAM chip: WE low from 20 to 80 ns, as all its data sheets."""
    times = moments or (0, 10, 20, 80, 100)
    levels = {"CS": "10001", "WE": "11011", "OE": "11111"}
    levels |= {f"A{bit}": "01110" if bit < 2 else "00000" for bit in range(15)}
    levels |= {f"D{bit}": "01110" if data >> int(bit) & 1 else "00000" for bit in data_lines}
    capture = from_levels([ns * 1000 for ns in times], levels, end=(times[-1] + 20) * 1000)
    table, _ = decode(SRAM, [capture])
    return capture, table


def lanes_shown(capture, table, **options):  # type: ignore[no-untyped-def]
    """Give what each lane shows as (text or level, from, to) in ns."""
    figure = figure_of(capture, table, title="t", **options)
    return {
        lane.name: [(s.text or s.shows, s.start // 1000, s.end // 1000) for s in lane.spans]
        for lane in figure.lanes
    }


def test_lines_are_levels_and_bundles_are_values() -> None:
    """From a quarter of the cycle before it to a quarter after."""
    capture, table = write()
    shown = lanes_shown(capture, table)

    assert list(shown) == ["A[14:0]", "D[7:0]", "CS", "WE", "OE"]
    assert shown["WE"] == [("high", 5, 20), ("low", 20, 80), ("high", 80, 95)]
    assert shown["D[7:0]"] == [("00", 5, 10), ("55", 10, 95)]
    assert shown["A[14:0]"] == [("0000", 5, 10), ("0003", 10, 95)]


def test_lines_not_captured_are_told_apart_from_levels() -> None:
    """A digit of which a line is missing is ?, and the lines are named."""
    capture, table = write(data_lines="123456")
    figure = figure_of(capture, table, title="t")
    data = next(lane for lane in figure.lanes if lane.name == "D[7:0]")

    assert [span.text for span in data.spans] == ["??"]
    assert "D[7:0]: not captured: D7, D0" in figure.notes
    gone = capture.select([line for line in capture.lines if line != "OE"])
    shown = lanes_shown(gone, decode(SRAM, [gone])[0])
    assert [what for what, _, _ in shown["OE"]] == ["not captured"]


def test_gaps_are_not_captured_and_x_and_z_are_what_they_are() -> None:
    """Of a bundle that is x or z throughout there is no value."""
    capture = from_levels(
        [0, 10, 20, 30, 40],
        {"D1": "0xz11", "D0": "0xz1x", "OE": "10011"},
        gaps=[False, False, False, True, False],
        end=50,
    )
    table = _one_row(0, 50)
    lanes = lanes_of(SRAM, ["D[1:0]", "OE"])
    figure = figure_of(capture, table, title="t", lanes=lanes)

    assert [(s.shows, s.text) for s in figure.lanes[0].spans] == [
        ("value", "0"), ("not known", ""), ("released", ""), ("not captured", ""), ("value", "?"),
    ]  # fmt: skip
    assert [s.shows for s in figure.lanes[1].spans] == ["high", "low", "not captured", "high"]


def _one_row(start: int, end: int) -> CycleTable:
    _, table = write()
    row = table.take(slice(0, 1))
    row.start[:], row.end[:], row.phases[:] = start, end, start
    return row


def test_address_lanes_count_bytes_where_the_bus_counts_words() -> None:
    """A23 to A1 of the MC68000 with A1 high: byte address 2; a part that stops short does not."""
    bus = load_bus("mc68000")
    levels = {f"A{bit}": "11" if bit == 1 else "00" for bit in range(1, 24)}
    capture = from_levels([0, 10], levels | {"AS": "10", "UDS": "10"}, end=20)
    table, _ = decode(bus, [capture])
    lanes = lanes_of(bus, ["A", "A[3:1]", "A[3:2]"])
    figure = figure_of(capture, table, title="t", lanes=lanes)

    assert [lane.spans[0].text for lane in figure.lanes] == ["000002", "2", "0"]
    assert "A[23:1], A[3:1]: values are byte addresses" in figure.notes


def test_phases_are_half_open_and_a_cycle_has_its_names_from_long_to_short() -> None:
    """The last phase lasts until the next beat or the end of what is shown."""
    capture, table = write()
    figure = figure_of(capture, table, title="t")
    bands = [(b.rank, b.names[-1], b.start // 1000, b.end // 1000) for b in figure.bands]

    assert bands == [
        ("cycle", "0", 20, 80), ("phase", "data", 20, 80), ("phase", "release", 80, 95),
    ]  # fmt: skip
    assert figure.bands[0].names[0] == "0: write 0x0003 = 0x55, unacknowledged"
    assert figure.zero == 20_000


def test_a_long_time_without_a_change_is_left_out() -> None:
    """A strobe of 60 us, and all else within 50 ns."""
    capture, table = write(moments=(0, 10, 20, 60_020, 60_040))
    figure = figure_of(capture, table, title="t")
    others = figure.end - figure.start - 60_000_000

    assert [each.end - each.start for each in figure.breaks] == [60_000_000 - others // 4 * 2]
    assert figure_of(*write(), title="t").breaks == ()


def test_a_wrong_line_of_a_bundle_gets_a_lane_below_it_with_what_was_meant() -> None:
    """One that is drawn by itself is marked there; one that is not drawn is told."""
    capture, table = write()
    wrong = (
        Wrong("D3", 80_000, "D3 low, meant high", ((20_000, 80_000, 1),)),
        Wrong("OE", 20_000, "OE"),
        Wrong("A5", 20_000, "A5"),
    )
    lanes = lanes_of(SRAM, ["D", "OE"])
    figure = figure_of(capture, table, title="t", lanes=lanes, wrong=wrong)

    assert [lane.name for lane in figure.lanes] == ["D[7:0]", "D3", "OE"]
    assert figure.lanes[1].meant == (Span(20_000, 80_000, "high"),)
    assert [(mark.lane, mark.moment) for mark in figure.marks] == [("OE", 20_000), ("D3", 80_000)]
    assert figure.notes[-1] == "wrong, but not among the lines drawn: A5"


def test_many_wrong_lines_of_a_bundle_are_one_mark() -> None:
    """More than eight would hide the rest."""
    capture, table = write()
    wrong = [Wrong(f"A{bit}", 20_000, f"A{bit} wrong") for bit in range(9)]
    figure = figure_of(capture, table, title="t", wrong=wrong)

    assert [mark.lane for mark in figure.marks] == ["A[14:0]"]
    assert figure.marks[0].text.count("wrong") == 9


def _log(tmp_path, text: str) -> AccessLog:  # type: ignore[no-untyped-def]
    (tmp_path / "log.csv").write_text(text, encoding="ascii")
    return read_log(tmp_path / "log.csv")


def test_a_log_tells_what_was_meant_of_each_wrong_line(tmp_path) -> None:  # type: ignore[no-untyped-def]
    """Meant 0x5D, seen 0x55: D3."""
    _, table = write()
    log = _log(tmp_path, "op,address,size,data\nwrite,0x3,1,0x5D\n")
    judged = Judged.of(table, log, (), SRAM.line_names)
    wrong, meant, notes = judged.wrong_in([0])

    assert [(each.line, each.text) for each in wrong] == [
        ("D3", "D3 low, meant high: write data, cycle 0")
    ]
    assert wrong[0].meant[0][1:] == (80_000, 1)
    assert [(each.lines, each.text) for each in meant] == [(SRAM.data, "5D")]
    assert notes == ("cycle 0 was meant as write 0x0003, 0x5D",)


def test_a_cycle_that_is_as_meant_has_nothing_wrong(tmp_path) -> None:  # type: ignore[no-untyped-def]
    """Nor has one of which the log says nothing, which is told."""
    _, table = write()
    log = _log(tmp_path, "op,address,size,data\nwrite,0x3,1,0x55\n")
    judged = Judged.of(table, log, (), SRAM.line_names)

    assert judged.wrong_in([0])[:2] == ((), ())
    alone = Judged(table, judged.meant, {}, (), SRAM.line_names)
    assert alone.wrong_in([0])[2] == ("cycle 0: no access of the log is known to be this one",)


def test_lanes_that_cannot_be_had_are_refused() -> None:
    """The error names what there is."""
    with pytest.raises(RequestError) as caught:
        lanes_of(SRAM, ["WEE"])
    assert str(caught.value) == (
        "sram has no line or bundle 'WEE'\n"
        "  expected: one of A, D, CS, WE, OE, or a line of a bundle\n"
        "  do:       did you mean WE?"
    )
    with pytest.raises(RequestError, match="no line was named"):
        lanes_of(SRAM, [])
    with pytest.raises(RequestError, match="lane WE is asked for twice"):
        lanes_of(SRAM, ["WE", "D", "WE"])
    with pytest.raises(RequestError, match="no line or bundle 'D\\[8:0\\]'"):
        lanes_of(SRAM, ["D[8:0]"])


def test_more_changes_than_a_page_can_show_are_refused() -> None:
    """They are counted."""
    rows = 4_010
    wave = np.arange(rows) % 2
    capture = from_levels(list(range(rows)), {"WE": wave.tolist()}, resolution=1, end=rows)
    with pytest.raises(RequestError, match=r"WE changes 4,009 times in the time to be drawn"):
        figure_of(capture, _one_row(0, rows), title="t")
