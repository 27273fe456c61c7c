"""Decay of an impulse response: EDT, T20, T30, C50 and C80 by ISO 3382-1:2009.

The decay curve is Schroeder's backward integral (J. Acoust. Soc. Am. 37, 1965, 409-412)::

    E(t) = integral from t to t1 of (p^2 - n^2), plus C                                       (1)

n^2 is the power of the background noise, t1 where the decay meets it, and C what would have
followed without noise: the energy of an exponential decay as steep as that over the 10 dB before
t1 (ISO 3382-1). t1 is found by the iteration of Lundeby, Vigran, Bietz and Vorlaender (Acustica
81, 1995, 344-355), the noise taken off as W. T. Chu did (J. Acoust. Soc. Am. 63, 1978, 1444-1450).
A straight line is fitted to 10 log10 E and stretched to 60 dB. The ranges were read in public
copies of ISO 3382; the rest is from memory.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simchain.signal import Volts

Floats = NDArray[np.float64]

# Level ranges in dB that lines are fitted to (ISO 3382-1).
EDT_RANGE, T20_RANGE, T30_RANGE = (0.0, -10.0), (-5.0, -25.0), (-5.0, -35.0)
# The response begins where it first comes within 20 dB of its peak (ISO 3382-1).
_ONSET = 10.0 ** (-20.0 / 10.0)
# What lies 600 dB under the peak is silence: its squares leave the range of the numbers.
_SILENT = 1e-60
# A range must end this far above the noise (ISO 3382-1), and C is taken from there.
_ABOVE_NOISE_DB = 10.0
# C over the energy of the last 10 dB, for an exponential.
_BEYOND = 1.0 / (10.0 ** (_ABOVE_NOISE_DB / 10.0) - 1.0)
# A line that leaves more than this share of the variance is none.
_STRAIGHT = 0.5

_TAIL_SHARE = 0.1
# Noise stays: a tail still decays whose second half is this much softer, or, in a short response,
# softer by half of what a steady fall from the first tenth to the last would make it.
_STILL_DECAYS_DB = 1.0
_LEAST_FALL_DB = 3.0
_STEADY_FALL = 0.5 * 0.5 * _TAIL_SHARE / (1.0 - _TAIL_SHARE)
_FIRST_BLOCK_S = 0.02
# Single echoes further apart than a block show no falling line: then longer ones are tried.
_LONGER_BLOCKS = (1, 4, 16, 64)
_BLOCKS_A_10_DB = 5
_SETTLED_S = 0.001
_LATE_RANGE_DB = 20.0
_SAFE_DB = 7.5
_ROUNDS = 8


@dataclass(frozen=True)
class Decay:
    """Decay of one channel: times in s, clarities in dB.

    A time is NaN where the response does not fall that far, 10 dB clear of its noise, or falls in
    so few steps that a line says nothing (echoes of which each is over 5 dB softer, in the EDT).
    """

    edt_s: float
    t20_s: float
    t30_s: float
    c50_db: float
    c80_db: float


@dataclass(frozen=True)
class _End:
    """Frame t1 where the decay ends, frame t0 10 dB before that, and the noise in V^2."""

    t0: int
    t1: int
    noise: float = 0.0


def decay_of(response: Volts, rate: int) -> tuple[Decay, ...]:
    """Decay of each channel of an impulse response of shape (channels, frames), over all bands.

    A response that ends in digital silence is taken to be whole (C = 0); one that stops while it
    still falls is continued as it fell over its last 10 dB; under 40 ms there is no telling, and
    it is taken to be whole. For one octave or third of an octave filter the response first. All
    NaN for silence and for what does not decay.
    """
    return tuple(_decay(line, rate) for line in response)


def decay_curve(line: Volts, rate: int) -> tuple[Floats, float]:
    """Decay curve E of one channel by equation (1), in V^2 frames, and how far down it is clear.

    The curve runs from the response's onset to t1; it is clear of noise down to a level in dB
    relative to its start. Empty, and 0, for silence and for what does not decay.
    """
    squares = line * line
    peak = float(squares.max()) if line.size else 0.0
    if peak == 0.0:
        return np.zeros(0), 0.0
    onset = np.argmax(squares >= _ONSET * peak)
    stop = np.flatnonzero(squares > _SILENT * peak)[-1] + 1
    ends_in_silence = stop < squares.size
    squares = squares[onset:stop]
    is_whole = ends_in_silence or squares.size < 2 * _first_block(rate)
    end = _End(squares.size, squares.size) if is_whole else _end_of_cut(squares, rate)
    if end is None:
        return np.zeros(0), 0.0
    falling = np.cumsum((squares[: end.t1] - end.noise)[::-1])[::-1]
    clear = falling[min(end.t0, end.t1 - 1)]
    if end.t0 < end.t1:
        falling = falling + clear * _BEYOND
    return falling, 10.0 * math.log10(clear / falling[0]) if 0.0 < clear < falling[0] else 0.0


def _decay(line: Volts, rate: int) -> Decay:
    energy, clear_db = decay_curve(line, rate)
    if energy.size == 0 or not energy[0] > 0.0:
        return Decay(*(math.nan,) * 5)
    with np.errstate(divide="ignore"):
        levels = 10.0 * np.log10(np.maximum(energy, 0.0) / energy[0])
    times = (_time(levels, rate, clear_db, *r) for r in (EDT_RANGE, T20_RANGE, T30_RANGE))
    return Decay(*times, *(_clarity(energy, round(s * rate)) for s in (0.05, 0.08)))


def _time(levels: Floats, rate: int, clear_db: float, high_db: float, low_db: float) -> float:
    """Seconds that the line fitted between two levels takes for 60 dB."""
    if clear_db > low_db:
        return math.nan
    fitted = levels[int(np.argmax(levels <= high_db)) : int(np.argmax(levels < low_db))]
    if fitted.size < 2:
        return math.nan
    times = np.arange(fitted.size) / rate
    slope, at_start = _slope(times, fitted)
    off_line = float(np.var(fitted - (at_start + slope * times)))
    return -60.0 / slope if off_line < _STRAIGHT * float(np.var(fitted)) else math.nan


def _clarity(energy: Floats, early: int) -> float:
    """Energy before frame `early` over that after it, in dB; infinite when nothing comes after."""
    late = energy[early] if early < energy.size else 0.0
    if not late > 0.0:
        return math.inf
    return 10.0 * math.log10(energy[0] / late - 1.0) if late < energy[0] else -math.inf


def _end_of_cut(squares: Floats, rate: int) -> _End | None:
    """The end of a response that stops in noise, or while it still falls; None without decay."""
    tail = max(2, round(_TAIL_SHARE * squares.size))
    earlier, later = squares[-tail : -(tail // 2)].mean(), squares[-(tail // 2) :].mean()
    fall_db = 10.0 * math.log10(max(1.0, squares[:tail].mean() / squares[-tail:].mean()))
    if fall_db < _LEAST_FALL_DB:
        return None
    if earlier <= later * 10.0 ** (min(_STILL_DECAYS_DB, _STEADY_FALL * fall_db) / 10.0):
        return _end_in_noise(squares, rate, tail)
    line, _ = _first_line(squares, rate, later, 0.0, _LATE_RANGE_DB)
    return _End(_before(squares.size, line[0]), squares.size) if line else None


def _end_in_noise(squares: Floats, rate: int, tail: int) -> _End | None:
    """Lundeby's iteration: a line, where it meets the noise, the noise beyond; on finer blocks."""
    noise, crossing = float(squares[-tail:].mean()), squares.size
    line, shortest = _first_line(squares, rate, noise, _SAFE_DB, math.inf)
    if line is None:
        return None
    for _ in range(_ROUNDS):
        (slope, start_db), before = line, crossing
        crossing = min(max(round((10.0 * math.log10(noise) - start_db) / slope), 1), squares.size)
        if abs(crossing - before) < _SETTLED_S * rate:
            break
        beyond = min(crossing + round(-_SAFE_DB / slope), squares.size - tail)
        noise = float(squares[beyond:].mean())
        block = max(shortest, round(-10.0 / slope / _BLOCKS_A_10_DB))
        line = _late_line(squares, block, noise, _SAFE_DB, _LATE_RANGE_DB) or line
    return _End(_before(crossing, slope), crossing, noise)


def _first_line(
    squares: Floats, rate: int, noise: float, low_db: float, range_db: float
) -> tuple[tuple[float, float] | None, int]:
    """`_late_line` of the shortest blocks that show one, and how short they may become.

    Blocks of 20 ms may become as short as they like; where they showed nothing, no shorter.
    """
    for times in _LONGER_BLOCKS:
        block = _first_block(rate) * times
        if line := _late_line(squares, block, noise, low_db, range_db):
            return line, 1 if times == 1 else block
    return None, 1


def _late_line(
    squares: Floats, block: int, noise: float, low_db: float, range_db: float
) -> tuple[float, float] | None:
    """Slope in dB a frame, and level at frame 0, of the late decay.

    Fitted to the means of blocks that lie from `low_db` to `low_db + range_db` above the noise,
    up to the first that falls lower; None where no line falls.
    """
    count = squares.size // block
    means = squares[: count * block].reshape(count, block).mean(axis=1)
    sounding = np.flatnonzero(means > 0.0)
    if sounding.size < 2 or not noise > 0.0:
        return None
    levels = 10.0 * np.log10(means[sounding])
    floor = 10.0 * math.log10(noise)
    top = int(np.argmax(levels))
    below = np.flatnonzero(levels[top:] < floor + low_db)
    stop = top + int(below[0]) if below.size else levels.size
    above = np.flatnonzero(levels[top:stop] > floor + low_db + range_db)
    start = min(top + int(above[-1]) + 1 if above.size else top, stop - 2)
    if start < top:
        return None
    middles = np.asarray((sounding[start:stop] + 0.5) * block, dtype=np.float64)
    slope, at_start = _slope(middles, levels[start:stop])
    return (slope, at_start) if slope < 0.0 else None


def _first_block(rate: int) -> int:
    return max(1, round(_FIRST_BLOCK_S * rate))


def _before(frame: int, slope: float) -> int:
    """Frame at which a decay of `slope` dB a frame lies 10 dB higher than at `frame`."""
    return max(0, frame + round(_ABOVE_NOISE_DB / slope))


def _slope(x: Floats, y: Floats) -> tuple[float, float]:
    """Least squares: slope, and value at x = 0."""
    off = x - x.mean()
    slope = float(np.einsum("i,i->", off, y) / np.einsum("i,i->", off, off))
    return slope, float(y.mean() - slope * x.mean())
