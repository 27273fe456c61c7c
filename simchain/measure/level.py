"""Level of a sound in volts: RMS, peak, crest factor, DC."""

import math
from dataclasses import dataclass

import numpy as np

from simchain.signal import Volts, pieces
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
    meter = LevelMeter()
    for part in pieces(volts.shape[1]):
        meter.read(volts[:, part])
    return meter.levels() or tuple(Level(0.0, 0.0, 0.0) for _ in volts)


class LevelMeter:
    """Measures what passes, piece after piece."""

    def __init__(self) -> None:
        self._frames = 0
        self._squares = self._sums = self._peaks = np.zeros(0)

    def read(self, volts: Volts) -> None:
        """Take the next piece into account, shape (channels, frames), of one frame or more."""
        # Summed by einsum: a long np.dot wakes the threads of the linear algebra library.
        squares = np.einsum("ij,ij->i", volts, volts)
        peaks = np.maximum(volts.max(axis=1), -volts.min(axis=1))
        if self._frames == 0:
            self._squares, self._sums, self._peaks = squares, volts.sum(axis=1), peaks
        else:
            self._squares = self._squares + squares
            self._sums = self._sums + volts.sum(axis=1)
            self._peaks = np.maximum(self._peaks, peaks)
        self._frames += volts.shape[1]

    def levels(self) -> tuple[Level, ...]:
        """Return the level of each channel so far; none before anything was read."""
        return tuple(
            Level(math.sqrt(square / self._frames), float(peak), float(total / self._frames))
            for square, peak, total in zip(self._squares, self._peaks, self._sums, strict=True)
        )
