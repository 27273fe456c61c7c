"""Stereo: how far apart two channels are, and what is lost where they are folded into one.

With M = (L + R) / 2, S = (L - R) / 2 and P(x) the mean square of x, the mean power of both channels
is (P(L) + P(R)) / 2 = P(M) + P(S): what the fold M leaves of it is what is not in the side. So
width and loss are two words for one figure: loss = 10 log10(1 - width).
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simchain.measure.excitation import erb_hz, roex
from simchain.signal import Volts

Floats = NDArray[np.float64]
Taken = Literal["mean", "left"]

# Stretches in which the loss is looked at, and how far one may lie below the loudest of them
# (common practice, no source).
STRETCH_S = 0.1
QUIETEST_DB = -30.0

LOWEST_HZ, HIGHEST_HZ = 30.0, 16_000.0
HIGHEST_WEIGHED_HZ = 24_000.0
POINTS_AN_OCTAVE = 48
# Independent sides read -3 dB throughout, and a little about it.
LEAST_DIP_DB, LEAST_PROMINENCE_DB = -5.0, 2.0
DEEPEST_DB = -60.0
# A band that lies further below the loudest one says nothing.
FAINTEST_DB = -40.0
# Long against what combs: later than some 30 ms a copy is an echo (common practice, no source).
PIECE_S = 0.25


@dataclass(frozen=True)
class Stereo:
    """How two channels stand to each other over their whole length.

    `correlation` is sum(L R) / sqrt(sum(L^2) sum(R^2)): 1 for the same sound at any two levels,
    0 for independent ones, -1 for opposite ones; NaN where a channel is silent. `width` is the
    side's share of the energy, P(S) / (P(M) + P(S)): 0 where both are the same, 1/2 for independent
    ones of one level, 1 for opposite ones; NaN in silence. DC counts, as it does for RMS.
    """

    correlation: float
    width: float


@dataclass(frozen=True)
class FoldLoss:
    """Level of a fold against the mean power of both channels, in dB; NaN in silence.

    `level_db` is that of the whole sound: 0 for equal channels, -3.01 for independent ones and for
    one channel alone, minus infinity for opposite ones. `most_db` is the most that is lost in a
    tenth of a second, from `most_at_s` on, of those within 30 dB of the loudest.
    """

    level_db: float
    most_db: float
    most_at_s: float


class Dip(NamedTuple):
    """Where a fold has its least: `db` against the mean power of both channels, -60 at least."""

    hz: float
    db: float


class _Energies(NamedTuple):
    """Sums of squares in each stretch: left, right, sum and difference of both."""

    left: Floats
    right: Floats
    sums: Floats
    differences: Floats


def stereo_of(volts: Volts) -> Stereo:
    """Return correlation and width of `volts`, shape (2, frames); (1, frames) is a mono pair."""
    left, right, sums, differences = (float(part.sum()) for part in _energies(volts, 1 << 16))
    if left + right == 0.0:
        return Stereo(math.nan, math.nan)
    size = math.sqrt(left) * math.sqrt(right)
    correlation = (sums - differences) / 4.0 / size if size > 0.0 else math.nan
    if math.isfinite(correlation):
        correlation = max(-1.0, min(1.0, correlation))
    return Stereo(correlation, differences / (sums + differences))


def fold_loss(volts: Volts, rate: int, taken: Taken = "mean") -> FoldLoss:
    """Return what becomes of the level of `volts`, shape (2, frames), where one input takes both.

    It takes the "mean" of both channels, or the "left" one alone (then up to 3.01 dB are won).
    """
    stretch = max(1, round(STRETCH_S * rate))
    left, right, sums, _ = _energies(volts, stretch)
    kept = left if taken == "left" else sums / 4.0
    whole = (left + right) / 2.0
    loudest = float(whole.max(initial=0.0))
    if loudest == 0.0:
        return FoldLoss(math.nan, math.nan, math.nan)
    heard = np.flatnonzero(whole >= loudest * 10.0 ** (QUIETEST_DB / 10.0))
    shares = kept[heard] / whole[heard]
    least = int(np.argmin(shares))
    return FoldLoss(
        _power_db(float(kept.sum() / whole.sum())),
        _power_db(float(shares[least])),
        int(heard[least]) * stretch / rate,
    )


def fold_spectrum_db(volts: Volts, rate: int, taken: Taken = "mean") -> tuple[Floats, Floats]:
    """Return frequencies in Hz and the fold against the mean power of both channels there, in dB.

    Both are weighed as the ear's filters do, w(g) = (1 + p g) exp(-p g) with g = |f - hz| / hz and
    p = 4 hz / ERB, ERB = 24.7 (4.37 hz / 1000 + 1) Hz (Glasberg and Moore 1990, equations 3 and 5),
    48 points an octave from 30 Hz to 16 kHz (or 0.45 of the rate); not below -60 dB; NaN in bands
    40 dB and more below the loudest. Energies are averaged over the sound, so what sways is
    blurred. A copy late by T folds to |1 + exp(-j w T)| / 2, dips at odd multiples of 1 / (2 T),
    which under these weights is, of the power, (1 + cos(w T) / (1 + (pi T ERB / 2)^2)^2) / 2. Its
    least lies up to 0.5 % lower, as the weights widen with frequency.
    """
    length = _piece(rate)
    whole, kept = np.zeros(length // 2 + 1), np.zeros(length // 2 + 1)
    for spectrum in _spectra(volts, length):
        whole += (np.abs(spectrum) ** 2).mean(axis=0)
        kept += np.abs(spectrum[0] if taken == "left" else spectrum.mean(axis=0)) ** 2
    hz, weights = _ear(rate, length)
    # By einsum, as above.
    both, fold = (
        np.einsum("pb,b->p", weights, power[: weights.shape[1]]) for power in (whole, kept)
    )
    heard = (both > 0.0) & (both >= both.max() * 10.0 ** (FAINTEST_DB / 10.0))
    shares = np.full(hz.size, np.nan)
    np.divide(fold, both, out=shares, where=heard)
    return hz, 10.0 * np.log10(np.maximum(shares, 10.0 ** (DEEPEST_DB / 10.0)))


def fold_dips(volts: Volts, rate: int, taken: Taken = "mean") -> tuple[Dip, ...]:
    """Return where the fold of `volts`, shape (2, frames), has dips, from the lowest on.

    A dip lies at -5 dB or lower and stands out by 2 dB from what is on both sides of it; see
    `fold_spectrum_db`. Where all is gone, or a whole range, there are no dips but loss of level.
    """
    from scipy.signal import find_peaks

    hz, decibels = fold_spectrum_db(volts, rate, taken)
    known = np.flatnonzero(np.isfinite(decibels))
    if known.size == 0:
        return ()
    line = np.interp(np.arange(hz.size), known, decibels[known])
    found, _ = find_peaks(-line, height=-LEAST_DIP_DB, prominence=LEAST_PROMINENCE_DB)
    return tuple(_lowest(hz, line, int(place)) for place in found)


def _lowest(hz: Floats, line: Floats, place: int) -> Dip:
    """Return the lowest point of the parabola through three points of `line` about `place`."""
    before, here, after = (float(each) for each in line[place - 1 : place + 2])
    bend = before - 2.0 * here + after
    off = 0.5 * (before - after) / bend if bend > 0.0 else 0.0
    octaves = off / POINTS_AN_OCTAVE
    return Dip(float(hz[place]) * 2.0**octaves, here - 0.25 * (before - after) * off)


def _energies(volts: Volts, stretch: int) -> _Energies:
    """Sum squares over each `stretch` of frames; one channel stands for both."""
    left, right = volts[0], volts[-1]
    starts = range(0, left.size, stretch)
    found = np.zeros((4, len(starts)))
    for place, start in enumerate(starts):
        one, other = left[start : start + stretch], right[start : start + stretch]
        for row, line in enumerate((one, other, one + other, one - other)):
            # Summed by einsum: a long np.dot wakes the threads of the linear algebra library.
            found[row, place] = np.einsum("i,i->", line, line)
    return _Energies(*found)


def _spectra(volts: Volts, length: int) -> Iterator[NDArray[np.complex128]]:
    """Yield spectra of Hann-weighted pieces that overlap by half, the ends included."""
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)
    for start in range(-(length // 2), volts.shape[1], length // 2):
        first, last = max(start, 0), min(start + length, volts.shape[1])
        piece = np.zeros((2, length))
        piece[:, first - start : last - start] = volts[:, first:last]
        yield np.fft.rfft(piece * window)


def _piece(rate: int) -> int:
    from scipy.fft import next_fast_len

    return 2 * int(next_fast_len(round(PIECE_S * rate / 2), real=True))


@lru_cache(maxsize=4)
def _ear(rate: int, length: int) -> tuple[Floats, Floats]:
    """Return frequencies, and what each bin of a spectrum counts at each: (points, bins)."""
    highest = min(HIGHEST_HZ, 0.45 * rate)
    points = int(POINTS_AN_OCTAVE * math.log2(highest / LOWEST_HZ)) + 1
    hz = LOWEST_HZ * 2.0 ** (np.arange(points) / POINTS_AN_OCTAVE)
    every_hz = np.fft.rfftfreq(length, 1.0 / rate)
    off = np.abs(every_hz[every_hz <= HIGHEST_WEIGHED_HZ] - hz[:, np.newaxis])
    return hz, roex(off, (4.0 / erb_hz(hz))[:, np.newaxis])


def _power_db(ratio: float) -> float:
    return 10.0 * math.log10(ratio) if ratio > 0.0 else -math.inf
