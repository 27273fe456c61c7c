"""A linear circuit with one pair of diode strings, stepped without solving anything per sample.

State s of three voltages, s[0] the voltage across the diodes, input x, output y:

    s' = A s + b x - (1/C) Id(s[0]) [1, 0, 0]          y = o s + f x
    Id(v) = saturation (exp(v / up) - exp(-v / down)),   up, down = strings' k n Vt

The third-order backward rule (BDF3; Hairer and Wanner, Solving Ordinary Differential Equations II,
III.1, from memory), which damps a stiff diode instead of ringing with it, with step h:

    11/6 s = history + h s',   history = 3 s[-1] - 3/2 s[-2] + 1/3 s[-3]
    s = M (history + h b x) - (h/C) M[:, 0] Id,   M = (11/6 - h A)^-1

Its first row is one scalar equation, v + q Id(v) = B with q = (h/C) M[0, 0], the same for every
sample: v = f(B) is tabulated once, and the other states follow from B - v = q Id. The table has a
fixed number of cells in every octave of |B|, found from the bits of B itself, each a cubic with
the right values and slopes at its ends (Hermite), fine enough for 1e-9 V at the output. Louder
sources than it covers are solved by Newton's rule, quieter ones see a resistor.
"""

import math
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np

from simchain.kernels.compile import kernel
from simchain.kernels.oversample import factor_for, through
from simchain.signal import Volts

TABLE_ERROR_VOLTS = 2e-10
# Below this the diodes are a resistor to 1e-10 V: the error is v^2 / (2 n Vt).
LINEAR_VOLTS = 1e-6
LARGEST_AMPERES = 1.0
LARGEST_VOLTS = 100.0
MOST_CELLS_BITS = 11


@dataclass(frozen=True)
class Pair:
    """Two strings of diodes side by side, one each way.

    `saturation_a` in ampere; `up_volts` and `down_volts` are k n Vt of the strings that conduct
    at positive and at negative voltage.
    """

    saturation_a: float
    up_volts: float
    down_volts: float


@dataclass(frozen=True, eq=False)
class Circuit:
    """The linear rest: s' = matrix s + inlet x - Id per_farad [1, 0, 0], y = outlet s + direct x.

    `matrix` (3, 3) in 1/s, `inlet` (3,) in 1/s, `outlet` (3,); states not needed are zeros.
    """

    matrix: Volts
    inlet: Volts
    outlet: Volts
    direct: float
    per_farad: float


@dataclass(frozen=True, eq=False)
class Table:
    """v = f(B): `cells` (2, n, 4), cubics for B >= 0 and B < 0, and how to find one from B's bits.

    `scale` holds saturation times q, `up`, `down` and the slope at 0 V.
    """

    cells: Volts
    shift: int
    first: int
    scale: Volts


def run(volts: Volts, circuit: Circuit, pair: Pair, rate: int, out: Volts | None = None) -> Volts:
    """Return the circuit's output for `volts`, shape (frames,), at rest before the first frame.

    Oversampled by factor_for(rate), without delay, in pieces; in `out`, which may be `volts`.
    """
    factor = factor_for(rate)
    steps, q = stepping(circuit, 1.0 / (rate * factor))
    law = table(q, pair)
    state = np.zeros(10)
    shape = partial(_step_through, steps, law.cells, law.shift, law.first, law.scale, state)
    return through(volts, factor, shape, out=out)


def stepping(circuit: Circuit, step_s: float) -> tuple[Volts, float]:
    """Return the step's numbers, shape (5, 4), and q.

    Rows 0 to 2 hold M and h M b of each state; row 3 M[:, 0] / M[0, 0]; row 4 outlet and direct.
    """
    m = np.linalg.inv(11.0 / 6.0 * np.eye(3) - step_s * circuit.matrix)
    steps = np.zeros((5, 4))
    steps[:3, :3] = m
    steps[:3, 3] = step_s * m @ circuit.inlet
    steps[3, :3] = m[:, 0] / m[0, 0]
    steps[4, :3] = circuit.outlet
    steps[4, 3] = circuit.direct
    return steps, float(step_s * circuit.per_farad * m[0, 0])


@lru_cache(maxsize=16)
def table(q: float, pair: Pair) -> Table:
    """Return f of v + q Id(v) = B, within 2e-10 V, from LINEAR_VOLTS to LARGEST_AMPERES.

    `q` in ohm. The number of cells in an octave is the least power of two that will do.
    """
    leak = q * pair.saturation_a
    slope = 1.0 / (1.0 + leak * (1.0 / pair.up_volts + 1.0 / pair.down_volts))
    scale = np.array([leak, pair.up_volts, pair.down_volts, slope])
    lowest = math.floor(math.log2(LINEAR_VOLTS / slope))
    octaves = math.ceil(math.log2(LARGEST_VOLTS + q * LARGEST_AMPERES)) - lowest
    for bits in range(5, MOST_CELLS_BITS + 1):
        cells = np.empty((2, octaves << bits, 4))
        error = _fill(cells, 2.0**lowest, 1 << bits, scale)
        if error < TABLE_ERROR_VOLTS:
            break
    return Table(cells, 52 - bits, (1023 + lowest) << bits, scale)


def voltage(b: float, q: float, pair: Pair) -> float:
    """Return v of v + q Id(v) = b: with q a resistance, b the source behind it, at rest."""
    return float(_solved(b, q * pair.saturation_a, pair.up_volts, pair.down_volts))


@kernel
def _solved(b: float, leak: float, up: float, down: float) -> float:
    """Solve v + leak (exp(v / up) - exp(-v / down)) = b: Newton's rule, kept between bounds."""
    if b < 0.0:
        return -_solved_upwards(-b, leak, down, up)
    return _solved_upwards(b, leak, up, down)


@kernel
def _solved_upwards(b: float, leak: float, up: float, down: float) -> float:
    low, high = 0.0, min(b, up * math.log1p(b / leak))
    v = high
    for _ in range(100):
        forward, backward = leak * math.exp(v / up), leak * math.exp(-v / down)
        error = v + forward - backward - b
        if error > 0.0:
            high = v
        else:
            low = v
        new = v - error / (1.0 + forward / up + backward / down)
        if not low <= new <= high:
            new = 0.5 * (low + high)
        if abs(new - v) <= 1e-15 * abs(new):
            return new
        v = new
    return v


@kernel
def _fill(cells: Volts, lowest: float, number: int, scale: Volts) -> float:
    """Fill the cubics, `number` an octave upwards from `lowest`; return the greatest error seen.

    A cubic with the right ends and slopes errs most in the middle of its cell.
    """
    worst = 0.0
    leak = scale[0]
    for side in range(2):
        up, down = scale[1 + side], scale[2 - side]
        sign = 1.0 - 2.0 * side
        v0 = _solved_upwards(lowest, leak, up, down)
        for i in range(cells.shape[1]):
            width = lowest * 2.0 ** (i // number) / number
            start = width * (number + i % number)
            v1 = _solved_upwards(start + width, leak, up, down)
            d0 = width / (1.0 + leak * (math.exp(v0 / up) / up + math.exp(-v0 / down) / down))
            d1 = width / (1.0 + leak * (math.exp(v1 / up) / up + math.exp(-v1 / down) / down))
            cell = cells[side, i]
            cell[0] = sign * v0
            cell[1] = sign * d0
            cell[2] = sign * (3.0 * (v1 - v0) - 2.0 * d0 - d1)
            cell[3] = sign * (2.0 * (v0 - v1) + d0 + d1)
            middle = 0.5 * (v0 + v1) + 0.125 * (d0 - d1)
            true = _solved_upwards(start + 0.5 * width, leak, up, down)
            worst = max(worst, abs(middle - true))
            v0 = v1
    return worst


@kernel
def _step_through(
    steps: Volts, cells: Volts, shift: int, first: int, scale: Volts, state: Volts, wave: Volts
) -> None:
    """Replace input samples by output samples. `state`: M history (3), B - v, s[-1], s[-2].

    What the newest B - v adds to the next state is kept apart and added last: everything else is
    known before the table has answered.
    """
    m00, m01, m02, b0 = steps[0]
    m10, m11, m12, b1 = steps[1]
    m20, m21, m22, b2 = steps[2]
    p1, p2 = steps[3, 1], steps[3, 2]
    g0 = 3.0 * (m00 + m01 * p1 + m02 * p2)
    g1 = 3.0 * (m10 + m11 * p1 + m12 * p2)
    g2 = 3.0 * (m20 + m21 * p1 + m22 * p2)
    o0, o1, o2, direct = steps[4]
    n0, n1, n2, lack, u0, u1, u2, w0, w1, w2 = state
    unit = 2.0**-shift
    rest = (1 << shift) - 1
    for i in range(wave.size):
        x = wave[i]
        s0 = (n0 + b0 * x) - g0 * lack
        s1 = (n1 + b1 * x) - g1 * lack
        s2 = (n2 + b2 * x) - g2 * lack
        h0 = 3.0 * s0 - 1.5 * u0 + w0 / 3.0
        h1 = 3.0 * s1 - 1.5 * u1 + w1 / 3.0
        h2 = 3.0 * s2 - 1.5 * u2 + w2 / 3.0
        n0 = m00 * h0 + m01 * h1 + m02 * h2
        n1 = m10 * h0 + m11 * h1 + m12 * h2
        n2 = m20 * h0 + m21 * h1 + m22 * h2
        bits = np.float64(s0).view(np.int64) & 0x7FFFFFFFFFFFFFFF
        place = (bits >> shift) - first
        if place < 0:
            v = s0 * scale[3]
        elif place < cells.shape[1]:
            cell = cells[1 if s0 < 0.0 else 0, place]
            t = (bits & rest) * unit
            v = (cell[0] + cell[1] * t) + (t * t) * (cell[2] + cell[3] * t)
        else:
            v = _solved(s0, scale[0], scale[1], scale[2])
        lack = s0 - v
        w0, w1, w2 = u0, u1, u2
        u0, u1, u2 = v, s1 - p1 * lack, s2 - p2 * lack
        wave[i] = o0 * u0 + o1 * u1 + o2 * u2 + direct * x
    state[:] = np.array([n0, n1, n2, lack, u0, u1, u2, w0, w1, w2])
