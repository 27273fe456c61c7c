"""What best lays one sound on another: one gain of either sign, and one delay within 20 ms."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.measure.true_peak import TAPS, between_samples
from simchain.signal import Volts

Floats = NDArray[np.float64]
Spectrum = NDArray[np.complex128]
Spectra = NDArray[np.complex128]

LONGEST_DELAY_S = 0.02
IDENTICAL_DB = -400.0
WHOLE_SAMPLES_SUFFICE_DB = -120.0
FINEST_SEARCH_DB = -160.0
# A delay that leaves hardly less than none is no delay: unlike sounds have a best one too.
WORTH_A_DELAY_DB = 1.0

_NEWTON_STEPS = 6
# Newton squares what is left: after a step of this size the delay is right to 1e-8 of a sample.
_CLOSE_ENOUGH = 1e-4
_RAMP_PIECE = 1024
# Places a sample at which the delay is looked for before it is refined.
_POINTS = 8


@dataclass(frozen=True)
class Match:
    """How sound B best lies on sound A.

    `null_db`: 20 log10 of the RMS that is left over A's, -400 for identical sounds and 0 when
    nothing cancels. `delay_samples`: by how many whole samples B is later than A (below 0: earlier;
    the nearest to a delay between samples); 0 unless that leaves 1 dB less than no delay does.
    `inverted`: whether B is turned over.
    """

    null_db: float
    delay_samples: int
    inverted: bool


IDENTICAL = Match(IDENTICAL_DB, 0, inverted=False)
UNLIKE = Match(0.0, 0, inverted=False)


@dataclass(frozen=True, eq=False)
class Pair:
    """Two sounds of shape (channels, frames) and unit energy, and their `numpy.fft.rfft`.

    `length` is the even length of the transforms, with room for the longest delay.
    """

    a: Volts
    b: Volts
    spectra_a: Spectra
    spectra_b: Spectra
    length: int
    longest_delay: int


@dataclass(frozen=True)
class _Fit:
    """What a delay leaves, and whether B is turned over for it."""

    left_db: float
    inverted: bool


def match(pair: Pair) -> Match:
    """Find the deepest null of: no delay, the best whole sample, the best delay between samples.

    The null needs no search where sounds differ in gain only: with a and b brought to unit energy
    and e the energy of a - sign(rho) b, the least that any gain can leave of either is
    1 - rho^2 = e (1 - e/4), which loses no digits however deep the null is.
    """
    still = _whole_delay(pair, 0)
    if still.left_db < WHOLE_SAMPLES_SUFFICE_DB:
        return Match(still.left_db, 0, still.inverted)
    cross = np.einsum("ck,ck->k", pair.spectra_a, pair.spectra_b.conj())
    delay = _rough_delay(cross, pair)
    whole = _whole_delay(pair, round(delay))
    if whole.left_db < WHOLE_SAMPLES_SUFFICE_DB:
        return Match(whole.left_db, -round(delay), whole.inverted)
    delay = _fine_delay(cross, pair, delay)
    between = _any_delay(pair, delay)
    finest = _Fit(max(between.left_db, FINEST_SEARCH_DB), between.inverted)
    moved = min(whole, finest, key=lambda fit: fit.left_db)
    if moved.left_db <= still.left_db - WORTH_A_DELAY_DB:
        return Match(moved.left_db, -round(delay), moved.inverted)
    return Match(min(still.left_db, moved.left_db), 0, still.inverted)


def energy(*lines: Floats) -> float:
    """Return the sum of squares, the same in whatever order the lines come."""
    return math.fsum(float(np.einsum("t,t->", line, line)) for line in lines)


def _whole_delay(pair: Pair, delay: int) -> _Fit:
    """Null with B later by `delay` samples (A later where it is negative), in the time domain."""
    late, early = (pair.a, pair.b) if delay >= 0 else (pair.b, pair.a)
    shift, frames = abs(delay), late.shape[1]
    late_part, early_part = late[:, shift:], early[:, : frames - shift]
    likeness = float(np.einsum("ct,ct->", late_part, early_part))
    left = late_part - early_part if likeness >= 0.0 else late_part + early_part
    energy_left = energy(*left, *late[:, :shift], *early[:, frames - shift :])
    return _Fit(_left_db(energy_left), likeness < 0.0)


def _any_delay(pair: Pair, delay: float) -> _Fit:
    """Null with B later by `delay` samples, a fraction included, from the spectra."""
    turned = pair.spectra_b * _ramp(-2.0 * math.pi * delay / pair.length, pair.length // 2 + 1)
    likeness = float(np.vdot(turned[:, 1:-1], pair.spectra_a[:, 1:-1]).real)
    left = pair.spectra_a - turned if likeness >= 0.0 else pair.spectra_a + turned
    energy_left = energy(*left.real, *left.imag) * 2.0
    energy_left -= energy(*left[:, :1].real, *left[:, -1:].real, *left[:, -1:].imag)
    return _Fit(_left_db(energy_left / pair.length), likeness < 0.0)


def _rough_delay(cross: Spectrum, pair: Pair) -> float:
    """Delay of B within the limits that is most like A or its inverse, to an eighth of a sample."""
    around = TAPS // 2
    reach = pair.longest_delay + around
    every = np.fft.irfft(cross, pair.length)
    whole = np.concatenate((every[-reach:], every[: reach + 1]))
    starts = np.arange(around, around + 2 * pair.longest_delay)
    steps = np.column_stack((whole[starts], between_samples(whole, starts, _POINTS))).ravel()
    steps = np.append(steps, whole[around + 2 * pair.longest_delay])
    return int(np.argmax(np.abs(steps))) / _POINTS - pair.longest_delay


def _fine_delay(cross: Spectrum, pair: Pair, delay: float) -> float:
    """Delay beside `delay` at which the likeness of the whole sounds is largest: Newton's steps."""
    turn = np.arange(cross.size) * (2.0 * math.pi / pair.length)
    slopes = turn * cross
    for _ in range(_NEWTON_STEPS):
        ramp = _ramp(2.0 * math.pi * delay / pair.length, cross.size)
        turned = slopes * ramp
        slope = -float(turned.imag.sum())
        bend = -float(np.einsum("k,k->", turn, turned.real))
        if bend == 0.0:
            break
        step = max(-1.0 / _POINTS, min(1.0 / _POINTS, -slope / bend))
        delay = max(-pair.longest_delay, min(float(pair.longest_delay), delay + step))
        if abs(step) < _CLOSE_ENOUGH:
            break
    return delay


def _ramp(turn: float, size: int) -> Spectrum:
    """exp(i turn k) for k from 0 to `size`."""
    pieces = -(-size // _RAMP_PIECE)
    coarse = np.exp(1j * turn * _RAMP_PIECE * np.arange(pieces))
    fine = np.exp(1j * turn * np.arange(_RAMP_PIECE))
    return np.asarray(np.multiply.outer(coarse, fine).ravel()[:size])


def _left_db(energy_left: float) -> float:
    """Null of two sounds of unit energy whose difference has so much energy."""
    left = energy_left * (1.0 - energy_left / 4.0)
    return max(10.0 * math.log10(left), IDENTICAL_DB) if left > 0.0 else IDENTICAL_DB
