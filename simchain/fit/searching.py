"""The least squares that brings a block to what was received: first levels, then waveforms."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from simchain.blocks import Block
from simchain.decide.parallel import in_parallel
from simchain.fit.comparing import Comparison
from simchain.fit.looked_for import Start
from simchain.fit.squares import softened

Floats = NDArray[np.float64]
Told = Callable[[str], None]
# Called before each round: who waits is told, and may end the search by raising.
Each = Callable[[], None]

# A difference of the search's numbers from which slopes are taken, and where the search rests.
_SLOPE_STEP, _RESTS_AT = 0.05, 1e-4
COARSE_ROUNDS, FINE_ROUNDS = 25, 20
MOST_LATE_FRAMES = 200.0
# One turn of a modulator in the search's numbers, and the least improvement of a richer start.
_TURN_STEP, DEFENDED_DB = 0.01, 0.7


@dataclass(frozen=True, eq=False)
class Found:
    """What a search ended at.

    `late` is by how many frames the unit was later than the block. `error` is the root of the mean
    squared error that was made least: of waveforms where `by_waveform`, else of levels in dB.
    `deviations` are the controls' standard deviations between parts, in the search's numbers.
    """

    start: Start
    numbers: Floats
    turn: float
    late: float
    error: float
    by_waveform: bool
    deviations: Floats

    @property
    def block(self) -> Block:
        """The block as it was found."""
        return self.start.at(self.numbers)


def found(
    starts: Iterable[Start],
    coarse: Comparison,
    fine: Comparison | None,
    told: Told = lambda _: None,
) -> Found:
    """Return the best of what is found from each start; the simpler of two that fit as well."""
    starts = list(starts)
    near = []
    for number, start in enumerate(starts, 1):
        if not coarse.stretches:
            near.append(_as_it_is(start))
            continue
        what = f"levels over time, beginning {number} of {len(starts)}"
        near.append(_by_levels(start, coarse, partial(told, what)))
    if fine is None:
        return _defended(near)
    best = min(one.error for one in near)
    hopeful = sorted((one for one in near if one.error <= 2.0 * best + 0.3), key=lambda o: o.error)
    ends = []
    for number, one in enumerate(hopeful, 1):
        what = f"waveforms, {number} of {len(hopeful)}"
        ends.append(_by_waveforms(one, fine, partial(told, what)))
    return _defended(ends)


def _defended(ends: Sequence[Found]) -> Found:
    """Return the simplest of those whose error is within `DEFENDED_DB` of the least."""
    least = min(one.error for one in ends)
    good = [one for one in ends if one.error <= least * 10.0 ** (DEFENDED_DB / 20.0)]
    return min(good, key=lambda one: (one.start.order, one.error))


def _as_it_is(start: Start) -> Found:
    numbers = np.array([free.of(start.block) for free in start.free], float)
    return Found(start, numbers, start.turn, 0.0, 0.0, False, np.full(numbers.size, np.nan))


def _by_levels(start: Start, compared: Comparison, each: Each) -> Found:
    def errors(numbers: Floats) -> Floats:
        made = compared.rendered(start.at(numbers), _turn(start, numbers))
        return softened(compared.level_errors(made))

    numbers, left, slopes = _least(start, errors, _first(start), COARSE_ROUNDS, each)
    group = np.arange(left.size) * 8 // left.size
    deviations = _jackknife(left, slopes, group)
    return _ended(start, numbers, 0.0, left, deviations, by_waveform=False)


def _by_waveforms(near: Found, compared: Comparison, each: Each) -> Found:
    """Go on from `near` by waveforms; how late the unit was is looked for beside its controls."""
    start = near.start
    late = start.late
    if late is None:
        made = compared.rendered(near.block, near.turn)
        late = compared.late_by(made, round(MOST_LATE_FRAMES))

    def errors(numbers: Floats) -> Floats:
        made = compared.rendered(start.at(numbers[:-1]), _turn(start, numbers))
        return compared.wave_errors(made, float(numbers[-1]))

    first = np.append(_first(start, near), late)
    numbers, left, slopes = _least(start, errors, first, FINE_ROUNDS, each)
    deviations = _jackknife(left, slopes, compared.groups())
    return _ended(start, numbers[:-1], float(numbers[-1]), left, deviations, by_waveform=True)


def _ended(
    start: Start,
    numbers: Floats,
    late: float,
    left: Floats,
    deviations: Floats,
    *,
    by_waveform: bool,
) -> Found:
    count = len(start.free)
    error = float(np.sqrt(np.mean(np.square(left))))
    turn = _turn(start, numbers)
    return Found(start, numbers[:count], turn, late, error, by_waveform, deviations[:count])


def _first(start: Start, near: Found | None = None) -> Floats:
    """Return the numbers to begin with: the free controls, and a modulator's turn behind them."""
    numbers = (
        near.numbers if near else np.array([free.of(start.block) for free in start.free], float)
    )
    turn = near.turn if near else start.turn
    return np.append(numbers, turn / _TURN_STEP) if start.turns else numbers


def _turn(start: Start, numbers: Floats) -> float:
    if not start.turns:
        return start.turn
    return float(numbers[len(start.free)] * _TURN_STEP) % 1.0


def _bounds(start: Start, count: int) -> tuple[Floats, Floats]:
    low, high = np.full(count, -np.inf), np.full(count, np.inf)
    for place, free in enumerate(start.free):
        low[place], high[place] = free.bounds()
    if count > len(start.free) + start.turns:
        about = start.late or 0.0
        low[-1], high[-1] = about - MOST_LATE_FRAMES, about + MOST_LATE_FRAMES
    return low, high


def _least(
    start: Start, errors: Callable[[Floats], Floats], first: Floats, rounds: int, each: Each
) -> tuple[Floats, Floats, Floats]:
    """Return numbers, errors and slopes at the least sum of squares.

    Levenberg and Marquardt's way (Nocedal and Wright, Numerical Optimization, 2006, ch. 10), with
    slopes by differences, rendered side by side. Bounds hold the numbers, and a number that stands
    at its bound and would go beyond is left out of the step.
    """
    low, high = _bounds(start, first.size)
    numbers = np.clip(first, low, high)
    left = errors(numbers)
    damping = 1e-3
    slopes = _slopes(errors, numbers, left, low, high)
    for _ in range(rounds):
        each()
        step = _step(slopes, left, damping, numbers, low, high)
        tried = np.clip(numbers + step, low, high)
        moved = float(np.abs(tried - numbers).max(initial=0.0))
        if moved < _RESTS_AT:
            break
        off = errors(tried)
        if np.square(off).sum() < np.square(left).sum():
            gained = 1.0 - float(np.square(off).sum() / np.square(left).sum())
            numbers, left = tried, off
            damping = max(damping / 5.0, 1e-9)
            slopes = _slopes(errors, numbers, left, low, high)
            if gained < 1e-7:
                break
        else:
            damping *= 6.0
            if damping > 1e6:
                break
    return numbers, left, slopes


def _step(
    slopes: Floats, left: Floats, damping: float, numbers: Floats, low: Floats, high: Floats
) -> Floats:
    normal, downhill = slopes.T @ slopes, -(slopes.T @ left)
    held = ((numbers <= low) & (downhill < 0.0)) | ((numbers >= high) & (downhill > 0.0))
    free = np.flatnonzero(~held & (np.diag(normal) > 0.0))
    step = np.zeros(numbers.size)
    if free.size:
        square = normal[np.ix_(free, free)]
        square = square + damping * np.diag(np.diag(square))
        step[free] = np.linalg.lstsq(square, downhill[free], rcond=None)[0]
    return step


def slopes_at(start: Start, errors: Callable[[Block], Floats], left: Floats) -> Floats:
    """Return how a block's `errors` change with each free control of `start`, (errors, controls).

    In the search's numbers; `left` are the errors where they stand.
    """
    numbers = _first(start)
    low, high = _bounds(start, numbers.size)
    return _slopes(lambda moved: errors(start.at(moved)), numbers, left, low, high)


def _slopes(
    errors: Callable[[Floats], Floats], numbers: Floats, left: Floats, low: Floats, high: Floats
) -> Floats:
    def slope(place: int) -> Floats:
        moved = numbers.copy()
        room = high[place] - numbers[place] >= _SLOPE_STEP or numbers[place] <= low[place]
        way = _SLOPE_STEP if room else -_SLOPE_STEP
        moved[place] = min(max(numbers[place] + way, low[place]), high[place])
        change = moved[place] - numbers[place]
        return np.zeros(left.size) if change == 0.0 else (errors(moved) - left) / change

    if not numbers.size:
        return np.empty((left.size, 0))
    return np.stack(in_parallel(slope, range(numbers.size)), axis=1)


def _jackknife(left: Floats, slopes: Floats, groups: NDArray[np.intp]) -> Floats:
    """Return standard deviations by leaving out one part after another (the jackknife).

    Each time one step of least squares tells where the search would have ended without it (Efron
    and Tibshirani, An Introduction to the Bootstrap, 1993, ch. 11).
    """
    if not slopes.shape[1]:
        return np.empty(0)
    normal, downhill = slopes.T @ slopes, slopes.T @ left
    steps = []
    numbers = np.unique(groups)
    for number in numbers:
        at = groups == number
        part = slopes[at]
        rest = normal - part.T @ part
        push = downhill - part.T @ left[at]
        steps.append(-np.linalg.lstsq(rest, push, rcond=None)[0])
    if len(steps) < 2:
        return np.full(slopes.shape[1], np.nan)
    spread = np.var(np.array(steps), axis=0) * (len(steps) - 1)
    # What changes nothing is not told at all.
    return np.where(np.any(slopes != 0.0, axis=0), np.sqrt(spread), np.inf)
