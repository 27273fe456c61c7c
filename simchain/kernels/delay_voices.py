"""Delays that change what they hold: a bucket line between compressor and expander, and a tape.

Both go round at 88.2 kHz or more, so that their saturation makes no aliases that are heard; the
filters for that lie outside the loop, where looking ahead costs nothing.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from simchain.kernels.compile import kernel, summing_kernel
from simchain.kernels.oversample import PIECE, down_window, reach, up_stretch
from simchain.signal import Volts, pieces

Floats = NDArray[np.float64]

LOOP_RATE = 88_200
TAPS = 12
PHASES = 512
BETA = 8.0
LONGEST_PIECE = 512
NOTHING = 1e-60


@dataclass(frozen=True, eq=False)
class Loop:
    """How repeats go round, whatever holds them.

    `late_s` is the delay on average, `nearest_s` the least it becomes: 0.4 ms at least.
    `feedback` times the share `crossed` goes to the other row. `swing` has shape (points, 2):
    what is added to the delay, in seconds, and how much that grows from point to point, at the
    times (k - 1) / `points_hz`; it must reach to the end of the sound.
    """

    rate: int
    late_s: float
    nearest_s: float
    feedback: float
    crossed: float
    swing: Floats = field(default_factory=lambda: np.zeros((2, 2)))
    points_hz: float = 0.0


def loop_factor(rate: int) -> int:
    """Return by how much the loop's rate is above `rate`: 2 below 88.2 kHz, else 1."""
    return 2 if rate < LOOP_RATE else 1


def tape_repeats(
    rows: Volts, loop: Loop, sections: Floats, ceiling_volts: float
) -> Iterator[tuple[slice, Volts]]:
    """Yield the repeats alone of a tape for `rows`, shape (1 or 2, frames), in pieces with place.

    Of `rows` nothing is read any more that lies before the end of a piece that was given.

    With f(x) = x / sqrt(1 + (x / ceiling_volts)^2), F the filter made of `sections` at the loop's
    rate, and d(t) the delay::

        held = F f(rows + feedback wet),   wet(t) = held(t - d(t))
    """
    state = np.zeros((rows.shape[0], sections.shape[0], 2))

    def hold(feed: Floats, lines: Floats, at: int, figures: Floats, piece: int) -> None:
        _tape(feed, lines, at, figures, loop.swing, interpolator(), sections, state, piece)

    return _through(rows, loop, hold, [ceiling_volts, NOTHING])


def bucket_repeats(
    rows: Volts,
    loop: Loop,
    sections: tuple[Floats, Floats, Floats],
    compander: tuple[float, float, float],
    ceiling_volts: float,
) -> Iterator[tuple[slice, Volts]]:
    """Yield the repeats alone of a companded bucket line, as `tape_repeats` does.

    `sections` are the filters before the buckets, after them, and after the expander;
    `compander` as in `compress`, its time constant in seconds. With f as for the tape and D the
    delay: wet(t) = held(t - D), ::

        held = tone expand after f before compress (rows + feedback wet)
    """
    unity_volts, tau_s, floor_volts = compander
    keeps = np.exp(-1.0 / (tau_s * loop.rate * loop_factor(loop.rate)))
    state = np.zeros((rows.shape[0], sum(len(one) for one in sections), 2))
    means = np.full((rows.shape[0], 2), floor_volts)
    frames = loop.late_s * loop.rate * loop_factor(loop.rate)
    taps = _taps(frames - int(frames))

    def hold(feed: Floats, lines: Floats, at: int, figures: Floats, piece: int) -> None:
        _buckets(feed, lines, at, figures, taps, *sections, state, means, piece)

    return _through(
        rows, loop, hold, [ceiling_volts, NOTHING, unity_volts, float(keeps), floor_volts]
    )


def compress(
    volts: Volts, unity_volts: float, tau_s: float, floor_volts: float, rate: int
) -> Volts:
    """Return `volts`, shape (frames,), with its level halved in decibels about `unity_volts`.

    y = x U / m, where m is the mean of |y| with the time constant tau: it moves 1 dB for 2. From
    m' = (|y| - m) / tau follows (m^2)' = 2 (|x| U - m^2) / tau: m^2 settles with tau / 2 on
    the mean of |x| times U. m is never below `floor_volts`: softer sounds get the gain U / floor.
    """
    out = volts.copy()
    _compress(out, unity_volts, float(np.exp(-1.0 / (tau_s * rate))), floor_volts, floor_volts)
    return out


def expand(volts: Volts, unity_volts: float, tau_s: float, floor_volts: float, rate: int) -> Volts:
    """Return y = x m / U, m the mean of |x|: what takes `compress` back, sample by sample."""
    out = volts.copy()
    _expand(out, unity_volts, float(np.exp(-1.0 / (tau_s * rate))), floor_volts, floor_volts)
    return out


@cache
def interpolator() -> Floats:
    """Return the taps for each of 512 fractions of a frame, shape (513, 12).

    A sinc under a Kaiser window (beta 8), each row summing to 1; between rows the taps are
    interpolated on a line. Level within 0.003 dB up to a fifth of the rate (17.6 kHz at 88.2).
    """
    fraction = np.arange(PHASES + 1)[:, np.newaxis] / PHASES
    distance = np.arange(TAPS) - (TAPS / 2 - fraction)
    inside = np.maximum(1.0 - (distance / (TAPS / 2)) ** 2, 0.0)
    taps = np.sinc(distance) * np.i0(BETA * np.sqrt(inside))
    return np.ascontiguousarray(taps / taps.sum(axis=1, keepdims=True))


def _taps(fraction: float) -> Floats:
    """Return the taps for that fraction of a frame, 0 to 1, as `_read` blends them."""
    row = fraction * PHASES
    low, high = interpolator()[int(row) : int(row) + 2]
    return np.ascontiguousarray(low + (row - int(row)) * (high - low))


Hold = Callable[[Floats, Floats, int, Floats, int], None]


def _through(
    rows: Volts, loop: Loop, hold: Hold, voice: list[float]
) -> Iterator[tuple[slice, Volts]]:
    """Run `hold` over `rows` at the loop's rate, in stretches; the lines move on as they fill."""
    factor = loop_factor(loop.rate)
    margin, fast = reach(factor), loop.rate * factor
    furthest = int((2 * loop.late_s - loop.nearest_s) * fast) + TAPS + 2
    room = (PIECE + 2 * margin) * factor
    lines = np.zeros((rows.shape[0], 2 * furthest + room))
    piece = max(1, min(int(loop.nearest_s * fast) - TAPS, LONGEST_PIECE))
    own, other = loop.feedback * (1.0 - loop.crossed), loop.feedback * loop.crossed
    tail = np.empty((rows.shape[0], 0))
    at, done = furthest, -margin
    for part in pieces(rows.shape[1], PIECE):
        stop = part.stop
        fresh = np.stack([up_stretch(row, done, stop + margin, factor) for row in rows])
        if at + fresh.shape[1] > lines.shape[1]:
            lines[:, :furthest] = lines[:, at - furthest : at].copy()
            at = furthest
        clock = (done / loop.rate * loop.points_hz + 1.0, loop.points_hz / fast)
        figures = np.array([own, other, loop.late_s * fast, fast, *clock, *voice])
        hold(fresh, lines, at, figures, piece)
        at += fresh.shape[1]
        windows = np.concatenate((tail, fresh), axis=1)
        yield part, np.stack([down_window(window, factor) for window in windows])
        tail = windows[:, windows.shape[1] - 2 * margin * factor :]
        done = stop + margin


@kernel
def _tape(
    feed: Floats,
    lines: Floats,
    at: int,
    figures: Floats,
    swing: Floats,
    table: Floats,
    sections: Floats,
    state: Floats,
    piece: int,
) -> None:
    """Put what the tape gives back in the place of `feed`, and on the tape what goes on it.

    `figures`: feedback to its own and to the other row, delay in frames, frames a second, where in
    `swing` the first frame stands and how far a frame is, ceiling, nothing. A piece is so
    short that it reads only what earlier pieces wrote.
    """
    delays = np.empty(piece)
    heard = np.empty((feed.shape[0], piece))
    for start in range(0, feed.shape[1], piece):
        stop = min(start + piece, feed.shape[1])
        late = delays[: stop - start]
        _swing(late, swing, figures, start)
        for r in range(feed.shape[0]):
            _read(lines[r], at + start, late, table, heard[r])
        for r in range(feed.shape[0]):
            new = lines[r, at + start : at + stop]
            _feed_back(feed[r, start:stop], heard, r, figures, new)
            _saturate(new, figures[6])
            for k in range(sections.shape[0]):
                _section(new, sections[k], state[r, k])
            if _is_nothing(new, figures[7]):
                new[:] = 0.0
                state[r] = 0.0


@kernel
def _buckets(
    feed: Floats,
    lines: Floats,
    at: int,
    figures: Floats,
    taps: Floats,
    before: Floats,
    after: Floats,
    tone: Floats,
    state: Floats,
    means: Floats,
    piece: int,
) -> None:
    """The same for the bucket line; `figures` ends with unity, what a mean keeps, its floor.

    Nothing here changes with time by itself, so all of it may come before the delay.
    """
    unity, keeps, floor = figures[8], figures[9], figures[10]
    heard = np.empty((feed.shape[0], piece))
    for start in range(0, feed.shape[1], piece):
        stop = min(start + piece, feed.shape[1])
        first = at + start - int(figures[2]) - taps.size // 2
        for r in range(feed.shape[0]):
            _read_still(lines[r, first:], taps, heard[r, : stop - start])
        for r in range(feed.shape[0]):
            new = lines[r, at + start : at + stop]
            _feed_back(feed[r, start:stop], heard, r, figures, new)
            means[r, 0] = _compress(new, unity, keeps, floor, means[r, 0])
            done = 0
            for k in range(before.shape[0]):
                _section(new, before[k], state[r, done + k])
            done += before.shape[0]
            _saturate(new, figures[6])
            for k in range(after.shape[0]):
                _section(new, after[k], state[r, done + k])
            done += after.shape[0]
            means[r, 1] = _expand(new, unity, keeps, floor, means[r, 1])
            for k in range(tone.shape[0]):
                _section(new, tone[k], state[r, done + k])
            if _is_nothing(new, figures[7]):
                new[:] = 0.0
                state[r] = 0.0


@kernel
def _swing(late: Floats, swing: Floats, figures: Floats, start: int) -> None:
    """Fill `late` with delays in frames: cubics through the values and slopes of `swing`."""
    middle, fast, first, step = figures[2], figures[3], figures[4], figures[5]
    for n in range(late.size):
        place = first + (start + n) * step
        k = min(int(place), swing.shape[0] - 2)
        u = place - k
        p, m = swing[k, 0], swing[k, 1]
        q, o = swing[k + 1, 0], swing[k + 1, 1]
        bend = 2.0 * (p - q) + m + o
        late[n] = middle + fast * (p + u * (m + u * (3.0 * (q - p) - 2.0 * m - o + u * bend)))


@kernel
def _feed_back(feed: Floats, heard: Floats, r: int, figures: Floats, new: Floats) -> None:
    """Fill `new` with what enters line `r`, and `feed` with what that line gave back."""
    to_own, to_other = figures[0], figures[1]
    own, across = heard[r], heard[heard.shape[0] - 1 - r]
    for n in range(new.size):
        new[n] = feed[n] + (to_own * own[n] + to_other * across[n])
        feed[n] = own[n]


@kernel
def _read_still(past: Floats, taps: Floats, out: Floats) -> None:
    """out[n] = sum_k taps[k] past[n + k]."""
    out[:] = 0.0
    for k in range(0, taps.size, 4):
        a, b, c, d = taps[k], taps[k + 1], taps[k + 2], taps[k + 3]
        p, q = past[k : k + out.size], past[k + 1 : k + 1 + out.size]
        r, s = past[k + 2 : k + 2 + out.size], past[k + 3 : k + 3 + out.size]
        for n in range(out.size):
            out[n] += (a * p[n] + b * q[n]) + (c * r[n] + d * s[n])


@summing_kernel
def _read(line: Floats, at: int, late: Floats, table: Floats, out: Floats) -> None:
    """out[n] = line(at + n - late[n]), between frames by `table`."""
    phases, taps = table.shape[0] - 1, table.shape[1]
    for n in range(late.size):
        whole = int(late[n])
        row = (late[n] - whole) * phases
        nearest = int(row)
        blend = row - nearest
        first = at + n - whole - taps // 2
        past = line[first : first + taps]
        low, high = table[nearest], table[nearest + 1]
        read = 0.0
        for k in range(taps):
            read += (low[k] + blend * (high[k] - low[k])) * past[k]
        out[n] = read


@kernel
def _compress(row: Floats, unity: float, keeps: float, floor: float, mean: float) -> float:
    """y[n] = x[n] U / m[n-1], m[n] = max(floor, k m[n-1] + (1 - k) |y[n]|), in place."""
    for n in range(row.size):
        y = row[n] * (unity / mean)
        mean = max(keeps * mean + (1.0 - keeps) * abs(y), floor)
        row[n] = y
    return mean


@kernel
def _expand(row: Floats, unity: float, keeps: float, floor: float, mean: float) -> float:
    """y[n] = x[n] m[n-1] / U, m[n] = max(floor, k m[n-1] + (1 - k) |x[n]|), in place."""
    for n in range(row.size):
        x = row[n]
        row[n] = x * (mean / unity)
        mean = max(keeps * mean + (1.0 - keeps) * abs(x), floor)
    return mean


@kernel
def _saturate(row: Floats, ceiling: float) -> None:
    """y = x / sqrt(1 + (x / ceiling)^2), in place."""
    scale = 1.0 / (ceiling * ceiling)
    for n in range(row.size):
        row[n] /= np.sqrt(1.0 + scale * row[n] * row[n])


@kernel
def _section(row: Floats, section: Floats, state: Floats) -> None:
    """Run one second-order section, transposed direct form II, in place."""
    b0, b1, b2, a1, a2 = section[0], section[1], section[2], section[4], section[5]
    s, t = state[0], state[1]
    for n in range(row.size):
        x = row[n]
        y = b0 * x + s
        s = b1 * x - a1 * y + t
        t = b2 * x - a2 * y
        row[n] = y
    state[0], state[1] = s, t


@kernel
def _is_nothing(row: Floats, nothing: float) -> bool:
    """Tell whether all of `row` has died away; at once when its first frame has not."""
    for n in range(row.size):  # noqa: SIM110
        if abs(row[n]) > nothing:
            return False
    return True
