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

import numpy as np
from numpy.typing import NDArray

from simchain.amp.rational import Rational

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
    """Return the network's response with its controls at 0 to 1.

    Nodal analysis with the three capacitors' voltages x as states: x' = A x + B u, y = C x + D u.
    Poles are the eigenvalues of A, zeros those of A - B C / D, of which one is 0 Hz exactly:
    capacitors block every way from in to out.
    """
    a, b, c, d = _states(network, bass, middle, treble)
    zeros = np.linalg.eigvals(a - np.outer(b, c) / d).astype(np.complex128)
    zeros[np.argmin(np.abs(zeros))] = 0.0
    return Rational(zeros, np.linalg.eigvals(a).astype(np.complex128), d)


def _states(
    net: ToneNetwork, bass: float, middle: float, treble: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float]:
    """Return A, B, C, D: every capacitor taken as a voltage source, its current solved for."""
    node = {name: n for n, name in enumerate(("in", "A", "B", "out", "D", "E", "F", "wiper"))}
    resistors = (
        ("in", "A", net.source_ohm),
        ("A", "D", net.slope_ohm),
        ("B", "out", (1 - treble) * net.treble_ohm + END_OHM),
        ("out", "E", treble * net.treble_ohm + END_OHM),
        ("out", "", net.load_ohm),
        ("E", "F", bass * net.bass_ohm + END_OHM),
        ("F", "wiper", (1 - middle) * net.middle_ohm + END_OHM),
        ("wiper", "", middle * net.middle_ohm + END_OHM),
    )
    sources = (("A", "B"), ("D", "E"), ("D", "wiper"), ("in", ""))
    size = len(node) + len(sources)
    matrix = np.zeros((size, size))
    for one, other, ohm in resistors:
        _couple(matrix, node[one], node.get(other), 1.0 / ohm)
    for k, (one, other) in enumerate(sources, start=len(node)):
        matrix[node[one], k] = matrix[k, node[one]] = 1.0
        if other:
            matrix[node[other], k] = matrix[k, node[other]] = -1.0
    ones = np.zeros((size, 4))
    ones[len(node) :] = np.eye(4)
    solved = np.linalg.solve(matrix, ones)
    farads = np.array((net.treble_farad, net.bass_farad, net.middle_farad))
    currents = solved[len(node) : len(node) + 3] / farads[:, np.newaxis]
    out = solved[node["out"]]
    return currents[:, :3], currents[:, 3], out[:3], float(out[3])


def _couple(matrix: NDArray[np.float64], one: int, other: int | None, siemens: float) -> None:
    """Add a conductance between two nodes, or from one to ground."""
    matrix[one, one] += siemens
    if other is not None:
        matrix[other, other] += siemens
        matrix[one, other] -= siemens
        matrix[other, one] -= siemens
