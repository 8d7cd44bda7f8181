"""Takes an access log, gives accesses and the transfers that the bus makes of them."""

from __future__ import annotations

from busdecode.access.log import AccessLog, format_log, read_log, read_pattern
from busdecode.access.transfers import Access, Transfer, kind_of, lane_mask, split_access, taken_out

__all__ = [
    "Access",
    "AccessLog",
    "Transfer",
    "format_log",
    "kind_of",
    "lane_mask",
    "read_log",
    "read_pattern",
    "split_access",
    "taken_out",
]
