"""Takes the text of a TOML file and a path of keys, gives its line; writes keys and values."""

from __future__ import annotations

import re

from busdecode.errors import quoted

__all__ = ["KeyPath", "as_toml", "line_of", "written"]

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
            opening = f"[{header}]" if index is None else f"[[{header}]]"
            places = [at for at, row in enumerate(rows) if row.split("#")[0].strip() == opening]
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
