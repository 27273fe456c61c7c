"""Second-order bands in series as closed forms, and their least squares in a frequency response."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.filters import Shape
from simchain.filters.bands import SHAPES_WITH_GAIN, band_polynomials
from simchain.fit.response import SURE_DB, Response
from simchain.fit.squares import SOFT_DB, deviations, softened

Floats = NDArray[np.float64]

# What units have, and one cut and shelf at either end: without such bounds a cut is a shelf of 40
# dB, a notch a peak, and a low shelf and a high one the same but for level.
_DB = 20.0
_LOW_HZ, _HIGH_HZ = (25.0, 1500.0), (600.0, 14e3)
ENDS = {"low_cut": _LOW_HZ, "low_shelf": _LOW_HZ, "high_shelf": _HIGH_HZ, "high_cut": _HIGH_HZ}
Q_OF: dict[str, tuple[float, float]] = {
    "peak": (0.25, 20.0),
    "notch": (0.5, 50.0),
    "low_cut": (0.4, 3.0),
    "high_cut": (0.4, 3.0),
    "low_shelf": (0.4, 1.5),
    "high_shelf": (0.4, 1.5),
}
_FLOOR_DB, _NEPER = -40.0, math.log(10.0) / 10.0
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


def deviations_of(found: FoundBands, response: Response) -> Floats:
    """Return standard deviations of what was found, shape (bands, 3): share of hz, dB, share of q.

    From how far the levels are off in all; a band's dead `db` is sure.
    """
    numbers = _numbers(found.bands)
    levels = levels_db(found.bands, response.hz)
    weight = weights(response)
    slopes = _slopes(found.bands, numbers, levels, response.hz) * weight
    off = max(found.misfit_db, SURE_DB) * float(np.sqrt(np.mean(np.square(weight))))
    return np.asarray(off * deviations(slopes.T).reshape(-1, 3) / _SCALE)


def fitted_bands(bands: tuple[FoundBand, ...], response: Response, rounds: int) -> FoundBands:
    """Return `bands` of the same shapes at the least sum of squares.

    Levenberg and Marquardt's way within bounds, with slopes of closed forms: each number moves its
    own band alone.
    """
    weight, heard = weights(response), floored(response.level_db)
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
    return softened(floored(levels.sum(axis=0)) - heard) * weight


def _steepness(levels: Floats, heard: Floats, weight: Floats) -> Floats:
    """Return by how much `_errors` change with a dB more: slopes of `softened` and `_floored`."""
    made = levels.sum(axis=0)
    soft = 1.0 + np.abs(floored(made) - heard) / SOFT_DB
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
    hz = ENDS.get(one.shape, (_LOW_HZ[0], _HIGH_HZ[1]))
    return FoundBand(one.shape, hz[side], (-_DB, _DB)[side], Q_OF[one.shape][side])


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


def floored(db: Floats) -> Floats:
    """Return levels above a floor, so that a notch may move past a point of the response."""
    return np.asarray(np.logaddexp(db * _NEPER, _FLOOR_DB * _NEPER) / _NEPER)


def weights(response: Response) -> Floats:
    """Return 1 where a level is sure, less where noise blurs it."""
    deviation = response.level_deviation_db
    return np.asarray(deviation.min() / deviation)
