"""What a good machine was seen to do, kept in a file, and held against a suspect one."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from busdecode.errors import DescriptionError, RequestError
from busdecode.toml_keys import line_of, syntax_of, written
from busdecode.units import format_time, parse_time

if TYPE_CHECKING:
    from pathlib import Path

    from busdecode.timing.judge import Result
    from busdecode.timing.replay import Replayed

__all__ = ["Baseline", "Departure", "Kept", "departures", "kept_baseline", "read_baseline"]


@dataclass(frozen=True)
class Kept:
    """What was observed for one limit: least and greatest time, ps, in so many beats."""

    lowest: int
    highest: int
    beats: int


@dataclass(frozen=True)
class Baseline:
    """What a good machine was seen to do.

    Parameters
    ----------
    bus, place, capture : str
    uncertainty : int, ps
    limits : dict of str to Kept
        By the limits' numbers.
    """

    bus: str
    place: str
    capture: str
    uncertainty: int
    limits: dict[str, Kept]


@dataclass(frozen=True)
class Departure:
    """A limit in which the suspect machine differs from the good one.

    Parameters
    ----------
    how : str
        ``shorter``, ``longer`` or ``missing``.
    result : Result
        Of the suspect.
    kept : Kept
        Of the good machine.
    beats : int
        In how many beats the suspect differs.
    """

    how: Literal["shorter", "longer", "missing"]
    result: Result
    kept: Kept
    beats: int


def kept_baseline(replayed: Replayed, capture: str) -> str:
    """Write what was observed as the text of a baseline file.

    Parameters
    ----------
    replayed : Replayed
    capture : str
        The capture's name, for the reader of the file.

    Returns
    -------
    str
        TOML.
    """
    bus = replayed.figures.bus.name
    rows = [
        "# Least and greatest times that were observed; hold another capture against them with",
        f"# busdecode replay CAPTURE --bus {bus} --against FILE",
        f"bus = {_text(bus)}",
        f"place = {_text(replayed.place)}",
        f"capture = {_text(capture)}",
        f"uncertainty = {_text(format_time(replayed.uncertainty))}",
        "",
        "[limits]",
    ]
    for result in replayed.results:
        if result.lowest is not None and result.highest is not None:
            rows.append(
                f"{_text(result.limit.number)} = {{ min = {_text(format_time(result.lowest))}, "
                f"max = {_text(format_time(result.highest))}, beats = {int(result.counts.sum())} }}"
            )
    return "\n".join(rows) + "\n"


def _text(text: str) -> str:
    """Write a TOML string of one line, whatever is in it; JSON's escapes are TOML's too."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def read_baseline(path: Path) -> Baseline:
    """Read a baseline file.

    Raises
    ------
    DescriptionError
        With file, line, key, what was found and what was expected.
    """
    try:
        text = path.read_bytes().decode("utf-8")
        parsed = tomllib.loads(text)
    except OSError as error:
        raise DescriptionError(
            f"cannot be read: {error.strerror}", path=path, expected=_EXPECTED, action=_ACTION
        ) from None
    except UnicodeDecodeError as error:
        raise DescriptionError(
            "this is not a text file in UTF-8",
            path=path,
            byte=error.start,
            expected=_EXPECTED,
            action=_ACTION,
        ) from None
    except tomllib.TOMLDecodeError as error:
        what, line, column = syntax_of(error)
        raise DescriptionError(
            f"this is not TOML: {what[:1].lower()}{what[1:]}",
            path=path,
            line=line,
            column=column,
            expected=_EXPECTED,
            action=_ACTION,
        ) from None
    reading = _Reading(path, text)
    limits = reading.value(parsed, ("limits",), dict)
    return Baseline(
        bus=reading.value(parsed, ("bus",), str),
        place=reading.value(parsed, ("place",), str),
        capture=reading.value(parsed, ("capture",), str),
        uncertainty=reading.time(parsed, ("uncertainty",)),
        limits={
            number: Kept(
                reading.time(limits, ("limits", number, "min")),
                reading.time(limits, ("limits", number, "max")),
                reading.value(limits[number], ("limits", number, "beats"), int),
            )
            for number in limits
            if reading.value(limits, ("limits", number), dict) is not None
        },
    )


_EXPECTED = "a baseline, as replay --keep writes it"
_ACTION = "write it anew from the good machine's capture: busdecode replay ... --keep FILE"


@dataclass
class _Reading:
    """Takes values out of a parsed baseline, with what to say where they are not there."""

    path: Path
    text: str

    def mistake(self, key: tuple[str, ...], found: str) -> DescriptionError:
        line = line_of(self.text, key[:2])
        return DescriptionError(
            found,
            path=self.path,
            line=line,
            key=written(key),
            text=self.text.splitlines()[line - 1] if line else None,
            expected=_EXPECTED,
            action=_ACTION,
        )

    def value(self, table: dict[str, Any], key: tuple[str, ...], kind: type) -> Any:
        found = table.get(key[-1])
        if found is None:
            raise self.mistake(key, "this key is missing")
        if not isinstance(found, kind) or isinstance(found, bool):
            what = {str: "text in quotes", int: "a whole number", dict: "a table"}[kind]
            raise self.mistake(key, f"must be {what}, not {found!r:.40}")
        return found

    def time(self, table: dict[str, Any], key: tuple[str, ...]) -> int:
        inner = table[key[1]] if len(key) == 3 else table
        try:
            return parse_time(self.value(inner, key, str))
        except ValueError as error:
            if isinstance(error, DescriptionError):
                raise
            raise self.mistake(key, str(error)) from None


def departures(replayed: Replayed, baseline: Baseline) -> tuple[Departure, ...]:
    """Hold a replay against a good machine's.

    What differs by less than the uncertainties of both together is no departure. A time that
    has only a least figure is not told as longer: rest between cycles, and values that stand
    long before they are needed, harm nothing.

    Raises
    ------
    RequestError
        If the baseline is one of another bus.
    """
    bus = replayed.figures.bus.name
    if baseline.bus != bus:
        raise RequestError(
            f"the baseline is one of {baseline.bus}, and the capture is read as {bus}",
            expected="a baseline of the same bus",
        )
    apart = replayed.uncertainty + baseline.uncertainty
    found = []
    for result in replayed.results:
        kept = baseline.limits.get(result.limit.number)
        if kept is None:
            continue
        if result.lowest is None or result.highest is None:
            found.append(Departure("missing", result, kept, 0))
            continue
        low, high = kept.lowest - apart, kept.highest + apart
        if result.least is not None and result.lowest < low:
            beats = int(result.counts[result.values < low].sum())
            found.append(Departure("shorter", result, kept, beats))
        if (result.most is not None or result.limit.is_required) and result.highest > high:
            beats = int(result.counts[result.values + result.width - 1 > high].sum())
            found.append(Departure("longer", result, kept, beats))
    return tuple(found)
