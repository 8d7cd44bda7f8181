"""What read-backs tell, as text for people and as one JSON object."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.diagnosis import sentences
from busdecode.faults import written_fault
from busdecode.report.verdicts import listed, verdict_object, verdict_rows
from busdecode.units import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.access import Access
    from busdecode.diagnosis import Judgement, Step
    from busdecode.faults import Fault
    from busdecode.protocol import Bus

__all__ = ["access_text", "readback_object", "readback_text", "standing_text", "step_object"]


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
    rows += verdict_rows(judgement, bus)
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
            rows += listed(said, "  ")
        return rows
    rows = [f"{said[0]}."]
    if len(said) > 1:
        rows.append("No write and read tells this from:")
        rows += listed(said[1:], "  ")
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
        **verdict_object(judgement, bus),
        "next": [step_object(step, gain) for step, gain in steps],
        "unseen": [written_fault(fault) for fault in judgement.unseen],
        "akin": [written_fault(fault) for fault in judgement.akin],
        "silent": [written_fault(fault) for fault in judgement.silent],
        "cannot_see": list(blind),
        "notes": list(judgement.notes),
    }


def step_object(step: Step, gain: float) -> dict[str, object]:
    """Give accesses to make as JSON has them."""
    first, *rest = step.accesses
    return {
        "access": _access_object(first),
        "then": [_access_object(each) for each in rest],
        "purpose": step.purpose,
        "gain": gain,
    }


def _access_object(access: Access) -> dict[str, object]:
    return {
        "op": access.op,
        "address": access.address,
        "size": access.size,
        "data": access.data,
    }
