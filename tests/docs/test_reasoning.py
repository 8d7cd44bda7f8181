"""The worked example of docs/how-diagnosis-reasons.md: every number of it is worked out here.

The example is of our own invention: four of the data lines of a Z80, and five candidates.
"""

from __future__ import annotations

import os
from functools import cache
from math import log
from pathlib import Path

import numpy as np
import pytest

from busdecode.access import Access
from busdecode.diagnosis import (
    NOISE,
    Judgement,
    Outcomes,
    ReadBack,
    Scores,
    Step,
    judge,
    lines_to_clip,
    pairs_to_beep,
    read_back,
    score,
    shares,
    together,
)
from busdecode.diagnosis.score import LEFT_OPEN
from busdecode.faults import parse_fault
from busdecode.predict import FaultRows, LineForeteller, Model
from busdecode.protocol import load_bus

CHECKOUT = Path(os.environ.get("BUSDECODE_CHECKOUT") or Path(__file__).parents[2])
PAGE = (CHECKOUT / "docs" / "how-diagnosis-reasons.md").read_text(encoding="utf-8")
BUS = load_bus("z80")
MODEL = Model(BUS)
CANDIDATES = {
    "a": "bridge D1 D2 low-wins",
    "b": "bridge D1 D2 undetermined",
    "c": "stuck D2 low",
    "d": "stuck D1 low",
    "e": "open D2 low",
}
FAULTS = [parse_fault(text, BUS) for text in CANDIDATES.values()]
ROWS = FaultRows(MODEL, FAULTS)
WRITTEN = {0b0101: 0b0001, 0b0011: 0b0001, 0b1000: 0b1000}
"""What was written, and what came back."""

MORE = (0b0011, 0b1000, 0b0110, 0b1111)
"""What may be written after the first word."""


def at_once(word: int, back: int | None) -> list[Access]:
    """Write a word and read it at once."""
    return [Access("write", 0x8000, 1, word), Access("read", 0x8000, 1, back)]


def evidence_of(words: int) -> ReadBack:
    """Take so many of the first words as evidence."""
    some = list(WRITTEN.items())[:words]
    return read_back(MODEL, [access for each in some for access in at_once(*each)])


@cache
def scores_of(words: int) -> Scores:
    """Score the candidates by so many of the first words."""
    return score(evidence_of(words), ROWS)


def share_of(words: int) -> np.ndarray:
    """Give how likely each candidate is after so many words."""
    return shares(scores_of(words).weight)


def judgement_of(words: int) -> Judgement:
    """Judge so many of the first words."""
    return judge(evidence_of(words), FAULTS)


def number(value: float) -> str:
    """Write a number as the page has it, three places."""
    text = f"{value:.3f}"
    return text.replace("-", "\N{MINUS SIGN}") if float(text) else "0"


def drawn(word: int, known: int) -> str:
    """Write the four lines, a question mark where nothing is foretold."""
    return "".join(str(word >> bit & 1) if known >> bit & 1 else "?" for bit in range(3, -1, -1))


def row(*cells: object) -> str:
    """Write a row of a table."""
    return "| " + " | ".join(str(cell) for cell in cells) + " |"


def test_what_the_candidates_foretell() -> None:
    """The first table: a word each, and which reads it explains or contradicts, or leaves open."""
    told = evidence_of(3).foreteller.all(ROWS)
    scores = scores_of(3)
    for at, name in enumerate(CANDIDATES):
        words = [
            drawn(word, known) + (" ✗" if (word ^ seen) & known else "")
            for word, known, seen in zip(
                told.words[at].tolist(), told.known[at].tolist(), WRITTEN.values(), strict=True
            )
        ]
        counts = [int(each[at]) for each in (scores.explained, scores.contradicted, scores.silent)]

        assert row(name, f"`{CANDIDATES[name]}`", *words, *counts) in PAGE


def test_weights_and_shares() -> None:
    """The second table: after one word, and after three."""
    for at, name in enumerate(CANDIDATES):
        cells = [
            number(float(each[at]))
            for words in (1, 3)
            for each in (scores_of(words).weight, share_of(words))
        ]

        assert row(name, *cells) in PAGE


def test_what_a_bit_costs() -> None:
    """Foretold wrongly, and left open."""
    assert f"ln({1 - NOISE:g}/{NOISE:g}) = {log((1 - NOISE) / NOISE):.3f}" in PAGE
    assert f"ln({1 - NOISE:g}/0.5) = {log((1 - NOISE) / 0.5):.3f}" in PAGE
    assert f"`LEFT_OPEN`, {LEFT_OPEN:g}" in PAGE


@pytest.mark.parametrize(("words", "first"), [(1, "ace"), (2, "a"), (3, "a")])
def test_groups(words: int, first: str) -> None:
    """Three twins after one word; one alone after two. The group is the answer each time."""
    verdict = judgement_of(words)
    names = {fault: name for name, fault in zip(CANDIDATES, FAULTS, strict=True)}

    assert first == "".join(sorted(names[fault] for fault in verdict.groups[0].faults))
    assert (verdict.is_settled, verdict.more_than_one_cause) == (True, False)
    assert number(verdict.groups[0].share) in PAGE[PAGE.index("## 5") : PAGE.index("## 6")]


def test_words_to_write_next() -> None:
    """What each candidate returns, and what that tells after the first word."""
    steps = [Step(tuple(at_once(word, None)), f"{word:04b}") for word in MORE]
    gains = Outcomes.of(MODEL, steps, ROWS).gains(share_of(1))
    for step, word, gain in zip(steps, MORE, gains.tolist(), strict=True):
        told = read_back(MODEL, step.accesses).foreteller.all(ROWS)
        back = [
            drawn(*each)
            for each in zip(told.words[:, 0].tolist(), told.known[:, 0].tolist(), strict=True)
        ]

        assert row(f"{word:04b}", *back, number(gain)) in PAGE


def test_points_to_beep_next() -> None:
    """All four, in order."""
    rows = [
        row(
            f"{a}, host to card" if a == b else f"{a} and {b}",
            each.fault_reads,
            number(each.share),
            number(each.gain),
        )
        for each in pairs_to_beep(BUS, FAULTS, share_of(1))
        for a, b in [each.between]
    ]

    assert len(rows) == 4
    assert "\n".join(rows) in PAGE


def test_lines_to_clip_next() -> None:
    """All four, in order."""
    foreteller = evidence_of(1).foreteller
    places = {place: LineForeteller(foreteller, place) for place in ("host", "card")}
    found = lines_to_clip(places, ROWS, share_of(1), []).clips
    rows = [row(each.place, each.line, number(each.gain)) for each in found]

    assert len(rows) == 4
    assert "\n".join(rows) in PAGE


def test_two_causes() -> None:
    """What is not contradicted, with chances and without, and what one more word leaves."""
    text = " ".join(PAGE.split())
    found = together(evidence_of(3), ROWS, chance=np.full(5, 0.01))
    share = {each.members: number(each.share) for each in found}
    plain = together(evidence_of(3), ROWS)

    assert f"a has a share of {share[(0,),]} among" in text
    assert f"e has {share[(2, 4), (3,)]}, b has {share[(1,),]}." in text
    assert [each.members for each in plain] == [((0,),), ((2, 4), (3,)), ((1,),)]
    assert plain[0].weight == plain[1].weight
    more = [access for each in [*WRITTEN.items(), (0b0110, 0)] for access in at_once(*each)]
    last = read_back(MODEL, more)
    verdict = judge(last, FAULTS)
    assert [each.members for each in together(last, ROWS)] == [((2, 4), (3,))]
    assert (verdict.more_than_one_cause, verdict.together) == (True, 2)


def test_only_a_word_that_all_return() -> None:
    """All five would have shown nothing."""
    verdict = judge(read_back(MODEL, at_once(0b1000, 0b1000)), FAULTS)

    assert (verdict.healthy, len(verdict.unseen)) == (True, 5)


def test_candidates_that_no_read_parts() -> None:
    """Page: c and e are twins for as long as D2 is looked at by read-back only; all 16 words."""
    words = range(16)
    log = [access for word in words for access in at_once(word, None)]
    told = read_back(MODEL, log).foreteller.all(ROWS)

    assert told.words[2].tolist() == told.words[4].tolist()


def test_sums_by_hand() -> None:
    """Page: the lines that begin so."""
    either = log((1 - NOISE) / 0.5)
    tied = share_of(1)[0] + share_of(1)[1]
    parts = -tied * np.log2(tied), -(1 - tied) * np.log2(1 - tied)

    assert f"2 \N{MULTIPLICATION SIGN} {either:.3f} = {2 * either:.3f}" in PAGE
    assert f"{number(share_of(1)[0])} + {number(share_of(1)[1])} = {number(tied)}" in PAGE
    assert (
        f"\N{MINUS SIGN}{number(tied)} log2 {number(tied)} \N{MINUS SIGN} {number(1 - tied)} log2 "
        f"{number(1 - tied)} = {number(sum(parts))}"
    ) in PAGE
