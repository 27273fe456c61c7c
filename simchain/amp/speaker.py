"""What the speaker and its cabinet do: the lift of its impedance, and the sound in the room."""

from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simchain.errors import ClipError
from simchain.files import Stamp, stamp_of
from simchain.filters.impulse import impulse_response
from simchain.filters.rational import Rational, chained, from_polynomials
from simchain.signal import Volts

RATED_HZ = 1000.0
LONGEST_CABINET_S = 0.5

# Impedance in units of the nominal one: 7 times at resonance, 2.9 times at 5 kHz. Invented, to
# the common practice (no source) of 5 to 8 times and about 3 times.
COIL_OHM = 0.9
RESONANCE_OHM = 6.1
RESONANCE_Q = 6.0
COIL_HENRY = 0.2e-4
LOSSY_HENRY = 0.8e-4
LOSS_OHM = 2.6


def impedance(speaker_hz: float) -> Rational:
    """Return Z(s) of the speaker over its nominal impedance.

    Z = R + s L + s L1 R1 / (s L1 + R1) + Rm (s w / Q) / (s^2 + s w / Q + w^2): the coil, its
    inductance with the loss in the iron, and the resonance at w = 2 pi `speaker_hz`.
    """
    over, under = _impedance(speaker_hz)
    return from_polynomials(over[::-1], under[::-1])


def lift(speaker_hz: float, damping: float) -> Rational:
    """Return the speaker's voltage with a source impedance of the nominal one / `damping`.

    H = Z / (Z + 1 / damping), made 1 at 1 kHz, where the amplifier is rated.
    """
    from numpy.polynomial import polynomial

    over, under = _impedance(speaker_hz)
    total = polynomial.polyadd(over, under / damping)
    divided = from_polynomials(over[::-1], total[::-1])
    return divided.times(1.0 / divided.level(RATED_HZ))


def cabinet_response(cabinet: str) -> Rational:
    """Return the response of an "open" or "closed" cabinet with its speaker, 0 dB at 1 kHz.

    Common practice, no source: practice's figures (box resonance, dip at 400 Hz, breakup at
    2.6 kHz, roll-off of fourth to sixth order from 4.8 kHz). Minimum phase.
    """
    parts = _closed() if cabinet == "closed" else _open()
    whole = chained(parts)
    return whole.times(1.0 / whole.level(RATED_HZ))


def cabinet_taps(path: Path, rate: int) -> Volts:
    """Return the impulse response in a file at `rate`, shape (taps,), 0 dB around 1 kHz.

    0 dB is the mean power over the third octave at 1 kHz: a response from a room may have a dip
    just there. Trimmed and resampled by `impulse_response`; a file that has changed is read again.

    Raises ClipError, naming the file, for what `impulse_response` refuses with 0.5 s as the
    longest, and for a response with less at 1 kHz than 60 dB below its loudest frequency.
    """
    return _cabinet_taps(path, rate, stamp_of(path))


@lru_cache(maxsize=8)
def _cabinet_taps(path: Path, rate: int, _stamp: Stamp | None) -> Volts:
    taps = impulse_response(path, rate, LONGEST_CABINET_S)
    power = np.abs(np.fft.rfft(taps, rate)) ** 2
    around = power[round(RATED_HZ * 10**-0.05) : round(RATED_HZ * 10**0.05) + 1].mean()
    if around < 1e-6 * power.max():
        raise ClipError(
            f"impulse response {path}: has next to nothing at 1 kHz, where a cabinet is 0 dB"
        )
    scaled = np.asarray(taps / np.sqrt(around))
    scaled.flags.writeable = False
    return scaled


def _open() -> tuple[Rational, ...]:
    return (
        _second_order_low_cut(75.0, 0.8),
        _peak(105.0, 3.4, 1.2),
        _peak(400.0, -2.7, 0.9),
        _peak(2600.0, 6.0, 1.3),
        _roll_off(4800.0, 4),
    )


def _closed() -> tuple[Rational, ...]:
    return (
        _second_order_low_cut(80.0, 0.8),
        _peak(110.0, 4.5, 1.2),
        _peak(400.0, -1.2, 0.9),
        _peak(2600.0, 6.0, 1.3),
        _roll_off(4800.0, 6),
    )


def _impedance(speaker_hz: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return Z's numerator and denominator, lowest power first."""
    from numpy.polynomial import polynomial

    w = 2 * np.pi * speaker_hz
    mass = np.array((w * w, w / RESONANCE_Q, 1.0))
    iron = np.array((LOSS_OHM, LOSSY_HENRY))
    under = polynomial.polymul(mass, iron)
    coil = polynomial.polymul((COIL_OHM, COIL_HENRY), under)
    moving = polynomial.polymul((0.0, RESONANCE_OHM * w / RESONANCE_Q), iron)
    lossy = polynomial.polymul((0.0, LOSSY_HENRY * LOSS_OHM), mass)
    return polynomial.polyadd(polynomial.polyadd(coil, moving), lossy), under


def _second_order_low_cut(hz: float, q: float) -> Rational:
    w = 2 * np.pi * hz
    return from_polynomials((1.0, 0.0, 0.0), (1.0, w / q, w * w))


def _peak(hz: float, db: float, q: float) -> Rational:
    """Return (s^2 + s w A / Q + w^2) / (s^2 + s w / (A Q) + w^2), A^2 the gain at `hz`."""
    w, a = 2 * np.pi * hz, 10 ** (db / 40)
    return from_polynomials((1.0, w * a / q, w * w), (1.0, w / (a * q), w * w))


def _roll_off(hz: float, order: int) -> Rational:
    """Return a Butterworth low-pass: poles w exp(j pi (2 k + n + 1) / (2 n)), k = 0 to n - 1."""
    w = 2 * np.pi * hz
    angles = np.pi * (2 * np.arange(order) + order + 1) / (2 * order)
    return Rational(np.empty(0, np.complex128), w * np.exp(1j * angles), w**order)
