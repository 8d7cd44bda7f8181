"""Takes cycle tables and an access log, gives the bit x phase table and what was found."""

from __future__ import annotations

from busdecode.compare.align import Alignment, align
from busdecode.compare.comparison import Comparison, compare
from busdecode.compare.meant import Meant, meant_by
from busdecode.compare.passes import compare_file
from busdecode.compare.tabulate import BitPhase, Example
from busdecode.compare.verdict import Finding

__all__ = [
    "Alignment",
    "BitPhase",
    "Comparison",
    "Example",
    "Finding",
    "Meant",
    "align",
    "compare",
    "compare_file",
    "meant_by",
]
