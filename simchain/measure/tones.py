"""Tones to put into a chain, so made that what comes out can be read line by line.

Every tone fills the stretch that is measured with a whole, odd number of cycles, and the stretch
has a power of two of frames. So a spectrum needs no window and each product stands on a line of
its own; and an alias of harmonic k can fall on harmonic n only where k + n or k - n is a multiple
of the number of frames.

Levels are those of a sine with the same peak: the peaks of a pair of tones add up to the peak of
a sine of `level_dbu`, so that a limit is met at the same level (for SMPTE pairs as in SMPTE
RP 120, from memory; for difference tones as in IEC 60268-3, from memory).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.signal import Volts
from simchain.units import dbu_to_peak_volts

Floats = NDArray[np.float64]

SHORTEST_S = 1.0


@dataclass(frozen=True)
class Tones:
    """Sines of `peaks` volts with `cycles` whole cycles in `frames` frames, at `rate`."""

    cycles: tuple[int, ...]
    peaks: tuple[float, ...]
    frames: int
    rate: int

    @property
    def hz(self) -> tuple[float, ...]:
        """Exact frequencies."""
        return tuple(count * self.rate / self.frames for count in self.cycles)

    def volts(self, settle_s: float = 1.0) -> Volts:
        """The tones, shape (1, frames to settle + `frames`); the last `frames` are measured.

        They fade in over the first half of `settle_s`, then stand still.
        """
        settle = round(settle_s * self.rate)
        frame = np.arange(-settle, self.frames)
        line = np.zeros(frame.size)
        for count, peak in zip(self.cycles, self.peaks, strict=True):
            line += peak * np.sin(2.0 * math.pi / self.frames * (count * frame % self.frames))
        fade = settle // 2
        line[:fade] *= np.sin(0.5 * math.pi * np.arange(fade) / max(fade, 1)) ** 2
        return line[None, :]

    def spectrum(self, volts: Volts) -> Floats:
        """Peak volts on each line of the last `frames` of `volts`: (channels, frames / 2 + 1).

        Line n is at n * rate / frames Hz; line 0 is DC, with its sign lost.
        Raises ValueError for fewer frames.
        """
        if volts.shape[1] < self.frames:
            raise ValueError(f"{self.frames} frames are measured, {volts.shape[1]} are there")
        peaks = np.abs(np.fft.rfft(volts[:, -self.frames :], axis=1)) * (2.0 / self.frames)
        peaks[:, [0, -1]] *= 0.5
        return np.asarray(peaks)


def single_tone(hz: float, level_dbu: float, rate: int) -> Tones:
    """One tone at the nearest usable frequency to `hz`, at most 1 Hz off."""
    return _tones((hz,), (1.0,), level_dbu, rate)


def smpte_tones(
    level_dbu: float, rate: int, low_hz: float = 60.0, high_hz: float = 7_000.0
) -> Tones:
    """A low and a high tone, four to one in voltage: 60 Hz and 7 kHz (SMPTE RP 120).

    250 Hz and 8 kHz are the other pair in use (from DIN 45403, from memory).
    """
    return _tones((low_hz, high_hz), (0.8, 0.2), level_dbu, rate)


def difference_tones(
    level_dbu: float, rate: int, low_hz: float = 19_000.0, high_hz: float = 20_000.0
) -> Tones:
    """Two tones of equal voltage close together: 19 and 20 kHz unless told otherwise.

    Behind a guitar's speaker nothing is left of those; a pair below 4 kHz says more there.
    """
    return _tones((low_hz, high_hz), (0.5, 0.5), level_dbu, rate)


def _tones(hz: tuple[float, ...], shares: tuple[float, ...], level_dbu: float, rate: int) -> Tones:
    """Tones at the nearest odd numbers of cycles. Raises ValueError for what does not fit."""
    frames = 2 ** math.ceil(math.log2(SHORTEST_S * rate))
    cycles = tuple(2 * math.floor(one * frames / rate / 2.0) + 1 for one in hz)
    if not all(0.0 < one < rate / 2 for one in hz) or len(set(cycles)) < len(cycles):
        listed = " and ".join(f"{one:g}" for one in hz)
        raise ValueError(f"{listed} Hz are no tones apart below half of {rate} a second")
    peak = dbu_to_peak_volts(level_dbu)
    return Tones(cycles, tuple(share * peak for share in shares), frames, rate)
