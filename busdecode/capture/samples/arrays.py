"""Takes a NumPy array file (.npy or .npz), gives its rows."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from busdecode.capture.samples.levels import LevelTaker, checked_times
from busdecode.capture.samples.sampled import (
    SampleClock,
    agreed_period,
    beyond_note,
    check_span,
    rounding_note,
    said_period,
    usable_period,
)
from busdecode.capture.samples.store import ArrayStore, Rows, sniff_npy, sniff_npz
from busdecode.capture.stream import Block, CaptureFile, Source, Told
from busdecode.errors import CaptureError, RequestError, TruncatedError, nearest, quoted
from busdecode.units import PICOSECONDS, format_time

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from busdecode.capture.samples.layout import Layout

__all__ = ["ArrayFile", "open_array", "sniff_npy", "sniff_npz"]

BUFFER_BYTES = 1 << 20
BLOCK_ROWS = 1 << 17
COLUMNS_AT_MOST = 1_024
"""Channels of an array; one with more has its axes the wrong way round."""
_KNOWN = ("states", "times", "lines", "time_unit", "sample_period_ps")
_SMALL = 4_096
_TIME_NAME = re.compile(
    r"(?:t|time|timestamp|time_stamp)(?:[ _]?[(\[]?(s|ms|us|ns|ps)[)\]]?)?", re.IGNORECASE
)


def open_array(source: Source, told: Told) -> ArrayFile:
    """Open a NumPy array file and read its headers.

    Raises
    ------
    CaptureError
        If its arrays are of no use as levels, or the layout has mistakes.
    RequestError
        If what the user tells contradicts the file.
    """
    return ArrayFile(source, told)


class ArrayFile(CaptureFile):
    """A NumPy array file whose headers were read."""

    def __init__(self, source: Source, told: Told) -> None:
        super().__init__(source, told)
        self._store = ArrayStore(source, told.unpack_limit)
        self._notes: list[str] = []
        layout = None
        if told.layout is not None:
            # Imported here, since arrays without a layout need neither pydantic nor construct.
            from busdecode.capture.samples.layout import read_layout

            layout = read_layout(told.layout, is_packed=False)
        self._levels = self._find_levels()
        self._moments = "times" if "times" in self._store.members else None
        with self._store.opened(self._levels) as (rows,):
            self._form = rows.form
            self._check_form(rows)
        self._fields = self._form.dtype.names or ()
        self._time_field = self._find_time_field()
        self._lines_of_bits(layout)
        self._worth = self._time_worth()
        first = None if layout is None else layout.first
        has_times = self._worth is not None
        if layout is not None and first is not None and has_times:
            raise CaptureError(
                "the array has times of its own",
                path=layout.path,
                key="first",
                expected="a time of the first sample for arrays without times",
                action="take it out",
            )
        user = None if told.sample_period is None else Fraction(told.sample_period)
        in_layout = None if layout is None else layout.period
        told_by = [
            ("the file", self._own_period()),
            ("the layout", in_layout),
            ("--sample-period", user),
        ]
        period = agreed_period(told_by, source.name)
        if period is None and not has_times:
            raise CaptureError(
                "the samples have no times, and their period is not known",
                path=source.name,
                expected="the sample period of the instrument",
                action="tell it with --sample-period, such as --sample-period 10ns",
            )
        self._clock = None
        if period is not None:
            self.told = replace(told, sample_period=round(period))
            self._clock = SampleClock(period, first or 0)
            if period.denominator > 1 and not has_times:
                self._notes.append(rounding_note(period))
        self.notes = tuple(self._notes)
        self.understood = self._understood(period)

    def _find_levels(self) -> str:
        """Give the member with the levels; note those that are not read."""
        members = self._store.members
        if members == ("",):
            return ""
        others = [name for name in members if name not in _KNOWN]
        if "states" in members:
            if others:
                self._notes.append(f"Members not read: {', '.join(others)}.")
            return "states"
        if len(others) == 1:
            self._notes.append(f"Member {others[0]} is taken for the levels (states).")
            return others[0]
        listed = ", ".join(members)
        raise CaptureError(
            f"no member is called states; the members are {listed}",
            path=self.source.name,
            expected="states, and if wanted times, time_unit, lines and sample_period_ps",
            action="save the levels as states: numpy.savez(file, states=...)",
        )

    def _check_form(self, rows: Rows) -> None:
        """Refuse an array whose shape or type is of no use as levels."""
        form = rows.form
        shown = "a structure" if form.dtype.names else str(form.dtype)
        if len(form.shape) not in (1, 2) or (form.dtype.names and len(form.shape) != 1):
            raise rows.error(
                f"the array has shape {form.shape} of {shown}",
                byte=0,
                expected="shape (samples,) of unsigned integers or of a structure, or "
                "shape (samples, channels) of 0 and 1",
                action="reshape it before it is saved",
            )
        if form.dtype.names:
            return
        if len(form.shape) == 2 and not 1 <= form.columns <= COLUMNS_AT_MOST:
            raise rows.error(
                f"the array has {form.columns} channels",
                byte=0,
                expected=f"shape (samples, channels) with 1 to {COLUMNS_AT_MOST} channels",
                action="turn it round before it is saved: array.T",
            )
        if form.dtype.kind not in ("u" if len(form.shape) == 1 else "bui"):
            if len(form.shape) == 1:
                expected = "unsigned integers: bit k is channel k"
                action = "convert it before it is saved, such as array.astype(numpy.uint16)"
            else:
                expected = "truth values, or integers 0 and 1"
                action = "convert it before it is saved: array.astype(bool)"
            raise rows.error(f"the array holds {shown}", byte=0, expected=expected, action=action)

    def _find_time_field(self) -> str | None:
        """Give the field of times of a structure."""
        told = self.told.time_column
        if told is not None:
            if told not in self._fields:
                near = nearest(told, self._fields)
                raise RequestError(
                    f"the array has no field called {quoted(told)}",
                    path=self.source.name,
                    expected=f"one of {', '.join(self._fields)}" if self._fields else
                    "an array of a structure, for a field of times",
                    action=f"did you mean {near}?" if near else None,
                )  # fmt: skip
            return told
        likely = [name for name in self._fields if _TIME_NAME.fullmatch(name)]
        if len(likely) > 1:
            raise CaptureError(
                f"{len(likely)} fields may be the time: {', '.join(likely)}",
                path=self.source.name,
                expected="one field of times",
                action="name it with --time-column",
            )
        return likely[0] if likely else None

    def _lines_of_bits(self, layout: Layout | None) -> None:
        """Find the name of each bit, column or field, and where it stands."""
        form = self._form
        names: tuple[str, ...]
        if self._fields:
            names = tuple(name for name in self._fields if name != self._time_field)
            self._check_fields(names)
        else:
            is_bits = len(form.shape) == 1
            places = 8 * form.dtype.itemsize if is_bits else form.columns
            what = "bit" if is_bits else "column"
            if "lines" in self._store.members:
                names = self._line_names(places, what)
            elif layout is not None:
                self._take_layout(layout, places, what)
                return
            else:
                names = tuple(f"D{at}" for at in range(places))
                self._notes.append(f"The file names no channel: {what} k is called Dk, a guess.")
        if layout is not None:
            self._notes.append(f"The file names its channels; those of {layout.path} are not used.")
        self.lines, self._places = names, tuple(range(len(names)))

    def _take_layout(self, layout: Layout, places: int, what: str) -> None:
        if layout.bits != places:
            raise CaptureError(
                f"the channels are {layout.bits}, but the array has {places} {what}s",
                path=layout.path,
                key="channels",
                expected=f'one entry for each {what}; "-" for one not used',
                action="add or take out entries",
            )
        self.lines, self._places = layout.lines, layout.places

    def _check_fields(self, names: tuple[str, ...]) -> None:
        if not names:
            raise CaptureError(
                "the array has no field of levels",
                path=self.source.name,
                expected="one field a line beside the time",
                action="save it again with the lines",
            )
        for name in names:
            dtype = self._form.dtype[name]
            if dtype.kind not in "bui":
                raise CaptureError(
                    f"the field holds {dtype}",
                    path=self.source.name,
                    key=f"field {name}",
                    expected="truth values, or integers 0 and 1",
                    action="convert the field before it is saved",
                )

    def _line_names(self, places: int, what: str) -> tuple[str, ...]:
        array = self._whole("lines")
        problem = None
        if array.ndim != 1 or array.dtype.kind != "U":
            problem = f"the names are {array.dtype} of shape {array.shape}"
        names = tuple(str(name).strip() for name in array.ravel())
        twice = [name for name, count in Counter(names).items() if count > 1]
        is_fit = 1 <= len(names) <= places if what == "bit" else len(names) == places
        if problem is None and (not all(names) or twice):
            problem = f"{quoted(twice[0])} is named twice" if all(names) else "a name is empty"
        elif problem is None and not is_fit:
            problem = f"there are {places} {what}s, but {len(names)} in lines"
        if problem is not None:
            raise CaptureError(
                problem,
                path=self.source.name,
                key="lines",
                expected=f"one text for each {what} of {self._levels}, every name once",
                action="save the names again: numpy.array(['AS', ...])",
            )
        if len(names) < places:
            self._notes.append(f"{places - len(names)} bits above {names[-1]} are not used.")
        return names

    def _whole(self, member: str) -> NDArray[Any]:
        """Read a small member whole."""
        with self._store.opened(member) as (rows,):
            form = rows.form
            if len(form.shape) > 1 or (form.shape or (1,))[0] > _SMALL:
                raise rows.error(
                    f"{member} has shape {form.shape}", expected="one value, or one a channel"
                )
            array = rows.take(_SMALL)
            if not rows.is_whole():
                raise rows.error("the member ends early", expected=f"shape {form.shape}")
            return array

    def _own_period(self) -> Fraction | None:
        if "sample_period_ps" not in self._store.members:
            return None
        array = self._whole("sample_period_ps")
        if array.size == 1 and array.dtype.kind in "ui" and usable_period(Fraction(int(array[0]))):
            return Fraction(int(array[0]))
        shown = array[0] if array.size == 1 else f"{array.size} values"
        raise CaptureError(
            f"the sample period must be a whole number of picoseconds, not {shown}",
            path=self.source.name,
            key="sample_period_ps",
            expected="one integer from 1 on",
            action="save it again, such as sample_period_ps=10_000",
        )

    def _time_worth(self) -> int | None:
        """Give one unit of the times in ps; None where there are no times."""
        unit = None
        if self._time_field is not None:
            dtype, key = self._form.dtype[self._time_field], f"field {self._time_field}"
            match = _TIME_NAME.fullmatch(self._time_field)
            unit = match and match[1] and match[1].lower()
        elif self._moments is not None:
            with self._store.opened("times") as (rows,):
                dtype, key, shape = rows.form.dtype, "times", rows.form.shape
            if shape != self._form.shape[:1]:
                raise CaptureError(
                    f"times has shape {shape}, {self._levels} {self._form.shape}",
                    path=self.source.name,
                    key="times",
                    expected="one time for each row of levels",
                    action="save both again",
                )
            if "time_unit" in self._store.members:
                array = self._whole("time_unit")
                unit = str(array[0]) if array.size == 1 else f"{array.size} values"
                if unit not in PICOSECONDS:
                    raise CaptureError(
                        f"the unit of the times must be one of {', '.join(PICOSECONDS)}, "
                        f"not {quoted(unit)}",
                        path=self.source.name,
                        key="time_unit",
                        action="save it again, such as time_unit='ns'",
                    )
        else:
            return None
        worth = None
        if dtype.kind == "m":
            unit, count = np.datetime_data(dtype)
            worth = PICOSECONDS[unit] * count if unit in PICOSECONDS else None
        elif dtype.kind in "ui":
            worth = self._told_worth(unit, key)
        if worth is None or dtype.shape:
            raise CaptureError(
                f"the times are {dtype}",
                path=self.source.name,
                key=key,
                expected="integers, or timedelta64 in s, ms, us, ns or ps",
                action="convert them before they are saved, such as "
                "numpy.rint(times * 1e12).astype(numpy.int64) for seconds to ps",
            )
        return worth

    def _told_worth(self, unit: str | None, key: str) -> int:
        told = self.told.time_unit
        if unit is not None and told is not None and unit != told:
            raise RequestError(
                f"the file tells times in {unit}, --time-unit in {told}",
                path=self.source.name,
                expected="one unit",
                action="leave --time-unit out",
            )
        unit = unit or told
        if unit is None and self._moments is not None:
            unit = "ps"
        if unit is None:
            raise CaptureError(
                "the times have no unit",
                path=self.source.name,
                key=key,
                expected=f"a unit in the name, such as {self._time_field}_ns",
                action="tell it with --time-unit",
            )
        return PICOSECONDS[unit]

    def _understood(self, period: Fraction | None) -> tuple[str, str]:
        form = self._form
        shown = ", ".join(self.lines)
        count = f"{len(self.lines)} channel{'s' if len(self.lines) > 1 else ''}"
        kind = "fields" if self._fields else f"bits of {form.dtype}"
        one = f"{count} ({shown}), {'columns' if len(form.shape) == 2 else kind}"
        if self._worth is not None:
            where = f"field {self._time_field}" if self._time_field else "times"
            two = f"{where} in {format_time(self._worth)}"
            if period is not None:
                two += f", sampled at {said_period(period)}"
        else:
            assert self._clock is not None
            two = f"sampled at {said_period(self._clock.period)}"
            two += f", the first at {format_time(self._clock.first)}"
        return one, f"{two}, {form.shape[0]} samples"

    def _blocks(self) -> Iterator[Block]:
        self.notes = tuple(self._notes)
        form = self._form
        has_times_apart = self._time_field is None and self._moments is not None
        members = [self._levels, *(["times"] if has_times_apart else [])]
        count = BUFFER_BYTES // max(1, form.columns * form.dtype.itemsize)
        count = max(1, min(count, BLOCK_ROWS))
        taking = LevelTaker(form, self._fields, self._lines, self._places)
        done, last = 0, None
        with self._store.opened(*members) as opened:
            rows = opened[0]
            while len(array := rows.take(count)):
                changed_at, states = taking.take(rows, array, done)
                if self._worth is None:
                    assert self._clock is not None
                    end = done + len(array) - 1
                    check_span(self._clock, end, self.source.name)
                    times = self._clock.times(done, changed_at)
                    self._stamps(round(self._clock.period), self._clock.time(end))
                else:
                    values = opened[1].take(len(array)) if has_times_apart else array[
                        self._time_field]  # fmt: skip
                    if len(values) < len(array):
                        raise opened[1].error("the member ends early", expected="a time a row")
                    moments = checked_times(opened[-1], values, self._worth, done, last)
                    steps = np.diff(moments) if last is None else np.diff(moments, prepend=last)
                    last = int(moments[-1])
                    self._stamps(int(np.gcd.reduce(steps)) if len(steps) else 0, last)
                    times = moments[changed_at]
                yield Block(times, states)
                done += len(array)
            beyond = rows.beyond()
            if not rows.is_whole():
                kind = TruncatedError if done else CaptureError
                raise kind(
                    f"the file ends after {done} of {form.shape[0]} samples",
                    path=self.source.name,
                    byte=rows.bytes_read,
                    key=self._levels or None,
                    expected=f"{form.shape[0]} samples, as the header of the array tells",
                    action="save the array again" + ", or give --allow-truncated" * bool(done),
                )
            if beyond:
                self.notes = (*self.notes, beyond_note(beyond, form.shape[0]))
