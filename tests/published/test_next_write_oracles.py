"""Counts of hypotheses, and what one more write tells, against a file on fault theory.

References: fault-theory, sections 4.2, 4.3 and 4.6. Its figures are marked there as computed: an
enumeration from the definitions, made apart from this program and before it. They are no figures
of papers. Rows of the table of counts in which one line holds another low only are left out: no
candidate stands for such a fault.
"""

from __future__ import annotations

from collections import Counter
from functools import cache
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pytest

from busdecode.diagnosis import Outcomes, Step, next_steps, read_back, score
from busdecode.faults import Bridge, Stuck, written_fault
from busdecode.predict import FaultRows, candidates
from tests.diagnosis.readbacks import (
    at_once,
    bus_of,
    fault_of,
    hexadecimal,
    judged,
    model_of,
    names,
    read,
    returned,
    written,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from busdecode.access import Access
    from busdecode.faults import Fault

SIX = (0xAA, 0xCC, 0xF0, 0x55, 0x33, 0x0F)
LINES = tuple(f"D{at}" for at in range(8))
PAIRS = tuple(combinations(LINES, 2))
THE_128: list[Fault] = [
    *(Stuck(line, level) for line in LINES for level in (0, 1)),
    *(Bridge(a, b, "low-wins") for a, b in PAIRS),
    *(Bridge(a, b, "high-wins") for a, b in PAIRS),
    *(Bridge(a, b, rule) for a, b in PAIRS for rule in ("a-wins", "b-wins")),
]


# 4.2: counts.

EIGHTEEN = [0x00, 0xFF, *(1 << at for at in range(8)), *(0xFF ^ 1 << at for at in range(8))]
SEEN = {0x04: 0x00, 0x20: 0x00, 0xFB: 0xDB, 0xDF: 0xDB}
# Explained, unexplained, refuted, agrees; bits matched, missed, invented.
COUNTS = {
    "bridge D2 D5 low-wins": (4, 0, 0, 14, 4, 0, 0),
    "bridge D2 D5 a-wins": (2, 2, 0, 14, 2, 2, 2),
    "bridge D2 D5 b-wins": (2, 2, 0, 14, 2, 2, 2),
    "stuck D2 low": (2, 2, 7, 7, 2, 2, 7),
    "stuck D5 low": (2, 2, 7, 7, 2, 2, 7),
    "none": (0, 4, 0, 14, 0, 4, 0),
    "bridge D2 D5 high-wins": (0, 4, 0, 14, 0, 4, 4),
    "stuck D2 high": (0, 4, 7, 7, 0, 4, 9),
}


def eighteen() -> list[Access]:
    """Give the 18 observations: D2 and D5 tied together, and low wins."""
    return at_once(EIGHTEEN, [SEEN.get(word, word) for word in EIGHTEEN])


def test_counts_of_hypotheses() -> None:
    """Reads and bits are counted as the table has them (4.2)."""
    faults = [None if text == "none" else fault_of(text) for text in COUNTS]
    evidence = read_back(model_of("z80"), eighteen())
    scores = score(evidence, FaultRows(model_of("z80"), faults))
    columns = ("explained", "unexplained", "refuted", "agrees", "matched", "missed", "invented")
    found = zip(*(getattr(scores, name).tolist() for name in columns), strict=True)

    assert dict(zip(COUNTS, found, strict=True)) == COUNTS
    assert [0] * len(faults) == scores.silent.tolist()


def test_true_cause_is_first_of_all_candidates() -> None:
    """It alone explains the four reads that were wrong, and contradicts none (4.2)."""
    verdict = judged(eighteen(), candidates(bus_of("z80")))
    contradicted = [group for group in verdict.groups if group.explained and not group.contradicted]

    assert {"bridge D2 D5 low-wins"} == names(verdict.groups[0].faults)
    assert verdict.groups[:1] == tuple(contradicted)
    assert (verdict.reads, verdict.wrong, verdict.is_settled) == (18, 4, True)


# 4.3: what one more write tells.


@cache
def every_word() -> Outcomes:
    """Write each of the 256 words and read it back, with each of the 128 faults."""
    model = model_of("z80")
    steps = [Step((written(0, word), read(0)), f"{word:02X}") for word in range(256)]
    return Outcomes.of(model, steps, FaultRows(model, THE_128))


@cache
def every_read() -> np.ndarray:
    """Give what reads return, shape (128, 256)."""
    return np.array(returned("z80", at_once(range(256)), THE_128))


def gains_over(faults: Iterable[Fault]) -> list[float]:
    """Give what each word tells where these faults are left, all as likely."""
    share = np.zeros(len(THE_128))
    share[[THE_128.index(fault) for fault in faults]] = 1
    return every_word().gains(share / share.sum()).tolist()


def predicted(fault: Fault, word: int) -> int:
    """Work a word out from the definition of the fault, without the program's model."""
    if isinstance(fault, Stuck):
        bit = int(fault.line[1:])
        return word & ~(1 << bit) | fault.level << bit
    assert isinstance(fault, Bridge)
    a, b = int(fault.a[1:]), int(fault.b[1:])
    levels = word >> a & 1, word >> b & 1
    node = {
        "low-wins": min(levels),
        "high-wins": max(levels),
        "a-wins": levels[0],
        "b-wins": levels[1],
    }[fault.rule]
    return word & ~(1 << a | 1 << b) | node << a | node << b


def test_every_word_with_every_one_of_the_128() -> None:
    """All 32,768 read-backs follow from the definitions of the faults (4.3)."""
    expected = [[predicted(fault, word) for word in range(256)] for fault in THE_128]

    assert len(set(THE_128)) == 128
    assert expected == every_read().tolist()


def test_fault_twice_is_fault_once() -> None:
    """A word that came back comes back the same when it is written again (4.6)."""
    reads = every_read()

    assert np.array_equal(reads, np.take_along_axis(reads, reads, axis=1))


@pytest.mark.parametrize(
    ("word", "gain"),
    [(0x00, 0.5248), (0xFF, 0.5248), (0x01, 1.5933), (0x0F, 2.6762), (0x33, 2.6762)],
)
def test_bits_that_a_word_tells_of_the_128(word: int, gain: float) -> None:
    """The entropy of what the word returns (4.3)."""
    assert gain == pytest.approx(gains_over(THE_128)[word], abs=5e-5)


def test_words_that_tell_most_of_the_128() -> None:
    """Every word with four ones does; the smallest, with nine outcomes, is proposed (4.3)."""
    gains = np.array(gains_over(THE_128)).round(6)
    best = np.flatnonzero(gains == gains.max()).tolist()

    assert [word for word in range(256) if word.bit_count() == 4] == best
    assert (len(best), best[0]) == (70, 0x0F)
    assert len(np.unique(every_word().number[0x0F])) == 9
    assert every_word().is_told.all()
    proposed = next_steps(every_word(), np.full(128, 1 / 128), 1)

    assert [(step.purpose, round(gain, 4)) for step, gain in proposed] == [("0F", 2.6762)]


def writes_to_the_last(left: np.ndarray) -> list[int]:
    """Count for each fault left the writes until it is alone, the best word each time."""
    if len(left) == 1:
        return [0]
    share = np.zeros(len(THE_128))
    share[left] = 1 / len(left)
    step = next_steps(every_word(), share, 1)[0][0]
    outcome = every_word().number[int(step.purpose, 16), left]
    return [
        1 + more
        for each in np.unique(outcome)
        for more in writes_to_the_last(left[outcome == each])
    ]


def test_best_words_one_after_the_other_identify_each_of_the_128() -> None:
    """Four writes at most, 3.219 on average (4.3)."""
    writes = writes_to_the_last(np.arange(128))

    assert (len(writes), max(writes), round(sum(writes) / 128, 3)) == (128, 4, 3.219)


# Words that read right, then how many of the 128 are left.
LEFT = [
    ([0x55], 56),
    ([0x55, 0xAA], 48),
    ([0xAA, 0xCC, 0xF0], 2),
    ([1 << at for at in range(8)], 0),
]


@pytest.mark.parametrize(("words", "left"), LEFT)
def test_faults_left_where_words_read_right(words: list[int], left: int) -> None:
    """A log that is all right leaves the faults that would have shown nothing (4.3)."""
    verdict = judged(at_once(words), THE_128)

    assert (True, left) == (verdict.healthy, len(verdict.unseen))


def test_which_faults_are_left() -> None:
    """Pairs of lines of equal parity after 55 and AA; two ends after three words (4.3)."""
    by_parity = judged(at_once([0x55, 0xAA]), THE_128).unseen
    pairs = {(fault.a, fault.b) for fault in by_parity if isinstance(fault, Bridge)}
    by_digits = judged(at_once([0xAA, 0xCC, 0xF0]), THE_128).unseen

    assert {(a, b) for a, b in PAIRS if int(a[1:]) % 2 == int(b[1:]) % 2} == pairs
    assert len(by_parity) == 12 * 4
    assert {"stuck D0 low", "stuck D7 high"} == names(by_digits)


@pytest.mark.parametrize(
    ("words", "classes", "unseen", "largest"),
    [
        ([0x55, 0xAA], 57, 48, 48),
        ([0xAA, 0xCC, 0xF0], 75, 2, 3),
        (SIX, 128, 0, 1),
        ([1 << at for at in range(8)], 128, 0, 1),
    ],
)
def test_classes_that_words_leave(
    words: Sequence[int], classes: int, unseen: int, largest: int
) -> None:
    """Faults that no word of these tells apart get one number (4.3)."""
    every = every_word()
    some = Outcomes(
        tuple(every.steps[word] for word in words),
        every.number[list(words)],
        every.unknown[list(words)],
    )
    sizes = np.bincount(some.alike())

    assert (classes, largest) == (len(sizes), sizes.max())
    assert unseen == len(judged(at_once(words), THE_128).unseen)


def best_words(faults: Iterable[Fault]) -> tuple[float, list[int]]:
    """Give the most that a word tells, and which words do."""
    gains = np.array(gains_over(faults)).round(6)
    return round(float(gains.max()), 4), np.flatnonzero(gains == gains.max()).tolist()


def test_first_word_gained_a_bit() -> None:
    """08 came back as 18: three causes are left, and one more word finishes (4.3)."""
    first = judged(at_once([0x08], [0x18]), THE_128).groups[0]
    gain, words = best_words(first.faults)
    reads = {
        written_fault(fault): every_read()[THE_128.index(fault), 0x10] for fault in first.faults
    }

    assert (gain, len(words), words[0]) == (1.5850, 64, 0x10)
    assert reads == {
        "stuck D4 high": 0x10,
        "bridge D3 D4 high-wins": 0x18,
        "bridge D3 D4 a-wins": 0x00,
    }


def test_first_word_lost_a_bit() -> None:
    """08 came back as 00: of fifteen causes F7 tells most, with nine outcomes (4.3)."""
    first = judged(at_once([0x08], [0x00]), THE_128).groups[0]
    others = [at for at in range(8) if at != 3]
    expected = {"stuck D3 low"}
    for at in others:
        pair = f"bridge D{min(at, 3)} D{max(at, 3)}"
        expected |= {f"{pair} low-wins", f"{pair} {'a' if at < 3 else 'b'}-wins"}
    gain, words = best_words(first.faults)
    gains = gains_over(first.faults)
    at_f7 = Counter(int(every_read()[THE_128.index(fault), 0xF7]) for fault in first.faults)

    assert expected == names(first.faults)
    assert len(first.faults) == 15
    assert (gain, words) == (2.5968, [0xF7])
    assert {0xFF: 7} | dict.fromkeys(hexadecimal("F7 F6 F5 F3 E7 D7 B7 77"), 1) == at_f7
    assert [round(gains[word], 3) for word in (0x08, 0x00, 0xFF)] == [0, 0, 0.353]


def gain_of(number: Sequence[int], share: Sequence[float]) -> float:
    """Give what one step tells; hypotheses with one number return the same."""
    step = Step((), "")
    outcomes = Outcomes(
        (step,), np.array([number], dtype=np.int32), np.zeros((1, len(number)), dtype=np.int64)
    )
    return float(outcomes.gains(np.array(share) / sum(share))[0])


@pytest.mark.parametrize(("few", "gain"), [(1, 0.5436), (2, 0.8113), (3, 0.9544), (4, 1.0)])
def test_half_split_of_eight_hypotheses(few: int, gain: float) -> None:
    """A test that splits evenly tells one bit, all others less (4.3)."""
    assert gain == pytest.approx(gain_of([0] * few + [1] * (8 - few), [1] * 8), abs=5e-5)


@pytest.mark.parametrize(
    ("probe", "number", "gain"),
    [("X", [4, 6, 6, 6], 0.9999), ("Y", [6, 6, 4, 4], 0.0808), ("Z", [6, 6, 6, 8], 0.0454)],
)
def test_probe_of_the_multipliers_and_adders(probe: str, number: list[int], gain: float) -> None:
    """What each point tells of the four minimal diagnoses M1; A1; A2, M2; M2, M3 (4.3).

    The example of three multipliers and two adders is de Kleer and Williams, 1987, read at
    second hand; the entropies are computed.
    """
    single, double = 0.01 * 0.99**4, 0.01**2 * 0.99**3

    assert gain == pytest.approx(gain_of(number, [single, single, double, double]), abs=5e-5)
