"""Takes the arguments of ``python -m busdecode``, gives its exit status."""

from __future__ import annotations

import sys

from busdecode.cli import main

if __name__ == "__main__":
    sys.exit(main())
