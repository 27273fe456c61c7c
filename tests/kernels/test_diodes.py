import math

import numpy as np
import pytest
from scipy.optimize import brentq

from simchain.kernels import diodes
from simchain.kernels.diodes import Circuit, Pair
from tests.references.drive import newton

# The common simulator card of the small silicon diode without its series resistance, at 27 °C:
# n k T / q with the constants of the SI (2019).
CARD_VOLTS = 1.752 * 1.380649e-23 * 300.15 / 1.602176634e-19
CARD = Pair(2.52e-9, CARD_VOLTS, CARD_VOLTS)
STEP_S = 1 / 384_000


# References, Electronics: "Antiparallel pair after R, dc, 27 C (no Rs)", computed independently.
@pytest.mark.parametrize(
    ("ohm", "source", "volts"),
    [
        (2200, 0.1, 0.099950),
        (2200, 0.3, 0.296178),
        (2200, 0.5, 0.428743),
        (2200, 1.0, 0.515596),
        (2200, 2.0, 0.564815),
        (2200, 4.5, 0.609999),
        (10_000, 1.0, 0.452529),
        (10_000, 4.5, 0.542169),
    ],
)
def test_published_points_at_rest(ohm, source, volts):
    assert diodes.voltage(source, ohm, CARD) == pytest.approx(volts, abs=6e-7)
    assert diodes.voltage(-source, ohm, CARD) == pytest.approx(-volts, abs=6e-7)


# References, Electronics: one diode at 10 uA; ngspice's 0.5847395 V at 1 mA less 0.568 ohm's part.
@pytest.mark.parametrize(("ampere", "volts"), [(10e-6, 0.37550), (1e-3, 0.5847395 - 0.568e-3)])
def test_forward_voltage_of_one_diode(ampere, volts):
    """Driven by a current; the other string has so many diodes that it passes nothing but -1."""
    one = Pair(CARD.saturation_a, CARD.up_volts, 1e6)
    assert diodes.voltage(ampere * 1e9, 1e9, one) == pytest.approx(volts, abs=5e-6)


PAIRS = [
    Pair(2.5e-9, 0.045, 0.045),
    Pair(2.5e-9, 0.09, 0.045),
    Pair(1e-12, 0.026, 0.31),
    Pair(1e-6, 0.0259, 0.0259),
    Pair(1e-18, 0.013, 0.5),
]


@pytest.mark.parametrize("pair", PAIRS)
@pytest.mark.parametrize("q", [1e-4, 100.0, 3000.0, 1e7])
def test_table_against_bisection(pair, q, seeded):
    """scipy's brentq on the equation itself, sources over all octaves of the table and beyond."""
    sources = 10.0 ** seeded.uniform(-9, math.log10(200 + 2 * q), 60)
    sources[::2] *= -1
    found = answers(sources, diodes.table(q, pair))
    worst = max(
        abs(v - exact(b, q, pair)) for b, v in zip(sources.tolist(), found.tolist(), strict=True)
    )
    print(f"q {q:g}, {pair}: worst {worst:.1e} V")
    assert worst < 1e-9


def answers(sources, law):
    """Ask the kernel for v of each source: a step without a memory, v the output."""
    steps = np.zeros((5, 4))
    steps[0, 3] = 1.0
    steps[3, 0] = 1.0
    steps[4, 0] = 1.0
    wave = sources.copy()
    diodes._step_through(steps, law.cells, law.shift, law.first, law.scale, np.zeros(10), wave)
    return wave


def exact(b, q, pair):
    def error(v):
        up = math.exp(min(v / pair.up_volts, 600))
        down = math.exp(min(-v / pair.down_volts, 600))
        return v + q * pair.saturation_a * (up - down) - b

    return brentq(error, min(b, 0.0), max(b, 0.0), xtol=1e-15, rtol=1e-14)


@pytest.mark.parametrize("gain_db", [6, 26, 60])
@pytest.mark.parametrize(("up", "down"), [(1, 1), (2, 1), (1, 4)])
def test_feedback_against_plain_newton(gain_db, up, down, seeded):
    lower, low_cut, high_cut, gbw = 3300.0, 150.0, 6000.0, 3e6
    gain = 10 ** (gain_db / 20)
    upper = lower * (gain - 1)
    wl, wh, wt = (2 * math.pi * hz for hz in (low_cut, high_cut, gbw))
    inward = wh * upper / lower
    matrix = np.array([[-wh - inward, -inward, inward], [-wl, -wl, wl], [wt, 0, -wt]])
    circuit = Circuit(matrix, np.array([0, 0, wt]), np.array([0, 0, 1.0]), 0.0, wh * upper)
    pair = Pair(2.5e-9, up * 0.045264, down * 0.045264)
    wave = rough_wave(seeded)
    values = (STEP_S, gain, lower, low_cut, high_cut, gbw)
    expected = newton.feedback(wave, (*values, *(2.5e-9, pair.up_volts, pair.down_volts)))
    assert_equal_within_a_nanovolt(stepped(circuit, pair, wave), expected)


@pytest.mark.parametrize("gain_db", [-6, 26, 60])
@pytest.mark.parametrize(("up", "down"), [(1, 1), (2, 1), (1, 4)])
def test_shunt_against_plain_newton(gain_db, up, down, seeded):
    series, low_cut, high_cut, gbw = 2200.0, 150.0, 6000.0, 3e6
    gain = 10 ** (gain_db / 20)
    wl, wh, wt = (2 * math.pi * hz for hz in (low_cut, high_cut, gbw))
    matrix = np.array([[-wh, wh, 0], [0, -wt / gain, -wt], [0, 0, -wl]])
    circuit = Circuit(matrix, np.array([0, wt, wl]), np.array([1.0, 0, 0]), 0.0, wh * series)
    pair = Pair(2.5e-9, up * 0.045264, down * 0.045264)
    wave = rough_wave(seeded)
    values = (STEP_S, gain, series, low_cut, high_cut, gbw)
    expected = newton.shunt(wave, (*values, *(2.5e-9, pair.up_volts, pair.down_volts)))
    assert_equal_within_a_nanovolt(stepped(circuit, pair, wave), expected)


def rough_wave(seeded):
    wave = 0.3 * np.sin(2 * np.pi * 1249 * np.arange(1500) * STEP_S)
    wave[700:] += 0.3 * seeded.standard_normal(800)
    return wave


def stepped(circuit, pair, wave, loop=diodes._step_through):
    steps, q = diodes.stepping(circuit, STEP_S)
    law, state, result = diodes.table(q, pair), np.zeros(10), wave.copy()
    for part in np.split(result, [1, 400, 401]):
        loop(steps, law.cells, law.shift, law.first, law.scale, state, part)
    return result


def assert_equal_within_a_nanovolt(found, expected):
    worst = np.abs(found - expected).max()
    print(f"against plain Newton: {worst:.1e} V of {np.abs(expected).max():.2f} V")
    assert worst < 1e-9


def simple_circuit():
    """A resistor of 2200 ohm into the diodes and a capacitor whose corner is 6 kHz."""
    corner = 2 * math.pi * 6000
    matrix = np.zeros((3, 3))
    matrix[0, 0] = -corner
    return Circuit(matrix, np.array([corner, 0, 0]), np.array([1.0, 0, 0]), 0.0, 2200.0 * corner)


def test_settles_where_direct_current_puts_it():
    for source in (-4.5, 1e-7, 0.3, 2.0, 1e4):
        end = diodes.run(np.full(2000, source), simple_circuit(), CARD, 48_000)[1500]
        assert end == pytest.approx(diodes.voltage(source, 2200, CARD), rel=3e-7)


def test_compiled_as_written(seeded):
    wave = rough_wave(seeded)[600:900]
    compiled = stepped(simple_circuit(), CARD, wave)
    plain = stepped(simple_circuit(), CARD, wave, diodes._step_through.py_func)
    assert np.abs(compiled - plain).max() < 1e-15
    scale = np.array([1e-6, 0.045, 0.045, 0.9])
    one, other = np.empty((2, 64, 4)), np.empty((2, 64, 4))
    assert diodes._fill(one, 0.25, 8, scale) == pytest.approx(
        diodes._fill.py_func(other, 0.25, 8, scale), rel=1e-6
    )
    assert np.abs(one - other).max() < 1e-14


@pytest.fixture
def seeded():
    return np.random.default_rng(2026)
