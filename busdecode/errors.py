"""Takes what was found in a file, gives one clear error: place, found, expected, what to do."""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

__all__ = [
    "BusdecodeError",
    "CaptureError",
    "CaseError",
    "DescriptionError",
    "InputError",
    "JoinError",
    "LogError",
    "NamesError",
    "ProbeListError",
    "RequestError",
    "TruncatedError",
    "nearest",
    "quoted",
]

_QUOTE_AT_MOST = 40


def quoted(text: object) -> str:
    """Quote what was found, cut so that a message stays one line.

    Examples
    --------
    >>> quoted("AKC")
    "'AKC'"
    """
    shown = str(text)
    if len(shown) > _QUOTE_AT_MOST:
        shown = shown[: _QUOTE_AT_MOST - 3] + "..."
    return repr(shown)


def nearest(name: str, names: Iterable[str]) -> str | None:
    """Give the known name most like `name`, or None where none is near."""
    known = list(names)
    folded = {each.lower(): each for each in known}
    near = get_close_matches(name.lower(), list(folded), n=1, cutoff=0.6)
    return folded[near[0]] if near else None


class BusdecodeError(Exception):
    """The root of every error that this package raises on purpose."""


class InputError(BusdecodeError, ValueError):
    """A file or a request of the user could not be used.

    Parameters
    ----------
    found : str
        What is wrong, in one clause.
    path : path or str, optional
        The file.
    line, column : int, optional
        From 1.
    byte : int, optional
        Offset from 0, for files without lines.
    key : str, optional
        Path of keys in a TOML file, such as ``cycle.begins``.
    text : str, optional
        The offending line as it stands in the file; shown with a caret at `column`.
    expected : str, optional
        What would have been right.
    action : str, optional
        What to do.
    """

    def __init__(
        self,
        found: str,
        *,
        path: Path | str | None = None,
        line: int | None = None,
        column: int | None = None,
        byte: int | None = None,
        key: str | None = None,
        text: str | None = None,
        expected: str | None = None,
        action: str | None = None,
    ) -> None:
        self.found = found
        self.path = path
        self.line = line
        self.column = column
        self.byte = byte
        self.key = key
        self.text = text
        self.expected = expected
        self.action = action
        super().__init__(self._message())

    @classmethod
    def together(cls, errors: Sequence[Self]) -> Self:
        """Make one error of several mistakes of one file, in the order given."""
        first = errors[0]
        if len(errors) == 1:
            return first
        joined = cls(first.found, path=first.path, line=first.line, key=first.key)
        joined.args = ("\n".join(str(error) for error in errors),)
        return joined

    def adding(self, clause: str) -> Self:
        """Make the same error with one more clause in what was found."""
        return self._with(f"{self.found}; {clause}", self.action)

    def doing(self, action: str) -> Self:
        """Make the same error with something else to do."""
        return self._with(self.found, action)

    def _with(self, found: str, action: str | None) -> Self:
        return type(self)(
            found,
            path=self.path,
            line=self.line,
            column=self.column,
            byte=self.byte,
            key=self.key,
            text=self.text,
            expected=self.expected,
            action=action,
        )

    def _message(self) -> str:
        place = "" if self.path is None else str(self.path)
        for part in (self.line, self.column if self.line is not None else None):
            if part is not None:
                place += f":{part}" if place else str(part)
        if self.byte is not None:
            place += f": byte {self.byte}" if place else f"byte {self.byte}"
        clauses = [clause for clause in (place, self.key, self.found) if clause]
        rows = [": ".join(clauses)]
        if self.text is not None and self.line is not None:
            shown = self.text.rstrip("\r\n").replace("\t", " ")
            start = 0
            if self.column is not None and self.column > 60:
                start = self.column - 40
            shown = shown[start : start + 76]
            gutter = f"  {self.line} | "
            rows.append(gutter + shown)
            if self.column is not None:
                rows.append(" " * (len(gutter) - 2) + "| " + " " * (self.column - 1 - start) + "^")
        if self.expected is not None:
            rows.append(f"  expected: {self.expected}")
        if self.action is not None:
            rows.append(f"  do:       {self.action}")
        return "\n".join(rows)


class CaptureError(InputError):
    """A capture file could not be read as what it claims to be."""


class TruncatedError(CaptureError):
    """A capture file ends early; what is whole before that could be read."""


class ProbeListError(InputError):
    """A probe list names something that is not there, or cannot be read."""


class DescriptionError(InputError):
    """A bus description does not say what the schema needs, or contradicts itself."""


class JoinError(InputError):
    """Captures that should be of the same writes and reads do not fit together."""


class CaseError(InputError):
    """A case file names something that is not there, or cannot be read."""


class LogError(InputError):
    """An access log holds something that is not an access."""


class NamesError(InputError):
    """A register-name file holds something that is not an address and its name."""


class RequestError(InputError):
    """The options of a command or call do not fit together or the input."""
