"""Tables written in each format, and read back by readers that are not ours."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from busdecode.compare import Comparison
from busdecode.protocol import load_bus
from busdecode.report.documents import (
    FORMATS,
    Column,
    RegisterNames,
    Shown,
    Table,
    comparison_table,
    cycle_table,
    findings_table,
    format_of,
    legible,
    replay_table,
    restored,
    write_latex_document,
)
from busdecode.timing import Figures, Replay
from tests.report.documents.reading import READERS, page_of, shown, unguarded, written

if TYPE_CHECKING:
    from collections.abc import Iterator

COLUMNS = (
    Column("start_ps", "int64", "moment", "ps", "where not known", "right"),
    Column("register", "string", "name <b>", "", "where there is none"),
    Column("rmw", "bool", "whether"),
    Column("sentence", "string", "words", alignment="prose"),
)

HOSTILE = [
    "<script>alert(1)</script><!-- &amp; &#60; ]]> \" ' <?x?>",
    "a | b \\| c \\\\| d `e|f` ``g` **h** _i_ ~~j~~ [k](http://l) ![m](n) <http://o> <p@q.r>",
    "http://a.b www.c.d https://e :smile: $x^2$ # - + 1. > = [ref]: x",
    "\\ { } $ & # ^ _ % ~ \\input{x} \\\\[1em] [2em] *x -- --- ''q'' ``r'' ,, << >> ?` !` \"a",
    "=1+1",
    "+1",
    "-1",
    "@SUM(A1)",
    "'=1",
    "''x",
    "\t=1",
    "\r=1",
    "\n=1",
    "\uff1d1",
    "  two  blanks  ",
    "line\nline\r\nline\u2028line\u0085line",
    "\0\x01\x1b[31m\x7f\x9b",
    "<U+0000> <U+003C>U+0041>",
    "\u05e9\u05dc\u05d5\u05dd \u202ereversed\u202c \u2066x",
    "e\u0301 \u0338 a\u0308\u0323\u0307",
    "\U0001f469\u200d\U0001f527 \u0915\u094d\u200d\u0937",
    "NA",
    "null",
    "1/52",
    "1,2",
    'say "x"',
    "long" * 2500,
    "x " * 5000 + "x",
]
SAMPLE = Table(
    "capture <b>|$x$ \\today",
    COLUMNS,
    [
        *((at - 5, text, at % 2 == 0, text[::-1]) for at, text in enumerate(HOSTILE)),
        (None, None, False, "y"),
    ],
    ["- a note", "1. another", "# third", "=== *x* | y", *HOSTILE],
)


@pytest.mark.parametrize("form", FORMATS)
def test_hostile_text_is_read_back_equal(form: str) -> None:
    """Check title, names, every cell and every note, as far as the format has a place for them."""
    found = READERS[form](written(SAMPLE, form))
    expected = shown(SAMPLE)

    assert found.columns == expected.columns
    assert found.rows == expected.rows
    assert found.title in (None, expected.title)
    assert found.notes in (None, expected.notes)
    assert (found.title is None) == (found.notes is None) == (form == "csv")


@pytest.mark.parametrize("form", FORMATS)
@given(
    texts=st.lists(st.text(st.characters(exclude_categories=["Cs"]), min_size=1), min_size=1),
    marks=st.lists(
        st.text(st.sampled_from("|\\`*_[]()<>!&#$%{}~^'\"=+-@:/. \t\r\n\0aU1;"), min_size=1),
        min_size=1,
    ),
)
@example(texts=["<U+0041>"], marks=["\\\\|"])
def test_any_text_survives(form: str, texts: list[str], marks: list[str]) -> None:
    """Check that any text is read back as title, cell and note, and is markup nowhere."""
    texts += marks
    rows = [(at - 1, text, at % 2 == 0, text) for at, text in enumerate(texts)]
    table = Table(texts[0], COLUMNS, rows, texts)

    found = READERS[form](written(table, form))

    assert (found.title or table.title, found.rows) == (table.title, shown(table).rows)
    assert found.notes in (None, texts)


@pytest.mark.parametrize("form", FORMATS)
def test_a_table_without_rows_has_its_columns(form: str) -> None:
    """Check that an empty table reads back as one."""
    found = READERS[form](written(replace(SAMPLE, rows=[], notes=[]), form))

    assert (found.columns, found.rows) == ([column.name for column in COLUMNS], [])
    assert found.notes in (None, [])


@pytest.mark.parametrize("form", FORMATS)
def test_file_names_that_are_no_text_can_stand_in_a_title(form: str) -> None:
    """Check a title with a lone surrogate, as Python has it for a byte of a file name."""
    found = READERS[form](written(Table("\udcff.vcd", COLUMNS, []), form))

    assert found.title in (None, "\udcff.vcd")


@pytest.mark.parametrize("form", [form for form in FORMATS if form != "parquet"])
def test_rows_are_written_as_they_come(form: str) -> None:
    """Check that a row is in the stream before the next one is asked for."""
    stream = io.StringIO()
    seen = []

    def rows() -> Iterator[tuple[int, str, bool, str]]:
        for at in range(3):
            yield at, f"name{at}", True, "x"
            seen.append(f"name{at}" in stream.getvalue())

    FORMATS[form].write(Table("t", COLUMNS, rows()), stream)

    assert seen == [True] * 3


@pytest.mark.parametrize("form", [form for form in FORMATS if form != "csv"])
def test_notes_that_come_with_the_last_row_are_written(form: str) -> None:
    """Check that a note added while rows are taken is in the document."""
    notes: list[str] = []

    def rows() -> Iterator[tuple[int, str, bool, str]]:
        yield 1, "a", True, "x"
        notes.append("late")

    found = READERS[form](written(Table("t", COLUMNS, rows(), notes), form))

    assert found.notes == ["late"]


def test_csv_is_that_of_rfc_4180_and_numbers_have_no_guard() -> None:
    """Check the bytes: CRLF, doubled quotes, a guard before text only."""
    rows = [(-5, "-5", True, 'a "b", c'), (None, None, False, "d\r\ne")]

    assert written(Table("t", COLUMNS, rows), "csv") == (
        b"start_ps,register,rmw,sentence\r\n"
        b'-5,\'-5,true,"a ""b"", c"\r\n'
        b",,false,d<U+000D><U+000A>e\r\n"
    )


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=1", "'=1"),
        ("+1", "'+1"),
        ("-1", "'-1"),
        ("@a", "'@a"),
        ("'=1", "''=1"),
        ("\t=1", "<U+0009>=1"),
        ("\r=1", "<U+000D>=1"),
        ("0x10", "0x10"),
        ("'a'", "'a'"),
        ("a=1", "a=1"),
    ],
)
def test_no_text_begins_as_a_formula_in_csv(text: str, cell: str) -> None:
    """Check what stands in the file, and that it reads back."""
    raw = written(Table("t", COLUMNS, [(0, text, True, "x")]), "csv").decode()

    assert raw.splitlines()[1] == f"0,{cell},true,x"
    assert unguarded(cell) == text


def test_html_is_one_page_without_script_and_with_scopes() -> None:
    """Check attributes, that nothing is fetched, and that text is isolated in its direction."""
    raw = written(SAMPLE, "html")
    page = page_of(raw)

    assert {each for each in page.attributes if each[0] in ("th", "td")} == {
        ("th", "scope", "col"),
        ("th", "scope", "row"),
        ("th", "class", "right"),
        ("th", "class", "prose"),
        ("td", "class", "prose"),
    }
    assert {name for _, name, _ in page.attributes} == {
        *("lang", "charset", "http-equiv", "content", "name", "scope", "class"),
    }
    assert raw.count(b"<bdi>") == 1 + 4 + 2 * len(HOSTILE) + 1 + 2 * 4 + len(SAMPLE.notes)
    assert b"url(" not in raw.split(b"</style>")[0]
    assert b"@import" not in raw.split(b"</style>")[0]


def test_addresses_of_pages_do_not_become_links_in_markdown() -> None:
    """Check that nothing is left of what GitHub Flavored Markdown, section 6.9, links unmarked."""
    raw = written(SAMPLE, "markdown").decode()

    assert "http:" in raw
    assert not re.search(r"://|www\.", raw)


def test_latex_can_be_a_document_of_its_own() -> None:
    """Check that the fragment is inside, once, between preamble and end."""
    stream = io.StringIO()
    write_latex_document(SAMPLE, stream)
    preamble, rest = stream.getvalue().split("\\begin{document}\n")

    assert rest == written(SAMPLE, "latex").decode() + "\\end{document}\n"
    assert preamble.splitlines() == [
        "\\documentclass[a4paper,landscape]{article}",
        "\\usepackage[margin=15mm]{geometry}",
        "\\usepackage{longtable}",
    ]


def test_layouts_follow_the_alignment_of_columns() -> None:
    """Check numbers to the right, text to the left, sentences wrapping."""
    table = Table("t", COLUMNS, [])

    assert b"\\begin{longtable}{rllp{0.35\\linewidth}}\n" in written(table, "latex")
    assert b"\n| --: | --- | --- | --- |\n" in written(table, "markdown")


@given(st.text(st.characters()))
@example("\u061c\u200e\u200f\u2066\u2067\u2068\u2069\ufeff\ufdd0\ufdef\ufffe\U0001ffff\U0010fffe")
def test_what_cannot_be_seen_is_written_by_number_and_back(text: str) -> None:
    """Check that the written text has nothing unseen in it, and gives the same back."""
    seen = legible(text)

    assert restored(seen) == text
    unseen = "\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff"
    assert not re.search(f"[{unseen}\ufeff\ufdd0-\ufdef\ufffe\uffff\U0001ffff\U0010fffe]", seen)


def test_parquet_has_the_types_of_the_columns() -> None:
    """Check types, missing values and what the metadata says of a column."""
    from pyarrow import parquet

    rows = [(1, "a", True, "x"), (None, None, False, "y")]
    table = parquet.read_table(io.BytesIO(written(Table("t", COLUMNS, rows), "parquet")))

    assert [str(each.type) for each in table.schema] == ["int64", "string", "bool", "string"]
    assert table.to_pylist()[1] == {
        "start_ps": None,
        "register": None,
        "rmw": False,
        "sentence": "y",
    }
    assert table.schema.field("start_ps").metadata == {
        b"meaning": b"moment",
        b"unit": b"ps",
        b"empty": b"where not known",
    }


def test_parquet_of_more_rows_than_a_group_is_whole() -> None:
    """Check that groups follow each other without loss."""
    from pyarrow import parquet

    count = (1 << 16) + 3
    one = Table("t", COLUMNS[:1], ((at,) for at in range(count)))
    table = parquet.read_table(io.BytesIO(written(one, "parquet")))

    assert table.column("start_ps").to_pylist() == list(range(count))


@pytest.mark.parametrize("form", FORMATS)
def test_every_ending_tells_its_format(form: str) -> None:
    """Check each ending, in capitals too."""
    for suffix in FORMATS[form].suffixes:
        assert format_of(Path(f"a.b{suffix}")) == form
        assert format_of(Path(f"A{suffix.upper()}")) == form


def test_page_describes_every_column(checkout: Path) -> None:
    """Check the tables of docs/exporting.md, row by row, against the columns."""
    page = (checkout / "docs" / "exporting.md").read_text(encoding="utf-8")
    bus = load_bus("vmebus")
    names = RegisterNames([(0, 0, "ZERO")])
    cycles = cycle_table(bus, "t", [], asked=Shown(), names=names).columns
    cycles += cycle_table(load_bus("mc68020"), "t", [], asked=Shown()).columns
    phases = {f"{name}_ps" for name in (*bus.phase_names, *load_bus("mc68020").phase_names)}
    result = Comparison(bus, (), 0, 0, 0, 0, 0, (), (), (), (), None, None, ())
    figures = Figures.of(load_bus("mc68000"))
    nothing = Replay(figures, load_bus("mc68000").line_names, 1_000).replayed("host")
    tables = {
        "cycles": [column for column in cycles if column.name not in phases],
        "comparison": comparison_table(result, "t").columns,
        "findings": findings_table(result, "t").columns,
        "replay": replay_table(nothing, "t").columns,
    }
    for name, columns in tables.items():
        part = page.split(f"\n## Columns of {name}\n")[1].split("\n## ")[0]
        rows = {row for row in part.splitlines() if row.startswith("| `")}
        assert rows == {
            f"| `{each.name}` | {each.dtype} | {each.unit} | {each.meaning} "
            f"| {each.empty or 'never'} |"
            for each in columns
        }


def test_page_says_how_to_take_the_guard_off(checkout: Path, tmp_path: Path) -> None:
    """Check that the recipe of docs/exporting.md gives the hostile text back, run as it stands."""
    page = (checkout / "docs" / "exporting.md").read_text(encoding="utf-8")
    (recipe,) = re.findall(r"```python\n(.*?)```", page, re.DOTALL)
    (tmp_path / "cycles.csv").write_bytes(written(SAMPLE, "csv"))
    found: dict[str, object] = {}
    exec(recipe.replace('"cycles.csv"', repr(str(tmp_path / "cycles.csv"))), found)

    assert found["cells"].to_numpy().tolist() == shown(SAMPLE).rows  # type: ignore[attr-defined]
