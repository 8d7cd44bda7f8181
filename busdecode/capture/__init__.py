"""takes a file, gives a Capture, and with a probe list the levels of a bus's lines at a place."""

from __future__ import annotations

from busdecode.capture.binding import (
    Binding,
    BoundChannel,
    bind_capture,
    bind_channels,
    largest_skew,
    skews,
)
from busdecode.capture.compilation import (
    SWITCH,
    WORTH_BYTES,
    advice,
    compiled,
    compiled_loop,
    saying_if_slow,
)
from busdecode.capture.matching import name_forms
from busdecode.capture.model import Capture, concatenated, from_levels, join, split, stretches
from busdecode.capture.probes import Probe, ProbeGroup, ProbeList, read_probes
from busdecode.capture.readers import (
    READERS,
    Options,
    Reader,
    check_options,
    open_capture,
    read_capture,
)
from busdecode.capture.stream import SETTLED_ROWS, CaptureFile, Source, Told
from busdecode.capture.vcd import write_vcd
from busdecode.capture.words import pack_levels, planes, words_for

__all__ = [
    "READERS",
    "SETTLED_ROWS",
    "SWITCH",
    "WORTH_BYTES",
    "Binding",
    "BoundChannel",
    "Capture",
    "CaptureFile",
    "Options",
    "Probe",
    "ProbeGroup",
    "ProbeList",
    "Reader",
    "Source",
    "Told",
    "advice",
    "bind_capture",
    "bind_channels",
    "check_options",
    "compiled",
    "compiled_loop",
    "concatenated",
    "from_levels",
    "join",
    "largest_skew",
    "name_forms",
    "open_capture",
    "pack_levels",
    "planes",
    "read_capture",
    "read_probes",
    "saying_if_slow",
    "skews",
    "split",
    "stretches",
    "words_for",
    "write_vcd",
]
