"""Takes a probe list (TOML), gives what it says about each channel, group and scope."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from busdecode.errors import ProbeListError, nearest, quoted
from busdecode.toml_keys import syntax_of
from busdecode.units import parse_time

__all__ = ["Probe", "ProbeGroup", "ProbeList", "raise_all", "read_probes"]

_TABLES = ("channels", "groups", "places")
_FIELDS = ("line", "side", "inverted", "skew")
_RANGE = re.compile(r"(.+?)\s*\[\s*([0-9]+)\s*:\s*([0-9]+)\s*\]")
_PLACE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True)
class Probe:
    """What the list says about one channel.

    Parameters
    ----------
    channel : str
        Name as written: whole, or an unambiguous tail.
    line : str
        Line of the bus.
    side : str
        ``host``, ``card`` or the name of a slot.
    inverted : bool
        True where the probe shows 1 for a low line.
    skew : int, ps
        Uncertainty of this channel against the others.
    row : int or None
        Line number in the file.
    """

    channel: str
    line: str
    side: str = "host"
    inverted: bool = False
    skew: int = 0
    row: int | None = None


@dataclass(frozen=True)
class ProbeGroup:
    """What the list says about a vector of channels; fields as in `Probe`.

    Parameters
    ----------
    vector : str
        Name of the vector in the capture, without its index.
    lines : tuple of str
        Lines of the bus, msb first.
    """

    vector: str
    lines: tuple[str, ...]
    numbers: tuple[int, ...]
    side: str = "host"
    inverted: bool = False
    skew: int = 0
    row: int | None = None


@dataclass(frozen=True)
class ProbeList:
    """A probe list.

    Parameters
    ----------
    path : str
        File name as the user gave it.
    channels : tuple of Probe
    groups : tuple of ProbeGroup
    places : tuple of (scope, place, line number or None)
    """

    path: str
    channels: tuple[Probe, ...] = ()
    groups: tuple[ProbeGroup, ...] = ()
    places: tuple[tuple[str, str, int | None], ...] = ()


class _Rows:
    """Line numbers of keys, found by searching the text again."""

    def __init__(self, text: str) -> None:
        self._rows: list[tuple[tuple[str, ...], int]] = []
        self.texts = text.splitlines()
        table: tuple[str, ...] = ()
        for number, row in enumerate(self.texts, 1):
            try:
                parsed = tomllib.loads(row)
            except tomllib.TOMLDecodeError:
                match = re.match(r"\s*([^=\[]+?)\s*=\s*[\[{\"']", row)
                try:
                    parsed = tomllib.loads(f"{match[1]} = 0") if match else {}
                except tomllib.TOMLDecodeError:
                    parsed = {}
            keys = _keys(parsed)
            if row.lstrip().startswith("["):
                table = keys
                self._rows.append((keys, number))
            elif keys:
                self._rows.append((table + keys, number))

    def find(self, *keys: str) -> int | None:
        """Give the line of a key; None where it is not found, or found twice."""
        found = [row for path, row in self._rows if path[: len(keys)] == keys]
        exact = [row for path, row in self._rows if path == keys]
        if len(exact) == 1:
            return exact[0]
        return found[0] if len(found) == 1 else None


def _keys(parsed: dict[str, Any]) -> tuple[str, ...]:
    """Follow the one key of a row down through dotted keys; inline tables are values."""
    keys: list[str] = []
    while isinstance(parsed, dict) and len(parsed) == 1:
        key, value = next(iter(parsed.items()))
        keys.append(key)
        if keys[0] in ("channels", "groups") and len(keys) == 2:
            break
        parsed = value
    return tuple(keys)


def raise_all(mistakes: list[ProbeListError], path: str) -> None:
    """Raise one error with all mistakes, in file order; return where there is none."""
    if not mistakes:
        return
    mistakes = sorted(mistakes, key=lambda each: each.line or 0)
    if len(mistakes) == 1:
        raise mistakes[0]
    listed = "\n".join(str(each) for each in mistakes)
    raise ProbeListError(f"{len(mistakes)} mistakes\n{listed}", path=path)


def read_probes(path: Path | str) -> ProbeList:
    """Read a probe list.

    Raises
    ------
    ProbeListError
        If it cannot be read; all mistakes of the file in one.
    """
    name = str(path)
    try:
        text = Path(path).read_bytes().decode("utf-8-sig")
        data = tomllib.loads(text)
    except OSError as error:
        raise ProbeListError(
            f"the file cannot be opened: {error.strerror}",
            path=name,
            action="check the name and the folder",
        ) from error
    except UnicodeDecodeError as error:
        raise ProbeListError(
            f"the byte {error.object[error.start]:#04x} is not UTF-8",
            path=name,
            byte=error.start,
            action="save the file as UTF-8",
        ) from error
    except tomllib.TOMLDecodeError as error:
        what, row, column = syntax_of(error)
        raise ProbeListError(
            f"this is not TOML: {what}",
            path=name,
            line=row,
            column=column,
            text=text.split("\n")[row - 1] if row else None,
            expected='a row such as "top.D3" = "D3"',
            action="correct the row",
        ) from error
    return _Reading(name, text).read(data)


class _Reading:
    """One reading of a file: collects mistakes."""

    def __init__(self, path: str, text: str) -> None:
        self.path = path
        self.rows = _Rows(text)
        self.mistakes: list[ProbeListError] = []

    def read(self, data: dict[str, Any]) -> ProbeList:
        channels: list[Probe] = []
        groups: list[ProbeGroup] = []
        places: list[tuple[str, str, int | None]] = []
        for table, content in data.items():
            if table not in _TABLES:
                near = nearest(table, _TABLES)
                self._note(
                    (table,),
                    f"no table is called {quoted(table)}",
                    "[channels], [groups] or [places]",
                    f"did you mean [{near}]?" if near else "take it out",
                )
            elif not isinstance(content, dict):
                self._note(
                    (table,), f"{table} must be a table, not {_said(content)}", f"[{table}]", None
                )
            elif table == "places":
                for scope, place in content.items():
                    if self._place((table, scope), place):
                        places.append((scope, place, self.rows.find(table, scope)))
            else:
                for name, value in content.items():
                    self._channel(table, name, value, channels, groups)
        raise_all(self.mistakes, self.path)
        return ProbeList(self.path, tuple(channels), tuple(groups), tuple(places))

    def _note(
        self, keys: tuple[str, ...], found: str, expected: str | None, action: str | None
    ) -> None:
        row = None
        for depth in range(len(keys), 0, -1):
            row = self.rows.find(*keys[:depth])
            if row is not None or depth == 2:
                break
        self.mistakes.append(
            ProbeListError(
                found,
                path=self.path,
                line=row,
                key=key_path(keys),
                text=None if row is None else self.rows.texts[row - 1],
                expected=expected,
                action=action,
            )
        )

    def _place(self, keys: tuple[str, ...], place: object) -> bool:
        if isinstance(place, str) and _PLACE.fullmatch(place):
            return True
        self._note(
            keys,
            f"a place must be a name, not {_said(place)}",
            "host, card, or the name of a slot such as slot3",
            None,
        )
        return False

    def _channel(
        self,
        table: str,
        name: str,
        value: object,
        channels: list[Probe],
        groups: list[ProbeGroup],
    ) -> None:
        keys = (table, name)
        before = len(self.mistakes)
        example = '"D[15:0]"' if table == "groups" else '"D3"'
        fields: dict[str, Any] = value if isinstance(value, dict) else {"line": value}
        if fields and not set(fields) & set(_FIELDS) and not nearest(next(iter(fields)), _FIELDS):
            whole = f"{name}.{next(iter(fields))}"
            self._note(
                keys,
                "the channel has no line, but parts below it",
                f'a name with a dot in quotes: "{whole}"',
                "write the quotes",
            )
            return
        for field in fields:
            if field not in _FIELDS:
                near = nearest(field, _FIELDS)
                self._note(
                    (*keys, field),
                    f"no key is called {quoted(field)}",
                    "line, side, inverted or skew",
                    f"did you mean {near}?" if near else "take it out",
                )
        line = fields.get("line")
        if "line" not in fields:
            self._note(keys, "the line is not told", f"line = {example}", "add it")
        elif not isinstance(line, str) or not line:
            self._note(
                keys, f"a line must be a name, not {_said(line)}", f"such as {example}", None
            )
        side = fields.get("side", "host")
        self._place((*keys, "side"), side)
        inverted = fields.get("inverted", False)
        if not isinstance(inverted, bool):
            self._note(
                (*keys, "inverted"),
                f"inverted must be true or false, not {_said(inverted)}",
                "true or false",
                None,
            )
        skew = self._skew((*keys, "skew"), fields.get("skew", "0 ns"))
        row = self.rows.find(*keys)
        if len(self.mistakes) > before or not isinstance(line, str):
            return
        if table == "channels":
            channels.append(Probe(name, line, side, inverted, skew, row))
            return
        match = _RANGE.fullmatch(line)
        if match is None:
            self._note(
                keys,
                f"a group must be a range of lines, not {quoted(line)}",
                'msb first, such as "D[15:0]"',
                "write the range, or move the channel to [channels]",
            )
            return
        first, last = int(match[2]), int(match[3])
        step = 1 if last >= first else -1
        numbers = tuple(range(first, last + step, step))
        lines = tuple(f"{match[1]}{number}" for number in numbers)
        groups.append(ProbeGroup(name, lines, numbers, side, inverted, skew, row))

    def _skew(self, keys: tuple[str, ...], value: object) -> int:
        try:
            skew = parse_time(value) if isinstance(value, str) else -1
        except ValueError:
            skew = -1
        if skew < 0:
            self._note(
                keys,
                f"a skew must be a time of 0 or more with its unit, not {_said(value)}",
                'such as "2 ns"',
                None,
            )
        return skew


def _said(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    return quoted(value) if isinstance(value, str) else str(value)


def key_path(keys: tuple[str, ...]) -> str:
    """Write a path of TOML keys; a key with a dot or blank is quoted."""
    return ".".join(key if _BARE.fullmatch(key) else f'"{key}"' for key in keys)
