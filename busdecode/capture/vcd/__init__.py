"""takes a VCD file (IEEE 1364-2005 clause 18), gives its rows; and writes one from a Capture."""

from __future__ import annotations

from busdecode.capture.vcd.file import VcdFile, open_vcd, sniff_vcd
from busdecode.capture.vcd.write import write_vcd

__all__ = ["VcdFile", "open_vcd", "sniff_vcd", "write_vcd"]
