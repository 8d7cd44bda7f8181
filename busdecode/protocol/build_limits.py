"""The tables ``[timing]`` and ``[[limits]]`` of a description to `Grades` and `Limit`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busdecode.errors import nearest, quoted
from busdecode.protocol.events import (
    After,
    Becomes,
    Changes,
    EventTextError,
    FirstOf,
    LastOf,
    Settled,
    While,
)
from busdecode.protocol.limits import Bound, Grades, Limit, Point, parse_bound, parse_point
from busdecode.units import counted, parse_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.protocol.events import Event
    from busdecode.protocol.model import Levels
    from busdecode.protocol.schema import LimitTable, TimingTable
    from busdecode.toml_keys import KeyPath

    Report = Callable[[KeyPath, str, str | None, str | None, int | None], None]

__all__ = ["LimitBuilder"]

NONE = "none"
"""Stands in a list of figures for a grade that has no such limit."""


@dataclass
class LimitBuilder:
    """Build limits; every mistake goes to `report`.

    Parameters
    ----------
    timing : TimingTable
    limits : sequence of LimitTable
    phases, kinds : sequence of str
    bundles : mapping of str to tuple of str
    low : frozenset of str
    status : str
        Of the description's first source.
    levels : callable
        Reads a table of levels at a key.
    check_kinds : callable
        Reports kinds that do not exist.
    report : callable
    """

    timing: TimingTable
    limits: Sequence[LimitTable]
    phases: Sequence[str]
    kinds: Sequence[str]
    bundles: Mapping[str, tuple[str, ...]]
    low: frozenset[str]
    status: str
    levels: Callable[[KeyPath, Mapping[str, int | list[int]]], Levels]
    check_kinds: Callable[[KeyPath, Sequence[str], Sequence[str]], None]
    report: Report

    def grades(self) -> Grades:
        """Build the grades and their named times."""
        table = self.timing
        names = tuple(table.grades) or ("all",)
        for index, name in enumerate(names):
            if name in names[:index]:
                self.report(("timing", "grades"), f"grade {name} is listed twice", None, name, 1)
        usual = 0
        if table.usual is not None:
            if table.usual in names:
                usual = names.index(table.usual)
            else:
                near = nearest(table.usual, names)
                self.report(
                    ("timing", "usual"),
                    f"no grade is called {quoted(table.usual)}",
                    f"one of {', '.join(names)}" + (f"; did you mean {near}?" if near else ""),
                    table.usual,
                    1,
                )
        times: list[dict[str, int]] = [{} for _ in names]
        for name, told in table.times.items():
            key: KeyPath = ("timing", "times", name)
            values = self._per_grade(key, told.values)
            for grade, value in enumerate(values):
                try:
                    times[grade][name] = parse_time(value)
                except ValueError as error:
                    self.report(key, str(error), "a time such as '125 ns'", value, 1)
                    times[grade][name] = 0
        from_memory = frozenset(
            name
            for name, told in table.times.items()
            if (told.status or self._usual_status) == "from memory"
        )
        return Grades(names, usual, tuple(times), from_memory)

    @property
    def _usual_status(self) -> str:
        return self.timing.status or self.status

    def _per_grade(self, key: KeyPath, values: str | Sequence[str]) -> list[str]:
        """Give a figure for each grade: one for all, or as many as there are grades."""
        grades = max(1, len(self.timing.grades))
        if isinstance(values, str):
            return [values] * grades
        values = list(values)
        if len(values) != grades:
            self.report(
                key,
                f"{counted(len(values), 'figure')} for {counted(grades, 'grade')}",
                f'one figure for all grades, or one each, "{NONE}" for a grade without: '
                f"{', '.join(self.timing.grades)}",
                None,
                None,
            )
        return [*values, *values[-1:] * grades][:grades]

    def all(self) -> tuple[Limit, ...]:
        """Build the limits in the file's order."""
        built = [self._limit(index) for index in range(len(self.limits))]
        numbers = [limit.number for limit in built]
        for index, limit in enumerate(built):
            key: KeyPath = ("limits", index)
            if limit.number in numbers[:index]:
                self.report(
                    (*key, "number"), f"limit {limit.number} is listed twice", None, None, None
                )
            for name, other in (
                ("only_if_unmet", limit.only_if_unmet),
                ("only_if_met", limit.only_if_met),
            ):
                if other is not None and other not in numbers[:index]:
                    self.report(
                        (*key, name),
                        f"no limit before this one has the number {quoted(other)}",
                        "the number of a limit further up",
                        other,
                        1,
                    )
        return tuple(built)

    def _limit(self, index: int) -> Limit:
        table = self.limits[index]
        key: KeyPath = ("limits", index)
        least = self._figures((*key, "min"), table.least)
        most = self._figures((*key, "max"), table.most)
        self._check_order(key, least, most)
        start = self._point((*key, "from"), table.start)
        stop = self._point((*key, "to"), table.stop)
        self._check_points(index, start, stop)
        if table.unseen is None and not (table.least or table.most or table.required):
            self.report(
                key, "a limit without figures", "min, max or both, or required = true", None, None
            )
        self.check_kinds((*key, "for"), table.kinds or (), self.kinds)
        return Limit(
            number=table.number,
            name=table.name,
            source=table.source or self.timing.source or "",
            status=table.status or self._usual_status,
            start=start,
            stop=stop,
            least=least,
            most=most,
            kinds=None if table.kinds is None else frozenset(table.kinds),
            levels=self.levels((*key, "levels"), table.levels),
            only_if_unmet=table.only_if_unmet,
            only_if_met=table.only_if_met,
            is_required=table.required,
            is_step=table.step,
            is_condition=table.condition,
            unseen=table.unseen,
        )

    def _figures(self, key: KeyPath, written: str | list[str] | None) -> tuple[Bound | None, ...]:
        if written is None:
            return (None,) * max(1, len(self.timing.grades))
        texts = self._per_grade(key, written)
        figures: dict[str, Bound | None] = {NONE: None}
        for text in dict.fromkeys(texts):
            if text != NONE:
                try:
                    figures[text] = parse_bound(text, list(self.timing.times))
                except ValueError as error:
                    self.report(key, str(error), None, text, 1)
        return tuple(figures.get(text) for text in texts)

    def _check_order(
        self, key: KeyPath, least: Sequence[Bound | None], most: Sequence[Bound | None]
    ) -> None:
        for grade, low, high in zip(self.timing.grades or ["all"], least, most, strict=True):
            if low is None or high is None or low.names or high.names:
                continue
            if low.fixed > high.fixed:
                self.report(
                    (*key, "min"),
                    f"min is above max for the grade {grade}",
                    "a min that is no more than max",
                    None,
                    None,
                )
                return

    def _point(self, key: KeyPath, text: str | None) -> Point | None:
        if text is None:
            return None
        try:
            point = parse_point(text, self.phases, self.bundles, self.low)
        except EventTextError as error:
            self.report(key, error.found, error.expected, text, error.column)
            return None
        if point.event is not None and not _has_edges(point.event):
            self.report(
                key,
                "'last of', 'after', 'settled' and 'asserted' are no edges to measure from or to",
                "an edge, such as 'X asserts', or 'X changes'",
                None,
                None,
            )
        if point.how == "nearest" and not isinstance(point.event, Becomes):
            self.report(
                key,
                f"'nearest' needs a condition that stands, not {quoted(text)}",
                "an edge that one condition has, such as 'X asserts nearest data'",
                None,
                None,
            )
        return point

    def _check_points(self, index: int, start: Point | None, stop: Point | None) -> None:
        table = self.limits[index]
        key: KeyPath = ("limits", index)
        if table.unseen is not None:
            if table.start is not None or table.stop is not None:
                self.report(
                    (*key, "unseen"),
                    "a limit that cannot be seen has nothing to be measured from or to",
                    "no 'from' and 'to', or no 'unseen'",
                    None,
                    None,
                )
            return
        for name, given in (("from", table.start), ("to", table.stop)):
            if given is None:
                self.report(
                    key,
                    f"a limit without {quoted(name)}",
                    "both 'from' and 'to', or 'unseen' with the reason",
                    None,
                    None,
                )
        if start is not None and stop is not None:
            if start.phase == "it" and stop.phase == "it":
                self.report(
                    (*key, "to"), "both points say 'it'", "one of them named by a phase", None, None
                )
            if start.text == stop.text:
                self.report(
                    (*key, "to"), "both points are the same", "two different points", None, None
                )


def _has_edges(event: Event) -> bool:
    if isinstance(event, FirstOf):
        return all(_has_edges(each) for each in event.events)
    if isinstance(event, While):
        return _has_edges(event.event)
    if isinstance(event, LastOf | After | Settled):
        return False
    return isinstance(event, Becomes | Changes)
