"""Two common-emitter transistor stages in a row, stepped without solving anything per sample.

    x - ohm - base 1, collector 1 = e - [straight and full-wave rectified] - ohm - coupling - base 2

Each transistor has a resistor at its collector and one at its emitter, and follows the
exponential laws of Ebers and Moll (Proc. IRE 42, 1954; transport form, from memory), with
E = exp(vbe / Vt), D = exp(vbc / Vt):

    Ic = Is (E - D) - Is / reverse (D - 1)      Ib = Is / forward (E - 1) + Is / reverse (D - 1)

With rho = D / E = exp(-vce / Vt) all currents and voltages are closed forms (`_point`): Kirchhoff's
law at the collector is linear in the emitter current Ie once rho is given,

    supply + Vt ln rho - emitter_ohm Ie = collector_ohm ((Ie + Is / forward) g + Is / reverse)
    g = (1 - rho (1 + 1 / reverse)) / (1 - rho + 1 / forward)

so a table needs one unknown only. The first stage has no memory: collector 1 is a curve of x. The
second has two states, u at its base, with a capacitor to ground, and c across the coupling
capacitor, both counted from rest:

    base_farad u' = i - u / leak_ohm - (Ib(u) - Ib(0)),   coupling_farad c' = i,   i = (e-c-u) / ohm

The third-order backward rule with step h (BDF3, as in kernels.diodes) leaves one equation,
u + q (Ib(u) - Ib(0)) = B, whose answer is tabulated. What clips hardest, the second collector, is a
curve of u and so of B. It is read through its antiderivative over B, half a step late, which the
way down from the oversampled rate takes back. Over B, which goes on where u is held by the
base's conducting, aliases lie some 5 to 20 dB lower than over u.

Tables over B and x have the same number of cells in every octave of their distance from rest,
each a cubic with the right values and slopes at its ends; rest itself is met exactly.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simchain.kernels.compile import kernel, summing_kernel
from simchain.kernels.oversample import factor_for, through
from simchain.signal import Volts, pieces

Complexes = NDArray[np.complex128]

# k T / q at 27 °C; a small silicon transistor, its figures invented within what data sheets give.
THERMAL_VOLTS = 25.865e-3
SATURATION_A = 1e-14
FORWARD_GAIN = 150.0
REVERSE_GAIN = 2.0

# Below this a base passes no current to speak of (less than 2e-12 A).
OFF_VOLTS = 0.25
# Curves run from 2^-20 to 2^10 V, 2^7 cells an octave (the kernels know these figures too).
LOWEST_BITS, HIGHEST_BITS = -20, 10
CELLS_BITS = 7
LARGEST_INPUT_VOLTS = 512.0
NOTHING_VOLTS = 1e-100
HALVINGS = 70


@dataclass(frozen=True)
class Stage:
    """Supply volts, and the resistors at collector and emitter, in ohm."""

    supply_volts: float
    collector_ohm: float
    emitter_ohm: float


@dataclass(frozen=True, eq=False)
class Points:
    """What stands in a stage whose base is fed from a source behind a resistor, arrays alike.

    `base` and `collector` in volts, `base_amps`; `base_slope` and `collector_slope` in volts a
    volt of the source.
    """

    base: Volts
    base_amps: Volts
    collector: Volts
    base_slope: Volts
    collector_slope: Volts


@dataclass(frozen=True)
class Circuit:
    """Both stages' transistor circuit, and what lies between them.

    `first_base_volts` and `second_base_volts` at rest; `ohm` before each base; `leak_ohm` from the
    second base to its bias; `coupling_farad`, `base_farad`; `octave` from 0 (straight) to 1
    (rectified).
    """

    stage: Stage
    first_base_volts: float
    second_base_volts: float
    ohm: float
    leak_ohm: float
    coupling_farad: float
    base_farad: float
    octave: float


def run(volts: Volts, circuit: Circuit, rate: int, out: Volts | None = None) -> Volts:
    """Return the second collector's volts, from rest, for `volts` before the first base's resistor.

    Both have shape (frames,). Oversampled by factor_for(rate), without delay, in pieces. Beyond
    ±512 V the first stage has long been at its ends; what is below 1e-100 V is silence. The result
    is a new array or `out`, which may be `volts`.
    """
    fed = np.empty(volts.size) if out is None else out
    for part in pieces(volts.size):
        np.clip(volts[part], -LARGEST_INPUT_VOLTS, LARGEST_INPUT_VOLTS, out=fed[part])
        still(fed[part])
    return through(
        fed, factor_for(rate), _both_stages(circuit, rate), half_sample_late=True, out=fed
    )


def still(volts: Volts) -> None:
    """Make silence of what is below 1e-100 V, in place."""
    volts[np.abs(volts) < NOTHING_VOLTS] = 0.0


def _both_stages(circuit: Circuit, rate: int) -> Callable[[Volts], None]:
    steps, q = stepping(circuit, 1.0 / (rate * factor_for(rate)))
    stage = circuit.stage
    one = first_rows(circuit)
    two = base_rows(stage, q, circuit.second_base_volts)
    three = collector_rows(stage, q, circuit.second_base_volts)
    base, collector = np.zeros(10), np.zeros(3)

    def shape(stretch: Volts) -> None:
        _step_to_base(steps, one, two, base, stretch)
        _read_means(three, collector, stretch)

    return shape


def stepping(circuit: Circuit, step_s: float) -> tuple[Volts, float]:
    """Return the step's numbers, shape (3, 3), and q in ohm.

    Rows 0 and 1 hold M = (11/6 - h A)^-1 and h M b of u and c; row 2 M[1, 0] / M[0, 0].
    """
    per_ohm, per_leak = 1.0 / circuit.ohm, 1.0 / circuit.leak_ohm
    farads = np.array([[circuit.base_farad], [circuit.coupling_farad]])
    matrix = np.array([[-per_ohm - per_leak, -per_ohm], [-per_ohm, -per_ohm]]) / farads
    inlet = np.array([per_ohm, per_ohm]) / farads[:, 0]
    m = np.linalg.inv(11.0 / 6.0 * np.eye(2) - step_s * matrix)
    steps = np.zeros((3, 3))
    steps[:2, :2] = m
    steps[:2, 2] = step_s * m @ inlet
    steps[2, 0] = m[1, 0] / m[0, 0]
    return steps, float(step_s / circuit.base_farad * m[0, 0])


def points(stage: Stage, ohm: float, source: Volts) -> Points:
    """Return what stands in `stage` for `source` volts behind `ohm` at its base.

    By halving between both ends of vce, then slopes along the curve by the complex step
    (Squire and Trapp, SIAM Review 40(1), 1998, from memory).
    """
    source = np.asarray(source, dtype=np.float64)
    ratio = stage.emitter_ohm / stage.collector_ohm
    most = (1.0 + ratio * (1.0 + 1.0 / FORWARD_GAIN)) / (1.0 + 1.0 / REVERSE_GAIN + ratio)
    low = np.full_like(source, -THERMAL_VOLTS * np.log(most))
    high = np.full_like(source, stage.supply_volts)
    for _ in range(HALVINGS):
        vce = 0.5 * (low + high)
        base, amps, _collector = _point(stage, vce)
        too_much = base.real + ohm * amps.real > source
        low, high = np.where(too_much, vce, low), np.where(too_much, high, vce)
    base, amps, collector = _point(stage, np.asarray(high + 1e-30j, dtype=np.complex128))
    along = base.imag + ohm * amps.imag
    on = source > OFF_VOLTS
    return Points(
        np.where(on, base.real, source),
        np.where(on, amps.real, 0.0),
        np.where(on, collector.real, stage.supply_volts),
        np.where(on, base.imag / along, 1.0),
        np.where(on, collector.imag / along, 0.0),
    )


def middle_base_volts(stage: Stage) -> float:
    """Return the base voltage that leaves half the supply at the collector."""
    low, high = 0.25 * stage.supply_volts, stage.supply_volts
    for _ in range(HALVINGS):
        vce = 0.5 * (low + high)
        below = _point(stage, np.array([vce]))[2].real[0] < 0.5 * stage.supply_volts
        low, high = (vce, high) if below else (low, vce)
    return float(_point(stage, np.array([high]))[0].real[0])


@lru_cache(maxsize=16)
def collector_rows(stage: Stage, ohm: float, base_volts: float) -> Volts:
    """Return rows of the collector's volts from rest against the source's from rest."""
    rest, here = _about(stage, ohm, base_volts)
    return _rows(here.collector - rest.collector[0], here.collector_slope)


def first_rows(circuit: Circuit) -> Volts:
    """Return rows of what the second stage gets, collector 1 blended with its magnitude.

    The collector falls where x rises and is below rest there alone: (1 - octave) e + octave |e| is
    e itself for x below rest and (1 - 2 octave) e above.
    """
    rows = collector_rows(circuit.stage, circuit.ohm, circuit.first_base_volts).copy()
    rows[: len(rows) // 2, :5] *= 1.0 - 2.0 * circuit.octave
    return rows


@lru_cache(maxsize=16)
def base_rows(stage: Stage, q: float, base_volts: float) -> Volts:
    """Return rows of u of u + q (Ib(u) - Ib(0)) = B, `q` in ohm."""
    here = _about(stage, q, base_volts)[1]
    return _rows(here.base - base_volts, here.base_slope)


@lru_cache(maxsize=2)
def _about(stage: Stage, ohm: float, base_volts: float) -> tuple[Points, Points]:
    """Return what stands in `stage` at rest, and at all of `_places` around it."""
    rest = points(stage, 0.0, np.array([base_volts]))
    return rest, points(stage, ohm, base_volts + ohm * rest.base_amps[0] + _places())


def _point(stage: Stage, vce: Volts | Complexes) -> tuple[Complexes, Complexes, Complexes]:
    """Return base volts, base amps and collector volts where `vce` stands across a transistor."""
    back, forth = 1.0 / REVERSE_GAIN, 1.0 / FORWARD_GAIN
    rho = np.exp(-vce / THERMAL_VOLTS)
    share = 1.0 - rho + forth
    g = (1.0 - rho * (1.0 + back)) / share
    leaks = stage.collector_ohm * SATURATION_A * (forth * g + back)
    amps = (stage.supply_volts - vce - leaks) / (stage.emitter_ohm + stage.collector_ohm * g)
    e = (amps / SATURATION_A + forth) / share
    e = np.where(e.real > 1e-30, e, 1e-30)
    emitter = stage.emitter_ohm * amps
    base_amps = SATURATION_A * (forth * (e - 1.0) + back * (rho * e - 1.0))
    return (
        np.asarray(emitter + THERMAL_VOLTS * np.log(e), dtype=np.complex128),
        np.asarray(base_amps, dtype=np.complex128),
        np.asarray(emitter + vce, dtype=np.complex128),
    )


def _places() -> Volts:
    """Return the ends of all cells, shape (2, cells + 1): upwards from rest, and downwards."""
    number = np.arange(((HIGHEST_BITS - LOWEST_BITS) << CELLS_BITS) + 1)
    cell = 2.0 ** (number >> CELLS_BITS) * (1.0 + (number % (1 << CELLS_BITS)) / (1 << CELLS_BITS))
    up = 2.0**LOWEST_BITS * cell
    return np.stack((up, -up))


def _rows(values: Volts, slopes: Volts) -> Volts:
    """Return cubics through `values` and `slopes` at the ends that `_places` gives.

    Shape (2 (cells + 1), 8), upwards from rest, then downwards; the first of each half lies between
    rest and the first place and is straight. Columns: four coefficients in t from 0 to 1, the
    integral from rest to t = 0, the width in volts, and two unused that keep a row on a cache line.
    """
    number = np.arange(values.shape[1] - 1)
    up = 2.0 ** ((number >> CELLS_BITS) + LOWEST_BITS - CELLS_BITS)
    width = np.stack((up, -up))
    y0, y1 = values[:, :-1], values[:, 1:]
    m0, m1 = slopes[:, :-1] * width, slopes[:, 1:] * width
    rows = np.zeros((2, number.size + 1, 8))
    rows[:, 0, 1] = values[:, 0]
    rows[:, 0, 5] = 2.0**LOWEST_BITS, -(2.0**LOWEST_BITS)
    rows[:, 1:, :4] = np.stack((y0, m0, 3 * (y1 - y0) - 2 * m0 - m1, 2 * (y0 - y1) + m0 + m1), -1)
    rows[:, 1:, 5] = width
    areas = rows[:, :, 5] * (rows[:, :, :4] / np.arange(1, 5)).sum(axis=2)
    rows[:, 1:, 4] = np.cumsum(areas, axis=1)[:, :-1]
    return rows.reshape(-1, 8)


@kernel
def _place(x: float, half: int) -> tuple[np.uint64, float]:
    """Return the row for `x` volts from rest and how far in it lies, 0 to 1 from the end near rest.

    With 2^7 cells an octave from 2^-20 V: the upper bits of x say which, the lower 45 how far in.
    Rows counted without a sign spare the loops the question whether they count from the end.
    """
    bits = int(np.float64(x).view(np.int64)) & 0x7FFFFFFFFFFFFFFF
    place = (bits >> 45) - ((1023 - 20) << 7) + 1
    t = (bits & 0x1FFFFFFFFFFF) * 2.0**-45
    if place <= 0:
        place, t = 0, abs(x) * 2.0**20
    elif place >= half:
        place, t = half - 1, 1.0
    return np.uint64(place + (half if x < 0.0 else 0)), t


@kernel
def _value(x: float, rows: Volts) -> float:
    """Return the curve at `x` volts from rest."""
    n, t = _place(x, rows.shape[0] // 2)
    return float((rows[n, 0] + rows[n, 1] * t) + (t * t) * (rows[n, 2] + rows[n, 3] * t))


@summing_kernel
def _value_and_integral(x: float, rows: Volts) -> tuple[float, float]:
    """Return the curve at `x` volts from rest and its integral from rest to there."""
    n, t = _place(x, rows.shape[0] // 2)
    c0, c1, c2, c3 = rows[n, 0], rows[n, 1], rows[n, 2], rows[n, 3]
    value = (c0 + c1 * t) + (t * t) * (c2 + c3 * t)
    mean = (c0 + 0.5 * c1 * t) + (t * t) * ((1 / 3) * c2 + 0.25 * c3 * t)
    return value, rows[n, 4] + rows[n, 5] * t * mean


@kernel
def _step_to_base(steps: Volts, one: Volts, two: Volts, state: Volts, wave: Volts) -> None:
    """Replace the first stage's input x by the second base's B.

    `state`: M history (2), B - u, s[-1], s[-2], and the last x, e and e's integral. What the newest
    B - u adds to the next state is kept apart and added last, as in kernels.diodes.

    e enters as its mean between two samples and half of what it has risen: the mean takes away
    what its edges alias, the rise the mean's half step of delay.
    """
    m00, m01, b0 = steps[0]
    m10, m11, b1 = steps[1]
    p1 = steps[2, 0]
    g0 = 3.0 * (m00 + m01 * p1)
    g1 = 3.0 * (m10 + m11 * p1)
    # One by one: taken apart in one go, the loop below takes a third longer.
    n0, n1, lack, u, c = state[0], state[1], state[2], state[3], state[4]
    u1, c1, x, e, e_sum = state[5], state[6], state[7], state[8], state[9]
    for i in range(wave.size):
        x1, e1, e_sum1 = x, e, e_sum
        x = wave[i]
        e, e_sum = _value_and_integral(x, one)
        fed = e
        if abs(x - x1) > 1e-6:
            fed += (e_sum - e_sum1) / (x - x1) - 0.5 * (e + e1)
        s0 = (n0 + b0 * fed) - g0 * lack
        s1 = (n1 + b1 * fed) - g1 * lack
        h0 = 3.0 * s0 - 1.5 * u + (1 / 3) * u1
        h1 = 3.0 * s1 - 1.5 * c + (1 / 3) * c1
        n0 = m00 * h0 + m01 * h1
        n1 = m10 * h0 + m11 * h1
        u1, c1 = u, c
        u = _value(s0, two)
        lack = s0 - u
        c = s1 - p1 * lack
        wave[i] = s0
    state[:] = np.array([n0, n1, lack, u, c, u1, c1, x, e, e_sum])
    for k in range(state.size):
        if abs(state[k]) < 1e-100:
            state[k] = 0.0


@summing_kernel
def _read_means(rows: Volts, state: Volts, wave: Volts) -> None:
    """Replace each x by the curve's mean from the last x to it. `state`: last x, y, integral.

    First-order antiderivative anti-aliasing (Parker, Zavalishin and Le Bivic, DAFx-16, 2016; from
    memory).
    """
    x, y, y_sum = state[0], state[1], state[2]
    for i in range(wave.size):
        x1, y1, y_sum1 = x, y, y_sum
        x = wave[i]
        y, y_sum = _value_and_integral(x, rows)
        if abs(x - x1) > 1e-6:
            wave[i] = (y_sum - y_sum1) / (x - x1)
        else:
            wave[i] = 0.5 * (y + y1)
    state[:] = np.array([x, y, y_sum])
