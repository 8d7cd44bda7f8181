"""The node model against a circuit solver: what two tied lines show, and where the model ends.

References: tests/published/solver/SOURCE.md, for the circuits and their figures; fault-theory, its
section beside each test. Voltages were solved by ngspice and recorded; where it is on the machine
they are solved again.
"""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import replace
from functools import cache
from math import log
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from scipy.optimize import brentq

from busdecode.faults import BRIDGE_RULES, Bridge, Drive, Network, Open, Stuck
from busdecode.protocol import load_bus
from tests.published.solver import spice, tables
from tests.published.solver.cases import CASES, OHMS, THREES, solved_bridges, solved_threes
from tests.published.solver.quantities import QUANTITIES, solved_quantities
from tests.published.solver.records import (
    recorded_bridges,
    recorded_quantities,
    recorded_threes,
)
from tests.published.solver.stages import RECEIVERS, STAGES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from busdecode.faults import BridgeRule, Fault
    from busdecode.protocol import Bus
    from tests.published.solver.cases import Case

CHECKOUT = Path(os.environ.get("BUSDECODE_CHECKOUT") or Path(__file__).parents[2])
needs_solver = pytest.mark.skipif(not spice.is_there(), reason="ngspice is not on this machine")

BRIDGES, THREE, QUANTITY = recorded_bridges(), recorded_threes(), recorded_quantities()
LINES = ("D3", "D5", "D6")
OPEN = {name for name, stage in STAGES.items() if "1" not in stage.controls}
PAIR_RULES: tuple[BridgeRule, ...] = tuple(rule for rule in BRIDGE_RULES if rule != "host-wins")


@cache
def bus_pulled(pull: str) -> Bus:
    """Give a bus whose lines D3, D5 and D6 have this pull."""
    bus = load_bus("mc68000")
    lines = [replace(line, pull=pull) if line.name in LINES else line for line in bus.lines]
    return replace(bus, lines=tuple(lines))


def drives(bus: Bus, levels: Sequence[str]) -> Drive:
    """Drive D3, D5, D6 from one side, each to 0, to 1, or not (z)."""
    each = Drive()
    for name, level in zip(LINES, levels, strict=False):
        if level != "z":
            bit = 1 << bus.line_names.index(name)
            each = each.put(bit, bit * int(level))
    return each


@cache
def modelled(faults: tuple[Fault, ...], levels: str, pull: str = "none") -> set[str]:
    """Give the levels of the lines that the node model makes of these drives.

    Both choices are tried where it leaves one, and both levels before, for it may keep the last.
    """
    found = set()
    for chosen in (0, 1):
        for before in ("000", "111"):
            bus = bus_pulled(pull)
            network = Network(bus, faults, lambda chosen=chosen: chosen)  # type: ignore[misc]
            network.resolve(drives(bus, before), Drive())
            host = network.resolve(drives(bus, levels), Drive()).host
            bits = [host >> bus.line_names.index(name) & 1 for name in LINES[: len(levels)]]
            found.add("".join(map(str, bits)))
    return found


def asked(case: Case, state: str) -> str:
    """Give a state as the node model is asked: an open collector that lets go counts as high."""
    stages = (case.a, case.b)
    return "".join(
        "1" if stage.startswith("oc") and to == "z" else to
        for stage, to in zip(stages, state, strict=True)
    )


def of_model(case: Case, rule: BridgeRule, state: str) -> set[str]:
    """Give what the model makes of a pair in a state."""
    pull = "none" if case.pull == "none" else "up"
    return modelled((Bridge("D3", "D5", rule),), asked(case, state), pull)


def readings(case: Case, ohm: int, state: str) -> str:
    """Give what the receivers of A and B read: 0, 1, or X where nobody promises either."""
    receiver, solved = RECEIVERS[case.receiver], BRIDGES[case.name][ohm, state]
    return receiver.reads(solved.a) + receiver.reads(solved.b)


def agrees(read: str, model: set[str], state: str) -> bool:
    """Whether receivers read what the model says.

    Where it leaves a fight open, any level that both read alike will do, X too. Where it keeps
    the last level, nothing at rest agrees: there is none.
    """
    if len(model) == 1:
        return read in model
    return state != "zz" and read[0] == read[1]


def is_opposite(read: str, model: set[str]) -> bool:
    """Whether both receivers surely read the other level than the model says."""
    return read in ("00", "11") and read not in model


# The limits of the model: what the receivers of A and B read where that is not what the rule of
# the case says. All else is as the rule says. "all" stands for each resistance.
UNPULLED_TTL = {"zz": "XX"}  # open inputs; the model keeps the last level
UNPULLED_CMOS = {"zz": "00"}  # what leakage ends at; the model keeps the last level
OWN = {"01": "01", "10": "10"}  # each line keeps its own driver's level
LOW_SURE = {"01": "0X", "10": "X0"}  # the low line is low, the other between
HIGH_SURE = {"01": "X1", "10": "1X"}  # the high line is high, the other between
PULLED_SURE = {"0z": "0X", "z0": "X0"}  # the same against a pull, for no driver is high
LIMITS: dict[str, dict[int | str, dict[str, str]]] = {
    "ttl + ttl": {"all": UNPULLED_TTL, 50: LOW_SURE, 150: OWN},
    "ttl + ls": {"all": UNPULLED_TTL, 10: {"10": "X0"}, 50: LOW_SURE, 150: OWN},
    "ls + ls": {"all": UNPULLED_TTL, 50: LOW_SURE, 150: OWN},
    "ls-strong + ls-weak": {
        "all": UNPULLED_TTL,
        50: {"01": "0X"},
        150: {"01": "01", "10": "1X"},
    },
    "ls-bus + ls-bus": {"all": UNPULLED_TTL, 10: LOW_SURE, 50: OWN, 150: OWN},
    "ls-bus + ls": {"all": UNPULLED_TTL, 50: {"01": "0X", "10": "1X"}, 150: OWN},
    "ls + ls, 4.7k": {50: LOW_SURE, 150: OWN},
    "ls-bus + ls-bus, 330/470": {10: LOW_SURE, 50: OWN | PULLED_SURE, 150: OWN | PULLED_SURE},
    "oc-8 + oc-8, 1k": {150: PULLED_SURE},
    "oc-8 + oc-8, 330/470": {50: PULLED_SURE, 150: PULLED_SURE},
    # 50 mA and more into an output made for 8: not even the line that it drives is low.
    "oc-8 + oc-8, 330/470 twice": {150: {"0z": "X1", "z0": "1X"}},
    "oc-48 + oc-48, 330/470 twice": {50: PULLED_SURE, 150: PULLED_SURE},
    "ls + oc-8, 4.7k": {50: {"10": "X0"}, 150: {"10": "10"}},
    "hc + hc": {"all": UNPULLED_CMOS, 50: LOW_SURE, 150: LOW_SURE},
    "hc + hc, 4.7k": {50: LOW_SURE, 150: OWN},
    "hc-even + hc-even": {"all": UNPULLED_CMOS, 150: OWN},
    "hc-double + hc": {
        "all": UNPULLED_CMOS,
        50: {"01": "0X", "10": "1X"},
        150: {"01": "0X", "10": "10"},
    },
    "hc-triple + hc": {
        "all": UNPULLED_CMOS,
        10: {"10": "1X"},
        50: {"01": "0X", "10": "1X"},
        150: {"01": "0X", "10": "10"},
    },
    "hc + hc-triple": {
        "all": UNPULLED_CMOS,
        10: {"01": "X1"},
        50: {"01": "X1", "10": "X0"},
        150: {"01": "01", "10": "X0"},
    },
    "hc-5v + hc-5v": {"all": UNPULLED_CMOS, 50: HIGH_SURE, 150: HIGH_SURE},
    "ls + hc-5v": {"all": UNPULLED_CMOS, 50: {"01": "X1"}, 150: OWN},
    "ls-bus + hc-5v": {
        "all": UNPULLED_CMOS,
        10: {"10": "1X"},
        50: {"01": "0X", "10": "1X"},
        150: OWN,
    },
    "ecl + ecl": {50: HIGH_SURE, 150: OWN},
}
PAIRS = [name for name, case in CASES.items() if case.rule != "stuck"]


@pytest.mark.parametrize("name", PAIRS)
def test_a_pair_shows_what_its_rule_says_or_a_known_limit(name: str) -> None:
    """Each state at each resistance; what is no limit must agree, what is one must be there."""
    case, limits = CASES[name], LIMITS.get(name, {})
    expected = {
        (ohm, state): read
        for ohm in OHMS
        for state, read in (limits.get("all", {}) | limits.get(ohm, {})).items()
    }
    found = {
        (ohm, state): readings(case, ohm, state)
        for ohm in OHMS
        for state in case.states
        if not agrees(readings(case, ohm, state), of_model(case, case.rule, state), state)
    }

    assert expected == found


def test_how_many_states_of_pairs_are_as_the_rule_says() -> None:
    """The counts of docs/node-model.md, section 3, and where each limit begins."""
    kinds: Counter[str] = Counter()
    first: dict[str, int] = {}
    for ohm in OHMS:
        for case in map(CASES.__getitem__, PAIRS):
            for state in case.states:
                read = readings(case, ohm, state)
                if agrees(read, of_model(case, case.rule, state), state):
                    kind = "as the rule says"
                elif state == "zz":
                    kind = "no one drives"
                else:
                    kind = "receivers disagree" if "X" not in read else "one line between"
                kinds[kind] += 1
                first.setdefault(kind, ohm)

    assert kinds == {
        "as the rule says": 751,
        "no one drives": 70,
        "one line between": 61,
        "receivers disagree": 33,
    }
    assert (first["one line between"], first["receivers disagree"]) == (10, 50)


@pytest.mark.parametrize("name", PAIRS)
def test_no_other_rule_fits_a_dead_short_better(name: str) -> None:
    """The rule has the fewest limits at 0 ohm; one that decides goes before one that does not."""
    case = CASES[name]

    def badness(rule: BridgeRule) -> tuple[int, bool]:
        states = [(readings(case, 0, state), state) for state in case.states]
        apart = [agrees(read, of_model(case, rule, state), state) for read, state in states]
        return apart.count(False), rule == "undetermined"

    best = min(PAIR_RULES, key=badness)

    assert case.rule == best
    assert [rule for rule in PAIR_RULES if badness(rule) == badness(best)] == [best]


@pytest.mark.parametrize("name", PAIRS)
def test_the_rule_that_fits_is_never_the_opposite_of_what_is_read(name: str) -> None:
    """Where the model is too simple for a pair, at most one receiver is surely otherwise."""
    case = CASES[name]

    assert [
        (ohm, state)
        for ohm in OHMS
        for state in case.states
        if is_opposite(readings(case, ohm, state), of_model(case, case.rule, state))
        and state != "zz"
    ] == []


def test_the_stronger_party_wins_on_either_line() -> None:
    """Host with three times the size: the rule says host, not line, so it must hold both ways."""
    host_on_a, host_on_b = CASES["hc-triple + hc"], CASES["hc + hc-triple"]
    for case, at in ((host_on_a, 0), (host_on_b, 1)):
        for state in ("00", "01", "10", "11"):
            bus = bus_pulled("none")
            parties = [drives(bus, ("z",) * side + (state[side],)) for side in (0, 1)]
            network = Network(bus, [Bridge("D3", "D5", "host-wins")])
            host = network.resolve(parties[at], parties[1 - at]).host
            bits = "".join(str(host >> bus.line_names.index(name) & 1) for name in LINES[:2])
            assert bits == readings(case, 0, state)


@pytest.mark.parametrize("rule", BRIDGE_RULES)
@pytest.mark.parametrize("name", [name for name in PAIRS if "zz" in CASES[name].states])
def test_a_released_side_takes_the_other_level_under_every_rule(name: str, rule: str) -> None:
    """A dead short: the released line is as the driven one, and a pull holds two released ones."""
    case = CASES[name]
    pull = "none" if case.pull == "none" else "up"
    states = [state for state in case.states if "z" in state and (state != "zz" or pull == "up")]
    shown = [modelled((Bridge("D3", "D5", rule),), state, pull) for state in states]  # type: ignore[arg-type]
    read = [{readings(case, 0, state)} for state in states]

    # An open collector made for 8 mA on packs at both ends cannot even drive one line low.
    overloaded = name == "oc-8 + oc-8, 330/470 twice"
    assert read == ([{"XX"}, {"XX"}, {"11"}] if overloaded else shown)


def test_undetermined_covers_every_fight_through_a_dead_short() -> None:
    """Wherever drivers differ, both receivers of every pair read alike at 0 and 1 ohm."""
    left = {
        (name, ohm)
        for name in PAIRS
        for ohm in OHMS
        for state in CASES[name].states
        if set(asked(CASES[name], state)) == {"0", "1"}
        and not agrees(
            readings(CASES[name], ohm, state),
            of_model(CASES[name], "undetermined", state),
            state,
        )
    }

    assert {ohm for _, ohm in left} == {10, 50, 150}
    # From 50 ohm on it covers hardly a pair: receivers part. No rule has two levels.
    assert {name for name in PAIRS if (name, 150) not in left} == {"oc-8 + oc-8, 4.7k"}


# Line A at a rail: what A's receiver reads with its driver against the rail.
RAIL_LIMITS = {
    "ls + ground": {50: "X", 150: "1"},
    "ls + supply": {150: "X"},
    "hc-5v + ground": {50: "X", 150: "1"},
    "hc-5v + supply": {150: "X"},
}


@pytest.mark.parametrize("name", RAIL_LIMITS)
def test_a_line_at_a_rail_is_held_up_to_some_ohms(name: str) -> None:
    """The model's stuck line holds against any driver; a rail behind 50 ohm does not."""
    case = CASES[name]
    level = 0 if case.b == "ground" else 1
    drivers = [state[0] for state in case.states]
    shown = [modelled((Stuck("D3", level),), state) for state in drivers]  # type: ignore[arg-type]
    found = {
        ohm: readings(case, ohm, f"{1 - level}{level}")[0]
        for ohm in OHMS
        if readings(case, ohm, f"{1 - level}{level}")[0] != str(level)
    }

    assert shown == [{str(level)}] * len(drivers)
    assert found == RAIL_LIMITS[name]
    for ohm in OHMS:
        assert {readings(case, ohm, f"{to}{level}")[0] for to in f"{level}z"} == {str(level)}


# Three outputs tied: what one receiver reads with one and with two of them high, and which rules
# of two bridges the readings leave.
THREE_READ = {
    "ttl": ("0", "0", {"low-wins", "undetermined"}),
    "ls": ("0", "1", {"undetermined"}),  # a vote: no level wins
    "ls-bus": ("0", "1", {"undetermined"}),  # though low wins over one
    "hc": ("0", "X", {"undetermined"}),
    "hc-even": ("0", "1", {"undetermined"}),
}


@pytest.mark.parametrize("name", THREE_READ)
def test_three_outputs_vote_where_the_model_has_one_winner(name: str) -> None:
    """Two high outputs give twice the current; only full TTL keeps low wins then."""
    receiver = RECEIVERS[THREES[name]]
    read = {state: receiver.reads(volts) for state, volts in THREE[name].items()}
    one = {read[state] for state in ("001", "010", "100")}
    two = {read[state] for state in ("011", "101", "110")}
    left = set()
    for rule in ("low-wins", "high-wins", "undetermined"):
        faults = (Bridge("D3", "D5", rule), Bridge("D5", "D6", rule))
        model = {state: modelled(faults, state) for state in read}
        if all(agrees(read[state] * 3, model[state], state) for state in read):
            left.add(rule)

    assert (one, two, left) == ({THREE_READ[name][0]}, {THREE_READ[name][1]}, THREE_READ[name][2])
    assert (read["000"], read["111"]) == ("0", "1")


# What the reference says of levels: fault-theory, sections 5 and 6.


def test_ls_against_ls_is_neither_low_nor_high() -> None:
    """Section 5: some 1.25 V from class values; with transistors it turns on the sink's gain.

    All three gains keep the 0.5 V at 8 mA of the data sheet, and end low, between, and high.
    """
    assert QUANTITY["20 mA into 62.5 ohm"] == pytest.approx(1.25, abs=1e-4)
    names = [f"ls against {sink}" for sink in ("ls-gain-100", "ls", "ls-gain-30")]
    volts = [QUANTITY[name] for name in names]

    assert [RECEIVERS["ls"].reads(each) for each in volts] == ["0", "X", "1"]
    assert volts[0] < 1.25 < volts[2]
    assert volts[1] == pytest.approx(1.25, abs=0.25)


def test_a_kiloohm_to_the_supply_tells_an_open_input_from_a_fight() -> None:
    """An open input goes there; a fight stays between, and moves by less than half a volt."""
    for name in ("ttl", "ls"):
        assert QUANTITY[f"{name} input, open, 1k to 5 V"] > 4.9
    fight = QUANTITY["ls against ls"]
    for way in ("ground", "5 V"):
        pulled = QUANTITY[f"ls against ls, 1k to {way}"]
        assert RECEIVERS["ls"].reads(pulled) == "X"
        assert abs(pulled - fight) < 0.5


def test_how_far_apart_two_driven_lines_stand_tells_the_resistance() -> None:
    """Outputs that drive high, low and both ways, A high and B low: the scope's row in the page."""
    apart = {
        ohm: [
            round(abs(BRIDGES[name][ohm, state].a - BRIDGES[name][ohm, state].b), 1)
            for name in PAIRS
            if "zz" in CASES[name].states and {CASES[name].a, CASES[name].b}.isdisjoint(OPEN)
            for state in ("01", "10")
        ]
        for ohm in OHMS
    }

    assert max(apart[0] + apart[1]) <= 0.1
    assert (min(apart[10]), max(apart[50])) == (0.1, 1.8)
    assert (min(apart[150]), max(apart[150])) == (1.5, 3.1)


def test_an_open_ttl_input_floats_between_and_not_low() -> None:
    """Section 5: 1.4 to 1.8 V, there without a family; that of LS has one drop less to give."""
    assert 1.4 <= QUANTITY["ttl input, open"] <= 1.8
    assert 0.8 < QUANTITY["ls input, open"] < 1.4
    for name in ("ttl", "ls"):
        assert RECEIVERS[name].reads(QUANTITY[f"{name} input, open"]) == "X"
    # The model's open floats high or low, or keeps: none is a level between.
    for floats, shown in (("high", {"1"}), ("low", {"0"}), ("keep", {"0", "1"})):
        assert modelled((Open("D3", floats),), "z") == shown  # type: ignore[arg-type]


# Section 6.3 computed, to as many digits as there; 1 ohm in parallel with 387.75 is 1.00.
NETWORKS = {
    "330/470": 2.9375,
    "330/470, resistance": 193.88,
    "330/470 twice, resistance": 96.94,
    "220/330": 3.000,
    "220/330, resistance": 132.0,
    "330/470 held at 0.4 V": 13.09,
    "330/470 twice held at 0.4 V": 26.18,
    "330/470 tied to 330/470": 2.9375,
    "330/470 tied to 4.7k": 3.0192,
    "330/470 tied to 1k to ground": 2.4605,
    "220/330 tied to 330/470": 2.9747,
    "330/470 to 330/470, power off": 387.75,
    "330/470 to 330/470 tied by 1 ohm, power off": 1.00,
    "330/470 to 330/470 tied by 10 ohm, power off": 9.75,
    "330/470 to 330/470 tied by 50 ohm, power off": 44.29,
    "330/470 to 330/470 tied by 100 ohm, power off": 79.50,
}


@pytest.mark.parametrize("name", NETWORKS)
def test_networks_of_resistors_are_as_computed(name: str) -> None:
    """Section 6.3."""
    digits = len(str(NETWORKS[name]).partition(".")[2])

    assert QUANTITY[name] == pytest.approx(NETWORKS[name], abs=0.51 * 10**-digits)


RISES = {
    "1k, 100 pF, 0.2 to 2.0 V": 47.0,
    "4.7k, 100 pF, 0.2 to 2.0 V": 220.9,
    "10k, 100 pF, 0.2 to 2.0 V": 470.0,
    # Two of them together: half the resistance, twice the capacitance.
    "two such lines of 4.7k tied": 220.9,
    # Only one of the two is pulled: twice the time, 2 RC ln(4.8 / 3).
    "4.7k line tied to a bare one": 2 * 470 * log(4.8 / 3),
    # C V / I.
    "open CMOS input, 30 pF, 0.1 uA, to 1.35 V": 30e-12 * 1.35 / 0.1e-6 * 1e9,
}


@pytest.mark.parametrize("name", RISES)
def test_a_line_left_alone_rises_as_computed(name: str) -> None:
    """Section 5, last paragraph; the lower three from the same formula, and C V / I."""
    assert QUANTITY[name] == pytest.approx(RISES[name], rel=5e-4)


# Quantity: least and most, from data sheets (solver/SOURCE.md).
PROMISED = {
    "ttl low at 16 mA": (0.0, 0.4),
    "ttl high at 0.4 mA": (2.4, 5.0),
    "ttl high, shorted": (18, 55),
    "ttl input at 0.4 V": (0.0, 1.6),
    "ls low at 4 mA": (0.0, 0.4),
    "ls low at 8 mA": (0.0, 0.5),
    "ls high at 0.4 mA": (2.7, 5.0),
    "ls high, shorted": (20, 100),
    "ls-weak low at 8 mA": (0.0, 0.5),
    "ls-strong high, shorted": (20, 100),
    "ls-gain-30 low at 8 mA": (0.0, 0.5),
    "ls-gain-100 low at 8 mA": (0.0, 0.5),
    "ls input at 0.4 V": (0.0, 0.4),
    "ls released, at 2.7 V": (-20, 20),
    "ls-bus low at 24 mA": (0.0, 0.5),
    "ls-bus high at 3 mA": (2.4, 5.0),
    "ls-bus high at 15 mA": (2.0, 5.0),
    "oc-48 low at 48 mA": (0.0, 0.4),
    "hc low at 4 mA": (0.0, 0.26),
    "hc high at 4 mA": (3.98, 4.5),
    "ecl low": (-1.85, -1.65),
    "ecl high": (-0.96, -0.81),
}
TYPICAL = {
    "ls low at 4 mA": 0.25,
    "ls low at 8 mA": 0.35,
    "hc low at 4 mA": 0.2,
    "hc high at 4 mA": 4.2,
}


@pytest.mark.parametrize("name", PROMISED)
def test_a_stage_keeps_what_its_data_sheet_promises(name: str) -> None:
    """The netlists stand for the parts; typical values within 0.03 V where a sheet has them."""
    least, most = PROMISED[name]

    assert least <= QUANTITY[name] <= most
    assert QUANTITY[name] == pytest.approx(TYPICAL.get(name, QUANTITY[name]), abs=0.03)


def pulling(size: float, drop: float) -> float:
    """Give the mA of a level 1 transistor, in its linear range up to 3.7 V, beyond it constant."""
    drop = min(drop, 3.7)
    return size * (3.7 * drop - drop * drop / 2)


@pytest.mark.parametrize(
    ("name", "below", "above"),
    [("hc + hc", 1, 1), ("hc-double + hc", 1, 2), ("hc-triple + hc", 1, 3)],
)
def test_complementary_pairs_meet_where_their_currents_are_equal(
    name: str, below: float, above: float
) -> None:
    """A second way to the same volts: A high, B low, one equation, solved apart from the solver."""
    n, p = (4 / (3.7 * drop - drop * drop / 2) for drop in (0.2, 0.3))
    for ohm in OHMS:

        def surplus(volts_b: float, ohm: int = ohm) -> float:
            current = pulling(below * n, volts_b)
            return pulling(above * p, 4.5 - volts_b - current * ohm / 1000) - current

        assert BRIDGES[name][ohm, "10"].b == pytest.approx(brentq(surplus, 0, 4.5), abs=2e-3)


def test_currents_through_the_bridge_are_ohms_law() -> None:
    """Volts and milliamperes of every recorded row belong together."""
    for solved in BRIDGES.values():
        for (ohm, _), one in solved.items():
            assert one.a - one.b == pytest.approx(one.current * (ohm or 0.001) / 1000, abs=3e-4)


# The recording against the solver, and against the page.


def test_the_recording_is_of_these_circuits() -> None:
    """No case, state or quantity is missing, and none is left over."""
    wanted = {name: {(ohm, s) for ohm in OHMS for s in case.states} for name, case in CASES.items()}

    assert {name: set(each) for name, each in BRIDGES.items()} == wanted
    assert set(THREE) == set(THREES) == set(THREE_READ)
    assert set(QUANTITY) == set(QUANTITIES)
    assert set(QUANTITY) == {
        *NETWORKS,
        *RISES,
        *PROMISED,
        *(name for name in QUANTITY if name.startswith("ls against")),
        *(name for name in QUANTITY if "input, open" in name),
        "20 mA into 62.5 ohm",
    }
    assert {case.a for case in CASES.values()} | {case.b for case in CASES.values()} <= set(STAGES)


@needs_solver
@pytest.mark.parametrize("name", CASES)
def test_solving_again_gives_the_recorded_volts(name: str) -> None:
    """Within a millivolt, whatever the version."""
    for key, solved in solved_bridges(CASES[name]).items():
        recorded = BRIDGES[name][key]
        assert solved.a == pytest.approx(recorded.a, abs=1e-3)
        assert solved.b == pytest.approx(recorded.b, abs=1e-3)


@needs_solver
@pytest.mark.parametrize("name", THREES)
def test_solving_three_again_gives_the_recorded_volts(name: str) -> None:
    """Within a millivolt."""
    assert solved_threes(name) == pytest.approx(THREE[name], abs=1e-3)


@needs_solver
def test_solving_again_gives_the_recorded_quantities() -> None:
    """Within a thousandth, or within a millivolt."""
    assert solved_quantities() == pytest.approx(QUANTITY, rel=1e-3, abs=1e-3)


def tables_of_page() -> Iterator[str]:
    """Give the tables that the page must have."""
    for rows in (tables.pairs(), tables.fights(), tables.threes()):
        yield tables.as_text(rows)


def test_the_page_shows_the_recorded_volts() -> None:
    """Each table of results in docs/node-model.md is the recording, rounded to 10 mV."""
    page = (CHECKOUT / "docs" / "node-model.md").read_text(encoding="utf-8")
    for table in tables_of_page():
        assert table in page
