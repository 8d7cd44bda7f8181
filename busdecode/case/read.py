"""A case file, read and checked: the bench notebook of one repair."""

from __future__ import annotations

import tomllib
from collections import Counter
from typing import TYPE_CHECKING, cast

from pydantic import ValidationError

from busdecode.access import read_pattern
from busdecode.capture import Options, check_options
from busdecode.case.model import Case, CaseCapture, CaseLog, CaseNote, Measured
from busdecode.case.schema import CaseTable, known_keys
from busdecode.errors import (
    CaseError,
    DescriptionError,
    LogError,
    RequestError,
    nearest,
    quoted,
)
from busdecode.faults import RAILS
from busdecode.protocol import load_bus
from busdecode.toml_keys import (
    KeyPath,
    as_toml,
    common_mistake,
    line_of,
    mistake_at,
    syntax_of,
)
from busdecode.units import counted, parse_time

if TYPE_CHECKING:
    import re
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from pydantic_core import ErrorDetails

    from busdecode.case.schema import CaptureTable, LogTable, MeasuredTable
    from busdecode.protocol import Bus

__all__ = ["read_case"]

_EXPECTED = "a case in TOML: bus, and [[logs]] or [[captures]] with file = '...'"
_SEE = "see docs/reading-a-verdict.md, A case"
_MUST_BE = {
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "list_type": "a list in [ ]",
    "model_type": "a table",
    "too_short": "two lines, such as ['D2', 'D5']",
    "too_long": "two lines, such as ['D2', 'D5']",
    "string_too_short": "some text",
    "greater_than_equal": "1 or more",
}
_A_DATE = "a date without quotes, such as 2026-03-01"
_TABLES = ("logs", "captures", "notes", "measured")


def read_case(path: Path) -> Case:
    """Read a case file; the files that it names are looked for beside it.

    Raises
    ------
    CaseError
        With every mistake of the file, in its order.
    """
    return _Reading(path).case()


def _unopened(error: OSError, name: str) -> str:
    return f"the file cannot be opened: {error.strerror}: {quoted(name)}"


class _Reading:
    """One case file as it is read."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._found: list[CaseError] = []
        try:
            self._text = path.read_bytes().decode("utf-8-sig")
            raw = tomllib.loads(self._text)
        except OSError as error:
            raise CaseError(
                f"the file cannot be opened: {error.strerror}", path=path, expected=_EXPECTED
            ) from None
        except UnicodeDecodeError as error:
            raise CaseError(
                "this is not a text file in UTF-8",
                path=path,
                byte=error.start,
                expected=_EXPECTED,
            ) from None
        except tomllib.TOMLDecodeError as error:
            what, line, column = syntax_of(error)
            rows = self._text.splitlines()
            raise CaseError(
                f"this is not TOML: {what[:1].lower()}{what[1:]}",
                path=path,
                line=line,
                column=column,
                text=rows[line - 1] if line and line <= len(rows) else None,
                expected=_EXPECTED,
            ) from None
        except (ValueError, RecursionError) as error:
            deep = isinstance(error, RecursionError)
            what = "lists or tables in it are nested too deep" if deep else "a number is too long"
            raise CaseError(f"this cannot be read: {what}", path=path, expected=_EXPECTED) from None
        try:
            self._table = CaseTable.model_validate(raw)
        except ValidationError as error:
            raise CaseError.together(self._of_schema(error.errors())) from None

    def case(self) -> Case:
        """Check what the tables say together."""
        table = self._table
        bus = self._bus(table.bus)
        log_names = self._names("logs", table.logs)
        capture_names = self._names("captures", table.captures)
        known = dict(zip(log_names, table.logs, strict=True))
        if not table.logs and not table.captures:
            self._report(("bus",), "the case names no log and no capture", _EXPECTED)
        if table.channels is not None and len(table.fixed) > table.channels:
            channels = counted(table.channels, "channel")
            self._report(
                ("fixed",),
                f"{len(table.fixed)} lines stay clipped on, but the analyzer has {channels}",
                f"{table.channels} at most, or more channels",
            )
        if bus is not None:
            self._lines(bus, ("fixed",), table.fixed)
            for at, each in enumerate(table.measured):
                lines = [line for line in each.lines if line not in RAILS]
                self._lines(bus, ("measured", at, "lines"), lines)
        for line, count in Counter(table.fixed).items():
            if count > 1:
                self._report(
                    ("fixed",), f"{quoted(line)} stands there {count} times", "each line once"
                )
        self._readings(table.measured)
        for at, capture in enumerate(table.captures):
            if capture.log is not None and capture.log not in known:
                near = nearest(capture.log, known)
                self._report(
                    ("captures", at, "log"),
                    f"there is no log called {quoted(capture.log)}",
                    f"one of {', '.join(known)}" if known else "a log under [[logs]]",
                    f"did you mean {near}?" if near else None,
                )
        logs = tuple(
            CaseLog(
                name,
                self._file(("logs", at, "file"), each.file),
                self._pattern(("logs", at, "pattern"), each.pattern),
                each.address_offset,
                each.state,
                each.date,
                each.note,
                self._line("logs", at),
            )
            for at, (name, each) in enumerate(zip(log_names, table.logs, strict=True))
        )
        captures = tuple(
            CaseCapture(
                name,
                self._file(("captures", at, "file"), each.file),
                None
                if each.probes is None
                else self._file(("captures", at, "probes"), each.probes),
                each.log,
                each.state,
                each.date,
                each.note,
                self._told(at, each),
                self._line("captures", at),
            )
            for at, (name, each) in enumerate(zip(capture_names, table.captures, strict=True))
        )
        if self._found or bus is None:
            raise CaseError.together(sorted(self._found, key=lambda each: each.line or 0))
        return Case(
            path=self._path,
            bus=bus,
            title=table.title,
            machine=table.machine,
            channels=table.channels,
            fixed=tuple(table.fixed),
            logs=logs,
            captures=captures,
            notes=tuple(
                CaseNote(each.text, each.date, self._line("notes", at))
                for at, each in enumerate(table.notes)
            ),
            measured=tuple(
                Measured(
                    (each.lines[0], each.lines[1]),
                    each.tied,
                    each.state,
                    each.date,
                    each.note,
                    self._line("measured", at),
                )
                for at, each in enumerate(table.measured)
            ),
        )

    def _line(self, table: str, at: int) -> int | None:
        """Give the line at which an entry begins."""
        return line_of(self._text, (table, at))

    def _bus(self, name: str) -> Bus | None:
        beside = self._path.parent / name
        try:
            return load_bus(beside if beside.is_file() else name)
        except DescriptionError as error:
            if error.path is not None:
                raise  # It says where in the description the mistake is.
            self._report(("bus",), error.found, error.expected, error.action)
        except OSError as error:
            self._report(("bus",), _unopened(error, name), "a bundled bus, or a description")
        return None

    def _names(self, table: str, entries: Sequence[LogTable] | Sequence[CaptureTable]) -> list[str]:
        """Give the name of each entry: its own, or the file's without its last ending."""
        names = [each.name or self._path.joinpath(each.file).stem for each in entries]
        for name, count in Counter(names).items():
            if count > 1:
                at = len(names) - 1 - names[::-1].index(name)
                self._report(
                    (table, at, "name" if entries[at].name else "file"),
                    f"{count} {table} are called {quoted(name)}",
                    "a name of its own for each: name = '...'",
                )
        return names

    def _file(self, key: KeyPath, name: str) -> Path:
        path = self._path.parent / name
        try:
            if path.is_file():
                return path
            what = "this is a folder" if path.is_dir() else "there is no such file"
            found = f"{what}: {quoted(name)}"
        except OSError as error:  # a name that the system refuses
            found = _unopened(error, name)
        self._report(
            key,
            found,
            f"a file; its path starts at the folder of the case, {self._path.parent}",
        )
        return path

    def _told(self, at: int, table: CaptureTable) -> Options:
        """Read how a capture is read."""
        told = Options()
        for name in ("format", "time_unit", "time_column", "header_line", "separator"):
            if (value := getattr(table, name)) is not None:
                told[name] = value
        for name, key in (("sample_period", "sample-period"), ("start", "from"), ("stop", "to")):
            if (text := getattr(table, name)) is None:
                continue
            if (time := self._time(("captures", at, key), text)) is not None:
                told[name] = time  # type: ignore[literal-required]
        if table.layout is not None:
            told["layout"] = self._file(("captures", at, "layout"), table.layout)
        if table.allow_truncated is not None:
            told["allow_truncated"] = table.allow_truncated
        fields = type(table).model_fields
        keys = {name: ("captures", at, fields[name].alias or name) for name in told}
        fit = [
            self._fits(key, cast("Options", {name: told[name]}))  # type: ignore[literal-required]
            for name, key in keys.items()
        ]
        if all(fit):
            self._fits(("captures", at, "to"), told)
        return told

    def _fits(self, key: KeyPath, told: Options) -> bool:
        """Report what no capture can be read with."""
        try:
            check_options(told)
        except RequestError as error:
            self._report(key, error.found, error.expected, error.action)
            return False
        return True

    def _time(self, key: KeyPath, text: str) -> int | None:
        try:
            return parse_time(text)
        except ValueError as error:
            self._report(key, str(error), "a time with its unit, such as '10 ns'")
        return None

    def _pattern(self, key: KeyPath, text: str | None) -> re.Pattern[str] | None:
        """Read a pattern; a TOML file that holds it is looked for beside the case too."""
        if text is None:
            return None
        try:
            is_file = text.endswith(".toml")
            return read_pattern(str(self._path.parent / text) if is_file else text)
        except LogError as error:
            found = error.found if error.path is None else f"{error.path}: {error.found}"
            self._report(key, found, error.expected, error.action)
        except OSError as error:
            self._report(key, _unopened(error, text), "a TOML file with the key 'pattern'")
        return None

    def _readings(self, measured: Sequence[MeasuredTable]) -> None:
        """Refuse what is no reading of a line, and two answers to one question."""
        known: dict[tuple[frozenset[str], str], bool] = {}
        for at, each in enumerate(measured):
            pair = frozenset(each.lines)
            if pair <= set(RAILS):
                self._report(
                    ("measured", at, "lines"),
                    f"{each.lines[0]} is measured against {each.lines[1]}",
                    "two lines of the bus, one line and ground or supply, or one line twice: "
                    "from end to end",
                )
            elif known.setdefault((pair, each.state), each.tied) != each.tied:
                self._report(
                    ("measured", at, "tied"),
                    f"{' and '.join(sorted(pair))} were measured before, with the other outcome",
                    "one reading of two lines in each state",
                    "keep the one that is sure; tell of the other under [[notes]]",
                )

    def _lines(self, bus: Bus, key: KeyPath, lines: Iterable[str]) -> None:
        for line in lines:
            if line not in bus.line_names:
                near = nearest(line, bus.line_names)
                self._report(
                    key,
                    f"{bus.name} has no line {quoted(line)}",
                    None,
                    f"did you mean {near}?" if near else f"see: busdecode buses {bus.name}",
                )

    def _report(
        self, key: KeyPath, found: str, expected: str | None, action: str | None = None
    ) -> None:
        self._found.append(self._mistake(key, found, expected, action))

    def _mistake(
        self, key: KeyPath, found: str, expected: str | None, action: str | None
    ) -> CaseError:
        line = line_of(self._text, key) or line_of(self._text, key[:-1])
        return mistake_at(CaseError, self._path, self._text, key, line, found, expected, action)

    def _of_schema(self, errors: Sequence[ErrorDetails]) -> list[CaseError]:
        """Make one mistake a key, in the file's order."""
        by_key: dict[KeyPath, ErrorDetails] = {}
        for error in errors:
            key = tuple(error["loc"])
            # Alternatives of a type count once.
            own = key[:-1] if key[-2:-1] == ("date",) else key
            by_key[own] = error
        found = []
        for key, error in by_key.items():
            given = error["input"]
            shown = quoted(given) if isinstance(given, str) else as_toml(given)
            common = common_mistake(error, key, known_keys(key), _SEE)
            if error["type"] == "list_type" and key[0] in _TABLES and len(key) == 1:
                must = f"must be [[{key[0]}]] with two brackets, a table for each, not {shown}"
                found.append(self._mistake(key, must, None, None))
            elif common is not None:
                found.append(self._mistake(key, *common))
            elif key[-1] == "date":
                found.append(self._mistake(key, f"must be {_A_DATE}, not {shown}", None, None))
            else:
                must = _MUST_BE[error["type"]]
                found.append(self._mistake(key, f"must be {must}, not {shown}", None, None))
        return sorted(found, key=lambda each: each.line or 0)
