"""Takes an access log, gives accesses and the transfers that the bus makes of them."""

from __future__ import annotations

from busdecode.access.lanes import (
    byte_count,
    lane_mask,
    moved,
    port_of,
    row_lines,
    rows_for,
    size_lines,
    word_shift,
    word_shifts,
)
from busdecode.access.log import AccessLog, format_log, read_log, read_pattern
from busdecode.access.transfers import (
    Access,
    Port,
    Transfer,
    kind_of,
    split_access,
    split_logged,
    taken_out,
)

__all__ = [
    "Access",
    "AccessLog",
    "Port",
    "Transfer",
    "byte_count",
    "format_log",
    "kind_of",
    "lane_mask",
    "moved",
    "port_of",
    "read_log",
    "read_pattern",
    "row_lines",
    "rows_for",
    "size_lines",
    "split_access",
    "split_logged",
    "taken_out",
    "word_shift",
    "word_shifts",
]
