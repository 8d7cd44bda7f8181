"""Solve tied lines with ngspice, and record what `tests/published/solver` compares with.

Run: ``python -m benchmarks.solve_bridges`` writes the CSV files anew and says with which solver;
``--netlist "ls + ls"`` prints one netlist with the commands that solve it, ``--list`` the cases,
``--tables`` the recorded results as `docs/node-model.md` has them.
"""

from __future__ import annotations

import csv
import sys
from typing import TYPE_CHECKING

from tests.published.solver.cases import (
    CASES,
    THREES,
    bridge_netlist,
    solved_bridges,
    solved_threes,
)
from tests.published.solver.quantities import QUANTITIES, solved_quantities
from tests.published.solver.records import HERE
from tests.published.solver.spice import version
from tests.published.solver.tables import as_text, fights, pairs, threes

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


def record(name: str, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Write one CSV file, with the solver's version above it."""
    with (HERE / name).open("w", encoding="utf-8", newline="") as file:
        file.write(f"# {version()}, by python -m benchmarks.solve_bridges\n")
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(rows)


def main() -> None:
    """Record all circuits, or show one."""
    match sys.argv[1:]:
        case ["--list"]:
            print("\n".join(CASES))
        case ["--netlist", name] if name in CASES:
            print(bridge_netlist(CASES[name]))
        case ["--tables"]:
            print("\n\n".join(map(as_text, (pairs(), fights(), threes()))))
        case []:
            print(f"solving with {version()}")
            record(
                "bridges.csv",
                ("case", "ohm", "state", "volts_a", "volts_b", "milliamperes"),
                (
                    (name, ohm, state, f"{one.a:z.4f}", f"{one.b:z.4f}", f"{one.current:z.3f}")
                    for name, case in CASES.items()
                    for (ohm, state), one in solved_bridges(case).items()
                ),
            )
            record(
                "threes.csv",
                ("stage", "state", "volts"),
                (
                    (name, state, f"{volts:z.4f}")
                    for name in THREES
                    for state, volts in solved_threes(name).items()
                ),
            )
            record(
                "quantities.csv",
                ("quantity", "value", "unit"),
                (
                    (name, f"{value:.5g}", QUANTITIES[name].unit)
                    for name, value in solved_quantities().items()
                ),
            )
        case given:
            sys.exit(f"no such case: {' '.join(given)}; --list shows them")


if __name__ == "__main__":
    main()
