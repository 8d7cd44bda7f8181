"""Pictures: the same bytes each time, harmless, and one clear error without matplotlib."""

from __future__ import annotations

import io
import sys
from xml.etree import ElementTree

import pytest

from busdecode.errors import RequestError
from busdecode.report.figures import Figure, Lane, Mark, Span, draw
from tests.report.figures.crowded import crowded

HOSTILE = (
    "<script>alert(1)</script>",
    "$\\frac{1}{0}$",
    "]]>--><!-- & \"'",
    "\x00\x1b[2J\x7f",
    "\u202etxt.exe",
    "\u05e9\u05dc\u05d5\u05dd \u0645\u0631\u062d\u0628\u0627",
    "Z\u0351\u0352\u0353\u0354a\u0355lgo",
    "\U0001f600 \u6f22\u5b57 \ufffe",
    "long " * 5000,
)


def picture(figure: Figure, form: str) -> bytes:
    """Draw a figure."""
    stream = io.BytesIO()
    draw(figure, stream, form)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("form", "begins"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF")]
)
def test_the_same_figure_gives_the_same_bytes(form: str, begins: bytes) -> None:
    """No date is in them."""
    pytest.importorskip("matplotlib")
    one, two = (picture(crowded(1, 4, 7), form) for _ in range(2))

    assert one.startswith(begins)
    assert one == two
    assert b"CreationDate" not in one
    assert b"dc:date" not in one


@pytest.mark.parametrize("text", HOSTILE)
def test_text_from_files_is_only_text(text: str) -> None:
    """As title, lane, value, mark and note, in well-formed SVG without any active part."""
    pytest.importorskip("matplotlib")
    lanes = (
        Lane(text, (Span(0, 500, "low"), Span(500, 900, "high"))),
        Lane("D", (Span(0, 900, "value", text),)),
    )
    figure = Figure(text, text, 0, 900, 0, lanes, marks=(Mark("D", 400, text),), notes=(text,))
    tree = ElementTree.fromstring(picture(figure, "svg"))

    names = {element.tag.rpartition("}")[2] for element in tree.iter()}
    assert not names & {"script", "a", "image", "foreignObject", "text", "animate"}
    assert not any(key.lower().startswith("on") for each in tree.iter() for key in each.attrib)


def test_without_matplotlib_the_error_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Before anything is written."""
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    stream = io.BytesIO()
    with pytest.raises(RequestError) as caught:
        draw(crowded(1, 4, 7), stream, "svg")

    assert str(caught.value) == (
        "pictures are drawn by matplotlib, which is not installed\n"
        "  do:       install it: pip install 'busdecode[figures]'"
    )
    assert stream.getvalue() == b""
