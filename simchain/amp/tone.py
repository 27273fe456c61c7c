"""The tone network: three passive controls between two stages, exact from its circuit.

Of the two forms in use this is the one whose middle capacitor goes to the WIPER of the middle
control (in the other it goes to that control's top, and everything at 0 is silence):

    in -- source_ohm -- A            A -- treble capacitor -- B        A -- slope_ohm -- D
    B -- treble control -- E, its wiper is the output, loaded by load_ohm
    D -- bass capacitor -- E         E -- bass control (as a resistance) -- F
    D -- middle capacitor -- wiper of the middle control, which lies between F and ground

The controls are linear and keep 1 ohm at each end. The default values are our own.
"""

from dataclasses import dataclass

from simchain.filters.circuit import GROUND, Circuit
from simchain.filters.rational import Rational

END_OHM = 1.0


@dataclass(frozen=True)
class ToneNetwork:
    """The network's parts, in ohm and farad."""

    source_ohm: float = 38e3
    treble_farad: float = 390e-12
    slope_ohm: float = 56e3
    treble_ohm: float = 250e3
    bass_ohm: float = 500e3
    bass_farad: float = 33e-9
    middle_ohm: float = 22e3
    middle_farad: float = 22e-9
    load_ohm: float = 1e6


def tone_response(network: ToneNetwork, bass: float, middle: float, treble: float) -> Rational:
    """Return the network's response with its controls at 0 to 1."""
    circuit = Circuit()
    circuit.ohm("in", "A", network.source_ohm)
    circuit.farad("A", "B", network.treble_farad)
    circuit.ohm("A", "D", network.slope_ohm)
    circuit.ohm("B", "out", (1 - treble) * network.treble_ohm + END_OHM)
    circuit.ohm("out", "E", treble * network.treble_ohm + END_OHM)
    circuit.ohm("out", GROUND, network.load_ohm)
    circuit.farad("D", "E", network.bass_farad)
    circuit.ohm("E", "F", bass * network.bass_ohm + END_OHM)
    circuit.farad("D", "wiper", network.middle_farad)
    circuit.ohm("F", "wiper", (1 - middle) * network.middle_ohm + END_OHM)
    circuit.ohm("wiper", GROUND, middle * network.middle_ohm + END_OHM)
    return circuit.response("in", "out")
