"""Beginnings brought nearer by a short stretch of the recording; those without hope left out."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simchain.fit.comparing import Comparison
from simchain.fit.looked_for import Start, with_controls

Floats = NDArray[np.float64]

# How many frames a unit that delays nothing may seem late or early, its phases being what they are.
_MOST_LATE_FRAMES = 40
# Share of a search's number from which slopes are taken.
_SLOPE_STEP = 1e-3
# Beginnings go on whose error is not so many times the least.
_HOPEFUL = 1.5


@dataclass(frozen=True, eq=False)
class Nearer:
    """A beginning brought nearer, and the root of the mean squared error that was left there."""

    start: Start
    error: float


def hopeful(starts: Iterable[Start], compared: Comparison, renders: int) -> list[Start]:
    """Return those of `starts`, brought nearer, that are about as near as the nearest, it first.

    Each takes at most `renders` steps of least squares over the waveforms of `compared`.
    """
    ends = [brought_nearer(start, compared, renders) for start in starts]
    ends.sort(key=lambda end: end.error)
    return [end.start for end in ends if end.error <= _HOPEFUL * ends[0].error]


def brought_nearer(start: Start, compared: Comparison, renders: int) -> Nearer:
    """Return `start` after at most `renders` steps of least squares over waveforms."""
    from scipy.optimize import least_squares

    late = compared.late_by(compared.rendered(start.block, start.turn), _MOST_LATE_FRAMES)

    def errors(numbers: Floats) -> Floats:
        made = compared.rendered(start.at(numbers[:-1]), start.turn)
        return compared.wave_errors(made, float(numbers[-1]))

    limits = [free.bounds() for free in start.free]
    low = np.array([*(limit[0] for limit in limits), late - _MOST_LATE_FRAMES])
    high = np.array([*(limit[1] for limit in limits), late + _MOST_LATE_FRAMES])
    first = np.array([*(free.of(start.block) for free in start.free), late])
    end = least_squares(
        errors,
        np.clip(first, low + 1e-3, high - 1e-3),
        bounds=(low, high),
        x_scale="jac",
        diff_step=_SLOPE_STEP,
        ftol=1e-3,
        xtol=1e-5,
        max_nfev=renders,
    )
    moved = [free.value(number) for free, number in zip(start.free, end.x[:-1], strict=True)]
    block = with_controls(start.block, zip(start.free, moved, strict=True))
    error = float(np.sqrt(2.0 * end.cost / end.fun.size))
    return Nearer(replace(start, block=block, late=float(end.x[-1])), error)
