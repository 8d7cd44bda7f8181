"""What the solver found when it was recorded: CSV files beside this one."""

from __future__ import annotations

import csv
from pathlib import Path

from tests.published.solver.cases import Solved

__all__ = ["HERE", "recorded_bridges", "recorded_quantities", "recorded_threes"]

HERE = Path(__file__).parent


def recorded_bridges() -> dict[str, dict[tuple[int, str], Solved]]:
    """Give the recorded results of all cases."""
    found: dict[str, dict[tuple[int, str], Solved]] = {}
    for row in _rows("bridges.csv"):
        solved = Solved(float(row["volts_a"]), float(row["volts_b"]), float(row["milliamperes"]))
        found.setdefault(row["case"], {})[int(row["ohm"]), row["state"]] = solved
    return found


def recorded_threes() -> dict[str, dict[str, float]]:
    """Give the recorded volts of three tied outputs."""
    found: dict[str, dict[str, float]] = {}
    for row in _rows("threes.csv"):
        found.setdefault(row["stage"], {})[row["state"]] = float(row["volts"])
    return found


def recorded_quantities() -> dict[str, float]:
    """Give the recorded single quantities."""
    return {row["quantity"]: float(row["value"]) for row in _rows("quantities.csv")}


def _rows(name: str) -> list[dict[str, str]]:
    with (HERE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))
