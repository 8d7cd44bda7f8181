"""From a file to the cycle table: however it is cut, read and decoded, the table is the same."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from busdecode.capture import open_capture
from busdecode.capture.vcd import file as vcd
from busdecode.capture.vcd import tokens
from busdecode.cycles import bind, concatenate, stream_tables
from busdecode.protocol import load_bus

pytestmark = pytest.mark.usefixtures("both_ways")

FILES = Path(__file__).parents[1] / "independent"
CASES = {"z80_figure.vcd": "z80", "vmebus_figure.vcd": "vmebus", "mc68020_figure.vcd": "mc68020"}


def table_of(path: Path, bus_name: str, rows: int, threads: int) -> pd.DataFrame:
    """Decode as the command does: only the lines that the bus needs."""
    bus = load_bus(bus_name)
    opened = open_capture(path, threads=threads)
    binding = bind(opened.lines, bus, None, None)
    place = binding.places[0]
    opened.only(binding.channels_at(place, bus.row_order))
    tables = [
        table for table, _ in stream_tables(opened.chunks(rows), bus, binding, place) if len(table)
    ]
    return concatenate(bus, tables).as_text()


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("octets", [1, 2, 13, 100, 1000])
def test_buffers_chunks_and_threads_make_no_difference(
    name: str, octets: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Buffers from one byte on, chunks from one row on, one thread or two."""
    path, bus_name = FILES / name, CASES[name]
    whole = table_of(path, bus_name, 1 << 17, 1)
    assert len(whole) > 3
    modules = [tokens]
    try:
        from busdecode.capture.vcd import compiled
    except ImportError:
        pass
    else:
        modules.append(compiled)
    for module in modules:
        monkeypatch.setattr(module, "BUFFER_BYTES", octets)
    monkeypatch.setattr(vcd, "HEADER_BYTES", octets)

    for rows in (1, 3, 50):
        for threads in (1, 2):
            pd.testing.assert_frame_equal(whole, table_of(path, bus_name, rows, threads))
