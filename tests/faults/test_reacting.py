"""Faults that change how host or card behave: the ending and the data that a capture shows."""

from __future__ import annotations

import pytest

from busdecode.access import Transfer
from busdecode.cycles import Sampling, decode, synthesise
from busdecode.faults import Fault, LateData, NoAcknowledge, Stuck
from busdecode.protocol import load_bus

BUS = load_bus("mc68000")
TRANSFERS = [Transfer("write", 0x1000, 3, 0xFFFF), Transfer("read", 0x1000, 3, None)]


def endings(fault: Fault) -> list[str]:
    """Give how each beat ended, as the host's side shows it."""
    made = synthesise(BUS, TRANSFERS, faults=[fault], sampling=Sampling(period=0))
    table, _ = decode(BUS, [made.places["host"]])
    return table.as_text()["ended"].tolist()


@pytest.mark.parametrize(
    ("then", "wanted"),
    [("error", ["error", "error"]), ("ends", ["timeout", "timeout"]), ("hangs", ["cut-off"])],
)
def test_what_the_master_does_without_an_acknowledge(then: str, wanted: list[str]) -> None:
    """Its watchdog asserts BERR, or it just ends after 10 us, or it waits for ever."""
    assert endings(NoAcknowledge("DTACK", then)) == wanted  # type: ignore[arg-type]


def test_an_acknowledge_line_stuck_high_gives_the_same_timeout() -> None:
    """The card asserts DTACK in vain."""
    assert endings(Stuck("DTACK", 1)) == ["timeout", "timeout"]


@pytest.mark.parametrize("seed", range(5))
def test_late_write_data_is_the_old_level_at_the_strobe(seed: int) -> None:
    """A delay of 100 ns: data follow the strobe by up to 60 ns instead of leading by 40."""
    lates = []
    for faults in ([], [LateData("write", 100_000)]):
        made = synthesise(
            BUS, TRANSFERS, faults=faults, seed=seed, sampling=Sampling(period=0)
        ).places["host"]
        strobe = int(made.times[1:][(made.levels("LDS")[1:] == 0).argmax()])
        data = int(made.times[1:][(made.levels("D0")[1:] != made.levels("D0")[0]).argmax()])
        lates.append(data - strobe)
    healthy, late = lates
    assert healthy <= -40_000
    assert late > healthy


@pytest.mark.parametrize("seed", range(5))
def test_read_data_that_come_too_late_leave_the_word_that_the_bus_last_carried(seed: int) -> None:
    """The acknowledge does not wait for them; lines without a pull hold their level."""
    transfers = [
        Transfer("write", 0x1000, 3, 0xFFFF),
        Transfer("write", 0x2000, 3, 0x1234),
        Transfer("read", 0x1000, 3, None),
    ]
    made = synthesise(BUS, transfers, faults=[LateData("read", 1_000_000)], seed=seed)
    table, _ = decode(BUS, [made.places["host"]])
    read = table.as_text().iloc[2]
    assert (read["data"], read["ended"]) == ("0x1234", "acknowledged")
    assert made.returned == (None, None, 0x1234)
