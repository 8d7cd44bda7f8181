"""Takes cells that hold a moment, gives picoseconds; knows the names and units of such columns."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from decimal import MAX_EMAX, MAX_PREC, MIN_EMIN, Context, Decimal
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING

from busdecode.capture.model import LATEST
from busdecode.units import PICOSECONDS

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = [
    "DATE",
    "NUMBER",
    "Moment",
    "bracketed_unit",
    "dates_order",
    "is_sample_name",
    "is_time_name",
    "period_in",
    "time_name",
    "unit_alone",
]

_TIME_NAMES = frozenset(
    {"time", "t", "timestamp", "time stamp", "time_stamp", "time-stamp", "date", "datetime",
     "date time", "date/time", "date_time", "date and time"}
)  # fmt: skip
_SAMPLE_NAMES = frozenset(
    {"sample", "samples", "index", "#", "n", "no", "no.", "nr", "nr.", "sample number",
     "sample_number", "sample no", "sample no.", "sample index", "sample_index", "sample #"}
)  # fmt: skip
_SPELLED = {"\u00b5s": "us", "\u03bcs": "us"} | {unit: unit for unit in PICOSECONDS}
for _prefix, _unit in (("", "s"), ("m", "ms"), ("u", "us"), ("n", "ns"), ("p", "ps")):
    _SPELLED[f"{_prefix}sec"] = _unit
for _prefix, _unit in (("", "s"), ("milli", "ms"), ("micro", "us"), ("nano", "ns"), ("pico", "ps")):
    _SPELLED |= {f"{_prefix}second": _unit, f"{_prefix}seconds": _unit}
_UNIT = "(" + "|".join(sorted(_SPELLED, key=len, reverse=True)) + ")"
_BRACKETED = re.compile(rf"(.*?)\s*[(\[<]\s*{_UNIT}\s*[)\]>]", re.IGNORECASE)
_APART = re.compile(rf"(.*?)\s*[_/,:\s]\s*(?:in\s+)?{_UNIT}", re.IGNORECASE)
_ALONE = re.compile(rf"[(\[<]?\s*{_UNIT}\s*[)\]>]?", re.IGNORECASE)
_COMMENT = re.compile(r"\s*(?:#|%|//|;|--)\s*(?=\S)")

NUMBER = r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?"
DATE = (
    r"(?:(?P<one>[0-9]{1,4})(?P<mark>[-/.])(?P<two>[0-9]{1,2})(?P=mark)(?P<three>[0-9]{1,4})"
    r"(?:T|\s+))?(?P<hour>[0-9]{1,2}):(?P<minute>[0-9]{2}):(?P<second>[0-9]{2})"
    r"(?:[.,](?P<part>[0-9]+))?\s*(?P<zone>Z|[+-][0-9]{2}:?[0-9]{2})?"
)
_DATE = re.compile(DATE)
_NUMBER = re.compile(NUMBER)
_EXACT = Context(prec=MAX_PREC, Emax=MAX_EMAX, Emin=MIN_EMIN)

_FREQUENCY = r"([kKMG]?)(?:Hz|HZ|S/s|Sa/s|SPS|sps)"
_PERIOD_UNIT = "|".join(_SPELLED)
_RATE = re.compile(
    rf"\W*[Ss]ampl(?:e|ing)[ _-]?(?:rate|frequency|clock)\s*(?:[(\[]\s*{_FREQUENCY}\s*[)\]])?"
    rf"\s*[:=,;\t ]\s*\"?([0-9]+(?:[.][0-9]+)?(?:[eE][+-]?[0-9]{{1,2}})?)[\s,;]*"
    rf"(?:{_FREQUENCY})?\W*"
)
_PERIOD = re.compile(
    rf"\W*[Ss]ampl(?:e|ing)[ _-]?(?:period|interval)\s*(?:[(\[]\s*({_PERIOD_UNIT})\s*[)\]])?"
    rf"\s*[:=,;\t ]\s*\"?([0-9]+(?:[.][0-9]+)?(?:[eE][+-]?[0-9]{{1,2}})?)[\s,;]*"
    rf"({_PERIOD_UNIT})?\W*"
)
_TIMES = {"": 1, "k": 10**3, "K": 10**3, "M": 10**6, "G": 10**9}


@lru_cache(maxsize=4096)
def time_name(cell: str) -> tuple[str, str | None]:
    """Split a header cell into its name, folded, and its unit, None where there is none.

    Examples
    --------
    >>> time_name("Time [us]"), time_name("t")
    (('time', 'us'), ('t', None))
    """
    cell = cell.strip()
    if cell.lower() not in _SAMPLE_NAMES:
        cell = _COMMENT.sub("", cell, count=1)
    match = _BRACKETED.fullmatch(cell) or _APART.fullmatch(cell)
    if match is None:
        return cell.lower(), None
    return match[1].strip().lower(), _SPELLED[match[2].lower()]


def is_time_name(cell: str) -> bool:
    """Tell whether a column of that name holds times."""
    return time_name(cell)[0] in _TIME_NAMES


def is_sample_name(cell: str) -> bool:
    """Tell whether a column of that name holds sample numbers."""
    name, unit = time_name(cell)
    return unit is None and name in _SAMPLE_NAMES


@lru_cache(maxsize=4096)
def bracketed_unit(cell: str) -> bool:
    """Tell whether a header cell ends with a unit of time in brackets."""
    return _BRACKETED.fullmatch(cell.strip()) is not None


@lru_cache(maxsize=4096)
def unit_alone(cell: str) -> str | None:
    """Give the unit of a cell that holds nothing else, or None."""
    match = _ALONE.fullmatch(cell.strip())
    return None if match is None else _SPELLED[match[1].lower()]


def period_in(line: str) -> Fraction | None:
    """Give the sample period that a line in front of the table tells by a plain label, ps.

    Examples
    --------
    >>> period_in("# Sample rate: 100 MHz"), period_in("Sample period (ns): 2.5")
    (Fraction(10000, 1), Fraction(2500, 1))
    """
    match = _RATE.fullmatch(line.strip())
    if match is not None:
        prefixes = [prefix for prefix in (match[1], match[3]) if prefix is not None]
        value = Fraction(match[2])
        if len(prefixes) != 1 or not value:
            return None
        return PICOSECONDS["s"] / (value * _TIMES[prefixes[0]])
    match = _PERIOD.fullmatch(line.strip())
    if match is None:
        return None
    units = [unit for unit in (match[1], match[3]) if unit is not None]
    value = Fraction(match[2])
    if len(units) != 1 or not value:
        return None
    return value * PICOSECONDS[_SPELLED[units[0]]]


def dates_order(cells: Sequence[str]) -> str | None:
    """Tell in which order dates are written.

    Returns
    -------
    str or None
        ``ymd``, ``dmy``, ``mdy``; ``?`` where day and month cannot be told apart; empty for
        times of the day without a date; None where the cells are no dates.
    """
    if not cells:
        return None
    orders = set()
    for cell in cells:
        match = _DATE.fullmatch(cell)
        if match is None:
            break
        one, two, three = match["one"], match["two"], match["three"]
        if one is None:
            orders.add("")
        elif len(one) == 4:
            orders.add("ymd")
        elif len(three) == 4 and int(one) > 12:
            orders.add("dmy")
        elif len(three) == 4 and int(two) > 12:
            orders.add("mdy")
        elif len(three) == 4:
            orders.add("?")
        else:
            break
    if len(orders) > 1:
        orders.discard("?")
    return orders.pop() if len(orders) == 1 else ("?" if orders else None)


@dataclass(frozen=True)
class Moment:
    """The column that tells when a row holds, and what its cells are worth.

    Parameters
    ----------
    name : str
        As in the header.
    at : int
        Cell of the row.
    worth : int, ps
        One unit, or one sample.
    counts_samples : bool
        True where the cells are sample numbers.
    dates : str or None
        Order of dates as `dates_order` gives it; None where the cells are numbers.
    origin : int, ps
        What is subtracted from dates.
    has_comma : bool
        True where a decimal comma is right.
    """

    name: str
    at: int
    worth: int
    counts_samples: bool = False
    dates: str | None = None
    origin: int = 0
    has_comma: bool = True

    def picoseconds(self, cell: str) -> tuple[int, bool] | None:
        """Read a cell.

        Returns
        -------
        (int, bool) or None
            The moment in ps, and whether it had to be rounded, half to even; None where the
            cell is not of the kind that the column holds.
        """
        if self.dates is not None:
            found = _since_year_one(cell, self.dates)
            return None if found is None else (found[0] - self.origin, found[1])
        if self.has_comma:
            cell = cell.replace(",", ".")
        if _NUMBER.fullmatch(cell) is None or "," in cell:
            return None
        try:
            value = Decimal(cell)
        except ArithmeticError:
            return None
        if not value:
            return 0, False
        if value.adjusted() > 40:
            return (LATEST + 1 if value > 0 else -LATEST - 1), False
        if value.adjusted() < -40:
            return None if self.counts_samples else (0, True)
        exact = _EXACT.multiply(value, Decimal(self.worth))
        if self.counts_samples and value != int(value):
            return None
        ps = int(_EXACT.to_integral_value(exact))
        return ps, ps != exact


def _since_year_one(cell: str, order: str) -> tuple[int, bool] | None:
    match = _DATE.fullmatch(cell)
    if match is None or (match["one"] is None) != (order == ""):
        return None
    days = 0
    if order:
        fields = dict(zip(order, (match["one"], match["two"], match["three"]), strict=True))
        if len(fields["y"]) != 4:
            return None
        try:
            days = date(int(fields["y"]), int(fields["m"]), int(fields["d"])).toordinal()
        except ValueError:
            return None
    hour, minute, second = int(match["hour"]), int(match["minute"]), int(match["second"])
    if hour > 23 or minute > 59 or second > 60:
        return None
    zone = (match["zone"] or "Z").replace(":", "")
    if zone != "Z":
        minute -= int(zone[0] + "60") * int(zone[1:3]) + int(zone[0] + "1") * int(zone[3:])
    seconds = ((days * 24 + hour) * 60 + minute) * 60 + second
    exact = Fraction(int(match["part"] or 0), 10 ** len(match["part"] or "")) * PICOSECONDS["s"]
    part = round(exact)
    return seconds * PICOSECONDS["s"] + part, part != exact
