"""Output stages and inputs of 5 V logic as netlists, from element values; SOURCE.md has sources.

Each is a subcircuit with the nodes ``out c1 c2 vcc`` (a stage: output, two controls, supply) or
``in vcc`` (a receiver). Device models are our own few parameters, no vendor's files.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "MODELS",
    "RECEIVERS",
    "STAGES",
    "Receiver",
    "Stage",
    "driver",
    "levels",
    "receiver",
]

MODELS = """\
.model npn npn(is=2e-16 bf=60 br=0.1)
.model fast npn(is=2e-16 bf=100 br=0.1)
.model input npn(is=2e-16 bf=60 br=0.03)
.model weak npn(is=2e-16 bf=30 br=0.1)
.model junction d(is=2e-16)
.model schottky d(is=1e-13)
"""
"""Forward gain and saturation currents: from memory, of the order of such parts."""


@dataclass(frozen=True)
class Stage:
    """An output stage.

    Parameters
    ----------
    name : str
    supply : float
        In volts.
    body : str
        Elements between ``out``, ``c1``, ``c2``, ``vcc`` and ground.
    controls : dict of str to (float, float)
        Volts on the two controls that drive the output low (0), high (1), or release it (z).
    """

    name: str
    supply: float
    body: str
    controls: dict[str, tuple[float, float]]


@dataclass(frozen=True)
class Receiver:
    """An input: `low` and `high` are the volts up to and from which it surely reads so."""

    name: str
    low: float
    high: float
    body: str

    def reads(self, volts: float) -> str:
        """Give 0, 1, or X where the data sheet promises neither.

        Examples
        --------
        >>> [RECEIVERS["ls"].reads(volts) for volts in (0.8, 1.25, 2.0)]
        ['0', 'X', '1']
        """
        return "0" if volts <= self.low else "1" if volts >= self.high else "X"


_BIPOLAR = {"0": (3.4, 5.0), "1": (0.2, 5.0), "z": (0.2, 0.2)}
"""The gate inverts; the second control, low, takes the drive from both output transistors."""


def _standard(name: str) -> Stage:
    """Give the gate of 7400 with 4 k, 1.6 k, 1 k and 130 ohm, and an enable."""
    body = """\
r1 vcc b1 4k
q1 b2 b1 c1 input
q1e b2 b1 c2 input
q2 x2 b2 e2 npn
r2 vcc x2 1.6k
r3 e2 0 1k
doff x2 c2 junction
q3 y3 e2 0 npn 10
rc out y3 6
r4 vcc y4 130
q4 y4 x2 e4 npn 4
d1 e4 out junction"""
    return Stage(name, 5.0, body, _BIPOLAR)


def _schottky(
    name: str, pull_up: float, sink: float, drive: float = 1.0, gain: str = "npn", top: bool = True
) -> Stage:
    """Give the gate of 74LS00: `pull_up` ohm above, `sink` ohm below, base resistors over `drive`.

    Without `top` it is an open collector.
    """
    area = 10 * drive
    body = f"""\
r1 vcc b2 {20e3 / drive:g}
d1 b2 c1 schottky
doffa b2 c2 schottky
q2 x2 b2 e2 {gain} {drive:g}
ds2 b2 x2 schottky {drive:g}
r2 vcc x2 {8e3 / drive:g}
doffb x2 c2 schottky
r3 e2 b6 {1.5e3 / drive:g}
r4 e2 y6 {3e3 / drive:g}
q6 y6 b6 0 {gain} {drive:g}
q3 y3 e2 0 {gain} {area:g}
ds3 e2 y3 schottky {area:g}
rc out y3 {sink:g}"""
    above = f"""
r5 vcc y4 {pull_up:g}
q4 y4 x2 e4 {gain} {drive:g}
ds4 x2 y4 schottky {drive:g}
r6 e4 out {4e3 / drive:g}
q5 y4 e4 out {gain} {4 * drive:g}"""
    if top:
        return Stage(name, 5.0, body + above, _BIPOLAR)
    return Stage(name, 5.0, body, {to: _BIPOLAR[to] for to in "0z"})


def _cmos(name: str, below: float, above: float, supply: float = 4.5) -> Stage:
    """Give a complementary pair by transconductance, in mA/V^2."""
    body = f"""\
mn out c1 0 0 n{name.replace("-", "")} w=1 l=1
mp out c2 vcc vcc p{name.replace("-", "")} w=1 l=1
.model n{name.replace("-", "")} nmos(level=1 vto=0.8 kp={below * 1e-3:g})
.model p{name.replace("-", "")} pmos(level=1 vto=-0.8 kp={above * 1e-3:g})"""
    return Stage(name, supply, body, {"0": (supply, supply), "1": (0.0, 0.0), "z": (0.0, supply)})


def _follower(name: str) -> Stage:
    """Give an emitter follower with 50 ohm to -2 V, on a supply of 0 V, as of ECL 10K."""
    body = "q1 0 c1 out npn 10\nvtt t 0 -2\nrt out t 50\nr2 c2 0 1k\nrv vcc 0 1k"
    return Stage(name, 0.0, body, {"0": (-0.94, 0.0), "1": (-0.09, 0.0)})


# What 4 mA drops at 4.5 V: 0.2 V below, 0.3 V above (typical values of MM74HC04), and the first
# equation of the level 1 transistor in its linear range, 4 mA = K ((4.5 - 0.8) V - V V / 2).
_N_HC = 4 / (3.7 * 0.2 - 0.2**2 / 2)
_P_HC = 4 / (3.7 * 0.3 - 0.3**2 / 2)

STAGES = {
    stage.name: stage
    for stage in (
        _standard("ttl"),
        _schottky("ls", 120, 12),
        # Within the data sheet's limits, to either side: sources more, or sinks less.
        _schottky("ls-strong", 80, 8, drive=1.3, gain="fast"),
        _schottky("ls-weak", 160, 18, drive=0.75, gain="weak"),
        _schottky("ls-gain-30", 120, 12, gain="weak"),
        _schottky("ls-gain-100", 120, 12, gain="fast"),
        _schottky("ls-bus", 50, 5, drive=3),
        _schottky("oc-8", 0, 12, top=False),
        _schottky("oc-48", 0, 2.5, drive=6, top=False),
        _cmos("hc", _N_HC, _P_HC),
        _cmos("hc-even", _N_HC, _N_HC),
        _cmos("hc-double", 2 * _N_HC, 2 * _P_HC),
        _cmos("hc-triple", 3 * _N_HC, 3 * _P_HC),
        _cmos("hc-5v", _N_HC, _P_HC, supply=5.0),
        _follower("ecl"),
        Stage("ground", 5.0, "vr out 0 0\nr1 c1 c2 1k\nr2 vcc 0 1k", {"0": (0.0, 0.0)}),
        Stage("supply", 5.0, "vr out 0 5\nr1 c1 c2 1k\nr2 vcc 0 1k", {"1": (0.0, 0.0)}),
    )
}

_TTL_IN = """\
r1 vcc b1 4k
q1 b2 b1 in input
q2 x2 b2 e2 npn
r2 vcc x2 1.6k
r3 e2 0 1k
q3 x3 e2 0 npn 10
r4 vcc x3 4k"""
_LS_IN = """\
r1 vcc b2 20k
d1 b2 in schottky
q2 x2 b2 e2 npn
r2 vcc x2 8k
r3 e2 0 2k
q3 x3 e2 0 npn 10
r4 vcc x3 8k"""

RECEIVERS = {
    each.name: each
    for each in (
        Receiver("ttl", 0.8, 2.0, _TTL_IN),
        Receiver("ls", 0.8, 2.0, _LS_IN),
        Receiver("hc", 1.35, 3.15, "r1 in 0 45meg\nr2 vcc 0 1k"),
        Receiver("hct", 0.8, 2.0, "r1 in 0 45meg\nr2 vcc 0 1k"),
        Receiver("ecl", -1.475, -1.105, "r1 in t 50k\nvt t 0 -5.2\nr2 vcc 0 1k"),
    )
}


def driver(at: str, name: str, line: str) -> str:
    """Put an output stage on a line, with its supply and the nodes of its two controls."""
    stage = STAGES[name]
    return (
        f".subckt s{at} out c1 c2 vcc\n{stage.body}\n.ends\n"
        f"vs{at} s{at} 0 {stage.supply:g}\nx{at} {line} k1{at} k2{at} s{at} s{at}"
    )


def levels(at: str, name: str, state: str) -> str:
    """Put the volts on the controls that drive the stage low (0), high (1), or release it (z)."""
    one, two = STAGES[name].controls[state]
    return f"v1{at} k1{at} 0 {one:g}\nv2{at} k2{at} 0 {two:g}"


def receiver(at: str, name: str, line: str, supply: str) -> str:
    """Put an input on a line."""
    return f".subckt r{at} in vcc\n{RECEIVERS[name].body}\n.ends\nxr{at} {line} {supply} r{at}"
