"""Captures of one log, put together; truth is what the synthesised target had."""

from __future__ import annotations

from busdecode.diagnosis import diagnose
from tests.diagnosis.readbacks import bus_of, fault_of
from tests.diagnosis.runs import candidates_of, run

DATA, ADDRESS = [f"D{bit}" for bit in range(8)], [f"A{bit}" for bit in range(16)]
CONTROL = [line for line in bus_of("z80").line_names if line not in (*DATA, *ADDRESS)]
HALVES = ([*CONTROL, *DATA, *ADDRESS[:4]], [*CONTROL, *ADDRESS])


def test_captures_of_one_log_are_joined() -> None:
    """Two halves of the lines are one piece of evidence that has all lines."""
    made = run("z80", seed=1)
    gathered = made.gathered(
        *(made.capture(half, name=f"half {at}") for at, half in enumerate(HALVES))
    )
    (recorded,) = gathered.recorded

    assert set(recorded.shown[0].lines) == set(bus_of("z80").line_names)
    assert [each.name for each in recorded.ties] == [
        f"half {at}, pairs of lines at the host" for at in (0, 1)
    ]


def test_captures_are_not_joined_where_one_has_all_lines_or_places_are_several() -> None:
    """Each counts on its own then."""
    made = run("z80", seed=1)
    whole = made.gathered(made.capture(name="all"), made.capture(HALVES[0], name="some"))
    several = made.gathered(*(made.capture(half)._replace(looks=None) for half in HALVES))

    assert [len(each.recorded) for each in (whole, several)] == [2, 2]


def test_captures_that_disagree_are_not_joined_and_the_reason_is_told() -> None:
    """Of other writes and reads than the log's, one is taken on its own."""
    made = run("z80", seed=1)
    accesses = made.log.log.accesses[:20]
    other = run("z80", seed=1, accesses=accesses)
    gathered = made.gathered(
        made.capture(HALVES[0], name="one"),
        other.capture(HALVES[1], name="other"),
    )

    assert len(gathered.recorded) == 2
    assert [note for note in gathered.notes if note.startswith("one, other are not joined: ")]


def test_the_reads_of_a_log_count_once() -> None:
    """However many captures there are of it; those without a log have reads of their own."""
    made = run("z80", seed=1)
    captures = [made.capture(name="all"), made.capture(HALVES[0], name="some")]
    unlogged = made.capture(name="alone", is_logged=False)

    assert [len(made.gathered(*captures[:count]).logs) for count in (1, 2)] == [1, 1]
    assert [each.name for each in made.gathered(*captures, unlogged).logs] == [
        "reads in all",
        "reads in alone",
    ]


def test_halves_that_are_joined_tell_what_one_capture_of_all_lines_does() -> None:
    """The same first group, and settled."""
    made = run("z80", "bridge D3 D5 low-wins", seed=2)
    judgements = []
    for captures in ([made.capture()], [made.capture(half) for half in HALVES]):
        gathered = made.gathered(*captures)
        judgements.append(diagnose(gathered.logs, gathered.recorded, candidates_of("z80"))[1])

    assert [each.groups[0].faults for each in judgements] == [judgements[0].groups[0].faults] * 2
    assert fault_of("bridge D3 D5 low-wins") in judgements[0].groups[0].faults
    assert all(each.is_settled for each in judgements)
