"""Noise of passive parts, and the hiss and hum that are added to a signal.

Any passive network at one temperature has, between two of its nodes, the thermal noise of the
resistance seen there (Nyquist, Phys. Rev. 32, 1928):

    e(f)^2 = 4 k T Re Z(f)                                                        (1)

Hiss is made as a sum of sines of exact magnitude and random phase: its RMS is exact, and only the
cross terms between two sources are left to chance. It ends at 20 kHz at any rate, so that figures
do not depend on the board's rate.
"""

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simchain.filters.circuit import Circuit
from simchain.units import dbu_to_volts

if TYPE_CHECKING:  # a sixth of what `check` takes to start
    from numpy.random import Generator

BAND_HZ = 20_000.0
ROOM_KELVIN = 300.0
BOLTZMANN = 1.380649e-23  # J/K, exact (SI, 2019)

# Where a network's noise is looked at: below 1 Hz it is taken to stay as it is there.
_LOWEST_HZ = 1.0
_POINTS = 192
_HIGHEST_HUM_HZ = 1_500
# Below this rate no board is rendered but in a first quick pass.
_LOWEST_RATE, _OF_LOW_RATE = 44_100, 0.45

# Phases a sine of hiss may have: looked up, which is quicker than an exponential for each.
_PHASES = np.exp(2j * np.pi * np.arange(4096) / 4096)


def thermal_nv(ohm: ArrayLike, kelvin: float = ROOM_KELVIN) -> NDArray[np.float64]:
    """Return the noise of resistances in nV/sqrt(Hz), by equation (1), in the shape of `ohm`.

    For a network give the real part of its impedance; what rounding leaves below 0 counts as 0.
    """
    real = np.maximum(np.asarray(ohm, dtype=np.float64), 0.0)
    return np.asarray(1e9 * np.sqrt(4.0 * BOLTZMANN * kelvin * real))


@dataclass(frozen=True)
class Hiss:
    """Noise of a one-sided density `nv` at frequencies `hz`, in nV/sqrt(Hz), up to 20 kHz.

    `hz` rises from 0 or more. Between two points the power (density squared) is a straight line;
    below the first and above the last it stays. Two of equal content are equal and look equal.
    Raises ValueError for anything else.
    """

    hz: tuple[float, ...]
    nv: tuple[float, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "hz", tuple(float(hz) for hz in self.hz))
        object.__setattr__(self, "nv", tuple(float(nv) for nv in self.nv))
        if len(self.hz) != len(self.nv) or not self.hz:
            raise ValueError(f"{len(self.hz)} frequencies for {len(self.nv)} densities")
        if not (np.isfinite(self.hz).all() and self.hz[0] >= 0.0 and (np.diff(self.hz) > 0).all()):
            raise ValueError("the frequencies of a noise rise from 0 Hz or more")
        if not (np.isfinite(self.nv).all() and min(self.nv) >= 0.0):
            raise ValueError("the density of a noise is 0 nV/sqrt(Hz) or more")

    @classmethod
    def white(cls, nv: float) -> "Hiss":
        """Return noise of one density, in nV/sqrt(Hz)."""
        return cls((0.0,), (nv,))

    @classmethod
    def of_total(cls, uv: float) -> "Hiss":
        """Return white noise of `uv` microvolts RMS over the 20 kHz."""
        return cls.white(1e3 * uv / BAND_HZ**0.5)

    @classmethod
    def thermal(cls, circuit: Circuit, node: str, at_ground: Collection[str]) -> "Hiss":
        """Return the thermal noise at `node` of a circuit at room temperature (300 K).

        `at_ground` are the nodes that ideal voltage sources hold, such as the source's open node.
        """
        hz = np.geomspace(_LOWEST_HZ, BAND_HZ, _POINTS)
        nv = thermal_nv(circuit.impedance(node, at_ground, hz).real)
        return cls(tuple(hz), tuple(nv))

    def nv_at(self, hz: ArrayLike) -> NDArray[np.float64]:
        """Return the density at `hz` in nV/sqrt(Hz); nothing above 20 kHz."""
        asked = np.asarray(hz, dtype=np.float64)
        return np.where(asked <= BAND_HZ, np.sqrt(self._power(asked)), 0.0)

    def rms_volts(self) -> float:
        """Return the RMS over the 20 kHz."""
        return float(1e-9 * np.sqrt(self._power_below(np.array([BAND_HZ]))[0]))

    def volts(self, frames: int, rate: int, rng: "Generator") -> NDArray[np.float64]:
        """Return `frames` of this noise, in volts; at a rate below 44.1 kHz what it has room for.

        Each sine carries the power of the stretch of spectrum around it; their number is that of a
        length that the Fourier transform is quick at, half a second or more. That is cut to
        `frames`, and half a second and more is brought back to an RMS of `rms_volts`: by some
        hundredths of a decibel, up to 0.1 dB where a piezo's few hertz are nearly all of
        the noise. At a low rate it ends at 0.45 of that, its density unchanged. The same generator
        in the same state gives the same samples.
        """
        from scipy.fft import irfft, next_fast_len

        half_second = round(0.5 * rate)
        length = next_fast_len(max(frames, half_second))
        step_hz = rate / length
        highest_hz = BAND_HZ if rate >= _LOWEST_RATE else _OF_LOW_RATE * rate
        sines = int(highest_hz / step_hz)
        edges = (np.arange(sines + 1) + 0.5) * step_hz
        edges[0], edges[-1] = 0.0, highest_hz
        peaks = 1e-9 * np.sqrt(2.0 * np.diff(self._power_below(edges)))
        spectrum = np.zeros(length // 2 + 1, dtype=np.complex128)
        phases = _PHASES[rng.integers(0, len(_PHASES), sines)]
        spectrum[1 : sines + 1] = (0.5 * length * peaks) * phases
        cut = np.ascontiguousarray(irfft(spectrum, length)[:frames])
        wanted = 1e-9 * float(np.sqrt(self._power_below(edges[-1:])[0]))
        if length > frames >= half_second and wanted > 0.0:
            cut *= wanted / np.sqrt(np.dot(cut, cut) / frames)
        return cut

    def _power(self, hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the density squared, straight between its points."""
        return np.interp(hz, self.hz, np.square(self.nv))

    def _power_below(self, hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the integral of the density squared from 0 to each of `hz`, exact."""
        corners = np.array(self.hz if self.hz[0] == 0.0 else (0.0, *self.hz))
        heights = self._power(corners)
        whole = np.diff(corners) * (heights[1:] + heights[:-1]) / 2.0
        below = np.concatenate([[0.0], np.cumsum(whole)])
        last = np.searchsorted(corners, hz, side="right") - 1
        return np.asarray(
            below[last] + (hz - corners[last]) * (heights[last] + self._power(hz)) / 2.0
        )


def hum(level_dbu: float, mains_hz: int, frames: int, rate: int) -> NDArray[np.float64]:
    """Return `frames` of mains hum, in volts, whose RMS over whole periods is `level_dbu`.

    The odd harmonics of 50 or 60 Hz up to 1.5 kHz, harmonic n at 1/n of the first: the stray field
    of a transformer falls faster than that, and a coil picks up a field's rate of change. Phases
    are fixed and spread. It starts in its steady state. Common practice, no source.
    """
    order = np.arange(1, _HIGHEST_HUM_HZ // mains_hz + 1, 2)
    peaks = dbu_to_volts(level_dbu) * np.sqrt(2.0 / np.sum(1.0 / order**2)) / order
    repeat = rate // int(np.gcd(rate, mains_hz))
    turns = np.outer(np.arange(repeat) * (mains_hz / rate), order)
    phases = np.pi * np.arange(len(order)) ** 2 / len(order)
    return np.resize(np.sin(2.0 * np.pi * turns + phases) @ peaks, frames)
