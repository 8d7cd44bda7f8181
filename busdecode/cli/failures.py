"""What could not be used, as text for people or as one JSON object."""

from __future__ import annotations

import json
import sys
from itertools import pairwise
from typing import TYPE_CHECKING

from busdecode.errors import BusdecodeError, InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["failure_object", "show_failure", "wants_json"]

_FIELDS = ("line", "column", "byte", "key", "found", "text", "expected", "action")


def wants_json(arguments: Sequence[str]) -> bool:
    """Tell whether the arguments ask for JSON, also where they cannot be parsed.

    Examples
    --------
    >>> wants_json(["decode", "a.vcd", "--format", "json"]), wants_json(["--", "--json"])
    (True, False)
    """
    options = list(arguments)
    if "--" in options:
        options = options[: options.index("--")]
    asked = "--json" in options or "--format=json" in options
    return asked or ("--format", "json") in pairwise(options)


def failure_object(error: BusdecodeError) -> dict[str, object]:
    """Give an error as the object that ``--json`` prints at status 2.

    Examples
    --------
    >>> failure_object(InputError("there is no such file", path="a.vcd"))["error"]["path"]
    'a.vcd'
    """
    fields: dict[str, object] = {"kind": type(error).__name__, "path": None}
    if isinstance(error, InputError):
        fields["path"] = None if error.path is None else str(error.path)
        fields |= {name: getattr(error, name) for name in _FIELDS}
    fields["message"] = str(error)
    return {"error": fields}


def show_failure(error: BusdecodeError, arguments: Sequence[str]) -> None:
    """Print an error: on the standard error, or as JSON on the standard output."""
    if wants_json(arguments):
        print(json.dumps(failure_object(error), indent=2))
    else:
        print(error, file=sys.stderr)
