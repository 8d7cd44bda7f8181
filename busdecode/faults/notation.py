"""How people write a fault: text to values, and back."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Literal

from busdecode.errors import RequestError, nearest, quoted
from busdecode.faults.kinds import (
    BRIDGE_RULES,
    Absent,
    Bridge,
    CardSide,
    EarlyAcknowledge,
    Fault,
    Intermittent,
    Lane,
    LateAcknowledge,
    LateData,
    NoAcknowledge,
    OnlyWhen,
    Open,
    ReadDriver,
    SlowRelease,
    Stuck,
    Swapped,
    WriteReceiver,
    kind_name,
)
from busdecode.units import format_time, parse_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.protocol import Bus

__all__ = ["forms", "parse_fault", "written_fault"]

_FORMS = (
    ("stuck LINE low|high", "a line tied to one rail"),
    ("bridge LINE LINE " + "|".join(BRIDGE_RULES), "two lines tied together, and who decides"),
    ("open LINE high|low|keep", "a break between host and card, and where the rest floats"),
    ("swapped LINE LINE", "two lines crossed between host and card"),
    ("lane-lost LINE", "a lane strobe that does not reach the card"),
    ("lane-on LINE", "a lane strobe that the card always sees asserted"),
    ("read-driver LINE low|high", "the card's driver of a data line at one level"),
    ("write-receiver LINE low|high", "the card's receiver of a data line at one level"),
    ("late-data read|write TIME", "data driven later than the description allows"),
    ("no-acknowledge LINE error|ends|hangs", "an acknowledge that never comes, and what then"),
    ("late-acknowledge LINE TIME", "an acknowledge that comes later than the card means it to"),
    ("early-acknowledge LINE", "an acknowledge as soon as the beat begins, before its data"),
    ("slow-release read|write TIME", "data let go later, while the next party may drive"),
    ("absent high|low|keep|any", "no card at all, and where the data lines float"),
    ("intermittent PERCENT FAULT...", "a fault that is there in that share of the beats only"),
    ("when LINE high|low FAULT...", "a line fault that is there only while a line is so"),
    ("card-side FAULT...", "a stuck, bridge or swapped behind the card's own buffers"),
)
_PERCENT = re.compile(r"([0-9]{1,3}(?:[.][0-9]{1,3})?)%?")
_LATE = {
    "late-data": "data",
    "late-acknowledge": "an acknowledge",
    "slow-release": "a release",
}


def parse_fault(text: str, bus: Bus) -> Fault:
    """Read a fault such as ``bridge D3 D5 low-wins`` or ``intermittent 25 stuck D3 low``.

    Raises
    ------
    RequestError
        With what was found and the forms that are known.

    Examples
    --------
    >>> from busdecode.protocol import load_bus
    >>> parse_fault("stuck D3 low", load_bus("z80"))
    Stuck(line='D3', level=0)
    """
    words = text.replace(",", " ").split()
    known = {form.split()[0]: form for form, _ in _FORMS}
    if not words or words[0] not in known:
        near = nearest(words[0], known) if words else None
        raise RequestError(
            f"no kind of fault is called {quoted(words[0] if words else text)}",
            expected="one of " + "; ".join(known.values()),
            action=f"did you mean {near}?" if near else None,
        )
    kind, given = words[0], words[1:]
    form = known[kind]
    wanted = form.split()[1:]
    if wanted[-1] in ("TIME", "FAULT...") and len(given) > len(wanted):
        given = [*given[: len(wanted) - 1], " ".join(given[len(wanted) - 1 :])]
    if len(given) != len(wanted):
        if wanted[-1] == "FAULT...":
            raise RequestError(f"{kind} needs a fault at its end: {quoted(text)}", expected=form)
        words_wanted = f"{len(wanted)} word{'s' if len(wanted) > 1 else ''}"
        raise RequestError(
            f"{kind} needs {words_wanted} after it, not {len(given)}: {quoted(text)}",
            expected=form,
        )
    for what, word in zip(wanted, given, strict=True):
        _check_word(kind, what, word, bus, form)
    return _inside(kind, given, bus) if wanted[-1] == "FAULT..." else _one(kind, given, bus, form)


def _inside(kind: str, given: list[str], bus: Bus) -> Fault:
    """Read a fault that stands inside another."""
    inner = parse_fault(given[-1], bus)
    if kind == "intermittent":
        return Intermittent(inner, float(given[0].rstrip("%")))
    if kind == "when":
        return OnlyWhen(inner, given[0], _level(given[1]))
    return CardSide(inner)


def _one(kind: str, given: list[str], bus: Bus, form: str) -> Fault:
    """Read a fault that stands for itself."""
    line = given[0]
    if kind == "stuck":
        return Stuck(line, _level(given[1]))
    if kind == "bridge":
        rule = next(rule for rule in BRIDGE_RULES if rule == given[2])
        return Bridge(line, _other(line, given[1], "bridged", form), rule)
    if kind == "open":
        return Open(line, _float(given[1]))
    if kind == "absent":
        return Absent("any" if given[0] == "any" else _float(given[0]))
    if kind == "swapped":
        return Swapped(line, _other(line, given[1], "swapped", form))
    if kind in ("lane-lost", "lane-on"):
        _check_member(line, bus.lane_strobes, "lane strobe", bus)
        return Lane(line, kind == "lane-on")
    if kind in ("read-driver", "write-receiver"):
        _check_member(line, bus.data, "data line", bus)
        kept = ReadDriver if kind == "read-driver" else WriteReceiver
        return kept(line, _level(given[1]))
    if kind in ("late-data", "slow-release"):
        late = LateData if kind == "late-data" else SlowRelease
        return late("read" if line == "read" else "write", parse_time(given[1]))
    answers = [each.name for each in bus.lines if each.role == "acknowledge"]
    _check_member(line, answers, "acknowledge", bus)
    if kind == "late-acknowledge":
        return LateAcknowledge(line, parse_time(given[1]))
    if kind == "early-acknowledge":
        return EarlyAcknowledge(line)
    return NoAcknowledge(
        line, "error" if given[1] == "error" else "ends" if given[1] == "ends" else "hangs"
    )


def _level(word: str) -> Literal[0, 1]:
    return 1 if word == "high" else 0


def _float(word: str) -> Literal["high", "low", "keep"]:
    return "high" if word == "high" else "low" if word == "low" else "keep"


def _other(a: str, b: str, how: str, form: str) -> str:
    if a == b:
        raise RequestError(f"{a} cannot be {how} with itself", expected=form)
    return b


def _check_member(line: str, known: Sequence[str], what: str, bus: Bus) -> None:
    if line not in known:
        raise RequestError(
            f"{line} is no {what} of {bus.name}",
            expected=f"one of {', '.join(known)}"
            if known
            else f"a bus with {_article(what)} {what}",
        )


def _check_word(kind: str, what: str, word: str, bus: Bus, form: str) -> None:
    if what == "LINE":
        if word not in bus.line_names:
            near = nearest(word, bus.line_names)
            raise RequestError(
                f"{bus.name} has no line {quoted(word)}",
                expected=form,
                action=f"did you mean {near}?" if near else f"see: busdecode buses {bus.name}",
            )
    elif what == "TIME":
        try:
            delay = parse_time(word)
        except ValueError as error:
            raise RequestError(str(error), expected=form) from None
        if delay < 0:
            raise RequestError(
                f"{_LATE[kind]} can be late, not early: {quoted(word)}", expected=form
            )
    elif what == "PERCENT":
        match = _PERCENT.fullmatch(word)
        if match is None or float(match[1]) > 100:
            raise RequestError(
                f"a share must be 0 to 100 percent, not {quoted(word)}", expected=form
            )
    elif what != "FAULT..." and word not in what.split("|"):
        raise RequestError(
            f"found {quoted(word)}", expected=f"one of {what.replace('|', ', ')}, as in: {form}"
        )


def written_fault(fault: Fault) -> str:
    """Write a fault as `parse_fault` reads it.

    Examples
    --------
    >>> written_fault(Intermittent(Stuck("D3", 0), 2.5))
    'intermittent 2.5 stuck D3 low'
    """
    return " ".join([kind_name(fault), *_words(fault)])


def _words(fault: Fault) -> tuple[str, ...]:
    """Give what is written after the name of the kind."""
    level = ("low", "high")
    if isinstance(fault, Stuck | ReadDriver | WriteReceiver):
        return fault.line, level[fault.level]
    if isinstance(fault, Bridge):
        return fault.a, fault.b, fault.rule
    if isinstance(fault, Open):
        return fault.line, fault.floats
    if isinstance(fault, Absent):
        return (fault.floats,)
    if isinstance(fault, Swapped):
        return fault.a, fault.b
    if isinstance(fault, Lane | EarlyAcknowledge):
        return (fault.line,)
    if isinstance(fault, LateData | SlowRelease):
        return fault.direction, format_time(fault.delay)
    if isinstance(fault, LateAcknowledge):
        return fault.line, format_time(fault.delay)
    if isinstance(fault, NoAcknowledge):
        return fault.line, fault.then
    if isinstance(fault, Intermittent):
        return f"{fault.percent:g}", written_fault(fault.fault)
    if isinstance(fault, OnlyWhen):
        return fault.line, level[fault.level], written_fault(fault.fault)
    return (written_fault(fault.fault),)


def forms() -> Sequence[tuple[str, str]]:
    """Give every form in which a fault can be written, with what it means."""
    return _FORMS


def _article(what: str) -> str:
    return "an" if what[0] in "aeiou" else "a"
