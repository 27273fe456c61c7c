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
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simchain.electrics.noise import Hiss
from simchain.filters.circuit import GROUND, Circuit
from simchain.filters.rational import Rational, constant
from simchain.filters.sections import Sections

END_OHM = 1.0
PICO, NANO = 1e-12, 1e-9

# A link that stays this near 0 dB at these frequencies is exactly a wire.
WIRE_DB = 0.02
HEARD_HZ = np.geomspace(20.0, 20e3, 61)

# What taking a recording's load out may lack in poles, or have in zeros that nobody hears.
UNHEARD_ZERO_HZ = 5e6
MISSING_POLE_HZ = 200e3


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
Part = Cable | Pot


def link_response(
    source: Terminal, parts: Sequence[Part], load_ohm: float, read: int | None = None
) -> Rational:
    """Return the voltage on a link over its source's open voltage.

    Read behind the first `read` of its parts; left out, behind them all, at the load of
    `load_ohm`.
    """
    circuit, nodes = link_circuit(source, parts, load_ohm)
    return circuit.response("open", nodes[-1 if read is None else read])


def link_circuit(
    source: Terminal, parts: Sequence[Part], load_ohm: float
) -> tuple[Circuit, list[str]]:
    """Return a link as a circuit driven at node ``open``, and its node behind each part."""
    circuit = Circuit()
    node = source.build(circuit)
    nodes = [node]
    for place, part in enumerate(parts):
        node = part.build(circuit, node, f"behind part {place}")
        nodes.append(node)
    circuit.ohm(node, GROUND, load_ohm)
    return circuit, nodes


def as_recorded(source: Terminal, recorded_ohm: float, recorded_pf: float) -> Rational:
    """Return the voltage of a recording over the source's open voltage: pots at full, its load.

    What a link does to a clip is ``link_response(...).over(as_recorded(...))``.
    """
    return link_response(source.at_full(), [Cable(recorded_pf)], recorded_ohm)


@dataclass(frozen=True)
class Link:
    """All that is passive between two active terminals, in one switch state.

    Its nodes are counted along the wire: 0 at the source's jack, one more behind each pot; the
    last is at the load. `recorded` is the load (ohm, pF) that a clip at the source was recorded
    into, which is taken out of it. An `ideal` link has its pots and nothing else.
    """

    source: Terminal
    parts: tuple[Part, ...]
    load_ohm: float
    recorded: tuple[float, float] | None = None
    ideal: bool = False

    @property
    def pots(self) -> tuple[Pot, ...]:
        """The pots on the way."""
        return tuple(part for part in self.parts if isinstance(part, Pot))

    def response(self, node: int | None = None) -> Rational:
        """Return the voltage at `node` (left out: at the load) for what stands at the source."""
        return _response(self, node)

    def at(self, hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Return the voltage at the load for what stands at the source, at each of `hz`."""
        if self.ideal:
            return np.full(hz.shape, self.response().gain, dtype=np.complex128)
        found = _loaded(self.source, self.parts, self.load_ohm, hz)
        if self.recorded is None:
            return found
        ohm, pf = self.recorded
        return found / _loaded(self.source.at_full(), (Cable(pf),), ohm, hz)

    def sections(self, rate: int, node: int | None = None) -> Sections | None:
        """Return the response as a filter at `rate`, or None where it is exactly a wire.

        That is a link without pots that stays within WIRE_DB of 0 dB from 20 Hz to 20 kHz, and
        in an ideal link the way to a node with no pot before it.
        """
        return _sections(self, rate, node)

    @property
    def is_wire(self) -> bool:
        """Whether it is exactly a wire."""
        return not self.pots and (self.ideal or _is_flat(self))

    def hiss(self) -> Hiss | None:
        """Return the thermal noise at the load, of all that is resistive; None in an ideal link."""
        return None if self.ideal else _hiss(self)


@lru_cache(maxsize=1024)
def _response(link: Link, node: int | None) -> Rational:
    if link.ideal:
        shares = [pot.share for pot in link.pots[:node]]
        return constant(float(np.prod(shares)))
    read = None if node is None else _part_before(link.parts, node)
    response = link_response(link.source, link.parts, link.load_ohm, read)
    if link.recorded is None:
        return response
    return _realisable(response.over(as_recorded(link.source, *link.recorded)))


@lru_cache(maxsize=1024)
def _sections(link: Link, rate: int, node: int | None) -> Sections | None:
    if link.is_wire or (link.ideal and node == 0):
        return None
    return link.response(node).sections(rate)


@lru_cache(maxsize=256)
def _hiss(link: Link) -> Hiss:
    circuit, nodes = link_circuit(link.source, link.parts, link.load_ohm)
    return Hiss.thermal(circuit, nodes[-1], ["open"])


@lru_cache(maxsize=1024)
def _is_flat(link: Link) -> bool:
    levels = np.abs(link.at(HEARD_HZ))
    return bool(np.abs(20 * np.log10(levels)).max() <= WIRE_DB)


def _loaded(
    source: Terminal, parts: Sequence[Part], load_ohm: float, hz: NDArray[np.float64]
) -> NDArray[np.complex128]:
    circuit, nodes = link_circuit(source, parts, load_ohm)
    return circuit.voltage("open", nodes[-1], hz)


def _part_before(parts: Sequence[Part], node: int) -> int:
    """Return how many parts lie before node number `node`: up to the next pot."""
    seen = -1
    for place, part in enumerate(parts):
        seen += isinstance(part, Pot)
        if seen == node:
            return place
    return len(parts)


def _realisable(response: Rational) -> Rational:
    """Return `response` with no more zeros than poles.

    A clip recorded into more capacitance than it now meets asks for a lift without end. Zeros far
    above what is heard count as constants; poles that are still missing come at 200 kHz, where
    each costs 0.01 dB at 10 kHz.
    """
    zeros, gain = list(response.zeros), response.gain
    while len(zeros) > len(response.poles):
        farthest = max(zeros, key=abs)
        if abs(farthest) < 2 * np.pi * UNHEARD_ZERO_HZ or farthest.imag != 0.0:
            break
        zeros.remove(farthest)
        gain *= -farthest.real
    missing = max(0, len(zeros) - len(response.poles))
    pole = -2 * np.pi * MISSING_POLE_HZ
    poles = np.append(response.poles, np.full(missing, pole))
    return Rational(np.array(zeros, np.complex128), poles, gain * (-pole) ** missing)
