"""Level of a sound in volts: RMS, peak, crest factor, DC."""

import math
from dataclasses import dataclass

import numpy as np

from simchain.signal import Volts
from simchain.units import peak_volts_to_dbu, ratio_to_db, volts_to_dbu


@dataclass(frozen=True)
class Level:
    """Level of one channel over its whole length.

    `rms_volts` includes DC; `peak_volts` is the largest distance from 0 V; `mean_volts` is the DC.
    """

    rms_volts: float
    peak_volts: float
    mean_volts: float

    @property
    def rms_dbu(self) -> float:
        """RMS level in dBu (0 dBu is sqrt(0.6) V); minus infinity in silence."""
        return volts_to_dbu(self.rms_volts)

    @property
    def peak_dbu(self) -> float:
        """Sine-equivalent peak level in dBu: for a sine the same as `rms_dbu`."""
        return peak_volts_to_dbu(self.peak_volts)

    @property
    def crest_db(self) -> float:
        """Peak volts over RMS volts in dB: 3.01 for a sine, 0 for a square wave; NaN in silence."""
        if self.rms_volts == 0.0:
            return math.nan
        return ratio_to_db(self.peak_volts / self.rms_volts)


def level_of(volts: Volts) -> tuple[Level, ...]:
    """Level of each channel of `volts`, shape (channels, frames)."""
    return tuple(_level(line) for line in volts)


def _level(line: Volts) -> Level:
    """Level of one channel of shape (frames,); no frames are silence."""
    if line.size == 0:
        return Level(0.0, 0.0, 0.0)
    # Summed by einsum: a long np.dot wakes the threads of the linear algebra library.
    mean_square = float(np.einsum("i,i->", line, line)) / line.size
    peak = max(float(line.max()), -float(line.min()))
    return Level(math.sqrt(mean_square), peak, float(line.sum()) / line.size)
