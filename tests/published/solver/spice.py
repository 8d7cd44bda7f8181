"""Runs ngspice on a netlist, and reads back what it printed."""

from __future__ import annotations

import re
import shutil
import subprocess

__all__ = ["is_there", "solve", "version"]

_PROGRAM = "ngspice"
_VALUE = re.compile(r"^(\S+)\s+=\s+(\S+)(?:\s.*)?$")


def is_there() -> bool:
    """Whether the solver is on this machine."""
    return shutil.which(_PROGRAM) is not None


def version() -> str:
    """Give the solver's name and version."""
    found = re.search(r"ngspice-[\w.+]+", _run(["--version"], ""))
    assert found, "the solver does not tell its version"
    return found[0]


def solve(netlist: str) -> list[tuple[str, float]]:
    """Solve a netlist with a control section; give each value printed, in order.

    Parameters
    ----------
    netlist : str
        All but the first line, which SPICE takes as a title.
    """
    shown = _run(["-b", "/dev/stdin"], f"* bridges\n{netlist}\n.end\n")
    assert "singular" not in shown, shown
    found = [_VALUE.match(line) for line in shown.splitlines()]
    return [(match[1], float(match[2])) for match in found if match]


def _run(options: list[str], text: str) -> str:
    done = subprocess.run(
        [_PROGRAM, *options], input=text, capture_output=True, text=True, check=False, timeout=60
    )
    return done.stdout + done.stderr
