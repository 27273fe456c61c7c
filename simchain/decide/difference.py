"""The plain difference between two sounds: loudness, null, third-octave bands."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.decide.ear import SILENCE
from simchain.decide.match import (
    IDENTICAL,
    LONGEST_DELAY_S,
    UNLIKE,
    Match,
    Pair,
    energy,
    match,
)
from simchain.measure.bands import (
    CENTRES_HZ,
    a_weighting_db,
    band_powers,
    spectrum_length,
    within,
)
from simchain.measure.loudness import loudness_or_rms, ungated_lufs
from simchain.measure.true_peak import TAPS
from simchain.signal import Volts, twins

Floats = NDArray[np.float64]
Samples = NDArray[np.floating]
Spectra = NDArray[np.complex128]

QUIET_BAND_DB = -50.0


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
    delay_samples: int = 0
    inverted: bool = False


def difference(a: Samples, b: Samples, rate: int) -> Difference:
    """Compare two sounds of shape (1 or 2 channels, frames), full scale 1.0.

    One channel counts as the same sound in both. The shorter sound is taken to be silent after its
    end, and both to be silent before their beginning: a delay pushes nothing out of the window. All
    figures are the same for A against B and for B against A, but for the sign of `trim_lu`,
    `band_change_db` and `delay_samples`.
    """
    a, b = _alike(a, b)
    if np.array_equal(a, b):
        return _summed_up(0.0, IDENTICAL, np.where(within(rate), 0.0, np.nan))
    trim_lu = _trim_lu(a, b, rate)
    longest = int(LONGEST_DELAY_S * rate)
    length = spectrum_length(a.shape[1] + longest + TAPS, rate)
    spectra_a, spectra_b = np.fft.rfft(a, length), np.fft.rfft(b, length)
    change_db = _band_change_db(spectra_a, spectra_b, length, rate, trim_lu)
    if math.isinf(trim_lu):
        return _summed_up(trim_lu, UNLIKE, change_db)
    for sound, spectra in ((a, spectra_a), (b, spectra_b)):
        scale = 1.0 / math.sqrt(energy(*sound))
        sound *= scale
        spectra *= scale
    found = match(Pair(a, b, spectra_a, spectra_b, length, longest))
    return _summed_up(trim_lu, found, change_db)


def _summed_up(trim_lu: float, found: Match, change_db: Floats) -> Difference:
    largest = int(np.nanargmax(np.abs(change_db)))
    size, hz = abs(float(change_db[largest])), float(CENTRES_HZ[largest])
    return Difference(
        trim_lu, found.null_db, size, hz, change_db, found.delay_samples, found.inverted
    )


def _alike(a: Samples, b: Samples) -> tuple[Volts, Volts]:
    """Both as float64 of one shape, in arrays of their own; one channel where one is enough."""
    mono = all(one.shape[0] == 1 or twins(one) for one in (a, b))
    channels, frames = 1 if mono else 2, max(a.shape[1], b.shape[1])
    filled = []
    for one in (a, b):
        whole = np.zeros((channels, frames))
        if one.size and max(one.max(), -one.min()) > SILENCE:
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
    louder = 10.0 ** (-trim_lu / 10.0) if math.isfinite(trim_lu) else 1.0
    powers_a = np.array([band_powers(line, length, rate) for line in a]) * ear
    powers_b = np.array([band_powers(line, length, rate) for line in b]) * (ear * louder)
    loudest = max(np.nanmax(powers_a), np.nanmax(powers_b))
    quiet = loudest * 10.0 ** (QUIET_BAND_DB / 10.0)
    change_db = 10.0 * np.log10(np.maximum(powers_b, quiet) / np.maximum(powers_a, quiet))
    more = np.argmax(np.abs(change_db), axis=0)
    return np.asarray(change_db[more, np.arange(CENTRES_HZ.size)])
