"""Circuits at eight times the rate by scipy alone: filters by the bilinear transform, clipping."""

import numpy as np
from numpy.typing import NDArray
from scipy.signal import bilinear, lfilter, resample_poly

Floats = NDArray[np.float64]

RATE, TIMES = 48_000, 8
FAST = RATE * TIMES


def up(volts: Floats) -> Floats:
    """Return `volts`, (frames,), at eight times the rate."""
    return np.asarray(resample_poly(volts, TIMES, 1, window=("kaiser", 12.0)))


def down(volts: Floats) -> Floats:
    """Return `volts` back at the rate."""
    return np.asarray(resample_poly(volts, 1, TIMES, window=("kaiser", 12.0)))


def low_cut(volts: Floats, hz: float, rate: int = FAST) -> Floats:
    """First-order low cut, s / (s + w)."""
    return analogue(volts, [1.0, 0.0], [1.0, 2.0 * np.pi * hz], rate)


def high_cut(volts: Floats, hz: float, rate: int = FAST) -> Floats:
    """First-order high cut, w / (s + w)."""
    return analogue(volts, [2.0 * np.pi * hz], [1.0, 2.0 * np.pi * hz], rate)


def analogue(volts: Floats, above: list[float], below: list[float], rate: int = FAST) -> Floats:
    """A filter given by its polynomials in s."""
    b, a = bilinear(above, below, rate)
    return np.asarray(lfilter(b, a, volts))


def ratio(db: float) -> float:
    """Return the ratio of amplitudes."""
    return float(10.0 ** (db / 20.0))
