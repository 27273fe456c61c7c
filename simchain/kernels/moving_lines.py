"""Lines of the feedback delay network that sway, and lines that rise by an octave."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simchain.kernels.compile import kernel, summing_kernel
from simchain.kernels.pitch import TAPS, Head, Splices, interpolator
from simchain.kernels.reverb import LOOKED_AT_EVERY, NOTHING, ROW_OFFSET, Loop
from simchain.signal import Volts, pieces

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOVING_PIECE = 1024
SWAY_PHASES = 2048
POWER_MEMORY_S = 0.1
MOST_TRIM = 1.41


class Sways(NamedTuple):
    """Lines whose reading place sways; an array of shape (sways,) each.

    Line `lines[j]` is read `swings[j]` sin(2 pi (starts[j] + turns[j] n)) frames later than it is
    long, n the frame.
    """

    lines: Ints
    swings: Floats
    turns: Floats
    starts: Floats


class Octaves(NamedTuple):
    """Lines that give back a share of what lies between two edges (of the rate) an octave higher.

    Line `lines[j]` reads by `plans[j]`; a share of the power, sin^2(pi share / 2), goes up.
    """

    lines: Ints
    plans: tuple[Splices, ...]
    share: float
    below: float
    above: float


def moving_network(
    volts: Volts,
    lengths: Ints,
    gains: Floats,
    poles: Floats,
    into: Floats,
    out_of: Floats,
    sways: Sways,
    octaves: Octaves,
    rate: int,
) -> Volts:
    """Return what `network` returns when some of its lines sway or rise by an octave.

    A line that sways is interpolated by 12 taps that keep its level, so that its loss stays that
    of its length. A line that rises is split by a pair of all-passes into low + rest, which keep
    the power between them; with c = cos(pi share / 2) and s = sin(pi share / 2) it gives back
    rest + c low + s g up(low). The trim g makes the power of that sum what the line was given,
    measured over a tenth of a second: the loop gains nothing, whatever the octave does, even where
    a steady chord and its octaves would add up in step.

    A line both in `sways` and in `octaves` is refused by ValueError.
    """
    return MovingLoop(Loop(lengths, gains, poles, into, out_of), sways, octaves, rate)(volts)


class MovingLoop:
    """What `moving_network` returns, piece after piece of the sound.

    Each call but the last takes a whole number of `piece` frames.
    """

    def __init__(self, loop: Loop, sways: Sways, octaves: Octaves, rate: int) -> None:
        if set(sways.lines) & set(octaves.lines):
            raise ValueError("a line either sways or rises")
        self._loop, self._moving = loop, _MovingLines(loop, sways, octaves, rate)
        self.piece, self._done = self._moving.piece, 0

    def __call__(self, volts: Volts) -> Volts:
        """Return the output for the next piece of the sound, shape (inputs, frames)."""
        loop, moving = self._loop, self._moving
        wet = np.zeros((loop.outputs, volts.shape[1]))
        for part in pieces(volts.shape[1], self.piece):
            size = part.stop - part.start
            moving.before(self._done, size)
            loop.run(volts, part.start, part.stop, wet)
            moving.after(size)
            if self._done // self.piece % moving.pieces_a_look == 0:
                loop.rest()
            self._done += size
        return wet


def split_all_passes(below: float, above: float) -> Floats:
    """Return the all-passes, rows (a1, a2), that split a line into what rises and what stays.

    First and second row make A0, the third A1: low = (A0 + A1) / 2 is a Butterworth low-pass of
    order 5, 3 dB down at `below` (of the rate), and with high = (A0 - A1) / 2 it keeps power:
    |low|^2 + |high|^2 = 1 at every frequency. The fourth row, B, makes (1 - B) / 2, a first-order
    high-pass 3 dB down at `above`: 0 Hz has no octave and must not be added to itself. A row is
    (a2 + a1 z^-1 + z^-2) / (1 + a1 z^-1 + a2 z^-2), or (a1 + z^-1) / (1 + a1 z^-1) where a2 is 0.
    Gazsi, IEEE Trans. Circuits and Systems 32(7), 1985, from memory.
    """
    warped = math.tan(math.pi * below)
    angles = math.pi * np.array([1.0, 0.6, 0.8])
    poles = warped * np.exp(1j * angles)
    found = np.zeros((4, 2))
    for row, pole in zip(found, (1.0 + poles) / (1.0 - poles), strict=False):
        row[:] = (-2.0 * pole.real, abs(pole) ** 2)
    for number, edge in ((0, warped), (3, math.tan(math.pi * above))):
        found[number] = ((edge - 1.0) / (edge + 1.0), 0.0)
    return found


class _MovingLines:
    """What is put into the rings in place of what was written a length ago.

    `_past` keeps what entered each line that moves, those that rise (their low part alone) first.
    """

    def __init__(self, loop: Loop, sways: Sways, octaves: Octaves, rate: int) -> None:
        self._loop, self._sways, self._octaves = loop, sways, octaves
        nearest = [int(loop.lengths.min()), MOVING_PIECE]
        farthest = [0]
        for length, swing in zip(loop.lengths[sways.lines], sways.swings, strict=True):
            nearest.append(int(length - abs(swing)) - TAPS)
            farthest.append(int(length + abs(swing)) + TAPS)
        for plan, line in zip(octaves.plans, octaves.lines, strict=True):
            nearest.append(plan.nearest)
            farthest.append(max(plan.farthest, int(loop.lengths[line])) + TAPS)
        self.piece, self._reach = min(nearest), max(farthest)
        self.pieces_a_look = -(-LOOKED_AT_EVERY // self.piece)
        room = self._reach + MOVING_PIECE * 8
        self._past = np.zeros((octaves.lines.size + sways.lines.size, room + ROW_OFFSET))
        self._fill = self._reach
        self._heads = [Head(plan, self._fill) for plan in octaves.plans]
        self._raised = np.zeros((octaves.lines.size, self.piece))
        self._sections = split_all_passes(octaves.below, octaves.above)
        self._states = np.zeros((octaves.lines.size, 4, 2))
        turn = 0.5 * math.pi * octaves.share
        self._shares = np.array((math.cos(turn), math.sin(turn)))
        self._powers = np.zeros((octaves.lines.size, 3))
        self._trims = np.ones(octaves.lines.size)
        memory = math.exp(-self.piece / (POWER_MEMORY_S * rate))
        self._trimming = np.array((memory, MOST_TRIM))
        self._motions = np.stack((sways.swings, sways.turns, sways.starts))

    def before(self, start: int, size: int) -> None:
        """Put what the moving lines give back in frames `start` on into their rings."""
        loop, octaves = self._loop, self._octaves
        if self._fill + self.piece > self._past.shape[1]:
            self._make_room()
        for head, past, raised in zip(self._heads, self._past, self._raised, strict=False):
            head.read(past, self._fill, raised[:size])
        if self._heads:
            _add_raised(
                loop.lines,
                loop.lengths,
                loop.at,
                octaves.lines,
                self._past,
                self._fill,
                self._raised,
                size,
                self._shares[1],
                self._trimming,
                self._powers,
                self._trims,
            )
        if self._sways.lines.size:
            _sway(
                loop.lines,
                loop.lengths,
                loop.at,
                self._sways.lines,
                self._motions,
                interpolator(SWAY_PHASES),
                self._past[octaves.lines.size :],
                self._fill,
                start,
                size,
            )

    def after(self, size: int) -> None:
        """Keep what the last `size` frames brought into the moving lines."""
        loop, octaves = self._loop, self._octaves
        if self._heads:
            _split(
                loop.lines,
                loop.lengths,
                loop.at,
                octaves.lines,
                size,
                self._sections,
                self._states,
                self._shares[0],
                NOTHING,
                self._past,
                self._fill,
            )
        if self._sways.lines.size:
            past = self._past[octaves.lines.size :]
            _keep(
                loop.lines,
                loop.lengths,
                loop.at,
                self._sways.lines,
                size,
                NOTHING,
                past,
                self._fill,
            )
        self._fill += size

    def _make_room(self) -> None:
        gone = self._fill - self._reach
        self._past[:, : self._reach] = self._past[:, gone : self._fill].copy()
        self._fill = self._reach
        for head in self._heads:
            head.move(-gone)


@summing_kernel
def _sway(
    lines: Floats,
    lengths: Ints,
    at: Ints,
    moved: Ints,
    motions: Floats,
    table: Floats,
    past: Floats,
    fill: int,
    start: int,
    size: int,
) -> None:
    """Overwrite the next `size` frames of each moved ring by its line read at a swaying place.

    `motions` has the rows swing, turns a frame, start; the sine turns on from its value at `start`.
    """
    phases = table.shape[0]
    for j in range(moved.size):
        length, k = lengths[moved[j]], at[moved[j]]
        ring, row = lines[moved[j]], past[j]
        angle, step = 2 * np.pi * (motions[2, j] + motions[1, j] * start), 2 * np.pi * motions[1, j]
        s, c, ds, dc = np.sin(angle), np.cos(angle), np.sin(step), np.cos(step)
        for n in range(size):
            place = fill + n - length - motions[0, j] * s
            whole = int(place)
            t = table[int((place - whole) * phases)]
            x = row[whole - 5 : whole + 7]
            d0 = t[0] * x[0] + t[4] * x[4] + t[8] * x[8]
            d1 = t[1] * x[1] + t[5] * x[5] + t[9] * x[9]
            d2 = t[2] * x[2] + t[6] * x[6] + t[10] * x[10]
            d3 = t[3] * x[3] + t[7] * x[7] + t[11] * x[11]
            ring[k] = (d0 + d1) + (d2 + d3)
            s, c = s * dc + c * ds, c * dc - s * ds
            k = k + 1 if k + 1 < length else 0


@kernel
def _keep(
    lines: Floats,
    lengths: Ints,
    at: Ints,
    moved: Ints,
    size: int,
    nothing: float,
    past: Floats,
    fill: int,
) -> None:
    """Copy the last `size` frames of each moved ring to its past."""
    for j in range(moved.size):
        length = lengths[moved[j]]
        first = (at[moved[j]] - size) % length
        straight = min(size, length - first)
        past[j, fill : fill + straight] = lines[moved[j], first : first + straight]
        past[j, fill + straight : fill + size] = lines[moved[j], : size - straight]
        row = past[j, fill : fill + size]
        for n in range(size):
            row[n] = row[n] if abs(row[n]) > nothing else 0.0


@summing_kernel
def _split(
    lines: Floats,
    lengths: Ints,
    at: Ints,
    risen: Ints,
    size: int,
    sections: Floats,
    states: Floats,
    share: float,
    nothing: float,
    past: Floats,
    fill: int,
) -> None:
    """Split the last `size` frames of each ring: low to its past, share low + high to the ring."""
    a0, b1, b2 = sections[0, 0], sections[1, 0], sections[1, 1]
    c1, c2, d0 = sections[2, 0], sections[2, 1], sections[3, 0]
    for j in range(risen.size):
        length, state = lengths[risen[j]], states[j]
        ring, kept_row = lines[risen[j]], past[j, fill : fill + size]
        s, t0, t1 = state[0, 0], state[1, 0], state[1, 1]
        u0, u1, v = state[2, 0], state[2, 1], state[3, 0]
        k = at[risen[j]] - size
        k = k if k >= 0 else k + length
        for n in range(size):
            x = ring[k]
            x = x if abs(x) > nothing else 0.0
            first = a0 * x + s
            s = x - a0 * first
            one = b2 * first + t0
            t0 = b1 * (first - one) + t1
            t1 = first - b2 * one
            other = c2 * x + u0
            u0 = c1 * (x - other) + u1
            u1 = x - c2 * other
            low = 0.5 * (one + other)
            slow = d0 * low + v
            v = low - d0 * slow
            kept = 0.5 * (low - slow)
            kept_row[n] = kept if abs(kept) > nothing else 0.0
            ring[k] = one - (1.0 - share) * kept
            k = k + 1 if k + 1 < length else 0
        state[0, 0], state[1, 0], state[1, 1] = s, t0, t1
        state[2, 0], state[2, 1], state[3, 0] = u0, u1, v
        for m in range(4):
            if abs(state[m, 0]) + abs(state[m, 1]) < nothing:
                state[m] = 0.0


@kernel
def _add_raised(
    lines: Floats,
    lengths: Ints,
    at: Ints,
    risen: Ints,
    past: Floats,
    fill: int,
    raised: Floats,
    size: int,
    share: float,
    trimming: Floats,
    powers: Floats,
    trims: Floats,
) -> None:
    """Add `raised`, trimmed, to what the rings give back next, and measure it against its source.

    `trimming`: how much of the powers is kept from piece to piece, and the most trim.
    """
    for j in range(risen.size):
        length, k = lengths[risen[j]], at[risen[j]]
        source = past[j, fill - length : fill - length + size]
        wanted = _trim(powers[j], share, trimming[1]) if powers[j, 1] > 0.0 else trims[j]
        step = (wanted - trims[j]) / raised.shape[1]
        before, after, both = 0.0, 0.0, 0.0
        for n in range(size):
            x, y, z = source[n], raised[j, n], lines[risen[j], k]
            lines[risen[j], k] = z + share * (trims[j] + step * n) * y
            before += x * x
            after += y * y
            both += z * y
            k = k + 1 if k + 1 < length else 0
        trims[j] = wanted
        powers[j, 0] = trimming[0] * powers[j, 0] + before
        powers[j, 1] = trimming[0] * powers[j, 1] + after
        powers[j, 2] = trimming[0] * powers[j, 2] + both


@kernel
def _trim(powers: Floats, share: float, most: float) -> float:
    """Return g with power(z + s g y) = power(z) + s^2 power(x).

    `powers` holds the powers of x and y and the product of y with z.
    """
    cross = powers[2]
    root = np.sqrt(cross * cross + share * share * powers[0] * powers[1])
    trim: float = (root - cross) / (share * powers[1])
    return min(trim, most)
