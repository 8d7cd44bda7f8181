"""Takes the declared header fields of a binary capture, gives what they tell about its samples."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import construct  # type: ignore[import-untyped]

from busdecode.capture.model import LATEST
from busdecode.capture.samples.sampled import usable_period
from busdecode.errors import CaptureError, quoted
from busdecode.units import PICOSECONDS

__all__ = ["FIELD_TYPES", "Header", "HeaderFacts", "HeaderField"]

_NUMBERS: dict[str, Any] = {
    f"{sign}{bits}{'' if bits == 8 else end + 'e'}": getattr(
        construct, f"Int{bits}{'u' if sign == 'u' else 's'}{end}"
    )
    for sign in "ui"
    for bits in (8, 16, 24, 32, 64)
    for end in "lb"
}
FIELD_TYPES = (*_NUMBERS, "bytes", "text")
"""What a header field may be: numbers by bits and byte order, bytes, or ASCII text."""


@dataclass(frozen=True)
class HeaderField:
    """One field of a header.

    Parameters
    ----------
    name : str
    type : str
        One of `FIELD_TYPES`.
    size : int
        Bytes; of numbers their own.
    equals : int or bytes, optional
        What must stand there.
    gives : str, optional
        ``samples``, ``rate_hz``, ``period_ps`` or ``first_ps``.
    """

    name: str
    type: str
    size: int
    equals: int | bytes | None = None
    gives: str | None = None

    @property
    def parser(self) -> Any:
        """Give the field as the construct library parses it."""
        return _NUMBERS[self.type] if self.type in _NUMBERS else construct.Bytes(self.size)

    def shown(self, value: int | bytes) -> str:
        """Write a value of this field as an error shows it."""
        if isinstance(value, int):
            return str(value)
        if self.type == "text":
            return quoted(value.decode("ascii", "backslashreplace"))
        return value[:16].hex(" ") + (" ..." if len(value) > 16 else "")


def number_size(type: str) -> int | None:
    """Give the bytes of a number type; None for bytes and text."""
    return int(_NUMBERS[type].sizeof()) if type in _NUMBERS else None


@dataclass(frozen=True)
class HeaderFacts:
    """What a header tells; None where it does not.

    Parameters
    ----------
    samples : int, optional
    period : Fraction, ps, optional
    first : int, ps, optional
    """

    samples: int | None = None
    period: Fraction | None = None
    first: int | None = None


@dataclass(frozen=True)
class Header:
    """What stands before the first sample.

    Parameters
    ----------
    size : int
        Bytes from the start of the file to the first sample.
    fields : tuple of HeaderField
        From the start of the file on, without gaps.
    """

    size: int = 0
    fields: tuple[HeaderField, ...] = ()

    @property
    def fields_size(self) -> int:
        """Count the bytes of the fields."""
        return sum(field.size for field in self.fields)

    def read(self, data: bytes, path: str) -> HeaderFacts:
        """Parse the fields and check those that are constants.

        Parameters
        ----------
        data : bytes
            The first `fields_size` bytes of the file.

        Raises
        ------
        CaptureError
            If the file ends in the header, a constant differs, or a value cannot be used.
        """
        form = construct.Struct(*(field.name / field.parser for field in self.fields))
        try:
            values = form.parse(data)
        except construct.StreamError as error:
            raise CaptureError(
                "the file ends inside its header",
                path=path,
                byte=len(data),
                expected=f"{self.size} bytes before the first sample, as the layout tells",
                action="check that the layout fits this file, or export the capture again",
            ) from error
        given: dict[str, int] = {}
        at = 0
        for field in self.fields:
            value: int | bytes = values[field.name]
            if field.equals is not None and value != field.equals:
                raise CaptureError(
                    f"the header field {field.name} must be {field.shown(field.equals)}, "
                    f"not {field.shown(value)}",
                    path=path,
                    byte=at,
                    expected="a file that the layout was written for",
                    action="check that the layout fits this file",
                )
            if field.gives is not None and isinstance(value, int):
                if not _can_be(field.gives, value):
                    raise CaptureError(
                        f"the header field {field.name} gives {field.gives} {value}",
                        path=path,
                        byte=at,
                        expected=_EXPECTED[field.gives],
                        action="check that the layout fits this file",
                    )
                given[field.gives] = value
            at += field.size
        period = None
        if "period_ps" in given:
            period = Fraction(given["period_ps"])
        elif "rate_hz" in given:
            period = Fraction(PICOSECONDS["s"], given["rate_hz"])
        return HeaderFacts(given.get("samples"), period, given.get("first_ps"))


_EXPECTED = {
    "samples": "one sample or more",
    "rate_hz": "a rate of 1 Hz to 1000 GHz",
    "period_ps": "a period of 1 ps to 1000 s",
    "first_ps": "a time within 64 bits of picoseconds",
}


def _can_be(gives: str, value: int) -> bool:
    if gives == "samples":
        return value >= 1
    if gives == "rate_hz":
        return value >= 1 and usable_period(Fraction(PICOSECONDS["s"], value))
    if gives == "first_ps":
        return abs(value) <= LATEST
    return usable_period(Fraction(value))
