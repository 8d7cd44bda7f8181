"""A replay against limits as text for people, as rows, and as one JSON object."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from busdecode.protocol import listed_lines
from busdecode.report.tables import in_columns
from busdecode.units import counted, format_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busdecode.protocol import Limit
    from busdecode.timing import Baseline, Departure, Measured, Replayed, Result

__all__ = [
    "bounds_text",
    "histogram_text",
    "replay_object",
    "replay_text",
]

_FIRST_SHOWN = 3
_LINES_SHOWN = 6
_BINS = 16
_BAR = 40


def bounds_text(least: int | None, most: int | None) -> str:
    """Write a limit's figures in words.

    Examples
    --------
    >>> bounds_text(30_000, None), bounds_text(0, 240_000), bounds_text(None, None)
    ('at least 30 ns', '0 ns to 240 ns', 'must come')
    """
    if least is None:
        return "must come" if most is None else f"at most {format_time(most)}"
    if most is None:
        return f"at least {format_time(least)}"
    return f"{format_time(least)} to {format_time(most)}"


def _what(limit: Limit) -> str:
    return f"step {limit.number!r}" if limit.is_step else f"limit {limit.number}"


def replay_text(
    replayed: Replayed,
    capture: str,
    baseline: Baseline | None = None,
    departures: Sequence[Departure] = (),
) -> str:
    """Write a replay: what is broken first, then each limit with what was measured.

    Parameters
    ----------
    replayed : Replayed
    capture : str
        The file's name, as the user gave it.
    baseline : Baseline, optional
    departures : sequence of Departure
        From that baseline.
    """
    bus = replayed.figures.bus
    rows = [
        f"{capture} on {bus.name} at {replayed.place}, held against the limits of grade "
        f"{replayed.figures.grade_name}",
        f"{counted(replayed.beats, 'beat')} looked at"
        + (f", {replayed.cut_off} cut off" if replayed.cut_off else "")
        + f"; each time is uncertain by {format_time(replayed.uncertainty)}",
        "",
    ]
    found = [result for result in replayed.results if result.is_finding]
    warned = [result for result in replayed.results if result.is_warning]
    for code in replayed.codes:
        rows.append(
            f"Broken: {code.what} {code.value} is no code of {bus.name}: "
            f"{counted(code.count, 'beat')}, first cycle {code.cycle}"
            + (f" beat {code.beat}" if code.beat else "")
        )
    for result in found:
        rows += _told("Broken", result)
    for result in warned:
        rows += _told("Warning", result)
    rows += _against(baseline, departures)
    if replayed.cannot_tell is not None:
        rows.append(replayed.cannot_tell[0].upper() + replayed.cannot_tell[1:] + ".")
    elif not found and not warned and not replayed.codes and not departures:
        rows.append("Nothing found.")
    unsure = [result for result in replayed.results if result.unsure]
    if unsure:
        rows.append(
            f"Cannot tell at this sample rate, in some beats: "
            f"{', '.join(result.limit.number for result in unsure)}."
        )
    rows += _table(replayed)
    rows += _absent(replayed)
    rows += _unmeasured(replayed)
    if replayed.notes:
        rows += ["notes:", *(f"  {note}" for note in dict.fromkeys(replayed.notes))]
    return "\n".join(rows) + "\n"


def _told(word: str, result: Result) -> list[str]:
    limit = result.limit
    rows = [
        f"{word}: {_what(limit)}, {limit.name}: {bounds_text(result.least, result.most)}",
        f"  in {result.broken} of {counted(result.checked, 'beat')}"
        + (f", cannot tell in {result.unsure}" if result.unsure else ""),
    ]
    if result.missed:
        rows.append(f"  in {result.missed} of these it never came")
    if result.worst is not None and (result.worst.margin or 0) < 0:
        rows.append(f"  worst: {_measured(result.worst)}, uncertain by "
                    f"{format_time(result.uncertainty)}")  # fmt: skip
    for each in result.first[:_FIRST_SHOWN]:
        rows.append(f"  {_measured(each)}")
    if result.broken > _FIRST_SHOWN:
        rows.append(f"  and {result.broken - _FIRST_SHOWN} more")
    if result.lines:
        told = [f"{line} in {count}" for line, count in list(result.lines.items())[:_LINES_SHOWN]]
        more = len(result.lines) - len(told)
        rows.append(
            f"  lines that change then: {', '.join(told)}" + (f", and {more} more" if more else "")
        )
    rows.append(f"  source: {_source(result)}")
    if result.doubtful:
        other = limit.only_if_unmet or limit.only_if_met
        condition = "not met" if limit.only_if_unmet else "met"
        rows.append(
            f"  it binds only where {other} is {condition}, which this capture does not show"
            + ("" if result.doubtful == result.broken else f" in {result.doubtful} of these")
        )
    return [*rows, ""]


def _source(result: Result) -> str:
    limit = result.limit
    return f"{limit.source}, {limit.status}" + (
        "; unverified, so it can only warn" if result.is_unverified else ""
    )


def _measured(each: Measured) -> str:
    where = f"cycle {each.cycle}" + (f" beat {each.beat}" if each.beat else "")
    where += f" at {format_time(each.start)}"
    if each.value is None:
        return f"{where}: never came"
    text = f"{where}: {format_time(each.value)}"
    if each.margin is not None:
        side = "inside" if each.margin >= 0 else "outside"
        text += f", {format_time(abs(each.margin))} {side}"
    return text


def _against(baseline: Baseline | None, departures: Sequence[Departure]) -> list[str]:
    if baseline is None:
        return []
    rows = [f"Against {baseline.capture} at {baseline.place}, a good machine:"]
    if not departures:
        rows.append("  no time is shorter, longer or missing")
    for each in departures:
        result, kept = each.result, each.kept
        was = f"{format_time(kept.lowest)} to {format_time(kept.highest)}"
        if each.how == "missing":
            told = f"missing; was {was} in {counted(kept.beats, 'beat')}"
        else:
            now = result.lowest if each.how == "shorter" else result.highest
            assert now is not None
            told = f"{each.how} in {counted(each.beats, 'beat')}: {format_time(now)}; was {was}"
        rows.append(f"  {_what(result.limit)}, {result.limit.name}: {told}")
    return [*rows, ""]


def _table(replayed: Replayed) -> list[str]:
    shown = [result for result in replayed.results if result.checked]
    if not shown:
        return []
    cells = [("limit", "figures", "beats", "met", "?", "broken", "least", "median", "most",
              "margin")]  # fmt: skip
    for result in shown:
        margin = None if result.worst is None else result.worst.margin
        cells.append(
            (
                result.limit.number + (" *" if result.is_unverified else ""),
                bounds_text(result.least, result.most),
                str(result.checked),
                str(result.met),
                str(result.unsure),
                str(result.broken) + (" (condition)" if result.limit.is_condition else ""),
                _time(result.lowest),
                _time(result.median),
                _time(result.highest),
                _time(margin),
            )
        )
    rows = ["", "Each limit, in beats (? cannot tell), and the times that were measured:"]
    rows += [f"  {row}" for row in in_columns(cells)]
    if any(result.is_unverified for result in shown):
        rows.append("  * from memory, not read in the source: it can only warn")
    return rows


def _time(ps: int | None) -> str:
    return "" if ps is None else format_time(ps)


def _absent(replayed: Replayed) -> list[str]:
    without: dict[tuple[str, ...], list[str]] = {}
    for result in replayed.results:
        if result.absent and result.checked:
            without.setdefault(result.absent, []).append(result.limit.number)
    return [
        f"  {', '.join(numbers)}: nothing is said of "
        f"{listed_lines(replayed.figures.bus, lines)}, not captured"
        for lines, numbers in without.items()
    ]


def _unmeasured(replayed: Replayed) -> list[str]:
    reasons: dict[str, list[str]] = {}
    for result in replayed.results:
        if result.unmeasured:
            reasons.setdefault(result.unmeasured, []).append(result.limit.number)
    if not reasons:
        return []
    rows = ["", "Not measured, so neither met nor broken:"]
    return rows + [f"  {', '.join(numbers)}: {reason}" for reason, numbers in reasons.items()]


def histogram_text(result: Result) -> str:
    """Write how often each time was measured, as bars of signs; the limits stand as lines.

    Parameters
    ----------
    result : Result
        With at least one measured time.
    """
    head = f"{_what(result.limit)}, {result.limit.name}: {bounds_text(result.least, result.most)}"
    if not len(result.values):
        return f"{head}\n  nothing was measured\n"
    edges, counts = binned(result)
    most = int(counts.max())
    rows = []
    # Where a figure lies inside a bar, the bar's row says so.
    figures = [("min", result.least), ("max", result.most)]
    for at, count in enumerate(counts):
        low, high = int(edges[at]), int(edges[at + 1])
        bar = "#" * -(-int(count) * _BAR // most)
        marks = [name for name, ps in figures if ps is not None and low <= ps < high]
        rows.append((f"{_time(low)} ..", bar.ljust(_BAR), str(int(count)), " ".join(marks)))
    outside = [
        f"  {name} {format_time(ps)} lies {'below' if ps < edges[0] else 'above'} all of them"
        for name, ps in figures
        if ps is not None and not edges[0] <= ps < edges[-1]
    ]
    return "\n".join([head, *(f"  {row}" for row in in_columns(rows)), *outside]) + "\n"


def binned(result: Result) -> tuple[np.ndarray, np.ndarray]:
    """Sort measured times into bars of one width, none narrower than times are uncertain.

    Returns
    -------
    edges : ndarray of int64, shape (N + 1,), ps
    counts : ndarray of int64, shape (N,)
    """
    low, high = int(result.values[0]), int(result.values[-1])
    width = max(result.width, result.uncertainty, 1)
    for ps in _round_widths():
        if ps >= width and (high - low) // ps < _BINS:
            width = ps
            break
    first = low - low % width
    count = (high - first) // width + 1
    edges = first + width * np.arange(count + 1)
    counts, _ = np.histogram(result.values, bins=edges, weights=result.counts)
    return edges, counts.astype(np.int64)


def _round_widths() -> list[int]:
    """Give the widths that a bar may have, in ps: 1, 2, 5, 10 and so on."""
    return [step * 10**power for power in range(16) for step in (1, 2, 5)]


def replay_object(
    replayed: Replayed,
    capture: str,
    baseline: Baseline | None = None,
    departures: Sequence[Departure] = (),
) -> dict[str, object]:
    """Give a replay as the object that ``--json`` prints; parameters as `replay_text`."""
    # Imported here, so that who wants no replay need not wait for documents.
    from busdecode.report.documents import replay_table

    table = replay_table(replayed, capture)
    columns = [column.name for column in table.columns]
    limits = []
    for result, row in zip(replayed.results, table.rows, strict=True):
        each: dict[str, object] = dict(zip(columns, row, strict=True))
        each["lines"] = result.lines
        each["not_captured"] = list(result.absent)
        each["first"] = [
            {
                "cycle": one.cycle,
                "beat": one.beat,
                "start_ps": one.start,
                "measured_ps": one.value,
                "margin_ps": one.margin,
            }
            for one in result.first
        ]
        limits.append(each)
    return {
        "bus": replayed.figures.bus.name,
        "capture": capture,
        "place": replayed.place,
        "grade": replayed.figures.grade_name,
        "beats": replayed.beats,
        "cut_off": replayed.cut_off,
        "uncertainty_ps": replayed.uncertainty,
        "cannot_tell": replayed.cannot_tell,
        "findings": replayed.findings + len(departures),
        "limits": limits,
        "codes": [
            {
                "what": code.what,
                "value": code.value,
                "beats": code.count,
                "cycle": code.cycle,
                "beat": code.beat,
            }
            for code in replayed.codes
        ],
        "baseline": None
        if baseline is None
        else {
            "capture": baseline.capture,
            "place": baseline.place,
            "departures": [
                {
                    "limit": each.result.limit.number,
                    "how": each.how,
                    "beats": each.beats,
                    "was_min_ps": each.kept.lowest,
                    "was_max_ps": each.kept.highest,
                    "min_ps": each.result.lowest,
                    "max_ps": each.result.highest,
                }
                for each in departures
            ],
        },
        "notes": list(dict.fromkeys(replayed.notes)),
    }
