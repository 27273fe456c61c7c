"""The string against textbook formulas: pluck, pickup, stiffness, decay, pitch.

References: references "Strings" (12-TET, pluck at b, pickup at p, inharmonicity), closed forms from
N. H. Fletcher and T. D. Rossing, The Physics of Musical Instruments, chapter 2 (from memory).
"""

import math

import numpy as np
import pytest

from simchain.kernels import strings

RATE = 48_000
LENGTH_M = 0.65
HZ = 100.0
PERIOD = 480


def constants(**changed: float) -> np.ndarray:
    row = dict.fromkeys(strings.STRING, 0.0) | {
        "rate": RATE,
        "slow_ratio": 1.0,
        "side_detune": 1.0,
        "side_pickup": 1.0,
        "pickup_m": 0.083 * LENGTH_M,
        "limit_hz": 15_000.0,
    }
    return np.array([(row | changed)[name] for name in strings.STRING])


def ring(force: np.ndarray, controls: np.ndarray, string: np.ndarray, modes: int = 40):
    sound = np.zeros(force.size)
    both = np.vstack((force, np.zeros(force.size)))
    work = np.zeros((2, strings.WORK_ROWS, modes))
    strings.ring(both, controls, strings.STEP, string, work, sound)
    return sound


def steady(frames: int, **changed: float) -> np.ndarray:
    row = {"hz": HZ, "length_m": LENGTH_M, "pluck_m": 0.117 * LENGTH_M} | changed
    one = [row.get(name, 0.0) for name in strings.CONTROLS]
    return np.tile(one, (-(-frames // strings.STEP), 1))


def let_go(share: float, string: np.ndarray) -> np.ndarray:
    """A string held 1 mm aside until it rests, then let go: 0.1 s of it, and no losses then."""
    held, heard = 60_000, 4800
    controls = steady(held + heard, pluck_m=share * LENGTH_M)
    controls[: held // strings.STEP, strings.CONTROLS.index("damp_flat")] = 10.0
    force = np.zeros(held + heard)
    force[:held] = 0.001
    return ring(force, controls, string)[held:]


def harmonics(sound: np.ndarray, count: int) -> np.ndarray:
    lines = 2.0 * np.abs(np.fft.rfft(sound)) / sound.size
    return lines[:: sound.size // PERIOD][1 : count + 1]


def windowed_harmonics(sound: np.ndarray, at: int) -> np.ndarray:
    """Of a sound that decays: a window keeps one harmonic's skirts out of the next."""
    return harmonics(sound[at : at + 4800] * np.blackman(4800), 21)


@pytest.mark.parametrize(
    ("share", "published"),
    [
        (0.25, (0.764212, 0.270190, 0.084912, 0.0, -0.030568)),
        (0.20, (0.744439, 0.301132, 0.133836, 0.046527, 0.0)),
    ],
)
def test_pluck_at_b_gives_the_published_amplitudes(share, published):
    slope = harmonics(let_go(share, constants(at_bridge=1.0)), 5)
    number = np.arange(1, 6)
    amplitude = slope * LENGTH_M / (number * math.pi) / 0.001
    print(f"pluck at {share}: {np.round(amplitude, 6)} published {published}")
    np.testing.assert_allclose(amplitude, np.abs(published), atol=3e-4)


def test_harmonics_with_a_node_under_the_pick_are_silent():
    slope = harmonics(let_go(0.25, constants(at_bridge=1.0)), 13)
    assert slope[[3, 7, 11]].max() < 1e-9 * slope[0]


@pytest.mark.parametrize("place", [0.25, 0.2, 0.123])
def test_pickup_at_p_hears_sin_n_pi_p(place):
    number = np.arange(1, 13)
    string = constants(pickup_m=place * LENGTH_M)
    velocity = harmonics(let_go(0.29, string), 12)
    amplitude = (
        harmonics(let_go(0.29, constants(at_bridge=1.0)), 12) * LENGTH_M / (number * math.pi)
    )
    heard = velocity / (amplitude * 2.0 * math.pi * HZ * number)
    np.testing.assert_allclose(heard, np.abs(np.sin(number * math.pi * place)), atol=1e-6)


def test_a_wide_contact_takes_the_high_harmonics():
    frames = 4800
    force = np.zeros(frames)
    force[0] = 1.0
    sharp = harmonics(ring(force, steady(frames), constants()), 30)
    soft = harmonics(ring(force, steady(frames, contact_m=0.02), constants()), 30)
    ratio_db = 20.0 * np.log10(soft[[0, 9, 29]] / sharp[[0, 9, 29]])
    width = np.array([1, 10, 30]) * 0.02 / LENGTH_M
    expected_db = -(width**2) * math.pi**2 / 8.0 * 20.0 / math.log(10.0)
    np.testing.assert_allclose(ratio_db, expected_db, atol=1e-6)


@pytest.mark.parametrize(
    ("number", "cents"), [(2, 0.3462), (5, 2.1613), (10, 8.6132), (20, 33.9501)]
)
def test_stiffness_stretches_the_harmonics(number, cents):
    frames = 4 * RATE
    force = np.zeros(frames)
    force[0] = 1.0
    string = constants(stiffness_m2=1e-4 * LENGTH_M**2, pickup_m=0.123 * LENGTH_M)
    sound = ring(force, steady(frames, pluck_m=0.117 * LENGTH_M), string, 25)
    measured = 1200.0 * math.log2(
        loudest_hz(sound, number * HZ * 2 ** (cents / 1200)) / (number * HZ)
    )
    print(f"B 1e-4, n {number}: {measured:.4f} cents, published {cents}")
    assert measured == pytest.approx(cents, abs=0.01)


def test_each_mode_decays_at_its_own_loss():
    flat, slope, square = 1.1, 6e-4, 2.4e-7
    frames = 2 * RATE
    force = np.zeros(frames)
    force[0] = 1.0
    string = constants(loss_flat=flat, loss_slope=slope, loss_square=square)
    sound = ring(force, steady(frames), string)
    for number in (1, 3, 9, 21):
        hz = number * HZ
        levels = [windowed_harmonics(sound, at)[number - 1] for at in (4800, 4800 + RATE)]
        loss = math.log(levels[0] / levels[1])
        assert loss == pytest.approx(flat + slope * hz + square * hz * hz, rel=2e-3)


def test_level_only_falls_after_the_pluck():
    sound = let_go_with_losses()
    levels = np.sqrt(np.mean(sound.reshape(-1, PERIOD) ** 2, axis=1))
    assert np.all(np.diff(levels) < 0.0)


def let_go_with_losses() -> np.ndarray:
    frames = 200 * PERIOD
    force = np.zeros(frames)
    force[0] = 1.0
    return ring(force, steady(frames), constants(loss_flat=1.5, loss_slope=1e-3, loss_square=2e-7))


def test_hands_on_the_string_add_to_its_losses():
    frames = RATE
    force = np.zeros(frames)
    force[0] = 1.0
    sound = ring(force, steady(frames, damp_flat=9.0, damp_slope=0.02), constants())
    first, later = windowed_harmonics(sound, 0)[:10], windowed_harmonics(sound, 9600)[:10]
    loss = np.log(first / later) / 0.2
    np.testing.assert_allclose(loss, 9.0 + 0.02 * HZ * np.arange(1, 11), rtol=5e-3)


def test_sum_of_modes_equals_the_closed_form():
    """Every mode's velocity after a push: G F (e^-st) (cos wt - s/w sin wt) sin(n pi p)."""
    frames, share, place = 3000, 0.21, 0.17
    b, losses = 6e-5, (1.3, 7e-4, 2e-7)
    string = constants(
        stiffness_m2=b * LENGTH_M**2,
        loss_flat=losses[0],
        loss_slope=losses[1],
        loss_square=losses[2],
        pickup_m=place * LENGTH_M,
    )
    force = np.zeros(frames)
    force[0] = 0.01
    sound = ring(force, steady(frames, pluck_m=share * LENGTH_M), string, 50)
    seconds = np.arange(frames) / RATE
    expected = np.zeros(frames)
    for number in range(1, 51):
        hz = number * HZ * math.sqrt(1.0 + b * number**2)
        s, w = losses[0] + losses[1] * hz + losses[2] * hz * hz, 2.0 * math.pi * hz
        drive = 2.0 * math.sin(number * math.pi * share) * (2.0 * HZ) ** 2 / (share * (1.0 - share))
        shape = np.exp(-s * seconds) * (np.cos(w * seconds) - s / w * np.sin(w * seconds))
        expected += drive * 0.01 / RATE * shape * math.sin(number * math.pi * place)
    np.testing.assert_allclose(sound, expected, atol=1e-10 * np.abs(expected).max())


def test_a_bend_follows_its_curve_without_zipper_noise():
    """Two semitones in 0.25 s, one mode at 3 kHz: within -60 dB of the exact sweep."""
    frames = 15_000
    force = np.zeros(frames)
    force[0] = 1.0
    controls = steady(frames, hz=3000.0)
    middle = np.arange(controls.shape[0]) * strings.STEP + 7.0
    controls[:, 0] = 3000.0 * 2.0 ** (np.minimum(middle / 12_000, 1.0) / 6.0)
    sound = ring(force, controls, constants(), 1)
    grid = np.arange(frames)
    hz = 3000.0 * 2.0 ** (np.minimum((grid + 0.5) / 12_000, 1.0) / 6.0)
    phase = np.concatenate(([0.0], np.cumsum(hz[:-1]))) * 2.0 * math.pi / RATE
    envelope = np.abs(sound).max()
    residual_db = 20.0 * math.log10(np.abs(sound - envelope * np.cos(phase)).max() / envelope)
    print(f"bend at 3 kHz: {residual_db:.1f} dB from the exact sweep")
    assert residual_db < -50.0


def test_modes_above_the_limit_are_silent():
    frames = 9600
    force = np.zeros(frames)
    force[0] = 1.0
    controls = steady(frames, hz=700.0)
    controls[controls.shape[0] // 2 :, 0] = 1400.0
    sound = ring(force, controls, constants(limit_hz=12_000.0), 40)
    lines = np.abs(np.fft.rfft(sound[2400:4800] * np.blackman(2400)))
    hz = np.fft.rfftfreq(2400, 1.0 / RATE)
    assert lines[hz > 12_500.0].max() < 1e-4 * lines.max()
    lines = np.abs(np.fft.rfft(sound[-2400:] * np.blackman(2400)))
    assert lines[hz > 12_500.0].max() < 1e-4 * lines.max()


def test_a_hand_laid_on_a_deflected_string_gives_no_jump():
    frames = 9600
    force = np.full(frames, 0.001)
    controls = steady(frames, damp_flat=30.0)
    controls[300:, strings.CONTROLS.index("damp_flat")] = 200.0
    sound = ring(force, controls, constants())
    at = 300 * strings.STEP
    usual = np.abs(np.diff(sound[at - 2400 : at])).max()
    assert np.abs(np.diff(sound[at - 5 : at + 5])).max() < usual


def test_no_push_no_sound():
    assert not ring(np.zeros(1000), steady(1000), constants()).any()


def test_any_length_from_one_frame():
    force = np.zeros(100)
    force[0] = 1.0
    whole = ring(force, steady(100), constants())
    for frames in (1, 15, 17):
        assert np.array_equal(ring(force[:frames], steady(frames), constants()), whole[:frames])


def test_compiled_equals_plain_python(monkeypatch):
    frames = 200
    force = np.zeros(frames)
    force[20:40] = np.linspace(0.0, 0.001, 20)
    controls = steady(frames, contact_m=0.002)
    controls[5:, 0] *= 1.01
    controls[8:, strings.CONTROLS.index("damp_slope")] = 0.3
    string = constants(loss_flat=1.0, loss_slope=1e-3, side_detune=1.001, stiffness_m2=1e-5)
    compiled = ring(force, controls, string, 9)
    for name, item in vars(strings).copy().items():
        if hasattr(item, "py_func"):
            monkeypatch.setattr(strings, name, item.py_func)
    plain = ring(force, controls, string, 9)
    assert np.abs(plain).max() > 1e-3
    assert np.array_equal(compiled, plain)


def test_own_sine_cosine_and_exponential():
    for angle in np.linspace(-50.0, 50.0, 501):
        cosine, sine = strings._cosine_sine(angle)
        assert cosine == pytest.approx(math.cos(angle), abs=1e-14)
        assert sine == pytest.approx(math.sin(angle), abs=1e-14)
    for power in np.linspace(0.0, 30.0, 301):
        assert strings._exponential(-power) == pytest.approx(math.exp(-power), rel=1e-13)


def loudest_hz(sound: np.ndarray, near_hz: float) -> float:
    """Frequency of the strongest partial near `near_hz`: a parabola through a Gauss peak."""
    window = np.exp(-0.5 * ((np.arange(sound.size) / sound.size - 0.5) / 0.1) ** 2)
    lines = np.abs(np.fft.rfft(sound * window))
    step = RATE / sound.size
    low, high = int(0.97 * near_hz / step), int(1.03 * near_hz / step) + 2
    top = low + int(np.argmax(lines[low:high]))
    left, middle, right = np.log(lines[top - 1 : top + 2])
    return (top + 0.5 * (left - right) / (left - 2.0 * middle + right)) * step
