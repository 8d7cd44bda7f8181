"""What read-backs tell, as text for people and as one JSON object."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from busdecode.diagnosis import path_of, sentence, sentences
from busdecode.faults import kind_name, written_fault
from busdecode.predict import lines_of
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.access import Access
    from busdecode.diagnosis import Group, Judgement, Step
    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = ["access_text", "readback_object", "readback_text", "standing_text"]

_MOST_GROUPS = 5
_MOST_SENTENCES = 8
_LISTED = 20


def readback_text(
    judgement: Judgement,
    bus: Bus,
    log: str,
    steps: Sequence[tuple[Step, float]],
    blind: Sequence[str],
) -> str:
    """Write a judgement: what was wrong, the ranked causes, what to do next, what is not seen.

    Parameters
    ----------
    judgement : Judgement
    bus : Bus
    log : str
        Name of the file, as the user gave it.
    steps : sequence of (Step, float)
        What to write and read next, with the gain in bits; may be empty.
    blind : sequence of str
    """
    rows = [f"{log} on {bus.name}: {_counted(judgement)}", ""]
    rows += _verdict(judgement, bus)
    if steps:
        rows += ["", "Next, best first (the writes go to live addresses):"]
        rows += [f"  {gain:.2f} bits  {_step(bus, step)}" for step, gain in steps]
    rows += ["", "Read-back cannot see:", *(f"  {each}" for each in blind)]
    if judgement.notes:
        rows += ["notes:", *(f"  {note}" for note in judgement.notes)]
    return "\n".join(rows) + "\n"


def _counted(judgement: Judgement) -> str:
    if judgement.healthy is None:
        return "no read can be judged: none returns what the log wrote before"
    return f"{counted(judgement.reads, 'read')} judged, {judgement.wrong} wrong"


def _verdict(judgement: Judgement, bus: Bus) -> list[str]:
    if judgement.healthy is None:
        return ["Cannot tell."]
    if judgement.healthy:
        rows = ["Every read returned what was written."]
        if judgement.unseen:
            left = counted(len(judgement.unseen), "candidate fault")
            rows.append(f"{left} would have shown nothing here: {_kinds(judgement.unseen)}.")
        if judgement.silent:
            left = counted(len(judgement.silent), "other")
            rows.append(f"Of {left} nothing can be foretold: {_kinds(judgement.silent)}.")
        return rows
    groups = judgement.groups
    rows = []
    if judgement.together > 1:
        rows.append("More than one cause: no single one explains every read. These together do:")
    elif judgement.more_than_one_cause:
        rows.append(
            "No single candidate explains every read: more than one cause, one that comes and "
            "goes, one of which nothing can be foretold, or one that is no candidate. The nearest:"
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
        rows += _group(bus, group)
        if at == 0 and judgement.akin:
            rows.append("    or, of which nothing can be foretold where reads were wrong:")
            rows += _listed(sentences(bus, judgement.akin), "      ")
        if judgement.together == 1 or at >= judgement.together:
            rows.append(_fares(group, judgement.wrong))
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


def _group(bus: Bus, group: Group) -> list[str]:
    said = sentences(bus, group.faults)
    rows = [f"  {said[0]}"]
    if len(said) > 1:
        rows.append("    or, which no read of this log tells from it:")
        rows += _listed(said[1:], "      ")
    return rows


def _fares(group: Group, wrong: int) -> str:
    """Say how a group fares with what was read."""
    told = []
    left = wrong - group.explained - group.unexplained
    if group.explained or not left:
        told.append(f"explains {counted(group.explained, 'wrong read')}")
    if left:
        told.append(f"explains that {counted(left, 'read')} may be wrong, not what they return")
    told.append(f"contradicted by {counted(group.contradicted, 'read')}")
    return f"    {', '.join(told)}"


def _listed(said: Sequence[str], indent: str) -> list[str]:
    rows = [f"{indent}{each}" for each in said[:_MOST_SENTENCES]]
    if len(said) > _MOST_SENTENCES:
        rows.append(f"{indent}and {len(said) - _MOST_SENTENCES} more")
    return rows


def access_text(bus: Bus, access: Access) -> str:
    """Write an access as one says it at the keyboard.

    Examples
    --------
    >>> from busdecode.access import Access
    >>> from busdecode.protocol import load_bus
    >>> access_text(load_bus("mc68000"), Access("write", 0x1000, 2, 0xAAAA))
    'write 0xAAAA to 0x001000'
    >>> access_text(load_bus("mc68000"), Access("read", 0x1000, 1, None))
    'read 1 byte at 0x001000'
    """
    address = f"0x{access.address:0{-(-bus.address_width // 4)}X}"
    if access.data is None:
        return f"{access.op} {counted(access.size, 'byte')} at {address}"
    return f"{access.op} 0x{access.data:0{2 * access.size}X} to {address}"


def _step(bus: Bus, step: Step) -> str:
    return ", ".join(access_text(bus, each) for each in step.accesses)


def standing_text(bus: Bus, faults: Sequence[Fault | None]) -> list[str]:
    """Say what one group of candidates is; None among them is a healthy bus."""
    said = sentences(bus, [fault for fault in faults if fault is not None])
    if None in faults:
        rows = ["Nothing wrong is seen."]
        if said:
            rows.append("These would not have shown in what was written and read:")
            rows += _listed(said, "  ")
        return rows
    rows = [f"{said[0]}."]
    if len(said) > 1:
        rows.append("No write and read tells this from:")
        rows += _listed(said[1:], "  ")
    return rows


def readback_object(
    judgement: Judgement,
    bus: Bus,
    log: str,
    steps: Sequence[tuple[Step, float]],
    blind: Sequence[str],
) -> dict[str, object]:
    """Give a judgement as the object that ``--json`` prints; parameters as `readback_text`."""
    return {
        "bus": bus.name,
        "log": log,
        "reads": judgement.reads,
        "wrong": judgement.wrong,
        "healthy": judgement.healthy,
        "settled": judgement.is_settled,
        "more_than_one_cause": judgement.more_than_one_cause,
        "together": judgement.together,
        "in_doubt": judgement.is_in_doubt,
        "groups": [_group_object(bus, group) for group in judgement.groups[:_LISTED]],
        "groups_in_all": len(judgement.groups),
        "next": [
            {
                "access": _access_object(step.accesses[0]),
                "then": [_access_object(each) for each in step.accesses[1:]],
                "purpose": step.purpose,
                "gain": gain,
            }
            for step, gain in steps
        ],
        "unseen": [written_fault(fault) for fault in judgement.unseen],
        "akin": [written_fault(fault) for fault in judgement.akin],
        "silent": [written_fault(fault) for fault in judgement.silent],
        "cannot_see": list(blind),
        "notes": list(judgement.notes),
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


def _access_object(access: Access) -> dict[str, object]:
    return {
        "op": access.op,
        "address": access.address,
        "size": access.size,
        "data": access.data,
    }
