"""How much dirt a chain adds to tones at the levels at which a clip is played."""

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from simchain.measure.excitation import ear_weight_db
from simchain.signal import Volts

Floats = NDArray[np.float64]

# Whole cycles in a second, so that whole harmonics lie on the bins of a second's spectrum.
TONES_HZ = (108, 220, 442)
PEAK_QUANTILES = (0.5, 0.9, 0.99)
PEAK_S = 0.01
# Dirt below it counts as none: 1.8 % of the total.
LEAST_SHARE = 10.0**-3.5

# A Hann window's tone fills three bins; with these on either side, what moves at up to 2 Hz too.
_BESIDE = 3


def tone_peaks(clip: Volts, rate: int) -> tuple[float, float, float]:
    """Peaks in volts of the tones to play: how loud the clip is at its middle, loud, loudest.

    The 50, 90 and 99 % quantiles of its peaks in pieces of 10 ms, the louder channel's, from
    `clip` of shape (channels, frames). A last piece that is not full counts.
    """
    size = np.abs(clip).max(axis=0, initial=0.0)
    starts = np.arange(0, size.size, round(PEAK_S * rate))
    if starts.size == 0:
        return 0.0, 0.0, 0.0
    middle, loud, loudest = np.quantile(np.maximum.reduceat(size, starts), PEAK_QUANTILES)
    return float(middle), float(loud), float(loudest)


def residual_share(output: Volts, rate: int, hz: int) -> float:
    """Power beside the tone over the power of all, both weighted by the ear (BS.1387).

    `output` is what became of a sine of `hz`, shape (channels, frames), a second long or more; its
    last second is looked at, and of two channels the dirtier counts. Powers within 3 Hz of 0 Hz
    are left out, those within 3 Hz of the tone are the tone. 0 for silence.

    Raises ValueError for less than a second.
    """
    if output.shape[1] < rate:
        raise ValueError(f"a second is needed ({rate} frames), {output.shape[1]} given")
    window = 0.5 - 0.5 * np.cos(2.0 * math.pi * np.arange(rate) / rate)
    bins = np.arange(_BESIDE + 1, rate // 2)
    ear = 10.0 ** (ear_weight_db(bins.astype(np.float64)) / 10.0)
    beside = np.abs(bins - hz) > _BESIDE
    shares = [0.0]
    for line in output[:, -rate:]:
        spectrum = np.fft.rfft(line * window)[_BESIDE + 1 : rate // 2]
        powers = ear * (spectrum.real**2 + spectrum.imag**2)
        total = float(powers.sum())
        shares.append(float(powers[beside].sum()) / total if total > 0.0 else 0.0)
    return max(shares)


def more_dirt_db(shares_a: Iterable[float], shares_b: Iterable[float]) -> float:
    """By how many dB chain B is dirtier than A: 10 log10((r_B + s) / (r_A + s)).

    r is the mean of `residual_share` over the nine tones, s = 10^-3.5.
    """
    r_a, r_b = (float(np.mean(list(shares))) for shares in (shares_a, shares_b))
    return 10.0 * math.log10((r_b + LEAST_SHARE) / (r_a + LEAST_SHARE))
