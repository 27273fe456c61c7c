"""An acoustic guitar's body, from a pickup and a microphone recorded together.

The pickup hears the string, the microphone the string through the wood and the air. What takes one
to the other (`measure.transfer`) is smoothed over a 96th of an octave, half a hertz at least: so a
resonance of Q 25 at 100 Hz, 4 Hz wide, keeps its height within 0.5 dB. Where the two do not agree
nothing is known, and the pickup passes as it is, at 0 dB. The phase is the least that the magnitude
allows: resonances side by side that push the same way have that phase, and the way to the
microphone, which is no part of the body, falls away with the rest.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from simchain.errors import ClipError
from simchain.filters.minimum_phase import minimum_phase
from simchain.measure.bands import CENTRES_HZ, HALF_BAND
from simchain.measure.spectrum import window_length
from simchain.measure.transfer import CrossSpectra, cross_spectra, frames_late, smoothed, turns
from simchain.signal import Signal, Volts

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

WINDOW_S = 2.7
MOST_LATE_S = 1.0
SMOOTH_OCTAVES, LEAST_SMOOTH_HZ = 1 / 96, 0.5
POINTS_AN_OCTAVE = 96
LOWEST_HZ, HIGHEST_OF_RATE = 40.0, 0.45
# A point is known where this share of the microphone comes from the pickup, and a stretch agrees
# where half the points of a third of an octave are known, over a sixth of an octave at least.
KNOWN = 0.7
_AGREES_OVER_OCTAVES, _AGREES_FROM, _SHORTEST_OCTAVES = 1 / 3, 0.5, 1 / 6
_LEAST_OCTAVES = 1.0
_PASSES_OVER_OCTAVES = 1 / 6
# The even spectrum of a plucked string falls 6 dB an octave from here; so `simchain.blocks.body`.
_EVEN_FROM_HZ = 80.0
_LONGEST_S, _RUNG_OUT_DB, _FADED_SHARE = 0.95, -80.0, 0.1
_STANDS_OUT_DB, _LEAST_Q = 3.0, 1.0
MOST_RESONANCES = 12


@dataclass(frozen=True)
class Resonance:
    """A peak of the response: where, how high beside the pickup alone, and Q = hz / width.

    `q` is NaN where the peak has not the shape of a resonance.
    """

    hz: float
    db: float
    q: float


@dataclass(frozen=True)
class Band:
    """A third of an octave: mean power of the response, and mean coherence of its points."""

    hz: float
    db: float
    coherence: float


@dataclass(frozen=True, eq=False)
class BodyResponse:
    """What the body makes of the pickup's signal, at `hz`, 96 points an octave.

    `db` is what is used: 0 dB where nothing agrees, and elsewhere so set that a string's spectrum,
    falling 6 dB an octave from 80 Hz, keeps its power. `agreed` has the stretches in Hz in which
    the two recordings agree. The microphone is `offset_s` behind the pickup, and upside down where
    `inverted`.
    """

    hz: Floats
    db: Floats
    coherence: Floats
    agreed: tuple[tuple[float, float], ...]
    offset_s: float
    inverted: bool
    rate: int
    seconds: float

    @cached_property
    def impulse(self) -> Volts:
        """The impulse response of minimum phase, shape (frames,), 0 dB = 1.0, below a second."""
        response = np.fft.irfft(_least_phase(self.hz, self.db, self.rate))
        response = response[: round(_LONGEST_S * self.rate)]
        left = np.cumsum(response[::-1] ** 2)[::-1]
        frames = int(np.count_nonzero(left > left[0] * 10.0 ** (_RUNG_OUT_DB / 10.0)))
        faded = round(_FADED_SHARE * frames)
        response = response[:frames].copy()
        response[frames - faded :] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(faded) + 0.5) / faded)
        return response

    def bands(self) -> tuple[Band, ...]:
        """Return the thirds of an octave that lie wholly in `hz`, all points alike."""
        found = []
        for centre in CENTRES_HZ:
            if centre / HALF_BAND < self.hz[0] or centre * HALF_BAND > self.hz[-1]:
                continue
            inside = (self.hz >= centre / HALF_BAND) & (self.hz < centre * HALF_BAND)
            power = float(np.mean(10.0 ** (self.db[inside] / 10.0)))
            coherence = float(self.coherence[inside].mean())
            found.append(Band(float(centre), 10.0 * float(np.log10(power)), coherence))
        return tuple(found)

    def resonances(self) -> tuple[Resonance, ...]:
        """Return the peaks 3 dB above what lies about them, where the recordings agree, by pitch.

        Of more than twelve those that stand out most.
        """
        from scipy.signal import find_peaks

        peaks, about = find_peaks(self.db, prominence=_STANDS_OUT_DB)
        inside = np.zeros(peaks.shape, dtype=bool)
        for low, high in self.agreed:
            inside |= (self.hz[peaks] > low) & (self.hz[peaks] < high)
        first = np.argsort(-about["prominences"][inside])[:MOST_RESONANCES]
        return tuple(_resonance(self.hz, self.db, int(at)) for at in np.sort(peaks[inside][first]))


def body_of(pickup: Signal, microphone: Signal) -> BodyResponse:
    """Return the body's response from two recordings of one channel, equal length and rate.

    Raises ClipError when the two agree nowhere or over less than an octave, and ValueError for
    recordings that do not fit each other or are shorter than `WINDOW_S`.
    """
    rate, given, heard = pickup.rate, pickup.volts[0], microphone.volts[0]
    if microphone.rate != rate:
        raise ValueError(f"recordings of one rate are wanted, not {rate} and {microphone.rate}")
    length = window_length(WINDOW_S, rate)
    late, _ = frames_late(turns(cross_spectra(given, heard, length, rate)), _frames(rate))
    spectra = cross_spectra(*_aligned(given, heard, late), length, rate)
    octaves = np.log2(HIGHEST_OF_RATE * rate / LOWEST_HZ)
    hz = LOWEST_HZ * 2.0 ** (np.arange(int(octaves * POINTS_AN_OCTAVE) + 1) / POINTS_AN_OCTAVE)
    at = smoothed(spectra, hz, SMOOTH_OCTAVES, LEAST_SMOOTH_HZ)
    known = at.coherence >= KNOWN
    agrees = _agrees(known)
    if np.count_nonzero(agrees) < _LEAST_OCTAVES * POINTS_AN_OCTAVE:
        raise ClipError(
            "too little in common for a body's response: record pickup and microphone at the same "
            "time, started together, while only this guitar is played"
        )
    held = _held(hz, at, known & agrees)
    held -= _even_db(hz, held, agrees)
    fine, inverted = _excess(spectra, hz, held, agrees, rate)
    return BodyResponse(
        hz,
        _left_alone(held, agrees),
        at.coherence,
        tuple((float(hz[first]), float(hz[after - 1])) for first, after in _runs(agrees)),
        (late + fine) / rate,
        inverted,
        rate,
        pickup.seconds,
    )


def _frames(rate: int) -> int:
    return round(MOST_LATE_S * rate)


def _aligned(given: Volts, heard: Volts, late: int) -> tuple[Volts, Volts]:
    """Cut what only one of the two has, `heard` being `late` frames behind."""
    if late > 0:
        return given[:-late], heard[late:]
    return (given[-late:], heard[:late]) if late < 0 else (given, heard)


def _agrees(known: Flags) -> Flags:
    """Where half the points of a third of an octave are known, but for the shortest stretches."""
    reach = round(0.5 * _AGREES_OVER_OCTAVES * POINTS_AN_OCTAVE)
    share = np.convolve(known, np.full(2 * reach + 1, 1.0 / (2 * reach + 1)), mode="same")
    agrees = np.asarray(share >= _AGREES_FROM)
    for first, after in _runs(agrees):
        agrees[first:after] = after - first >= _SHORTEST_OCTAVES * POINTS_AN_OCTAVE
    return agrees


def _runs(flags: Flags) -> list[tuple[int, int]]:
    """The first place of each run of true ones, and the first after it."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return [(int(first), int(after)) for first, after in edges.reshape(-1, 2)]


def _held(hz: Floats, at: CrossSpectra, known: Flags) -> Floats:
    """Level in dB, drawn straight across points that are not known and held beyond the last."""
    db = 20.0 * np.log10(np.abs(at.response[known]))
    return np.interp(np.log(hz), np.log(hz[known]), db)


def _even_db(hz: Floats, db: Floats, agrees: Flags) -> float:
    """How much louder a spectrum falling as 1/f^2 in power gets over the points that agree.

    Points are evenly spaced in log f, so each stands for a width that grows as f.
    """
    counted = agrees & (hz >= _EVEN_FROM_HZ)
    weight = 1.0 / hz[counted] if counted.any() else 1.0 / hz
    power = 10.0 ** ((db[counted] if counted.any() else db) / 10.0)
    return 10.0 * float(np.log10(np.sum(weight * power) / weight.sum()))


def _left_alone(held: Floats, agrees: Flags) -> Floats:
    """`held` where the two agree, 0 dB elsewhere, and a sixth of an octave from one to the other.

    `held` keeps its last level there, so no resonance is bent.
    """
    points = np.arange(held.size)
    inside = points[agrees]
    after = np.searchsorted(inside, points)
    away = np.minimum(
        np.abs(points - inside[np.minimum(after, inside.size - 1)]),
        np.abs(points - inside[np.maximum(after - 1, 0)]),
    )
    way = np.minimum(away / (_PASSES_OVER_OCTAVES * POINTS_AN_OCTAVE), 1.0)
    return np.asarray(held * (0.5 + 0.5 * np.cos(np.pi * way)))


def _excess(
    spectra: CrossSpectra, hz: Floats, held: Floats, agrees: Flags, rate: int
) -> tuple[int, bool]:
    """Frames that the microphone is late beyond the least phase, and whether it is upside down."""
    size = 2 * (spectra.hz.size - 1)
    least = _least_phase(hz, held, rate)
    lines = np.interp(spectra.hz, np.arange(least.size) * (0.5 * rate / (least.size - 1)), least)
    counted = np.interp(spectra.hz, hz, agrees.astype(np.float64), left=0.0, right=0.0)
    beyond = turns(spectra) * np.conj(lines / np.abs(lines)) * counted
    return frames_late(beyond, min(_frames(rate), size // 4))


def _least_phase(hz: Floats, db: Floats, rate: int) -> NDArray[np.complex128]:
    """The spectrum of minimum phase with level `db` at `hz`, held beyond, to half the rate."""
    lines = 2 ** int(np.ceil(np.log2(2.0 * rate)))
    at = np.maximum(np.arange(lines + 1) * (0.5 * rate / lines), 1e-3)
    return minimum_phase(10.0 ** (np.interp(np.log(at), np.log(hz), db) / 20.0))


def _resonance(hz: Floats, db: Floats, at: int) -> Resonance:
    """The resonance whose response 1 / |H|^2 = a + b (f / f0 - f0 / f)^2 fits a peak best.

    Over the points less than 3 dB down; Q = sqrt(b / a). NaN for a peak that is no resonance.
    """
    low, high = at, at
    while low > 0 and db[at] - db[low - 1] < 3.0 and db[low - 1] < db[at]:
        low -= 1
    while high < hz.size - 1 and db[at] - db[high + 1] < 3.0 and db[high + 1] < db[at]:
        high += 1
    part = slice(max(low - 1, 0), high + 2)
    before, here, after = db[at - 1 : at + 2]
    step = 0.5 * (before - after) / (before - 2.0 * here + after)
    centre = float(hz[at] * 2.0 ** (step / POINTS_AN_OCTAVE))
    off = (hz[part] / centre - centre / hz[part]) ** 2
    b, a = np.polyfit(off, 10.0 ** (-db[part] / 10.0), 1)
    q = float(np.sqrt(b / a)) if a > 0.0 < b else 0.0
    return Resonance(centre, float(db[at]), q if q >= _LEAST_Q else float("nan"))
