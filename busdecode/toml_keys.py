"""Takes the text of a TOML file and a path of keys, gives its line; writes keys and values."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, TypeVar

from busdecode.errors import InputError, nearest, quoted

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path
    from tomllib import TOMLDecodeError

__all__ = ["KeyPath", "as_toml", "common_mistake", "line_of", "mistake_at", "syntax_of", "written"]

_SYNTAX = re.compile(r"(.*) \(at line ([0-9]+), column ([0-9]+)\)", re.DOTALL)

AnyInputError = TypeVar("AnyInputError", bound=InputError)

KeyPath = tuple[str | int, ...]
"""Keys from the top of a TOML file down; an int counts in an array of tables."""


def as_toml(value: object) -> str:
    """Write a value as it stands in TOML; a table by the word.

    Examples
    --------
    >>> as_toml(True), as_toml({})
    ('true', 'a table')
    """
    if isinstance(value, bool):
        return str(value).lower()
    return "a table" if isinstance(value, dict) else quoted(value)[1:-1]


def written(key: KeyPath) -> str:
    """Write a key path as the errors show it.

    Examples
    --------
    >>> written(("making", "steps", 2, "after"))
    'making.steps[2].after'
    """
    text = ""
    for part in key:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def line_of(text: str, key: KeyPath) -> int | None:
    r"""Find the line, from 1, at which a key path stands; None where that is not sure.

    Examples
    --------
    >>> line_of('[cycle]\nbegins = "AS asserts"\n', ("cycle", "begins"))
    2
    """
    rows = text.splitlines()
    names = [part for part in key if isinstance(part, str)]
    for depth in range(len(names), -1, -1):
        start = 0
        if depth:
            after = key.index(names[depth - 1]) + 1
            index = key[after] if after < len(key) and isinstance(key[after], int) else None
            header = ".".join(names[:depth])
            # Who asks for no number may mean either: a table that is not known has any brackets.
            openings = [f"[[{header}]]"] + [f"[{header}]"] * (index is None)
            places = [at for at, row in enumerate(rows) if row.split("#")[0].strip() in openings]
            wanted = index if isinstance(index, int) else 0
            if wanted >= len(places):
                continue
            start = places[wanted] + 1
        if depth == len(names):
            return start or None
        for at in range(start, len(rows)):
            if rows[at].lstrip().startswith("["):
                break
            if re.match(rf"\s*[\"']?{re.escape(names[depth])}[\"']?\s*=", rows[at]):
                return at + 1
    return None


def mistake_at(
    kind: type[AnyInputError],
    path: Path | None,
    text: str,
    key: KeyPath,
    line: int | None,
    found: str,
    expected: str | None,
    action: str | None = None,
) -> AnyInputError:
    """Make the error of a mistake at a key, with the row of the text in which it stands."""
    return kind(
        found,
        path=path,
        line=line,
        key=written(key),
        text=text.splitlines()[line - 1] if line else None,
        expected=expected,
        action=action,
    )


def syntax_of(error: TOMLDecodeError) -> tuple[str, int | None, int | None]:
    """Give what a text that is not TOML has wrong, and its line and column, where they are told."""
    match = _SYNTAX.fullmatch(str(error))
    return (str(error), None, None) if match is None else (match[1], int(match[2]), int(match[3]))


def common_mistake(
    error: Mapping[str, object], key: KeyPath, known: Iterable[str], see: str
) -> tuple[str, str | None, str | None] | None:
    """Word what any schema may find: a key missing or not known, a value that is none of a list.

    Parameters
    ----------
    error : mapping
        As pydantic tells it: ``type``, ``input``, ``ctx``.
    key : KeyPath
    known : iterable of str
        Every key that the schema knows.
    see : str
        What to do where no better advice is to be had.

    Returns
    -------
    (str, str or None, str or None) or None
        Found, expected, what to do; None where it is another mistake.
    """
    kind, given = error["type"], error["input"]
    if kind == "missing":
        return "this key is missing", None, see
    if kind == "extra_forbidden":
        near = nearest(str(key[-1]), known)
        action = f"did you mean {near}?" if near and near != key[-1] else see
        return "no key of this name is known here", None, action
    if kind == "literal_error":
        shown = quoted(given) if isinstance(given, str) else as_toml(given)
        context = error["ctx"]
        assert isinstance(context, dict)
        expected = str(context["expected"])
        near = nearest(str(given), re.findall("'([^']+)'", expected))
        return f"found {shown}", expected, f"did you mean {near}?" if near else None
    return None
