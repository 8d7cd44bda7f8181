"""Takes rows of an array, gives levels and times that were checked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from busdecode.capture.model import LATEST
from busdecode.capture.samples.sampled import BitPicker
from busdecode.capture.words import differing, pack_levels

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from busdecode.capture.samples.store import Form, Rows

__all__ = ["LevelTaker", "checked_times"]


def checked_times(
    rows: Rows, values: NDArray[Any], worth: int, done: int, last: int | None
) -> NDArray[np.int64]:
    """Turn times of any unit into ps and check that they rise.

    Parameters
    ----------
    rows : Rows
        Where they come from, for errors.
    values : ndarray of integers or timedelta64, shape (N,)
    worth : int, ps
        One unit of the values.
    done : int
        Rows before these.
    last : int, ps, optional
        The time before the first.

    Returns
    -------
    ndarray of int64, shape (N,), ps

    Raises
    ------
    CaptureError
        If a time does not rise, or does not fit into 64 bits.
    """
    if values.dtype.kind == "m":
        values = values.view(values.dtype.str.replace("m8", "i8").split("[")[0])
    most = LATEST // worth
    wrong = (values > most) | (values < -most) if values.dtype.kind == "i" else values > most
    found, expected = "the time {} does not fit into 64 bits of picoseconds", f"{most} at most"
    times = np.zeros(0, dtype=np.int64)
    if not wrong.any():
        times = values.astype(np.int64) * worth
        before = times[:1] - 1 if last is None else np.array([last])
        wrong = np.diff(times, prepend=before) <= 0
        found, expected = "the times do not rise: {} after {}", "a later time in each row"
    if not wrong.any():
        return times
    row = int(np.argmax(wrong))
    above = values[row - 1] if row else (0 if last is None else last // worth)
    raise rows.error(
        f"{found.format(values[row], above)} (row {done + row})",
        byte=rows.byte_of(done + row),
        expected=expected,
        action="save the array again, sorted by time, in its true unit",
    )


class LevelTaker:
    """Turns rows of an array into states; rows that repeat are dropped.

    Parameters
    ----------
    form : Form
    fields : tuple of str
        Names of the fields of a structure; empty for other arrays.
    lines : tuple of str
    places : tuple of int
        Bit or column of each line; not used for a structure.
    """

    def __init__(
        self,
        form: Form,
        fields: tuple[str, ...],
        lines: tuple[str, ...],
        places: tuple[int, ...],
    ) -> None:
        self._lines, self._places = lines, np.asarray(places, dtype=np.intp)
        self._is_structure = bool(fields)
        self._picker = None
        if not fields and len(form.shape) == 1:
            self._picker = BitPicker(places, form.dtype.itemsize, True)
        self._before: NDArray[np.uint64] | None = None

    def take(
        self, rows: Rows, array: NDArray[Any], done: int
    ) -> tuple[NDArray[np.int64], NDArray[np.uint64]]:
        """Give the rows in which a line changed, and the levels there.

        Returns
        -------
        (ndarray of int64, shape (M,), ndarray of uint64, shape (M, W))
            Row numbers, and states as in a Capture.

        Raises
        ------
        CaptureError
            If a level is neither 0 nor 1.
        """
        if self._picker is not None:
            little = np.ascontiguousarray(array, dtype=array.dtype.newbyteorder("<"))
            return self._picker.take(little.view(np.uint8).reshape(len(array), -1))
        if self._is_structure:
            levels = [
                _zero_or_one(rows, array[name], done, f"field {name}") for name in self._lines
            ]
            bits = np.stack(levels, axis=1)
        else:
            bits = _zero_or_one(rows, array, done, None)[:, self._places]
        states = pack_levels(bits)
        changed_at = np.flatnonzero(differing(states, self._before))
        self._before = states[-1].copy()
        return changed_at.astype(np.int64), states[changed_at]


def _zero_or_one(
    rows: Rows, values: NDArray[Any], done: int, field: str | None
) -> NDArray[np.uint8]:
    """Give levels as bytes, once it is sure that they are 0 and 1."""
    if values.dtype.kind == "b":
        values = values.view(np.uint8)
    wrong = (values != 0) & (values != 1)
    if not wrong.any():
        return values.astype(np.uint8)
    place = np.unravel_index(int(np.argmax(wrong)), wrong.shape)
    row, column = int(place[0]), int(place[1]) if len(place) > 1 else 0
    where = field or f"column {column}"
    raise rows.error(
        f"a level must be 0 or 1, not {values[place]} (row {done + row}, {where})",
        byte=rows.byte_of(done + row, column),
        expected="truth values, or integers 0 and 1",
        action="convert the array before it is saved, such as array.astype(bool)",
    )
