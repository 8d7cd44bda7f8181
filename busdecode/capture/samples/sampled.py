"""Takes samples by their number, gives their times; finds the rows that differ from the last."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from math import lcm
from typing import TYPE_CHECKING, Literal

import numpy as np

from busdecode.capture.model import LATEST
from busdecode.capture.words import differing, pack_levels, words_for
from busdecode.errors import CaptureError, RequestError
from busdecode.units import PICOSECONDS, format_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = [
    "BitPicker",
    "SampleClock",
    "agreed_period",
    "aligned",
    "beyond_note",
    "check_span",
    "parse_rate",
    "rounding_note",
    "said_period",
    "usable_period",
]

_RATE = re.compile(r"\s*([0-9]+(?:[.][0-9]+)?)\s*([kMG]?)(?:Hz|S/s)\s*")
_PREFIX = {"": 1, "k": 1_000, "M": 1_000_000, "G": 1_000_000_000}
_SECOND = PICOSECONDS["s"]


def parse_rate(text: str) -> Fraction:
    """Read a sample rate with its unit, such as ``"100 MHz"``.

    Returns
    -------
    Fraction, ps
        The sample period, exact.

    Raises
    ------
    ValueError
        If there is no number, no unit, or a period that cannot be used: see `usable_period`.

    Examples
    --------
    >>> parse_rate("100 MHz"), parse_rate("24 MS/s")
    (Fraction(10000, 1), Fraction(125000, 3))
    """
    match = _RATE.fullmatch(text)
    if match is None:
        raise ValueError(f"a rate must be a number and one of Hz, kHz, MHz, GHz, not {text!r}")
    rate = Fraction(Decimal(match[1])) * _PREFIX[match[2]]
    if not rate or not usable_period(_SECOND / rate):
        raise ValueError(f"a rate must lie between 0.001 Hz and 1000 GHz, not {text!r}")
    return _SECOND / rate


def usable_period(period: Fraction) -> bool:
    """Tell whether sample times can be counted exactly in 64 bits: 1 ps to 1000 s."""
    return 1 <= period <= 1_000 * _SECOND and period.denominator <= _SECOND


@dataclass(frozen=True)
class SampleClock:
    """Times of samples that were taken at one rate.

    Parameters
    ----------
    period : Fraction, ps
        May be no whole number; then each time is rounded by itself, so that errors do not add.
    first : int, ps
        Moment of sample 0.

    Examples
    --------
    >>> clock = SampleClock(Fraction(125_000, 3), -100)
    >>> clock.time(1), clock.times(2, np.array([0, 1]))
    (41567, array([ 83233, 124900]))
    """

    period: Fraction
    first: int

    def time(self, sample: int) -> int:
        """Give the time of one sample, in ps."""
        return self.first + _rounded(sample * self.period.numerator, self.period.denominator)

    def times(self, start: int, samples: NDArray[np.int64]) -> NDArray[np.int64]:
        """Give the times of samples counted from sample `start`; at most 2^20 from there on.

        The last of them must lie within 64 bits of picoseconds.
        """
        over, under = self.period.numerator, self.period.denominator
        base, left = divmod(start * over, under)
        whole, rest = divmod(over, under)
        fine = (left + samples * rest + under // 2) // under
        return self.first + base + samples * whole + fine


def _rounded(over: int, under: int) -> int:
    return (over + under // 2) // under


def said_period(period: Fraction) -> str:
    """Write a sample period as rate and time, such as ``100 MHz (10 ns)``."""
    rate = _SECOND / period
    scale = next((unit for unit in ("G", "M", "k") if rate >= _PREFIX[unit]), "")
    number = f"{float(rate / _PREFIX[scale]):.6g}"
    return f"{number} {scale}Hz ({format_time(max(1, round(period)))})"


def rounding_note(period: Fraction) -> str:
    """Say that sample times are rounded, each by itself."""
    return (
        f"The sample period of {said_period(period)} is no whole number of picoseconds: "
        "each time is rounded to 1 ps."
    )


def beyond_note(octets: int, samples: int) -> str:
    """Say that bytes behind the last sample are not read."""
    return f"{octets} bytes after the last of {samples} samples are not read."


def agreed_period(periods: Sequence[tuple[str, Fraction | None]], path: str) -> Fraction | None:
    """Give the one sample period that was told, by the user, the file or its layout.

    Parameters
    ----------
    periods : sequence of (str, Fraction or None)
        Who tells it, and what; None where that one does not.

    Raises
    ------
    RequestError
        If two tell different periods.
    """
    told = [(who, period) for who, period in periods if period is not None]
    for who, period in told[1:]:
        if round(period) != round(told[0][1]):
            raise RequestError(
                f"{told[0][0]} tells a sample period of {format_time(round(told[0][1]))}, "
                f"{who} one of {format_time(round(period))}",
                path=path,
                expected="one sample period",
                action="take the wrong one out",
            )
    # An exact period is better than the same one rounded to whole picoseconds.
    return max((period for _, period in told), key=lambda each: each.denominator, default=None)


def check_span(clock: SampleClock, samples: int, path: str) -> None:
    """Refuse samples whose last time does not fit into 64 bits.

    Raises
    ------
    CaptureError
    """
    if clock.time(samples) > LATEST:
        raise CaptureError(
            f"the time of sample {samples} does not fit into 64 bits of picoseconds",
            path=path,
            expected="a capture that ends before 9223372 s",
            action="correct the rate or the time of the first sample",
        )


class BitPicker:
    """Takes the bits of lines out of packed records; rows that repeat are dropped first.

    Parameters
    ----------
    bits : sequence of int
        Bit of each line in a record, in the order in which the bits stand in it.
    octets : int
        Bytes of one record.
    is_low_first : bool
        True where the first bit of a byte is its least significant one.
    """

    def __init__(self, bits: Sequence[int], octets: int, is_low_first: bool) -> None:
        order: Literal["little", "big"] = "little" if is_low_first else "big"
        chosen = np.asarray(bits, dtype=np.intp)
        used = np.zeros(8 * octets, dtype=np.uint8)
        used[chosen] = 1
        self._used = np.packbits(used, bitorder=order)
        # What each value of each byte adds to the states of a row.
        self._adds: list[tuple[int, NDArray[np.uint64]]] = []
        for at in np.flatnonzero(self._used).tolist():
            every = np.zeros((256, octets), dtype=np.uint8)
            every[:, at] = np.arange(256)
            levels = np.unpackbits(every, axis=1, bitorder=order)[:, chosen]
            self._adds.append((at, pack_levels(levels)))
        self._words = words_for(len(bits))
        self._before: NDArray[np.uint8] | None = None

    def take(self, records: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.uint64]]:
        """Give the rows in which a line changed, and the levels there.

        Parameters
        ----------
        records : ndarray of uint8, shape (N, octets)
            They follow those of the last call.

        Returns
        -------
        (ndarray of int64, shape (M,), ndarray of uint64, shape (M, W))
            Row numbers, and states as in a Capture.
        """
        used: NDArray[np.uint8] = records & self._used
        changed_at = np.flatnonzero(differing(used, self._before))
        if len(used):
            self._before = used[-1].copy()
        used = used[changed_at]
        states = np.zeros((len(used), self._words), dtype=np.uint64)
        for at, adds in self._adds:
            states |= adds[used[:, at]]
        return changed_at.astype(np.int64), states


def aligned(octets: NDArray[np.uint8], width: int, is_low_first: bool) -> NDArray[np.uint8]:
    """Set records that lie back to back, bit by bit, apart into bytes of their own.

    Parameters
    ----------
    octets : ndarray of uint8, shape (K,)
        The first record begins with the first bit.
    width : int
        Bits of one record.
    is_low_first : bool
        True where the first bit of a byte is its least significant one.

    Returns
    -------
    ndarray of uint8, shape (N, ceil(width / 8))
        At least as many records as are whole in `octets`; bits beyond `width` tell nothing.

    Examples
    --------
    >>> aligned(np.array([0xAB, 0xC1, 0x23], dtype=np.uint8), 12, False)[:, 0].tolist()
    [171, 18]
    """
    period = lcm(width, 8)
    groups = -(-len(octets) * 8 // period)
    padded = np.zeros(groups * period // 8, dtype=np.uint8)
    padded[: len(octets)] = octets
    wide = np.zeros((groups, period // 8 + 1), dtype=np.uint8)
    wide[:, :-1] = padded.reshape(groups, -1)
    records = np.empty((groups, period // width, -(-width // 8)), dtype=np.uint8)
    for number in range(records.shape[1]):
        first, shift = divmod(number * width, 8)
        for at in range(records.shape[2]):
            one, two = wide[:, first + at], wide[:, first + at + 1]
            if is_low_first:
                records[:, number, at] = one if not shift else one >> shift | two << (8 - shift)
            else:
                records[:, number, at] = one if not shift else one << shift | two >> (8 - shift)
    return records.reshape(-1, records.shape[2])
