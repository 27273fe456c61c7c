"""The frequency response of a unit that is linear, read from the long sweep and the rest after it.

What came back is H times what went in, but for noise: H is the mean of Y X* over the mean of
|X|^2 in narrow bands (Bendat and Piersol, Random Data, ch. 6, from memory). A kind of filters is
found here in a moment, by closed forms; what is rendered and compared is then near its end.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.fit.looked_for import Stretch
from simchain.fit.received import Received
from simchain.fit.sent import RATE

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LOWEST_HZ, HIGHEST_HZ = 22.0, 15_000.0
POINTS_AN_OCTAVE = 96
# By waveforms a filter is compared at four times the rate, where its phase is the circuit's.
SWEEPS = tuple(Stretch(f"soft{take}", f"loud{take}", times=4) for take in (1, 2))
# No level is told better than so, whatever the noise: interfaces are flat to about that.
SURE_DB = 0.02
_SHARE_OF_RAIL = 0.9
# A spectrum has a line each 1/8 Hz, whatever it is read from.
_LINES_APART_S = 8.0


@dataclass(frozen=True, eq=False)
class Response:
    """What comes out for what goes in, `value`, at each of `hz`, and its standard deviation.

    All of shape (points,), evenly apart in pitch. Its phase is that of a unit which is late by an
    unknown part of a frame or by some frames.
    """

    hz: Floats
    value: Complexes
    deviation: Floats

    @property
    def level_db(self) -> Floats:
        """Magnitude in dB."""
        return np.asarray(20.0 * np.log10(np.abs(self.value) + 1e-12))

    @property
    def level_deviation_db(self) -> Floats:
        """Standard deviation of `level_db`: large where nothing but noise came back."""
        share = self.deviation / (np.abs(self.value) + self.deviation + 1e-12)
        return np.asarray(20.0 / np.log(10.0) * share + SURE_DB)

    def thinned(self, keep: int) -> "Response":
        """Return every `keep`-th point."""
        return Response(self.hz[::keep], self.value[::keep], self.deviation[::keep])


def response_of(received: Received, rail_volts: float) -> Response:
    """Return the response from 22 Hz to 15 kHz, as the long sweep has it.

    Where that comes near the rails it is read from the soft sweeps, 26 dB below it.
    """
    loudest = float(np.abs(received.part("room")[1]).max())
    names = ("room",) if loudest < _SHARE_OF_RAIL * rail_volts else ("soft1", "soft2")
    size = round(_LINES_APART_S * RATE)
    power, crossed = np.zeros(size // 2 + 1), np.zeros(size // 2 + 1, dtype=np.complex128)
    frames = 0
    for name in names:
        given, heard = (np.fft.rfft(line, size) for line in received.part(name))
        power += np.square(np.abs(given))
        crossed += heard * np.conj(given)
        frames = received.part(name)[0].size
    bins_hz = np.fft.rfftfreq(size, 1.0 / RATE)
    count = round(np.log2(HIGHEST_HZ / LOWEST_HZ) * POINTS_AN_OCTAVE) + 1
    hz = LOWEST_HZ * 2.0 ** (np.arange(count) / POINTS_AN_OCTAVE)
    half = 2.0 ** (0.5 / POINTS_AN_OCTAVE)
    edges = np.searchsorted(bins_hz, np.append(hz / half, hz[-1] * half))
    edges[1:] = np.maximum(edges[1:], edges[:-1] + 1)
    total = np.add.reduceat(power, edges)[:-1]
    # Noise of so many volts RMS has frames * volts^2 in each line of the spectrum.
    deviation = received.noise_volts * np.sqrt(frames / total)
    value = np.asarray(np.add.reduceat(crossed, edges)[:-1] / total, dtype=np.complex128)
    return Response(hz, value, deviation)
