"""The feedback delay network's loop."""

import math

import numpy as np
from numpy.typing import NDArray

from simchain.kernels.compile import kernel, summing_kernel
from simchain.signal import Volts

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LINES = 16
PIECE = 256
LOOKED_AT_EVERY = 4096
# Rows a multiple of 4096 bytes apart would fight for the same places in the cache.
ROW_UNIT, ROW_OFFSET = 512, 40
NOTHING = 1e-60


def network(
    volts: Volts, lengths: Ints, gains: Floats, poles: Floats, into: Floats, out_of: Floats
) -> Volts:
    """Return the sums of the lines of a feedback delay network of N = 16 lines (or 8).

    Line i is lengths[i] frames long and ends in gains[i] (1 - p) / (1 - p z^-1), p = poles[i].
    With y the N ends, x a frame of the inputs, and H the Hadamard matrix of +-1 in Sylvester's
    order, H H^T = N I, so that H / sqrt(N) keeps energy::

        u = into x + H y / sqrt(N)     enters the lines
        out_of u                       is the output

    `volts` has shape (inputs, frames), `into` (inputs, N), `out_of` (outputs, N); the result
    has shape (outputs, frames). Jot and Chaigne, AES preprint 3030, 1991; Sylvester's matrix as
    in J. O. Smith, Physical Audio Signal Processing.
    """
    return Loop(lengths, gains, poles, into, out_of)(volts)


class Loop:
    """The rings of a network and where in them it stands; a sound may come in any pieces."""

    piece = 1

    def __init__(
        self, lengths: Ints, gains: Floats, poles: Floats, into: Floats, out_of: Floats
    ) -> None:
        count = lengths.size
        row = -(-int(lengths.max()) // ROW_UNIT) * ROW_UNIT + ROW_OFFSET
        self.lengths, self.at = lengths, np.zeros(count, dtype=np.int64)
        self.lines = np.zeros((count, row))
        self._into, self._out_of = into, out_of
        self.outputs = out_of.shape[0]
        self._work = np.empty((count, PIECE + ROW_OFFSET))
        scaled = gains * (1.0 - poles) / math.sqrt(count)
        self._filters = np.stack((scaled, poles, np.zeros(count)))

    def __call__(self, volts: Volts) -> Volts:
        """Return the output for the next piece of the sound, shape (inputs, frames)."""
        wet = np.zeros((self.outputs, volts.shape[1]))
        self.run(volts, 0, volts.shape[1], wet)
        return wet

    def run(self, volts: Volts, start: int, stop: int, wet: Volts) -> None:
        """Add frames `start` to `stop` of the output to `wet`."""
        limits = np.array((PIECE, LOOKED_AT_EVERY, start, stop))
        _network(
            volts,
            self.lengths,
            self._filters,
            self._into,
            self._out_of,
            limits,
            NOTHING,
            self.at,
            self.lines,
            self._work,
            wet,
        )

    def rest(self) -> None:
        """Empty the rings once all that is in them has died away."""
        if _is_nothing(self.lines, NOTHING):
            self.lines[:] = 0.0
            self._filters[2] = 0.0


@kernel
def _network(
    volts: Floats,
    lengths: Ints,
    filters: Floats,
    into: Floats,
    out_of: Floats,
    limits: Ints,
    nothing: float,
    at: Ints,
    lines: Floats,
    work: Floats,
    wet: Floats,
) -> None:
    """Add to `wet`. A piece ends where the first ring ends, so each is read, then written, whole.

    `filters` has the rows gain, pole, last output; `lines` are the rings and `at` the places in
    them; `work` holds a piece. `limits`: longest piece, frames between looks, first and last frame.
    """
    done, looked = limits[2], limits[2]
    while done < limits[3]:
        size = min(limits[0], limits[3] - done)
        for i in range(lengths.size):
            size = min(size, lengths[i] - at[i])
        for i in range(0, lengths.size, 4):
            _read_four(lines, at, filters, i, work, size)
        for i in range(4):
            if lengths.size == 8:
                _write_two(work, at, i, lines, size)
            else:
                _write_four(work, at, i, lines, size)
        for k in range(volts.shape[0]):
            for i in range(lengths.size):
                _add(lines[i, at[i] : at[i] + size], volts[k, done : done + size], into[k, i])
        for k in range(wet.shape[0]):
            for i in range(0, lengths.size, 4):
                _add_four(wet[k, done : done + size], lines, at, out_of[k], i)
        for i in range(lengths.size):
            at[i] = at[i] + size if at[i] + size < lengths[i] else 0
        done += size
        if done - looked >= limits[1]:
            looked = done
            if _is_nothing(lines, nothing):
                lines[:] = 0.0
                filters[2] = 0.0


@summing_kernel
def _read_four(lines: Floats, at: Ints, filters: Floats, i: int, work: Floats, size: int) -> None:
    """Filter the ends of lines i to i + 3 and put their sums and differences into `work`.

    These are the matrix's distances 1 and 2. Four filters run abreast, since each waits for itself.
    """
    r0, r1 = lines[i, at[i] : at[i] + size], lines[i + 1, at[i + 1] : at[i + 1] + size]
    r2, r3 = lines[i + 2, at[i + 2] : at[i + 2] + size], lines[i + 3, at[i + 3] : at[i + 3] + size]
    w0, w1, w2, w3 = work[i, :size], work[i + 1, :size], work[i + 2, :size], work[i + 3, :size]
    g0, g1, g2, g3 = filters[0, i], filters[0, i + 1], filters[0, i + 2], filters[0, i + 3]
    p0, p1, p2, p3 = filters[1, i], filters[1, i + 1], filters[1, i + 2], filters[1, i + 3]
    a, b, c, d = filters[2, i], filters[2, i + 1], filters[2, i + 2], filters[2, i + 3]
    for n in range(size):
        a = g0 * r0[n] + p0 * a
        b = g1 * r1[n] + p1 * b
        c = g2 * r2[n] + p2 * c
        d = g3 * r3[n] + p3 * d
        w0[n] = (a + b) + (c + d)
        w1[n] = (a - b) + (c - d)
        w2[n] = (a + b) - (c + d)
        w3[n] = (a - b) - (c - d)
    filters[2, i] = a
    filters[2, i + 1] = b
    filters[2, i + 2] = c
    filters[2, i + 3] = d


@kernel
def _write_four(work: Floats, at: Ints, i: int, lines: Floats, size: int) -> None:
    """Write the sums and differences of rows i, i + 4, i + 8, i + 12: distances 4 and 8."""
    w0, w1, w2, w3 = work[i, :size], work[i + 4, :size], work[i + 8, :size], work[i + 12, :size]
    r0, r1 = lines[i, at[i] : at[i] + size], lines[i + 4, at[i + 4] : at[i + 4] + size]
    r2 = lines[i + 8, at[i + 8] : at[i + 8] + size]
    r3 = lines[i + 12, at[i + 12] : at[i + 12] + size]
    for n in range(size):
        a, b, c, d = w0[n], w1[n], w2[n], w3[n]
        r0[n] = (a + b) + (c + d)
        r1[n] = (a - b) + (c - d)
        r2[n] = (a + b) - (c + d)
        r3[n] = (a - b) - (c - d)


@kernel
def _write_two(work: Floats, at: Ints, i: int, lines: Floats, size: int) -> None:
    """Write the sum and difference of rows i and i + 4: distance 4, the last of eight lines."""
    w0, w1 = work[i, :size], work[i + 4, :size]
    r0, r1 = lines[i, at[i] : at[i] + size], lines[i + 4, at[i + 4] : at[i + 4] + size]
    for n in range(size):
        a, b = w0[n], w1[n]
        r0[n] = a + b
        r1[n] = a - b


@kernel
def _add(out: Floats, row: Floats, weight: float) -> None:
    for n in range(out.size):
        out[n] += weight * row[n]


@kernel
def _add_four(out: Floats, lines: Floats, at: Ints, weights: Floats, i: int) -> None:
    """Add what enters lines i to i + 3, weighted."""
    size = out.size
    r0, r1 = lines[i, at[i] : at[i] + size], lines[i + 1, at[i + 1] : at[i + 1] + size]
    r2, r3 = lines[i + 2, at[i + 2] : at[i + 2] + size], lines[i + 3, at[i + 3] : at[i + 3] + size]
    c0, c1, c2, c3 = weights[i], weights[i + 1], weights[i + 2], weights[i + 3]
    for n in range(size):
        out[n] += (c0 * r0[n] + c1 * r1[n]) + (c2 * r2[n] + c3 * r3[n])


@kernel
def _is_nothing(lines: Floats, nothing: float) -> bool:
    """Tell whether all lines have died away; at once when the first frame has not."""
    for i in range(lines.shape[0]):
        for n in range(lines.shape[1]):
            if abs(lines[i, n]) > nothing:
                return False
    return True
