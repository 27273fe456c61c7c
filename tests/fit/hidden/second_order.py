"""Second-order filters of a linear unit at eight times the rate, from their polynomials in s.

With s in units of the corner, a low-pass 1 / (s^2 + s/q + 1), a band-pass (s/q) / (...) and a
high-pass s^2 / (...) make the rest by sums, as a state-variable filter's three outputs do (Williams
and Taylor, Electronic Filter Design Handbook; Zumbahlen, Linear Circuit Design Handbook, ch. 8;
from memory). What a shelf's or a peak's q means is said as in the Audio EQ Cookbook (W3C note,
2021, from memory). Bilinear, with the one frequency kept that the filter is named by.
"""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import bilinear, lfilter

from tests.fit.hidden.oversampled import FAST

Floats = NDArray[np.float64]

RAIL_VOLTS = 3.5  # 9 V, half of it less a volt


def band(volts: Floats, shape: str, hz: float, db: float, q: float) -> Floats:
    """Return what one band makes of `volts`, (frames,) at 384 kHz."""
    a = 10.0 ** (db / 40.0)
    low, middle, high = (np.array(row) for row in ([0, 0, 1.0], [0, 1.0, 0], [1.0, 0, 0]))
    plain = high + middle / q + low
    if shape == "peak":  # the sound and (a^2 - 1) times a band-pass of a q
        below = high + middle / (a * q) + low
        return filtered(volts, below + (a * a - 1.0) * middle / (a * q), below, hz)
    if shape in ("low_shelf", "high_shelf"):
        # a^2 of one side and 1 of the other, the middle between them, both roots at hz a^(+-1/2)
        lifted = high + middle * np.sqrt(a) / q + low * a
        sunk = high * a + middle * np.sqrt(a) / q + low
        above, below = (lifted, sunk) if shape == "low_shelf" else (sunk, lifted)
        return filtered(volts, a * above, below, hz)
    above = {"low_cut": high, "high_cut": low, "notch": high + low}[shape]
    return filtered(volts, above, plain, hz)


def resonance(volts: Floats, hz: float, q: float) -> Floats:
    """Return a band-pass of 0 dB at `hz` of `volts`, (frames,) at 384 kHz."""
    return filtered(volts, [0.0, 1.0 / q, 0.0], [1.0, 1.0 / q, 1.0], hz)


def railed(volts: Floats) -> Floats:
    """Return `volts` cut off at the rails of a unit that runs from 9 V."""
    return np.clip(volts, -RAIL_VOLTS, RAIL_VOLTS)


def filtered(volts: Floats, above: Iterable[float], below: Iterable[float], hz: float) -> Floats:
    """Return `volts` through a ratio of polynomials in s / (2 pi hz), highest power first."""
    warped = 2.0 * FAST * np.tan(np.pi * hz / FAST)
    powers = warped ** np.arange(3)
    b, a = bilinear(np.asarray(above) * powers, np.asarray(below) * powers, FAST)
    return np.asarray(lfilter(b, a, volts))
