"""Second-order bands in series, found in a frequency response: how many, of which shape, where.

Bands are added one at a time where what is left looks most like one, each time all are fitted
again (least squares over levels in dB), and the best few sets go on: a beam search. A filter of
these shapes has the same level whatever its phase, so levels alone are compared.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import get_args

import numpy as np
from numpy.typing import NDArray

from simchain.filters import SHAPES, Shape
from simchain.filters.bands import SHAPES_WITH_GAIN, band_polynomials
from simchain.fit.response import SURE_DB, Response

Floats = NDArray[np.float64]

# Sets of bands that go on, those of them in which bands are exchanged, and how often; and of the
# points every so many: 24 an octave are looked at.
BEAM, PLACES, EXCHANGED, EXCHANGES, THINNED = 5, 2, 2, 3, 4
ROUNDS, FINAL_ROUNDS = 12, 40
# An error beyond so many dB counts no more than in proportion.
_SOFT_DB = 6.0
_FLOOR_DB, _NEPER = -40.0, math.log(10.0) / 10.0
# A band more is defended by so much less misfit: a share, and what nobody hears or reads surely.
_DEFENDED_SHARE, _DEFENDED_DB = 0.08, 0.01
_TRIED_HZ = 30.0 * 2.0 ** np.linspace(0.0, 9.0, 55)
_TRIED_Q, _TRIED_DB = (0.4, 0.7, 1.5, 3.5, 8.0), (-12.0, -5.0, 5.0, 12.0)
# What units have, and one cut and shelf at either end: without such bounds a cut is a shelf of 40
# dB, a notch a peak, and a low shelf and a high one the same but for level.
_DB = 20.0
_LOW_HZ, _HIGH_HZ = (25.0, 1500.0), (600.0, 14e3)
_ENDS = {"low_cut": _LOW_HZ, "low_shelf": _LOW_HZ, "high_shelf": _HIGH_HZ, "high_cut": _HIGH_HZ}
_Q: dict[str, tuple[float, float]] = {
    "peak": (0.25, 20.0),
    "notch": (0.5, 50.0),
    "low_cut": (0.4, 3.0),
    "high_cut": (0.4, 3.0),
    "low_shelf": (0.4, 1.5),
    "high_shelf": (0.4, 1.5),
}
# Numbers that move by about the same weight: an eighth of a natural logarithm, a dB, a quarter.
_SCALE = np.array([8.0, 1.0, 4.0])
_SLOPE_STEP, _RESTS_AT = 1e-4, 1e-4


@dataclass(frozen=True)
class FoundBand:
    """A band as `filters.band_circuit` has it."""

    shape: Shape
    hz: float
    db: float
    q: float


@dataclass(frozen=True)
class FoundBands:
    """Bands, and by how many dB they are off: weighted root mean square over the response."""

    bands: tuple[FoundBand, ...]
    misfit_db: float


def bands_of(response: Response, most: int) -> list[FoundBands]:
    """Return the best set of each number of bands from 1 to `most`, as far as more help."""
    thin = response.thinned(THINNED)
    beam = [FoundBands((), float(np.inf))]
    best: list[FoundBands] = []
    for count in range(1, most + 1):
        beam = _settled(_few(_all_grown(beam, thin)), thin)
        if count == most and beam[0].misfit_db > _DEFENDED_DB:
            beam = _settled(_pruned(beam, thin), thin)
        ends = [_fitted(one.bands, response, FINAL_ROUNDS) for one in beam[:EXCHANGED]]
        best.append(min(ends, key=lambda one: one.misfit_db))
        if best[-1].misfit_db <= _DEFENDED_DB:
            break
    for count in range(len(best) - 1, 0, -1):
        fewer = [_fitted(bands, response, FINAL_ROUNDS) for bands in _with_one_out(best[count])]
        best[count - 1] = min((best[count - 1], *fewer), key=lambda one: one.misfit_db)
    return best


def _settled(beam: list[FoundBands], response: Response) -> list[FoundBands]:
    """Return `beam` after bands of its best were exchanged for others, while that helps."""
    anew = False
    for _ in range(EXCHANGES):
        least = beam[0].misfit_db
        if least <= _DEFENDED_DB:
            break
        stems = beam[:EXCHANGED]
        others = [one for stem in stems for one in _exchanged(stem, response, anew=anew)]
        beam = _few((*beam, *others))
        if beam[0].misfit_db > 0.95 * least:
            if anew:
                break
            anew = True
    return beam


def _pruned(beam: list[FoundBands], response: Response) -> list[FoundBands]:
    """Return `beam` and what is left of it where a band is put in and another taken out.

    Pudil and others, Pattern Recognition Letters 15, 1994: a search that floats; from memory.
    """
    more = _settled(_few(_all_grown(beam, response)), response)
    fewer = [_fitted(bands, response, ROUNDS) for one in more for bands in _with_one_out(one)]
    return _few((*beam, *fewer))


def _all_grown(beam: list[FoundBands], response: Response) -> Iterator[FoundBands]:
    return (one for stem in beam for one in _grown(stem.bands, response))


def defended(found: list[FoundBands]) -> FoundBands:
    """Return the set of fewest bands that no larger one betters by what can be defended."""
    least = min(one.misfit_db for one in found)
    allowed = least * (1.0 + _DEFENDED_SHARE) + _DEFENDED_DB
    return next(one for one in found if one.misfit_db <= allowed)


def deviations_of(found: FoundBands, response: Response) -> Floats:
    """Return standard deviations of what was found, shape (bands, 3): share of hz, dB, share of q.

    Those of least squares (Bates and Watts, Nonlinear Regression Analysis, 1988, ch. 2), from how
    far the levels are off in all; a band's dead `db` is sure.
    """
    numbers = _numbers(found.bands)
    levels = levels_db(found.bands, response.hz)
    weight = _weight(response)
    slopes = _slopes(found.bands, numbers, levels, response.hz) * weight
    square = slopes @ slopes.T
    spread = np.sqrt(np.clip(np.diag(np.linalg.pinv(square)), 0.0, None))
    off = max(found.misfit_db, SURE_DB) * float(np.sqrt(np.mean(np.square(weight))))
    return np.asarray(off * spread.reshape(-1, 3) / _SCALE)


def levels_db(bands: Iterable[FoundBand], hz: Floats) -> Floats:
    """Return the level of each band at each of `hz`, in dB, shape (bands, points)."""
    bands = tuple(bands)
    forms = np.array([band_polynomials(one.shape, one.db, one.q) for one in bands])
    square = np.square(hz / np.array([[one.hz] for one in bands]))
    # |c0 s^2 + c1 s + c2|^2 at s = j x, of both polynomials: shape (bands, 2, points).
    first, middle, last = np.moveaxis(forms, 2, 0)[..., np.newaxis]
    x = square[:, np.newaxis]
    powers = np.square(last - first * x) + np.square(middle) * x
    return np.asarray(10.0 * np.log10((powers[:, 0] + 1e-15) / powers[:, 1]))


def _few(found: Iterable[FoundBands]) -> list[FoundBands]:
    """Return the best few that differ in their shapes or stand at other places."""
    kept: dict[tuple[tuple[str, int], ...], FoundBands] = {}
    for one in sorted(found, key=lambda each: each.misfit_db):
        key = tuple(sorted((band.shape, round(3.0 * np.log2(band.hz))) for band in one.bands))
        kept.setdefault(key, one)
    return list(kept.values())[:BEAM]


def _grown(bands: tuple[FoundBand, ...], response: Response) -> Iterator[FoundBands]:
    """Yield `bands` with one more: of each shape the one that is most like what is left."""
    here = np.zeros(response.hz.size)
    if bands:
        here = levels_db(bands, response.hz).sum(axis=0)
    weight, heard = _weight(response), floored(response.level_db)
    tried, levels = _tried(response.hz.tobytes())
    misfits = np.square(_soft(floored(levels + here) - heard) * weight).sum(axis=1)
    taken = _ENDS.keys() & {one.shape for one in bands}
    for shape in (one for one in SHAPES if one not in taken):
        of_shape = [place for place, one in enumerate(tried) if one.shape == shape]
        for _ in range(PLACES):
            place = of_shape[int(np.argmin(misfits[of_shape]))]
            yield _fitted((*bands, tried[place]), response, ROUNDS)
            near = tried[place].hz
            of_shape = [one for one in of_shape if abs(np.log2(tried[one].hz / near)) > 0.5]


def _exchanged(one: FoundBands, response: Response, *, anew: bool) -> Iterator[FoundBands]:
    """Yield its bands with one taken out and another put in, each in turn.

    `anew`: what is left is fitted before the other is put in.
    """
    for rest in _with_one_out(one) if len(one.bands) > 1 else ():
        stem = _fitted(rest, response, ROUNDS).bands if anew else rest
        yield from _grown(stem, response)


def _with_one_out(one: FoundBands) -> Iterator[tuple[FoundBand, ...]]:
    """Yield all but one of its bands, each left out in turn."""
    return (one.bands[:place] + one.bands[place + 1 :] for place in range(len(one.bands)))


@lru_cache(maxsize=2)
def _tried(hz_bytes: bytes) -> tuple[list[FoundBand], Floats]:
    """Return bands all over the range, and the level of each, shape (bands, points).

    A notch is tried at every point: between two that it is past it would not come back.
    """
    hz = np.frombuffer(hz_bytes)
    inside = hz[(hz > _TRIED_HZ[0]) & (hz < _TRIED_HZ[-1])]
    tried = [
        FoundBand(shape, float(centre), db, q)
        for shape in get_args(Shape)
        for db in (_TRIED_DB if shape in SHAPES_WITH_GAIN else (0.0,))
        for q in _TRIED_Q
        for centre in (inside if shape == "notch" else _TRIED_HZ)
        if _Q[shape][0] <= q <= _Q[shape][1]
    ]
    return tried, levels_db(tried, hz)


def _fitted(bands: tuple[FoundBand, ...], response: Response, rounds: int) -> FoundBands:
    """Return `bands` of the same shapes at the least sum of squares.

    Levenberg and Marquardt's way within bounds, with slopes of closed forms: each number moves its
    own band alone.
    """
    weight, heard = _weight(response), floored(response.level_db)
    low, high = (_numbers([_bound(one, side) for one in bands]) for side in (0, 1))
    numbers = np.clip(_numbers(bands), low, high)
    levels = levels_db(_moved(bands, numbers), response.hz)
    left = _errors(levels, heard, weight)
    damping = 1e-2
    for _ in range(rounds):
        slopes = _slopes(bands, numbers, levels, response.hz) * _steepness(levels, heard, weight)
        normal, downhill = slopes @ slopes.T, -(slopes @ left)
        held = ((numbers <= low) & (downhill < 0.0)) | ((numbers >= high) & (downhill > 0.0))
        free = np.flatnonzero(~held & (np.diag(normal) > 1e-12))
        gained = 0.0
        while damping < 1e4 and free.size:
            square = normal[np.ix_(free, free)]
            step = np.zeros(numbers.size)
            step[free] = np.linalg.solve(
                square + damping * np.diag(np.diag(square) + 1e-9), downhill[free]
            )
            tried = np.clip(numbers + step, low, high)
            there = levels_db(_moved(bands, tried), response.hz)
            off = _errors(there, heard, weight)
            gained = 1.0 - float(off @ off) / float(left @ left)
            if gained > 0.0:
                numbers, levels, left = tried, there, off
                damping = max(damping / 5.0, 1e-7)
                break
            damping *= 4.0
        if gained < _RESTS_AT:
            break
    misfit = float(np.sqrt(np.mean(np.square(left)) / np.mean(np.square(weight))))
    return FoundBands(_moved(bands, numbers), misfit)


def _errors(levels: Floats, heard: Floats, weight: Floats) -> Floats:
    return _soft(floored(levels.sum(axis=0)) - heard) * weight


def _steepness(levels: Floats, heard: Floats, weight: Floats) -> Floats:
    """Return by how much `_errors` change with a dB more: slopes of `_soft` and `_floored`."""
    made = levels.sum(axis=0)
    soft = 1.0 + np.abs(floored(made) - heard) / _SOFT_DB
    return np.asarray(weight / (soft * (1.0 + 10.0 ** ((_FLOOR_DB - made) / 10.0))))


def _slopes(bands: tuple[FoundBand, ...], numbers: Floats, levels: Floats, hz: Floats) -> Floats:
    """Return how the level moves with each number, shape (numbers, points)."""
    moved: list[FoundBand] = []
    for key in range(3):
        step = np.zeros((len(bands), 3))
        step[:, key] = _SLOPE_STEP
        moved += _moved(bands, numbers + step.ravel())
    there = levels_db(moved, hz).reshape(3, len(bands), -1)
    return np.asarray(((there - levels) / _SLOPE_STEP).transpose(1, 0, 2).reshape(-1, hz.size))


def _bound(one: FoundBand, side: int) -> FoundBand:
    hz = _ENDS.get(one.shape, (_LOW_HZ[0], _HIGH_HZ[1]))
    return FoundBand(one.shape, hz[side], (-_DB, _DB)[side], _Q[one.shape][side])


def _numbers(bands: Iterable[FoundBand]) -> Floats:
    rows = [(np.log(one.hz), one.db, np.log(one.q)) for one in bands]
    return np.asarray((np.array(rows) * _SCALE).ravel())


def _moved(bands: tuple[FoundBand, ...], numbers: Floats) -> tuple[FoundBand, ...]:
    rows = (numbers.reshape(-1, 3) / _SCALE).tolist()
    return tuple(
        FoundBand(
            one.shape, math.exp(hz), db if one.shape in SHAPES_WITH_GAIN else 0.0, math.exp(q)
        )
        for one, (hz, db, q) in zip(bands, rows, strict=True)
    )


def _soft(db: Floats) -> Floats:
    return np.asarray(np.sign(db) * _SOFT_DB * np.log1p(np.abs(db) / _SOFT_DB))


def floored(db: Floats) -> Floats:
    """Return levels above a floor, so that a notch may move past a point of the response."""
    return np.asarray(np.logaddexp(db * _NEPER, _FLOOR_DB * _NEPER) / _NEPER)


def _weight(response: Response) -> Floats:
    """Return 1 where a level is sure, less where noise blurs it."""
    deviation = response.level_deviation_db
    return np.asarray(deviation.min() / deviation)
