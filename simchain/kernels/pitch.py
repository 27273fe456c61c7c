"""Reading a line faster or slower than it was written: heads that jump by whole periods."""

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simchain.kernels.compile import kernel
from simchain.signal import Volts

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TAPS = 12
PHASE_BITS = 9
BETA = 7.0
MARGIN = TAPS
LONGER_IS_BETTER = 0.02
NOTHING = 1e-60


class Splices(NamedTuple):
    """How one head reads; lengths in frames.

    `doubled` reads at twice the speed, else half. `turns_at` is the delay at which it jumps:
    back by `least` to `most` when doubled, forward when halved. It cross-fades over `fade` and
    compares the two places over `half_window` on either side, every `stride` frames, trying jumps
    `coarse` apart before the best is refined. `start` is its first delay.
    """

    doubled: bool
    turns_at: int
    least: int
    most: int
    fade: int
    half_window: int
    coarse: int
    stride: int
    start: int

    @property
    def nearest(self) -> int:
        """The shortest delay at which it or the comparison may look, in frames."""
        reach = max(self.fade, self.half_window) + MARGIN
        return self.turns_at - reach - (0 if self.doubled else self.most)

    @property
    def farthest(self) -> int:
        """The longest delay at which it may look."""
        reach = max(self.fade, self.half_window) + MARGIN
        return self.turns_at + reach + (self.most if self.doubled else 0)


def splices(
    rate: int, doubled: bool, jumps_ms: tuple[float, float], fade_ms: float, nearest_ms: float
) -> Splices:
    """Return a head's plan whose delays reach down to `nearest_ms`, comparisons included."""
    frame = rate / 1e3
    least, most = (max(4, round(jump * frame)) for jump in jumps_ms)
    fade = min(max(2, round(fade_ms * frame)), least)
    reach = fade + MARGIN
    base = round(nearest_ms * frame) + reach
    turns_at = base if doubled else base + most
    coarse = max(1, round(rate / 8000))
    start = base + most if doubled else base
    return Splices(doubled, turns_at, least, most, fade, fade, coarse, 2 * coarse, start)


@cache
def interpolator(phases: int) -> Floats:
    """Return the taps for each fraction k / phases of a frame, shape (phases, 12).

    A sinc under a Kaiser window (beta 7), each row summing to 1. Tap k belongs to the frame k - 5
    after the whole frame before the place. Over all fractions the level is within 0.01 dB up to
    0.22 of the rate (9.7 kHz at 44.1 kHz).
    """
    fraction = np.arange(phases)[:, np.newaxis] / phases
    distance = np.arange(TAPS) - (TAPS / 2 - 1) - fraction
    inside = np.maximum(1.0 - (distance / (TAPS / 2)) ** 2, 0.0)
    taps = np.sinc(distance) * np.i0(BETA * np.sqrt(inside))
    return np.ascontiguousarray(taps / taps.sum(axis=1, keepdims=True))


class Head:
    """One reading head over a line that grows: a place, perhaps a fading older one.

    At frame n it reads the line at a place that moves by two frames (or half a frame) each frame,
    so that every frequency f leaves as 2 f (or f / 2). When it comes too near (or falls too far
    behind), it jumps by the lag at which the line is most like itself: by whole periods of a
    steady note, so that the note goes on without a seam. Roucos and Wilgus, ICASSP 1985 (splices
    by similarity), from memory. Over the cross-fade, of weights a and b and the two places'
    likeness c, the sum is divided by sqrt(a^2 + b^2 + 2 max(c, 0) a b), which keeps its power.
    """

    def __init__(self, plan: Splices, at: int = 0) -> None:
        """Stand `plan.start` frames behind frame `at` of the line."""
        self.plan = plan
        place = (at - plan.start) << PHASE_BITS
        self._places = np.array((place, place, 0), dtype=np.int64)
        self._likeness = np.zeros(1)
        self._numbers = np.array(plan[1:8], dtype=np.int64)
        rise = (np.arange(plan.fade) + 0.5) / plan.fade
        self._rise = 0.5 - 0.5 * np.cos(np.pi * rise)

    def read(self, line: Floats, at: int, out: Floats) -> None:
        """Fill `out` for the frames from `at` on, all indices into `line`.

        Of `line` the frames from `at` - farthest to `at` + out.size - nearest are looked at.
        """
        step = 1 << (PHASE_BITS + 1 if self.plan.doubled else PHASE_BITS - 1)
        _read(
            line,
            at,
            step,
            self._numbers,
            LONGER_IS_BETTER,
            interpolator(1 << PHASE_BITS),
            self._rise,
            self._places,
            self._likeness,
            out,
        )

    def move(self, frames: int) -> None:
        """Follow a line whose content was moved by `frames`."""
        self._places[:2] += frames << PHASE_BITS


def shifted(row: Volts, plan: Splices) -> Volts:
    """Return `row`, shape (frames,), an octave up or down as `plan` says, as late as it says.

    What lies above a quarter of the rate must have been taken out of `row` before it is doubled.
    """
    before = plan.farthest + TAPS
    line = np.zeros(before + row.size + TAPS)
    line[before : before + row.size] = np.where(np.abs(row) > NOTHING, row, 0.0)
    out = np.empty(row.size)
    Head(plan, before).read(line, before, out)
    return out


@kernel
def _read(
    line: Floats,
    first: int,
    step: int,
    plan: Ints,
    longer: float,
    table: Floats,
    rise: Floats,
    places: Ints,
    likeness: Floats,
    out: Floats,
) -> None:
    """Fill `out`. Places count in 512ths of a frame: new, old, frames left of the cross-fade."""
    place, old, left = places[0], places[1], places[2]
    turns_at, fade = plan[0] * 512, plan[3]
    for n in range(out.size):
        late = (first + n) * 512 - place
        if left == 0 and ((step > 512 and late <= turns_at) or (step < 512 and late >= turns_at)):
            jump, likeness[0] = _best_jump(line, place >> 9, -1 if step > 512 else 1, plan, longer)
            old, left = place, fade
            place += jump
        out[n] = _value(line, place, table)
        if left > 0:
            b = rise[fade - left]
            a = 1.0 - b
            power = a * a + b * b + 2.0 * likeness[0] * a * b
            out[n] = (a * _value(line, old, table) + b * out[n]) / np.sqrt(power)
            old += step
            left -= 1
        place += step
    places[0], places[1], places[2] = place, old, left


@kernel
def _value(line: Floats, place: int, table: Floats) -> float:
    """Return the line at `place`, between frames by the table. Written out: twice as fast."""
    t = table[place & 511]
    first = (place >> 9) - 5
    x = line[first : first + 12]
    a = t[0] * x[0] + t[4] * x[4] + t[8] * x[8]
    b = t[1] * x[1] + t[5] * x[5] + t[9] * x[9]
    c = t[2] * x[2] + t[6] * x[6] + t[10] * x[10]
    d = t[3] * x[3] + t[7] * x[7] + t[11] * x[11]
    value: float = (a + b) + (c + d)
    return value


@kernel
def _best_jump(line: Floats, at: int, way: int, plan: Ints, longer: float) -> tuple[int, float]:
    """Return the jump, in 512ths of a frame, to where `line` is most like itself at `at`.

    And that likeness, from 0 to 1. Among equals the longer jump is taken: fewer splices.
    """
    least, most, half, coarse, stride = plan[1], plan[2], plan[4], plan[5], plan[6]
    fine = max(1, coarse // 2)
    own = _product(line, at, at, half, stride)
    best, lag = -2.0, most
    for tried in range(most, least - 1, -coarse):
        like = _like(line, at, at + way * tried, own, half, stride)
        like += longer * (tried - least) / (most - least)
        if like > best:
            best, lag = like, tried
    centre, best = lag, -2.0
    own = _product(line, at, at, half, fine)
    for tried in range(max(least, centre - coarse), min(most, centre + coarse) + 1):
        like = _like(line, at, at + way * tried, own, half, fine)
        if like > best:
            best, lag = like, tried
    before = _like(line, at, at + way * (lag - 1), own, half, fine)
    after = _like(line, at, at + way * (lag + 1), own, half, fine)
    bend = before - 2.0 * best + after
    top = 0.5 * (before - after) / bend if bend < 0.0 else 0.0
    top = min(max(top, -1.0), 1.0)
    return way * int(np.floor((lag + top) * 512.0 + 0.5)), min(max(best, 0.0), 1.0)


@kernel
def _like(line: Floats, at: int, other: int, own: float, half: int, stride: int) -> float:
    """Return the correlation coefficient of the two places, 0 where one is silent."""
    cross, power = 0.0, 0.0
    one, two = line[at - half : at + half + 1], line[other - half : other + half + 1]
    for k in range(0, one.size, stride):
        cross += one[k] * two[k]
        power += two[k] * two[k]
    energy = own * power
    return cross / np.sqrt(energy) if energy > 0.0 else 0.0


@kernel
def _product(line: Floats, at: int, other: int, half: int, stride: int) -> float:
    total = 0.0
    one, two = line[at - half : at + half + 1], line[other - half : other + half + 1]
    for k in range(0, one.size, stride):
        total += one[k] * two[k]
    return total
