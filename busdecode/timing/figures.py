"""A bus's limits at one speed grade, with what the user says otherwise."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from busdecode.errors import DescriptionError, RequestError, nearest, quoted
from busdecode.protocol import parse_bound
from busdecode.toml_keys import as_toml, line_of, mistake_at, syntax_of
from busdecode.units import parse_time

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from busdecode.protocol import Bound, Bus, Limit

__all__ = ["Figures", "overridden"]

OWN = "your own"
"""Where a figure was had that stands in a file of the user's."""


@dataclass(frozen=True)
class Figures:
    """The limits of a bus at one grade, in ps.

    Parameters
    ----------
    bus : Bus
    grade : int
        Index into ``bus.grades.names``.
    times : dict of str to int, ps
        The named times.
    limits : tuple of Limit
    own_times : frozenset of str
        Named times that the user gave.
    """

    bus: Bus
    grade: int
    times: Mapping[str, int]
    limits: tuple[Limit, ...]
    own_times: frozenset[str] = frozenset()

    @classmethod
    def of(cls, bus: Bus, grade: str | None = None) -> Figures:
        """Take a bus's own figures.

        Raises
        ------
        RequestError
            If the bus has no limits, or no grade of that name.
        """
        if not bus.limits:
            raise RequestError(
                f"the description of {bus.name} has no limits",
                action="add [[limits]] to it: see docs/describing-a-bus.md",
            )
        names = bus.grades.names
        if grade is not None and grade not in names:
            near = nearest(grade, names)
            raise RequestError(
                f"{bus.name} has no grade called {quoted(grade)}",
                expected=f"one of {', '.join(names)}",
                action=f"did you mean {near}?" if near else None,
            )
        at = bus.grades.usual if grade is None else names.index(grade)
        return cls(bus, at, bus.grades.times[at], bus.limits)

    @property
    def grade_name(self) -> str:
        """The grade's name."""
        return self.bus.grades.names[self.grade]

    def at(self, limit: Limit) -> tuple[int | None, int | None]:
        """Give the least and the most of a limit, in ps."""
        return limit.at(self.grade, self.times)

    def has_figures(self, limit: Limit) -> bool:
        """Tell whether the limit says anything at this grade."""
        return limit.is_required or self.at(limit) != (None, None)

    def is_unverified(self, limit: Limit) -> bool:
        """Tell whether any of the limit's figures was not read: then it can only warn."""
        from_memory = self.bus.grades.from_memory - self.own_times
        return limit.status == "from memory" or bool(limit.depends_on(self.grade) & from_memory)


def overridden(figures: Figures, path: Path) -> Figures:
    """Put the user's own figures in the place of the description's.

    The file is TOML: ``[times]`` with named times, ``[limits]`` with the limit's number and a
    table of ``min`` and ``max``, where ``"none"`` takes a limit away.

    Raises
    ------
    DescriptionError
        With the file, the key, what was found and what was expected.
    """
    return _Own(path, figures).read()


class _Own:
    """Reads a user's own figures."""

    def __init__(self, path: Path, figures: Figures) -> None:
        self._path = path
        self._figures = figures
        self._text = ""

    def read(self) -> Figures:
        try:
            self._text = self._path.read_text(encoding="utf-8")
            parsed = tomllib.loads(self._text)
        except (OSError, UnicodeDecodeError) as error:
            what = error.strerror if isinstance(error, OSError) else None
            raise DescriptionError(
                f"cannot be read: {what}" if what else "this is not a text file in UTF-8",
                path=self._path,
                expected="your own limits in TOML",
            ) from None
        except tomllib.TOMLDecodeError as error:
            what, line, column = syntax_of(error)
            raise DescriptionError(
                f"this is not TOML: {what[:1].lower()}{what[1:]}",
                path=self._path,
                line=line,
                column=column,
                expected="your own limits in TOML",
            ) from None
        for key in parsed:
            if key not in ("times", "limits"):
                raise self._mistake((key,), "no table of this name is known here", "times, limits")
        return self._limits(self._times(parsed.get("times", {})), parsed.get("limits", {}))

    def _mistake(
        self, key: tuple[str, ...], found: str, expected: str | None, action: str | None = None
    ) -> DescriptionError:
        line = line_of(self._text, key)
        return mistake_at(
            DescriptionError, self._path, self._text, key, line, found, expected, action
        )

    def _known(self, key: tuple[str, ...], names: list[str], what: str) -> None:
        if key[-1] not in names:
            near = nearest(key[-1], names)
            raise self._mistake(
                key,
                f"{self._figures.bus.name} has no {what} {quoted(key[-1])}",
                f"one of {', '.join(names)}" if names else f"no {what} here",
                f"did you mean {near}?" if near else None,
            )

    def _table(self, key: tuple[str, ...], value: Any) -> dict[str, Any]:
        if not isinstance(value, dict):
            raise self._mistake(key, f"must be a table, not {as_toml(value)}", None)
        return value

    def _times(self, table: Any) -> Figures:
        figures = self._figures
        times = dict(figures.times)
        for name, value in self._table(("times",), table).items():
            self._known(("times", name), list(times), "named time")
            try:
                times[name] = parse_time(str(value))
            except ValueError as error:
                raise self._mistake(
                    ("times", name), str(error), "a time such as '210 ns'"
                ) from None
        return replace(figures, times=times, own_times=frozenset(table))

    def _limits(self, figures: Figures, table: Any) -> Figures:
        numbers = [limit.number for limit in figures.limits]
        own: dict[str, Limit] = {}
        for number, value in self._table(("limits",), table).items():
            key = ("limits", number)
            self._known(key, numbers, "limit")
            limit = figures.limits[numbers.index(number)]
            least, most = list(limit.least), list(limit.most)
            for word, text in self._table(key, value).items():
                if word not in ("min", "max"):
                    raise self._mistake(key, f"no key {quoted(word)} is known here", "min, max")
                side = least if word == "min" else most
                side[figures.grade] = self._bound(key, str(text))
            own[number] = limit.changed(least, most, OWN)
            low, high = figures.at(own[number])
            if low is not None and high is not None and low > high:
                raise self._mistake(key, "min is above max", "a min that is no more than max")
        return replace(
            figures, limits=tuple(own.get(limit.number, limit) for limit in figures.limits)
        )

    def _bound(self, key: tuple[str, ...], text: str) -> Bound | None:
        if text == "none":
            return None
        try:
            return parse_bound(text, list(self._figures.times))
        except ValueError as error:
            raise self._mistake(key, str(error), None) from None
