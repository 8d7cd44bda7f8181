"""Takes a layout file (TOML), gives where each channel stands in samples, and their rate."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from busdecode.capture.samples.header import Header
from busdecode.capture.samples.sampled import parse_rate
from busdecode.capture.samples.schema import FieldTable, LayoutTable, schema_mistakes
from busdecode.errors import CaptureError, quoted
from busdecode.toml_keys import line_of, syntax_of, written
from busdecode.units import parse_time

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

__all__ = ["Layout", "Stamp", "read_layout"]

_RANGE = re.compile(r"(.+?)\s*\[\s*([0-9]{1,4})\s*:\s*([0-9]{1,4})\s*\]")
_NO_HEADER = Header()


def expand_channel(entry: str) -> list[str | None]:
    """Give the name of each bit of an entry of ``channels``; None for a bit not used.

    Examples
    --------
    >>> expand_channel("D[2:0]"), expand_channel("-")
    (['D[2]', 'D[1]', 'D[0]'], [None])
    """
    match = _RANGE.fullmatch(entry.strip())
    if match is None:
        return [None if entry.strip() == "-" else entry.strip()]
    first, last = int(match[2]), int(match[3])
    step = 1 if last >= first else -1
    numbers = range(first, last + step, step)
    return [None if match[1] == "-" else f"{match[1]}[{number}]" for number in numbers]


@dataclass(frozen=True)
class Stamp:
    """The time stamp that stands before each sample.

    Parameters
    ----------
    bits : int
    unit : int, ps
    """

    bits: int
    unit: int


@dataclass(frozen=True)
class Layout:
    """What a layout file tells.

    Parameters
    ----------
    path : str
        File name as the user gave it.
    written : tuple of str
        The channels as written, with ranges and unused bits.
    lines : tuple of str
        Names of the channels that are used, in the order written.
    places : tuple of int
        Bit of each line in a sample; 0 is the least significant one.
    bits : int
        Bits of one sample.
    is_low_first : bool
        True where the least significant bit or byte of a sample comes first in the file.
    period : Fraction, ps, optional
    first : int, ps, optional
        Moment of the first sample, or of time stamp 0.
    samples : int, optional
    header : Header
    stamp : Stamp, optional
    """

    path: str
    written: tuple[str, ...]
    lines: tuple[str, ...]
    places: tuple[int, ...]
    bits: int
    is_low_first: bool = True
    period: Fraction | None = None
    first: int | None = None
    samples: int | None = None
    header: Header = _NO_HEADER
    stamp: Stamp | None = None


def read_layout(path: Path, *, is_packed: bool) -> Layout:
    """Read a layout file.

    Parameters
    ----------
    path : path
    is_packed : bool
        True for a file of packed samples. False for an array, whose own header tells how
        its bits lie; then the layout tells names, rate and first time only.

    Raises
    ------
    CaptureError
        With every mistake of the file, in the file's order.
    """
    text, raw = _parsed(path)
    found: list[CaptureError] = []
    table: LayoutTable | None = None
    faulty: set[str] = set()
    try:
        table = LayoutTable.model_validate(raw)
    except ValidationError as error:
        for key, mistake in schema_mistakes(error, text, path).items():
            faulty.add(re.split(r"[.\[]", key)[0])
            found.append(mistake)
    sound = {key: value for key, value in raw.items() if key not in faulty}
    for place, what, expected, action in _across(sound, faulty, is_packed):
        line = line_of(text, place)
        shown = text.splitlines()[line - 1] if line else None
        found.append(
            CaptureError(
                what,
                path=path,
                line=line,
                key=written(place),
                text=shown,
                expected=expected,
                action=action,
            )
        )
    if table is None or found:
        raise CaptureError.together(sorted(found, key=lambda each: each.line or 0))
    return _layout(table, str(path))


def _parsed(path: Path) -> tuple[str, dict[str, Any]]:
    try:
        text = path.read_bytes().decode("utf-8-sig")
        return text, tomllib.loads(text)
    except OSError as error:
        raise CaptureError(
            f"the layout cannot be opened: {error.strerror}",
            path=path,
            action="check the name and the folder",
        ) from error
    except UnicodeDecodeError as error:
        raise CaptureError(
            f"the byte {error.object[error.start]:#04x} is not UTF-8",
            path=path,
            byte=error.start,
            expected="a layout in TOML",
            action="name the layout with --layout, not the capture",
        ) from error
    except tomllib.TOMLDecodeError as error:
        what, row, column = syntax_of(error)
        what = what.replace("Invalid", "unreadable")
        raise CaptureError(
            f"this is not TOML: {what[:1].lower()}{what[1:]}",
            path=path,
            line=row,
            column=column,
            text=text.split("\n")[row - 1] if row else None,
            expected='a row such as bits = 16, or order = "msb first"',
            action="correct the row",
        ) from error


def _layout(table: LayoutTable, path: str) -> Layout:
    names = [name for entry in table.channels for name in expand_channel(entry)]
    places = range(len(names))
    places = places[::-1] if table.order == "msb first" else places
    used = [(name, at) for name, at in zip(names, places, strict=True) if name is not None]
    fields = tuple(each.field() for each in table.header.fields)
    size = table.header.bytes
    if size is None:
        size = sum(field.size for field in fields)
    period = None
    if table.rate is not None:
        period = parse_rate(table.rate)
    elif table.period is not None:
        period = Fraction(parse_time(table.period))
    stamp = table.stamp
    return Layout(
        path=path,
        written=tuple(table.channels),
        lines=tuple(name for name, _ in used),
        places=tuple(at for _, at in used),
        bits=len(names),
        is_low_first=table.bit_order != "msb first" and table.byte_order != "big",
        period=period,
        first=None if table.first is None else parse_time(table.first),
        samples=table.samples,
        header=Header(size, fields),
        stamp=None if stamp is None else Stamp(stamp.bits, parse_time(stamp.unit)),
    )


_Mistake = tuple[tuple[str | int, ...], str, str | None, str | None]
_OF_PACKED = ("bits", "byte_order", "bit_order", "samples", "header", "stamp")


def _across(raw: Mapping[str, Any], faulty: set[str], is_packed: bool) -> Iterator[_Mistake]:
    """Find what does not fit together, among keys that are right by themselves.

    Keys at fault are not in `raw`; what depends on them is not judged.
    """
    names = [name for entry in raw.get("channels", ()) for name in expand_channel(entry)]
    for name, count in Counter(name for name in names if name is not None).items():
        if count > 1:
            yield ("channels",), f"{quoted(name)} is named {count} times", "every name once", None
    if names and not any(names):
        yield ("channels",), "no channel is named", 'a name such as "D[15:0]"', None
    if "rate" in raw and "period" in raw:
        yield ("period",), "rate and period are both told", "one of them", "take one out"
    if is_packed:
        yield from _across_packed(raw, faulty, len(names))
        return
    for key in _OF_PACKED:
        if key in raw:
            what = f"{key} is for packed samples; an array file tells it itself"
            yield (key,), what, "channels, order, rate or period, first", "take it out"


def _across_packed(raw: Mapping[str, Any], faulty: set[str], names: int) -> Iterator[_Mistake]:
    bits = raw.get("bits")
    if bits is None and "bits" not in faulty:
        yield ("bits",), "this key is missing", "bits of one sample, such as bits = 16", None
    elif bits is not None and names and bits != names:
        what = f"the channels are {names}, but a sample has {bits} bit{'s' if bits > 1 else ''}"
        yield ("channels",), what, 'one entry for each bit; "-" for one not used', None
    stamp = raw.get("stamp", {})
    if bits is not None and faulty.isdisjoint(("byte_order", "bit_order", "stamp")):
        yield from _orders(raw, bits, stamp.get("bits", 0))
    fields = raw.get("header", {}).get("fields", [])
    for at, field in enumerate(fields):
        key = ("header", "fields", at)
        if field["name"] in [each["name"] for each in fields[:at]]:
            yield (*key, "name"), f"{field['name']!r} is named twice", "every name once", None
        gives = field.get("gives")
        if gives is None:
            continue
        others = [_same(each.get("gives")) for each in fields[:at]]
        told = [each for each in ("rate", "period", "samples", "first") if each in raw]
        if _same(gives) in [*others, *map(_same, told)]:
            what = f"another key tells the {_same(gives)} too"
            yield (*key, "gives"), what, "each fact once", "take one out"
    size = raw.get("header", {}).get("bytes")
    if size is not None and fields:
        whole = sum(FieldTable(**field).field().size for field in fields)
        if whole > size:
            what = f"the header has {size} bytes, but its fields {whole}"
            yield ("header", "bytes"), what, f"{whole} or more", None


def _same(fact: str | None) -> str | None:
    facts = {"rate_hz": "rate", "period_ps": "rate", "period": "rate", "first_ps": "first time"}
    return {**facts, "first": "first time"}.get(fact, fact) if fact is not None else None


def _orders(raw: Mapping[str, Any], bits: int, stamp: int) -> Iterator[_Mistake]:
    is_whole = bits % 8 == 0 and stamp % 8 == 0
    record = f"samples of {bits} bit{'s' if bits > 1 else ''}"
    if stamp:
        record = f"records of {stamp} + {bits} bits"
    if is_whole:
        if "bit_order" in raw:
            what = f"{record} are whole bytes: their bits have no order of their own"
            is_needed = max(bits, stamp) > 8
            action = "write byte_order instead" if is_needed else "take it out"
            yield ("bit_order",), what, None, action
        if "byte_order" not in raw and max(bits, stamp) > 8:
            expected = 'byte_order = "little" or "big"'
            yield ("byte_order",), f"the byte order of {record} is not told", expected, None
    else:
        if "byte_order" in raw:
            what = f"{record} are no whole bytes: they are packed back to back, bit by bit"
            yield ("byte_order",), what, None, "write bit_order instead"
        if "bit_order" not in raw:
            what = f"{record} are packed back to back; their bit order is not told"
            expected = 'bit_order = "lsb first" or "msb first"'
            yield ("bit_order",), what, expected, None
