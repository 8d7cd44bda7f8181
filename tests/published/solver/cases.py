"""Which tied outputs are solved, in pairs and in threes."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

from tests.published.solver.spice import solve
from tests.published.solver.stages import MODELS, STAGES, driver, levels, receiver

__all__ = [
    "CASES",
    "OHMS",
    "THREES",
    "Case",
    "Solved",
    "bridge_netlist",
    "solved_bridges",
    "solved_threes",
]

OHMS = (0, 1, 10, 50, 150)
"""Resistances of a bridge; for 0 the netlist has 1 milliohm."""

_PULLS = {
    "none": "",
    "1k": "ru{0} {0} vp 1k",
    "4.7k": "ru{0} {0} vp 4.7k",
    "330/470": "ru{0} {0} vp 330\nrd{0} {0} 0 470",
    "330/470 twice": "ru{0} {0} vp 165\nrd{0} {0} 0 235",
}
"""On each line, to 5 V (and ground); twice is a pack at both ends."""


@dataclass(frozen=True)
class Case:
    """Two lines, each with one driver, one receiver and one pull.

    `rule` is the node model's rule that fits best; ``stuck`` where B is a rail.
    """

    a: str
    b: str
    receiver: str
    rule: str
    pull: str = "none"

    @property
    def name(self) -> str:
        """Words that stand for it in tables."""
        pulled = "" if self.pull == "none" else f", {self.pull}"
        return f"{self.a} + {self.b}{pulled}"

    @property
    def states(self) -> list[str]:
        """What the two drivers can do, A first: 0 low, 1 high, z released."""
        pairs = product(STAGES[self.a].controls, STAGES[self.b].controls)
        return ["".join(pair) for pair in pairs]


@dataclass(frozen=True)
class Solved:
    """Volts on lines A and B, and milliamperes through the bridge from A to B."""

    a: float
    b: float
    current: float


CASES = {
    case.name: case
    for case in (
        Case("ttl", "ttl", "ttl", "low-wins"),
        Case("ttl", "ls", "ls", "undetermined"),
        Case("ls", "ls", "ls", "undetermined"),
        Case("ls-strong", "ls-weak", "ls", "a-wins"),
        Case("ls-bus", "ls-bus", "ls", "low-wins"),
        Case("ls-bus", "ls", "ls", "a-wins"),
        Case("ls", "ls", "ls", "undetermined", "4.7k"),
        Case("ls-bus", "ls-bus", "ls", "undetermined", "330/470"),
        Case("oc-8", "oc-8", "ls", "low-wins", "1k"),
        Case("oc-8", "oc-8", "ls", "low-wins", "4.7k"),
        Case("oc-8", "oc-8", "ls", "low-wins", "330/470"),
        Case("oc-8", "oc-8", "ls", "undetermined", "330/470 twice"),
        Case("oc-48", "oc-48", "ls", "low-wins", "330/470 twice"),
        Case("ls", "oc-8", "ls", "undetermined", "4.7k"),
        Case("hc", "hc", "hc", "undetermined"),
        Case("hc", "hc", "hc", "undetermined", "4.7k"),
        Case("hc-even", "hc-even", "hc", "undetermined"),
        Case("hc-double", "hc", "hc", "undetermined"),
        Case("hc-triple", "hc", "hc", "a-wins"),
        Case("hc", "hc-triple", "hc", "b-wins"),
        Case("hc-5v", "hc-5v", "hct", "undetermined"),
        Case("ls", "hc-5v", "hct", "undetermined"),
        Case("ls-bus", "hc-5v", "hct", "a-wins"),
        Case("ecl", "ecl", "ecl", "high-wins"),
        Case("ls", "ground", "ls", "stuck"),
        Case("ls", "supply", "ls", "stuck"),
        Case("hc-5v", "ground", "hct", "stuck"),
        Case("hc-5v", "supply", "hct", "stuck"),
    )
}
THREES = {"ttl": "ttl", "ls": "ls", "ls-bus": "ls", "hc": "hc", "hc-even": "hc"}
"""Stages of which three are tied, each with its receiver."""


def solved_bridges(case: Case) -> dict[tuple[int, str], Solved]:
    """Solve a case at each resistance and state."""
    keys = [(ohm, state) for ohm in OHMS for state in case.states]
    values = [value for _, value in solve(bridge_netlist(case))]
    assert len(values) == 3 * len(keys), f"{case.name}: {len(values)} values"
    return {
        key: Solved(*values[3 * at : 3 * at + 2], values[3 * at + 2] * 1000)
        for at, key in enumerate(keys)
    }


def bridge_netlist(case: Case) -> str:
    """Write the netlist of a case, with the commands that solve it in every state."""
    first = case.states[0]
    pulls = [_PULLS[case.pull].format(line) for line in ("la", "lb")]
    supply = max(STAGES[case.a].supply, STAGES[case.b].supply)
    commands = []
    for ohm, state in product(OHMS, case.states):
        commands.append(f"alter rb = {ohm or 0.001}")
        for at, name, to in (("a", case.a, state[0]), ("b", case.b, state[1])):
            one, two = STAGES[name].controls[to]
            commands += [f"alter v1{at} = {one:g}", f"alter v2{at} = {two:g}"]
        commands.append("op\nprint v(la)\nprint v(lb)\nprint i(vb)")
    return "\n".join(
        [
            MODELS,
            f"vp vp 0 {supply:g}",
            driver("a", case.a, "la"),
            driver("b", case.b, "lb"),
            levels("a", case.a, first[0]),
            levels("b", case.b, first[1]),
            receiver("a", case.receiver, "la", "vp"),
            receiver("b", case.receiver, "lb", "vp"),
            *pulls,
            "vb la mb 0\nrb mb lb 1",
            ".control\nset numdgt=9",
            *commands,
            ".endc",
        ]
    )


def solved_threes(name: str) -> dict[str, float]:
    """Solve three tied outputs of one kind in each state; give the volts on their node."""
    states = ["".join(bits) for bits in product("01", repeat=3)]
    commands = []
    for state in states:
        for at, to in zip("abc", state, strict=True):
            one, two = STAGES[name].controls[to]
            commands += [f"alter v1{at} = {one:g}", f"alter v2{at} = {two:g}"]
        commands.append("op\nprint v(l)")
    parts = [f"{driver(at, name, 'l')}\n{levels(at, name, '0')}" for at in "abc"]
    netlist = "\n".join(
        [
            MODELS,
            *parts,
            receiver("a", THREES[name], "l", "sa"),
            ".control\nset numdgt=9",
            *commands,
            ".endc",
        ]
    )
    values = [value for _, value in solve(netlist)]
    return dict(zip(states, values, strict=True))
