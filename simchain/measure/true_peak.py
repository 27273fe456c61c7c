"""True peak of digital sound: what the converter makes of the samples, by ITU-R BS.1770-5 Annex 2.

The annex asks for 192 kHz or more; here at least 352.8 kHz are looked at, eight points a sample at
44.1 and 48 kHz, so that a tone of 0.45 of the rate reads at most 0.14 dB low (the annex's
under-read, cos(pi f / M)).
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simchain.signal import Volts, pieces, twins
from simchain.units import ratio_to_db

Floats = NDArray[np.float64]

POINTS_A_SECOND = 352_800
TAPS = 24
# Only the stretches beside samples within 6 dB of the largest are looked into: a tone up to a third
# of the rate (16 kHz at 48 kHz) cannot hide its peak further down, cos(pi / 3) being one half.
_WORTH_A_LOOK = 0.5
# Small enough for the linear algebra library to stay on one thread.
_PIECE = 1024


def true_peak_dbtp(samples: Volts, rate: int) -> float:
    """True peak in dBTP of `samples`, shape (1 or 2 channels, frames), full scale 1.0.

    The largest of all channels; minus infinity for silence.
    """
    points = max(2, -(-POINTS_A_SECOND // rate))
    lines = samples[:1] if twins(samples) else samples
    return ratio_to_db(max((_true_peak(line, points) for line in lines), default=0.0))


def between_samples(line: Volts, starts: NDArray[np.intp], points: int) -> Floats:
    """Values 1/points, 2/points .. of the way from sample n to n + 1, for each n in `starts`.

    Shape (starts, points - 1). A sinc of 24 taps under a Kaiser window of beta 6.5; the line is
    silent outside its ends.
    """
    half = TAPS // 2
    padded = np.concatenate((np.zeros(half - 1), line, np.zeros(half)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, TAPS)
    found = np.empty((starts.size, points - 1))
    taps = _taps(points)
    for first in range(0, starts.size, _PIECE):
        piece = slice(first, first + _PIECE)
        np.matmul(windows[starts[piece]], taps, out=found[piece])
    return found


def _true_peak(line: Volts, points: int) -> float:
    if line.size == 0:
        return 0.0
    peak = max(float(line.max()), -float(line.min()))
    worth, half = _WORTH_A_LOOK * peak, TAPS // 2
    highest = peak
    for part in pieces(line.size - 1):
        near = np.abs(line[part.start : part.stop + 1]) >= worth
        starts = np.flatnonzero(near[:-1] | near[1:])
        if starts.size == 0:
            continue
        first = max(0, part.start - half)
        around = line[first : part.stop + 1 + half]
        found = between_samples(around, starts + (part.start - first), points)
        highest = max(highest, float(found.max()), -float(found.min()))
    return highest


@lru_cache(maxsize=8)
def _taps(points: int) -> Floats:
    """Interpolating taps of shape (24, points - 1): a column for each place between samples."""
    half = TAPS // 2
    places = np.arange(1, points) / points
    distance = np.arange(1 - half, half + 1)[:, None] - places[None, :]
    window = np.i0(6.5 * np.sqrt(1.0 - (distance / half) ** 2)) / np.i0(6.5)
    taps = np.sinc(distance) * window
    return np.asarray(taps / taps.sum(axis=0))
