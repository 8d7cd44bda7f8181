"""Captures as evidence: the fault that was there is never contradicted.

What is true is the fault with which the run was synthesised, with other seeds than those that are
used to try candidates.
"""

from __future__ import annotations

from itertools import combinations
from random import Random

import pytest

from benchmarks.diagnosis_matrix import channels
from busdecode.compare import WholeRecording
from busdecode.cycles import DecodedPlace, Synthesis, decode, decode_places
from busdecode.diagnosis import NamedCapture, count
from busdecode.diagnosis.remade import Remade, Tried
from busdecode.faults import RAILS, Fault, written_fault
from tests.diagnosis.readbacks import bus_of, fault_of
from tests.diagnosis.runs import candidates_of, foretold_by, joint_of, off_by, run, without

ONES = [
    # Without a log, where a line of the fault was not captured: which addresses meet is not told.
    ("6502", "stuck A10 high", "host", 8, False),
    ("z80", "bridge A2 A6 low-wins", "host", 16, False),
    # Seen beyond where they cross, lines that are swapped show nothing.
    ("sram", "swapped A8 A11", "card", 99, False),
    # Tied to a line that hardly moves, but does.
    ("6502", "bridge A3 A9 low-wins", "card", 16, False),
    # Chance decides which line wins.
    ("z80", "bridge A1 A11 undetermined", "host", 16, True),
    # Where the host does not wait, data comes in time or not.
    ("i8086", "stuck READY high", "host", 99, True),
    # The bus still carries what was before where the address is taken.
    ("z80", "bridge A5 MREQ high-wins", "host", 99, False),
]


def drawn(name: str) -> list[Fault]:
    """Draw a candidate of each kind."""
    rng = Random(f"{name} truth")
    kinds: dict[tuple[str, object], list[Fault]] = {}
    for fault in candidates_of(name):
        key = type(fault).__name__, getattr(fault, "rule", None)
        kinds.setdefault(key, []).append(fault)
    every = [rng.choice(kinds[key]) for key in sorted(kinds, key=str)]
    return [fault for fault in every if not written_fault(fault).endswith("hangs")]


def contradictions(
    name: str, fault: Fault, place: str, wires: int, seed: int, *, is_logged: bool
) -> list[str]:
    """Say which evidence of a run contradicts the fault that was in it, foretold and tried."""
    made = run(name, fault, seed=seed, places=(place,))
    lines = channels(bus_of(name), wires, Random(seed)) if wires < 99 else None
    gathered = made.gathered(made.capture(lines, place=place, is_logged=is_logged))
    joint = joint_of(gathered)
    tried = Tried.of(joint, gathered.recorded, [fault], {})
    return [
        f"{written_fault(fault)} at the {place}, {wires} channels, log: {is_logged}, {how}"
        for how, evidence in (("foretold", joint), ("tried", tried))
        if off_by(evidence, fault)
    ]


@pytest.mark.parametrize(("name", "text", "place", "wires", "is_logged"), ONES)
def test_what_chance_decides_or_nobody_knows_is_not_foretold(
    name: str, text: str, place: str, wires: int, *, is_logged: bool
) -> None:
    """Each of these was contradicted once by what was taken for known."""
    found = [
        each
        for seed in (14, 46)
        for each in contradictions(
            name, fault_of(text, name), place, wires, seed, is_logged=is_logged
        )
    ]

    assert found == []


def test_pairs_are_not_told_by_runs_that_lack_the_cycles_which_a_fault_hid() -> None:
    """Without a log only cycles that were seen are made again; WE may move in the others."""
    fault = fault_of("bridge CS OE b-wins", "sram")

    assert contradictions("sram", fault, "host", 99, 112, is_logged=False) == []


@pytest.mark.parametrize("name", ["z80", "6502", "sram"])
def test_the_fault_that_was_there_is_never_contradicted(name: str) -> None:
    """A fault of each kind, few lines or all, at either place, with a log and without."""
    rng = Random(name)
    found, judged = [], 0
    for seed, fault in enumerate(drawn(name), 100):
        place, wires = rng.choice(["host", "card"]), rng.choice([8, 16, 99])
        found += contradictions(name, fault, place, wires, seed, is_logged=rng.random() < 0.7)
        judged += 1

    assert judged >= 8
    assert found == []


@pytest.mark.parametrize(("line", "at_card"), [("D4", "D3"), ("A5", "D3"), ("D4", "D4")])
def test_what_a_line_shows_at_the_host_is_not_taken_as_seen_at_the_card(
    line: str, at_card: str
) -> None:
    """One line alone was clipped on at the card, beside all at the host: the others serve there.

    They do to see cycles by; that one of them is broken is not contradicted by what the host shows.
    """
    fault = fault_of(f"open {line} high")
    bus = bus_of("z80")
    made = run("z80", fault, seed=5, places=("host", "card"))
    card = made.places["card"].select([at_card])
    whole = Synthesis(bus, {**made.places, "card": card}, (), ()).scoped()
    recording = WholeRecording(decode_places(whole, bus))
    gathered = made.gathered(NamedCapture("both", recording, "log"))
    joint = joint_of(gathered)

    assert [each.lines for each in gathered.recorded[0].shown] == [bus.line_names, (at_card,)]
    assert off_by(joint, fault) == off_by(Tried.of(joint, gathered.recorded, [fault], {}), fault)
    assert off_by(joint, fault) == []


def test_a_line_of_which_nobody_knows_the_address_makes_no_pair() -> None:
    """Without a log: A15 is on at the card alone, so what the host drives there is not known."""
    bus = bus_of("z80")
    made = run("z80", seed=5, places=("host", "card"))
    places = {}
    for place, lines in (("host", without("z80", "A15")), ("card", bus.line_names)):
        capture = made.places[place].select(lines)
        table, _ = decode(bus, [capture])
        places[place] = DecodedPlace(bus, place, capture, table, 0, ())
    recording = WholeRecording(places)
    gathered = made.gathered(NamedCapture("both", recording))
    card = next(each for each in gathered.recorded[0].ties if each.place == "card")
    names = [*card.lines, *RAILS]
    at = names.index("A15")

    assert card.judged > 0
    for number, pair in enumerate(combinations(range(len(names)), 2)):
        is_looked_at = int(card.looked[number // 64]) >> number % 64 & 1
        assert not (is_looked_at and at in pair)


def test_a_tied_strobe_explains_most_once_it_is_tried() -> None:
    """A data line that holds a strobe low leaves nearly all open, until the run is made again."""
    fault = fault_of("bridge D3 MREQ low-wins")
    made = run("z80", fault, seed=7)
    gathered = made.gathered(made.capture())
    joint = joint_of(gathered)
    before = count(joint, foretold_by(joint, fault))
    tried = Tried.of(joint, gathered.recorded, [fault], {})
    after = count(tried, foretold_by(tried, fault))

    wrong = int((joint.wrong != 0).sum())
    assert wrong > 0
    assert after.explained[0] > max(before.explained[0], wrong // 2)
    assert after.contradicted[0] == 0


def test_what_differs_from_run_to_run_is_not_foretold_of_a_candidate_that_is_tried() -> None:
    """What a card holds that nobody wrote to is open, whatever was drawn for it."""
    made = run("z80", seed=3)
    gathered = made.gathered(made.capture())
    each = gathered.recorded[0]
    shows = Remade(each).with_fault(fault_of("stuck A15 low"))
    words, known = shows[id(each.stimulus)]
    blank = [at for at, bits in enumerate(each.stimulus.known.tolist()) if not bits]

    assert all(not known[at] for at in blank)
    assert not (words & ~known).any()
    assert known.any()
