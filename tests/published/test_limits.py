"""Every limit of every description against its source, row by row, as a catalogue."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from busdecode.protocol import Bound, Bus, Limit, bundled_buses, load_bus

HERE = Path(__file__).parent
WITH_FIGURES = (
    "8255",
    "ata-pio",
    "hd44780",
    "hd44780-nibble",
    "i8086",
    "mc68000",
    "mc68020",
    "sram",
    "vmebus",
    "z80",
)
"""Buses whose sources have tables of limits that were gathered."""

SAME_CHIP = {"hd44780-nibble": "hd44780"}
"""Descriptions whose limits are those of another's source."""

BOUNDS = [(bus, side) for bus in WITH_FIGURES for side in ("min", "max")]


def catalogue(bus: str) -> dict[str, dict[str, list[float | str]]]:
    """Give the rows of a bus's catalogue: number, then min and max, one a grade, in ns."""
    path = HERE / SAME_CHIP.get(bus, bus) / "limits.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))["rows"]


def is_from_memory(bus: Bus, limit: Limit) -> bool:
    """Tell whether a limit is marked as not read, itself or by a time that it depends on."""
    return limit.status == "from memory"


def value(figure: float | str, times: dict[str, int]) -> float | None:
    """Evaluate a figure of the catalogue in ps; a formula is in ns, with named times."""
    if figure == "":
        return None
    if isinstance(figure, str):
        names = {name: ps / 1000 for name, ps in times.items()}
        return round(eval(figure, {"__builtins__": {}}, names) * 1000)
    return round(figure * 1000)


def bounds(limit: Limit, side: str) -> tuple[Bound | None, ...]:
    """Give one side of a limit, a grade each."""
    return limit.least if side == "min" else limit.most


@pytest.mark.parametrize(("name", "side"), BOUNDS)
def test_limits_are_the_sources_own(name: str, side: str) -> None:
    """Each figure, at each grade, is what the table of the source says."""
    bus = load_bus(name)
    rows = catalogue(name)
    wrong = []
    for limit in bus.limits:
        row = rows.get(limit.number)
        if row is None:
            continue
        for grade, bound in enumerate(bounds(limit, side)):
            # Other times than the description's own, so that formulas are compared as such.
            times = {key: ps + 1_000 * at for at, (key, ps) in
                     enumerate(bus.grades.times[grade].items(), 1)}  # fmt: skip
            wanted = row.get(side, [""] * len(bus.grades.names))
            listed = value(wanted[grade], times)
            found = None if bound is None else bound.ps(times)
            if listed != found:
                wrong.append((limit.number, bus.grades.names[grade], listed, found))

    assert wrong == []


@pytest.mark.parametrize("name", WITH_FIGURES)
def test_every_row_of_the_source_is_in_the_description(name: str) -> None:
    """No row of the catalogue is left out of the description."""
    numbers = {limit.number for limit in load_bus(name).limits}

    assert sorted(set(catalogue(name)) - numbers) == []


@pytest.mark.parametrize("name", bundled_buses())
def test_every_limit_has_a_row_or_says_that_it_was_not_read(name: str) -> None:
    """A limit without a row of a catalogue is a step of the handshake, or from memory."""
    bus = load_bus(name)
    rows = catalogue(name) if name in WITH_FIGURES else {}
    loose = [
        limit.number
        for limit in bus.limits
        if limit.number not in rows
        and not limit.is_step
        and not is_from_memory(bus, limit)
        and not bus.invented
    ]

    assert loose == []


@pytest.mark.parametrize("name", WITH_FIGURES)
def test_every_limit_is_measured_or_says_why_not(name: str) -> None:
    """A limit has two points, or the reason why no capture shows it; and names its source."""
    loose = [
        limit.number
        for limit in load_bus(name).limits
        if (limit.start is None) != (limit.unseen is not None) or not limit.source
    ]

    assert loose == []
