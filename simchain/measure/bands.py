"""Long-term third-octave levels in the base-ten bands of IEC 61260-1:2014, and A-weighting."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simchain.signal import Signal, twins
from simchain.units import DBU_VOLTS

Floats = NDArray[np.float64]

# Exact centres 1000 G^(x/3), x = -16 to 13, G = 10^0.3 (IEC 61260-1:2014, clause 5).
CENTRES_HZ: Floats = 1000.0 * 10.0 ** (np.arange(-16, 14) / 10.0)
CENTRES_HZ.flags.writeable = False
NOMINAL = (
    *("25", "31.5", "40", "50", "63", "80", "100", "125", "160", "200", "250", "315", "400"),
    *("500", "630", "800", "1k", "1.25k", "1.6k", "2k", "2.5k", "3.15k", "4k", "5k", "6.3k", "8k"),
    *("10k", "12.5k", "16k", "20k"),
)
FLOOR_DBU = -200.0
# From a band's centre to its upper edge: G^(1/6).
HALF_BAND = 10.0**0.05

# Bins are gathered in groups a 1920th of an octave wide before they are weighted: at a band's edge,
# where weights fall by 79 dB an octave, a tone is off by half a group, 0.02 dB, at most. In a clip
# of ten seconds each bin below 270 Hz stands alone.
_GROUPS_AN_OCTAVE = 1920
_LOWEST_HZ = 2.0
_FINEST_BIN_HZ = 0.5


@dataclass(frozen=True, eq=False)
class _Layout:
    """Which bins form a group, and what each group counts in each band."""

    starts: NDArray[np.intp]
    weights: Floats


def third_octaves_db(signal: Signal) -> tuple[Floats, Floats]:
    """Return the exact band centres in Hz and the level in each band in dBu, RMS: 30 of each.

    The level is that of the mean power of the channels over the whole signal, not below -200 dBu;
    NaN for bands whose upper edge lies beyond half the rate. Band filters are weighed as
    `band_weights` says, on the spectrum of the whole signal with silence about it, so the figures
    are those of filters run over the signal until they have rung out.
    """
    length = spectrum_length(signal.frames, signal.rate)
    powers = np.zeros(CENTRES_HZ.size)
    lines = signal.volts[:1] if twins(signal.volts) else signal.volts
    for line in lines:
        powers += band_powers(np.fft.rfft(line, length), length, signal.rate) / len(lines)
    mean_squares = powers / max(signal.frames, 1)
    mean_squares[~within(signal.rate)] = np.nan
    floor = DBU_VOLTS**2 * 10.0 ** (FLOOR_DBU / 10.0)
    return CENTRES_HZ, 10.0 * np.log10(np.maximum(mean_squares, floor) / DBU_VOLTS**2)


def within(rate: int) -> NDArray[np.bool_]:
    """Which of the 30 bands lie below half the `rate`, upper edge included."""
    return np.less_equal(CENTRES_HZ * HALF_BAND, rate / 2)


def spectrum_length(frames: int, rate: int) -> int:
    """Even length, quick to transform, that holds `frames` and resolves the lowest band."""
    from scipy.fft import next_fast_len

    least = max(frames, int(rate / _FINEST_BIN_HZ))
    return 2 * int(next_fast_len((least + 1) // 2, real=True))


def band_powers(spectrum: NDArray[np.complex128], length: int, rate: int) -> Floats:
    """Sum of squares in each of the 30 bands, from `numpy.fft.rfft` of `length` points.

    Over the number of frames it is the mean square.
    """
    layout = _layout(length, rate)
    squares = spectrum.real**2 + spectrum.imag**2
    groups = np.add.reduceat(squares[: layout.starts[-1]], layout.starts[:-1])
    return np.asarray(np.einsum("bg,g->b", layout.weights, groups) * (2.0 / length))


def band_weights(hz: Floats) -> Floats:
    """Power response of the 30 bands at `hz` (above 0): shape (30, hz).

    The Butterworth band-pass of sixth order, 1 / (1 + Q^6) with
    Q = (f/fm - fm/f) / (G^(1/6) - G^(-1/6)): 3.01 dB down at the band's edges, inside the limits of
    class 1 (IEC 61260-1:2014) by 0.35 dB or more.
    """
    ratio = hz[None, :] / CENTRES_HZ[:, None]
    detuning = (ratio - 1.0 / ratio) / (HALF_BAND - 1.0 / HALF_BAND)
    return np.asarray(1.0 / (1.0 + detuning**6))


def a_weighting_db(hz: Floats) -> Floats:
    """A-weighting in dB at `hz`, 0 dB at 1 kHz (IEC 61672-1:2013, Annex E)."""
    f1, f2, f3, f4 = 20.598997, 107.65265, 737.86223, 12194.217
    square = np.square(hz)
    gain = (f4**2 * square**2) / (
        (square + f1**2) * np.sqrt((square + f2**2) * (square + f3**2)) * (square + f4**2)
    )
    return np.asarray(20.0 * np.log10(gain) + 2.0)


@lru_cache(maxsize=8)
def _layout(length: int, rate: int) -> _Layout:
    bins = length // 2 + 1
    octaves = np.log2(rate / 2 / _LOWEST_HZ)
    edges = _LOWEST_HZ * 2.0 ** np.arange(0.0, octaves, 1.0 / _GROUPS_AN_OCTAVE)
    starts = np.unique(np.ceil(edges * length / rate).astype(np.intp))
    starts = np.append(starts[starts < bins - 1], bins - 1)
    middles = 0.5 * (starts[:-1] + starts[1:] - 1) * (rate / length)
    return _Layout(starts, band_weights(np.asarray(middles, dtype=np.float64)))
