"""VCD files drawn at random, read level by level as three independent readers read them.

``BUSDECODE_EXAMPLES`` tells how many files each test draws; 40 where it is not set.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import pywellen
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from vcd.reader import TokenKind, VarDecl, tokenize
from vcdvcd import VCDVCD, StreamParserCallbacks

from busdecode.capture import Capture, join, open_capture, read_capture
from busdecode.capture.compilation import SWITCH
from tests.capture.vcd_strategies import FEATURES, Made, vcd_files

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path

FILES = settings(
    max_examples=int(os.environ.get("BUSDECODE_EXAMPLES", "40")),
    deadline=None,
    suppress_health_check=[
        HealthCheck.function_scoped_fixture,
        HealthCheck.too_slow,
        HealthCheck.data_too_large,
    ],
)

# What a reference cannot read, or is known to read wrongly; each with the reason.
LEFT_OUT: dict[str, dict[str, str]] = {
    "vcdvcd": {
        "blanks": "takes one declaration or change a line, from its first character on",
        "keyword in comment": "reads $scope and $var inside a comment as declarations",
    },
    "pyvcd": {
        "mark": "stops at a byte-order mark",
        "end in word": "ends a comment, or stops, at the letters $end wherever they stand",
    },
    "pywellen": {
        "mark": "does not know a file with a byte-order mark as VCD",
        "blanks": "takes declarations apart at blanks only",
        "tabs": "takes declarations apart at blanks only",
        "end as code": "stops at a code that reads $end",
        "index": "puts bits with codes of their own together to one vector",
        "end in word": "ends a comment at the letters $end wherever they stand",
    },
}
# Its time stamps have 64 bits in the unit of the file; ours have them in ps.
LATEST_PYWELLEN = 2**64 - 1

SECONDS = {
    "s": Fraction(1),
    "ms": Fraction(1, 10**3),
    "us": Fraction(1, 10**6),
    "ns": Fraction(1, 10**9),
    "ps": Fraction(1, 10**12),
    "fs": Fraction(1, 10**15),
}
ASIDE = ("real", "realtime", "event", "string")


@dataclass(frozen=True)
class Reading:
    """What a reader says of every line at every one of these moments (ps).

    Levels are one of 0, 1, x and z a moment; gaps tell where dumping is off, where it says so.
    """

    stamps: tuple[int, ...]
    levels: dict[str, str]
    gaps: tuple[bool, ...] | None = None


def in_ps(stamp: int, seconds: Fraction) -> int:
    """Give a time stamp worth so many seconds in picoseconds, half a picosecond up."""
    return int((stamp * seconds * 10**12 + Fraction(1, 2)) // 1)


def full(value: str | int, width: int) -> str:
    """Write all digits of a value, extended to the left by the rule of 18.2.2."""
    digits = format(value, "b") if isinstance(value, int) else value.lower()
    return digits.rjust(width, digits[0] if digits[0] in "xz" else "0")


def gathered(
    snapshots: Mapping[int, Mapping[str, str]], named: Sequence[tuple[str, Sequence[str]]]
) -> Reading:
    """Take apart the values of codes at each moment; `named` has the lines of each code."""
    moments = tuple(sorted(snapshots))
    levels = {}
    for code, lines in named:
        values = [full(snapshots[moment].get(code, "x"), len(lines)) for moment in moments]
        for bit, line in enumerate(lines):
            levels[line] = "".join(value[bit] for value in values)
    return Reading(moments, levels)


def by_vcdvcd(made: Made, path: Path) -> Reading:
    """Read with vcdvcd; it keeps the values as they are written."""
    snapshots: dict[int, dict[str, str]] = {}

    class Watch(StreamParserCallbacks):  # type: ignore[misc]
        def time(self, vcd: Any, time: int, cur_sig_vals: dict[str, str]) -> None:
            snapshots[in_ps(time, Fraction(vcd.timescale["timescale"]))] = dict(cur_sig_vals)

    VCDVCD(str(path), callbacks=Watch(), store_tvs=False)
    return gathered(snapshots, [(each.code, each.lines) for each in made.references])


def pyvcd_lines(scopes: Sequence[str], var: VarDecl) -> list[str]:
    """Name the lines of a declaration as pyvcd understands it, msb first."""
    name = ".".join((*scopes, var.reference))
    index = (var.size - 1, 0) if var.bit_index is None else var.bit_index
    if isinstance(index, int):
        return [f"{name}[{index}]"]
    if var.size == 1:
        return [name] if var.bit_index is None else [f"{name}[{index[0]}]"]
    step = 1 if index[1] >= index[0] else -1
    return [f"{name}[{bit}]" for bit in range(index[0], index[1] + step, step)]


def by_pyvcd(made: Made, path: Path) -> Reading:
    """Replay the tokens of pyvcd; a value made of 0 and 1 comes as a number."""
    scopes: list[str] = []
    named: list[tuple[str, list[str]]] = []
    seconds = Fraction(0)
    now, off = 0, False
    values: dict[str, str] = {}
    snapshots: dict[int, dict[str, str]] = {0: {}}
    gaps: dict[int, bool] = {0: False}
    with path.open("rb") as stream:
        for token in tokenize(stream):
            if token.kind is TokenKind.SCOPE:
                scopes.append(token.scope.ident)
            elif token.kind is TokenKind.UPSCOPE:
                scopes.pop()
            elif token.kind is TokenKind.TIMESCALE:
                unit = SECONDS[token.timescale.unit.value]
                seconds = Fraction(int(token.timescale.magnitude)) * unit
            elif token.kind is TokenKind.VAR:
                if token.var.type_.value not in ASIDE:
                    named.append((token.var.id_code, pyvcd_lines(scopes, token.var)))
            elif token.kind is TokenKind.CHANGE_TIME:
                now = in_ps(token.time_change, seconds)
            elif token.kind is TokenKind.CHANGE_SCALAR:
                values[token.scalar_change.id_code] = token.scalar_change.value
            elif token.kind is TokenKind.CHANGE_VECTOR:
                change = token.vector_change
                digits = change.value
                values[change.id_code] = digits if isinstance(digits, str) else f"{digits:b}"
            elif token.kind in (TokenKind.DUMPOFF, TokenKind.DUMPON):
                off = token.kind is TokenKind.DUMPOFF
            snapshots[now] = dict(values)
            gaps[now] = off
    return replace(gathered(snapshots, named), gaps=tuple(gaps[at] for at in sorted(gaps)))


def by_pywellen(made: Made, path: Path) -> Reading:
    """Read with pywellen; it extends the values itself."""
    wave = pywellen.Waveform(str(path))
    seconds = Fraction(wave.timescale.factor) * Fraction(10) ** wave.timescale.unit.to_exponent()
    variables = {each.full_name: each.signal for each in wave.all_vars()}
    snapshots: dict[int, dict[str, str]] = {}
    for stamp in made.stamps:
        values = snapshots[in_ps(stamp, seconds)] = {}
        for each in made.references:
            value = variables[each.written].value_at(stamp)
            values[each.code] = "x" if value is None else full(value, each.width)
    return gathered(snapshots, [(each.code, each.lines) for each in made.references])


READERS: dict[str, Callable[[Made, Path], Reading]] = {
    "vcdvcd": by_vcdvcd,
    "pyvcd": by_pyvcd,
    "pywellen": by_pywellen,
}


def ours(capture: Capture, stamps: Sequence[int], *, gaps: bool) -> Reading:
    """Give the levels of every line at these moments; x before the first row."""
    rows = np.searchsorted(capture.times, stamps, side="right") - 1
    levels = {}
    for name in capture.lines:
        codes = capture.levels(name)
        levels[name] = "".join("01xz"[codes[row]] if row >= 0 else "x" for row in rows)
    off = np.zeros(len(capture), dtype=np.bool_) if capture.gaps is None else capture.gaps
    told = tuple(bool(row >= 0 and off[row]) for row in rows) if gaps else None
    return Reading(tuple(stamps), levels, told)


def files_for(reference: str) -> st.SearchStrategy[Made]:
    """Draw files that this reference can read."""
    features = [each for each in FEATURES if each not in LEFT_OUT[reference]]
    if reference == "pywellen":
        return vcd_files(features, LATEST_PYWELLEN)
    return vcd_files(features)


def readings(path: Path, rows: int) -> Iterator[Capture]:
    """Read a file whole and in chunks: by plain Python, and compiled where numba is installed."""
    for switch in ("1", "0"):
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv(SWITCH, switch)
            yield read_capture(path)
            yield join(open_capture(path).chunks(rows))


def compare(made: Made, reference: str, folder: Path, rows: int) -> None:
    """Hold a file, read in each way, to what the reference says."""
    path = folder / "drawn.vcd"
    path.write_bytes(made.text.encode())
    theirs = READERS[reference](made, path)
    for capture in readings(path, rows):
        assert ours(capture, theirs.stamps, gaps=theirs.gaps is not None) == theirs
        assert set(capture.times.tolist()) <= {0, *theirs.stamps}
        assert capture.end == theirs.stamps[-1]


@pytest.mark.parametrize("reference", READERS)
@FILES
@given(data=st.data(), rows=st.integers(1, 40))
def test_levels_at_every_time_stamp(
    reference: str, data: st.DataObject, rows: int, tmp_path: Path
) -> None:
    """Every line has the level that the reference gives it, wherever a time stamp stands."""
    made = data.draw(files_for(reference))
    # vcdvcd takes every line with these letters for a declaration, also where they are a code.
    assume(reference != "vcdvcd" or not {"$var", "$scope"} & set(made.body.split()))
    compare(made, reference, tmp_path, rows)


@FILES
@given(
    made=vcd_files(),
    boundary=st.sampled_from([1 << 12, 1 << 16, 1 << 20, 1 << 21]),
    rows=st.integers(1, 40),
    data=st.data(),
)
def test_a_long_comment_before_the_changes_means_nothing(
    made: Made, boundary: int, rows: int, data: st.DataObject, tmp_path: Path
) -> None:
    """Changes around a byte at which a reader may cut the file are read as they are elsewhere."""
    before = data.draw(st.integers(0, min(len(made.body), boundary // 2)))
    # A buffer may begin with the file, or behind the header.
    origin = len(made.header.encode()) if data.draw(st.booleans()) else 0
    left = origin + boundary - before - len(made.header.encode()) - len("$comment\n$end\n")
    padding = (("." * 511 + "\n") * (left // 512 + 1))[-left:] if left > 0 else ""
    path = tmp_path / "drawn.vcd"
    path.write_bytes(made.text.encode())
    plain = read_capture(path)
    path.write_bytes(f"{made.header}$comment\n{padding}$end\n{made.body}".encode())
    for padded in readings(path, rows):
        np.testing.assert_array_equal(padded.times, plain.times)
        stamps = padded.times.tolist()
        assert ours(padded, stamps, gaps=True) == ours(plain, stamps, gaps=True)
        assert padded.end == plain.end
