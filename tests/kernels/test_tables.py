"""Tables with their antiderivative: against closed forms, a slow version, and published figures."""

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from simchain.kernels import tables

FIRST, PER_VOLT, POINTS = -16.0, 64.0, 2049

NO_SECTIONS = np.empty((0, 6))
NO_MEMORY = np.empty((0, 2))


def tabulated(curve: Callable[[np.ndarray], np.ndarray], slope: Callable[[np.ndarray], np.ndarray]):
    volts = FIRST + np.arange(POINTS) / PER_VOLT
    slopes = slope(volts) / PER_VOLT
    return tables.cubic_table(curve(volts), slopes, -FIRST * PER_VOLT)


@pytest.fixture(scope="module")
def tanh_table() -> np.ndarray:
    return tabulated(np.tanh, lambda v: 1 - np.tanh(v) ** 2)


@pytest.fixture(scope="module")
def hard_table() -> np.ndarray:
    return tabulated(lambda v: np.clip(v, -1, 1), lambda v: (np.abs(v) < 1).astype(float))


def shaped(volts: np.ndarray, table: np.ndarray) -> np.ndarray:
    out = volts.copy()
    tables.filter_and_shape(out, NO_SECTIONS, NO_MEMORY, table, FIRST, PER_VOLT, np.zeros(1))
    return out


def ln_cosh(x: np.ndarray) -> np.ndarray:
    return np.logaddexp(x, -x) - np.log(2)


def test_a_cubic_is_tabulated_exactly() -> None:
    table = tabulated(lambda v: v**3 - 2 * v + 1, lambda v: 3 * v**2 - 2)
    for volts in (-15.99, -3.217, 0.0, 1e-3, 9.0, 15.9):
        position = (volts - FIRST) * PER_VOLT
        assert tables.value_at(position, table) == pytest.approx(volts**3 - 2 * volts + 1, abs=1e-9)
        integral = volts**4 / 4 - volts**2 + volts
        assert tables.integral_at(position, table) / PER_VOLT == pytest.approx(integral, abs=1e-8)


def test_value_and_integral_of_tanh_are_its_closed_forms(tanh_table: np.ndarray) -> None:
    volts = np.random.default_rng(1).uniform(-15, 15, 2000)
    places = (volts - FIRST) * PER_VOLT
    values = np.array([tables.value_at(place, tanh_table) for place in places])
    integrals = np.array([tables.integral_at(place, tanh_table) for place in places]) / PER_VOLT
    worst = np.abs(values - np.tanh(volts)).max(), np.abs(integrals - ln_cosh(volts)).max()
    print(f"tanh table: values within {worst[0]:.1e}, integrals within {worst[1]:.1e}")
    assert worst[0] < 1e-9
    assert worst[1] < 1e-9


def test_beyond_its_ends_the_curve_is_constant_and_finite(tanh_table: np.ndarray) -> None:
    out = shaped(np.array([0.0, 50.0, 50.0, 1e9, -1e9, -1e9, 1e300, 1e300]), tanh_table)
    assert np.isfinite(out).all()
    np.testing.assert_allclose(out[[2, 5, 7]], [1, -1, 1], atol=1e-12)
    assert out[4] == pytest.approx(0.0, abs=1e-6)


def test_the_mean_between_samples_is_that_of_the_antiderivative(tanh_table: np.ndarray) -> None:
    x = np.random.default_rng(2).normal(0, 3, 4000)
    before = np.append(0.0, x[:-1])
    wanted = (ln_cosh(x) - ln_cosh(before)) / (x - before)
    np.testing.assert_allclose(shaped(x, tanh_table), wanted, atol=1e-8)


def test_small_steps_take_the_value_half_way(tanh_table: np.ndarray) -> None:
    x = 0.4 + np.arange(50) * 1e-7
    out = shaped(x, tanh_table)
    np.testing.assert_allclose(out[1:], np.tanh(x[1:] - 0.5e-7), atol=1e-10)


def test_silence_stays_silence(tanh_table: np.ndarray) -> None:
    assert not shaped(np.zeros(100), tanh_table).any()


def test_sections_run_as_scipy_runs_them() -> None:
    # The line y = x as a table: what is left is the sections and a two-point mean.
    wire = tabulated(lambda v: v, np.ones_like)
    sections = butter(4, [0.02, 0.3], btype="band", output="sos")
    x = np.random.default_rng(3).normal(0, 1, 3000)
    out = x.copy()
    memory = np.zeros((len(sections), 2))
    tables.filter_and_shape(out, sections, memory, wire, FIRST, PER_VOLT, np.zeros(1))
    filtered = sosfilt(sections, x)
    wanted = 0.5 * (filtered + np.append(0.0, filtered[:-1]))
    np.testing.assert_allclose(out, wanted, atol=1e-10)


def test_pieces_give_what_the_whole_gives(tanh_table: np.ndarray) -> None:
    sections = butter(2, 0.2, output="sos")
    x = np.random.default_rng(4).normal(0, 2, 1000)
    whole, parts = x.copy(), x.copy()
    for out, cuts in ((whole, (0, 1000)), (parts, (0, 1, 400, 1000))):
        memory, last = np.zeros((1, 2)), np.zeros(1)
        for start, stop in itertools.pairwise(cuts):
            stretch = out[start:stop]
            tables.filter_and_shape(stretch, sections, memory, tanh_table, FIRST, PER_VOLT, last)
    assert np.array_equal(whole, parts)


def test_compiled_and_plain_python_agree(tanh_table: np.ndarray) -> None:
    x = np.random.default_rng(5).normal(0, 2, (40, 4))
    numbers = np.array([FIRST, PER_VOLT, 1.2, 0.3, 0.01])
    results = []
    for run in (tables.shape_under_sag, tables.shape_under_sag.py_func):
        out, state = x.copy(), np.array([-FIRST * PER_VOLT, 1.2, 1.2, 1.2])
        run(out, tanh_table, numbers, state)
        results.append((out, state))
    np.testing.assert_allclose(results[0][0], results[1][0], rtol=0, atol=1e-13)
    np.testing.assert_allclose(results[0][1], results[1][1], rtol=0, atol=1e-11)


def test_a_stiff_supply_changes_nothing(tanh_table: np.ndarray) -> None:
    x = np.random.default_rng(6).normal(0, 2, (500, 4))
    out = x.copy()
    numbers = np.array([FIRST, PER_VOLT, 1.0, 0.0, 0.01])
    state = np.array([-FIRST * PER_VOLT, 1.0, 1.0, 1.0])
    tables.shape_under_sag(out, tanh_table, numbers, state)
    np.testing.assert_allclose(out.ravel(), shaped(x.ravel(), tanh_table), atol=1e-12)
    assert list(state[1:]) == [1.0, 1.0, 1.0]


def test_the_supply_settles_where_flow_and_feed_balance(tanh_table: np.ndarray) -> None:
    # A steady 14 V lies on the ceiling: y = s, so s = rest - drop s = rest / (1 + drop).
    steady = np.full((6000, 4), 14.0)
    numbers = np.array([FIRST, PER_VOLT, 1.2, 0.5, 0.01])
    state = np.array([-FIRST * PER_VOLT, 1.2, 1.2, 1.2])
    tables.shape_under_sag(steady, tanh_table, numbers, state)
    assert state[2] == pytest.approx(1.2 / 1.5, rel=1e-6)
    assert steady[-1, -1] == pytest.approx(1.2 / 1.5, rel=1e-6)


@pytest.mark.parametrize(
    ("rate", "hz", "shape", "published_db"),
    [
        (44_100, 1249, "hard", -34.79),
        (44_100, 1249, "tanh", -39.08),
        (44_100, 4999, "hard", -19.42),
        (44_100, 4999, "tanh", -20.07),
        (48_000, 997, "hard", -43.58),
        (48_000, 997, "tanh", -46.57),
        (48_000, 4999, "tanh", -18.98),
    ],
)
def test_aliases_are_those_computed_elsewhere(
    rate: int,
    hz: int,
    shape: str,
    published_db: float,
    tanh_table: np.ndarray,
    hard_table: np.ndarray,
) -> None:
    # References §10 (computed): sine of amplitude 10 into the unit curve, no oversampling,
    # non-harmonic to harmonic power, one second, all bins.
    x = 10 * np.sin(2 * np.pi * hz * np.arange(2 * rate) / rate)
    y = shaped(x, tanh_table if shape == "tanh" else hard_table)[rate:]
    power = np.abs(np.fft.rfft(y)) ** 2
    harmonic = np.arange(power.size) % hz == 0
    harmonic[0] = True
    aliases_db = 10 * np.log10(power[~harmonic].sum() / power[harmonic].sum())
    print(f"{rate} {hz} {shape}: {aliases_db:.2f} dB, references {published_db}")
    assert aliases_db == pytest.approx(published_db, abs=0.1)


def biased(table: np.ndarray, grid: float = 0.0) -> np.ndarray:
    """The table with a grid that draws `grid` amps everywhere."""
    wide = np.zeros((table.shape[0], 8))
    wide[:, :5], wide[:, 5] = table, grid
    return wide


def bias_state(size: int = 6) -> np.ndarray:
    state = np.zeros(size)
    state[0] = -FIRST * PER_VOLT
    return state


def test_with_nothing_to_charge_the_bias_changes_nothing(tanh_table: np.ndarray) -> None:
    volts = np.random.default_rng(5).normal(0, 3, (200, 4))
    sections = butter(3, 0.2, output="sos")
    plain, moved = volts.ravel().copy(), volts.copy()
    tables.filter_and_shape(
        plain, sections, np.zeros((2, 2)), tanh_table, FIRST, PER_VOLT, np.zeros(1)
    )
    numbers = np.array((FIRST, PER_VOLT, *np.zeros(7)))
    tables.filter_and_shape_under_bias(
        moved, sections, np.zeros((2, 2)), biased(tanh_table), numbers, bias_state()
    )
    np.testing.assert_array_equal(moved.ravel(), plain)


def test_a_steady_grid_current_charges_the_coupling_capacitor_by_the_closed_form() -> None:
    # g' = a - d g: g = (a / d) (1 - (1 - d)^n), two frames and a straight line ahead; f(x) = x.
    line = tabulated(lambda v: v, np.ones_like)
    numbers = np.array((FIRST, PER_VOLT, 0.0, 0.0, 0.0, 0.0, 0.01, 0.004, 1.0))
    volts = np.zeros((2000, 4))
    tables.filter_and_shape_under_bias(
        volts, NO_SECTIONS, NO_MEMORY, biased(line, 1.0), numbers, bias_state()
    )
    frame = np.arange(2000) + (np.arange(1, 5)[:, None] - 0.5) / 4
    wanted = -2.5 * (1 - 0.996**frame.T)
    assert np.abs(volts - wanted)[5:].max() < 2e-4


def test_the_cathode_s_charge_is_that_of_a_feedback_low_pass() -> None:
    # f(x) = x: c' = -k (x - c) - d c and y = x - c; in the steady state y = x (d - 0) / (d - k).
    line = tabulated(lambda v: -v, lambda v: -np.ones_like(v))
    numbers = np.array((FIRST, PER_VOLT, 1.0, 0.01, 0.005, 1.0, 0.0, 0.0, 0.0))
    volts = np.full((4000, 4), 0.6)
    tables.filter_and_shape_under_bias(
        volts, NO_SECTIONS, NO_MEMORY, biased(line), numbers, bias_state()
    )
    # c = k (x - c) / d: y = -(x - c) = -x d / (d + k).
    assert volts[-1] == pytest.approx(-0.6 * 0.005 / 0.015, rel=1e-9)
    after = (1 - 0.015) ** np.arange(4000)
    wanted = -0.6 * (1 + 2 * after) / 3
    assert np.abs(volts.mean(axis=1) - wanted)[5:].max() < 0.01


def test_bias_goes_on_from_stretch_to_stretch_and_plain_python_agrees(
    tanh_table: np.ndarray,
) -> None:
    volts = np.random.default_rng(6).normal(0, 2, (60, 4))
    table = biased(tanh_table, 0.1)
    numbers = np.array((FIRST, PER_VOLT, 0.5, 0.02, 0.01, 1.01, 0.03, 0.004, 0.3))
    whole, parts, python = volts.copy(), volts.copy(), volts.copy()
    run = tables.filter_and_shape_under_bias
    run(whole, NO_SECTIONS, NO_MEMORY, table, numbers, bias_state())
    state = bias_state()
    for part in (parts[:1], parts[1:20], parts[20:]):
        run(part, NO_SECTIONS, NO_MEMORY, table, numbers, state)
    run.py_func(python, NO_SECTIONS, NO_MEMORY, table, numbers, bias_state())
    np.testing.assert_array_equal(parts, whole)
    np.testing.assert_allclose(python, whole, atol=1e-12)
