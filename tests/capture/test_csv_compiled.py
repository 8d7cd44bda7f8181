"""The compiled loop and the plain reader of CSV tables: the same captures, notes and errors."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busdecode.capture.compilation import SWITCH
from busdecode.capture.sources import Source
from busdecode.capture.stream import Told
from busdecode.capture.tables import file as csv_table
from busdecode.capture.tables.file import open_csv
from busdecode.errors import CaptureError, InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

pytest.importorskip("numba", reason="numba compiles the reader; it is not installed")

COLUMNS = {
    "level": ("0", "1", "0", "1", "0", "1", "0", "1", "x", "Z", "z", "X"),
    "hex": ("0", "7F", "ff", "0x1a", "00000000000000000000", "80", "3", "x", "1z"),
    "bin": ("0", "10110", "0b1", "1", "01010101", "x", "1z1"),
    "dec": ("0", "255", "7", "016", "x"),
    "wide": ("0", "18446744073709551615", "9223372036854775808", "999999999999999999"),
}
NAMES = {"hex": "H{}[7:0]", "bin": "B{}[0:7] (bin)", "dec": "C{}[7:0] (dec)"}
NAMES |= {"wide": "W{}[63:0] (dec)", "level": "L{}"}
TIMES = ("{}", "{}", "+{}", "{}.0", "{},0", "{}e0", "{}.5", "{}.25", "{}0e-1", "{}.0000000000015")


def outcome(data: bytes, told: Told, *, plain: bool, buffer: int) -> tuple[Any, ...]:
    """Read a table; give all there is to say of its capture, or its error."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(SWITCH, "1" if plain else "0")
        patch.setattr(csv_table, "BUFFER_BYTES", buffer)
        try:
            opened = open_csv(Source(data, "made.csv"), told)
        except InputError as error:
            return type(error), str(error)
        try:
            capture = opened.read()
        except InputError as error:
            return type(error), str(error), opened.notes, opened.understood
    return (
        capture.lines, capture.times.tolist(), capture.states.tolist(),
        None if capture.unknown is None else capture.unknown.tolist(), capture.end,
        capture.resolution, capture.resolution_inferred, capture.notes, opened.understood,
    )  # fmt: skip


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    """A table that is plain in most rows, with a mistake or two in some."""
    separator = draw(st.sampled_from([",", ";", "\t", " ", ", ", "  "]))
    line_end = draw(st.sampled_from(["\n", "\r\n"]))
    unit = draw(st.sampled_from(["s", "us", "ns", "ps"]))
    levels = draw(st.sampled_from([1, 2, 3, 4, 5, 8, 9, 60, 63, 64, 65, 70]))
    kinds = ["level"] * levels
    for kind in draw(st.lists(st.sampled_from(["hex", "bin", "dec", "wide"]), max_size=3)):
        kinds.insert(draw(st.integers(0, len(kinds))), kind)
    time_at = draw(st.integers(0, len(kinds)))
    numbered = draw(st.booleans())
    names = [NAMES[kind].format(at) for at, kind in enumerate(kinds)]
    names.insert(time_at, f"Time ({unit})")
    lines = [separator.join((*names, "Sample") if numbered else names)]
    now = draw(st.sampled_from([0, -12, -(10**6)]))
    pattern = draw(st.sampled_from(["{}", "any"]))
    cells = [draw(st.sampled_from(COLUMNS[kind])) for kind in kinds]
    for row in range(draw(st.integers(1, 12))):
        for at in draw(st.lists(st.integers(0, len(kinds) - 1), max_size=4)):
            cells[at] = draw(st.sampled_from(COLUMNS[kinds[at]]))
        now += draw(st.sampled_from([1, 1, 4, 6, 7000]))
        time = (draw(st.sampled_from(TIMES)) if pattern == "any" else "{}").format(now)
        line = [*cells[:time_at], time, *cells[time_at:], *([str(row)] if numbered else [])]
        lines.append(separator.join(line))
    data = bytearray(line_end.join(lines).encode() + line_end.encode() * draw(st.booleans()))
    begin = len(lines[0]) + 1
    for at, octet, how in draw(
        st.lists(
            st.tuples(
                st.integers(begin, len(data) - 1),
                st.sampled_from(b'01xZ2,;. \t\n\r"-+eE9h\0\xb5\xc3'),
                st.sampled_from(["put", "insert", "drop", "cut"]),
            ),
            max_size=2,
        )
    ):
        if how == "put" and at < len(data):
            data[at] = octet
        elif how == "insert":
            data.insert(at, octet)
        else:
            del data[at : at + 1 if how == "drop" else len(data)]
    return bytes(data)


@pytest.mark.parametrize("plain", [True, False])
def test_a_cell_is_missing_where_only_a_blank_stands_for_it(plain: bool) -> None:
    """Between blanks an empty cell is none, also in a column that is not used."""
    data = b"Time (s)  L0  L1  Sample\n1  0  0  0\n2  0  0  1\n3  0  0 \n4  0  0  3\n"
    kind, message = outcome(data, Told(), plain=plain, buffer=1 << 20)[:2]

    assert kind is CaptureError
    assert "4: column Sample: 3 cells in this row" in message


@settings(max_examples=120)
@given(data=tables(), buffer=st.integers(1, 400))
def test_both_ways_and_any_buffer_agree_on_tables_with_mistakes(data: bytes, buffer: int) -> None:
    """Captures, notes and errors are the same to the letter."""
    wanted = outcome(data, Told(), plain=True, buffer=1 << 20)
    for plain in (True, False):
        assert outcome(data, Told(), plain=plain, buffer=buffer) == wanted
    assert outcome(data, Told(), plain=False, buffer=1 << 20) == wanted


def many_rows(rows: int, changed: Sequence[tuple[int, str]] = ()) -> bytes:
    """Write a table of 70 lines whose rows count up in binary, some of them changed."""
    lines = ["Time (ns)," + ",".join(f"L{at}" for at in range(70))]
    lines += [f"{10 * row}," + ",".join(f"{row % 4096:070b}") for row in range(rows)]
    for row, line in changed:
        lines[row + 1] = line
    return "\n".join([*lines, ""]).encode()


@pytest.mark.parametrize("plain", [True, False])
def test_rows_that_are_not_plain_among_many_that_are(plain: bool) -> None:
    """Single rows and runs of them, in several buffers; line numbers stay right."""
    x, quoted = ",".join("x" * 70), ",".join(['"1"'] * 70)
    runs = [(row, f"{10 * row},{quoted}") for row in (5, 6, 7, 8, 9, 10, 11, 400, 2999)]
    data = many_rows(3000, [*runs, (50, f" 500 ,{x}"), (51, ""), (52, f"52e1,{x}")])
    read = outcome(data, Told(), plain=plain, buffer=1 << 16)
    rows = dict(zip(read[1], read[2], strict=True))
    assert rows[500_000] == [0, 0]
    assert read[3][list(rows).index(500_000)] == [2**64 - 1, 2**6 - 1]
    assert rows[50_000] == [2**64 - 1, 2**6 - 1]
    # Row 12 ends with 1100: L66 and L67.
    assert rows[120_000] == [0, 0b1100]
    assert 510_000 not in rows
    assert 520_000 not in rows
    assert 530_000 in rows
    assert (read[4], read[5]) == (29_990_000, 10_000)
    bad = many_rows(3000, [*runs, (2500, "25000," + ",".join("2" * 70))])
    error = outcome(bad, Told(), plain=plain, buffer=1 << 16)[1]
    assert error.startswith("made.csv:2502: column L0: the level must be 0, 1, x or z, not '2'\n")
