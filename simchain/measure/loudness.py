"""Loudness of digital sound by ITU-R BS.1770-5 (11/2023), Annex 1: K-weighting and gating."""

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simchain.signal import Volts, twins

Floats = NDArray[np.float64]

BLOCK_S = 0.4
HOPS_A_BLOCK = 4
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0

# The analogue filters behind the tables of BS.1770-5: at 48 kHz they give back the published
# coefficients to 1e-14 (derivation by other implementers of the standard; not in its text).
_SHELF_HZ, _SHELF_DB, _SHELF_Q = 1681.974450955533, 3.999843853973347, 0.7071752369554196
_SHELF_BAND_POWER = 0.4996667741545416
_LOW_CUT_HZ, _LOW_CUT_Q = 38.13547087602444, 0.5003270373238773


@lru_cache(maxsize=16)
def k_weighting(rate: int) -> Floats:
    """K-weighting at `rate` as two second-order sections of shape (2, 6), scipy's layout.

    Stage 1 is the shelf (BS.1770-5 Table 1), stage 2 the low cut (Table 2), carried to other rates
    by the bilinear transform with K = tan(pi f0 / rate). The low cut's numerator stays 1, -2, 1 at
    every rate, as in the standard, so readings move by up to 0.03 LU between 44.1 and 192 kHz.
    """
    K, gain = math.tan(math.pi * _SHELF_HZ / rate), 10.0 ** (_SHELF_DB / 20.0)
    band, width = gain**_SHELF_BAND_POWER, K / _SHELF_Q
    a0 = 1.0 + width + K * K
    shelf = [gain + band * width + K * K, 2.0 * (K * K - gain), gain - band * width + K * K]
    shelf += [a0, 2.0 * (K * K - 1.0), 1.0 - width + K * K]
    K = math.tan(math.pi * _LOW_CUT_HZ / rate)
    width = K / _LOW_CUT_Q
    c0 = 1.0 + width + K * K
    low_cut = [c0, -2.0 * c0, c0, c0, 2.0 * (K * K - 1.0), 1.0 - width + K * K]
    sections = np.array([np.array(shelf) / a0, np.array(low_cut) / c0])
    sections.flags.writeable = False
    return sections


def integrated_lufs(samples: Volts, rate: int) -> float:
    """Integrated loudness in LUFS of `samples`, shape (1 or 2 channels, frames), full scale 1.0.

    Blocks of 400 ms overlapping by 75 %, only whole ones; the absolute gate at -70 LUFS, then the
    relative gate 10 LU below the mean of what passed (BS.1770-5 Annex 1, equations 4 to 7).
    Minus infinity when no block passes the absolute gate; NaN under 400 ms, where the standard
    defines nothing. Prefer `loudness_or_rms` for sounds that may be short or very quiet.
    """
    return _gated_lufs(_weighted(samples, rate), rate)


def loudness_or_rms(samples: Volts, rate: int) -> tuple[float, bool]:
    """Integrated loudness, or where there is none the K-weighted RMS level; and which it is.

    Returns (LUFS, False), or (LUFS, True) when the sound is shorter than 400 ms or lies under the
    absolute gate throughout: then `ungated_lufs` stands in, on the same scale, so that short and
    quiet sounds can still be compared. Minus infinity for silence.
    """
    weighted = _weighted(samples, rate)
    gated = _gated_lufs(weighted, rate)
    return (gated, False) if math.isfinite(gated) else (_ungated_lufs(weighted), True)


def ungated_lufs(samples: Volts, rate: int) -> float:
    """K-weighted RMS level of the whole sound in LUFS, no gate; minus infinity for silence."""
    return _ungated_lufs(_weighted(samples, rate))


def mean_square_to_lufs(mean_square: Floats | float) -> Floats:
    """Loudness of K-weighted mean squares, summed over the channels; minus infinity for 0.

    Equation 2 of BS.1770-5 Annex 1.
    """
    with np.errstate(divide="ignore"):
        return np.asarray(-0.691 + 10.0 * np.log10(mean_square))


def lufs_to_mean_square(lufs: Floats | float) -> Floats:
    """Mean square of the K-weighted sound, summed over the channels, of a loudness."""
    return np.asarray(10.0 ** ((lufs + 0.691) / 10.0))


class _Weighted(NamedTuple):
    """Sums of squares of the K-weighted sound of all channels, in whole hops and of all frames."""

    hops: Floats
    total: float
    frames: int


def _hop(rate: int) -> int:
    return round(rate * BLOCK_S / HOPS_A_BLOCK)


def _weighted(samples: Volts, rate: int) -> _Weighted:
    from simchain.kernels.sections import squares_behind_sections

    frames, hop = samples.shape[1], _hop(rate)
    lines = samples[:1] if twins(samples) else samples
    sums = np.zeros(-(-frames // hop))
    for line in lines:
        volts = np.ascontiguousarray(line, dtype=np.float64)
        squares_behind_sections(k_weighting(rate).copy(), volts, hop, sums)
    if len(lines) < len(samples):
        sums *= 2.0
    return _Weighted(sums[: frames // hop], float(sums.sum()), frames)


def _ungated_lufs(weighted: _Weighted) -> float:
    if not weighted.frames:
        return -math.inf
    return float(mean_square_to_lufs(weighted.total / weighted.frames))


def _gated_lufs(weighted: _Weighted, rate: int) -> float:
    if weighted.hops.size < HOPS_A_BLOCK:
        return math.nan
    inside = np.lib.stride_tricks.sliding_window_view(weighted.hops, HOPS_A_BLOCK)
    blocks = inside.sum(axis=1) / (HOPS_A_BLOCK * _hop(rate))
    blocks = blocks[blocks > lufs_to_mean_square(ABSOLUTE_GATE_LUFS)]
    if blocks.size == 0:
        return -math.inf
    relative = mean_square_to_lufs(blocks.mean()) + RELATIVE_GATE_LU
    return float(mean_square_to_lufs(blocks[blocks > lufs_to_mean_square(relative)].mean()))
