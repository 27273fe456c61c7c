"""A phaser's sway read from one tone, for its complex amplitude runs on a circle.

With z on the unit circle, dry + wet z / (1 - feedback z) is on another: its middle is
dry + wet feedback / (1 - feedback^2), its radius wet / (1 - feedback^2). So for each feedback z is
known at each moment, from it the corner of so many all-passes, and the corner's logarithm is a
sine: rate, turn and depth follow by linear least squares.
"""

import cmath
import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from simchain.blocks.modulation import PHASER_HZ
from simchain.fit.swaying import Complexes, Tone
from simchain.fit.sways import Sway

Floats = NDArray[np.float64]

STAGES = (2, 4, 6, 8, 10, 12)
RATES_HZ = np.concatenate((np.arange(0.03, 1.0, 0.01), np.arange(1.0, 13.0, 0.015)))
_FEEDBACKS = np.linspace(-0.95, 0.95, 39)
_THINNED, _LEAST_DRY, _MOST_DEPTH, _LATEST, _OTHER_RATE = 20, -0.05, 1.2, 0.6, 0.1


def phased(one: Tone, other: Tone, kept: int) -> list[Sway]:
    """Return sways that come near to two tones of one pitch, the best of each number of stages."""
    heard = [tone.heard / tone.given for tone in (one, other)]
    told = [np.flatnonzero(tone.told)[::_THINNED] for tone in (one, other)]
    times = np.concatenate([tone.times[at] for tone, at in zip((one, other), told, strict=True)])
    middle, radius = _circle(
        np.concatenate([part[at] for part, at in zip(heard, told, strict=True)])
    )
    back = -cmath.phase(middle if middle.real > 0.0 else -middle)
    if abs(back) > _LATEST:
        back = 0.0
    turned = [part * np.exp(1j * back) for part in heard]
    centre = float((middle * np.exp(1j * back)).real)
    sines = _Sines(times)
    found: dict[int, list[tuple[float, Sway]]] = {stages: [] for stages in STAGES}
    for feedback in _FEEDBACKS:
        wet, dry = radius * (1.0 - feedback**2), centre - radius * feedback
        if dry < _LEAST_DRY * radius:
            continue
        angles = [_unwound((part - dry) / wet, float(feedback)) for part in turned]
        for stages in STAGES:
            for line in _corners(
                [a[at] for a, at in zip(angles, told, strict=True)], one.hz, stages
            ):
                for left, rate_hz, turn, depth in sines.nearest(line):
                    sway = Sway(
                        rate_hz, turn, depth, float(feedback), stages, -back / one.hz / math.tau
                    )
                    found[stages].append((left, sway))
    return [sway for each in found.values() for sway in _of_other_rates(each, kept)]


def _of_other_rates(found: list[tuple[float, Sway]], most: int) -> list[Sway]:
    """Return the best few whose rates differ by a tenth."""
    kept: list[Sway] = []
    for _, sway in sorted(found, key=lambda pair: pair[0]):
        if all(abs(math.log(sway.rate_hz / one.rate_hz)) > _OTHER_RATE for one in kept):
            kept.append(sway)
            if len(kept) == most:
                break
    return kept


def _circle(points: Complexes) -> tuple[complex, float]:
    """Return middle and radius of the circle nearest to points (Kasa, IEEE Trans. Instrumentation
    and Measurement 25, 1976; from memory): |p|^2 = 2 Re(conj(middle) p) + rest.
    """
    basis = np.stack((2.0 * points.real, 2.0 * points.imag, np.ones(points.size)), axis=1)
    x, y, rest = np.linalg.lstsq(basis, np.square(np.abs(points)), rcond=None)[0]
    return complex(x, y), math.sqrt(max(rest + x * x + y * y, 1e-12))


def _unwound(wet: Complexes, feedback: float) -> Floats:
    """Return by what angle z lags, unwound over the tone."""
    return np.asarray(np.unwrap(-np.angle(wet / (1.0 + feedback * wet))))


def _corners(lags: Sequence[Floats], hz: float, stages: int) -> Iterator[Floats]:
    """Yield the sway's sine times its depth, for each way to count the turns of each part."""
    low, high = PHASER_HZ
    parts: list[list[Floats]] = []
    for lag in lags:
        least = math.ceil(-float(np.median(lag)) / math.tau)
        made = []
        for more in range(least - 1, least + stages // 2 + 1):
            whole = (lag + math.tau * more) / (2.0 * stages)
            if np.mean((whole > 0.0) & (whole < 0.5 * math.pi)) > 0.98:
                corner = hz / np.tan(np.clip(whole, 1e-3, 0.5 * math.pi - 1e-3))
                line = np.log(corner / math.sqrt(low * high)) / (0.5 * math.log(high / low))
                if np.abs(np.median(line)) < _MOST_DEPTH:
                    made.append(line)
        parts.append(made)
    for one in parts[0]:
        for other in parts[1]:
            yield np.concatenate((one, other))


class _Sines:
    """Sines of all rates, fitted to a line at once."""

    def __init__(self, times: Floats) -> None:
        turns = np.exp(1j * math.tau * RATES_HZ[:, np.newaxis] * times)
        self._sine, self._cosine = turns.imag, turns.real
        self._ss = np.square(self._sine).sum(axis=1)
        self._cc = np.square(self._cosine).sum(axis=1)
        self._sc = (self._sine * self._cosine).sum(axis=1)

    def nearest(self, line: Floats) -> Iterator[tuple[float, float, float, float]]:
        """Yield (share left, rate, turn, depth) of the two best rates."""
        s, c = self._sine @ line, self._cosine @ line
        square = self._ss * self._cc - np.square(self._sc) + 1e-9
        sine = (self._cc * s - self._sc * c) / square
        cosine = (self._ss * c - self._sc * s) / square
        depth = np.hypot(sine, cosine)
        total = float(line @ line)
        left = (total - sine * s - cosine * c) / (total + 1e-12)
        left = np.where(depth < _MOST_DEPTH, left, np.inf)
        for at in np.argsort(left)[:2]:
            turn = math.atan2(float(cosine[at]), float(sine[at])) / math.tau
            yield float(left[at]), float(RATES_HZ[at]), turn % 1.0, min(float(depth[at]), 1.0)
