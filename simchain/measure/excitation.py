"""What reaches the ear's filters: excitation in bands of half an ERB, and specific loudness.

Excitation is power relative to the threshold's reference: 1.0 is 0 dB SPL (20 µPa) of a tone where
the ear weight is 0 dB. The ear weight and the internal noise are those of the FFT-based ear model
of ITU-R BS.1387-1 (2001), Annex 2, written down from memory; the filters are rounded exponentials
on the scale of Glasberg and Moore (Hearing Research 47, 1990).
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simchain.signal import Volts

Floats = NDArray[np.float64]

HOP_S = 0.01
# 2,048 and 1,024 points at 48 kHz; as long in time at other rates.
LONG_FRAME_S, SHORT_FRAME_S = 2048 / 48_000, 1024 / 48_000
LOWEST_HZ, HIGHEST_HZ = 60.0, 14_000.0
STEPS_AN_ERB = 2
EXPONENT = 0.23

# Above it, the weight of the filter at 14 kHz is under a millionth.
_TOP_HZ = 20_000.0
# Bins are gathered in groups this wide, each with its bins' mean weight: excitation is off by
# 0.05 dB at most, but where it lies 80 dB under its cause.
_GROUPS_AN_ERB = 16
# A piece of frames that stays in the processor's cache.
_PIECE = 64


def erb_hz(hz: Floats) -> Floats:
    """Equivalent rectangular bandwidth of the ear's filter at `hz`: 24.7 (4.37 f/kHz + 1) Hz.

    Glasberg and Moore (1990), equation 3.
    """
    return np.asarray(24.7 * (4.37e-3 * np.asarray(hz) + 1.0))


def hz_to_erb_number(hz: Floats) -> Floats:
    """How many ERB lie below `hz`: 21.4 log10(4.37 f/kHz + 1) (Glasberg and Moore 1990)."""
    return np.asarray(21.4 * np.log10(4.37e-3 * np.asarray(hz) + 1.0))


def erb_number_to_hz(number: Floats) -> Floats:
    """The inverse of `hz_to_erb_number`."""
    return np.asarray((10.0 ** (np.asarray(number) / 21.4) - 1.0) / 4.37e-3)


def ear_weight_db(hz: Floats) -> Floats:
    """What the outer and middle ear do to a tone of `hz` (above 0), in dB (BS.1387-1).

    -0.6 · 3.64 f^-0.8 + 6.5 exp(-0.6 (f - 3.3)^2) - 10^-3 f^3.6, f in kHz.
    """
    khz = np.asarray(hz) / 1000.0
    bump = 6.5 * np.exp(-0.6 * (khz - 3.3) ** 2)
    return np.asarray(-0.6 * 3.64 * khz**-0.8 + bump - 1e-3 * khz**3.6)


def internal_noise_db(hz: Floats) -> Floats:
    """Level of the ear's own noise at `hz` (above 0) in dB: 0.4 · 3.64 f^-0.8 (BS.1387-1)."""
    return np.asarray(0.4 * 3.64 * (np.asarray(hz) / 1000.0) ** -0.8)


def roex(detuning: Floats, slope: Floats) -> Floats:
    """Power weight of a rounded-exponential filter: (1 + p g) exp(-p g), g = |f - fc| / fc."""
    reach = slope * detuning
    return np.asarray((1.0 + reach) * np.exp(-reach))


def _centres() -> Floats:
    low, high = hz_to_erb_number(np.array([LOWEST_HZ, HIGHEST_HZ]))
    return erb_number_to_hz(np.arange(low, high, 1.0 / STEPS_AN_ERB))


# 73 filters, half an ERB apart, from 60 Hz.
CENTRES_HZ: Floats = _centres()
CENTRES_HZ.flags.writeable = False
BANDS = CENTRES_HZ.size
INTERNAL_NOISE: Floats = 10.0 ** (internal_noise_db(CENTRES_HZ) / 10.0)
INTERNAL_NOISE.flags.writeable = False


def band_groups(erb: int) -> NDArray[np.intp]:
    """Return the first bands of groups `erb` wide; the last takes what is left, up to half one."""
    size = erb * STEPS_AN_ERB
    return np.arange(0, BANDS - size // 2, size)


def specific_loudness(excitation: Floats) -> Floats:
    """Loudness in each band, in units of our own: Nz^0.23 ((1 + E / Nz)^0.23 - 1).

    `excitation` has the bands as its last axis. The law and the internal noise Nz are those of
    BS.1387-1, without its factors that depend on the threshold in quiet, so that it has no
    scale in sone: it serves as a weight, and in ratios.
    """
    ratio = 1.0 + np.asarray(excitation) / INTERNAL_NOISE
    return np.asarray(INTERNAL_NOISE**EXPONENT * (ratio**EXPONENT - 1.0))


def frames_in(samples: int, rate: int) -> int:
    """How many frames `excitation` takes over so many samples: one every 10 ms, ends included."""
    return -(-samples // round(HOP_S * rate)) + 1


def excitation(
    line: Volts, rate: int, frame_s: float, *, start: int = 0, frames: int | None = None
) -> Floats:
    """Excitation of one channel over time, shape (frames, bands), for a sound in units of 20 µPa.

    `line` has shape (samples,) and is silent outside its ends. Frame i is a Hann window of
    `frame_s` about sample `start` + 10 ms · i; `frames` is how many, by default as many as it takes
    to reach the end. Powers of a frame's spectrum are weighted by the ear, then by each band's
    filter, p = 4 fc / ERB(fc): a tone at a band's centre that is narrow against the band excites
    it by its own power times the ear weight. Below 200 Hz the window's own width shows: at 60 Hz
    a tone reads 3 dB low.
    """
    layout = _layout(rate, frame_s)
    hop, size = round(HOP_S * rate), layout.window.size
    count = frames_in(line.size, rate) if frames is None else frames
    padded = np.zeros((count - 1) * hop + size)
    first = start - size // 2
    source = line[max(first, 0) : max(first + padded.size, 0)]
    padded[max(-first, 0) : max(-first, 0) + source.size] = source
    windows = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop]
    found = np.empty((count, BANDS))
    _excite(windows, layout, found)
    return found


@dataclass(frozen=True, eq=False)
class _Layout:
    """Window, transform length, first bin of each group (and the end), weights (bands, groups)."""

    window: Floats
    length: int
    starts: NDArray[np.intp]
    weights: Floats


def _excite(windows: Floats, layout: _Layout, found: Floats) -> None:
    from simchain.kernels.bands import spectra_to_bands

    windowed = np.empty((_PIECE, windows.shape[1]))
    spectra = np.empty((_PIECE, layout.length // 2 + 1), dtype=np.complex128)
    for begin in range(0, len(windows), _PIECE):
        piece = windows[begin : begin + _PIECE]
        rows = len(piece)
        np.multiply(piece, layout.window, out=windowed[:rows])
        np.fft.rfft(windowed[:rows], layout.length, axis=1, out=spectra[:rows])
        spectra_to_bands(spectra[:rows], layout.starts, layout.weights, found[begin:][:rows])


@lru_cache(maxsize=8)
def _layout(rate: int, frame_s: float) -> _Layout:
    size = 2 * round(frame_s * rate / 2.0)
    length = _quick_length(size)
    window = 0.5 - 0.5 * np.cos(2.0 * math.pi * np.arange(size) / size)
    top = min(length // 2, math.ceil(_TOP_HZ * length / rate))
    hz = np.arange(1, top, dtype=np.float64) * (rate / length)
    steps = np.floor(hz_to_erb_number(hz) * _GROUPS_AN_ERB)
    starts = 1 + np.append(np.flatnonzero(np.diff(steps, prepend=-1.0)), hz.size)
    slopes = 4.0 * CENTRES_HZ / erb_hz(CENTRES_HZ)
    each = roex(np.abs(hz[:, None] - CENTRES_HZ) / CENTRES_HZ, slopes)
    each *= 10.0 ** (ear_weight_db(hz[:, None]) / 10.0)
    weights = np.add.reduceat(each, starts[:-1] - 1, axis=0) / np.diff(starts)[:, None]
    # Parseval: 2 |X|^2 / (length · sum of w^2), summed over the bins, is the mean square.
    weights *= 2.0 / (length * float(np.sum(window**2)))
    return _Layout(window, length, starts, np.ascontiguousarray(weights.T))


def _quick_length(size: int) -> int:
    """Even length, quick to transform, that holds `size`."""
    from scipy.fft import next_fast_len

    return 2 * int(next_fast_len((size + 1) // 2, real=True))
