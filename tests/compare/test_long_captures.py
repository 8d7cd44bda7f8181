"""Captures too long for memory: two passes say what the whole reading says."""

from __future__ import annotations

import gzip
import io
from dataclasses import replace
from itertools import pairwise
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchmarks import fault_matrix
from benchmarks.stimulus import made, random_accesses
from busdecode.access import Access, AccessLog
from busdecode.capture import (
    Capture,
    CaptureFile,
    Source,
    Told,
    from_levels,
    open_capture,
    split,
    stream,
    write_vcd,
)
from busdecode.capture.block import Block
from busdecode.compare import asked, compare_file, passes
from busdecode.compare.asked import AskedBeats
from busdecode.compare.predict import SeenBeats
from busdecode.compare.recording import Place
from busdecode.compare.spans import Spans, chosen, margin_of, reaches_of
from busdecode.compare.survey import Surveyor
from busdecode.compare.view import view_of
from busdecode.cycles import MISSING, Sampling, bind, decode, synthesise_log
from busdecode.errors import BusdecodeError, CaptureError
from busdecode.faults import parse_fault
from busdecode.protocol import Moment, bundled_buses, load_bus

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path
    from typing import Any

    from busdecode.capture import CaptureFile
    from busdecode.compare import Comparison
    from busdecode.compare.view import PlaceView
    from busdecode.protocol import Bus

CHUNKS = (7, 61, 1000)
"""Rows of a chunk: several chunks a cycle, and several cycles a chunk."""


def opened(capture: Capture, **told: Any) -> CaptureFile:
    """Write a capture as a VCD, and open it."""
    text = io.StringIO()
    write_vcd(capture, text)
    return open_capture(text.getvalue().encode(), name="long.vcd", **told)


class InBlocks(CaptureFile):
    """A file of which few rows are read at once."""

    def __init__(self, capture: Capture) -> None:
        super().__init__(Source(b"made", "blocks"), Told(threads=1))
        self.lines = capture.lines
        self._whole = capture

    def _blocks(self) -> Iterator[Block]:
        capture = self._whole
        for first in range(0, len(capture), 20):
            rows = slice(first, first + 20)
            for one, two in pairwise(capture.times[max(0, first - 1) : first + 20].tolist()):
                self._stamps(two - one, capture.end)
            yield Block(
                capture.times[rows],
                capture.states[rows],
                None if capture.unknown is None else capture.unknown[rows],
                None if capture.gaps is None else capture.gaps[rows],
            )


def verdict(
    file: CaptureFile, bus: Bus, log: AccessLog | None, most_rows: int, chunk_rows: int
) -> tuple[object, ...] | str:
    """Give all that a comparison says, or the error that it raises."""
    try:
        binding = bind(file.lines, bus, None, None)
        file.only(tuple(bound.channel for bound in binding.channels))
        result = compare_file(file, bus, binding, log, most_rows=most_rows, chunk_rows=chunk_rows)
    except BusdecodeError as error:
        return str(error)
    return said(result)


def said(result: Comparison) -> tuple[object, ...]:
    """Give all that a comparison says, but for the note that memory grows."""
    notes = [note for note in result.notes if "memory grows" not in note]
    return (
        result.findings, result.table, result.examples, result.cannot_tell, result.doubt, notes,
        result.places, result.beats, result.compared, result.unmatched_log,
        result.unmatched_beats, result.ambiguous, result.columns,
    )  # fmt: skip


def with_traffic(bus: Bus, count: int, seed: int) -> tuple[list[Access], list[int]]:
    """Draw accesses of which every third is logged; the others read and write the same words."""
    asked = random_accesses(bus, count, Random(seed))
    return asked, list(range(0, count, 3))


def is_logged_by_places(places: tuple[str, ...], capture: Capture) -> Capture:
    """Give the lines of some places only."""
    return capture.select([n for n in capture.lines if n.split(".", 1)[0] in places])


@pytest.mark.parametrize("name", bundled_buses())
def test_two_passes_say_what_the_whole_reading_says(name: str) -> None:
    """Faults of ten kinds, any places probed: all findings, counts, examples and notes."""
    bus = load_bus(name)
    rng = Random(name)
    by_kind: dict[str, list[str]] = {}
    for kind, text in fault_matrix.cases(bus, rng):
        by_kind.setdefault(kind, []).append(text)
    compared = 0
    for kind in rng.sample(sorted(by_kind), 10):
        texts = by_kind[kind]
        text, places = rng.choice(texts), rng.choice(fault_matrix.PLACES)
        seed = rng.randrange(2)
        drawn, logged = with_traffic(bus, 36, seed)
        sampling = Sampling(bus.shortest_pulse // 4) if seed else None
        faults = [parse_fault(text, bus)]
        synthesis, log = made(bus, drawn, seed=seed, faults=faults, sampling=sampling)
        kept = replace(log, accesses=tuple(log.accesses[at] for at in logged))
        capture = is_logged_by_places(places, synthesis.scoped())
        chunk = rng.choice(CHUNKS)
        for told in (kept, None) if len(places) > 1 else (kept,):
            whole = verdict(opened(capture), bus, told, passes.MOST_ROWS, 1 << 18)
            twice = verdict(opened(capture), bus, told, 0, chunk)

            assert twice == whole, f"{text} at {places}, chunks of {chunk}"
            compared += not isinstance(whole, str)
    assert compared >= 5


@pytest.mark.parametrize("chunk", CHUNKS)
def test_what_is_not_known_and_gaps_are_kept(chunk: int) -> None:
    """Levels of x and z, and a stretch without samples, count in two passes as in one."""
    bus = load_bus("mc68000")
    drawn, logged = with_traffic(bus, 40, 3)
    synthesis, log = synthesise_log(bus, drawn, seed=3, faults=[parse_fault("stuck D3 low", bus)])
    capture = synthesis.scoped()
    rng = np.random.default_rng(3)
    unknown = np.zeros_like(capture.states)
    rows = rng.choice(len(capture), 30, replace=False)
    unknown[rows] = np.uint64(0xFFFF) & rng.integers(0, 1 << 63, (30, 1), dtype=np.uint64)
    gaps = np.zeros(len(capture), dtype=np.bool_)
    gaps[200:204] = True
    capture = replace(capture, unknown=unknown, gaps=gaps)
    kept = AccessLog(tuple(log[at] for at in logged), 0, "made", ())
    whole = verdict(InBlocks(capture), bus, kept, passes.MOST_ROWS, 1 << 18)

    assert verdict(InBlocks(capture), bus, kept, 0, chunk) == whole
    assert "D3" in str(whole)


def test_a_cycle_that_hangs_is_described_alike() -> None:
    """Of the last cycle, which never ends, no phase is known: the example is the same still."""
    bus = load_bus("mc68000")
    drawn, _ = with_traffic(bus, 40, 3)
    faults = [parse_fault("no-acknowledge DTACK hangs", bus)]
    synthesis, log = made(bus, drawn, seed=3, faults=faults)
    capture = synthesis.scoped()
    whole = verdict(opened(capture), bus, log, passes.MOST_ROWS, 1 << 18)

    assert verdict(opened(capture), bus, log, 0, 9) == whole
    assert "has been open for" in str(whole)


@pytest.mark.parametrize("chunk", [1, 2, 5, 64])
@pytest.mark.parametrize("seed", range(4))
def test_a_survey_is_the_same_however_the_rows_come(chunk: int, seed: int) -> None:
    """Every fact of every line, held against the levels themselves, in chunks of any size."""
    bus = load_bus("z80")
    rng = Random(seed)
    lines = ("A0", "A1", "D0", "D1", "MREQ", "RD", "WR", "M1")
    count, unsure = 60, 15
    levels = {line: [rng.randrange(2) for _ in range(count)] for line in lines}
    levels["A1"] = [1] * count
    levels["A0"][-9:] = [0] * 9
    levels["D1"] = levels["D0"]
    levels["WR"] = [rng.choice([0, 1, 1, 2, 3]) for _ in range(count)]
    levels["M1"] = [level or rng.choice([0, 2]) for level in levels["D0"]]
    levels["RD"] = [1 - level for level in levels["A0"]]
    other = {**levels, "D0": levels["A0"], "A0": [rng.randrange(2) for _ in range(count)]}
    times = np.cumsum([rng.choice([10, 20, 30, 100_000]) for _ in range(count)]).tolist()
    captures = {
        "host": from_levels(times, levels, resolution=10),
        "card": from_levels(times, other, resolution=10),
    }
    places = {name: Place(each.lines, 10, unsure - 10, ()) for name, each in captures.items()}

    surveyor = Surveyor(bus, places)
    parts = {name: list(split(each, chunk)) for name, each in captures.items()}
    for host, card in zip(parts["host"][:-1], parts["card"][:-1], strict=True):
        surveyor.feed({"host": host, "card": card})
    surveys = surveyor.finish({name: each[-1] for name, each in parts.items()})

    ends = [*times[1:], times[-1] + unsure + 1]
    settled = [at for at in range(count) if ends[at] - times[at] > unsure]
    survey = surveys["host"]
    assert (survey.rows, survey.settled_rows) == (count, len(settled))
    shown = {line: [int(level in (1, 3)) for level in levels[line]] for line in lines}
    for line in lines:
        mine = [shown[line][at] for at in settled]
        assert survey.steady(line) == (1 if line == "A1" else None)
        assert survey.fixed(line) == (1 if line == "A1" else None)
        assert survey.settles(line) == (mine[0] if len(set(mine)) == 1 else None)
        changes = sum(one != two for one, two in pairwise(mine))
        assert survey.changes(line) == changes or survey.changes(line) >= 8 <= changes
        # M1 is not always known, so D0 is never said to be equal to it.
        equal = {"D0": ["D1"], "D1": ["D0"], "M1": ["D0", "D1"]}
        assert survey.equal_to(line) == equal.get(line, [])
    assert survey.crossed_with("A0") == ("D0",)
    assert survey.crossed_with("MREQ") == ()
    is_later = [0 in levels["RD"][at:] for at in range(count)]
    for at in range(count):
        # Until the next row the row at hand holds, and counts.
        assert survey.asserts_after("RD", times[at]) == is_later[at]
        assert survey.asserts_after("RD", ends[at] - 1) == is_later[at]
    edges = [times[at] for at in range(1, count) if levels["MREQ"][at] != levels["MREQ"][at - 1]]
    least = bus.shortest_pulse - 2 * unsure
    short = sum(two - one < least for one, two in pairwise(edges))
    assert survey.short_pulses()["MREQ"] == short > 0


@pytest.mark.parametrize("name", bundled_buses())
def test_the_rows_around_beats_show_what_all_rows_show(name: str) -> None:
    """At every phase of the beats, and as far from it as the comparison looks."""
    bus = load_bus(name)
    sampling = Sampling(bus.shortest_pulse // 8, 5_000, 5_000)
    synthesis, _ = made(bus, random_accesses(bus, 20, Random(4)), seed=4, sampling=sampling)
    capture = synthesis.places["host"]
    table, _ = decode(bus, [capture], skew=10_000)
    uncertainty = capture.resolution + 10_000
    beats = np.arange(2, len(table), 3)
    spans = Spans.joined(*reaches_of(table, beats, margin_of(bus, uncertainty)))
    rows = chosen(capture, spans.shown_by(capture))
    some, every = (view_of(bus, "host", each, uncertainty) for each in (rows, capture))
    assert len(rows) < len(capture)

    for phase in bus.phase_names:
        times = table.phase(phase)[beats]
        times = times[times != MISSING]
        for offset in (-3 * uncertainty, -uncertainty, 0, uncertainty, 3 * uncertainty):
            for how in ("at", "before"):
                moment = Moment(how, phase, offset)  # type: ignore[arg-type]
                near, whole = some.sample(moment, times), every.sample(moment, times)
                assert np.array_equal(near.states, whole.states)
                assert np.array_equal(near.sure, whole.sure)
                at, held = some.rows.row_at(times + offset), every.rows.row_at(times + offset)
                assert np.array_equal(some.rows.times[at], every.rows.times[held])


@pytest.mark.parametrize("name", bundled_buses())
@pytest.mark.parametrize("chunk", CHUNKS)
def test_what_is_read_off_in_passing_is_what_all_rows_show(
    monkeypatch: pytest.MonkeyPatch, name: str, chunk: int
) -> None:
    """Address and data of beats whose rows are let go, a few rows at a time."""
    monkeypatch.setattr(asked, "_ROWS_AT_ONCE", 10)
    bus = load_bus(name)
    synthesis, _ = made(bus, random_accesses(bus, 20, Random(6)), seed=6)
    capture = synthesis.places["card"]
    table, _ = decode(bus, [capture])
    beats = np.arange(0, len(table), 2)
    pending: list[int] = []

    def view(rows: Capture) -> PlaceView:
        pending.append(len(rows))
        return view_of(bus, "card", rows, capture.resolution)

    lines = AskedBeats(table, beats, margin_of(bus, capture.resolution), view)
    for part in split(capture, chunk):
        lines.take(part)
    lines.finish()
    whole = SeenBeats(view_of(bus, "card", capture, capture.resolution), table)

    some = beats[1:]
    for mine, theirs in (
        (lines.addresses(some), whole.addresses(some)),
        (lines.written(some), whole.written(some)),
    ):
        assert all(np.array_equal(one, two) for one, two in zip(mine, theirs, strict=True))
    assert len(capture) <= chunk or len(pending) > 1
    assert max(pending) < len(capture)


def fetches(bus: Bus, logged: int, between: int) -> tuple[Capture, AccessLog]:
    """Make one capture of many reads that nobody logged between few accesses that somebody did."""
    size = bus.word_bytes
    few = [
        Access(
            "write" if at % 2 == 0 else "read",
            0x2000 + at // 2 * size,
            size,
            at if at % 2 == 0 else None,
        )
        for at in range(logged)
    ]
    asked: list[Access] = []
    at_logged = []
    for access in few:
        asked += [Access("read", 0x8000 + size * at, size, None) for at in range(between)]
        at_logged.append(len(asked))
        asked.append(access)
    synthesis, log = synthesise_log(bus, asked, seed=5)
    kept = AccessLog(tuple(log[at] for at in at_logged), 0, "made", ())
    return synthesis.scoped(), kept


def rows_kept(monkeypatch: pytest.MonkeyPatch, capture: Capture, log: AccessLog) -> int:
    """Count the rows that the second pass hands to the observations of one comparison."""
    counts: list[int] = []
    shown = passes.view_of

    def counting(bus: Bus, place: str, rows: Capture, uncertainty: int) -> Any:
        counts.append(len(rows))
        return shown(bus, place, rows, uncertainty)

    monkeypatch.setattr(passes, "view_of", counting)
    result = verdict(opened(capture), load_bus("mc68000"), log, 0, 256)
    assert not isinstance(result, str), result
    return max(counts)


def test_rows_that_are_kept_are_bounded_by_the_log(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ten times the fetches between the same accesses: the same number of rows in memory."""
    bus = load_bus("mc68000")
    few, log = fetches(bus, 12, 5)
    many, same = fetches(bus, 12, 50)

    assert len(many) > 8 * len(few)
    kept = rows_kept(monkeypatch, many, same)
    assert kept <= rows_kept(monkeypatch, few, log) + 24
    assert kept < 12 * 40


def logged_run(seed: int) -> tuple[Capture, AccessLog]:
    """Make the host's lines of a Z80 bus, and the log of a third of its accesses."""
    drawn, logged = with_traffic(load_bus("z80"), 30, seed)
    synthesis, log = synthesise_log(load_bus("z80"), drawn, seed=seed)
    kept = AccessLog(tuple(log[at] for at in logged), 0, "made", ())
    return synthesis.places["host"], kept


def test_the_resolution_of_the_whole_file_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """A finer step late in the file is the resolution of the cycles before it too."""
    monkeypatch.setattr(stream, "SETTLED_ROWS", 20)
    capture, log = logged_run(2)
    # In steps of 50 ns but for the last: with that resolution nothing could be told.
    times, rows = np.unique(capture.times // 50_000 * 50_000, return_index=True)
    times[-1] += 1_000
    coarse = replace(
        capture, times=times, states=capture.states[np.append(rows[1:], len(capture)) - 1],
        end=int(times[-1]) + 100_000,
    )  # fmt: skip
    begun: list[str] = []
    file = InBlocks(coarse)
    bus = load_bus("z80")
    binding = bind(file.lines, bus, None, None)

    def begin(what: str) -> Callable[[], None]:
        begun.append(what)
        return lambda: None

    twice = compare_file(
        file, bus, binding, log, most_rows=0, chunk_rows=len(times) // 3, begin=begin
    )

    assert said(twice) == verdict(InBlocks(coarse), bus, log, passes.MOST_ROWS, 1 << 18)
    assert begun == [
        "reading",
        "decoding, first of two passes",
        "decoding, first of two passes",
        "comparing, second of two passes",
    ]


def test_a_file_that_ends_early_is_refused_unless_that_is_allowed() -> None:
    """Two passes raise what the whole reading raises, and take what is whole where they may."""
    capture, log = logged_run(2)
    bus = load_bus("z80")
    text = io.StringIO()
    write_vcd(capture, text)
    cut = gzip.compress(text.getvalue().encode())[:-40]
    whole = verdict(open_capture(cut, name="cut.vcd.gz"), bus, log, passes.MOST_ROWS, 1 << 18)
    twice = verdict(open_capture(cut, name="cut.vcd.gz"), bus, log, 0, 50)

    assert isinstance(whole, str)
    assert "all is whole up to" in whole
    assert twice == whole
    taken = [
        verdict(open_capture(cut, name="cut.vcd.gz", allow_truncated=True), bus, log, most, 50)
        for most in (passes.MOST_ROWS, 0)
    ]
    assert not isinstance(taken[0], str)
    assert taken[1] == taken[0]


def test_a_file_that_changes_between_the_passes_is_refused(tmp_path: Path) -> None:
    """What the second pass reads must be what the first one decoded."""
    capture, log = logged_run(2)
    bus = load_bus("z80")
    path = tmp_path / "live.vcd"
    with path.open("w", encoding="ascii") as stream:
        write_vcd(capture, stream)
    file = open_capture(path)
    binding = bind(file.lines, bus, None, None)

    def begin(what: str) -> Callable[[], None]:
        if what.startswith("comparing"):
            with path.open("w", encoding="ascii") as stream:
                write_vcd(capture.rows(0, 50), stream)
        return lambda: None

    with pytest.raises(
        CaptureError, match=rf"changed while it was read: {len(capture)} rows, then 50"
    ):
        compare_file(file, bus, binding, log, most_rows=0, chunk_rows=50, begin=begin)


def test_that_memory_grows_without_a_log_is_told() -> None:
    """Places held against each other in two passes: all beats count, and a note says so."""
    bus = load_bus("z80")
    synthesis, _ = synthesise_log(bus, random_accesses(bus, 12, Random(1)), seed=1)
    capture = synthesis.scoped()
    results = []
    for most_rows in (passes.MOST_ROWS, 0):
        file = opened(capture)
        binding = bind(file.lines, bus, None, None)
        results.append(compare_file(file, bus, binding, most_rows=most_rows, chunk_rows=50))
    whole, twice = results

    assert [note for note in twice.notes if note not in whole.notes] == [
        "without a log all beats are compared: memory grows with them"
    ]
    assert said(twice) == said(whole)
