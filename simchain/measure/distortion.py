"""Harmonic distortion of a tone (IEC 60268-3:2013, total harmonic distortion; clause from memory).

With h1 the fundamental and h2, h3 .. the harmonics::

    THD_F = sqrt(h2^2 + h3^2 + ..) / h1                        over the fundamental
    THD_R = sqrt(h2^2 + h3^2 + ..) / sqrt(h1^2 + h2^2 + ..)    over the whole, as in IEC 60268-3
    THD+N = sqrt(whole^2 - h1^2) / whole                       the whole with noise and aliases

THD_R = THD_F / sqrt(1 + THD_F^2). Where THD+N lies far above THD_R the sound holds more than
harmonics: noise, aliases, a modulator at work, or a chain that has not settled.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.measure.tones import Tones
from simchain.signal import Volts

Floats = NDArray[np.float64]

HIGHEST_HZ = 20_000.0


@dataclass(frozen=True, eq=False)
class HarmonicDistortion:
    """What became of one tone in one channel.

    `peaks` are the peak volts of the harmonics 1, 2, 3 .. up to the highest looked at; `rest` is
    the peak voltage of a sine with the power of all that is neither a harmonic nor DC.
    """

    hz: float
    peaks: Floats
    rest: float

    @property
    def thd_f(self) -> float:
        """Harmonics over the fundamental, as a ratio; NaN without a fundamental."""
        return _ratio(self._harmonics, float(self.peaks[0]))

    @property
    def thd_r(self) -> float:
        """Harmonics over fundamental and harmonics, as a ratio; NaN in silence."""
        return _ratio(self._harmonics, math.hypot(self._harmonics, self.peaks[0]))

    @property
    def thd_n(self) -> float:
        """All but the fundamental over the whole, as a ratio; NaN in silence."""
        other = math.hypot(self._harmonics, self.rest)
        return _ratio(other, math.hypot(other, self.peaks[0]))

    @property
    def _harmonics(self) -> float:
        return math.sqrt(float(np.sum(self.peaks[1:] ** 2)))


def harmonic_distortion(
    volts: Volts, tones: Tones, highest_hz: float = HIGHEST_HZ
) -> tuple[HarmonicDistortion, ...]:
    """Distortion in each channel of `volts`, shape (channels, frames), that a tone came out as.

    `tones` is the single tone that went in; the last `tones.frames` frames are read. Nothing above
    `highest_hz` counts (20 kHz, so that figures do not depend on the rate).
    Raises ValueError for more than one tone, or fewer frames.
    """
    if len(tones.cycles) != 1:
        raise ValueError(f"harmonics are measured with one tone, not {len(tones.cycles)}")
    (cycles,) = tones.cycles
    peaks = tones.spectrum(volts)
    counted = peaks[:, : 1 + int(min(highest_hz / tones.rate, 0.5) * tones.frames)]
    rest = counted.copy()
    rest[:, ::cycles] = 0.0
    return tuple(
        HarmonicDistortion(tones.hz[0], line[cycles::cycles], math.sqrt(float(other @ other)))
        for line, other in zip(counted, rest, strict=True)
    )


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole > 0.0 else math.nan
