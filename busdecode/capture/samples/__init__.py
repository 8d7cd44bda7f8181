"""takes packed samples with their layout, or a NumPy file, gives their rows."""

from __future__ import annotations

from busdecode.capture.samples.arrays import ArrayFile, open_array
from busdecode.capture.samples.packed import PackedFile, open_packed
from busdecode.capture.samples.store import sniff_npy, sniff_npz

__all__ = ["ArrayFile", "PackedFile", "open_array", "open_packed", "sniff_npy", "sniff_npz"]
