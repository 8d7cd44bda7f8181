"""takes a path, bytes or an open file, plain or packed, gives streams of its bytes."""

from __future__ import annotations

from busdecode.capture.sources.source import HEAD_BYTES, UNPACK_LIMIT, Source, nul_error

__all__ = ["HEAD_BYTES", "UNPACK_LIMIT", "Source", "nul_error"]
