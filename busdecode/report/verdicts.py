"""Ranked causes as text and as JSON, whatever evidence they rest on."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, NamedTuple

from busdecode.diagnosis import path_of, sentence, sentences
from busdecode.faults import kind_name, written_fault
from busdecode.predict import lines_of
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.diagnosis import Group, Judgement
    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = ["READS", "SEEN", "Words", "listed", "verdict_object", "verdict_rows"]

_MOST_GROUPS = 5
_MOST_SENTENCES = 8
_LISTED = 20
"""So many groups stand in JSON."""


class Words(NamedTuple):
    """How the things that were judged are spoken of."""

    what: str
    healthy: str
    untold: str
    open_: str
    left: str


READS = Words(
    what="read",
    healthy="Every read returned what was written.",
    untold="or, which no read of this log tells from it:",
    open_="or, which no read speaks against, though less is foretold of them:",
    left="explains that {} may be wrong, not what they return",
)
SEEN = Words(
    what="observation",
    healthy="All that was seen is as on a healthy bus.",
    untold="or, which nothing seen tells from it:",
    open_="or, which nothing speaks against, though less is foretold of them:",
    left="leaves {} open",
)


def verdict_rows(judgement: Judgement, bus: Bus, words: Words = READS) -> list[str]:
    """Say what the cause is, or why it is not known."""
    if judgement.healthy is None:
        return ["Cannot tell."]
    if judgement.healthy:
        rows = [words.healthy]
        if judgement.unseen:
            left = counted(len(judgement.unseen), "candidate fault")
            rows.append(f"{left} would have shown nothing here: {_kinds(judgement.unseen)}.")
        if judgement.silent:
            left = counted(len(judgement.silent), "other")
            rows.append(f"Of {left} nothing can be foretold: {_kinds(judgement.silent)}.")
        return rows
    # What explains nothing, and is contradicted, is not even less likely; of causes that are there
    # at once, one may explain nothing by itself.
    named = judgement.groups[: judgement.together or 1]
    others = judgement.groups[len(named) :]
    others = tuple(each for each in others if not set(each.faults) <= set(judgement.akin))
    groups = [*named, *(each for each in others if each.explained or not each.contradicted)]
    rows = []
    if judgement.together > 1:
        rows.append(
            f"More than one cause: no single one explains every {words.what}. These together do:"
        )
    elif judgement.more_than_one_cause:
        rows.append(
            f"No single candidate explains every {words.what}: more than one cause, one that comes "
            "and goes, one of which nothing can be foretold, or one that is no candidate. Nearest:"
        )
    elif judgement.is_settled:
        rows.append("Cause:")
    elif judgement.is_in_doubt:
        rows.append(
            "The card is not addressed as it should be. Likeliest, but faults with which it hangs "
            "cannot be excluded:"
        )
    else:
        rows.append("Not settled. Likeliest first:")
    for at, group in enumerate(groups[: max(_MOST_GROUPS, judgement.together)]):
        if at == judgement.together:
            rows.append("Less likely:")
        rows += _group(bus, group, words)
        if at == 0 and judgement.akin:
            rows.append(f"    {words.open_}")
            rows += listed(sentences(bus, judgement.akin), "      ")
        if judgement.together == 1 or at >= judgement.together:
            rows.append(_fares(group, judgement.wrong, words))
    more = len(groups) - max(_MOST_GROUPS, judgement.together)
    if more > 0:
        rows.append(f"  and {counted(more, 'further group')}; --json lists some")
    if judgement.is_in_doubt:
        rows.append(f"Nothing can be foretold of {_kinds(judgement.silent)}; --json lists them.")
    return rows


def _kinds(faults: Sequence[Fault]) -> str:
    """Count faults by kind."""
    kinds = Counter(kind_name(fault) for fault in faults)
    return ", ".join(f"{count} {name}" for name, count in kinds.items())


def _group(bus: Bus, group: Group, words: Words) -> list[str]:
    said = sentences(bus, group.faults)
    rows = [f"  {said[0]}"]
    if len(said) > 1:
        rows.append(f"    {words.untold}")
        rows += listed(said[1:], "      ")
    return rows


def _fares(group: Group, wrong: int, words: Words) -> str:
    """Say how a group fares with what was seen."""
    told = []
    left = wrong - group.explained - group.unexplained
    if group.explained or not left:
        told.append(f"explains {counted(group.explained, f'wrong {words.what}')}")
    if left:
        told.append(words.left.format(counted(left, words.what)))
    told.append(f"contradicted by {counted(group.contradicted, words.what)}")
    return f"    {', '.join(told)}"


def listed(said: Sequence[str], indent: str) -> list[str]:
    """Give sentences as rows, not too many."""
    rows = [f"{indent}{each}" for each in said[:_MOST_SENTENCES]]
    if len(said) > _MOST_SENTENCES:
        rows.append(f"{indent}and {len(said) - _MOST_SENTENCES} more")
    return rows


def verdict_object(judgement: Judgement, bus: Bus) -> dict[str, object]:
    """Give what every judgement tells as JSON has it."""
    return {
        "wrong": judgement.wrong,
        "healthy": judgement.healthy,
        "settled": judgement.is_settled,
        "more_than_one_cause": judgement.more_than_one_cause,
        "together": judgement.together,
        "in_doubt": judgement.is_in_doubt,
        "groups": [_group_object(bus, group) for group in judgement.groups[:_LISTED]],
        "groups_in_all": len(judgement.groups),
    }


def _group_object(bus: Bus, group: Group) -> dict[str, object]:
    return {
        "explained": group.explained,
        "contradicted": group.contradicted,
        "unexplained": group.unexplained,
        "refuted": group.refuted,
        "silent": group.silent,
        "agrees": group.agrees,
        "foretold": round(group.foretold, 6),
        "share": round(group.share, 6),
        "hypotheses": [
            {
                "kind": kind_name(fault),
                "lines": list(lines_of(fault)),
                "path": path_of(bus, fault),
                "sentence": sentence(fault),
                "fault": written_fault(fault),
            }
            for fault in group.faults
        ],
    }
