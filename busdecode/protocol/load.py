"""Description files to `Bus`, and every mistake of a file in one error."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from busdecode.errors import DescriptionError, nearest, quoted
from busdecode.protocol.build import build_bus
from busdecode.protocol.schema import Description, known_keys
from busdecode.toml_keys import KeyPath, as_toml, common_mistake, line_of, mistake_at, written

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pydantic_core import ErrorDetails

    from busdecode.protocol.model import Bus

__all__ = ["bundled_buses", "load_bus", "parse_bus"]


def _bundled() -> Mapping[str, Any]:
    folder = resources.files("busdecode").joinpath("protocols")
    if not folder.is_dir():  # an editable install: the folder stands at the top of the checkout
        folder = Path(__file__).resolve().parents[2] / "protocols"
    return {
        item.name.removesuffix(".toml"): item
        for item in sorted(folder.iterdir(), key=lambda item: item.name)
        if item.name.endswith(".toml")
    }


def bundled_buses() -> tuple[str, ...]:
    """Give the names of the descriptions that come with the package."""
    return tuple(_bundled())


def load_bus(name: str | Path) -> Bus:
    """Load a bundled description by its name, or any description by its path.

    Raises
    ------
    DescriptionError
        If there is no such bus or file, or the file's text is not a description.

    Examples
    --------
    >>> load_bus("mc68000").lane_count
    2
    """
    bundled = _bundled()
    if str(name) in bundled:
        item = bundled[str(name)]
        return parse_bus(item.read_text(encoding="utf-8"), Path(str(item)))
    path = Path(name)
    if path.is_file():
        try:
            text = path.read_bytes().decode("utf-8")
        except UnicodeDecodeError as error:
            raise DescriptionError(
                "this is not a text file in UTF-8",
                path=path,
                byte=error.start,
                expected="a bus description in TOML",
            ) from None
        return parse_bus(text, path)
    near = nearest(str(name), bundled)
    raise DescriptionError(
        f"there is no bus and no file called {quoted(name)}",
        expected=f"one of {', '.join(bundled)}, or the path of a description",
        action=f"did you mean {near}?" if near else "list the bundled buses: busdecode buses",
    )


def parse_bus(text: str, path: Path | None = None) -> Bus:
    """Read a description from its text; `path` is named in errors.

    Raises
    ------
    DescriptionError
        With every mistake of the file, in the file's order.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        where = re.search(r"\(at line ([0-9]+), column ([0-9]+)\)", str(error))
        line = int(where[1]) if where else None
        what = str(error).split(" (at ")[0].replace("Invalid", "unreadable")
        raise DescriptionError(
            f"this is not TOML: {what[:1].lower()}{what[1:]}",
            path=path,
            line=line,
            column=int(where[2]) if where else None,
            text=text.splitlines()[line - 1] if line and line <= len(text.splitlines()) else None,
            expected="a bus description in TOML",
        ) from None
    try:
        description = Description.model_validate(raw)
    except ValidationError as error:
        raise DescriptionError.together(_schema_mistakes(error.errors(), text, path)) from None
    found: list[DescriptionError] = []

    def report(
        key: KeyPath, what: str, expected: str | None, value: str | None, column: int | None
    ) -> None:
        line = line_of(text, key)
        shown = text.splitlines()[line - 1] if line else None
        at = None
        if shown is not None and value is not None and value in shown:
            at = shown.index(value) + (column or 1)
        found.append(
            DescriptionError(
                what,
                path=path,
                line=line,
                column=at,
                key=written(key),
                text=shown,
                expected=expected,
            )
        )

    bus = build_bus(description, path, report)
    if bus is None or found:
        found.sort(key=lambda each: each.line or 0)
        raise DescriptionError.together(found)
    return bus


_SEE = "see docs/describing-a-bus.md"
_MUST_BE = {
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "list_type": "a list in [ ]",
    "model_type": "a table",
    "mapping_type": "a table",
    "too_short": "a list with at least one entry",
    "string_too_short": "a text that is not empty",
}
_PATTERNS = {
    "lanes": "one 1 or 0 a lane, the most significant lane first",
    "name": "lower-case letters, digits and _, with a letter first",
}


def _schema_mistakes(
    errors: Sequence[ErrorDetails], text: str, path: Path | None
) -> list[DescriptionError]:
    """Make one mistake a key, in the file's order: alternatives of a type count once."""
    by_key: dict[KeyPath, ErrorDetails] = {}
    for error in errors:
        key: KeyPath = tuple(
            part
            for part in error["loc"]
            if isinstance(part, int)
            or not (part in ("str", "int") or part.startswith(("list[", "function-")))
        )
        by_key[key] = error
    found = [_schema_mistake(key, error, text, path) for key, error in by_key.items()]
    return sorted(found, key=lambda each: each.line or 0)


def _schema_mistake(
    key: KeyPath, error: ErrorDetails, text: str, path: Path | None
) -> DescriptionError:
    kind, given, expected, action = error["type"], error["input"], None, None
    shown = quoted(given) if isinstance(given, str) else as_toml(given)
    common = common_mistake(error, key, known_keys(), _SEE)
    if common is not None:
        what, expected, action = common
    elif kind == "string_pattern_mismatch":
        what = f"must be {_PATTERNS[str(key[-1])]}, not {shown}"
    elif kind in ("greater_than_equal", "less_than_equal"):
        what = f"must be from 1 to 64, not {shown}"
    elif kind == "list_type" and key[0] in ("kinds", "lanes"):
        what = f"must be a whole number, or a list of whole numbers, not {shown}"
    elif kind == "list_type" and (key[-1] == "lines" or key[0] == "limits"):
        what = f"must be text in quotes, or a list of texts, not {shown}"
    elif kind == "list_type" and key[0] in ("cycle", "beat", "phases"):
        what = f"must be an event, or a list of events, not {shown}"
    else:
        what = f"must be {_MUST_BE[kind]}, not {shown}"
    line = line_of(text, key) or line_of(text, key[:-1])
    return mistake_at(DescriptionError, path, text, key, line, what, expected, action)
