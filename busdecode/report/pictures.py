"""Pictures as SVG, PNG and PDF, the same bytes whenever the same is drawn."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from busdecode.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from typing import BinaryIO

    from matplotlib.figure import Figure

__all__ = ["FORMS", "SETTINGS", "check_matplotlib", "picture_form", "saved"]

FORMS = ("svg", "png", "pdf")
"""The forms in which pictures are written; the suffix of a file tells which."""

_DOTS_PER_INCH = 150

SETTINGS: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "svg.fonttype": "path",
    "svg.hashsalt": "busdecode",
    "text.hinting": "none",  # text is as wide as it was measured
    "text.parse_math": False,
    "pdf.fonttype": 42,
}

_NO_DATES: dict[str, dict[str, None]] = {
    "svg": {"Date": None},
    "pdf": {"CreationDate": None, "ModDate": None},
    "png": {},
}


def picture_form(path: Path) -> str:
    """Give the form that a file's suffix names.

    Raises
    ------
    RequestError
        If it names none.
    """
    form = path.suffix.lower().removeprefix(".")
    if form not in FORMS:
        raise RequestError(
            f"the suffix {path.suffix!r} names no form of picture",
            path=path,
            expected="a file named .svg, .png or .pdf",
        )
    return form


def check_matplotlib() -> None:
    """See that matplotlib is there.

    Raises
    ------
    RequestError
        If it is not installed.
    """
    try:
        import matplotlib  # noqa: F401
    except ImportError:
        raise RequestError(
            "pictures are drawn by matplotlib, which is not installed",
            action="install it: pip install 'busdecode[figures]'",
        ) from None


@contextmanager
def saved(stream: BinaryIO, form: str, inches: tuple[float, float]) -> Iterator[Figure]:
    """Give an empty figure to draw in, and write it when it is drawn.

    Text stands as it is: signs of mathematics in it mean nothing.

    Parameters
    ----------
    stream : binary file
    form : str
        One of `FORMS`.
    inches : (float, float)
        Width and height.

    Raises
    ------
    RequestError
        If matplotlib is not installed.
    """
    check_matplotlib()
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context(SETTINGS):
        figure = Figure(figsize=inches, dpi=_DOTS_PER_INCH)
        yield figure
        figure.savefig(stream, format=form, metadata=_NO_DATES[form])
