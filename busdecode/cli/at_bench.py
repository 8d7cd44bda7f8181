"""A search at the bench: proposes accesses, takes in what was read, keeps all of it in a file."""

from __future__ import annotations

import re
import sys
from typing import TYPE_CHECKING

from busdecode.cli.progress import showing_progress
from busdecode.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from busdecode.access import Access
    from busdecode.diagnosis import Standing, Step
    from busdecode.plan import Window
    from busdecode.predict import Model
    from busdecode.protocol import Bus

__all__ = ["go_through"]

_HELP = (
    "type what was read, in hexadecimal digits; - to leave this step out and be given the next "
    "best; stop to end here"
)


class _StoppedError(Exception):
    """The person has had enough."""


def go_through(
    model: Model, window: Window, log: Sequence[Access], offset: int, output: Path
) -> int:
    """Propose steps until one group of candidates is left; give the exit status.

    Parameters
    ----------
    model : Model
    window : Window
        In the addresses of the bus.
    log : sequence of Access
        Made before, in the addresses that software uses.
    offset : int
    output : path
        Must not exist; it holds the whole log after every step, also if the session is broken off.
    """
    from busdecode.diagnosis import Bench, Outcomes, filled, read_back, steps_of
    from busdecode.plan import WARNING
    from busdecode.predict import FaultRows, candidates
    from busdecode.report import standing_text

    bus = model.bus
    faults = FaultRows(model, [None, *candidates(bus)])
    steps = steps_of(window, offset)
    print(f"WARNING: {WARNING}.")
    print(f"{len(faults) - 1:,} candidate faults, {len(steps)} steps to choose from. {_HELP}.")
    with showing_progress("what each candidate foretells") as show:
        outcomes = Outcomes.of(
            model, steps, faults, offset, lambda at: show(f"step {at + 1} of {len(steps)}")
        )
    search = Bench(model, faults, outcomes, offset)
    made = list(log)
    _keep(output, bus, made, is_new=True)
    left_out: set[Step] = set()
    number = 0
    standing = search.standing(made)
    while not standing.is_over:
        step = next((each for each, _ in standing.next if each not in left_out), None)
        if step is None:
            print("No step is left that tells more.")
            break
        number += 1
        try:
            read = _asked(bus, number, step, standing)
        except _StoppedError:
            print("Stopped.")
            break
        if read is None:
            left_out.add(step)
            continue
        made += filled(step, read)
        _keep(output, bus, made)
        standing = search.standing(made)
    print()
    print(f"{len(made)} accesses, kept in {output}. {_share(standing)}")
    print("\n".join(standing_text(bus, standing.leading)))
    return int(bool(read_back(model, made, offset=offset).wrong.any()))


def _share(standing: Standing) -> str:
    if standing.groups == 1:
        return "One group of candidates is left:"
    more = ", and no step tells more" if standing.is_over else ""
    return (
        f"{standing.groups} groups are still possible{more}; the likeliest ({standing.share:.0%}):"
    )


def _asked(bus: Bus, number: int, step: Step, standing: Standing) -> list[int] | None:
    """Propose a step, and take what its reads returned; None where it was left out."""
    from busdecode.report import access_text

    print(f"\nstep {number}, {standing.groups} groups still possible: {step.purpose}")
    read: list[int] = []
    for access in step.accesses:
        if access.op == "write":
            print(f"  {access_text(bus, access)}")
            continue
        value = _value(f"  {access_text(bus, access)}: ", access.size)
        if value is None:
            return None
        read.append(value)
    return read


def _value(prompt: str, size: int) -> int | None:
    while True:
        try:
            text = input(prompt).strip()
        except EOFError:
            print()
            raise _StoppedError from None
        if text == "-":
            return None
        if text.lower() in ("stop", "quit", "q"):
            raise _StoppedError
        match = re.fullmatch(r"(?:0[xX]|\$)?([0-9A-Fa-f]+)", text)
        if match is None:
            print(f"  {text!r} is no number: {_HELP}", file=sys.stderr)
        elif int(match[1], 16) >> 8 * size:
            print(
                f"  {text!r} is more than {size} byte{'s' if size > 1 else ''} hold: "
                f"{2 * size} hexadecimal digits at most",
                file=sys.stderr,
            )
        else:
            return int(match[1], 16)


def _keep(output: Path, bus: Bus, made: Sequence[Access], *, is_new: bool = False) -> None:
    """Write the log as it stands."""
    from busdecode.access import format_log

    try:
        with output.open("x" if is_new else "w", encoding="utf-8") as stream:
            stream.write(format_log(made, -(-bus.address_width // 4)))
    except FileExistsError:
        raise RequestError(
            "the file exists, and is kept", path=output, action="name another file"
        ) from None
    except OSError as error:
        raise RequestError(
            f"the file cannot be written: {error.strerror}",
            path=output,
            action="name a file in a folder that has room and can be written",
        ) from error
