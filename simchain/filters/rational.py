"""A linear circuit's response as zeros, poles and gain."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import prod

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simchain.filters.analogue import analogue_sections
from simchain.filters.sections import Sections

Complex = NDArray[np.complex128]

# Roots of two circuits that lie this near, in parts of themselves, are one and the same.
_SHARED = 1e-9


@dataclass(frozen=True, eq=False)
class Rational:
    """H(s) = gain prod(s - zeros) / prod(s - poles), roots in rad/s."""

    zeros: Complex
    poles: Complex
    gain: float

    def at(self, hz: float | NDArray[np.float64]) -> Complex:
        """Return the response at `hz`."""
        s = 2j * np.pi * np.asarray(hz, dtype=np.float64)[..., np.newaxis]
        over, under = np.prod(s - self.zeros, axis=-1), np.prod(s - self.poles, axis=-1)
        return np.asarray(self.gain * over / under)

    def times(self, factor: float) -> "Rational":
        """Return the response `factor` times as large."""
        return Rational(self.zeros, self.poles, self.gain * factor)

    def over(self, other: "Rational") -> "Rational":
        """Return this response with `other`'s taken out again; what both share is left out."""
        zeros = [*self.zeros, *other.poles]
        poles = []
        for pole in (*self.poles, *other.zeros):
            shared = [zero for zero in zeros if abs(zero - pole) <= _SHARED * abs(pole)]
            if shared:
                zeros.remove(shared[0])
            else:
                poles.append(pole)
        return Rational(
            np.array(zeros, np.complex128), np.array(poles, np.complex128), self.gain / other.gain
        )

    def level(self, hz: float) -> float:
        """Return the magnitude at `hz`."""
        return float(np.abs(self.at(hz)))

    def sections(self, rate: float) -> Sections:
        """Return the response as sections at `rate`."""
        return analogue_sections(self.zeros, self.poles, self.gain, rate)


def chained(parts: Iterable[Rational]) -> Rational:
    """Return the response of `parts` one after the other, each unloaded by the next."""
    listed = list(parts)
    return Rational(
        np.concatenate([part.zeros for part in listed]),
        np.concatenate([part.poles for part in listed]),
        prod(part.gain for part in listed),
    )


def from_polynomials(over: ArrayLike, under: ArrayLike) -> Rational:
    """Return over(s) / under(s), coefficients with the highest power first and not 0."""
    upper, lower = np.atleast_1d(over), np.atleast_1d(under)
    return Rational(
        np.roots(upper).astype(np.complex128),
        np.roots(lower).astype(np.complex128),
        float(upper[0] / lower[0]),
    )


def constant(gain: float) -> Rational:
    """Return a response of `gain` at all frequencies."""
    return Rational(np.empty(0, np.complex128), np.empty(0, np.complex128), gain)


def low_cut(hz: float) -> Rational:
    """Return s / (s + w): first order, -3.01 dB at `hz`."""
    return from_polynomials((1.0, 0.0), (1.0, 2 * np.pi * hz))


def high_cut(hz: float) -> Rational:
    """Return w / (s + w): first order, -3.01 dB at `hz`."""
    return from_polynomials((2 * np.pi * hz,), (1.0, 2 * np.pi * hz))
