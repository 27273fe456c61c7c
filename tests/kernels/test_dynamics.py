"""Static curve and detector against the published formulas.

Giannoulis, Massberg, Reiss, J. Audio Eng. Soc. 60(6), 2012; formulas from memory, their numbers
computed independently (references §5).
"""

import numpy as np
import pytest

from simchain.kernels.dynamics import levels_to_reductions, reduction_db

NOTHING = 1e-30


def kept(tau_ms: float, rate: float) -> float:
    return float(np.exp(-1e3 / (tau_ms * rate)))


def reductions(
    levels: np.ndarray,
    curve: tuple[float, float, float] = (0.0, 1.0, 0.0),
    attack: float = 0.0,
    release: float = 0.0,
) -> np.ndarray:
    """Run the kernel; by default a level of x dB asks for x dB, without smoothing."""
    worked = np.array(levels, dtype=np.float64)
    levels_to_reductions(worked, np.array(curve), attack, release, NOTHING)
    return worked


@pytest.mark.parametrize(
    ("threshold", "ratio", "knee", "points"),
    [
        (-20, 4, 0, {-17.5: -19.375, -15: -18.75, -10: -17.5, 0: -15, -25: -25}),
        (-20, 4, 10, {-25: -25, -22.5: -22.734375, -20: -20.9375, -17.5: -19.609375, -15: -18.75}),
        (-30, 2, 6, {-30: -30.375, -20: -25, -10: -20, 0: -15}),
        (-10, np.inf, 4, {-10: -10.5, 0: -10}),
        (-20, 4, 0, {-8: -17}),
    ],
)
def test_published_curve(
    threshold: float, ratio: float, knee: float, points: dict[float, float]
) -> None:
    for level, out in points.items():
        assert level - reduction_db(level, threshold, 1 - 1 / ratio, knee) == pytest.approx(
            out, abs=1e-9
        )


def test_curve_is_smooth_and_never_turns_up() -> None:
    levels = np.linspace(-60, 20, 4001)
    found = np.array([reduction_db(x, -20.0, 0.75, 10.0) for x in levels])
    assert found.min() == 0
    slope = np.gradient(found, levels)
    assert slope.min() >= 0
    assert slope.max() == pytest.approx(0.75)
    assert np.abs(np.diff(slope)).max() < 0.002


def test_at_the_threshold_the_knee_takes_an_eighth_of_its_width() -> None:
    """References §5: at x = T the change is (1/R - 1) W / 8."""
    assert reduction_db(-20.0, -20.0, 0.75, 8.0) == pytest.approx(0.75)


@pytest.mark.parametrize(
    ("tau_ms", "rate", "alpha"),
    [
        (1, 44_100, 0.977579425),
        (1, 48_000, 0.979382181),
        (10, 44_100, 0.997734995),
        (10, 48_000, 0.997918835),
        (100, 48_000, 0.999791688),
        (250, 44_100, 0.999909301),
    ],
)
def test_a_step_rises_by_one_less_alpha_in_its_first_frame(
    tau_ms: float, rate: int, alpha: float
) -> None:
    """References §5, table of alpha = exp(-1 / (tau fs)), read off the detector itself."""
    first = reductions(np.full(3, 10.0), attack=kept(tau_ms, rate))[0]
    assert 1 - first / 10 == pytest.approx(alpha, abs=1e-9)


def test_attack_reaches_63_percent_after_its_time() -> None:
    """References §5: 10 dB, 10 ms, 48 kHz: 6.321206 dB after 480 frames; 10-90 % is 2.197 tau."""
    rise = reductions(np.full(4800, 10.0), attack=kept(10, 48_000), release=kept(150, 48_000))
    assert rise[479] == pytest.approx(6.321206, abs=1e-6)
    ten_to_ninety = np.searchsorted(rise, 9.0) - np.searchsorted(rise, 1.0)
    assert ten_to_ninety / 480 == pytest.approx(2.197225, abs=0.005)


def test_release_is_two_time_constants_in_a_row() -> None:
    """Decoupled: y falls as (tr exp(-t/tr) - ta exp(-t/ta)) / (tr - ta), closed form."""
    rate, attack_ms, release_ms = 48_000, 10.0, 150.0
    levels = np.concatenate((np.full(rate, 10.0), np.full(rate, -99.0)))
    fall = reductions(levels, attack=kept(attack_ms, rate), release=kept(release_ms, rate))[rate:]
    t_ms = 1e3 * np.arange(1, rate + 1) / rate
    slow, quick = np.exp(-t_ms / release_ms), np.exp(-t_ms / attack_ms)
    truth = 10 * (release_ms * slow - attack_ms * quick) / (release_ms - attack_ms)
    assert fall == pytest.approx(truth, abs=0.002)


def test_compiled_is_its_plain_python_and_the_slow_obvious_one() -> None:
    rng = np.random.default_rng(3)
    levels = rng.uniform(-60, 10, 400)
    curve, attack, release = (-26.0, 0.75, 6.0), 0.99, 0.999
    compiled = reductions(levels, curve, attack, release)
    plain = levels.copy()
    levels_to_reductions.py_func(plain, np.array(curve), attack, release, NOTHING)
    assert compiled == pytest.approx(plain, rel=1e-13)
    held, smooth, obvious = 0.0, 0.0, []
    for level in levels:
        over = level + 26
        x = 0.0 if over < -3 else 0.75 * over if over > 3 else 0.75 * (over + 3) ** 2 / 12
        held = max(x, release * held + (1 - release) * x)
        smooth += (1 - attack) * (held - smooth)
        obvious.append(smooth)
    assert compiled == pytest.approx(np.array(obvious), rel=1e-10)


def test_long_silence_comes_to_rest() -> None:
    levels = np.concatenate((np.full(100, 10.0), np.full(40_000, -240.0)))
    found = reductions(levels, attack=0.9, release=0.99)
    assert found[99] > 9
    assert found[-1] == 0
    assert np.all((found == 0) | (found > 1e-200))
