"""Nodal analysis: from a circuit's parts to its response as zeros, poles and gain.

Unknowns are the nodes' voltages, the current of each inductor and that of the driving source
(modified nodal analysis: Ho, Ruehli and Brennan, IEEE Trans. CAS 22(6), 1975, from memory):

    (G + s C) x = b u,    y = c x

Poles are the s at which G + s C is singular; zeros those at which the same matrix, bordered by b
and c, is: both are generalized eigenvalues, found at once and without any polynomial.
"""

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simchain.filters.rational import Rational

GROUND = "ground"

# Scales that bring audio circuits near 1: ohm, and rad/s.
_OHM = 1e5
_RADIANS = 1e4
# In those scales: what lies beyond is at infinity, what lies within is at 0 Hz.
_INFINITE = 1e9
_ZERO = 1e-9

Part = tuple[Literal["ohm", "farad", "henry"], str, str, float]


@dataclass
class Circuit:
    """Resistors, capacitors and inductors between named nodes; `GROUND` is 0 V."""

    parts: list[Part] = field(default_factory=list)

    def ohm(self, one: str, other: str, value: float) -> None:
        """Join two nodes by a resistance, above 0."""
        self.parts.append(("ohm", one, other, value))

    def farad(self, one: str, other: str, value: float) -> None:
        """Join two nodes by a capacitance; 0 is nothing."""
        if value > 0.0:
            self.parts.append(("farad", one, other, value))

    def henry(self, one: str, other: str, value: float) -> None:
        """Join two nodes by an inductance, above 0."""
        self.parts.append(("henry", one, other, value))

    def response(self, driven: str, read: str) -> Rational:
        """Return the voltage at node `read` for one at node `driven` against ground."""
        conductance, storage, nodes = self._matrices(driven)
        size = len(conductance)
        drive, pick = np.zeros(size), np.zeros(size)
        drive[-1] = 1.0
        pick[nodes[read]] = 1.0
        poles = _singular(conductance, storage)
        bordered = np.zeros((size + 1, size + 1))
        bordered[:size, :size], bordered[:size, size], bordered[size, :size] = (
            conductance, -drive, pick,
        )  # fmt: skip
        zeros = _singular(bordered, np.pad(storage, (0, 1)))
        at_one = np.linalg.solve(conductance + storage, drive)[nodes[read]]
        gain = at_one * np.prod(1.0 - poles) / np.prod(1.0 - zeros)
        order = len(poles) - len(zeros)
        return Rational(zeros * _RADIANS, poles * _RADIANS, float(gain.real) * _RADIANS**order)

    def voltage(self, driven: str, read: str, hz: ArrayLike) -> NDArray[np.complex128]:
        """Return the voltage at node `read` for one at node `driven`, at each of `hz` above 0.

        The response as figures, from the same equations solved at each frequency; `response`
        gives it as zeros and poles, for a filter.
        """
        nodes = self._matrices(driven)[2]
        return np.asarray(self._solved(driven, hz)[..., nodes[read]], dtype=np.complex128)

    def impedance(
        self, node: str, at_ground: Collection[str], hz: ArrayLike
    ) -> NDArray[np.complex128]:
        """Return the ohms between `node` and ground at each of `hz`, an array of that shape.

        The nodes `at_ground` are held at 0 V, as an ideal voltage source of 0 V holds its own;
        `node` may be one of them. `hz` lies above 0: at 0 Hz a node that only capacitors join has
        no finite impedance. It is 1 V at `node` over the current that this drives into it, from
        the same equations solved at each frequency. Raises KeyError for a node of no part.
        """
        held = {GROUND, *at_ground}
        if node in held:
            return np.zeros(np.shape(hz), dtype=np.complex128)
        live = Circuit()
        for kind, one, other, value in self.parts:
            if one not in held or other not in held:
                ends = [GROUND if name in held else name for name in (one, other)]
                live.parts.append((kind, ends[0], ends[1], value))
        return np.asarray(-_OHM / live._solved(node, hz)[..., -1], dtype=np.complex128)

    def _solved(self, driven: str, hz: ArrayLike) -> NDArray[np.complex128]:
        """Return x of 1 V at node `driven`, a row for each of `hz`."""
        s = 2j * np.pi * np.asarray(hz, dtype=np.float64) / _RADIANS
        conductance, storage, _ = self._matrices(driven)
        drive = np.zeros(len(conductance))
        drive[-1] = 1.0
        return np.asarray(np.linalg.solve(conductance + s[..., None, None] * storage, drive))

    def _matrices(
        self, driven: str
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], dict[str, int]]:
        """Return G, C and each node's row; the last row drives node `driven`."""
        names = dict.fromkeys(
            name for _, one, other, _ in self.parts for name in (one, other) if name != GROUND
        )
        nodes = {name: row for row, name in enumerate(names)}
        coils = [part for part in self.parts if part[0] == "henry"]
        size = len(nodes) + len(coils) + 1
        conductance, storage = np.zeros((size, size)), np.zeros((size, size))
        for kind, one, other, value in self.parts:
            if kind == "ohm":
                _stamp(conductance, nodes, one, other, _OHM / value)
            elif kind == "farad":
                _stamp(storage, nodes, one, other, value * _OHM * _RADIANS)
        for row, (_, one, other, value) in enumerate(coils, start=len(nodes)):
            _join(conductance, nodes, one, other, row)
            storage[row, row] = -value * _RADIANS / _OHM
        _join(conductance, nodes, driven, GROUND, size - 1)
        return conductance, storage, nodes


def _stamp(
    matrix: NDArray[np.float64], nodes: dict[str, int], one: str, other: str, value: float
) -> None:
    """Add an admittance between two nodes."""
    for name, far in ((one, other), (other, one)):
        if name != GROUND:
            matrix[nodes[name], nodes[name]] += value
            if far != GROUND:
                matrix[nodes[name], nodes[far]] -= value


def _join(
    matrix: NDArray[np.float64], nodes: dict[str, int], one: str, other: str, row: int
) -> None:
    """Let the current of `row` leave node `one` for `other`, and the row read their voltage."""
    for name, sign in ((one, 1.0), (other, -1.0)):
        if name != GROUND:
            matrix[nodes[name], row] += sign
            matrix[row, nodes[name]] += sign


def _singular(
    conductance: NDArray[np.float64], storage: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Return the finite s at which conductance + s storage is singular."""
    from scipy.linalg import eigvals

    top, bottom = eigvals(-conductance, storage, homogeneous_eigvals=True)
    finite = np.abs(bottom) * _INFINITE > np.abs(top)
    found = np.asarray(top[finite] / bottom[finite], dtype=np.complex128)
    found[np.abs(found) < _ZERO] = 0.0
    return found
