"""The plain difference between two sounds: loudness, null, third-octave bands."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.measure.bands import (
    CENTRES_HZ,
    a_weighting_db,
    band_powers,
    spectrum_length,
    within,
)
from simchain.measure.loudness import loudness_or_rms, ungated_lufs
from simchain.measure.true_peak import TAPS, between_samples
from simchain.signal import Volts, twins

Floats = NDArray[np.float64]
Samples = NDArray[np.floating]
Spectrum = NDArray[np.complex128]
Spectra = NDArray[np.complex128]

LONGEST_DELAY_S = 0.02
IDENTICAL_DB = -400.0
WHOLE_SAMPLES_SUFFICE_DB = -120.0
FINEST_SEARCH_DB = -160.0
QUIET_BAND_DB = -50.0

# 300 dB under full scale: what is left of a sound that has died away, not a sound.
_SILENCE = 1e-15
_NEWTON_STEPS = 6
# Newton squares what is left: after a step of this size the delay is right to 1e-8 of a sample.
_CLOSE_ENOUGH = 1e-4
_RAMP_PIECE = 1024
# Places a sample at which the delay is looked for before it is refined.
_POINTS = 8


@dataclass(frozen=True, eq=False)
class Difference:
    """Sound B measured against sound A.

    `trim_lu`: integrated loudness of B less that of A, in LU; minus or plus infinity when one of
    them is silent, 0 when both are.

    `null_db`: what is left when B, with one gain (which may be negative) and one delay within 20 ms
    for both channels, is taken from A: 20 log10 of its RMS over A's. -400 for identical sounds, 0
    when nothing cancels.

    `band_change_db`: for each of the 30 third-octave bands of `measure.bands`, B's long-term level
    less A's after matching in loudness; in the channel where it differs more. NaN for bands beyond
    half the rate. `max_band_change_db` is the largest size among them, at `max_band_hz` (exact
    centre). Bands too quiet to matter change nothing: A-weighted levels are not taken to be lower
    than 50 dB under the loudest band of the two sounds.
    """

    trim_lu: float
    null_db: float
    max_band_change_db: float
    max_band_hz: float
    band_change_db: Floats


@dataclass(frozen=True, eq=False)
class _Pair:
    """Two sounds of shape (channels, frames) and unit energy, and their spectra."""

    a: Volts
    b: Volts
    spectra_a: Spectra
    spectra_b: Spectra
    length: int
    longest_delay: int


def difference(a: Samples, b: Samples, rate: int) -> Difference:
    """Compare two sounds of shape (1 or 2 channels, frames), full scale 1.0.

    One channel counts as the same sound in both. The shorter sound is taken to be silent after its
    end, and both to be silent before their beginning: a delay pushes nothing out of the window. All
    figures are the same for A against B and for B against A, but for the sign of `trim_lu` and
    `band_change_db`.

    The null needs no search where sounds differ in gain only: with a and b brought to unit energy
    and e the energy of a - sign(rho) b, the least that any gain can leave of either is
    1 - rho^2 = e (1 - e/4), which loses no digits however deep the null is.
    """
    a, b = _alike(a, b)
    if np.array_equal(a, b):
        return _summed_up(0.0, IDENTICAL_DB, np.where(within(rate), 0.0, np.nan))
    trim_lu = _trim_lu(a, b, rate)
    longest = int(LONGEST_DELAY_S * rate)
    length = spectrum_length(a.shape[1] + longest + TAPS, rate)
    spectra_a, spectra_b = np.fft.rfft(a, length), np.fft.rfft(b, length)
    change_db = _band_change_db(spectra_a, spectra_b, length, rate, trim_lu)
    if math.isinf(trim_lu):
        return _summed_up(trim_lu, 0.0, change_db)
    for sound, spectra in ((a, spectra_a), (b, spectra_b)):
        scale = 1.0 / math.sqrt(_energy(*sound))
        sound *= scale
        spectra *= scale
    null_db = _null_db(_Pair(a, b, spectra_a, spectra_b, length, longest))
    return _summed_up(trim_lu, null_db, change_db)


def _summed_up(trim_lu: float, null_db: float, change_db: Floats) -> Difference:
    largest = int(np.nanargmax(np.abs(change_db)))
    size, hz = abs(float(change_db[largest])), float(CENTRES_HZ[largest])
    return Difference(trim_lu, null_db, size, hz, change_db)


def _alike(a: Samples, b: Samples) -> tuple[Volts, Volts]:
    """Both as float64 of one shape, in arrays of their own; one channel where one is enough."""
    mono = all(one.shape[0] == 1 or twins(one) for one in (a, b))
    channels, frames = 1 if mono else 2, max(a.shape[1], b.shape[1])
    filled = []
    for one in (a, b):
        whole = np.zeros((channels, frames))
        if one.size and max(one.max(), -one.min()) > _SILENCE:
            whole[:, : one.shape[1]] = one[:channels]
        filled.append(whole)
    return filled[0], filled[1]


def _trim_lu(a: Volts, b: Volts, rate: int) -> float:
    """B's loudness less A's, both gated or both not."""
    a, b = (np.broadcast_to(one, (2, one.shape[1])) for one in (a, b))
    (loudness_a, rms_a), (loudness_b, rms_b) = loudness_or_rms(a, rate), loudness_or_rms(b, rate)
    if rms_a and not rms_b:
        loudness_b = ungated_lufs(b, rate)
    if rms_b and not rms_a:
        loudness_a = ungated_lufs(a, rate)
    return loudness_b - loudness_a


def _band_change_db(a: Spectra, b: Spectra, length: int, rate: int, trim_lu: float) -> Floats:
    """B's bands less A's after matching, each in the channel where it changes more."""
    ear = 10.0 ** (a_weighting_db(CENTRES_HZ) / 10.0)
    ear[~within(rate)] = np.nan
    match = 10.0 ** (-trim_lu / 10.0) if math.isfinite(trim_lu) else 1.0
    powers_a = np.array([band_powers(line, length, rate) for line in a]) * ear
    powers_b = np.array([band_powers(line, length, rate) for line in b]) * (ear * match)
    loudest = max(np.nanmax(powers_a), np.nanmax(powers_b))
    quiet = loudest * 10.0 ** (QUIET_BAND_DB / 10.0)
    change_db = 10.0 * np.log10(np.maximum(powers_b, quiet) / np.maximum(powers_a, quiet))
    more = np.argmax(np.abs(change_db), axis=0)
    return np.asarray(change_db[more, np.arange(CENTRES_HZ.size)])


def _null_db(pair: _Pair) -> float:
    """The deepest null of: no delay, the best whole sample, the best delay between samples."""
    least = _whole_delay_db(pair, 0)
    if least < WHOLE_SAMPLES_SUFFICE_DB:
        return least
    cross = np.einsum("ck,ck->k", pair.spectra_a, pair.spectra_b.conj())
    delay = _rough_delay(cross, pair)
    least = min(least, _whole_delay_db(pair, round(delay)))
    if least < WHOLE_SAMPLES_SUFFICE_DB:
        return least
    delay = _fine_delay(cross, pair, delay)
    return min(least, max(_any_delay_db(pair, delay), FINEST_SEARCH_DB))


def _whole_delay_db(pair: _Pair, delay: int) -> float:
    """Null with B later by `delay` samples (A later where it is negative), in the time domain."""
    late, early = (pair.a, pair.b) if delay >= 0 else (pair.b, pair.a)
    shift, frames = abs(delay), late.shape[1]
    late_part, early_part = late[:, shift:], early[:, : frames - shift]
    likeness = float(np.einsum("ct,ct->", late_part, early_part))
    left = late_part - early_part if likeness >= 0.0 else late_part + early_part
    return _left_db(_energy(*left, *late[:, :shift], *early[:, frames - shift :]))


def _any_delay_db(pair: _Pair, delay: float) -> float:
    """Null with B later by `delay` samples, a fraction included, from the spectra."""
    turned = pair.spectra_b * _ramp(-2.0 * math.pi * delay / pair.length, pair.length // 2 + 1)
    likeness = float(np.vdot(turned[:, 1:-1], pair.spectra_a[:, 1:-1]).real)
    left = pair.spectra_a - turned if likeness >= 0.0 else pair.spectra_a + turned
    energy = _energy(*left.real, *left.imag) * 2.0
    energy -= _energy(*left[:, :1].real, *left[:, -1:].real, *left[:, -1:].imag)
    return _left_db(energy / pair.length)


def _rough_delay(cross: Spectrum, pair: _Pair) -> float:
    """Delay of B within the limits that is most like A or its inverse, to an eighth of a sample."""
    around = TAPS // 2
    reach = pair.longest_delay + around
    every = np.fft.irfft(cross, pair.length)
    whole = np.concatenate((every[-reach:], every[: reach + 1]))
    starts = np.arange(around, around + 2 * pair.longest_delay)
    steps = np.column_stack((whole[starts], between_samples(whole, starts, _POINTS))).ravel()
    steps = np.append(steps, whole[around + 2 * pair.longest_delay])
    return int(np.argmax(np.abs(steps))) / _POINTS - pair.longest_delay


def _fine_delay(cross: Spectrum, pair: _Pair, delay: float) -> float:
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


def _energy(*lines: Floats) -> float:
    """Sum of squares, the same in whatever order the lines come."""
    return math.fsum(float(np.einsum("t,t->", line, line)) for line in lines)


def _left_db(energy: float) -> float:
    """Null of two sounds of unit energy whose difference has `energy`."""
    left = energy * (1.0 - energy / 4.0)
    return max(10.0 * math.log10(left), IDENTICAL_DB) if left > 0.0 else IDENTICAL_DB
