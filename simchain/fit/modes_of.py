"""Resonances side by side and a direct sound, found in a frequency response.

H(f) = (direct + sum of gain / (1 + j q (f/hz - hz/f))) e^(-j 2 pi f late_s): resonances are added
one at a time where what is left looks most like one, and all are fitted again by complex least
squares. What is side by side hangs on phase, so levels alone would not do.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.fit.response import SURE_DB, Response
from simchain.fit.squares import deviations

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LOWEST_HZ, HIGHEST_HZ = 30.0, 6_000.0
ROUNDS = 30
# A resonance more is defended by so much less misfit: a share, and a share of the sound.
_DEFENDED_SHARE, _DEFENDED = 0.08, 1e-3
# An error counts by how loud it is there, down to this share of the loudest.
_LEAST_SHARE = 0.02
_TRIED_Q = (4.0, 8.0, 16.0, 32.0, 64.0)
_MOST_LATE_FRAMES, _FLAT_FROM_HZ, _RATE = 60.0, 2_000.0, 48_000.0
_Q, _MOST_GAIN_LOG = (1.0, 100.0), 6.0


@dataclass(frozen=True)
class FoundMode:
    """A resonance: its pitch, q and `gain`, the ratio at its top."""

    hz: float
    q: float
    gain: float


@dataclass(frozen=True)
class FoundModes:
    """Resonances, a direct sound, and by what share they are off: weighted root mean square."""

    modes: tuple[FoundMode, ...]
    direct: float
    late_s: float
    misfit: float


def modes_of(response: Response, most: int) -> FoundModes:
    """Return the fewest resonances, up to `most`, that no more of them better."""
    found = _fitted(FoundModes((), 0.5, _late_s(response), np.inf), response)
    best = [found]
    for _ in range(most):
        best.append(_fitted(_with_one_more(best[-1], response), response))
        if best[-1].misfit <= _DEFENDED:
            break
    least = min(one.misfit for one in best)
    return next(one for one in best if one.misfit <= least * (1.0 + _DEFENDED_SHARE) + _DEFENDED)


def deviations_of(found: FoundModes, response: Response) -> Floats:
    """Return standard deviations: direct sound, late_s, then share of hz, of q, of gain a mode."""
    weight = _weight(response)
    slopes = _slopes(found, response.hz) * weight
    both = np.concatenate((slopes.real, slopes.imag), axis=1)
    off = max(found.misfit, SURE_DB / 8.7)
    return np.asarray(off * deviations(both.T))


def _value(found: FoundModes, hz: Floats) -> Complexes:
    total = np.full(hz.size, found.direct, dtype=np.complex128)
    for mode in found.modes:
        total += mode.gain * _resonance(mode.hz, mode.q, hz)
    return np.asarray(total * np.exp(-2j * np.pi * hz * found.late_s))


def _resonance(centre_hz: float, q: float, hz: Floats) -> Complexes:
    return np.asarray(1.0 / (1.0 + 1j * q * (hz / centre_hz - centre_hz / hz)))


def _slopes(found: FoundModes, hz: Floats) -> Complexes:
    """Return how the response moves with each number of `_numbers`, shape (numbers, points)."""
    turned = np.exp(-2j * np.pi * hz * found.late_s)
    rows = [turned, -2j * np.pi * hz * _value(found, hz)]
    for mode in found.modes:
        one = _resonance(mode.hz, mode.q, hz)
        bent = mode.gain * turned * one * one * 1j * mode.q
        rows.append(bent * (hz / mode.hz + mode.hz / hz))
        rows.append(-bent * (hz / mode.hz - mode.hz / hz))
        rows.append(mode.gain * turned * one)
    return np.stack(rows)


def _fitted(found: FoundModes, response: Response) -> FoundModes:
    """Return the least sum of squares from there."""
    from scipy.optimize import least_squares

    weight = _weight(response)
    # Seconds by frames, so that all numbers are of about one size.
    scale = np.ones(2 + 3 * len(found.modes))
    scale[1] = _RATE

    def errors(numbers: Floats) -> Floats:
        off = (_value(_of(numbers / scale), response.hz) - response.value) * weight
        return np.concatenate((off.real, off.imag))

    def slopes(numbers: Floats) -> Floats:
        rows = _slopes(_of(numbers / scale), response.hz) * weight / scale[:, np.newaxis]
        return np.concatenate((rows.real, rows.imag), axis=1).T

    bounds = [(0.0, 1.0), (-_MOST_LATE_FRAMES, _MOST_LATE_FRAMES)]
    for _ in found.modes:
        bounds += [tuple(np.log((LOWEST_HZ, HIGHEST_HZ))), tuple(np.log(_Q))]
        bounds += [(-_MOST_GAIN_LOG, _MOST_GAIN_LOG)]
    low, high = np.array(bounds).T
    first = np.clip(_numbers(found) * scale, low + 1e-6, high - 1e-6)
    end = least_squares(errors, first, slopes, bounds=(low, high), max_nfev=ROUNDS, xtol=1e-7)
    misfit = float(np.sqrt(np.mean(np.square(end.fun)) * 2.0))
    one = _of(end.x / scale)
    return FoundModes(one.modes, one.direct, one.late_s, misfit)


def _numbers(found: FoundModes) -> Floats:
    rows = [(np.log(one.hz), np.log(one.q), np.log(one.gain)) for one in found.modes]
    return np.append([found.direct, found.late_s], np.array(rows).ravel())


def _of(numbers: Floats) -> FoundModes:
    rows = np.exp(numbers[2:].reshape(-1, 3)).tolist()
    modes = tuple(FoundMode(*row) for row in rows)
    return FoundModes(modes, float(numbers[0]), float(numbers[1]), 0.0)


def _with_one_more(found: FoundModes, response: Response) -> FoundModes:
    """Return `found` with the resonance that takes most of what is left, and grows nothing."""
    hz, weight = response.hz, _weight(response)
    turned = np.exp(-2j * np.pi * hz * found.late_s)
    left = (response.value - _value(found, hz)) * weight
    best = (0.0, FoundMode(200.0, 10.0, 0.1))
    for centre_hz in hz[(hz > LOWEST_HZ) & (hz < HIGHEST_HZ)][::2]:
        for q in _TRIED_Q:
            one = _resonance(float(centre_hz), q, hz) * turned * weight
            power = float(np.square(np.abs(one)).sum())
            gain = float(np.real(np.vdot(one, left))) / power
            if gain > 0.0 and gain * gain * power > best[0]:
                best = (gain * gain * power, FoundMode(float(centre_hz), q, gain))
    return FoundModes((*found.modes, best[1]), found.direct, found.late_s, found.misfit)


def _late_s(response: Response) -> float:
    """Return by how many seconds the high end is late: where its phases agree best."""
    high = response.hz >= _FLAT_FROM_HZ
    turns = response.value[high] / (np.abs(response.value[high]) + response.deviation[high])
    tried = np.arange(-_MOST_LATE_FRAMES, _MOST_LATE_FRAMES, 0.125) / _RATE
    waves = np.exp(2j * np.pi * tried[:, np.newaxis] * response.hz[high])
    return float(tried[int(np.argmax(np.abs(waves @ turns)))])


def _weight(response: Response) -> Floats:
    level = np.abs(response.value)
    return np.asarray(1.0 / (level + _LEAST_SHARE * level.max() + 3.0 * response.deviation))
