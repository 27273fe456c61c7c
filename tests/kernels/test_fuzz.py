import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq, fsolve

from simchain.kernels import fuzz
from simchain.kernels.fuzz import Circuit, Stage
from tests.references.fuzz import newton

STAGE = Stage(9.0, 10e3, 220.0)
STAGES = [STAGE, Stage(2.5, 10e3, 220.0), Stage(18.0, 4.7e3, 10.0), Stage(60.0, 10e3, 1000.0)]
STEP_S = 1 / 384_000
MIDDLE = fuzz.middle_base_volts(STAGE)
# Between these the first stage bends at one place only.
KNEES = (-0.2, -0.1, -0.05, 0.0, 0.05, 0.1, 0.15, 0.2)
CIRCUIT = Circuit(STAGE, MIDDLE, MIDDLE, 22e3, 47e3, 0.22e-6, 1.8e-9, 0.0)


def currents(base, emitter, collector):
    """Return collector and base amps by the laws as they are written, currents into the device."""
    e = math.exp((base - emitter) / 25.865e-3)
    d = math.exp((base - collector) / 25.865e-3)
    return 1e-14 * (e - d) - 1e-14 / 2 * (d - 1), 1e-14 / 150 * (e - 1) + 1e-14 / 2 * (d - 1)


@pytest.mark.parametrize("stage", STAGES)
@pytest.mark.parametrize("ohm", [0.0, 800.0, 22e3])
def test_points_obey_kirchhoff(stage, ohm):
    """The solved points put back into the transistor's two laws and both resistors' currents."""
    for source in (0.4, 0.6, 0.7, 0.8, 1.5, 5.0, 30.0):
        here = fuzz.points(stage, ohm, np.array([source]))
        base, amps, collector = (float(v[0]) for v in (here.base, here.base_amps, here.collector))
        assert base + ohm * amps == pytest.approx(source, abs=1e-9)
        emitter = stage.emitter_ohm * (
            (stage.supply_volts - collector) / stage.collector_ohm + amps
        )
        flows = (stage.supply_volts - collector) / stage.collector_ohm
        emitter = stage.emitter_ohm * (flows + amps)
        into_collector, into_base = currents(base, emitter, collector)
        assert into_collector == pytest.approx(flows, rel=1e-5, abs=1e-13)
        assert into_base == pytest.approx(amps, rel=1e-5, abs=1e-13)


def test_points_against_scipy_s_solver():
    """fsolve on the three nodes of a stage at work, from the active region's estimate."""

    def error(volts):
        base, emitter, collector = volts
        into_collector, into_base = currents(base, emitter, collector)
        return (
            (source - base) / 22e3 - into_base,
            emitter / 220.0 - into_collector - into_base,
            (9.0 - collector) / 10e3 - into_collector,
        )

    for source in (0.65, 0.75, 0.8, 0.85):
        found = fsolve(error, (source - 0.05, 0.1, 5.0), xtol=1e-13)
        here = fuzz.points(STAGE, 22e3, np.array([source]))
        assert here.base[0] == pytest.approx(found[0], abs=1e-9)
        assert here.collector[0] == pytest.approx(found[2], abs=1e-7)


def test_slopes_are_the_curve_s():
    sources = np.array([0.3, 0.55, 0.7, 0.75, 0.9, 3.0])
    step = 1e-5
    low, here, high = (fuzz.points(STAGE, 22e3, sources + d) for d in (-step, 0, step))
    base, collector = high.base - low.base, high.collector - low.collector
    assert here.base_slope == pytest.approx(base / (2 * step), abs=1e-5)
    assert here.collector_slope == pytest.approx(collector / (2 * step), abs=1e-3)


def test_idles_at_half_the_supply():
    for stage in STAGES:
        base = fuzz.middle_base_volts(stage)
        collector = fuzz.points(stage, 0.0, np.array([base])).collector[0]
        assert collector == pytest.approx(stage.supply_volts / 2, abs=1e-9)


@pytest.mark.parametrize("base_volts", [0.38, MIDDLE, 0.846])
def test_rows_against_bisection_and_quadrature(base_volts, seeded):
    """Volts from rest over all octaves: scipy's brentq for the base, quad for the integral."""
    q = 900.0
    two = fuzz.base_rows(STAGE, q, base_volts)
    three = fuzz.collector_rows(STAGE, 0.0, base_volts)
    rest = fuzz.points(STAGE, 0.0, np.array([base_volts]))
    worst_base = worst_collector = 0.0
    knee = seeded.uniform(0.1, 0.8, 10) * (1 if base_volts < 0.8 else -1)
    for b in [
        *(10.0 ** seeded.uniform(-8, 0.9, 8)),
        *(-(10.0 ** seeded.uniform(-8, 0.9, 8))),
        *knee,
    ]:

        def off(u, b=b):
            amps = fuzz.points(STAGE, 0.0, np.array([base_volts + u])).base_amps[0]
            return u + q * (amps - rest.base_amps[0]) - b

        u = fuzz._value(b, two)
        worst_base = max(worst_base, abs(u - brentq(off, -10.0, 10.0, xtol=1e-14)))
        value, _ = fuzz._value_and_integral(u, three)
        exact = fuzz.points(STAGE, 0.0, np.array([base_volts + u])).collector[0]
        worst_collector = max(worst_collector, abs(value - (exact - rest.collector[0])))
    print(
        f"base {base_volts:.3f} V: u within {worst_base:.1e} V, collector {worst_collector:.1e} V"
    )
    assert worst_base < 2e-6
    assert worst_collector < 1e-5
    for u in (-0.3, -1e-7, 1e-4, 0.06, 0.9):
        exact = quad(lambda v: fuzz._value(v, three), 0, u, epsabs=1e-13, limit=400)[0]
        assert fuzz._value_and_integral(u, three)[1] == pytest.approx(exact, rel=1e-7, abs=1e-12)


@pytest.mark.parametrize("second_base_volts", [0.38, MIDDLE, 0.846])
def test_base_against_plain_newton(second_base_volts, seeded):
    """The first stage replaced by a wire, for which mean and half rise are the sample itself.

    Far from rest, where the starved base starts to conduct, cells are 2 to 4 mV wide: 2e-6 V.
    """
    circuit = replace(CIRCUIT, second_base_volts=second_base_volts)
    e = rough_wave(seeded)
    expected = newton.second_base(e, circuit, STEP_S)
    worst = np.abs(base_volts(circuit, e, wire()) - expected).max()
    print(f"against plain Newton: {worst:.1e} V of {np.abs(expected).max():.2f} V")
    assert worst < 2e-6


def rough_wave(seeded):
    wave = 2.0 * np.sin(2 * np.pi * 1249 * np.arange(1500) * STEP_S)
    wave[700:] += 2.0 * seeded.standard_normal(800)
    return wave


def wire():
    places = fuzz._places()
    return fuzz._rows(places, np.ones_like(places))


def base_volts(circuit, wave, one, loop=fuzz._step_to_base):
    steps, q = fuzz.stepping(circuit, STEP_S)
    two = fuzz.base_rows(circuit.stage, q, circuit.second_base_volts)
    state, result = np.zeros(10), wave.copy()
    for part in np.split(result, [1, 200, 201]):
        loop(steps, one, two, state, part)
    return np.array([fuzz._value(b, two) for b in result])


@pytest.mark.parametrize("octave", [0.0, 0.4, 1.0])
def test_first_stage_enters_by_its_mean_and_half_its_rise(octave, seeded):
    """Gauss's rule over the solved stage, split at rest; then through the wire."""
    x = 0.1 * seeded.standard_normal(200)
    nodes, weights = np.polynomial.legendre.leggauss(40)

    def first(volts):
        e = fuzz.points(STAGE, 22e3, rest + volts).collector - 4.5
        return (1 - octave) * e + octave * np.abs(e)

    def mean(low, high):
        cuts = sorted({low, high, *(cut for cut in KNEES if min(low, high) < cut < max(low, high))})
        parts = [
            (b - a) / 2 * weights @ first((a + b) / 2 + (b - a) / 2 * nodes)
            for a, b in pairwise(cuts)
        ]
        return sum(parts) / (max(low, high) - min(low, high))

    rest = MIDDLE + 22e3 * fuzz.points(STAGE, 0.0, np.array([MIDDLE])).base_amps[0]
    before = np.append(0.0, x[:-1])
    means = np.array([mean(a, b) for a, b in zip(before.tolist(), x.tolist(), strict=True)])
    fed = means + 0.5 * (first(x) - first(before))
    rows = fuzz.first_rows(replace(CIRCUIT, octave=octave))
    worst = np.abs(base_volts(CIRCUIT, x, rows) - base_volts(CIRCUIT, fed, wire())).max()
    print(f"octave {octave}: first stage off by {worst:.1e} V at the second base")
    assert worst < 1e-6


def test_compiled_as_written(seeded):
    wave = 0.1 * rough_wave(seeded)[600:900]
    one, rows = fuzz.first_rows(CIRCUIT), fuzz.collector_rows(STAGE, 0.0, MIDDLE)
    plain = base_volts(CIRCUIT, wave, one, fuzz._step_to_base.py_func)
    assert np.abs(base_volts(CIRCUIT, wave, one) - plain).max() < 1e-13
    one, other = wave.copy(), wave.copy()
    fuzz._read_means(rows, np.zeros(3), one)
    fuzz._read_means.py_func(rows, np.zeros(3), other)
    assert np.abs(one - other).max() < 1e-12


def test_the_mean_is_the_curve_s_mean():
    """Between two far points: scipy's quad over the curve."""
    rows = fuzz.collector_rows(STAGE, 0.0, MIDDLE)
    wave = np.array([-0.4, 0.3, 0.3000001, 0.05])
    result = wave.copy()
    fuzz._read_means(rows, np.zeros(3), result)
    for i in (1, 2, 3):
        a, b = wave[i - 1], wave[i]
        mean = quad(lambda v: fuzz._value(v, rows), a, b, epsabs=1e-12, limit=400)[0] / (b - a)
        assert result[i] == pytest.approx(mean, abs=1e-6)


def test_rest_is_met_exactly_and_returned_to():
    run = fuzz.run(np.zeros(5000), CIRCUIT, 48_000)
    assert not run.any()
    click = np.zeros(48_000 * 4)
    click[:100] = 2.0
    assert not fuzz.run(click, CIRCUIT, 48_000)[-4000:].any()


@pytest.fixture
def seeded():
    return np.random.default_rng(2026)
