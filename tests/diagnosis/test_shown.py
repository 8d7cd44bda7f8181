"""What lines show in a capture, as evidence; truth is what the synthesised target had."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from busdecode.cycles import MOMENTS
from busdecode.diagnosis.shown import seen_in, stimulus_of
from tests.diagnosis.readbacks import bus_of, fault_of, model_of
from tests.diagnosis.runs import foretold_by, off_by, run, without


def lines_wrong(shown: object) -> set[tuple[str, str]]:
    """Give the moments and lines at which something was wrong."""
    wrong = shown.wrong.reshape(-1, len(MOMENTS))
    names = bus_of("z80").line_names
    return {
        (MOMENTS[moment], names[bit])
        for _, moment in zip(*wrong.nonzero(), strict=True)
        for bit in range(len(names))
        if (wrong[:, moment] >> np.uint64(bit) & np.uint64(1)).any()
    }


def test_on_a_healthy_capture_nothing_is_wrong_and_much_is_judged() -> None:
    """Every transfer has an address, and data of a write or of a read."""
    made = run("z80", seed=1)
    (shown,) = made.gathered(made.capture()).recorded[0].shown

    assert not shown.wrong.any()
    assert shown.judged >= 2 * len(shown) // len(MOMENTS) * 9 // 10


def test_only_a_stuck_line_is_wrong_and_only_where_it_should_be_high() -> None:
    """D3 stuck low: wrong where the host drives it high, and where a read should return so."""
    made = run("z80", "stuck D3 low", seed=2)
    recorded = made.gathered(made.capture()).recorded[0]
    (shown,) = recorded.shown
    wrong = shown.wrong.reshape(-1, len(MOMENTS))
    written = [each.data for each in recorded.stimulus.foreteller.transfers]

    assert lines_wrong(shown) == {("write", "D3"), ("read", "D3")}
    assert [bool(each) for each in wrong[:, MOMENTS.index("write")].tolist()] == [
        word is not None and bool(word >> 3 & 1) for word in written
    ]


def test_a_line_that_was_not_captured_is_not_looked_at() -> None:
    """Without D3 nothing is wrong though it is stuck, and its candidates are not contradicted."""
    made = run("z80", "stuck D3 low", seed=2)
    (shown,) = made.gathered(made.capture(without("z80", "D3"))).recorded[0].shown
    bit = np.uint64(1 << bus_of("z80").line_names.index("D3"))

    assert not (shown.looked & bit).any()
    assert not shown.wrong.any()
    assert [off_by(shown, fault_of(f"stuck D3 {level}")) for level in ("low", "high")] == [[], []]


def test_a_transfer_without_a_beat_is_not_looked_at() -> None:
    """Of two transfers of which the first was not found, only the second shows lines."""
    made = run("z80", seed=1)
    recording = made.capture().recording
    table = recording.table
    view = next(iter(recording.look(np.array([1]), np.array([], dtype=np.int64)).views.values()))
    seen = seen_in(view, table, np.array([-1, 1]), bus_of("z80").line_names)

    assert not seen.looked[0].any()
    assert seen.looked[1].any()


def test_without_a_log_the_lines_tell_what_was_done() -> None:
    """The same transfers as logged, and that is noted; D3 is not told where not captured."""
    made = run("z80", seed=4)
    logged = made.gathered(made.capture()).recorded[0]
    recorded = made.gathered(made.capture(is_logged=False)).recorded[0]
    told = [each.foreteller.transfers for each in (logged.stimulus, recorded.stimulus)]

    assert [replace(each, asked=None) for each in told[0]] == list(told[1])
    assert recorded.notes == ("capture: without a log, what was written is taken from the lines",)

    few = made.gathered(made.capture(without("z80", "D3"), is_logged=False)).recorded[0]
    assert few.stimulus.foreteller.hidden == {"D3"}
    assert foretold_by(few.shown[0], None).known.any()
    assert off_by(few.shown[0], fault_of("bridge D3 D5 low-wins")) == []


def test_without_all_address_lines_no_address_is_met_twice_by_chance() -> None:
    """Addresses are told apart by bits of the lines that were not captured."""
    made = run("z80", seed=4)
    lines = without("z80", *[f"A{bit}" for bit in range(8)])
    capture = made.capture(lines, is_logged=False)
    recorded = made.gathered(capture).recorded[0]
    addresses = [each.address for each in recorded.stimulus.foreteller.transfers]

    assert len(set(addresses)) == len(addresses) > 60
    # With one bit too few for all rows, reads are left out.
    fewer = made.capture(without("z80", "A0"), is_logged=False).recording
    stimulus = stimulus_of(
        model_of("z80"),
        fewer.table,
        without("z80", "A0"),
        None,
        addresses=lambda rows: np.zeros(len(rows), dtype=np.uint64),
    )
    assert not len(stimulus.reads)
