"""Noise floor and signal to noise, from 20 Hz to 20 kHz: plain and A-weighted.

The band is the same at every rate, and so are the figures. A-weighting is that of
IEC 61672-1:2013 Annex E, applied to the power density in lines 1 Hz apart.
"""

import math
from dataclasses import dataclass

import numpy as np

from simchain.measure.bands import a_weighting_db
from simchain.measure.spectrum import Spectrum, long_term_spectrum, steady_spectrum
from simchain.signal import Signal
from simchain.units import volts_to_dbu

LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0

_WINDOW_S = 1.0


@dataclass(frozen=True)
class NoiseFloor:
    """RMS level of one channel from 20 Hz to 20 kHz in dBu; minus infinity in silence."""

    dbu: float
    a_weighted_dbu: float


@dataclass(frozen=True)
class SignalToNoise:
    """How far one channel's programme lies above its noise, in dB.

    Infinite without noise, NaN where both are silent. Only the noise is A-weighted in
    `a_weighted_db`.
    """

    db: float
    a_weighted_db: float


def noise_floor(signal: Signal) -> tuple[NoiseFloor, ...]:
    """Noise floor in each channel of a `signal` in which nobody plays.

    Whatever sounds counts as noise, hum too, and it is taken to be steady: leave out what has not
    settled. A second or more is wanted; of less, the ends count as clicks. DC is left out.
    """
    mean = signal.volts.sum(axis=1, keepdims=True) / max(signal.frames, 1)
    spectrum = steady_spectrum(Signal(signal.volts - mean, signal.rate), _WINDOW_S)
    return tuple(
        NoiseFloor(plain, weighted)
        for plain, weighted in zip(
            _in_band_dbu(spectrum), _in_band_dbu(spectrum, weighted=True), strict=True
        )
    )


def signal_to_noise(programme: Signal, noise: Signal) -> tuple[SignalToNoise, ...]:
    """Level of `programme` over that of `noise`, channel by channel, both from 20 Hz to 20 kHz.

    The programme is taken as it is: what noise it holds counts as programme. IEC 60268-3 takes a
    sine at the rated output for it (from memory); here it is what is played.
    Raises ValueError when the two have not the same channels.
    """
    if programme.channels != noise.channels:
        raise ValueError(f"a programme of {programme.channels} channels, noise of {noise.channels}")
    played = _in_band_dbu(long_term_spectrum(programme))
    return tuple(
        SignalToNoise(_above(level, floor.dbu), _above(level, floor.a_weighted_dbu))
        for level, floor in zip(played, noise_floor(noise), strict=True)
    )


def _in_band_dbu(spectrum: Spectrum, weighted: bool = False) -> list[float]:
    gain = a_weighting_db(np.maximum(spectrum.hz, 1.0)) if weighted else 0.0
    squares = spectrum.mean_square(LOWEST_HZ, HIGHEST_HZ, gain)
    return [volts_to_dbu(math.sqrt(square)) for square in squares]


def _above(level: float, floor: float) -> float:
    return level - floor if math.isfinite(level) or math.isfinite(floor) else math.nan
