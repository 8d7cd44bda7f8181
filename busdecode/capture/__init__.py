"""takes a file, gives a Capture, and with a probe list the levels of a bus's lines at a place."""

from __future__ import annotations

from busdecode.capture.binding import Binding, BoundChannel, bind_capture, bind_channels, skews
from busdecode.capture.matching import name_forms
from busdecode.capture.model import Capture, from_levels, join, pack_levels, split, words_for
from busdecode.capture.probes import Probe, ProbeGroup, ProbeList, read_probes
from busdecode.capture.readers import READERS, Reader, open_capture, read_capture
from busdecode.capture.stream import CaptureFile, Source, Told
from busdecode.capture.vcd_write import write_vcd

__all__ = [
    "READERS",
    "Binding",
    "BoundChannel",
    "Capture",
    "CaptureFile",
    "Probe",
    "ProbeGroup",
    "ProbeList",
    "Reader",
    "Source",
    "Told",
    "bind_capture",
    "bind_channels",
    "from_levels",
    "join",
    "name_forms",
    "open_capture",
    "pack_levels",
    "read_capture",
    "read_probes",
    "skews",
    "split",
    "words_for",
    "write_vcd",
]
