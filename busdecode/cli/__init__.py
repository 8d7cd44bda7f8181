"""Takes arguments, gives an exit status."""

from __future__ import annotations

from busdecode.cli.app import COMMANDS, Named, main

__all__ = ["COMMANDS", "Named", "main"]
