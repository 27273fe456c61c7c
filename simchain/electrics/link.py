"""Links: all that is passive between two active terminals, as one circuit.

A chain of separate filters is wrong here: pickup, pots, cable and load load one another. What a
link does is the voltage at one of its nodes over the source's open voltage.

    source - part - part - ... - load        parts: cable (a capacitance to ground), pot

The guitar: coil inductance and resistance in series into node P; across P the coil's capacitance,
and the tone pot in series with the tone capacitor; the volume pot from P to ground, its wiper the
guitar's jack. A pot keeps 1 ohm at each end.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from simchain.filters.circuit import GROUND, Circuit
from simchain.filters.rational import Rational

END_OHM = 1.0
PICO, NANO = 1e-12, 1e-9


@dataclass(frozen=True)
class Guitar:
    """A passive magnetic pickup with its pots; `volume` and `tone` are shares of their resistance.

    Inductance 1.8 to 9 H, resistance 4.5 to 16 kohm, capacitance 70 to 250 pF are usual (Lemme,
    2003), pots of 250 k and 500 k, tone capacitors of 10 to 100 nF.
    """

    inductance_h: float
    resistance_ohm: float
    capacitance_pf: float
    volume_ohm: float
    tone_ohm: float
    tone_nf: float
    volume: float = 1.0
    tone: float = 1.0

    def build(self, circuit: Circuit) -> str:
        """Add the guitar from node ``open`` on; return the node of its jack."""
        circuit.ohm("open", "coil", self.resistance_ohm)
        circuit.henry("coil", "P", self.inductance_h)
        circuit.farad("P", GROUND, self.capacitance_pf * PICO)
        if self.tone_nf > 0.0:
            circuit.ohm("P", "tone", self.tone * self.tone_ohm + END_OHM)
            circuit.farad("tone", GROUND, self.tone_nf * NANO)
        return Pot(self.volume_ohm, self.volume).build(circuit, "P", "jack")

    def at_full(self) -> "Guitar":
        """Return the guitar with both pots at full, as clips are taken to be recorded."""
        return Guitar(**{**self.__dict__, "volume": 1.0, "tone": 1.0})


@dataclass(frozen=True)
class Piezo:
    """A bridge piezo: a voltage behind a capacitance, 300 to 1500 pF."""

    capacitance_pf: float

    def build(self, circuit: Circuit) -> str:
        """Add the piezo from node ``open`` on; return the node of its jack."""
        circuit.farad("open", "jack", self.capacitance_pf * PICO)
        return "jack"

    def at_full(self) -> "Piezo":
        """Return the piezo itself: it has no controls."""
        return self


@dataclass(frozen=True)
class Output:
    """An active output: a voltage behind a resistance."""

    ohm: float

    def build(self, circuit: Circuit) -> str:
        """Add the output from node ``open`` on; return the node of its jack."""
        circuit.ohm("open", "jack", self.ohm)
        return "jack"

    def at_full(self) -> "Output":
        """Return the output itself: it has no controls."""
        return self


@dataclass(frozen=True)
class Cable:
    """A capacitance to ground: cables and the lengths through bypassed blocks."""

    pf: float

    def build(self, circuit: Circuit, node: str, name: str) -> str:  # noqa: ARG002
        """Add the cable at `node`, which stays the node of the wire."""
        circuit.farad(node, GROUND, self.pf * PICO)
        return node


@dataclass(frozen=True)
class Pot:
    """A potentiometer as a divider: `share` of its resistance lies between wiper and ground."""

    ohm: float
    share: float

    def build(self, circuit: Circuit, node: str, name: str) -> str:
        """Add the pot at `node`; return the node of its wiper, called `name`."""
        circuit.ohm(node, name, (1.0 - self.share) * self.ohm + END_OHM)
        circuit.ohm(name, GROUND, self.share * self.ohm + END_OHM)
        return name


Terminal = Guitar | Piezo | Output


def link_response(
    source: Terminal, parts: Sequence[Cable | Pot], load_ohm: float, read: int | None = None
) -> Rational:
    """Return the voltage on a link over its source's open voltage.

    Read behind the first `read` of its parts; left out, behind them all, at the load of
    `load_ohm`.
    """
    circuit = Circuit()
    node = source.build(circuit)
    nodes = [node]
    for place, part in enumerate(parts):
        node = part.build(circuit, node, f"behind part {place}")
        nodes.append(node)
    circuit.ohm(node, GROUND, load_ohm)
    return circuit.response("open", nodes[-1 if read is None else read])


def as_recorded(source: Terminal, recorded_ohm: float, recorded_pf: float) -> Rational:
    """Return the voltage of a recording over the source's open voltage: pots at full, its load.

    What a link does to a clip is ``link_response(...).over(as_recorded(...))``.
    """
    return link_response(source.at_full(), [Cable(recorded_pf)], recorded_ohm)
