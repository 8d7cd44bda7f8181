"""Takes captures of an expansion bus, gives its cycles and the line that fails.

Each package below takes one kind of value and gives another; ``docs/architecture.md`` and
``DEVELOPERS.md`` have the table.
"""

from __future__ import annotations

__all__ = ["__version__"]

__version__ = "0.1.0"
