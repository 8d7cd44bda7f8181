"""What a verdict lists, whatever it rests on."""

from __future__ import annotations

from dataclasses import replace

from busdecode.access import Access
from busdecode.diagnosis import Group, judge, read_back
from busdecode.report.verdicts import verdict_rows
from tests.diagnosis.readbacks import fault_of, model_of

MODEL = model_of("z80")
EVIDENCE = read_back(MODEL, [Access("write", 0, 1, 0xFF), Access("read", 0, 1, 0xF7)])
HELD, BROKEN, OTHER = (
    fault_of(each) for each in ("stuck D3 low", "open D5 low", "bridge D1 D2 low-wins")
)


def group(explained: int, contradicted: int, *faults: object) -> Group:
    """Make a group of candidates that explains so much, and that so much speaks against."""
    return Group(faults, explained, contradicted, 0, 0, 0, 1.0, 0.3)  # type: ignore[arg-type]


def test_where_nobody_is_a_candidate_no_cause_is_listed() -> None:
    """A read was wrong, and there is nothing to blame."""
    rows = verdict_rows(judge(EVIDENCE, []), MODEL.bus)

    assert [row for row in rows if row.startswith("  ")] == []
    assert rows[0].startswith("No single candidate explains every read")


def test_of_causes_that_are_there_at_once_each_is_listed() -> None:
    """One explains nothing by itself, where both are wrong in every read; a third is left out."""
    judgement = replace(
        judge(EVIDENCE, [HELD]),
        groups=(group(1, 1, HELD), group(0, 2, BROKEN), group(0, 2, OTHER)),
        together=2,
        more_than_one_cause=True,
    )
    rows = verdict_rows(judgement, MODEL.bus)

    assert "  D3 is held low" in rows
    assert "  D5 is broken: the open end floats low" in rows
    assert "Less likely:" not in rows
    assert not any("D1 and D2" in row for row in rows)
