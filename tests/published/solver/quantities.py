"""Single figures of single circuits: what data sheets promise, networks, and lines left alone."""

from __future__ import annotations

from dataclasses import dataclass

from tests.published.solver.spice import solve
from tests.published.solver.stages import MODELS, driver, levels, receiver

__all__ = ["QUANTITIES", "Quantity", "solved_quantities"]


@dataclass(frozen=True)
class Quantity:
    """One figure of one circuit: a netlist, and how it is asked for."""

    unit: str
    netlist: str
    ask: str


def _stage(name: str, state: str, load: str, ask: str, unit: str) -> Quantity:
    """Ask one stage alone, loaded at node ``o``."""
    return Quantity(unit, f"{driver('a', name, 'o')}\n{levels('a', name, state)}\n{load}", ask)


def _fight(high: str, low: str, load: str = "") -> Quantity:
    """Ask for the volts on one line that two stages drive apart."""
    a, b = f"{driver('a', high, 'o')}\n{levels('a', high, '1')}", driver("b", low, "o")
    return Quantity("V", f"{a}\n{b}\n{levels('b', low, '0')}\n{load}", "v(o)")


def _input(name: str, load: str, ask: str, unit: str) -> Quantity:
    """Ask one receiver alone, loaded at node ``o``."""
    return Quantity(unit, f"vs vs 0 5\n{receiver('a', name, 'o', 'vs')}\n{load}", ask)


def _rising(lines: str, node: str, until: float, span: str) -> Quantity:
    """Ask when a node has risen to some volts, in ns."""
    step = float(span.removesuffix("n")) / 4000
    ask = f"tran {step}n {span} uic\nmeas tran t when v({node})={until}\nlet t9=t*1e9"
    return Quantity("ns", f"v5 v5 0 5\n{lines}", ask)


_PACK = "ru{0} v5 {0} 330\nrd{0} {0} 0 470"
_SCSI = "ru{0} v5 {0} 220\nrd{0} {0} 0 330"
_RISE = "r{0} v5 {0} {1}\nc{0} {0} 0 100p ic=0.2"


def _network(lines: str, ask: str = "v(a)", unit: str = "V") -> Quantity:
    return Quantity(unit, f"v5 v5 0 5\n{lines}", ask)


def _ohms(lines: str) -> Quantity:
    """Ask for the resistance between a and b, or a and ground: 1 mA is sent through."""
    return Quantity("ohm", f"{lines}\ni1 0 a 1m", "v(a)*1000")


QUANTITIES = {
    # What data sheets promise of these stages.
    "ttl low at 16 mA": _stage("ttl", "0", "i1 0 o 16m", "v(o)", "V"),
    "ttl high at 0.4 mA": _stage("ttl", "1", "i1 o 0 0.4m", "v(o)", "V"),
    "ttl high, shorted": _stage("ttl", "1", "v1 o 0 0", "i(v1)*1000", "mA"),
    "ls low at 4 mA": _stage("ls", "0", "i1 0 o 4m", "v(o)", "V"),
    "ls low at 8 mA": _stage("ls", "0", "i1 0 o 8m", "v(o)", "V"),
    "ls high at 0.4 mA": _stage("ls", "1", "i1 o 0 0.4m", "v(o)", "V"),
    "ls high, shorted": _stage("ls", "1", "v1 o 0 0", "i(v1)*1000", "mA"),
    "ls-weak low at 8 mA": _stage("ls-weak", "0", "i1 0 o 8m", "v(o)", "V"),
    "ls-strong high, shorted": _stage("ls-strong", "1", "v1 o 0 0", "i(v1)*1000", "mA"),
    "ls-bus low at 24 mA": _stage("ls-bus", "0", "i1 0 o 24m", "v(o)", "V"),
    "ls-bus high at 3 mA": _stage("ls-bus", "1", "i1 o 0 3m", "v(o)", "V"),
    "ls-bus high at 15 mA": _stage("ls-bus", "1", "i1 o 0 15m", "v(o)", "V"),
    "oc-48 low at 48 mA": _stage("oc-48", "0", "i1 0 o 48m", "v(o)", "V"),
    "hc low at 4 mA": _stage("hc", "0", "i1 0 o 4m", "v(o)", "V"),
    "hc high at 4 mA": _stage("hc", "1", "i1 o 0 4m", "v(o)", "V"),
    "ecl low": _stage("ecl", "0", "r1 o 0 1meg", "v(o)", "V"),
    "ecl high": _stage("ecl", "1", "r1 o 0 1meg", "v(o)", "V"),
    "ls released, at 2.7 V": _stage("ls", "z", "v1 o 0 2.7", "-i(v1)*1e6", "uA"),
    "ttl input, open": _input("ttl", "r1 o 0 10meg", "v(o)", "V"),
    "ls input, open": _input("ls", "r1 o 0 10meg", "v(o)", "V"),
    "ttl input at 0.4 V": _input("ttl", "v1 o 0 0.4", "i(v1)*1000", "mA"),
    "ls input at 0.4 V": _input("ls", "v1 o 0 0.4", "i(v1)*1000", "mA"),
    # How much the gain of the sinking transistor counts; all three keep to the data sheet.
    "ls-gain-30 low at 8 mA": _stage("ls-gain-30", "0", "i1 0 o 8m", "v(o)", "V"),
    "ls-gain-100 low at 8 mA": _stage("ls-gain-100", "0", "i1 0 o 8m", "v(o)", "V"),
    "ls against ls-gain-30": _fight("ls", "ls-gain-30"),
    "ls against ls": _fight("ls", "ls"),
    "ls against ls-gain-100": _fight("ls", "ls-gain-100"),
    # What 1 kilohm to ground or to 5 V makes of an open input, and of a fight.
    "ttl input, open, 1k to ground": _input("ttl", "r1 o 0 1k", "v(o)", "V"),
    "ls input, open, 1k to ground": _input("ls", "r1 o 0 1k", "v(o)", "V"),
    "ttl input, open, 1k to 5 V": _input("ttl", "r1 o vs 1k", "v(o)", "V"),
    "ls input, open, 1k to 5 V": _input("ls", "r1 o vs 1k", "v(o)", "V"),
    "ls against ls, 1k to ground": _fight("ls", "ls", "r1 o 0 1k"),
    "ls against ls, 1k to 5 V": _fight("ls", "ls", "r1 o v5 1k\nv5 v5 0 5"),
    # The class values of the reference: 20 mA into 0.5 V at 8 mA.
    "20 mA into 62.5 ohm": Quantity("V", "i1 0 o 20m\nr1 o 0 62.5", "v(o)"),
    # Networks of resistors.
    "330/470": _network(_PACK.format("a")),
    "330/470, resistance": _ohms(_PACK.format("a").replace("v5", "0")),
    "330/470 twice, resistance": _ohms((_PACK.format("a") + "\nrx a 0 193.875").replace("v5", "0")),
    "220/330": _network(_SCSI.format("a")),
    "220/330, resistance": _ohms(_SCSI.format("a").replace("v5", "0")),
    "330/470 held at 0.4 V": _network(_PACK.format("a") + "\nvh a 0 0.4", "i(vh)*1000", "mA"),
    "330/470 twice held at 0.4 V": _network(
        "ru v5 a 165\nrd a 0 235\nvh a 0 0.4", "i(vh)*1000", "mA"
    ),
    "330/470 tied to 330/470": _network(f"{_PACK.format('a')}\n{_PACK.format('b')}\nrb a b 1m"),
    "330/470 tied to 4.7k": _network(_PACK.format("a") + "\nrb b a 1m\nrub v5 b 4.7k"),
    "330/470 tied to 1k to ground": _network(_PACK.format("a") + "\nrb b a 1m\nrdb b 0 1k"),
    "220/330 tied to 330/470": _network(f"{_SCSI.format('a')}\n{_PACK.format('b')}\nrb a b 1m"),
    "330/470 to 330/470, power off": Quantity(
        "ohm",
        f"{_PACK.format('a')}\n{_PACK.format('b')}\nrg v5 0 1g\ni1 b a 1m",
        "(v(a)-v(b))*1000",
    ),
    **{
        f"330/470 to 330/470 tied by {ohm} ohm, power off": Quantity(
            "ohm",
            f"{_PACK.format('a')}\n{_PACK.format('b')}\nrg v5 0 1g\nrb a b {ohm}\ni1 b a 1m",
            "(v(a)-v(b))*1000",
        )
        for ohm in (1, 10, 50, 100)
    },
    # Lines that no one drives any more.
    "1k, 100 pF, 0.2 to 2.0 V": _rising(_RISE.format("a", "1k"), "a", 2.0, "200n"),
    "4.7k, 100 pF, 0.2 to 2.0 V": _rising(_RISE.format("a", "4.7k"), "a", 2.0, "800n"),
    "10k, 100 pF, 0.2 to 2.0 V": _rising(_RISE.format("a", "10k"), "a", 2.0, "1600n"),
    "two such lines of 4.7k tied": _rising(
        f"{_RISE.format('a', '4.7k')}\n{_RISE.format('b', '4.7k')}\nrt a b 1m", "a", 2.0, "800n"
    ),
    "4.7k line tied to a bare one": _rising(
        f"{_RISE.format('a', '4.7k')}\ncb b 0 100p ic=0.2\nrt a b 1m", "a", 2.0, "1600n"
    ),
    "open CMOS input, 30 pF, 0.1 uA, to 1.35 V": _rising(
        "i1 0 a 0.1u\nca a 0 30p ic=0", "a", 1.35, "500000n"
    ),
}


def solved_quantities() -> dict[str, float]:
    """Solve every single quantity."""
    found = {}
    for name, each in QUANTITIES.items():
        way = f"{each.ask}\nprint t9" if each.unit == "ns" else f"op\nlet q9={each.ask}\nprint q9"
        wanted = "t9" if each.unit == "ns" else "q9"
        shown = solve(f"{MODELS}\n{each.netlist}\n.control\nset numdgt=9\n{way}\n.endc")
        (found[name],) = [value for printed, value in shown if printed == wanted]
    return found
