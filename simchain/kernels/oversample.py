"""Up and down by 2, 4 or 8 without delay: linear-phase half-band filters, one a doubling.

For whole arrays, 1-D float64 (what lies before the first and behind the last frame is silence):

    up(x, factor)    (frames,) -> (frames * factor,); every factor-th value is x itself
    down(y, factor)  (frames * factor,) -> (frames,)
    down(y, factor, half_sample_late=True)  the same for values that belong to the instants half an
        oversampled step before their place and carry the droop cos(w/2) of a two-point mean, as
        first-order antiderivative anti-aliasing leaves them: the first filter downwards, of even
        length, takes back both, so that the sum is again without delay and flat

For a non-linear stage, prefer `through(x, factor, shape)`: it calls `shape(stretch)` on one
oversampled stretch after another, in order, each to be changed in place, about 4,096 base frames
at a time, so memory does not grow with the clip. The first stretch begins before frame 0 (the
filters look ahead); `shape` keeps its own state from call to call.

    table = partial(shape_kernel, coefficients, state)
    louder = through(x, 4, table, half_sample_late=True)

`factor_for(rate)` is the factor that reaches 352.8 kHz.

Each doubling is a half-band filter: zero phase, its middle tap 1/2, every other tap zero, the rest
a windowed sinc (Kaiser window; Oppenheim and Schafer, Discrete-Time Signal Processing, ch. 7, from
memory). Below 20 kHz at a base rate of 44.1 kHz and above it is flat to 0.001 dB; what
should not be there is 98 dB down.
"""

from collections.abc import Callable, Iterator
from functools import cache

import numpy as np

from simchain.kernels.compile import kernel
from simchain.signal import Volts, pieces

Shape = Callable[[Volts], object]

OVERSAMPLED_RATE = 352_800
LOWEST_RATE = 44_100
PIECE = 4_096

# First doubling: flat to 20 kHz of 44.1 kHz. Second and third: what the one before lets through
# ends at 24.1 kHz of 176.4 and of 352.8 kHz.
PAIRS = (35, 8, 5)
BETAS = (9.95, 10.5, 11.4)
EDGES = (20.0 / 88.2, 24.1 / 176.4, 24.1 / 352.8)
LATE_PAIRS = (78, 16, 9)


def factor_for(rate: int) -> int:
    """Return 8 at 44.1 and 48 kHz, 4 at 88.2 and 96, 2 at 176.4 and 192: 352.8 kHz or more.

    Below 44.1 kHz, where no board is but in a first quick pass, it is 4.
    """
    if rate < LOWEST_RATE:
        return 4
    factor = 2
    while rate * factor < OVERSAMPLED_RATE and factor < 8:
        factor *= 2
    return factor


def up(x: Volts, factor: int) -> Volts:
    """Return `x`, shape (frames,), at `factor` (1, 2, 4 or 8) times its rate, without delay."""
    y = np.empty(x.size * factor)
    for start in range(0, x.size, PIECE):
        stop = min(start + PIECE, x.size)
        y[start * factor : stop * factor] = up_stretch(x, start, stop, factor)
    return y


def down(y: Volts, factor: int, half_sample_late: bool = False) -> Volts:
    """Return `y`, shape (frames * factor,), at a `factor`-th of its rate, without delay.

    `half_sample_late`: see the module's first lines; not for factor 1.
    """
    frames = y.size // factor
    x = np.empty(frames)
    margin = reach(factor)
    for start in range(0, frames, PIECE):
        stop = min(start + PIECE, frames)
        window = _cut(y, (start - margin) * factor, (stop + margin) * factor)
        x[start:stop] = down_window(window, factor, half_sample_late)
    return x


def through(
    x: Volts,
    factor: int,
    shape: Shape,
    half_sample_late: bool = False,
    out: Volts | None = None,
) -> Volts:
    """Return `x`, shape (frames,), after `shape` has changed it at `factor` times its rate.

    `shape` is called on contiguous stretches in order and writes into them; together they cover
    the frames from -reach(factor) to frames + reach(factor). The result is a new array or `out`,
    which may be `x`.
    """
    result = np.empty(x.size) if out is None else out
    for part, made in in_pieces(x, factor, shape, half_sample_late):
        result[part] = made
    return result


def in_pieces(
    x: Volts, factor: int, shape: Shape, half_sample_late: bool = False
) -> Iterator[tuple[slice, Volts]]:
    """Yield what `through` returns in pieces, each with its place.

    Of `x` nothing is read any more that lies before the end of a piece that was given.
    """
    margin = reach(factor)
    tail = np.empty(0)
    done = -margin
    for part in pieces(x.size, PIECE):
        fresh = up_stretch(x, done, part.stop + margin, factor)
        shape(fresh)
        window = np.concatenate((tail, fresh))
        yield part, down_window(window, factor, half_sample_late)
        tail = window[window.size - 2 * margin * factor :]
        done = part.stop + margin


@cache
def reach(factor: int) -> int:
    """Return how many base frames to each side `up` and `down` look, each for itself."""
    return sum(_lost(stage) >> stage for stage in range(_stages(factor)))


def up_stretch(x: Volts, start: int, stop: int, factor: int) -> Volts:
    """Return frames `start` to `stop` of `x` at `factor` times its rate; outside `x` is silence."""
    margin = reach(factor)
    line = _cut(x, start - margin, stop + margin)
    for stage in range(_stages(factor)):
        doubled = np.empty(2 * (line.size - 2 * _lost(stage)))
        _double(line, half_band(stage), _lost(stage), doubled)
        line = doubled
    return line


def down_window(window: Volts, factor: int, half_sample_late: bool = False) -> Volts:
    """Return the middle of `window` at a `factor`-th of its rate, reach(factor) less at each end.

    `window` has shape ((frames + 2 reach(factor)) * factor,), the result (frames,).
    """
    if half_sample_late and factor == 1:
        raise ValueError("half_sample_late needs a factor of 2 or more")
    line = window
    for stage in reversed(range(_stages(factor))):
        halved = np.empty(line.size // 2 - 2 * _lost(stage))
        if half_sample_late and line is window:
            _halve_late(line, half_sample_late_low_pass(stage), _lost(stage), halved)
        else:
            _halve(line, half_band(stage), _lost(stage), halved)
        line = halved
    return line


@cache
def half_band(stage: int) -> Volts:
    """Return the taps beside the middle one, doubled, nearest first; both sides are alike."""
    pairs, beta = PAIRS[stage], BETAS[stage]
    place = np.arange(pairs) + 0.5
    window = np.i0(beta * np.sqrt(1.0 - (place / pairs) ** 2)) / np.i0(beta)
    taps: Volts = np.sinc(place) * window
    return np.ascontiguousarray(taps * (0.5 / taps.sum()))


@cache
def half_sample_late_low_pass(stage: int) -> Volts:
    """Return one half of an even-length low-pass, nearest taps first, whose gain is 1 / cos(w/2).

    Weighted least squares on a grid: H(w) = 2 sum c[k] cos((k + 1/2) w) is to be 1 / cos(w/2) up
    to the stage's edge and 0 from half the rate less that edge; errors there weigh alike.
    """
    edge = EDGES[stage]
    pairs = LATE_PAIRS[stage]
    passed = np.linspace(0.0, 2 * np.pi * edge, 12 * pairs)
    stopped = np.linspace(2 * np.pi * (0.5 - edge), np.pi, 12 * pairs)
    w = np.concatenate((passed, stopped))
    wanted = np.concatenate((1.0 / np.cos(passed / 2), np.zeros(stopped.size)))
    basis = 2.0 * np.cos(np.outer(w, np.arange(pairs) + 0.5))
    taps = np.linalg.lstsq(basis, wanted, rcond=None)[0]
    return np.ascontiguousarray(taps)


def _stages(factor: int) -> int:
    if factor not in (1, 2, 4, 8):
        raise ValueError(f"factor = {factor}: 1, 2, 4 or 8 are possible")
    return factor.bit_length() - 1


def _lost(stage: int) -> int:
    """Samples of the lower rate that a stage loses at each end: whole base frames."""
    needed = max(PAIRS[stage], LATE_PAIRS[stage] // 2 + 1)
    return -(-needed >> stage) << stage


def _cut(x: Volts, start: int, stop: int) -> Volts:
    """Return x[start:stop] with silence where `x` does not reach."""
    if start >= 0 and stop <= x.size:
        return np.ascontiguousarray(x[start:stop])
    line = np.zeros(stop - start)
    first, last = max(start, 0), min(stop, x.size)
    if last > first:
        line[first - start : last - start] = x[first:last]
    return line


@kernel
def _double(x: Volts, taps: Volts, lost: int, y: Volts) -> None:
    """y[2n] = x[m], y[2n + 1] = sum_k taps[k] (x[m - k] + x[m + 1 + k]), m = n + lost."""
    between = np.empty(512)
    for start in range(0, y.size // 2, 512):
        size = min(512, y.size // 2 - start)
        first = start + lost
        between[:size] = 0.0
        _add_taps(x, taps, first, first + 1, between[:size])
        here = x[first : first + size]
        there = y[2 * start : 2 * (start + size)]
        for i in range(size):
            there[2 * i] = here[i]
            there[2 * i + 1] = between[i]


@kernel
def _halve(y: Volts, taps: Volts, lost: int, x: Volts) -> None:
    """x[n] = (y[2m] + sum_k taps[k] (y[2m - 1 - 2k] + y[2m + 1 + 2k])) / 2, m = n + lost."""
    odd = y[1::2].copy()
    summed = np.empty(512)
    for start in range(0, x.size, 512):
        size = min(512, x.size - start)
        first = start + lost
        here = y[2 * first : 2 * (first + size)]
        for i in range(size):
            summed[i] = here[2 * i]
        _add_taps(odd, taps, first - 1, first, summed[:size])
        there = x[start : start + size]
        for i in range(size):
            there[i] = 0.5 * summed[i]


@kernel
def _halve_late(y: Volts, taps: Volts, lost: int, x: Volts) -> None:
    """x[n] = sum_k taps[k] (y[2m - k] + y[2m + 1 + k]), m = n + lost."""
    even, odd = y[0::2].copy(), y[1::2].copy()
    summed = np.empty(512)
    for start in range(0, x.size, 512):
        size = min(512, x.size - start)
        summed[:size] = 0.0
        for k in range(taps.size):
            tap = taps[k]
            back, ahead = start + lost - (k + 1) // 2, start + lost + (k + 1) // 2
            if k % 2 == 0:
                before, after = even[back : back + size], odd[ahead : ahead + size]
            else:
                before, after = odd[back : back + size], even[ahead : ahead + size]
            for i in range(size):
                summed[i] += tap * (before[i] + after[i])
        x[start : start + size] = summed[:size]


@kernel
def _add_taps(line: Volts, taps: Volts, back: int, ahead: int, summed: Volts) -> None:
    """Add sum_k taps[k] (line[back - k + i] + line[ahead + k + i]) to each summed[i].

    Two taps at a time: half the reading and writing of `summed`.
    """
    size = summed.size
    for k in range(0, taps.size - 1, 2):
        near, far = taps[k], taps[k + 1]
        before, after = line[back - k : back - k + size], line[ahead + k : ahead + k + size]
        earlier = line[back - k - 1 : back - k - 1 + size]
        later = line[ahead + k + 1 : ahead + k + 1 + size]
        for i in range(size):
            summed[i] += near * (before[i] + after[i]) + far * (earlier[i] + later[i])
    for k in range(taps.size - taps.size % 2, taps.size):
        tap = taps[k]
        before, after = line[back - k : back - k + size], line[ahead + k : ahead + k + size]
        for i in range(size):
            summed[i] += tap * (before[i] + after[i])
