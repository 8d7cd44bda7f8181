"""Sets of words, address tests and strobe words against figures had elsewhere; see SOURCE.md."""

from __future__ import annotations

import tomllib
from collections import Counter
from math import log2
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from busdecode.plan import (
    VECTOR_SETS,
    Plan,
    Prediction,
    discern,
    line_candidates,
    open_window,
    plan_each_in_turn,
    plan_own_address,
    plan_powers,
    plan_strobes,
)
from busdecode.plan.planned import read, write
from busdecode.protocol import load_bus

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

CASES: dict[str, Any] = tomllib.loads((Path(__file__).parent / "cases.toml").read_text("utf-8"))
SETS = (
    "counting",
    "modified-counting",
    "true-complement",
    "modified-complement",
    "equal-weight",
    "walking-ones",
    "walking-both",
)
KINDS = ("low-wins", "high-wins")


def hexadecimal(text: str) -> list[int]:
    """Read words with blanks between."""
    return [int(word, 16) for word in text.split()]


def codes(name: str, lines: int) -> list[str]:
    """Give each line's code, the last word's digit first within each half of a set."""
    words = VECTOR_SETS[name](lines)
    halves = [words] if "complement" not in name else [words[: len(words) // 2]]
    if "complement" in name:
        halves.append(words[len(words) // 2 :])
    return [
        "".join(str(word >> line & 1) for half in halves for word in reversed(half))
        for line in range(lines)
    ]


@pytest.mark.parametrize("row", CASES["counts"], ids=lambda row: f"{row[0]} lines")
def test_number_of_words(row: list[int]) -> None:
    """Each set has the number of words that its formula gives."""
    assert [len(VECTOR_SETS[name](row[0])) for name in SETS] == row[1:]


@pytest.mark.parametrize("case", CASES["discerned"], ids=lambda case: f"{case[0]}-{case[1]}")
def test_what_a_set_finds_aliases_and_confounds(case: list[Any]) -> None:
    """All single faults are counted, and bridges that cannot be told apart."""
    lines, name, found, aliases, confounds = case
    seen = discern(VECTOR_SETS[name](lines), lines)
    pairs = lines * (lines - 1) // 2
    order = ("stuck-low", "stuck-high", *KINDS, "dominates", "holds-low", "holds-high", "swapped")
    totals = [lines, lines, pairs, pairs, 2 * pairs, 2 * pairs, 2 * pairs, pairs]

    assert [seen.found[kind] for kind in order] == list(zip(found, totals, strict=True))
    assert [seen.aliases[kind] for kind in KINDS] == aliases
    assert [seen.confounds[kind] for kind in KINDS] == confounds


@pytest.mark.parametrize("case", CASES["six"], ids=lambda case: case[0])
def test_aliases_and_confounds_of_six_lines(case: list[Any]) -> None:
    """A number of lines that is no power of two counts right, too."""
    seen = discern(VECTOR_SETS[case[0]](6), 6)

    assert [[of[kind] for kind in KINDS] for of in (seen.aliases, seen.confounds)] == case[1:]


@pytest.mark.parametrize("case", CASES["signatures"], ids=lambda case: f"{case[0]} lines")
def test_different_wrong_answers(case: list[Any]) -> None:
    """So many different wrong answers come of all faults together."""
    lines, faults, expected = case
    names = ("counting", "modified-counting", "true-complement", "walking-ones", "walking-both")
    seen = [discern(VECTOR_SETS[name](lines), lines) for name in names]

    assert [each.signatures for each in seen] == expected
    assert sum(total for _, total in seen[0].found.values()) == faults


@pytest.mark.parametrize("lines", [4, 8, 16, 32])
def test_walking_ones_confound_all_disjoint_bridges_where_low_wins(lines: int) -> None:
    """Every bridge then reads as zeros: C(N,2) C(N-2,2) / 2 pairs of bridges."""
    choose = [n * (n - 1) // 2 for n in (lines, lines - 2)]

    assert (
        discern(VECTOR_SETS["walking-ones"](lines), lines).confounds["low-wins"]
        == choose[0] * choose[1] // 2
    )


@pytest.mark.parametrize("case", CASES["codes"], ids=lambda case: f"{case[0]}-{case[1]}")
def test_codes_of_the_lines(case: list[Any]) -> None:
    """Each line shows the code that the set gives it."""
    assert codes(case[1], case[0]) == case[2].split()


@pytest.mark.parametrize("lines", [row[0] for row in CASES["counts"]])
def test_no_code_of_equal_weight_covers_another(lines: int) -> None:
    """All codes have half of the digits set, so that every bridge spoils both of its lines."""
    shown = codes("equal-weight", lines)

    assert len(set(shown)) == lines
    assert {code.count("1") for code in shown} == {len(shown[0]) // 2}
    assert discern(VECTOR_SETS["equal-weight"](lines), lines).aliases == dict.fromkeys(KINDS, 0)


@pytest.mark.parametrize("case", CASES["syndromes"], ids=lambda case: f"{case[0]}+{case[1]}")
def test_syndromes_of_six_lines(case: list[str]) -> None:
    """A bridged pair shows the and, or the or, of its codes."""
    shown = codes("modified-counting", 6)
    one, other = (int(shown[int(name[1:]) - 1], 2) for name in case[:2])

    assert [f"{one & other:03b}", f"{one | other:03b}"] == case[2:]


def plan_of(words: Iterable[int], size: int = 1, *, fill: int | None = None) -> Plan:
    """Write words to address 0, each read at once; where asked, after one fill."""
    steps = [] if fill is None else [write(0, size, fill, "", 0)]
    for word in words:
        steps += [write(0, size, word, "", 0), read(0, size, word, "", 0)]
    return Plan("", tuple(steps), ())


def reads_of(bus: str, plan: Plan) -> dict[str, tuple[int, ...]]:
    """Give what is read with each candidate fault of a window of one word."""
    window = open_window(load_bus(bus), 0, load_bus(bus).word_bytes)
    candidates = line_candidates(window)
    seen = Prediction(window, candidates, plan.steps).reads()
    return {name: tuple(seen[:, at].tolist()) for at, name in enumerate(candidates.names)}


@pytest.mark.parametrize("fault", CASES["read_back"])
def test_read_back_with_a_fault_of_two_lines(fault: str) -> None:
    """The six words of true and complement come back as the table has it."""
    words = VECTOR_SETS["true-complement"](8)

    assert words == hexadecimal(CASES["read_back"]["none"])
    assert list(reads_of("z80", plan_of(words))[fault]) == hexadecimal(CASES["read_back"][fault])


def of_the_128(reads: dict[str, tuple[int, ...]]) -> dict[str, tuple[int, ...]]:
    """Leave out no fault, and bridges to the strobe."""
    return {name: seen for name, seen in reads.items() if name != "none" and "strobe" not in name}


@pytest.mark.parametrize("case", CASES["classes"], ids=lambda case: case["words"])
def test_classes_of_the_128_faults(case: dict[str, Any]) -> None:
    """Words leave so many classes of faults, and so many faults unseen."""
    words = hexadecimal(case["words"])
    reads = of_the_128(reads_of("z80", plan_of(words)))
    classes = Counter(reads.values())
    unseen = [name for name, seen in reads.items() if list(seen) == words]

    assert len(reads) == 128
    assert len(unseen) == case["unseen"]
    if "classes" in case:
        assert (len(classes), max(classes.values())) == (case["classes"], case["largest"])
    if "unseen_names" in case:
        assert unseen == case["unseen_names"]


@pytest.mark.parametrize("word", CASES["gain"])
def test_bits_that_a_word_tells(word: str) -> None:
    """The entropy of what one word returns, over the 128 faults."""
    classes = Counter(of_the_128(reads_of("z80", plan_of([int(word, 16)]))).values())

    assert 7 - sum(n / 128 * log2(n) for n in classes.values()) == pytest.approx(
        CASES["gain"][word], abs=5e-5
    )


@pytest.mark.parametrize("lines", CASES["in_turn"])
def test_accesses_of_the_test_in_turn(lines: str) -> None:
    """Its number of accesses goes with the square of the address lines."""
    plan = plan_each_in_turn(open_window(load_bus("mc68020"), 0, 4 << int(lines)))

    assert len(plan.steps) == CASES["in_turn"][lines]


def through(plan: Plan, mapping: Callable[[int], int]) -> list[int]:
    """Run a plan over a memory whose addresses a fault maps; give what is read."""
    cells: dict[int, int] = {}
    found = []
    for access in plan.accesses:
        cell = mapping(access.address)
        if access.op == "write":
            assert access.data is not None
            cells[cell] = access.data
        else:
            found.append(cells.get(cell, -1))
    return found


def with_pair(one: int, other: int) -> Callable[[int], int]:
    """Give A4 and A5 these levels; each is given as four bits, by the levels of A5 and A4."""

    def mapping(address: int) -> int:
        at = address >> 4 & 3
        return address & ~0x30 | (one >> at & 1) << 4 | (other >> at & 1) << 5

    return mapping


MAPPINGS: dict[str, Callable[[int], int]] = {
    "none": lambda address: address,
    "A1 low": lambda address: address & ~2,
    "A1 high": lambda address: address | 2,
    # By (A5, A4) = 11, 10, 01, 00: what A4 shows, what A5 shows.
    "A4 A5 low-wins": with_pair(0b1000, 0b1000),
    "A4 A5 high-wins": with_pair(0b1110, 0b1110),
    "A4 A5 a-wins": with_pair(0b1010, 0b1010),
    "A4 A5 b-wins": with_pair(0b1100, 0b1100),
    "A4 A5 swapped": with_pair(0b1100, 0b1010),
}


@pytest.mark.parametrize("fault", CASES["powers"])
def test_powers_of_two_with_an_address_fault(fault: str) -> None:
    """What is read at 00, 01, 02, 04 to 80 with a fault of the lines."""
    plan = plan_powers(open_window(load_bus("z80"), 0, 256))

    assert through(plan, MAPPINGS[fault]) == CASES["powers"][fault]


def test_own_address_with_a_line_stuck() -> None:
    """Every pair of addresses returns the higher one where writes go upward."""
    plan = plan_own_address(open_window(load_bus("z80"), 0, 16))

    assert through(plan, MAPPINGS["A1 low"])[:16] == CASES["own_address"]["read"]


@pytest.mark.parametrize("fault", MAPPINGS)
def test_written_and_read_at_once_shows_no_address_fault(fault: str) -> None:
    """The negative case: no address is told from another that way."""
    steps = plan_of([])
    for address in range(256):
        pair = (write(address, 1, address, "", 0), read(address, 1, address, "", 0))
        steps = Plan("", steps.steps + pair, ())

    assert through(steps, MAPPINGS[fault]) == list(range(256))


@pytest.mark.parametrize(
    ("fault", "expected"),
    [
        ("bridge D9 the strobe a-wins", CASES["strobes"]["D9_common"]),
        ("bridge D9 LDS a-wins", CASES["strobes"]["D9_low_lane"]),
    ],
)
def test_cell_after_words_with_a_line_bridged_to_a_strobe(fault: str, expected: str) -> None:
    """What the cell holds after each word, one after the other."""
    words = VECTOR_SETS["true-complement"](16)
    plan = plan_of(words, 2, fill=0x5A5A)

    assert words == hexadecimal(CASES["strobes"]["words"])
    assert list(reads_of("mc68000", plan)[fault]) == hexadecimal(expected)


@pytest.mark.parametrize("line", CASES["strobes"]["flags"])
def test_words_that_were_not_written_spell_the_number_of_the_line(line: str) -> None:
    """The plan's first words tell the digits, low one first; the complements the opposite."""
    plan = plan_strobes(open_window(load_bus("mc68000"), 0, 2))
    seen = reads_of("mc68000", plan)[f"bridge D{line} the strobe a-wins"]
    flags = [int(word == 0) for word in seen]

    assert flags[:4] == CASES["strobes"]["flags"][line]
    assert flags[4:] == [1 - flag for flag in flags[:4]]
