"""Files that a command writes: nothing of the user's is replaced unasked, nothing left half."""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from busdecode.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = ["check_outputs", "writing"]


def check_outputs(
    outputs: Iterable[Path | None], *, overwrite: bool, inputs: Iterable[Path | None] = ()
) -> None:
    """Refuse, before any work is done, what could not or must not be written.

    Raises
    ------
    RequestError
        If an output exists and may not be replaced, is a folder or an input, stands in no
        folder, or is named twice.
    """
    taken = {path.resolve() for path in inputs if path is not None}
    named: set[Path] = set()
    for path in outputs:
        if path is None:
            continue
        where = path.resolve()
        if where in taken:
            raise RequestError("the output is also an input", path=path, action="name another file")
        if where in named:
            raise RequestError(
                "two outputs have the same name", path=path, action="name another file for one"
            )
        named.add(where)
        if where.is_dir():
            raise RequestError("this is a folder", path=path, expected="the name of a file")
        if not where.parent.is_dir():
            raise RequestError(
                f"there is no folder {str(path.parent)!r}",
                path=path,
                action="make the folder, or name another",
            )
        if where.is_file() and not overwrite:
            raise _kept(path)


def _kept(path: Path) -> RequestError:
    return RequestError(
        "the file exists, and is kept",
        path=path,
        action="name another file, or give --overwrite to replace it",
    )


@contextmanager
def writing(path: Path, *, overwrite: bool) -> Iterator[TextIO]:
    """Write a file that appears under its name only when it is whole.

    Raises
    ------
    RequestError
        If the file exists and may not be replaced, or cannot be written.
    """
    where = path.resolve()
    if where.exists() and not where.is_file():  # a device or a pipe: there is nothing to keep
        with where.open("w", encoding="utf-8", newline="") as stream:
            yield stream
        return
    part = where.with_name(f".{where.name}.{os.getpid()}.part")
    try:
        try:
            with part.open("x", encoding="utf-8", newline="") as stream:
                yield stream
        except BrokenPipeError:
            raise
        except OSError as error:
            if error.filename not in (None, str(part)):
                raise
            raise RequestError(
                f"the file cannot be written: {error.strerror}",
                path=path,
                action="name a file in a folder that has room and can be written",
            ) from error
        _commit(part, where, path, overwrite=overwrite)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _commit(part: Path, where: Path, path: Path, *, overwrite: bool) -> None:
    if overwrite:
        if where.exists():
            shutil.copymode(where, part)
        part.replace(where)
        return
    try:
        os.link(part, where)  # fails where the name is taken, in one step
    except FileExistsError:
        raise _kept(path) from None
    except OSError as error:  # a file system without links
        if where.exists():
            raise _kept(path) from error
        part.replace(where)
