"""The schema of a layout file: its tables, their keys, and what each mistake is called."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import PydanticCustomError

from busdecode.capture.samples.header import FIELD_TYPES, HeaderField, number_size
from busdecode.capture.samples.sampled import parse_rate, usable_period
from busdecode.errors import CaptureError, quoted
from busdecode.toml_keys import as_toml, common_mistake, line_of, written
from busdecode.units import parse_time

if TYPE_CHECKING:
    from pathlib import Path

    from pydantic_core import ErrorDetails

__all__ = ["FieldTable", "LayoutTable", "schema_mistakes"]

BITS_AT_MOST = 128
_SEE = "see docs/captures.md"
_Key = tuple[str | int, ...]


def _mistake(found: str, expected: str | None = None) -> PydanticCustomError:
    return PydanticCustomError("layout", "{found}", {"found": found, "expected": expected})


def _channel(entry: str) -> str:
    if not entry.strip():
        raise _mistake("a channel must have a name", 'such as "AS", "D[15:0]", or "-"')
    return entry


def _rate(text: str) -> str:
    try:
        parse_rate(text)
    except ValueError as error:
        raise _mistake(str(error), 'such as "100 MHz"') from error
    return text


def _time(text: str) -> str:
    try:
        parse_time(text)
    except ValueError as error:
        raise _mistake(str(error), 'such as "10 ns"') from error
    return text


def _period(text: str) -> str:
    if not usable_period(Fraction(parse_time(_time(text)))):
        raise _mistake(f"must lie between 1 ps and 1000 s, not {quoted(text)}", 'such as "10 ns"')
    return text


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class FieldTable(_Table):
    """One entry of ``[[header.fields]]``."""

    name: str = Field(pattern="^[a-z][a-z0-9_]*$")
    type: Literal[FIELD_TYPES]  # type: ignore[valid-type]
    size: int | None = Field(default=None, ge=1, le=65_536)
    equals: int | str | None = None
    gives: Literal["samples", "rate_hz", "period_ps", "first_ps"] | None = None

    @model_validator(mode="after")
    def _fits(self) -> FieldTable:
        whole = number_size(self.type)
        if whole is not None:
            if self.size not in (None, whole):
                raise _mistake(f"{self.type} has a size of {whole}, not {self.size}", "no size")
            if isinstance(self.equals, str):
                raise _mistake(
                    f"equals must be a number for {self.type}, not {quoted(self.equals)}"
                )
            return self
        if self.gives is not None:
            raise _mistake(
                f"{self.type} gives no number", "gives only with a number, such as u32le"
            )
        wanted = self.constant()
        if self.size is None and wanted is None:
            raise _mistake(f"the size of {self.type} is not told", "size = bytes, or equals")
        if wanted is not None and self.size not in (None, len(wanted)):
            raise _mistake(f"equals has {len(wanted)} bytes, but size is {self.size}", "the same")
        return self

    def constant(self) -> bytes | None:
        """Give the bytes that must stand in a field of bytes or text."""
        if self.equals is None:
            return None
        try:
            if isinstance(self.equals, str) and self.equals.strip():
                if self.type == "bytes":
                    return bytes.fromhex(self.equals)
                return self.equals.encode("ascii")
        except ValueError:
            pass
        expected = '"89 4C 47"' if self.type == "bytes" else '"LOG1" in ASCII'
        raise _mistake(f"equals does not fit {self.type}: {quoted(self.equals)}", expected)

    def field(self) -> HeaderField:
        """Give the field as the header reads it."""
        whole = number_size(self.type)
        if whole is not None and not isinstance(self.equals, str):
            return HeaderField(self.name, self.type, whole, self.equals, self.gives)
        constant = self.constant()
        size = self.size or len(constant or b"")
        return HeaderField(self.name, self.type, size, constant)


class _HeaderTable(_Table):
    """``[header]``."""

    bytes: int | None = Field(default=None, ge=0, le=1 << 40)
    fields: list[FieldTable] = []


class _StampTable(_Table):
    """``[stamp]``."""

    bits: int = Field(ge=1, le=63)
    unit: Annotated[str, AfterValidator(_period)]


class LayoutTable(_Table):
    """A whole layout file."""

    channels: Annotated[list[Annotated[str, AfterValidator(_channel)]], Field(min_length=1)]
    order: Literal["msb first", "lsb first"]
    bits: int | None = Field(default=None, ge=1, le=BITS_AT_MOST)
    byte_order: Literal["little", "big"] | None = None
    bit_order: Literal["lsb first", "msb first"] | None = None
    rate: Annotated[str, AfterValidator(_rate)] | None = None
    period: Annotated[str, AfterValidator(_period)] | None = None
    first: Annotated[str, AfterValidator(_time)] | None = None
    samples: int | None = Field(default=None, ge=1)
    header: _HeaderTable = _HeaderTable()
    stamp: _StampTable | None = None


_MUST_BE = {
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "list_type": "a list in [ ]",
    "model_type": "a table",
    "too_short": "a list with at least one entry",
    "string_pattern_mismatch": "lower-case letters, digits and _, with a letter first",
}
_LIMITS = {
    "bits": (1, BITS_AT_MOST),
    "stamp.bits": (1, 63),
    "size": (1, 65_536),
    "bytes": (0, 1 << 40),
}


def schema_mistakes(error: ValidationError, text: str, path: Path) -> dict[str, CaptureError]:
    """Make one error a key of what the schema found; alternatives of a type count once.

    Returns
    -------
    dict of str to CaptureError
        The keys as written; each begins with the key of the top level.
    """
    found: dict[str, CaptureError] = {}
    for each in error.errors():
        key = tuple(part for part in each["loc"] if part not in ("int", "str"))
        found[written(key)] = _schema_mistake(key, each, text, path)
    return found


def _schema_mistake(key: _Key, error: ErrorDetails, text: str, path: Path) -> CaptureError:
    kind, given = error["type"], error["input"]
    shown = quoted(given) if isinstance(given, str) else as_toml(given)
    expected, action = None, None
    known = {name for each in _Table.__subclasses__() for name in each.model_fields}
    common = common_mistake(error, key, known, _SEE)
    if common is not None:
        what, expected, action = common
    elif kind == "layout":
        what, expected = str(error["ctx"]["found"]), error["ctx"]["expected"]
    elif kind in ("greater_than_equal", "less_than_equal"):
        low, high = _LIMITS.get(written(key)) or _LIMITS.get(str(key[-1])) or (1, None)
        limits = f"from {low} to {high}" if high is not None else f"{low} or more"
        what = f"must be {limits}, not {shown}"
    elif key[-1] == "equals":
        what = f"must be a whole number or text in quotes, not {shown}"
    else:
        what = f"must be {_MUST_BE[kind]}, not {shown}"
    line = line_of(text, key) or line_of(text, key[:-1])
    row = text.splitlines()[line - 1] if line else None
    return CaptureError(
        what, path=path, line=line, key=written(key), text=row, expected=expected, action=action
    )
