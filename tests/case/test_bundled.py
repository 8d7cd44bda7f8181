"""The bundled case: what its captures hold, and that the fault its page tells is in them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busdecode.access import read_log
from busdecode.capture import open_capture
from busdecode.case import Case, read_case

CHECKOUT = Path(__file__).parents[2]
FOLDER = CHECKOUT / "captures" / "brackenmoor"


@pytest.fixture(scope="module")
def case() -> Case:
    """Read the bundled case."""
    return read_case(FOLDER / "case.toml")


def test_the_captures_are_runs_of_one_log_with_the_channels_there_are(case: Case) -> None:
    """No capture has more lines than channels, each has the fixed ones, none is had twice."""
    others: list[str] = []
    for each in case.captures:
        lines = [line.rpartition(".")[2] for line in open_capture(each.file).lines]
        assert len(lines) == case.channels
        assert set(case.fixed) <= set(lines)
        others += [line for line in lines if line not in case.fixed]

    assert {each.log for each in case.captures} == {"walk"} == {each.name for each in case.logs}
    assert sorted(others) == sorted([f"D{at}" for at in range(8)] + [f"A{at}" for at in range(16)])


def test_the_files_are_small_and_say_that_they_are_invented(case: Case) -> None:
    """Less than 100 kB each; a person who opens a capture alone is told too."""
    assert all(each.stat().st_size < 100_000 for each in FOLDER.iterdir())
    for file in (case.path, *(each.file for each in case.captures)):
        assert "invented" in file.read_text(encoding="utf-8")


def test_the_tied_lines_are_one_node(case: Case) -> None:
    """D1 and A3 show the same level in every row, as tied lines do; D0 and A3 do not.

    A bridge makes two nodes one, so both probes read the same: the project's own definition.
    """
    low = next(each for each in case.captures if each.name == "data-low")
    capture = open_capture(low.file).read()
    names = {line.rpartition(".")[2]: at for at, line in enumerate(capture.lines)}
    levels = {
        line: capture.states[:, 0] >> np.uint64(names[line]) & np.uint64(1)
        for line in ("D0", "D1", "A3")
    }

    assert np.array_equal(levels["D1"], levels["A3"])
    assert not np.array_equal(levels["D0"], levels["A3"])


def test_what_was_read_wrong_has_bit_1_low_and_no_other(case: Case) -> None:
    """The note of the case is true of its log: low wins, and only D1 is tied."""
    reads = [each for each in read_log(case.logs[0].file).accesses if each.expected is not None]
    wrong = {each.expected ^ each.data for each in reads if each.data != each.expected}

    assert wrong == {0b10}
    assert all(each.data & 0b10 == 0 for each in reads if each.data != each.expected)
