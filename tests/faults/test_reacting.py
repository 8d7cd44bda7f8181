"""Faults that change how host or card behave: the ending and the data that a capture shows."""

from __future__ import annotations

import pytest

from busdecode.access import Transfer
from busdecode.cycles import Sampling, decode, synthesise
from busdecode.faults import Fault, LateAcknowledge, LateData, NoAcknowledge, Stuck
from tests.faults.drawn import BUS, faults_of

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


def falls(fault: str, line: str, seed: int) -> list[int]:
    """Give the moments in ps at which a line falls at the card, sampled at every edge."""
    made = synthesise(
        BUS,
        TRANSFERS,
        seed=seed,
        faults=faults_of(fault),
        sampling=Sampling(period=0),
        wait_share=0,
    ).places["card"]
    levels = made.levels(line)
    return made.times[1:][(levels[1:] == 0) & (levels[:-1] == 1)].tolist()


@pytest.mark.parametrize("seed", range(3))
def test_a_late_acknowledge_comes_later_in_each_beat_and_ends_it(seed: int) -> None:
    """A healthy card answers within 160 ns of the strobe; with 2 us of delay beyond 2 us."""
    for fault, least, most in [("", 0, 160_000), ("late-acknowledge DTACK 2 us", 2_000_000, 2e9)]:
        answers = falls(fault, "DTACK", seed)
        strobes = falls(fault, "LDS", seed)
        assert len(answers) == len(strobes) == 2
        assert all(least <= a - s <= most for a, s in zip(answers, strobes, strict=True))
    assert endings(LateAcknowledge("DTACK", 2_000_000)) == ["acknowledged", "acknowledged"]


def test_an_acknowledge_later_than_the_watchdog_is_a_timeout() -> None:
    """The master waits 10 us; the card's assertion is overtaken."""
    assert endings(LateAcknowledge("DTACK", 50_000_000)) == ["timeout", "timeout"]
    assert falls("late-acknowledge DTACK 50 us", "DTACK", 0) == []


@pytest.mark.parametrize("seed", range(3))
def test_an_early_acknowledge_comes_with_the_beat(seed: int) -> None:
    """At the very moment at which the card sees the strobe, in read and write."""
    assert falls("early-acknowledge DTACK", "DTACK", seed) == falls(
        "early-acknowledge DTACK", "LDS", seed
    )


@pytest.mark.parametrize(
    ("fault", "wanted"), [("", "0xFFFF"), ("slow-release read 9 us", "0x0000")]
)
def test_read_data_that_are_not_let_go_pull_the_next_writes_low(fault: str, wanted: str) -> None:
    """The card's 0000 is still there while the host writes FFFF.

    Two drivers that disagree make a line low (common practice, no source).
    """
    transfers = [
        Transfer("write", 0x1000, 3, 0x0000),
        Transfer("read", 0x1000, 3, None),
        Transfer("write", 0x2000, 3, 0xFFFF),
    ]
    made = synthesise(BUS, transfers, faults=faults_of(fault), sampling=Sampling(period=0))
    table, _ = decode(BUS, [made.places["host"]])
    assert table.as_text()["data"].tolist() == ["0x0000", "0x0000", wanted]


def test_an_open_that_keeps_its_level_gives_the_last_word_written_for_every_read() -> None:
    """Two words written, then both read: D3 is that of the last; read at once it passes.

    The rule: an open line without a pull carries what the bus did last, so that reading back at
    once is no test; derived, no source.
    """
    first, second = 0x1000, 0x2000
    writes = {cell: Transfer("write", cell, 3, word) for cell, word in ((first, 0), (second, 8))}
    reads = {cell: Transfer("read", cell, 3, None) for cell in writes}
    for order, wanted in [
        ([writes[first], writes[second], reads[first], reads[second]], [8, 8]),
        ([writes[first], reads[first], writes[second], reads[second]], [0, 8]),
    ]:
        made = synthesise(BUS, order, faults=faults_of("open D3 keep"))
        assert [word for word in made.returned if word is not None] == wanted
