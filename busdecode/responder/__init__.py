"""Takes transfers at the card, gives what is stored and what a read returns."""

from __future__ import annotations

from busdecode.responder.memory import Memory, Stored

__all__ = ["Memory", "Stored"]
